package program

import (
	_ "embed"
	"fmt"
	"slices"
)

// relocator is asm/relocate.asm as z80asm makes it; the table follows it.
//
//go:embed asm/relocate.bin
var relocator []byte

const (
	relocatorTable = 3 // offset of the table's address in relocator
	relocatorRow   = 6 // bytes of one row of the table
)

// row is one copy that the relocating loader makes.
type row struct{ from, to, n int }

// Relocate changes a program that loads over the target's resident disk system into one that does not: those bytes
// load into free memory instead, and a small loader, which becomes the entry, puts them in their place and jumps to the
// program's own entry. ramKiB is the memory to stay within; 0 takes the smallest that does. Notes say what was done.
//
// What the disk system left in low memory that the program does not load itself, such as the vectors at 4000h, is
// still there when the program begins. A tape program that counts on tape BASIC's may need more than this.
func Relocate(m Memory, t Target, ramKiB int) (Memory, []string, error) {
	flat := m.Flat()
	if err := flat.fits(); err != nil {
		return m, nil, fmt.Errorf("relocating loader: %w", err)
	}
	clash := 0
	for _, s := range flat.Segments {
		clash += max(0, min(s.End(), t.SystemEnd)-max(s.Address, t.SystemFirst))
	}
	if clash == 0 {
		return m, []string{fmt.Sprintf("nothing loads over the disk system of %s (%s-%s); no loader is needed", t.Name, hex(t.SystemFirst), hex(t.SystemEnd-1))}, nil
	}
	if flat.Entry == nil {
		return m, nil, fmt.Errorf("relocating loader: the program has no entry address to jump to (--entry)")
	}
	choices := slices.Clone(t.RAMChoicesKiB)
	if ramKiB > 0 {
		choices = []int{ramKiB}
	}
	slices.Sort(choices)
	for _, k := range choices {
		end := min(t.RAMStart+k<<10, addressSpace)
		if last := flat.Segments[len(flat.Segments)-1].End(); last > end {
			continue
		}
		if out, code, ok := relocateWithin(flat, t, end); ok {
			return out, []string{fmt.Sprintf("%d bytes that load over the disk system of %s are put in their place by a loader at %s; needs %d KiB of RAM",
				clash, t.Name, hex(code), k)}, nil
		}
	}
	return m, nil, fmt.Errorf("relocating loader: no room; %d bytes for %s-%s and the loader itself need free memory above %s beside the program (%s)",
		clash, hex(t.SystemFirst), hex(t.SystemEnd-1), hex(t.SystemEnd-1), rangesText(flat.Ranges()))
}

// relocateWithin lays the loader and the parked bytes into the gaps of memory below end.
func relocateWithin(flat Memory, t Target, end int) (out Memory, code int, ok bool) {
	var keep, park []Segment
	for _, s := range flat.Segments {
		a, b := max(s.Address, t.SystemFirst), min(s.End(), t.SystemEnd)
		if a >= b {
			keep = append(keep, s)
			continue
		}
		if s.Address < a {
			keep = append(keep, Segment{s.Address, s.Data[:a-s.Address]})
		}
		park = append(park, Segment{a, s.Data[a-s.Address : b-s.Address]})
		if b < s.End() {
			keep = append(keep, Segment{b, s.Data[b-s.Address:]})
		}
	}
	for rows := len(park); rows <= len(park)+len(keep)+1; rows++ {
		free := gaps(keep, t.SystemEnd, end)
		size := len(relocator) + relocatorRow*(rows+1)
		i := slices.IndexFunc(free, func(g [2]int) bool { return g[1]-g[0] >= size })
		if i < 0 {
			return out, 0, false
		}
		code = free[i][0]
		free[i][0] += size
		table, parked, ok := pour(park, free)
		if !ok || len(table) > rows {
			continue
		}
		out = Memory{Name: flat.Name, Entry: &code}
		out.Segments = append(append(out.Segments, keep...), parked...)
		out.Segments = append(out.Segments, Segment{code, loaderBytes(code, table, *flat.Entry)})
		return out.Flat(), code, true
	}
	return out, 0, false
}

// gaps lists the stretches from first to end that no segment fills; segs are ascending.
func gaps(segs []Segment, first, end int) (free [][2]int) {
	at := first
	for _, s := range segs {
		if s.Address > at {
			free = append(free, [2]int{at, min(s.Address, end)})
		}
		at = max(at, s.End())
	}
	if at < end {
		free = append(free, [2]int{at, end})
	}
	return free
}

// pour fills the gaps with the parked bytes, cutting them where a gap ends.
func pour(park []Segment, free [][2]int) (table []row, parked []Segment, ok bool) {
	i := 0
	for _, s := range park {
		for at := 0; at < len(s.Data); {
			for i < len(free) && free[i][0] >= free[i][1] {
				i++
			}
			if i == len(free) {
				return nil, nil, false
			}
			n := min(len(s.Data)-at, free[i][1]-free[i][0])
			table = append(table, row{free[i][0], s.Address + at, n})
			parked = append(parked, Segment{free[i][0], s.Data[at : at+n]})
			free[i][0] += n
			at += n
		}
	}
	return table, parked, true
}

// loaderBytes is the loader for address code with its table.
func loaderBytes(code int, table []row, entry int) []byte {
	out := slices.Clone(relocator)
	at := code + len(relocator)
	out[relocatorTable], out[relocatorTable+1] = byte(at), byte(at>>8)
	word := func(v int) { out = append(out, byte(v), byte(v>>8)) }
	for _, r := range table {
		word(r.from)
		word(r.to)
		word(r.n)
	}
	word(entry)
	word(0)
	word(0)
	return out
}
