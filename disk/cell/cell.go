// Package cell turns bytes into bit cells and back, and transition times into cells.
//
// A data bit takes two half-cells (called cells here), clock then data; a 1 is a flux transition. In FM every clock
// cell is 1, so transitions are one or two cells apart. In MFM a clock cell is 1 only between two 0 bits, so they are
// two, three or four apart and the cells can be half as long. An address mark leaves clocks out, so that data can't
// imitate it:
//
//	FM   data FE, clock C7     1111 0101 0111 1110 = F57E   (FD1771, FD179x data sheets)
//	MFM  data A1, clock 0A     0100 0100 1000 1001 = 4489   (FD179x data sheet; ordinary A1 is 44A9)
//
// Positions are in cells. Bits go out most significant first.
package cell

import "math/bits"

// Cells is a run of cells, packed.
type Cells struct {
	w []uint64 // most significant bit first
	n int
}

// Len is the number of cells.
func (c *Cells) Len() int { return c.n }

// Reset empties c and keeps its memory.
func (c *Cells) Reset() { c.w, c.n = c.w[:0], 0 }

// Append adds the low n cells of v, the highest first; n is 0..64.
func (c *Cells) Append(v uint64, n int) {
	if n == 0 {
		return
	}
	v <<= 64 - n
	used := c.n & 63
	if used == 0 {
		c.w = append(c.w, v)
	} else {
		c.w[len(c.w)-1] |= v >> used
		if used+n > 64 {
			c.w = append(c.w, v<<(64-used))
		}
	}
	c.n += n
}

// At is cell i: 0 or 1; 0 outside.
func (c *Cells) At(i int) int {
	if i < 0 || i >= c.n {
		return 0
	}
	return int(c.w[i>>6] >> (63 - i&63) & 1)
}

// Set makes cell i (0..Len-1) a 0 or a 1.
func (c *Cells) Set(i, v int) {
	m := uint64(1) << (63 - i&63)
	if v == 0 {
		c.w[i>>6] &^= m
	} else {
		c.w[i>>6] |= m
	}
}

// Word is the 64 cells from i on, zeros beyond the end; i is 0 or more.
func (c *Cells) Word(i int) uint64 {
	k, s := i>>6, uint(i&63)
	if k >= len(c.w) {
		return 0
	}
	v := c.w[k] << s
	if s > 0 && k+1 < len(c.w) {
		v |= c.w[k+1] >> (64 - s)
	}
	return v
}

// Truncate keeps the first n cells.
func (c *Cells) Truncate(n int) {
	if n >= c.n {
		return
	}
	c.n = n
	c.w = c.w[:(n+63)>>6]
	if r := n & 63; r != 0 {
		c.w[len(c.w)-1] &= ^uint64(0) << (64 - r)
	}
}

// Ones calls f for each transition in order.
func (c *Cells) Ones(f func(i int)) {
	for k, w := range c.w {
		for w != 0 {
			z := bits.LeadingZeros64(w)
			f(k<<6 + z)
			w &^= 1 << (63 - z)
		}
	}
}

// Bytes decodes n bytes whose first clock cell is at i, appended to dst: the second cell of each pair is the bit.
func (c *Cells) Bytes(dst []byte, i, n int) []byte {
	for ; n >= 4; n -= 4 {
		v := dataBits(c.Word(i))
		dst = append(dst, byte(v>>24), byte(v>>16), byte(v>>8), byte(v))
		i += 64
	}
	if n > 0 {
		v := dataBits(c.Word(i))
		for ; n > 0; n-- {
			dst = append(dst, byte(v>>24))
			v <<= 8
		}
	}
	return dst
}

// dataBits gathers the 32 data cells of 64 cells.
func dataBits(x uint64) uint32 {
	x &= 0x5555555555555555
	x = (x | x>>1) & 0x3333333333333333
	x = (x | x>>2) & 0x0f0f0f0f0f0f0f0f
	x = (x | x>>4) & 0x00ff00ff00ff00ff
	x = (x | x>>8) & 0x0000ffff0000ffff
	return uint32(x | x>>16)
}

// Address mark patterns: 16 cells, clock first.
const (
	FMClock      = 0xC7   // clock byte of an FM ID or data mark
	FMIndexClock = 0xD7   // clock byte of the FM index mark
	MFMMark      = 0x4489 // A1 with a clock left out
	MFMIndexMark = 0x5224 // C2 with a clock left out
)

// Bytes of marks.
const (
	MarkIndex = 0xFC
	MarkID    = 0xFE
)

// spread[b] has the bits of b in the data cells (odd cells of 16).
var spread = func() (t [256]uint16) {
	for b := range t {
		for i := range 8 {
			t[b] |= uint16(b>>i&1) << (2 * i)
		}
	}
	return t
}()

// FM is the 16 cells of a data byte under a clock byte; ordinary data has clock FF.
func FM(data, clock byte) uint16 { return spread[data] | spread[clock]<<1 }

var mfmTable = func() (t [256]uint16) {
	for b := range t {
		clock := ^(uint(b) | uint(b)>>1) & 0xFF // between two zeros; the bit before the byte counts as 0
		t[b] = spread[b] | spread[byte(clock)]<<1
	}
	return t
}()

// MFM is the 16 cells of a data byte after a cell (0 or 1): the last cell before it, which is the last data bit.
func MFM(data byte, before int) uint16 {
	v := mfmTable[data]
	if before != 0 {
		v &= 0x7FFF
	}
	return v
}

// AppendFM adds ordinary FM bytes.
func (c *Cells) AppendFM(data []byte) {
	for _, b := range data {
		c.Append(uint64(FM(b, 0xFF)), 16)
	}
}

// AppendMFM adds ordinary MFM bytes.
func (c *Cells) AppendMFM(data []byte) {
	last := c.At(c.n - 1)
	for _, b := range data {
		c.Append(uint64(MFM(b, last)), 16)
		last = int(b & 1)
	}
}

// AppendFMMark adds an FM mark: FC with clock D7, every other with clock C7.
func (c *Cells) AppendFMMark(mark byte) {
	clock := byte(FMClock)
	if mark == MarkIndex {
		clock = FMIndexClock
	}
	c.Append(uint64(FM(mark, clock)), 16)
}

// AppendMFMMark adds an MFM mark: three A1 (before FC: C2) with a clock left out, then the mark byte.
func (c *Cells) AppendMFMMark(mark byte) {
	p := uint64(MFMMark)
	if mark == MarkIndex {
		p = MFMIndexMark
	}
	c.Append(p<<32|p<<16|p, 48)
	c.AppendMFM([]byte{mark})
}

// AppendStretched adds the cells of s, each followed by a 0: FM cells in a stream of cells half as long.
func (c *Cells) AppendStretched(s *Cells) {
	for i := 0; i < s.n; i += 32 {
		n := min(32, s.n-i)
		w := s.Word(i)
		v := uint64(spread[byte(w>>56)])<<48 | uint64(spread[byte(w>>48)])<<32 | uint64(spread[byte(w>>40)])<<16 | uint64(spread[byte(w>>32)])
		c.Append(v<<1>>(64-2*n), 2*n)
	}
}
