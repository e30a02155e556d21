package cell

// CRC-16 of the ECMA and ISO layouts: x^16 + x^12 + x^5 + 1, preset to ones, most significant bit first, no final
// inversion (FD179x data sheet). A field followed by its own CRC gives 0.
const crcPoly = 0x1021

// CRCInit is the CRC of nothing.
const CRCInit uint16 = 0xFFFF

// CRCMFM is the CRC after the three A1 of an MFM mark, which count (FD179x data sheet).
const CRCMFM uint16 = 0xCDB4

// crcTables are for eight bytes at a time: table k carries a byte past k further bytes.
var crcTables = func() (t [8][256]uint16) {
	for i := range t[0] {
		c := uint16(i) << 8
		for range 8 {
			if c&0x8000 != 0 {
				c = c<<1 ^ crcPoly
			} else {
				c <<= 1
			}
		}
		t[0][i] = c
	}
	for k := 1; k < 8; k++ {
		for i := range t[k] {
			c := t[k-1][i]
			t[k][i] = c<<8 ^ t[0][c>>8]
		}
	}
	return t
}()

// CRC carries crc on over data.
func CRC(crc uint16, data []byte) uint16 {
	t := &crcTables
	for len(data) >= 8 {
		crc = t[7][data[0]^byte(crc>>8)] ^ t[6][data[1]^byte(crc)] ^ t[5][data[2]] ^ t[4][data[3]] ^
			t[3][data[4]] ^ t[2][data[5]] ^ t[1][data[6]] ^ t[0][data[7]]
		data = data[8:]
	}
	for _, b := range data {
		crc = crc<<8 ^ t[0][byte(crc>>8)^b]
	}
	return crc
}

// CRCBit is what flipping one bit does to the CRC of a field: bits counts from the flipped bit to the last bit of the
// field, CRC bytes included; the last bit has distance 0. The CRC is linear, so the effects of several flips are
// simply combined by exclusive or.
func CRCBit(distance int) uint16 {
	c := uint16(crcPoly)
	for ; distance > 0; distance-- {
		if c&0x8000 != 0 {
			c = c<<1 ^ crcPoly
		} else {
			c <<= 1
		}
	}
	return c
}
