// Package track turns the sectors of one track into cells and transition times, and back.
//
// Going down, Build lays out a track: preamble, then for each sector sync, ID mark, identifier, CRC, gap, sync, data
// mark, data, CRC, gap; EncodeDisk makes captures of a whole image. Going up, Scan finds the sectors in captures of
// one track: a fast separator first, and where a CRC fails a decoder that weighs every possible reading (see
// doc/floppy-signal.md). Reads of several revolutions and captures are merged; what is certain, repaired, doubtful or
// lost is said for each sector.
//
// Worked example: in fm10x256 the identifier of cylinder 0, head 0, sector 1 is the mark FE with clock C7, the bytes
// 00 00 01 01 and CRC C2E2: cells F57E AAAA AAAA AAAB AAAB FAAE FEAE (check value of CRC from the fact sheet).
package track

import (
	"fmt"
	"slices"

	"remanence/disk"
	"remanence/disk/cell"
)

// Cells is the cells of one track, from index to index.
type Cells struct {
	cell.Cells
	CellNS float64  // length of a cell
	Placed []Placed // where each sector lies, in order of passing
	Notes  []string // what had to give way: a gap shortened
	format disk.TrackFormat
}

// Placed is where a sector lies, in cells after the index.
type Placed struct {
	ID        disk.SectorID
	Start     int // first cell of the ID mark
	Data, End int // first cell of the data mark, cell after the data CRC; 0 where there is no data field
}

// Times is the transition times of n revolutions in nanoseconds after the first index.
func (c *Cells) Times(n int) []float64 {
	var out []float64
	rev := float64(c.Len()) * c.CellNS
	for r := range n {
		base := float64(r) * rev
		c.Ones(func(i int) { out = append(out, base+float64(i)*c.CellNS) })
	}
	return out
}

// RevolutionNS is the time from index to index.
func (c *Cells) RevolutionNS() float64 { return float64(c.Len()) * c.CellNS }

// Build lays out the track at a place. Sectors are laid in the order of rec (its Order, by number); those with
// numbers that the order does not have follow after the sector before them in the list. A sector is written as it is:
// its own identifier and mark; Mark 0 leaves the data field out; one that is Bad gets a CRC that does not fit, so that
// it still reads as bad; a place that no sector was ever found for stays empty. The gap after sectors is shortened where more has to fit than the layout planned.
func Build(rec *disk.Recording, cylinder, head int, sectors []disk.Sector) (*Cells, error) {
	f := rec.Format(cylinder, head)
	unit := f.Encoding
	for i := range sectors {
		s := &sectors[i]
		if s.Mark != 0 && len(s.Data) != s.ID.Size() && s.Status != disk.Bad {
			return nil, fmt.Errorf("cylinder %d head %d sector %d: %d bytes of data, the identifier says %d", cylinder, head, s.ID.Sector, len(s.Data), s.ID.Size())
		}
		if s.Encoding == disk.MFM {
			unit = disk.MFM
		}
	}
	rate := f.RateKbit // data rate of the unit's cells
	if unit == disk.MFM && f.Encoding == disk.FM {
		rate *= 2 // the same flux density
	}
	t := &Cells{CellNS: 1e6 / rate / 2, format: f}
	total := int(rec.RevolutionNS()/t.CellNS + 0.5)
	list := order(f, sectors)
	if n := len(sectors) - len(list); n > 0 {
		t.Notes = append(t.Notes, fmt.Sprintf("cylinder %d head %d: %d sectors that were never found are left out", cylinder, head, n))
	}
	used := 16 * f.PreambleBytes()
	if unit != f.Encoding {
		used *= 2
	}
	for _, s := range list {
		used += fieldCells(f, s, unit)
	}
	gap3 := f.Gap3
	if n := len(list); n > 0 {
		per := 16
		if unit != f.Encoding {
			per = 32
		}
		if room := (total - used) / per; room < (n-1)*gap3 { // the last gap may be cut by the index
			gap3 = room / max(n-1, 1)
			least := 8
			if room < 0 || gap3 < least {
				return nil, fmt.Errorf("cylinder %d head %d: %d sectors need %d cells with the least gaps, a revolution has %d", cylinder, head, n, used+(n-1)*least*per, total)
			}
			t.Notes = append(t.Notes, fmt.Sprintf("cylinder %d head %d: gap 3 is %d bytes instead of %d so that %d sectors fit", cylinder, head, gap3, f.Gap3, n))
		}
	}
	w := writer{t: t, unit: unit, enc: f.Encoding, f: f}
	if f.IndexMark {
		w.fill(byte(f.GapByte), f.Gap0)
		w.fill(0, f.Sync)
		w.mark(cell.MarkIndex)
	}
	w.fill(byte(f.GapByte), f.Gap1)
	for _, s := range list {
		w.sector(s)
		w.fill(byte(f.GapByte), gap3)
	}
	w.use(f.Encoding)
	for t.Len() < total {
		w.fill(byte(f.GapByte), 1)
	}
	t.Truncate(total)
	if t.At(0) == 1 && t.At(total-1) == 1 && unit == disk.MFM {
		t.Set(total-1, 0) // no two transitions in neighbouring cells where the end meets the start
	}
	return t, nil
}

// fieldCells is the length of a sector without its gap 3.
func fieldCells(f disk.TrackFormat, s disk.Sector, unit disk.Encoding) int {
	l := layoutOf(f, s.Encoding)
	n := l.sync + l.mark + 4 + 2 + l.gap2
	if s.Mark != 0 {
		n += l.sync + l.mark + len(s.Data) + 2
	}
	if s.Encoding == disk.FM && unit == disk.MFM {
		return 32 * n
	}
	return 16 * n
}

type layout struct {
	sync, mark, gap2 int
	gap              byte
}

// layoutOf is f's own lengths, or for a sector of the other encoding the usual ones (FD179x data sheet).
func layoutOf(f disk.TrackFormat, e disk.Encoding) layout {
	switch {
	case e == f.Encoding:
		return layout{f.Sync, f.MarkBytes(), f.Gap2, byte(f.GapByte)}
	case e == disk.MFM:
		return layout{12, 4, 22, 0x4E}
	}
	return layout{6, 1, 11, 0xFF}
}

// neverSeen reports whether a sector is only the place for one that no read showed: neither identifier nor data.
func neverSeen(s *disk.Sector) bool {
	return s.Status == disk.Bad && s.Mark == 0 && s.Reads == 0 && s.Why != ""
}

// order puts sectors as they pass the head.
func order(f disk.TrackFormat, sectors []disk.Sector) []disk.Sector {
	rank := map[int]int{}
	for i, n := range f.SectorOrder() {
		rank[n] = i
	}
	type item struct {
		key int
		s   disk.Sector
	}
	items := make([]item, 0, len(sectors))
	taken := map[int]bool{}
	after := -1
	for i := range sectors {
		s := sectors[i]
		if neverSeen(&s) {
			continue
		}
		if s.Encoding == 0 {
			s.Encoding = f.Encoding
		}
		r, ok := rank[int(s.ID.Sector)]
		if !ok && i < f.Sectors { // odd numbers in a track of the usual count: the place in the list is the place on the track
			r, ok = rank[f.FirstID+i]
		}
		if ok && !taken[r] {
			taken[r], after = true, r
		}
		items = append(items, item{after, s})
	}
	slices.SortStableFunc(items, func(a, b item) int { return a.key - b.key })
	out := make([]disk.Sector, len(items))
	for i := range items {
		out[i] = items[i].s
	}
	return out
}

// writer appends bytes to a track in either encoding.
type writer struct {
	t       *Cells
	f       disk.TrackFormat
	unit    disk.Encoding
	enc     disk.Encoding
	scratch cell.Cells
}

func (w *writer) use(e disk.Encoding) { w.enc = e }

func (w *writer) put(f func(c *cell.Cells)) {
	if w.enc == w.unit {
		f(&w.t.Cells)
		return
	}
	w.scratch.Reset()
	f(&w.scratch)
	w.t.AppendStretched(&w.scratch)
}

func (w *writer) bytes(b []byte) {
	w.put(func(c *cell.Cells) {
		if w.enc == disk.MFM {
			c.AppendMFM(b)
		} else {
			c.AppendFM(b)
		}
	})
}

func (w *writer) fill(b byte, n int) {
	var buf [64]byte
	for i := range buf {
		buf[i] = b
	}
	for ; n > 0; n -= len(buf) {
		w.bytes(buf[:min(n, len(buf))])
	}
}

func (w *writer) mark(m byte) {
	w.put(func(c *cell.Cells) {
		if w.enc == disk.MFM {
			c.AppendMFMMark(m)
		} else {
			c.AppendFMMark(m)
		}
	})
}

// field writes a mark, bytes and their CRC, exclusive-ored with spoil.
func (w *writer) field(mark byte, data []byte, spoil uint16) {
	w.mark(mark)
	w.bytes(data)
	crc := fieldCRC(w.enc, mark, data) ^ spoil
	w.bytes([]byte{byte(crc >> 8), byte(crc)})
}

func fieldCRC(e disk.Encoding, mark byte, data []byte) uint16 {
	init := cell.CRCInit
	if e == disk.MFM {
		init = cell.CRCMFM
	}
	return cell.CRC(cell.CRC(init, []byte{mark}), data)
}

func (w *writer) sector(s disk.Sector) {
	l := layoutOf(w.f, s.Encoding)
	w.use(s.Encoding)
	w.fill(0, l.sync)
	p := Placed{ID: s.ID, Start: w.t.Len()}
	id := []byte{s.ID.Cylinder, s.ID.Head, s.ID.Sector, s.ID.SizeCode}
	w.field(cell.MarkID, id, 0)
	w.fill(l.gap, l.gap2)
	if s.Mark != 0 {
		w.fill(0, l.sync)
		spoil := uint16(0)
		if s.Status == disk.Bad {
			spoil = 0xFFFF
		}
		p.Data = w.t.Len()
		w.field(s.Mark, s.Data, spoil)
		p.End = w.t.Len()
	}
	w.t.Placed = append(w.t.Placed, p)
	w.use(w.f.Encoding)
}
