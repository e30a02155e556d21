package program

import (
	"bytes"
	"cmp"
	"fmt"
	"slices"
)

// add appends data for address, joined to the segment before where it continues it.
func (m *Memory) add(address int, data []byte) {
	if len(data) == 0 {
		return
	}
	if n := len(m.Segments); n > 0 && m.Segments[n-1].End() == address {
		m.Segments[n-1].Data = append(m.Segments[n-1].Data, data...)
		return
	}
	m.Segments = append(m.Segments, Segment{address, bytes.Clone(data)})
}

// Size is the number of bytes in all segments.
func (m *Memory) Size() (n int) {
	for _, s := range m.Segments {
		n += len(s.Data)
	}
	return n
}

// fits refuses what a 64 KiB machine cannot hold.
func (m *Memory) fits() error {
	if m.Size() == 0 {
		return fmt.Errorf("no bytes to load")
	}
	for _, s := range m.Segments {
		if s.Address < 0 || s.End() > addressSpace {
			return fmt.Errorf("bytes for %s to %s, beyond the 64 KiB of addresses (0000h to FFFFh)", hex(s.Address), hex(s.End()-1))
		}
	}
	if m.Entry != nil && (*m.Entry < 0 || *m.Entry >= addressSpace) {
		return fmt.Errorf("entry %s is beyond the 64 KiB of addresses (0000h to FFFFh)", hex(*m.Entry))
	}
	return nil
}

// Flat gives the same memory in ascending order of address with touching segments joined; where segments overlap, the
// later one wins, as in loading.
func (m *Memory) Flat() Memory {
	out := Memory{Name: m.Name, Entry: m.Entry}
	type edge struct{ first, end, order int }
	es := make([]edge, 0, len(m.Segments))
	for i, s := range m.Segments {
		if len(s.Data) > 0 {
			es = append(es, edge{s.Address, s.End(), i})
		}
	}
	slices.SortFunc(es, func(x, y edge) int { return cmp.Or(cmp.Compare(x.first, y.first), cmp.Compare(x.order, y.order)) })
	for i := 0; i < len(es); {
		first, end, j := es[i].first, es[i].end, i+1
		for j < len(es) && es[j].first <= end {
			end = max(end, es[j].end)
			j++
		}
		data := make([]byte, end-first)
		group := slices.Clone(es[i:j])
		slices.SortFunc(group, func(x, y edge) int { return cmp.Compare(x.order, y.order) })
		for _, e := range group {
			copy(data[e.first-first:], m.Segments[e.order].Data)
		}
		out.Segments = append(out.Segments, Segment{first, data})
		i = j
	}
	return out
}

// Ranges are the filled addresses, ascending, merged, end exclusive.
func (m *Memory) Ranges() [][2]int {
	f := m.Flat()
	rs := make([][2]int, len(f.Segments))
	for i, s := range f.Segments {
		rs[i] = [2]int{s.Address, s.End()}
	}
	return rs
}

// Equal says whether two programs leave the same bytes in memory and begin at the same place.
func (m *Memory) Equal(o Memory) bool {
	if (m.Entry == nil) != (o.Entry == nil) || m.Entry != nil && *m.Entry != *o.Entry {
		return false
	}
	a, b := m.Flat(), o.Flat()
	return slices.EqualFunc(a.Segments, b.Segments, func(x, y Segment) bool {
		return x.Address == y.Address && bytes.Equal(x.Data, y.Data)
	})
}
