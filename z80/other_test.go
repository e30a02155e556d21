package z80

import (
	"context"
	"fmt"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"testing"
	"time"
)

// Cases for the other simulator: where their code, register frames and results lie.
const (
	codeAt   = 0x0000
	framesAt = 0x7000 // AF BC DE HL IX IY of each case
	frame    = 12
	resultAt = 0xA000 // AF BC DE HL IX IY SP of each case, then 16 bytes of the scratch area
	result   = 14
	scratch  = 0xE000
	saveSP   = 0xF800
)

// otherCases are instructions whose result depends on registers, memory and flags alone.
func otherCases(r *rand.Rand) [][]byte {
	var ops [][]byte
	add := func(b ...byte) { ops = append(ops, b) }
	for op := 0; op < 256; op++ {
		b := byte(op)
		x, z := b>>6, b&7
		switch {
		case b == 0x76 || b == 0xCB || b == 0xDD || b == 0xED || b == 0xFD || b == 0xD3 || b == 0xDB || b == 0xF3 || b == 0xFB:
		case b == 0x31 || b == 0x33 || b == 0x3B || b == 0xF9: // SP: the frame needs it; ED 7B covers loading
		case x == 3 && (z == 7 || z == 0 || b == 0xC9 || b == 0xE9): // RST, RET and JP (HL) leave the case
		case b == 0x10 || x == 0 && z == 0 && b >= 0x18:
			add(b, 0)
		case b == 0xC3 || x == 3 && (z == 2 || z == 4) || b == 0xCD:
			add(b, 0, 0) // address filled in: the next instruction
		case x == 0 && (z == 2 && b >= 0x22):
			add(b, byte(r.Uint32()), scratch>>8)
		case x == 0 && z == 1 && b&8 == 0:
			add(b, byte(r.Uint32()), byte(r.Uint32()))
		case x == 0 && z == 6 || x == 3 && z == 6:
			add(b, byte(r.Uint32()))
		default:
			add(b)
		}
	}
	for op := 0; op < 256; op++ {
		add(0xCB, byte(op))
		if op&7 == 6 { // only the documented forms: simulators differ on the rest
			add(0xDD, 0xCB, byte(r.IntN(16)), byte(op))
			add(0xFD, 0xCB, byte(r.IntN(16)), byte(op))
		}
	}
	for _, b := range []byte{0x42, 0x52, 0x62, 0x72, 0x4A, 0x5A, 0x6A, 0x7A, 0x44, 0x67, 0x6F, 0xA0, 0xA8, 0xA1, 0xA9} {
		add(0xED, b)
	}
	for _, b := range []byte{0x43, 0x53, 0x63, 0x73, 0x4B, 0x5B, 0x6B} {
		add(0xED, b, 0x20, scratch>>8)
	}
	for _, p := range []byte{0xDD, 0xFD} {
		for _, b := range []byte{0x09, 0x19, 0x29, 0x39, 0x23, 0x2B, 0xE5, 0x24, 0x25, 0x2C, 0x2D, 0x44, 0x4D, 0x54, 0x5D, 0x7C, 0x7D, 0x84, 0x8D, 0x94, 0xA5, 0xB4, 0xBD, 0x60, 0x68, 0x67, 0x6F} {
			add(p, b)
		}
		for _, b := range []byte{0x34, 0x35, 0x46, 0x4E, 0x56, 0x5E, 0x66, 0x6E, 0x7E, 0x70, 0x71, 0x72, 0x73, 0x74, 0x75, 0x77, 0x86, 0x8E, 0x96, 0x9E, 0xA6, 0xAE, 0xB6, 0xBE} {
			add(p, b, byte(r.IntN(16)))
		}
		add(p, 0x36, 5, byte(r.Uint32()))
		add(p, 0x21, 1, 2)
		add(p, 0x22, 0x30, scratch>>8)
		add(p, 0x2A, 0x30, scratch>>8)
		add(p, 0x26, 9)
		add(p, 0x2E, 8)
	}
	return ops
}

// memoryPointers makes the registers an instruction uses as addresses point into the scratch area.
func memoryPointers(r *rand.Rand, regs *[6]uint16) {
	at := func() uint16 { return scratch + 0x10 + uint16(r.IntN(0x40)) }
	regs[1] = uint16(r.Uint32())
	if r.IntN(2) == 0 {
		regs[1] = at()
	}
	regs[2], regs[3], regs[4], regs[5] = at(), at(), at(), at()
}

// TestAgainstAnotherSimulator runs some two thousand cases on this core and on sz80 of sdcc-ucsim and compares
// registers, documented flags, memory and the sum of T-states of every batch.
func TestAgainstAnotherSimulator(t *testing.T) {
	sz80, err := exec.LookPath("sz80")
	if err != nil {
		t.Fatal("needs sz80 (Debian package sdcc-ucsim): ", err)
	}
	r := rand.New(rand.NewPCG(1979, 80))
	var all [][]byte
	for range 3 {
		all = append(all, otherCases(r)...)
	}
	var exact, timed []([]byte)
	for _, op := range all {
		if departsInTime(op) {
			timed = append(timed, op)
		} else {
			exact = append(exact, op)
		}
	}
	const batch = 420
	var batches [][][]byte
	for b := range slices.Chunk(exact, batch) {
		batches = append(batches, b)
	}
	whole := len(batches) // their T-states are compared
	for b := range slices.Chunk(timed, batch) {
		batches = append(batches, b)
	}
	for n, cases := range batches {
		memory, end := assembleCases(r, cases)
		c, _ := newCPU()
		c.Load(0, memory)
		for !c.Halted {
			c.Step()
			if c.Clock > 10_000_000 {
				t.Fatal("our core does not reach the end")
			}
		}
		theirs, ticks := runOther(t, sz80, memory, end)
		bad := 0
		for i, op := range cases {
			at := resultAt + i*result
			for k := 0; k < result; k++ {
				a, b := c.Memory[at+k], theirs[at+k]
				if k == 0 {
					mask := departsInFlags(op)
					a, b = a&^mask, b&^mask
				}
				if k == 6 && op[0] == 0xED && op[1]&0xEF == 0xA9 {
					continue // CPD and CPDR: the other simulator counts HL up (user manual: down)
				}
				if a != b && bad < 10 {
					bad++
					t.Errorf("% X: byte %d of F A C B E D L H IX IY SP is %02X, the other simulator has %02X", op, k, c.Memory[at+k], theirs[at+k])
				}
			}
		}
		for a := scratch - 0x100; a < scratch+0x200; a++ {
			if c.Memory[a] != theirs[a] && bad < 10 {
				bad++
				t.Errorf("memory %04X is %02X, the other simulator has %02X", a, c.Memory[a], theirs[a])
			}
		}
		if n < whole && uint64(ticks) != c.Clock {
			t.Errorf("batch %d: %d T-states, the other simulator counted %d", n, c.Clock, ticks)
		}
	}
}

// departsInTime names the instructions to which sz80 0.6.4 gives other T-states than the published tables do; those
// are held to the tables in TestPublishedTiming instead.
func departsInTime(op []byte) bool {
	switch op[0] {
	case 0xCB:
		return op[1]&7 == 6 // 8 for 15
	case 0xED:
		return op[1] == 0x4B // 15 for 20
	case 0xDD, 0xFD:
		return op[1] == 0x25 || op[1] == 0x5D // halves of an index register, undocumented
	case 0x0B, 0x1B, 0x2B:
		return true // 7 for 6
	case 0x34, 0x35:
		return true // 7 for 11
	}
	return false
}

// departsInFlags gives the bits of F in which sz80 0.6.4 follows another rule than the user manual; TestFlags holds
// those to the manual's words. Bits 5 and 3 are undocumented and compared nowhere.
func departsInFlags(op []byte) byte {
	m := byte(Flag3 | Flag5)
	shift := len(op) > 3 && op[1] == 0xCB && op[3] < 0x40 || op[0] == 0xCB && op[1] < 0x40
	x, y, z := op[0]>>6, op[0]>>3&7, op[0]&7
	if op[0] == 0xDD || op[0] == 0xFD {
		x, y, z = op[1]>>6, op[1]>>3&7, op[1]&7
	}
	switch {
	case op[0] == 0xED && (op[1] == 0x67 || op[1] == 0x6F): // RRD, RLD
		return 0xFF
	case op[0] == 0xED && op[1]&0xE7 == 0xA1: // CPI, CPD and their repeating forms
		return 0xFF
	case shift: // parity and half carry
		return m | FlagP | FlagH
	case op[0] == 0xCB || len(op) > 3: // BIT: S and P are undocumented
		return m | FlagS | FlagP
	case op[0] == 0xED:
	case op[0] == 0x17 || op[0] == 0x1F: // RLA, RRA: S, Z, P are kept
		return 0xFF &^ FlagC
	case (x == 2 || x == 3 && z == 6) && y == 4: // AND sets H
		return m | FlagH
	case (x == 2 || x == 3 && z == 6) && (y == 1 || y == 3): // ADC, SBC: half carry and overflow with a carry in
		return m | FlagH | FlagP
	case x == 0 && z == 5: // DEC: half borrow
		return m | FlagH
	}
	return m
}

func assembleCases(r *rand.Rand, cases [][]byte) (memory []byte, end int) {
	memory = make([]byte, 65536)
	for a := scratch - 0x100; a < scratch+0x200; a++ {
		memory[a] = byte(r.Uint32())
	}
	pc := codeAt
	emit := func(b ...byte) { pc += copy(memory[pc:], b) }
	word := func(op byte, w int) { emit(op, byte(w), byte(w>>8)) }
	for i, op := range cases {
		var regs [6]uint16
		for k := range regs {
			regs[k] = uint16(r.Uint32())
		}
		memoryPointers(r, &regs)
		for k, w := range regs {
			memory[framesAt+i*frame+2*k], memory[framesAt+i*frame+2*k+1] = byte(w), byte(w>>8)
		}
		word(0x31, framesAt+i*frame)                         // LD SP,frame
		emit(0xF1, 0xC1, 0xD1, 0xE1, 0xDD, 0xE1, 0xFD, 0xE1) // POP AF BC DE HL IX IY
		word(0x31, scratch+0x100)                            // LD SP,scratch
		here := append([]byte(nil), op...)
		if op[0] == 0xC3 || op[0] == 0xCD || op[0]>>6 == 3 && len(op) == 3 && (op[0]&7 == 2 || op[0]&7 == 4) {
			next := pc + 3
			here[1], here[2] = byte(next), byte(next>>8)
		}
		emit(here...)
		emit(0xED, 0x73, saveSP&0xFF, saveSP>>8)             // LD (saveSP),SP
		word(0x31, resultAt+i*result+12)                     // LD SP,result
		emit(0xFD, 0xE5, 0xDD, 0xE5, 0xE5, 0xD5, 0xC5, 0xF5) // PUSH IY IX HL DE BC AF
		word(0x2A, saveSP)                                   // LD HL,(saveSP)
		word(0x22, resultAt+i*result+12)                     // LD (result+12),HL
	}
	end = pc
	emit(0x76)
	if pc > framesAt || framesAt+len(cases)*frame > resultAt || resultAt+len(cases)*result > scratch-0x100 {
		panic("too many cases in a batch")
	}
	return memory, end
}

var ticksLine = regexp.MustCompile(`Simulated (\d+) ticks`)

// runOther loads memory as Intel HEX into sz80, runs to the HALT and reads memory back.
func runOther(t *testing.T, sz80 string, memory []byte, end int) ([]byte, int) {
	t.Helper()
	var hex strings.Builder
	for a := 0; a < 65536; a += 32 {
		sum := 32 + byte(a>>8) + byte(a)
		fmt.Fprintf(&hex, ":20%04X00", a)
		for _, b := range memory[a : a+32] {
			fmt.Fprintf(&hex, "%02X", b)
			sum += b
		}
		fmt.Fprintf(&hex, "%02X\n", -sum)
	}
	hex.WriteString(":00000001FF\n")
	file := filepath.Join(t.TempDir(), "cases.hex")
	if err := os.WriteFile(file, []byte(hex.String()), 0o644); err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithTimeout(t.Context(), 60*time.Second)
	defer cancel()
	cmd := exec.CommandContext(ctx, sz80, "-t", "Z80", file)
	cmd.Stdin = strings.NewReader("expr sp_limit=0\nrun\ndump /h rom 0 0xffff 32\nquit\n")
	out, err := cmd.Output()
	if err != nil {
		t.Fatalf("sz80: %v", err)
	}
	m := ticksLine.FindSubmatch(out)
	if m == nil {
		t.Fatalf("sz80 did not run to the end at %04X:\n%.600s", end, out)
	}
	ticks, _ := strconv.Atoi(string(m[1]))
	back := make([]byte, 65536)
	seen := 0
	for _, line := range strings.Split(string(out), "\n") {
		f := strings.Fields(line)
		if len(f) < 33 || !strings.HasPrefix(f[0], "0x") {
			continue
		}
		a, err := strconv.ParseUint(f[0], 0, 17)
		if err != nil || a > 65535-31 {
			continue
		}
		for i := range 32 {
			b, err := strconv.ParseUint(f[1+i], 16, 8)
			if err != nil {
				t.Fatalf("sz80's dump: %q", line)
			}
			back[int(a)+i] = byte(b)
			seen++
		}
	}
	if seen != 65536 {
		t.Fatalf("sz80 dumped %d bytes, want 65536:\n%.600s", seen, out)
	}
	return back, ticks
}
