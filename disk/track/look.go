package track

import (
	"cmp"
	"context"
	"fmt"
	"math"
	"slices"

	"remanence/disk"
	"remanence/disk/cell"
	"remanence/disk/flux"
)

// Close is one sector looked at closely: what its reads came to, and each of them.
type Close struct {
	Sector disk.Sector
	Reads  []Seen // by capture and time
}

// Seen is one pass of the head over a sector.
type Seen struct {
	From    string // its capture
	Capture int    // number of it, from 0
	Turn    int    // revolution of the capture, from 0
	StartNS float64
	IDGood  bool   // the identifier's CRC was right
	Mark    byte   // data mark; 0: none was found
	Data    []byte // as this read alone gives it, without CRC; shorter where the capture ends
	CRC     []byte // the two bytes behind it; shorter where the capture ends
	Good    bool   // the data's CRC is right and the times do not speak against it
	Margin  float64
	Weighed bool // the data was decided by the likelihood decoder, not by the fast separator

	Cells []Cell
	Parts []Part
	Stray []float64 // times of transitions that are no cell's own: seen twice, or taken as none
}

// Kind of a cell within its bit.
type Kind uint8

// Kinds of cells. Between an identifier and a data field that was written later cells belong to no byte.
const (
	Loose Kind = iota
	Clock
	Data
)

// Cell is one decision: whether its window holds a transition. Times are from the start of the capture.
type Cell struct {
	NS      float64 // middle of the window
	WidthNS float64
	AtNS    float64 // the transition, where Seen
	Off     float64 // the transition's distance from the middle, in half windows; beyond 1 the likelihood decoder thought otherwise than the nearest cell
	Sure    float64 // logarithm of the odds of this bit's decision, for data cells of the likelihood decoder; else 0
	Value   uint8
	Seen    bool // Value may differ from it where a mark was recognised as a whole, or a capture ends
	Kind    Kind
	Weighed bool // decided by the likelihood decoder
}

// Part is a named stretch of cells. Byte i is the cells From+16*i up to From+16*i+16, clock first.
type Part struct {
	Name  string
	From  int
	Cells int
	Bytes []byte // nil where the cells are in step with no byte
}

// Names of parts.
const (
	PartSync     = "sync"
	PartIDMark   = "ID mark"
	PartCylinder = "cylinder"
	PartHead     = "head"
	PartSector   = "sector number"
	PartSize     = "size code"
	PartIDCRC    = "ID CRC"
	PartGap      = "gap"
	PartSplice   = "splice"
	PartMark     = "data mark"
	PartData     = "data"
	PartCRC      = "data CRC"
)

// Lens holds one scanned track with all its reads, so that its sectors can be looked at closely one after another. It
// keeps the captures and some 40 bytes a transition; it serves one goroutine at a time.
type Lens struct {
	s      Scanner
	res    *Result
	tracks []*passes
}

// NewLens scans as Scan does: with the same captures and options every decision is the same.
func NewLens(ctx context.Context, caps []*flux.Capture, o Options) (*Lens, error) {
	l := &Lens{}
	var err error
	l.res, l.tracks, err = l.s.scan(ctx, caps, o)
	return l, err
}

// Transitions is how many the captures hold together, by which a caller may judge how much memory the lens holds.
func (l *Lens) Transitions() int { return l.res.Transitions }

// Look gives the reads of one sector: the one with want's identifier and encoding that lies nearest to its angle. The
// cells of read number show are given; a negative number gives those of all. Where the track has no such sector, the cells
// of the fast separator at want's angle and extent are given for each revolution, without parts.
func (l *Lens) Look(want disk.Sector, show int) *Close {
	res := l.res
	best := -1
	for i := range res.Sectors {
		q := &res.Sectors[i]
		if q.ID != want.ID || q.Encoding != want.Encoding {
			continue
		}
		if best < 0 || want.Angle >= 0 && apart(q.Angle, want.Angle) < apart(res.Sectors[best].Angle, want.Angle) {
			best = i
		}
	}
	if best < 0 {
		return l.place(want, show)
	}
	k := &Close{Sector: res.Sectors[best]}
	reads := slices.Clone(res.clusters[best].reads)
	slices.SortStableFunc(reads, func(a, b *read) int {
		return cmp.Or(cmp.Compare(a.capture, b.capture), cmp.Compare(a.startNS(), b.startNS()))
	})
	for i, r := range reads {
		p := l.tracks[r.capture]
		v := Seen{
			From: p.c.From, Capture: r.capture, StartNS: r.startNS(), Turn: p.turnOf(r.startNS()),
			Mark: r.mark, Good: r.good, Margin: r.margin, Weighed: r.model != nil,
		}
		if p.ring != nil {
			v.From, v.Capture = fmt.Sprintf("%s, its end joined to its start", p.c.From), p.ring.number
			v.Turn = p.ring.turns() - 1
		}
		v.Data, v.CRC = r.fields()
		if show < 0 || show == i {
			d := looker{s: &l.s, p: p, r: r, mfm: r.enc == disk.MFM}
			d.show(&v)
		}
		k.Reads = append(k.Reads, v)
	}
	return k
}

// maxPlaces of a lost sector are shown.
const maxPlaces = 64

// place gives what passed where a sector should be.
func (l *Lens) place(want disk.Sector, show int) *Close {
	want.Status, want.Reads = disk.Bad, 0
	k := &Close{Sector: want}
	if want.Angle < 0 || want.Encoding != disk.FM && want.Encoding != disk.MFM {
		return k
	}
	for _, p := range l.tracks {
		if p.ring != nil || p.pace.shortNS == 0 || !(p.endNS/p.revNS < 4096) {
			continue
		}
		for _, at := range p.timesAt(want.Angle) {
			if len(k.Reads) == maxPlaces {
				return k
			}
			v := Seen{From: p.c.From, Capture: p.number, StartNS: at, Turn: p.turnOf(at), Margin: -1}
			if show < 0 || show == len(k.Reads) {
				d := looker{s: &l.s, p: p, r: &read{enc: want.Encoding}, mfm: want.Encoding == disk.MFM}
				b := d.fast(at, at+min(max(want.Extent, 0.01), 0.5)*p.revNS)
				v.Cells, v.Stray = b.cells, b.stray
			}
			k.Reads = append(k.Reads, v)
		}
	}
	return k
}

// fields parts what was read into data and CRC.
func (r *read) fields() (data, crc []byte) {
	n := len(r.data)
	size := n - 2
	if r.state == idGood {
		size = r.id.Size()
	}
	size = max(0, min(size, n))
	return slices.Clone(r.data[:size]), slices.Clone(r.data[size:min(n, size+2)])
}

// looker lays the decisions of one read side by side.
type looker struct {
	s   *Scanner
	p   *passes
	r   *read
	mfm bool
}

// anchorCell is a decision with its transition.
type anchorCell struct {
	cell             int
	ns, at, off, wid float64
}

// piece is a run of cells that one decoder decided; cells[0] is its cell number base.
type piece struct {
	base  int
	cells []Cell
	stray []float64
}

// lay fills the cells from..to-1 around their anchors: between two of them windows are laid evenly.
func lay(anchors []anchorCell, from, to int, weighed bool) piece {
	if len(anchors) == 0 || to <= from {
		return piece{}
	}
	out := piece{base: from, cells: make([]Cell, to-from)}
	k := 0
	for c := from; c < to; c++ {
		for k+1 < len(anchors) && anchors[k+1].cell <= c {
			k++
		}
		a := &anchors[k]
		v := Cell{WidthNS: a.wid, Weighed: weighed}
		switch {
		case a.cell == c:
			v.NS, v.AtNS, v.Off, v.Seen, v.Value = a.ns, a.at, a.off, true, 1
		case c > a.cell && k+1 < len(anchors):
			b := &anchors[k+1]
			v.NS = a.ns + (b.ns-a.ns)*float64(c-a.cell)/float64(b.cell-a.cell)
		default: // before the first, behind the last
			v.NS = a.ns + float64(c-a.cell)*a.wid
		}
		out.cells[c-from] = v
	}
	return out
}

// fast runs the fast separator once more and gives its cells between two times.
func (l *looker) fast(fromNS, toNS float64) piece {
	sep, c := &l.s.sep, l.p.c
	sep.Run(c.Intervals, l.p.pace.cellNS(l.r.enc)/c.TickNS, l.mfm)
	var anchors []anchorCell
	var stray []float64
	twice := sep.Twice
	i, t := 0, uint64(0)
	next := func() (at float64, second bool) {
		t += uint64(c.Intervals[i])
		if second = len(twice) > 0 && int(twice[0]) == i; second {
			twice = twice[1:]
		}
		i++
		return float64(t) * c.TickNS, second
	}
	sep.Cells.Ones(func(pos int) {
		for i < len(c.Intervals) {
			at, second := next()
			in := at >= fromNS && at <= toNS
			if second {
				if in {
					stray = append(stray, at)
				}
				continue
			}
			if in {
				wid := l.p.pace.cellNS(l.r.enc)
				if k := min((i-1)/cell.PaceStep, len(sep.Pace)-1); k >= 0 {
					wid = float64(sep.Pace[k]) * c.TickNS
				}
				off := float64(sep.Errors[i-1]) / 128
				anchors = append(anchors, anchorCell{pos, at - off*wid/2, at, off, wid})
			}
			return
		}
	})
	if len(anchors) == 0 {
		return piece{}
	}
	p := lay(anchors, anchors[0].cell, anchors[len(anchors)-1].cell+1, false)
	p.stray = stray
	return p
}

// weighed gives the cells of the field that the likelihood decoder just decided, from the sync before its mark: cell 0
// is the first behind the mark.
func (l *looker) weighed(times []float64, f *cell.Found, mark byte, bits int) piece {
	d := &l.s.dec
	var anchors []anchorCell
	var stray []float64
	for i, c := range d.Path {
		if c < math.MinInt32/4 || len(anchors) > 0 && int(c) <= anchors[len(anchors)-1].cell {
			stray = append(stray, times[i])
			continue
		}
		if int(c) >= 2*bits {
			break
		}
		off := d.U[i] - float64(c)
		anchors = append(anchors, anchorCell{int(c), times[i] - off*d.CellNS, times[i], 2 * off, d.CellNS})
	}
	if len(anchors) == 0 {
		return piece{}
	}
	mc := markCells(l.r.enc)
	p := lay(anchors, min(anchors[0].cell, -mc), 2*bits, true)
	p.stray = stray
	var t cell.Cells // the mark was recognised as a whole: its cells are what it must have
	if l.mfm {
		t.AppendMFMMark(mark)
	} else {
		t.AppendFMMark(mark)
	}
	for i := range mc {
		p.cells[i-mc-p.base].Value = uint8(t.At(i))
	}
	for b, v := range d.Soft { // the odds decide; at the end of a capture the best path may think otherwise
		p.cells[2*b+1-p.base].Sure = math.Abs(float64(v))
		p.cells[2*b+1-p.base].Value = 0
		if v > 0 {
			p.cells[2*b+1-p.base].Value = 1
		}
	}
	return p
}

// Bytes shown around the fields.
const (
	lookBefore = 20
	lookAfter  = 5
)

// show lays out the read: the fast separator's cells, and over them those of fields that were weighed.
func (l *looker) show(v *Seen) {
	r, w := l.r, l.r.cellNS
	start := r.startNS()
	end := max(r.endNS(), start)
	base := l.fast(start-16*lookBefore*w, end+16*lookAfter*w)
	v.Cells, v.Stray = base.cells, base.stray
	idFrom, dataFrom := -1, -1 // index of the first cell of each mark
	mark := markCells(r.enc)
	head := mark - 16 // from the start of the mark to its byte
	if r.idAt.ok {
		if f := r.idAt.found; f == nil {
			idFrom = r.idCell - head - base.base
		} else {
			d := &l.s.dec
			d.Model, d.Skip, d.Thorough = cell.Model{MFM: l.mfm, Sigma: r.idAt.sigma}, false, false
			times := l.p.allTimes()[f.First:]
			d.Decode(times, f.Known, f.CellNS, 48)
			p := l.weighed(times, f, cell.MarkID, 48)
			idFrom = v.put(p) - p.base - mark
		}
	}
	if len(r.data) > 0 {
		if r.model == nil {
			dataFrom = r.dataCell - head - base.base
			if idFrom >= 0 && r.idAt.found != nil { // cells were put in before it
				dataFrom = v.find(base.cells, dataFrom)
			}
		} else {
			f := r.dataAt.found
			times := l.p.allTimes()[f.First:]
			bits := 8 * len(r.data)
			l.s.weigh(times, f, r.model, bits)
			p := l.weighed(times, f, r.mark, bits)
			dataFrom = v.put(p) - p.base - mark
		}
	}
	v.name(r, idFrom, dataFrom, mark)
}

// put lays a piece over the cells that are there and gives the index of its first cell.
func (v *Seen) put(p piece) int {
	if len(p.cells) == 0 {
		return 0
	}
	from, to := p.cells[0].NS-p.cells[0].WidthNS/2, p.cells[len(p.cells)-1].NS+p.cells[len(p.cells)-1].WidthNS/2
	i := slices.IndexFunc(v.Cells, func(c Cell) bool { return c.NS > from })
	if i < 0 {
		i = len(v.Cells)
	}
	k := slices.IndexFunc(v.Cells, func(c Cell) bool { return c.NS > to })
	if k < i {
		k = len(v.Cells)
	}
	v.Cells = slices.Concat(v.Cells[:i], p.cells, v.Cells[k:])
	v.Stray = slices.DeleteFunc(v.Stray, func(t float64) bool { return t > from && t < to })
	v.Stray = append(v.Stray, p.stray...)
	slices.Sort(v.Stray)
	return i
}

// find is where cell i of some cells now lies; -1 where it was laid over.
func (v *Seen) find(cells []Cell, i int) int {
	if i < 0 || i >= len(cells) {
		return -1
	}
	return slices.IndexFunc(v.Cells, func(c Cell) bool { return c.NS == cells[i].NS && !c.Weighed })
}

// bytesAt decodes n bytes of the cells from i on: the second cell of each pair is the bit.
func (v *Seen) bytesAt(i, n int) []byte {
	if i < 0 || n <= 0 || i+16*n > len(v.Cells) {
		return nil
	}
	out := make([]byte, n)
	for k := range 8 * n {
		out[k/8] |= v.Cells[i+2*k+1].Value << (7 - k%8)
	}
	return out
}

// zero reports whether the 16 cells from i on are a byte 00: in both encodings a transition in each clock cell.
func (v *Seen) zero(i int) bool {
	if i < 0 || i+16 > len(v.Cells) {
		return false
	}
	for k := range 16 {
		if int(v.Cells[i+k].Value) != 1-k&1 {
			return false
		}
	}
	return true
}

// part names n bytes from cell i on.
func (v *Seen) part(name string, i int, b []byte) int {
	if len(b) == 0 {
		return i
	}
	n := min(16*len(b), len(v.Cells)-i)
	v.Parts = append(v.Parts, Part{Name: name, From: i, Cells: n, Bytes: b})
	for k := i; k < i+n; k++ {
		v.Cells[k].Kind = Clock + Kind((k-i)&1)
	}
	return i + n
}

// lead names the sync before a mark, and the gap between the part before and it.
func (v *Seen) lead(mark, after int) {
	sync := mark
	for n := 0; n < 16 && sync-16 >= after && v.zero(sync-16); n++ {
		sync -= 16
	}
	if after > 0 || len(v.Parts) > 0 {
		end := v.part(PartGap, after, v.bytesAt(after, (sync-after)/16))
		if end < sync {
			v.Parts = append(v.Parts, Part{Name: PartSplice, From: end, Cells: sync - end})
		}
	}
	v.part(PartSync, sync, v.bytesAt(sync, (mark-sync)/16))
}

// name divides the cells into fields. Data, as the read has it, is taken over; what is not kept of a read is decoded
// from the cells.
func (v *Seen) name(r *read, idFrom, dataFrom, mark int) {
	at := 0
	if idFrom >= 0 && idFrom+mark+96 <= len(v.Cells) {
		v.lead(idFrom, 0)
		at = v.part(PartIDMark, idFrom, v.bytesAt(idFrom, mark/16))
		id := v.bytesAt(at, 6)
		v.IDGood = cell.CRC(cell.CRC(preset(r.enc), []byte{cell.MarkID}), id) == 0
		for i, name := range []string{PartCylinder, PartHead, PartSector, PartSize} {
			at = v.part(name, at, id[i:i+1])
		}
		at = v.part(PartIDCRC, at, id[4:])
	}
	if dataFrom >= at && dataFrom+mark < len(v.Cells) {
		v.lead(dataFrom, at)
		at = v.part(PartMark, dataFrom, v.bytesAt(dataFrom, mark/16))
		at = v.part(PartData, at, v.Data)
		at = v.part(PartCRC, at, v.CRC)
	}
	if len(v.Parts) > 0 {
		v.part(PartGap, at, v.bytesAt(at, min(lookAfter, (len(v.Cells)-at)/16)))
	}
	// What lies before the first part was only looked at to find it.
	if len(v.Parts) > 0 && v.Parts[0].From > 0 {
		cut := v.Parts[0].From
		from := v.Cells[cut].NS - v.Cells[cut].WidthNS
		v.Cells = v.Cells[cut:]
		v.Stray = slices.DeleteFunc(v.Stray, func(t float64) bool { return t < from })
		for i := range v.Parts {
			v.Parts[i].From -= cut
		}
	}
}
