package z80

import (
	"fmt"
	"math/bits"
	"testing"
)

// ports is a Bus whose inputs follow the port number and whose outputs are kept.
type ports struct{ out [][2]uint16 }

func (p *ports) ReadDevice(a uint16) byte   { return byte(a) }
func (p *ports) WriteDevice(uint16, byte)   {}
func (p *ports) In(port uint16) byte        { return byte(port) ^ 0x5A }
func (p *ports) Out(port uint16, b byte)    { p.out = append(p.out, [2]uint16{port, uint16(b)}) }
func newCPU() (*CPU, *ports)                { b := &ports{}; c := &CPU{Bus: b}; c.Reset(); return c, b }
func (c *CPU) poke(a uint16, bytes ...byte) { c.Load(a, bytes) }

// published holds the T-states of every unprefixed opcode, conditions not met, from the maker's instruction tables
// (Z80 CPU user manual; the numbers themselves from memory, checked below against another simulator). 0: a prefix.
var published = [256]int{
	4, 10, 7, 6, 4, 4, 7, 4, 4, 11, 7, 6, 4, 4, 7, 4,
	8, 10, 7, 6, 4, 4, 7, 4, 12, 11, 7, 6, 4, 4, 7, 4,
	7, 10, 16, 6, 4, 4, 7, 4, 7, 11, 16, 6, 4, 4, 7, 4,
	7, 10, 13, 6, 11, 11, 10, 4, 7, 11, 13, 6, 4, 4, 7, 4,
	4, 4, 4, 4, 4, 4, 7, 4, 4, 4, 4, 4, 4, 4, 7, 4,
	4, 4, 4, 4, 4, 4, 7, 4, 4, 4, 4, 4, 4, 4, 7, 4,
	4, 4, 4, 4, 4, 4, 7, 4, 4, 4, 4, 4, 4, 4, 7, 4,
	7, 7, 7, 7, 7, 7, 4, 7, 4, 4, 4, 4, 4, 4, 7, 4,
	4, 4, 4, 4, 4, 4, 7, 4, 4, 4, 4, 4, 4, 4, 7, 4,
	4, 4, 4, 4, 4, 4, 7, 4, 4, 4, 4, 4, 4, 4, 7, 4,
	4, 4, 4, 4, 4, 4, 7, 4, 4, 4, 4, 4, 4, 4, 7, 4,
	4, 4, 4, 4, 4, 4, 7, 4, 4, 4, 4, 4, 4, 4, 7, 4,
	5, 10, 10, 10, 10, 11, 7, 11, 5, 10, 10, 0, 10, 17, 7, 11,
	5, 10, 10, 11, 10, 11, 7, 11, 5, 4, 10, 11, 10, 0, 7, 11,
	5, 10, 10, 19, 10, 11, 7, 11, 5, 4, 10, 4, 10, 0, 7, 11,
	5, 10, 10, 4, 10, 11, 7, 11, 5, 6, 10, 4, 10, 0, 7, 11,
}

// notTaken sets the flags so that the condition of op fails.
func notTaken(c *CPU, op byte) {
	c.B = 1 // DJNZ falls through
	y := op >> 3 & 7
	if op < 0x40 {
		y &= 3 // JR cc
	}
	c.F = 0
	if y&1 == 0 {
		c.F = 0xFF
	}
}

func TestPublishedTiming(t *testing.T) {
	for op := 0; op < 256; op++ {
		if published[op] == 0 {
			continue
		}
		c, _ := newCPU()
		notTaken(c, byte(op))
		c.poke(0, byte(op), 0, 0x80)
		if got := c.Step(); got != published[op] {
			t.Errorf("opcode %02X: %d T-states, want %d", op, got, published[op])
		}
	}
	for _, tt := range []struct {
		what  string
		bytes []byte
		want  int
	}{
		{"DJNZ taken", []byte{0x10, 0}, 13}, {"JR Z taken", []byte{0x28, 0}, 12}, {"RET Z taken", []byte{0xC8}, 11}, {"CALL Z taken", []byte{0xCC, 0, 0}, 17},
		{"LDIR going on", []byte{0xED, 0xB0}, 21}, {"LDI", []byte{0xED, 0xA0}, 16}, {"CPI", []byte{0xED, 0xA1}, 16}, {"INI", []byte{0xED, 0xA2}, 16}, {"OUTI", []byte{0xED, 0xA3}, 16},
		{"OTIR going on", []byte{0xED, 0xB3}, 21}, {"IN B,(C)", []byte{0xED, 0x40}, 12}, {"OUT (C),B", []byte{0xED, 0x41}, 12}, {"SBC HL,BC", []byte{0xED, 0x42}, 15},
		{"LD (nn),BC", []byte{0xED, 0x43, 0, 0x80}, 20}, {"NEG", []byte{0xED, 0x44}, 8}, {"RETN", []byte{0xED, 0x45}, 14}, {"IM 1", []byte{0xED, 0x56}, 8}, {"LD I,A", []byte{0xED, 0x47}, 9},
		{"RRD", []byte{0xED, 0x67}, 18}, {"RLC B", []byte{0xCB, 0}, 8}, {"RLC (HL)", []byte{0xCB, 6}, 15}, {"BIT 0,(HL)", []byte{0xCB, 0x46}, 12}, {"SET 0,(HL)", []byte{0xCB, 0xC6}, 15},
		{"RLC (IX+d)", []byte{0xDD, 0xCB, 1, 6}, 23}, {"BIT 0,(IX+d)", []byte{0xDD, 0xCB, 1, 0x46}, 20}, {"LD A,(IX+d)", []byte{0xDD, 0x7E, 1}, 19}, {"LD (IX+d),A", []byte{0xDD, 0x77, 1}, 19},
		{"LD (IX+d),n", []byte{0xDD, 0x36, 1, 2}, 19}, {"INC (IX+d)", []byte{0xDD, 0x34, 1}, 23}, {"ADD A,(IX+d)", []byte{0xDD, 0x86, 1}, 19}, {"ADD IX,BC", []byte{0xDD, 0x09}, 15},
		{"LD IX,nn", []byte{0xDD, 0x21, 0, 0}, 14}, {"LD IX,(nn)", []byte{0xDD, 0x2A, 0, 0}, 20}, {"INC IX", []byte{0xDD, 0x23}, 10}, {"PUSH IX", []byte{0xDD, 0xE5}, 15}, {"POP IX", []byte{0xDD, 0xE1}, 14},
		{"EX (SP),IX", []byte{0xDD, 0xE3}, 23}, {"JP (IX)", []byte{0xDD, 0xE9}, 8}, {"LD SP,IX", []byte{0xDD, 0xF9}, 10},
	} {
		c, _ := newCPU()
		c.F = FlagZ
		c.B, c.C = 2, 2
		c.SP, c.IX = 0x9000, 0x8000
		c.poke(0, tt.bytes...)
		if got := c.Step(); got != tt.want {
			t.Errorf("%s: %d T-states, want %d (published tables)", tt.what, got, tt.want)
		}
	}
}

// TestBlocks: the repeating moves and searches do what a loop over their single steps does, in 21 T-states a turn and
// 16 for the last (user manual).
func TestBlocks(t *testing.T) {
	for _, op := range []byte{0xB0, 0xB8} { // LDIR, LDDR
		c, _ := newCPU()
		from, to := uint16(0x8000), uint16(0x9000)
		if op == 0xB8 {
			from, to = 0x8063, 0x9063
		}
		for i := range 100 {
			c.Memory[0x8000+i] = byte(i * 7)
		}
		c.SetHL(from)
		c.SetDE(to)
		c.SetBC(100)
		c.poke(0, 0xED, op)
		for c.PC == 0 {
			c.Step()
		}
		if c.Clock != 99*21+16 || c.BC() != 0 || c.F&FlagP != 0 || string(c.Memory[0x9000:0x9064]) != string(c.Memory[0x8000:0x8064]) {
			t.Errorf("ED %02X: %d T-states, want %d; BC %04X", op, c.Clock, 99*21+16, c.BC())
		}
	}
	for op, want := range map[byte]uint16{0xB1: 0x8008, 0xB9: 0x7FF8} { // CPIR, CPDR find the byte at distance 7
		c, _ := newCPU()
		c.Memory[0x8007], c.Memory[0x7FF9], c.A = 0x55, 0x55, 0x55
		c.SetHL(0x8000)
		c.SetBC(100)
		c.poke(0, 0xED, op)
		for c.PC == 0 {
			c.Step()
		}
		if c.HL() != want || c.BC() != 92 || c.F&FlagZ == 0 || c.Clock != 7*21+16 {
			t.Errorf("ED %02X: HL %04X BC %d after %d T-states, want %04X, 92, %d", op, c.HL(), c.BC(), c.Clock, want, 7*21+16)
		}
	}
	c, bus := newCPU()
	copy(c.Memory[0x8000:], "HERON")
	c.SetHL(0x8000)
	c.B, c.C = 5, 0xFF
	c.poke(0, 0xED, 0xB3) // OTIR
	for c.PC == 0 {
		c.Step()
	}
	if len(bus.out) != 5 || bus.out[4] != [2]uint16{0x00FF, 'N'} || c.Clock != 4*21+16 {
		t.Errorf("OTIR: %v in %d T-states", bus.out, c.Clock)
	}
}

func TestInterrupts(t *testing.T) {
	c, _ := newCPU()
	c.poke(0, 0xFB, 0x76) // EI, HALT
	c.SP = 0x9000
	c.IM = 1
	c.Interrupt(true, 0xFF)
	c.Step()
	if c.PC != 1 {
		t.Fatalf("an interrupt is taken right after EI")
	}
	c.Step() // the instruction after EI still runs
	if !c.Halted {
		t.Fatal("not halted")
	}
	if n := c.Step(); n != 13 || c.PC != 0x38 || c.rd16(c.SP) != 2 {
		t.Errorf("mode 1: %d T-states to %04X returning to %04X, want 13, 0038, 0002 (user manual)", n, c.PC, c.rd16(c.SP))
	}
	c, _ = newCPU()
	c.SP, c.I, c.IM, c.IFF1 = 0x9000, 0x70, 2, true
	c.poke(0x7010, 0x34, 0x12)
	c.Interrupt(true, 0x10)
	if n := c.Step(); n != 19 || c.PC != 0x1234 {
		t.Errorf("mode 2: %d T-states to %04X, want 19, 1234 (user manual)", n, c.PC)
	}
	c, _ = newCPU()
	c.SP, c.IFF1, c.IFF2 = 0x9000, true, true
	c.NonMaskable()
	if n := c.Step(); n != 11 || c.PC != 0x66 || c.IFF1 || !c.IFF2 {
		t.Errorf("NMI: %d T-states to %04X, IFF %v %v", n, c.PC, c.IFF1, c.IFF2)
	}
}

func TestPages(t *testing.T) {
	c, bus := newCPU()
	c.Pages[0x37], c.Pages[0x00] = Device, ROM
	c.poke(0, 0x32, 0x05, 0x37, 0x3A, 0xEC, 0x37, 0x32, 0x00, 0x00, 0xD3, 0xFF) // LD (3705),A; LD A,(37EC); LD (0),A; OUT (FF),A
	for range 4 {
		c.Step()
	}
	if c.A != 0xEC {
		t.Errorf("device read gives %02X, want EC", c.A)
	}
	if c.Memory[0] != 0x32 {
		t.Error("ROM was written")
	}
	if len(bus.out) != 1 || bus.out[0] != [2]uint16{0xECFF, 0xEC} {
		t.Errorf("port writes %v", bus.out)
	}
}

// TestFlags checks every 8-bit operation against arithmetic done from the user manual's words: carry and overflow by
// wider integers, half carry by nibbles, parity by counting.
func TestFlags(t *testing.T) {
	parity := func(b byte) bool { return bits.OnesCount8(b)%2 == 0 }
	check := func(what string, a, v, f, gotA, gotF byte, want int, carry, half, pv, n bool) {
		flag := func(on bool, bit byte) byte {
			if on {
				return bit
			}
			return 0
		}
		r := byte(want)
		wantF := r&FlagS | flag(r == 0, FlagZ) | flag(half, FlagH) | flag(pv, FlagP) | flag(n, FlagN) | flag(carry, FlagC)
		if gotA != r || gotF&^(Flag3|Flag5) != wantF {
			t.Fatalf("%s A=%02X v=%02X F=%02X: A=%02X F=%02X, want A=%02X F=%02X", what, a, v, f, gotA, gotF, r, wantF)
		}
	}
	c, _ := newCPU()
	for a := range 256 {
		for v := range 256 {
			for carry := range 2 {
				do := func(op byte) (byte, byte) {
					c.A, c.B, c.F = byte(a), byte(v), byte(carry)
					c.execute(op)
					return c.A, c.F
				}
				sa, sv := int(int8(a)), int(int8(v))
				add := func(op byte, k int) {
					ga, gf := do(op)
					signed := sa + sv + k
					check("ADD/ADC", byte(a), byte(v), byte(carry), ga, gf, a+v+k, a+v+k > 255, a&15+v&15+k > 15, signed > 127 || signed < -128, false)
				}
				add(0x80, 0)
				add(0x88, carry)
				sub := func(op byte, k int) {
					ga, gf := do(op)
					signed := sa - sv - k
					check("SUB/SBC", byte(a), byte(v), byte(carry), ga, gf, a-v-k, a-v-k < 0, a&15-v&15-k < 0, signed > 127 || signed < -128, true)
				}
				sub(0x90, 0)
				sub(0x98, carry)
				ga, gf := do(0xA0)
				check("AND", byte(a), byte(v), byte(carry), ga, gf, a&v, false, true, parity(byte(a&v)), false)
				ga, gf = do(0xA8)
				check("XOR", byte(a), byte(v), byte(carry), ga, gf, a^v, false, false, parity(byte(a^v)), false)
				ga, gf = do(0xB0)
				check("OR", byte(a), byte(v), byte(carry), ga, gf, a|v, false, false, parity(byte(a|v)), false)
			}
		}
		for carry := range 2 {
			c.A, c.F = byte(a), byte(carry)
			c.execute(0x3D)
			check("DEC", byte(a), 0, byte(carry), c.A, c.F, a-1, carry == 1, a&15 == 0, a == 0x80, true)
			c.A, c.F = byte(a), byte(carry)
			c.execute(0x3C)
			check("INC", byte(a), 0, byte(carry), c.A, c.F, a+1, carry == 1, a&15 == 15, a == 0x7F, false)
			for op, want := range map[byte][2]int{0x00: {a<<1 | a>>7, a >> 7}, 0x08: {a>>1 | a<<7, a & 1}, 0x10: {a<<1 | carry, a >> 7}, 0x18: {a>>1 | carry<<7, a & 1},
				0x20: {a << 1, a >> 7}, 0x28: {a>>1 | a&0x80, a & 1}, 0x38: {a >> 1, a & 1}} {
				c.F = byte(carry)
				r, _ := c.bits(op, byte(a))
				check(fmt.Sprintf("CB %02X", op), byte(a), 0, byte(carry), r, c.F, want[0], want[1] == 1, false, parity(byte(want[0])), false)
			}
		}
	}
	// Packed decimal: for every sum and difference of two-digit numbers DAA gives the decimal result and its carry.
	for a := range 100 {
		for v := range 100 {
			bcd := func(n int) byte { return byte(n/10<<4 | n%10) }
			c.A, c.B, c.F = bcd(a), bcd(v), 0
			c.execute(0x80)
			c.execute(0x27)
			if c.A != bcd((a+v)%100) || (c.F&FlagC != 0) != (a+v > 99) {
				t.Fatalf("DAA after %d + %d: %02X carry %d", a, v, c.A, c.F&FlagC)
			}
			c.A, c.B, c.F = bcd(a), bcd(v), 0
			c.execute(0x90)
			c.execute(0x27)
			if c.A != bcd((a-v+100)%100) || (c.F&FlagC != 0) != (a < v) {
				t.Fatalf("DAA after %d - %d: %02X carry %d", a, v, c.A, c.F&FlagC)
			}
		}
	}
	// RLA and RRA keep S, Z, P; RLD and RRD set them; CPD counts down
	c.A, c.F = 0, FlagS|FlagZ|FlagP|FlagC
	c.execute(0x17)
	if c.A != 1 || c.F&^(Flag3|Flag5) != FlagS|FlagZ|FlagP {
		t.Errorf("RLA: A=%02X F=%02X", c.A, c.F)
	}
	c.poke(0x8000, 0x34)
	c.SetHL(0x8000)
	c.A, c.F = 0x12, FlagC
	c.extended(0x6F)
	if c.A != 0x13 || c.Memory[0x8000] != 0x42 || c.F&^(Flag3|Flag5) != FlagC {
		t.Errorf("RLD: A=%02X memory %02X F=%02X, want 13, 42, 01", c.A, c.Memory[0x8000], c.F)
	}
	c.SetBC(2)
	c.A = 0x42
	c.extended(0xA9)
	if c.HL() != 0x7FFF || c.BC() != 1 || c.F&(FlagZ|FlagP|FlagN) != FlagZ|FlagP|FlagN {
		t.Errorf("CPD: HL=%04X BC=%04X F=%02X", c.HL(), c.BC(), c.F)
	}
}

// FuzzStep: no bytes hang or crash the processor, and time always passes.
func FuzzStep(f *testing.F) {
	f.Add([]byte{0x21, 0x34, 0x12, 0xED, 0xB0, 0x76})
	f.Add([]byte{0xDD, 0xFD, 0xDD, 0xCB, 0x01, 0x06})
	f.Fuzz(func(t *testing.T, code []byte) {
		if len(code) > 4096 {
			return
		}
		c, _ := newCPU()
		c.Load(0, code)
		for range 1000 {
			if n := c.Step(); n < 4 {
				t.Fatalf("an instruction at %04X cost %d T-states", c.PC, n)
			}
		}
	})
}

func BenchmarkStep(b *testing.B) {
	c, _ := newCPU()
	c.poke(0, 0x21, 0, 0x80, 0x11, 0, 0x90, 0x7E, 0x07, 0xAE, 0x77, 0x23, 0x1B, 0x7A, 0xB3, 0x20, 0xF6, 0x18, 0xEE)
	b.ResetTimer()
	for b.Loop() {
		c.Step()
	}
	b.ReportMetric(float64(c.Clock)/b.Elapsed().Seconds()/1.774e6, "x-machine")
}
