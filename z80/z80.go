// Package z80 is a Z80 processor that counts its clock, for rehearsing programs before they meet a real machine.
//
// The processor fetches one to four opcode bytes, each fetch costing four clock cycles (T-states), and spends three
// more for every byte it reads or writes in memory, four for a port, plus the odd internal cycle. Programs that time
// pulses on a cassette port or race a floppy controller depend on the sum, so each instruction here costs exactly what
// the published instruction tables say. Worked example: DJNZ (10h) costs 13 when it jumps and 8 when it falls through,
// so LD B,10 / DJNZ self takes 7 + 9*13 + 8 = 132 T-states, which at 1.774 MHz is 74 us.
//
// The opcode is split as the maker's encoding does: bits 7-6 (x), 5-3 (y), 2-0 (z). Prefix DD or FD puts IX or IY in
// place of HL; CB and ED open further tables. The undocumented halves of IX and IY, SLL, and the results that a DDCB
// operation leaves in a register are here too, since programs of the period use them. Bits 5 and 3 of F follow the
// result where that is well established and are otherwise not relied upon.
package z80

// Flag bits of F.
const (
	FlagC = 1 << iota // carry
	FlagN             // last operation subtracted
	FlagP             // parity even, or overflow
	Flag3             // copy of bit 3
	FlagH             // half carry
	Flag5             // copy of bit 5
	FlagZ             // zero
	FlagS             // sign
)

// Page kinds: what a 256-byte page of memory is.
const (
	RAM    = iota
	ROM    // writes are lost
	Device // reads and writes go to the Bus
)

// Bus is the world outside processor and memory. Addresses are 16 bits for ports too: the Z80 puts A or B on the upper
// half. The calls come in the order in which the processor makes them; CPU.Clock tells when.
type Bus interface {
	ReadDevice(address uint16) byte
	WriteDevice(address uint16, b byte)
	In(port uint16) byte
	Out(port uint16, b byte)
}

// CPU is one processor with 64 KiB of memory. The zero value with a Bus is ready after Reset.
type CPU struct {
	A, F, B, C, D, E, H, L         byte
	AltA, AltF, AltB, AltC         byte
	AltD, AltE, AltH, AltL         byte
	IX, IY, SP, PC                 uint16
	I, R                           byte
	IFF1, IFF2                     bool
	IM                             byte
	Halted                         bool
	Clock                          uint64 // T-states since Reset
	Memory                         [65536]byte
	Pages                          [256]byte // kind of each page
	Bus                            Bus
	interrupt, nonMaskable, eiHold bool
	interruptData                  byte
	hl                             *uint16 // nil: HL; else IX or IY while its prefix is in force
	hlAddr                         uint16  // address of (HL) or (IX+d) of the instruction at hand
}

// Reset puts the processor at address 0 with interrupts off, as the RESET pin does. Memory stays.
func (c *CPU) Reset() {
	c.PC, c.I, c.R, c.IM = 0, 0, 0, 0
	c.IFF1, c.IFF2, c.Halted, c.interrupt, c.nonMaskable, c.eiHold = false, false, false, false, false, false
	c.A, c.F, c.SP = 0xFF, 0xFF, 0xFFFF
	c.Clock = 0
}

// Interrupt sets or clears the INT line; data is what a device puts on the bus (mode 0: an RST, mode 2: the vector).
func (c *CPU) Interrupt(on bool, data byte) { c.interrupt, c.interruptData = on, data }

// NonMaskable is a falling edge on the NMI pin.
func (c *CPU) NonMaskable() { c.nonMaskable = true }

// Peek reads memory as the processor would, without passing time.
func (c *CPU) Peek(a uint16) byte { return c.read(a) }

// Load copies data into memory, whatever the page kind.
func (c *CPU) Load(address uint16, data []byte) {
	for i, b := range data {
		c.Memory[address+uint16(i)] = b
	}
}

func (c *CPU) read(a uint16) byte {
	if c.Pages[a>>8] == Device {
		return c.Bus.ReadDevice(a)
	}
	return c.Memory[a]
}

func (c *CPU) write(a uint16, b byte) {
	switch c.Pages[a>>8] {
	case RAM:
		c.Memory[a] = b
	case Device:
		c.Bus.WriteDevice(a, b)
	}
}

// rd and wr are memory cycles of three T-states.
func (c *CPU) rd(a uint16) byte    { c.Clock += 3; return c.read(a) }
func (c *CPU) wr(a uint16, b byte) { c.Clock += 3; c.write(a, b) }

func (c *CPU) rd16(a uint16) uint16 { l := c.rd(a); return uint16(l) | uint16(c.rd(a+1))<<8 }
func (c *CPU) wr16(a uint16, w uint16) {
	c.wr(a, byte(w))
	c.wr(a+1, byte(w>>8))
}

// imm and imm16 fetch what follows the opcode.
func (c *CPU) imm() byte { b := c.rd(c.PC); c.PC++; return b }
func (c *CPU) imm16() uint16 {
	l := c.imm()
	return uint16(l) | uint16(c.imm())<<8
}

func (c *CPU) push(w uint16) {
	c.SP--
	c.wr(c.SP, byte(w>>8))
	c.SP--
	c.wr(c.SP, byte(w))
}

func (c *CPU) pop() uint16 {
	w := c.rd16(c.SP)
	c.SP += 2
	return w
}

// fetch is an opcode fetch of four T-states with its refresh.
func (c *CPU) fetch() byte {
	c.Clock += 4
	c.R = c.R&0x80 | (c.R+1)&0x7F
	b := c.read(c.PC)
	c.PC++
	return b
}

func pair(h, l byte) uint16 { return uint16(h)<<8 | uint16(l) }

// AF, BC, DE and HL are the register pairs.
func (c *CPU) AF() uint16 { return pair(c.A, c.F) }
func (c *CPU) BC() uint16 { return pair(c.B, c.C) }
func (c *CPU) DE() uint16 { return pair(c.D, c.E) }
func (c *CPU) HL() uint16 { return pair(c.H, c.L) }

func (c *CPU) SetBC(w uint16) { c.B, c.C = byte(w>>8), byte(w) }
func (c *CPU) SetDE(w uint16) { c.D, c.E = byte(w>>8), byte(w) }
func (c *CPU) SetHL(w uint16) { c.H, c.L = byte(w>>8), byte(w) }

// Step runs one instruction, or takes an interrupt, and gives the T-states it cost.
func (c *CPU) Step() int {
	start := c.Clock
	held := c.eiHold
	c.eiHold = false
	switch {
	case c.nonMaskable:
		c.nonMaskable, c.Halted, c.IFF1 = false, false, false
		c.Clock += 5
		c.R = c.R&0x80 | (c.R+1)&0x7F
		c.push(c.PC)
		c.PC = 0x66
		return int(c.Clock - start)
	case c.interrupt && c.IFF1 && !held:
		c.accept()
		return int(c.Clock - start)
	case c.Halted:
		c.Clock += 4
		c.R = c.R&0x80 | (c.R+1)&0x7F
		return 4
	}
	c.hl = nil
	c.execute(c.fetch())
	return int(c.Clock - start)
}

// accept takes a maskable interrupt: 13 T-states in modes 0 (an RST on the bus) and 1, 19 in mode 2.
func (c *CPU) accept() {
	c.IFF1, c.IFF2, c.Halted = false, false, false
	c.R = c.R&0x80 | (c.R+1)&0x7F
	c.Clock += 7
	c.push(c.PC)
	switch c.IM {
	case 2:
		c.PC = c.rd16(pair(c.I, c.interruptData))
	case 1:
		c.PC = 0x38
	default:
		c.PC = uint16(c.interruptData & 0x38)
	}
}

// Run steps until stop returns true (asked before each instruction) or the clock reaches limit; it reports which.
func (c *CPU) Run(limit uint64, stop func() bool) (stopped bool) {
	for c.Clock < limit {
		if stop != nil && stop() {
			return true
		}
		c.Step()
	}
	return false
}

// r8 and setR8 are the register operands of the encoding: B C D E H L (HL) A. Under a DD or FD prefix H and L are the
// halves of IX or IY, unless the instruction also uses memory (plain says so).
func (c *CPU) r8(i byte, plain bool) byte {
	switch i {
	case 0:
		return c.B
	case 1:
		return c.C
	case 2:
		return c.D
	case 3:
		return c.E
	case 4:
		if c.hl != nil && !plain {
			return byte(*c.hl >> 8)
		}
		return c.H
	case 5:
		if c.hl != nil && !plain {
			return byte(*c.hl)
		}
		return c.L
	case 6:
		return c.rd(c.hlAddr)
	}
	return c.A
}

func (c *CPU) setR8(i byte, v byte, plain bool) {
	switch i {
	case 0:
		c.B = v
	case 1:
		c.C = v
	case 2:
		c.D = v
	case 3:
		c.E = v
	case 4:
		if c.hl != nil && !plain {
			*c.hl = *c.hl&0xFF | uint16(v)<<8
		} else {
			c.H = v
		}
	case 5:
		if c.hl != nil && !plain {
			*c.hl = *c.hl&0xFF00 | uint16(v)
		} else {
			c.L = v
		}
	case 6:
		c.wr(c.hlAddr, v)
	default:
		c.A = v
	}
}

// getHL and putHL are HL or the index register in its place.
func (c *CPU) getHL() uint16 {
	if c.hl != nil {
		return *c.hl
	}
	return c.HL()
}

func (c *CPU) putHL(w uint16) {
	if c.hl != nil {
		*c.hl = w
	} else {
		c.SetHL(w)
	}
}

// r16 is a pair operand BC DE HL SP.
func (c *CPU) r16(i byte) uint16 {
	switch i {
	case 0:
		return c.BC()
	case 1:
		return c.DE()
	case 2:
		return c.getHL()
	}
	return c.SP
}

func (c *CPU) setR16(i byte, w uint16) {
	switch i {
	case 0:
		c.SetBC(w)
	case 1:
		c.SetDE(w)
	case 2:
		c.putHL(w)
	default:
		c.SP = w
	}
}

// condition NZ Z NC C PO PE P M.
func (c *CPU) condition(y byte) bool {
	bit := [4]byte{FlagZ, FlagC, FlagP, FlagS}[y>>1]
	return (c.F&bit != 0) == (y&1 != 0)
}

// address sets hlAddr for an instruction that uses (HL) or (IX+d); the index form fetches d and computes for extra
// T-states (five, or two where the computing overlaps the fetch of an operand byte).
func (c *CPU) address(extra uint64) {
	if c.hl == nil {
		c.hlAddr = c.HL()
		return
	}
	d := int8(c.imm())
	c.Clock += extra
	c.hlAddr = *c.hl + uint16(d)
}
