package carve

import (
	"bytes"
	"math/bits"

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
		vs = append(vs, &bitView{as[kind], "data bits at any offset" + note})
	}
	for kind, note := range transforms[:2] {
		d := as[kind]
		vs = append(vs,
			&cellView{d, "half-cells" + note, disk.MFM, 1, 0},
			&cellView{d, "half-cells" + note, disk.FM, 1, 0},
			&cellView{merge2(d, 0), "half-cells stored twice" + note, disk.FM, 2, 0},
			&cellView{merge2(d, 1), "half-cells stored twice" + note, disk.FM, 2, 1})
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
	d    []byte
	what string
}

func (v *bitView) name() string           { return v.what }
func (v *bitView) advance(pos, n int) int { return pos + 8*n }
func (v *bitView) length() int            { return 8 * len(v.d) }
func (v *bitView) offset(pos int) int64   { return int64(pos / 8) }

func (v *bitView) ids(yield func(int, disk.Encoding, int) bool) {
	v.scan(0, len(v.d)*8, func(pos int, reg uint32) bool {
		if byte(reg) != 0xFE {
			return true
		}
		switch reg >> 8 & 0xFFFF {
		case 0xA1A1:
			return yield(pos, disk.MFM, 2)
		case 0:
			if reg>>24 == 0 {
				return yield(pos, disk.FM, 3)
			}
		}
		return true
	})
}

func (v *bitView) marks(from, to int, enc disk.Encoding, yield func(int, byte, int) bool) {
	v.scan(from, to, func(pos int, reg uint32) bool {
		b := byte(reg)
		if b < disk.MarkDeleted || b > disk.MarkData {
			return true
		}
		if want := reg >> 8 & 0xFFFF; enc == disk.MFM && want == 0xA1A1 || enc == disk.FM && want == 0 {
			return yield(pos, b, 2)
		}
		return true
	})
}

// scan slides 32 bits over the stream; pos is that of the last 8 of them, in [from, to).
func (v *bitView) scan(from, to int, yield func(pos int, reg uint32) bool) {
	from = max(from, 0)
	var reg uint32
	for i := max(from-24, 0) / 8 * 8; i < from+7 && i < len(v.d)*8; i++ {
		reg = reg<<1 | uint32(v.d[i/8]>>(7-i%8)&1)
	}
	for i := from + 7; i < min(to+7, len(v.d)*8); i++ {
		reg = reg<<1 | uint32(v.d[i>>3]>>(7-i&7)&1)
		if reg&0xF8 == 0xF8 && !yield(i-7, reg) {
			return
		}
	}
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
	var reg uint64
	to = min(to, len(v.d)*8)
	for i := max(from-48, 0); i < to+16 && i < len(v.d)*8; i++ {
		reg = reg<<1 | uint64(v.d[i>>3]>>(7-i&7)&1)
		pos := i - 15
		if pos < from || pos >= to {
			continue
		}
		if v.enc == disk.MFM {
			if uint32(reg>>16) == cellsA1<<16|cellsA1 && uint16(reg) != cellsA1 && !yield(pos, dataBits(uint16(reg)), 3) {
				return
			}
			continue
		}
		w := uint16(reg)
		if w&0xFFF0 != 0xF560 && w != cellsFE || uint16(reg>>16) != 0xAAAA {
			continue
		}
		if w == cellsFE || w == fmMarks[0] || w == fmMarks[1] || w == fmMarks[2] || w == fmMarks[3] {
			if !yield(pos, dataBits(w), 3) {
				return
			}
		}
	}
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
