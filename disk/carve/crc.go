package carve

import "remanence/disk"

// crcTable is the CRC of the standards, x^16+x^12+x^5+1, most significant bit first (FD179x data sheet).
var crcTable = func() (t [256]uint16) {
	for i := range t {
		c := uint16(i) << 8
		for range 8 {
			if c&0x8000 != 0 {
				c = c<<1 ^ 0x1021
			} else {
				c <<= 1
			}
		}
		t[i] = c
	}
	return t
}()

func crcByte(c uint16, b byte) uint16 { return c<<8 ^ crcTable[byte(c>>8)^b] }

func crcBytes(c uint16, p []byte) uint16 {
	for _, b := range p {
		c = c<<8 ^ crcTable[byte(c>>8)^b]
	}
	return c
}

// preset is the CRC before the mark byte: all ones in FM; after three A1 in MFM, CDB4 (FD179x data sheet).
func preset(e disk.Encoding) uint16 {
	if e == disk.MFM {
		return 0xCDB4
	}
	return 0xFFFF
}
