package carve

import (
	"bytes"
	"fmt"
	"math/rand/v2"

	"remanence/disk"
)

// The layouts below are invented for these tests. They build track bytes from the facts of the FD179x and FD1771 data
// sheets, with a CRC of their own (bit by bit), so that nothing of the package tests itself.

func slowCRC(p []byte) uint16 {
	c := uint16(0xFFFF)
	for _, b := range p {
		for i := 7; i >= 0; i-- {
			top := c>>15 ^ uint16(b>>i&1)
			c <<= 1
			if top != 0 {
				c ^= 0x1021
			}
		}
	}
	return c
}

// layout is one invented container.
type layout struct {
	enc          disk.Encoding
	cyls, heads  int
	sectors, n   int
	first        int
	headZero     bool // identifiers give head 0 on both sides
	sideOrder    int  // index into sideOrders
	shuffle      bool
	fileHeader   int
	trackHeader  int // fixed bytes
	trackJunk    int // up to so many more, random
	textHeader   bool
	hostile      bool // headers hold pieces of marks
	pad          int
	rotate       int // 0 none, 1 each track by its own amount, 2 all by the same
	doubled      bool
	lostClocks   bool // the first A1 and some sync bytes are garbled
	noA1         bool
	how          int  // 0 bytes, 1 lowest bit first, 2 inverted, 3 shifted bits, 4 half-cells, 5 half-cells lowest bit first, 6 hexadecimal, 7 FM half-cells twice, 8 with clock bytes, 9 half-cells one a byte, 10 half-cells in words
	fakes        bool // whole sectors inside the data
	damage       int  // one in so many data fields has a wrong CRC, one in so many identifiers, 0 none
	trackBytes   int
	odd          bool // one track's identifiers name cylinder 99
	repeatTracks bool
	overlap      int  // bytes of the next revolution at the end of a track
	fm0          bool // cylinder 0 is FM with 128-byte sectors
}

var sideOrders = []func(k, cyls, heads int) (c, h int){
	func(k, cyls, heads int) (int, int) { return k / heads, k % heads },
	func(k, cyls, heads int) (int, int) { return k / heads, heads - 1 - k%heads },
	func(k, cyls, heads int) (int, int) { return k % cyls, k / cyls },
	func(k, cyls, heads int) (int, int) { return k % cyls, heads - 1 - k/cyls },
}

// truth is one sector as written.
type truth struct {
	c, h int
	id   disk.SectorID
	mark byte
	data []byte
	good bool
}

func fill(b byte, n int) []byte { return bytes.Repeat([]byte{b}, n) }

// field appends a mark, its bytes and their CRC.
func field(dst []byte, enc disk.Encoding, body []byte, wrong bool) []byte {
	start := len(dst)
	if enc == disk.MFM {
		dst = append(dst, 0xA1, 0xA1, 0xA1)
	}
	dst = append(dst, body...)
	c := slowCRC(dst[start:])
	if wrong {
		c ^= 0x0110
	}
	return append(dst, byte(c>>8), byte(c))
}

func (l *layout) track(r *rand.Rand, c, h int) (out []byte, ts []truth) {
	enc, sectors, n, first, total := l.enc, l.sectors, l.n, l.first, l.trackBytes
	if l.fm0 && c == 0 {
		enc, sectors, n, first, total = disk.FM, 16, 0, 1, 3125
	}
	gap, sync, gap2, gap1, gap3 := byte(0xFF), 6, 11, 16, 12
	if enc == disk.MFM {
		gap, sync, gap2, gap1, gap3 = 0x4E, 12, 22, 32, 24
	}
	out = fill(gap, gap1)
	order := r.Perm(sectors)
	for _, s := range order {
		id := disk.SectorID{Cylinder: uint8(c), Head: uint8(h), Sector: uint8(first + s), SizeCode: uint8(n)}
		if l.headZero {
			id.Head = 0
		}
		if l.odd && c == 1 {
			id.Cylinder = 99
		}
		data := make([]byte, 128<<n)
		for i := range data {
			data[i] = byte(r.Uint32())
		}
		if l.fakes && r.IntN(2) == 0 {
			fake := fill(0, sync)
			fake = field(fake, enc, []byte{0xFE, uint8(c), uint8(h), uint8(first + r.IntN(sectors)), 0}, false)
			fake = append(append(fake, fill(gap, gap2)...), fill(0, sync)...)
			fake = field(fake, enc, append([]byte{0xFB}, fill(0xE5, 128)...), false)
			copy(data[min(r.IntN(40), len(data)):], fake)
		}
		t := truth{c, h, id, 0xFB, data, true}
		if r.IntN(10) == 0 {
			t.mark = 0xF8
		}
		badData := l.damage > 0 && r.IntN(l.damage) == 0
		badID := l.damage > 0 && r.IntN(l.damage) == 0
		t.good = !badData && !badID
		out = append(out, fill(0, sync)...)
		out = field(out, enc, []byte{0xFE, id.Cylinder, id.Head, id.Sector, id.SizeCode}, badID)
		out = append(append(out, fill(gap, gap2)...), fill(0, sync)...)
		out = field(out, enc, append([]byte{t.mark}, data...), badData)
		out = append(append(out, gap^0x42), fill(gap, gap3)...)
		ts = append(ts, t)
	}
	if len(out) < total {
		out = append(out, fill(gap, total-len(out))...)
	}
	if l.rotate > 0 {
		k := 777
		if l.rotate == 1 {
			k = r.IntN(len(out))
		}
		k %= len(out)
		out = append(out[k:len(out):len(out)], out[:k]...)
	}
	if l.overlap > 0 {
		out = append(out, out[:l.overlap]...)
	}
	return out, ts
}

// spoil loses what a dump without clock bits loses: the first A1 of three, and bytes of the sync before it.
func spoil(r *rand.Rand, t []byte, noA1 bool) []byte {
	out := bytes.Clone(t)
	for i := 6; i+3 < len(t); i++ {
		if t[i] == 0xA1 && t[i+1] == 0xA1 && t[i+2] == 0xA1 && t[i-1] == 0 && (t[i+3] == 0xFE || t[i+3]&0xFC == 0xF8) {
			out[i] = byte(r.Uint32())
			out[i-1] = byte(r.Uint32())
			if noA1 {
				out[i+1], out[i+2] = 0x14, 0x0A
			}
		}
	}
	return out
}

// cells encodes track bytes as half-cells; A1 behind zeros and before A1 or a mark loses its clock in MFM, marks
// behind a sync have clock C7 in FM.
func cells(enc disk.Encoding, t []byte, twice bool) []byte {
	var bitsOut []byte
	put := func(w uint32, n int) {
		for i := n - 1; i >= 0; i-- {
			bitsOut = append(bitsOut, byte(w>>i&1))
			if twice {
				bitsOut = append(bitsOut, 0)
			}
		}
	}
	last := byte(0)
	marks := map[int]bool{}
	for i := 12; i < len(t); i++ {
		switch {
		case enc == disk.MFM && i+3 < len(t) && t[i] == 0xA1 && t[i+1] == 0xA1 && t[i+2] == 0xA1 && t[i-1] == 0 && t[i-9] == 0:
			marks[i], marks[i+1], marks[i+2] = true, true, true
		case enc == disk.FM && (t[i] == 0xFE || t[i]&0xFC == 0xF8) && t[i-1] == 0 && t[i-6] == 0 && t[i-7] != 0:
			marks[i] = true
		}
	}
	for i, b := range t {
		if enc == disk.MFM && marks[i] {
			put(0x4489, 16)
			last = 1
			continue
		}
		clock := byte(0xFF)
		if marks[i] {
			clock = 0xC7
		}
		for k := 7; k >= 0; k-- {
			d := b >> k & 1
			c := clock >> k & 1
			if enc == disk.MFM {
				c = (1 - d) & (1 - last)
			}
			put(uint32(c)<<1|uint32(d), 2)
			last = d
		}
	}
	return bitsOut
}

func pack(bitsIn []byte, lowFirst bool) []byte {
	out := make([]byte, (len(bitsIn)+7)/8)
	for i, b := range bitsIn {
		if lowFirst {
			out[i/8] |= b << (i % 8)
		} else {
			out[i/8] |= b << (7 - i%8)
		}
	}
	return out
}

// build is the file, and what is in it.
func (l *layout) build(r *rand.Rand) ([]byte, []truth) {
	random := func(n int) []byte {
		b := make([]byte, n)
		for i := range b {
			b[i] = byte(r.Uint32())
		}
		return b
	}
	var ts []truth
	var tracks [][]byte
	for k := range l.cyls * l.heads {
		c, h := sideOrders[l.sideOrder](k, l.cyls, l.heads)
		t, s := l.track(r, c, h)
		enc := l.enc
		if l.fm0 && c == 0 {
			enc = disk.FM
		}
		ts = append(ts, s...)
		if l.lostClocks && enc == disk.MFM {
			t = spoil(r, t, l.noA1)
		}
		if l.doubled && enc == disk.FM {
			d := make([]byte, 0, 2*len(t))
			for _, b := range t {
				d = append(d, b, b)
			}
			t = d
		}
		switch l.how {
		case 1:
			t = transformed(1, t)
		case 2:
			t = transformed(2, t)
		case 3:
			b := make([]byte, 0, 8*len(t)+8)
			for range 1 + r.IntN(7) {
				b = append(b, byte(r.IntN(2)))
			}
			for _, x := range t {
				for i := 7; i >= 0; i-- {
					b = append(b, x>>i&1)
				}
			}
			t = pack(b, false)
		case 4, 5, 7:
			junk := make([]byte, r.IntN(8))
			t = pack(append(junk, cells(enc, t, l.how == 7)...), l.how == 5)
		case 9:
			t = cells(enc, t, false)
		case 10:
			t = swapped(append(pack(cells(enc, t, false), false), 0)[:2*len(t)], 0)
		case 6:
			t = fmt.Appendf(nil, "%X\n", t)
		case 8:
			d := make([]byte, 0, 2*len(t))
			for _, b := range t {
				d = append(d, b, 0xFF)
			}
			t = d
		}
		if len(t) < l.pad {
			t = append(t, make([]byte, l.pad-len(t))...)
		}
		var head []byte
		switch {
		case l.textHeader:
			head = fmt.Appendf(nil, "-- track %d side %d --\r\n", c, h)
		default:
			head = random(l.trackHeader)
		}
		if l.trackJunk > 0 {
			head = append(head, random(r.IntN(l.trackJunk))...)
		}
		if l.hostile && len(head) > 16 {
			copy(head[len(head)-12:], []byte{0xA1, 0xA1, 0xA1, 0xFE, byte(c), byte(h), 1, byte(l.n)})
		}
		tracks = append(tracks, append(head, t...))
		if l.repeatTracks && k%3 == 0 {
			tracks = append(tracks, append(head, t...))
		}
	}
	if l.shuffle {
		r.Shuffle(len(tracks), func(i, j int) { tracks[i], tracks[j] = tracks[j], tracks[i] })
	}
	return append(random(l.fileHeader), bytes.Join(tracks, nil)...), ts
}
