package z80

import "math/bits"

// szp holds S, Z, P (parity) and bits 5 and 3 of every byte.
var szp = func() (t [256]byte) {
	for i := range t {
		b := byte(i)
		t[i] = b & (FlagS | Flag5 | Flag3)
		if b == 0 {
			t[i] |= FlagZ
		}
		if bits.OnesCount8(b)&1 == 0 {
			t[i] |= FlagP
		}
	}
	return
}()

// sz is szp without parity.
func sz(b byte) byte { return szp[b] &^ FlagP }

// alu is the row ADD ADC SUB SBC AND XOR OR CP with A.
func (c *CPU) alu(y, v byte) {
	switch y {
	case 0:
		c.A = c.addc(v, 0)
	case 1:
		c.A = c.addc(v, c.F&FlagC)
	case 2:
		c.A = c.subc(v, 0)
	case 3:
		c.A = c.subc(v, c.F&FlagC)
	case 4:
		c.A &= v
		c.F = szp[c.A] | FlagH
	case 5:
		c.A ^= v
		c.F = szp[c.A]
	case 6:
		c.A |= v
		c.F = szp[c.A]
	case 7:
		c.subc(v, 0)
		c.F = c.F&^(Flag3|Flag5) | v&(Flag3|Flag5)
	}
}

func (c *CPU) addc(v, carry byte) byte {
	sum := uint(c.A) + uint(v) + uint(carry)
	r := byte(sum)
	c.F = sz(r) | byte(sum>>8)&FlagC | (c.A^v^r)&FlagH | (c.A^r)&(v^r)&0x80>>5
	return r
}

func (c *CPU) subc(v, carry byte) byte {
	d := uint(c.A) - uint(v) - uint(carry)
	r := byte(d)
	c.F = sz(r) | FlagN | byte(d>>8)&FlagC | (c.A^v^r)&FlagH | (c.A^v)&(c.A^r)&0x80>>5
	return r
}

func (c *CPU) inc(v byte) byte {
	r := v + 1
	c.F = c.F&FlagC | sz(r)
	if r&0xF == 0 {
		c.F |= FlagH
	}
	if r == 0x80 {
		c.F |= FlagP
	}
	return r
}

func (c *CPU) dec(v byte) byte {
	r := v - 1
	c.F = c.F&FlagC | sz(r) | FlagN
	if v&0xF == 0 {
		c.F |= FlagH
	}
	if v == 0x80 {
		c.F |= FlagP
	}
	return r
}

func (c *CPU) add16(a, b uint16) uint16 {
	sum := uint32(a) + uint32(b)
	r := uint16(sum)
	c.F = c.F&(FlagS|FlagZ|FlagP) | byte(sum>>16)&FlagC | byte((a^b^r)>>8)&FlagH | byte(r>>8)&(Flag3|Flag5)
	return r
}

func (c *CPU) adc16(v uint16) {
	a := c.HL()
	sum := uint32(a) + uint32(v) + uint32(c.F&FlagC)
	r := uint16(sum)
	c.F = byte(r>>8)&(FlagS|Flag3|Flag5) | byte(sum>>16)&FlagC | byte((a^v^r)>>8)&FlagH | byte((a^r)&(v^r)>>8)&0x80>>5
	if r == 0 {
		c.F |= FlagZ
	}
	c.SetHL(r)
}

func (c *CPU) sbc16(v uint16) {
	a := c.HL()
	d := uint32(a) - uint32(v) - uint32(c.F&FlagC)
	r := uint16(d)
	c.F = byte(r>>8)&(FlagS|Flag3|Flag5) | FlagN | byte(d>>16)&FlagC | byte((a^v^r)>>8)&FlagH | byte((a^v)&(a^r)>>8)&0x80>>5
	if r == 0 {
		c.F |= FlagZ
	}
	c.SetHL(r)
}

// daa corrects A after adding or subtracting packed decimal numbers.
func (c *CPU) daa() {
	var fix byte
	carry := c.F & FlagC
	if c.F&FlagH != 0 || c.A&0xF > 9 {
		fix = 6
	}
	if carry != 0 || c.A > 0x99 {
		fix |= 0x60
		carry = FlagC
	}
	old := c.A
	if c.F&FlagN != 0 {
		c.A -= fix
	} else {
		c.A += fix
	}
	c.F = c.F&FlagN | szp[c.A] | carry | (old^c.A)&FlagH
}
