package carve

import (
	"bytes"
	"math/bits"
	"slices"

	"remanence/disk"
)

// view is one way to read the file as track bytes. A position is the view's own unit: bytes, bits or cells.
type view interface {
	name() string
	// ids calls yield for each place where an identifier mark FE may stand: pos is that of the mark. enc is 0 where
	// the view can't tell. sync says how many bytes of sync or A1 stand before it.
	ids(yield func(pos int, enc disk.Encoding, sync int) bool)
	// marks calls yield for each place in [from, to) where a data mark may stand.
	marks(from, to int, enc disk.Encoding, yield func(pos int, mark byte, sync int) bool)
	// read fills dst with the bytes from pos on and says how many there are.
	read(pos int, dst []byte) int
	advance(pos, n int) int // n track bytes on
	offset(pos int) int64   // byte of the file
	length() int            // positions
}

// transforms of a byte: as it is, bit order reversed, inverted, both.
var transforms = [4]string{"", ", lowest bit first", ", inverted", ", inverted, lowest bit first"}

func transform(kind int, b byte) byte {
	if kind&1 != 0 {
		b = bits.Reverse8(b)
	}
	if kind&2 != 0 {
		b = ^b
	}
	return b
}

func transformed(kind int, data []byte) []byte {
	if kind == 0 {
		return data
	}
	var t [256]byte
	for i := range t {
		t[i] = transform(kind, byte(i))
	}
	out := make([]byte, len(data))
	for i, b := range data {
		out[i] = t[b]
	}
	return out
}

// viewsOf are the views searched, the most usual first: an earlier view wins where two find the same sector.
func viewsOf(data []byte) []view {
	var vs []view
	same := func(pos int) int64 { return int64(pos) }
	var as [len(transforms)][]byte
	for kind, note := range transforms {
		d := transformed(kind, data)
		as[kind] = d
		for step, how := range [...]string{1: "bytes", 2: "bytes stored twice", 3: "every third byte", 4: "every fourth byte"} {
			if step > 0 {
				vs = append(vs, &byteView{d, step, how + note, same})
			}
		}
	}
	for kind, note := range transforms {
		vs = append(vs, &bitView{as[kind], "data bits at any offset" + note, 1})
	}
	for kind, note := range transforms[:2] {
		d := as[kind]
		vs = append(vs,
			&cellView{d, "half-cells" + note, disk.MFM, 1, 0},
			&cellView{d, "half-cells" + note, disk.FM, 1, 0},
			&cellView{merge2(d, 0), "half-cells stored twice" + note, disk.FM, 2, 0},
			&cellView{merge2(d, 1), "half-cells stored twice" + note, disk.FM, 2, 1})
	}
	for odd := range 2 {
		d := swapped(data, odd)
		vs = append(vs,
			&cellView{d, "half-cells in words, low byte first", disk.MFM, 1, 0},
			&cellView{d, "half-cells in words, low byte first", disk.FM, 1, 0})
	}
	if d := unbit(data); d != nil {
		vs = append(vs,
			&cellView{d, "half-cells, one a byte", disk.MFM, 8, 0},
			&cellView{d, "half-cells, one a byte", disk.FM, 8, 0},
			&bitView{d, "data bits, one a byte", 8})
	}
	for odd, note := range []string{"", ", a digit behind junk"} {
		d, at := unhex(data, odd)
		if d == nil {
			break
		}
		where := func(pos int) int64 {
			if pos >= len(at) {
				return int64(len(data))
			}
			return at[pos]
		}
		vs = append(vs, &byteView{d, 1, "bytes in hexadecimal text" + note, where}, &byteView{d, 2, "bytes stored twice in hexadecimal text" + note, where})
	}
	return vs
}

// merge2 halves a bit stream: bit i of the result is bit 2i+phase or its neighbour, as FM looks that was sampled at
// the half-cell rate of MFM.
func merge2(d []byte, phase int) []byte {
	out := make([]byte, len(d)/2)
	for i := range out {
		w := uint32(d[2*i])<<16 | uint32(d[2*i+1])<<8
		if 2*i+2 < len(d) {
			w |= uint32(d[2*i+2])
		}
		w <<= phase
		p := (w >> 8) & 0xFFFF
		p |= p << 1 // the high bit of each pair now holds either
		var b byte
		for k := 15; k >= 1; k -= 2 {
			b = b<<1 | byte(p>>k)&1
		}
		out[i] = b
	}
	return out
}

// swapped exchanges the bytes of each pair, from byte odd on.
func swapped(data []byte, odd int) []byte {
	out := bytes.Clone(data)
	for i := odd; i+1 < len(out); i += 2 {
		out[i], out[i+1] = out[i+1], out[i]
	}
	return out
}

// unbit packs a file that is nearly all bytes 0 and 1, or digits 0 and 1, eight to a byte; nil where it is not.
func unbit(data []byte) []byte {
	n := 0
	for _, b := range data {
		if b == 1 || b == '1' {
			n++
		} else if b != 0 && b != '0' {
			n -= 8
		}
	}
	if n < len(data)/8 || n < 64 { // a quarter and more of all half-cells are transitions; zeros alone are nothing
		return nil
	}
	out := make([]byte, (len(data)+7)/8)
	for i, b := range data {
		out[i/8] |= b & 1 << (7 - i%8)
	}
	return out
}

// unhex reads a file that is mostly hexadecimal digits; at is where each byte stands in the file. Of a run of digits
// the first so many are left out where the run has an odd number: they belong to what stands before.
func unhex(data []byte, skip int) (out []byte, at []int64) {
	value := func(b byte) int {
		switch {
		case b >= '0' && b <= '9':
			return int(b - '0')
		case b >= 'a' && b <= 'f':
			return int(b-'a') + 10
		case b >= 'A' && b <= 'F':
			return int(b-'A') + 10
		}
		return -1
	}
	digits := 0
	for _, b := range data {
		if value(b) >= 0 {
			digits++
		}
	}
	if digits < 64 || digits*10 < len(data)*6 {
		return nil, nil
	}
	for i := 0; i < len(data); {
		n := 0
		for i+n < len(data) && value(data[i+n]) >= 0 {
			n++
		}
		k := i
		if n%2 != 0 {
			k += skip
		}
		for ; k+1 < i+n; k += 2 {
			out, at = append(out, byte(value(data[k])<<4|value(data[k+1]))), append(at, int64(k))
		}
		i += n + 1
	}
	return out, at
}

// byteView reads every step-th byte. With step 2 it reads bytes stored twice, at either phase.
type byteView struct {
	d    []byte
	step int
	what string
	file func(pos int) int64
}

func (v *byteView) name() string           { return v.what }
func (v *byteView) advance(pos, n int) int { return pos + n*v.step }
func (v *byteView) length() int            { return len(v.d) }
func (v *byteView) offset(pos int) int64   { return v.file(pos) }

// sync counts the zeros or A1 before a position: both are what a mark stands behind.
func (v *byteView) sync(pos int) int {
	n := 0
	for q := pos - v.step; q >= 0 && n < 4 && (v.d[q] == 0xA1 || v.d[q] == 0); q -= v.step {
		n++
	}
	return n
}

func (v *byteView) ids(yield func(int, disk.Encoding, int) bool) {
	for i := 0; ; i++ {
		k := bytes.IndexByte(v.d[i:], 0xFE)
		if k < 0 {
			return
		}
		i += k
		if i+6*v.step >= len(v.d) {
			return
		}
		if !yield(i, 0, v.sync(i)) {
			return
		}
	}
}

func (v *byteView) marks(from, to int, _ disk.Encoding, yield func(int, byte, int) bool) {
	for q := max(from, 0); q < min(to, len(v.d)); q += v.step {
		if b := v.d[q]; b >= disk.MarkDeleted && b <= disk.MarkData {
			if !yield(q, b, v.sync(q)) {
				return
			}
		}
	}
}

func (v *byteView) read(pos int, dst []byte) int {
	if v.step == 1 {
		if pos >= len(v.d) {
			return 0
		}
		return copy(dst, v.d[pos:])
	}
	n := 0
	for ; n < len(dst) && pos < len(v.d); pos += v.step {
		dst[n] = v.d[pos]
		n++
	}
	return n
}

// bitView reads data bits that do not begin at a byte. Marks need their sync: three A1 (the first may be garbled) in
// MFM, three zero bytes in FM.
type bitView struct {
	d     []byte
	what  string
	scale int // bits of the file to a bit
}

func (v *bitView) name() string           { return v.what }
func (v *bitView) advance(pos, n int) int { return pos + 8*n }
func (v *bitView) length() int            { return 8 * len(v.d) }
func (v *bitView) offset(pos int) int64   { return int64(pos * v.scale / 8) }

func (v *bitView) ids(yield func(int, disk.Encoding, int) bool) {
	v.scan(0, len(v.d)*8, func(pos int, enc disk.Encoding, mark byte) bool {
		switch {
		case mark != 0xFE:
			return true
		case enc == disk.MFM:
			return yield(pos, enc, 2)
		}
		return bitsAt(v.d, pos-24)>>8 != 0 || yield(pos, enc, 3) // three bytes of zeros, not two
	})
}

func (v *bitView) marks(from, to int, enc disk.Encoding, yield func(int, byte, int) bool) {
	v.scan(from, to, func(pos int, e disk.Encoding, mark byte) bool {
		return mark == 0xFE || e != enc || yield(pos, mark, 2)
	})
}

// scan yields the marks in [from, to) that stand behind two A1 or two zero bytes.
func (v *bitView) scan(from, to int, yield func(pos int, enc disk.Encoding, mark byte) bool) {
	dataHints.places(v.d, from, to, func(pos int) bool {
		b := byte(bitsAt(v.d, pos) >> 24)
		if b != 0xFE && (b < disk.MarkDeleted || b > disk.MarkData) || pos < 16 {
			return true
		}
		switch bitsAt(v.d, pos-16) >> 16 {
		case 0xA1A1:
			return yield(pos, disk.MFM, b)
		case 0:
			return yield(pos, disk.FM, b)
		}
		return true
	})
}

func (v *bitView) read(pos int, dst []byte) int {
	n := 0
	for ; n < len(dst) && pos+8 <= len(v.d)*8; pos += 8 {
		w := uint16(v.d[pos/8]) << 8
		if pos/8+1 < len(v.d) {
			w |= uint16(v.d[pos/8+1])
		}
		dst[n] = byte(w << (pos % 8) >> 8)
		n++
	}
	return n
}

// cellView reads half-cells, clock before data, at any bit offset.
type cellView struct {
	d     []byte
	what  string
	enc   disk.Encoding
	scale int // bits of the file to a half-cell
	phase int
}

// Half-cells of the marks (FD179x data sheet, computed for the sheet): A1 without its clock in MFM; in FM the mark
// byte with clock C7.
const (
	cellsA1 = 0x4489
	cellsFE = 0xF57E
)

// fmMarks are the half-cells of the data marks F8..FB with clock C7.
var fmMarks = [4]uint16{0xF56A, 0xF56B, 0xF56E, 0xF56F}

func (v *cellView) name() string           { return v.what }
func (v *cellView) advance(pos, n int) int { return pos + 16*n }
func (v *cellView) length() int            { return 8 * len(v.d) }
func (v *cellView) offset(pos int) int64   { return int64((pos*v.scale + v.phase) / 8) }

func (v *cellView) ids(yield func(int, disk.Encoding, int) bool) {
	v.find(0, len(v.d)*8, func(pos int, mark byte, sync int) bool {
		return mark != 0xFE || yield(pos, v.enc, sync)
	})
}

func (v *cellView) marks(from, to int, _ disk.Encoding, yield func(int, byte, int) bool) {
	v.find(from, to, func(pos int, mark byte, sync int) bool {
		return mark < disk.MarkDeleted || mark > disk.MarkData || yield(pos, mark, sync)
	})
}

// find yields every mark byte behind its sync. Two A1 are enough: the first of the three is often lost in the splice.
func (v *cellView) find(from, to int, yield func(pos int, mark byte, sync int) bool) {
	if v.enc == disk.MFM {
		mfmHints.places(v.d, from, to, func(pos int) bool {
			w := uint16(bitsAt(v.d, pos) >> 16)
			return pos < 32 || bitsAt(v.d, pos-32) != cellsA1<<16|cellsA1 || w == cellsA1 || yield(pos, dataBits(w), 3)
		})
		return
	}
	fmHints.places(v.d, from, to, func(pos int) bool {
		w := uint16(bitsAt(v.d, pos) >> 16)
		if pos < 16 || bitsAt(v.d, pos-16)>>16 != 0xAAAA || w != cellsFE && !slices.Contains(fmMarks[:], w) {
			return true
		}
		return yield(pos, dataBits(w), 3)
	})
}

// dataBits takes every second of 16 half-cells.
func dataBits(w uint16) byte {
	x := uint32(w) & 0x5555
	x = (x | x>>1) & 0x3333
	x = (x | x>>2) & 0x0F0F
	x = (x | x>>4) & 0x00FF
	return byte(x)
}

func (v *cellView) read(pos int, dst []byte) int {
	n := 0
	for ; n < len(dst) && pos+16 <= len(v.d)*8; pos += 16 {
		i := pos / 8
		w := uint32(v.d[i])<<16 | uint32(v.d[i+1])<<8
		if i+2 < len(v.d) {
			w |= uint32(v.d[i+2])
		}
		dst[n] = dataBits(uint16(w << (pos % 8) >> 8))
		n++
	}
	return n
}
