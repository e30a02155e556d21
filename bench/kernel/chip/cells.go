package chip

import (
	"math"
	"slices"
)

// crc is CRC-16 with polynomial 1021, most significant bit first (FD179x data sheet).
func crc(c uint16, data []byte) uint16 {
	for _, v := range data {
		c ^= uint16(v) << 8
		for range 8 {
			if c&0x8000 != 0 {
				c = c<<1 ^ 0x1021
			} else {
				c <<= 1
			}
		}
	}
	return c
}

// preset is the CRC after a mark: over the mark alone in FM, over three A1 and the mark in MFM.
func preset(mfm bool, kind byte) uint16 {
	if mfm {
		return crc(0xFFFF, []byte{0xA1, 0xA1, 0xA1, kind})
	}
	return crc(0xFFFF, []byte{kind})
}

// gap2 is the distance from an identifier to the sync of its data field, in bytes.
func gap2(mfm bool) int {
	if mfm {
		return 22
	}
	return 11
}

// writer makes half-cells, one a byte: 1 is a flux change.
type writer struct {
	mfm   bool
	cells []byte
	last  byte // last data bit
}

func (w *writer) word(v uint16, data byte) {
	for i := 15; i >= 0; i-- {
		w.cells = append(w.cells, byte(v>>i&1))
	}
	w.last = data & 1
}

func (w *writer) put(data ...byte) {
	for _, v := range data {
		for i := 7; i >= 0; i-- {
			bit, clock := v>>i&1, byte(1)
			if w.mfm {
				clock = (bit | w.last) ^ 1
			}
			w.cells = append(w.cells, clock, bit)
			w.last = bit
		}
	}
}

func (w *writer) gap(n int) {
	fill := byte(0xFF)
	if w.mfm {
		fill = 0x4E
	}
	for range n {
		w.put(fill)
	}
}

func (w *writer) sync() {
	w.put(0, 0, 0, 0, 0, 0)
	if w.mfm {
		w.put(0, 0, 0, 0, 0, 0)
	}
}

// Half-cells of the FM marks: FE, FB, F8, FA, F9 with clock C7, FC with clock D7 (FD1771, FD179x data sheets).
var fmMarks = map[uint16]byte{0xF57E: 0xFE, 0xF56F: 0xFB, 0xF56A: 0xF8, 0xF56E: 0xFA, 0xF56B: 0xF9, 0xF77A: 0xFC}

func (w *writer) mark(kind byte) {
	w.sync()
	if w.mfm {
		word, data := uint16(0x4489), byte(0xA1)
		if kind == 0xFC {
			word, data = 0x5224, 0xC2
		}
		for range 3 {
			w.word(word, data)
		}
		w.put(kind)
		return
	}
	for word, k := range fmMarks {
		if k == kind {
			w.word(word, kind)
		}
	}
}

// preamble is what FORMAT writes before the first sector: gap 4a, index mark, gap 1.
func (w *writer) preamble() {
	if w.mfm {
		w.gap(80)
		w.mark(0xFC)
		w.gap(50)
		return
	}
	w.gap(40)
	w.mark(0xFC)
	w.gap(26)
}

func (w *writer) id(chrn []byte) { w.field(0xFE, chrn) }

func (w *writer) field(kind byte, data []byte) {
	w.mark(kind)
	w.put(data...)
	c := crc(preset(w.mfm, kind), data)
	w.put(byte(c>>8), byte(c))
}

// reader is a separator that follows a track's flux changes from one to the next.
type reader struct {
	x     *run
	i     int     // next flux change
	base  float64 // whole turns
	turn  float64 // where it stands
	zeros int     // cells without a change before the next one
	reg   uint64
	alt   int     // cells up to here that alternate: sync of both encodings
	was   [64]int // alt at the last 64 cells
	n     int
	cell  float64 // turns
}

func (x *run) reader(from float64) *reader {
	r := &reader{x: x, base: math.Floor(from), turn: from, cell: x.half / (60e9 / x.p.RPM), zeros: -1}
	r.i, _ = slices.BinarySearch(x.cells, from-r.base)
	return r
}

// bit is the next half-cell.
func (r *reader) bit() uint64 {
	if r.zeros < 0 { // how far is the next change?
		if len(r.x.cells) == 0 {
			r.zeros = 1 << 30
		} else {
			if r.i == len(r.x.cells) {
				r.i, r.base = 0, r.base+1
			}
			r.zeros = max(0, int(math.Round((r.base+r.x.cells[r.i]-r.turn)/r.cell))-1)
		}
	}
	v := uint64(0)
	if r.zeros == 0 {
		v = 1
		r.turn = r.base + r.x.cells[r.i]
		r.i++
	} else {
		r.turn += r.cell
	}
	r.zeros--
	if v == r.reg&1 {
		r.alt = 0
	}
	r.alt++
	r.was[r.n&63] = r.alt
	r.n++
	r.reg = r.reg<<1 | v
	return v
}

// bytes are the data cells of the next n bytes.
func (r *reader) bytes(n int) []byte {
	out := make([]byte, n)
	for i := range out {
		for range 8 {
			r.bit()
			out[i] = out[i]<<1 | byte(r.bit())
		}
	}
	return out
}

// mark goes on to the next mark that begins before the turn `limit`.
func (r *reader) mark(limit float64) (mark, bool) {
	length := 16
	if r.x.mfm {
		length = 48
	}
	for r.turn-float64(length)*r.cell < limit {
		r.bit()
		kind, ok := byte(0), false
		if r.x.mfm {
			ok = r.reg&0xFFFFFFFFFFFF == 0x448944894489
		} else if high := byte(r.reg >> 8); high == 0xF5 || high == 0xF7 {
			kind, ok = fmMarks[uint16(r.reg)]
		}
		if !ok {
			continue
		}
		if sync := r.was[(r.n-1-length)&63]; sync < 16*r.x.p.Lock {
			continue
		}
		begin := r.turn - float64(length)*r.cell
		if r.x.mfm {
			kind = r.bytes(1)[0]
		}
		return mark{kind: kind, begin: begin}, true
	}
	return mark{}, false
}
