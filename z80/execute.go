package z80

// execute runs one unprefixed opcode, or what a prefix opens.
func (c *CPU) execute(op byte) {
	x, y, z := op>>6, op>>3&7, op&7
	switch x {
	case 0:
		c.block0(y, z)
	case 1:
		switch {
		case op == 0x76:
			c.Halted = true
		case y == 6 || z == 6:
			c.address(5)
			c.setR8(y, c.r8(z, true), true)
		default:
			c.setR8(y, c.r8(z, false), false)
		}
	case 2:
		if z == 6 {
			c.address(5)
		}
		c.alu(y, c.r8(z, false))
	default:
		c.block3(y, z)
	}
}

func (c *CPU) block0(y, z byte) {
	switch z {
	case 0:
		switch y {
		case 0: // NOP
		case 1: // EX AF,AF'
			c.A, c.AltA = c.AltA, c.A
			c.F, c.AltF = c.AltF, c.F
		case 2: // DJNZ
			c.Clock++
			d := c.imm()
			c.B--
			if c.B != 0 {
				c.jumpRelative(d)
			}
		default: // JR, JR cc
			d := c.imm()
			if y == 3 || c.condition(y-4) {
				c.jumpRelative(d)
			}
		}
	case 1:
		if y&1 == 0 {
			c.setR16(y>>1, c.imm16())
		} else {
			c.Clock += 7
			c.putHL(c.add16(c.getHL(), c.r16(y>>1)))
		}
	case 2:
		switch y {
		case 0:
			c.wr(c.BC(), c.A)
		case 1:
			c.A = c.rd(c.BC())
		case 2:
			c.wr(c.DE(), c.A)
		case 3:
			c.A = c.rd(c.DE())
		case 4:
			c.wr16(c.imm16(), c.getHL())
		case 5:
			c.putHL(c.rd16(c.imm16()))
		case 6:
			c.wr(c.imm16(), c.A)
		case 7:
			c.A = c.rd(c.imm16())
		}
	case 3:
		c.Clock += 2
		if y&1 == 0 {
			c.setR16(y>>1, c.r16(y>>1)+1)
		} else {
			c.setR16(y>>1, c.r16(y>>1)-1)
		}
	case 4, 5:
		if y == 6 {
			c.address(5)
			c.Clock++
		}
		if z == 4 {
			c.setR8(y, c.inc(c.r8(y, false)), false)
		} else {
			c.setR8(y, c.dec(c.r8(y, false)), false)
		}
	case 6:
		if y == 6 {
			c.address(0)
			v := c.imm()
			if c.hl != nil {
				c.Clock += 2
			}
			c.wr(c.hlAddr, v)
			return
		}
		c.setR8(y, c.imm(), false)
	case 7:
		c.accumulator(y)
	}
}

// jumpRelative takes the five T-states of adding the distance.
func (c *CPU) jumpRelative(d byte) {
	c.Clock += 5
	c.PC += uint16(int8(d))
}

// accumulator is the row RLCA RRCA RLA RRA DAA CPL SCF CCF.
func (c *CPU) accumulator(y byte) {
	keep := c.F & (FlagS | FlagZ | FlagP)
	switch y {
	case 0:
		c.A = c.A<<1 | c.A>>7
		c.F = keep | c.A&FlagC
	case 1:
		carry := c.A & 1
		c.A = c.A>>1 | c.A<<7
		c.F = keep | carry
	case 2:
		carry := c.A >> 7
		c.A = c.A<<1 | c.F&FlagC
		c.F = keep | carry
	case 3:
		carry := c.A & 1
		c.A = c.A>>1 | c.F&FlagC<<7
		c.F = keep | carry
	case 4:
		c.daa()
		return
	case 5:
		c.A = ^c.A
		c.F = c.F&(FlagS|FlagZ|FlagP|FlagC) | FlagH | FlagN
	case 6:
		c.F = keep | FlagC
	case 7:
		c.F = keep | c.F&FlagC<<4 | ^c.F&FlagC
	}
	c.F |= c.A & (Flag3 | Flag5)
}

func (c *CPU) block3(y, z byte) {
	switch z {
	case 0:
		c.Clock++
		if c.condition(y) {
			c.PC = c.pop()
		}
	case 1:
		switch {
		case y&1 == 0:
			w := c.pop()
			if y == 6 {
				c.A, c.F = byte(w>>8), byte(w)
			} else {
				c.setR16(y>>1, w)
			}
		case y == 1:
			c.PC = c.pop()
		case y == 3: // EXX
			c.B, c.AltB, c.C, c.AltC = c.AltB, c.B, c.AltC, c.C
			c.D, c.AltD, c.E, c.AltE = c.AltD, c.D, c.AltE, c.E
			c.H, c.AltH, c.L, c.AltL = c.AltH, c.H, c.AltL, c.L
		case y == 5: // JP (HL)
			c.PC = c.getHL()
		default: // LD SP,HL
			c.Clock += 2
			c.SP = c.getHL()
		}
	case 2:
		a := c.imm16()
		if c.condition(y) {
			c.PC = a
		}
	case 3:
		c.block33(y)
	case 4:
		a := c.imm16()
		if c.condition(y) {
			c.Clock++
			c.push(c.PC)
			c.PC = a
		}
	case 5:
		switch y {
		case 1:
			a := c.imm16()
			c.Clock++
			c.push(c.PC)
			c.PC = a
		case 3:
			c.prefix(&c.IX)
		case 5:
			c.extended(c.fetch())
		case 7:
			c.prefix(&c.IY)
		default:
			c.Clock++
			if y == 6 {
				c.push(c.AF())
			} else {
				c.push(c.r16(y >> 1))
			}
		}
	case 6:
		c.alu(y, c.imm())
	case 7:
		c.Clock++
		c.push(c.PC)
		c.PC = uint16(y) * 8
	}
}

func (c *CPU) block33(y byte) {
	switch y {
	case 0: // JP
		c.PC = c.imm16()
	case 1: // CB
		if c.hl != nil {
			c.bitIndexed()
			return
		}
		op := c.fetch()
		c.hlAddr = c.HL()
		z := op & 7
		v := c.r8(z, true)
		if z == 6 {
			c.Clock++
		}
		if r, store := c.bits(op, v); store {
			c.setR8(z, r, true)
		}
	case 2: // OUT (n),A
		n := c.imm()
		c.Clock += 4
		c.Bus.Out(pair(c.A, n), c.A)
	case 3: // IN A,(n)
		n := c.imm()
		c.Clock += 4
		c.A = c.Bus.In(pair(c.A, n))
	case 4: // EX (SP),HL
		w := c.rd16(c.SP)
		c.Clock++
		old := c.getHL()
		c.wr(c.SP+1, byte(old>>8))
		c.wr(c.SP, byte(old))
		c.Clock += 2
		c.putHL(w)
	case 5: // EX DE,HL; a prefix does not change it
		d, e := c.D, c.E
		c.D, c.E, c.H, c.L = c.H, c.L, d, e
	case 6:
		c.IFF1, c.IFF2 = false, false
	case 7:
		c.IFF1, c.IFF2, c.eiHold = true, true, true
	}
}

// prefix runs the next opcode with IX or IY in place of HL. A further DD or FD replaces this one.
func (c *CPU) prefix(reg *uint16) {
	c.hl = reg
	for {
		op := c.fetch()
		switch op {
		case 0xDD:
			c.hl = &c.IX
			continue
		case 0xFD:
			c.hl = &c.IY
			continue
		case 0xED:
			c.hl = nil
			c.extended(c.fetch())
			return
		}
		c.execute(op)
		return
	}
}

// bitIndexed is DDCB d op: always on (IX+d), with a copy of the result in a register where op names one.
func (c *CPU) bitIndexed() {
	c.hlAddr = *c.hl + uint16(int8(c.imm()))
	op := c.imm()
	c.Clock += 2
	v := c.rd(c.hlAddr)
	c.Clock++
	r, store := c.bits(op, v)
	if op>>6 == 1 { // BIT takes bits 5 and 3 from the address
		c.F = c.F&^(Flag3|Flag5) | byte(c.hlAddr>>8)&(Flag3|Flag5)
	}
	if !store {
		return
	}
	c.wr(c.hlAddr, r)
	if op&7 != 6 {
		c.setR8(op&7, r, true)
	}
}

// bits does a CB operation on v; store says whether the result goes back.
func (c *CPU) bits(op, v byte) (r byte, store bool) {
	y := op >> 3 & 7
	switch op >> 6 {
	case 1:
		c.F = c.F&FlagC | FlagH | v&(Flag3|Flag5)
		if v&(1<<y) == 0 {
			c.F |= FlagZ | FlagP
		} else if y == 7 {
			c.F |= FlagS
		}
		return v, false
	case 2:
		return v &^ (1 << y), true
	case 3:
		return v | 1<<y, true
	}
	var carry byte
	switch y {
	case 0: // RLC
		carry = v >> 7
		r = v<<1 | carry
	case 1: // RRC
		carry = v & 1
		r = v>>1 | carry<<7
	case 2: // RL
		carry = v >> 7
		r = v<<1 | c.F&FlagC
	case 3: // RR
		carry = v & 1
		r = v>>1 | c.F&FlagC<<7
	case 4: // SLA
		carry = v >> 7
		r = v << 1
	case 5: // SRA
		carry = v & 1
		r = v>>1 | v&0x80
	case 6: // SLL, undocumented
		carry = v >> 7
		r = v<<1 | 1
	case 7: // SRL
		carry = v & 1
		r = v >> 1
	}
	c.F = szp[r] | carry
	return r, true
}
