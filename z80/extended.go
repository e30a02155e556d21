package z80

// extended runs an ED opcode. Those that mean nothing cost eight T-states and do nothing.
func (c *CPU) extended(op byte) {
	x, y, z := op>>6, op>>3&7, op&7
	switch {
	case x == 1:
		c.extended1(y, z)
	case x == 2 && y >= 4 && z <= 3:
		c.block(y, z)
	}
}

func (c *CPU) extended1(y, z byte) {
	switch z {
	case 0: // IN r,(C); y = 6 sets the flags only
		c.Clock += 4
		v := c.Bus.In(c.BC())
		c.F = c.F&FlagC | szp[v]
		if y != 6 {
			c.setR8(y, v, true)
		}
	case 1: // OUT (C),r; y = 6 puts out 0
		c.Clock += 4
		var v byte
		if y != 6 {
			v = c.r8(y, true)
		}
		c.Bus.Out(c.BC(), v)
	case 2:
		c.Clock += 7
		if y&1 == 0 {
			c.sbc16(c.r16(y >> 1))
		} else {
			c.adc16(c.r16(y >> 1))
		}
	case 3:
		a := c.imm16()
		if y&1 == 0 {
			c.wr16(a, c.r16(y>>1))
		} else {
			c.setR16(y>>1, c.rd16(a))
		}
	case 4: // NEG
		v := c.A
		c.A = 0
		c.A = c.subc(v, 0)
	case 5: // RETN, RETI
		c.PC = c.pop()
		c.IFF1 = c.IFF2
	case 6:
		c.IM = [4]byte{0, 0, 1, 2}[y&3]
	case 7:
		c.special(y)
	}
}

// special is LD I,A; LD R,A; LD A,I; LD A,R; RRD; RLD.
func (c *CPU) special(y byte) {
	switch y {
	case 0:
		c.Clock++
		c.I = c.A
	case 1:
		c.Clock++
		c.R = c.A
	case 2, 3:
		c.Clock++
		c.A = c.I
		if y == 3 {
			c.A = c.R
		}
		c.F = c.F&FlagC | sz(c.A)
		if c.IFF2 {
			c.F |= FlagP
		}
	case 4: // RRD
		v := c.rd(c.HL())
		c.Clock += 4
		c.wr(c.HL(), v>>4|c.A<<4)
		c.A = c.A&0xF0 | v&0xF
		c.F = c.F&FlagC | szp[c.A]
	case 5: // RLD
		v := c.rd(c.HL())
		c.Clock += 4
		c.wr(c.HL(), v<<4|c.A&0xF)
		c.A = c.A&0xF0 | v>>4
		c.F = c.F&FlagC | szp[c.A]
	}
}

// block is LDI CPI INI OUTI and their decrementing and repeating forms: y bit 0 down, bit 1 repeat.
func (c *CPU) block(y, z byte) {
	step := uint16(1)
	if y&1 != 0 {
		step = 0xFFFF
	}
	again := false
	switch z {
	case 0: // LDI
		v := c.rd(c.HL())
		c.wr(c.DE(), v)
		c.Clock += 2
		c.SetHL(c.HL() + step)
		c.SetDE(c.DE() + step)
		c.SetBC(c.BC() - 1)
		n := v + c.A
		c.F = c.F&(FlagS|FlagZ|FlagC) | n&Flag3 | n&2<<4
		if c.BC() != 0 {
			c.F |= FlagP
			again = true
		}
	case 1: // CPI
		v := c.rd(c.HL())
		c.Clock += 5
		carry := c.F & FlagC
		r := c.subc(v, 0)
		c.SetHL(c.HL() + step)
		c.SetBC(c.BC() - 1)
		n := r
		if c.F&FlagH != 0 {
			n--
		}
		c.F = c.F&(FlagS|FlagZ|FlagH) | FlagN | carry | n&Flag3 | n&2<<4
		if c.BC() != 0 {
			c.F |= FlagP
			again = r != 0
		}
	case 2: // INI
		c.Clock += 5
		v := c.Bus.In(c.BC())
		c.wr(c.HL(), v)
		c.B--
		c.SetHL(c.HL() + step)
		c.blockFlags(v, uint(v)+uint(c.C+byte(step)))
		again = c.B != 0
	case 3: // OUTI
		c.Clock++
		v := c.rd(c.HL())
		c.B--
		c.Clock += 4
		c.Bus.Out(c.BC(), v)
		c.SetHL(c.HL() + step)
		c.blockFlags(v, uint(v)+uint(c.L))
		again = c.B != 0
	}
	if again && y&2 != 0 {
		c.Clock += 5
		c.PC -= 2
	}
}

// blockFlags are the flags of block input and output; all but Z and N are undocumented.
func (c *CPU) blockFlags(v byte, k uint) {
	c.F = sz(c.B) | v>>6&FlagN
	if k > 255 {
		c.F |= FlagH | FlagC
	}
	c.F |= szp[byte(k)&7^c.B] & FlagP
}
