package track

import (
	"math"

	"remanence/disk"
	"remanence/disk/cell"
	"remanence/disk/flux"
)

// idState is what was found of an identifier.
type idState uint8

const (
	idMissing idState = iota // a data field without an identifier before it
	idBad                    // read, its CRC is wrong
	idGood
)

// read is one sector as one pass of the head gave it.
type read struct {
	capture   int
	enc       disk.Encoding
	state     idState
	id        disk.SectorID
	idAt      anchor // start of the ID mark, where there is one
	dataAt    anchor // start of the data mark, where there is one
	mark      byte   // 0: no data mark found
	data      []byte // data and the two CRC bytes; shorter where the capture ends
	good      bool   // data CRC right
	cut       bool   // the capture ends inside
	cellNS    float64
	rms       float64 // of the distance from the middle of the cell, in half windows
	margin    float64
	angle     float64   // of the ID mark, or what it would be from the data mark
	soft      []float32 // certainty of each bit of data and CRC: log of the odds of a 1; nil: not weighed
	likely    float64   // chance that all bits are as read, by the likelihood decoder; 0: not weighed
	idSoft    []float32 // certainty of the 48 bits of identifier and CRC
	flaws     int       // spacings that the code forbids
	chanceHit bool      // the CRC is right, but hardly by more than chance
	hint      string
	idCell    int         // cell of the ID mark's byte among those of the fast separator, where idAt was found by it
	dataCell  int         // cell of the data mark's byte, where data was decided by it
	model     *cell.Model // what the likelihood decoder decided data by; nil: the fast separator decided
}

// anchor is a place in a capture.
type anchor struct {
	ns    float64 // from the start of the capture
	ok    bool
	found *cell.Found // where the mark was found by its times
	sigma float64     // the error of transitions that was expected then
}

// startNS is where the read begins.
func (r *read) startNS() float64 {
	if r.idAt.ok {
		return r.idAt.ns
	}
	return r.dataAt.ns
}

// endNS is where it ends.
func (r *read) endNS() float64 {
	switch {
	case r.dataAt.ok:
		return r.dataAt.ns + float64(markCells(r.enc)+8*2*len(r.data))*r.cellNS
	case r.idAt.ok:
		return r.idAt.ns + float64(markCells(r.enc)+6*16)*r.cellNS
	}
	return 0
}

// markCells is the length of a mark.
func markCells(e disk.Encoding) int {
	if e == disk.MFM {
		return 64
	}
	return 16
}

// preset is the CRC before the mark byte.
func preset(e disk.Encoding) uint16 {
	if e == disk.MFM {
		return cell.CRCMFM
	}
	return cell.CRCInit
}

// maxGap2 is how far behind an identifier its data mark is looked for, in bytes: controllers give up after 30 (FM)
// or 43 (MFM; FD179x data sheet); odd layouts go further.
const maxGap2 = 80

// maxReads bounds what one capture may claim to hold: no track has more than some 60 sectors, no capture of use more
// than some 30 revolutions.
const maxReads = 2048

func isDataMark(m byte) bool { return m >= disk.MarkDeleted && m <= disk.MarkData }

// fastReads finds the sectors of one capture in one encoding.
func fastReads(sep *cell.Separator, c *flux.Capture, capture int, e disk.Encoding, cellNS float64, f *disk.TrackFormat) []*read {
	sep.Run(c.Intervals, cellNS/c.TickNS, e == disk.MFM)
	cells := &sep.Cells
	var out []*read
	var open *read // an identifier waiting for its data
	openEnd := 0
	body := 0 // cell of the mark byte
	var buf [6]byte
	for _, m := range sep.Marks {
		if len(out) >= maxReads {
			break
		}
		body = m.Cell
		if e == disk.MFM {
			body += 48
		}
		w := uint16(cells.Word(body) >> 48)
		b := cells.Bytes(buf[:0], body, 1)[0]
		if e == disk.FM && w != cell.FM(b, cell.FMClock) {
			continue
		}
		ns := c.TickNS
		pace := cellNS
		if k := m.Transition / cell.PaceStep; k < len(sep.Pace) {
			pace = float64(sep.Pace[k]) * ns
		}
		at := anchor{ns: float64(m.Ticks)*ns - float64(m.Offset)*pace, ok: true}
		switch {
		case b == cell.MarkID:
			if body+16*7 > cells.Len() {
				continue
			}
			id := cells.Bytes(buf[:0], body+16, 6)
			r := &read{capture: capture, enc: e, state: idBad, id: disk.SectorID{Cylinder: id[0], Head: id[1], Sector: id[2], SizeCode: id[3]}, idAt: at, idCell: body, cellNS: pace, margin: -1, angle: -1}
			if cell.CRC(cell.CRC(preset(e), []byte{b}), id) == 0 {
				r.state = idGood
			}
			out = append(out, r)
			open, openEnd = r, body+16*7
		case isDataMark(b):
			r := open
			if r == nil || body-openEnd > 16*maxGap2 {
				r = &read{capture: capture, enc: e, cellNS: pace, margin: -1, angle: -1}
				out = append(out, r)
			}
			open = nil
			r.dataAt, r.mark, r.dataCell = at, b, body
			r.fetch(sep, body, m.Transition, f)
		}
	}
	return out
}

// fetch decodes the data field whose mark byte is at cell body.
func (r *read) fetch(sep *cell.Separator, body, transition int, f *disk.TrackFormat) {
	cells := &sep.Cells
	room := (cells.Len() - body - 16 + 1) / 16 // a last cell of 0 leaves no transition behind
	if cells.Len()-body-16 < 0 {
		room = 0
	}
	crc := cell.CRC(preset(r.enc), []byte{r.mark})
	size := r.id.Size()
	if r.state != idGood {
		size = r.sizeByCRC(cells, body, room, crc, f)
	}
	n := size + 2
	if n > room {
		n, r.cut = room, true
	}
	r.data = cells.Bytes(make([]byte, 0, size+2), body+16, n)
	r.good = !r.cut && size > 0 && cell.CRC(crc, r.data) == 0
	r.quality(sep, transition, 16*(n+1))
}

// sizeByCRC is the length of a data field whose identifier can't be trusted: the one whose CRC fits, or the likeliest.
func (r *read) sizeByCRC(cells *cell.Cells, body, room int, crc uint16, f *disk.TrackFormat) int {
	all := cells.Bytes(nil, body+16, min(room, 128<<disk.MaxSizeCode+2))
	if f != nil && f.Encoding == r.enc { // each further length tried is a further chance of a random match
		if n := f.Size; n+2 <= len(all) && cell.CRC(crc, all[:n+2]) == 0 {
			return n
		}
	}
	for code := 0; code <= disk.MaxSizeCode; code++ {
		n := 128 << code
		if n+2 > len(all) {
			break
		}
		if cell.CRC(crc, all[:n+2]) == 0 {
			return n
		}
	}
	switch {
	case f != nil && f.Encoding == r.enc:
		return f.Size
	case r.state == idBad && r.id.Size() > 0:
		return r.id.Size()
	}
	return 0
}

// quality measures the transitions of cells from a transition on.
func (r *read) quality(sep *cell.Separator, transition, cells int) {
	// About 0.75 (FM) and 0.375 (MFM) transitions a cell in mixed data; the exact end does not matter here.
	n := cells * 3 / 8
	if r.enc == disk.FM {
		n *= 2
	}
	errs := sep.Errors[min(transition, len(sep.Errors)):min(transition+n, len(sep.Errors))]
	if len(errs) == 0 {
		return
	}
	sum, worst := 0, 0
	for _, e := range errs {
		v := int(e)
		sum += v * v
		if v < 0 {
			v = -v
		}
		worst = max(worst, v)
	}
	r.rms = math.Sqrt(float64(sum)/float64(len(errs))) / 128
	r.margin = 1 - float64(worst)/128
}
