package program_test

import (
	"bytes"
	"os"
	"os/exec"
	"path/filepath"
	"testing"

	. "remanence/program"
	"remanence/z80"
)

// TestRelocatorIsItsSource assembles asm/relocate.asm and compares.
func TestRelocatorIsItsSource(t *testing.T) {
	z80asm, err := exec.LookPath("z80asm")
	if err != nil {
		t.Fatal("needs z80asm (Debian package z80asm; make tools installs it): ", err)
	}
	out := filepath.Join(t.TempDir(), "relocate.bin")
	if msg, err := exec.Command(z80asm, "-o", out, "asm/relocate.asm").CombinedOutput(); err != nil {
		t.Fatalf("z80asm: %v\n%s", err, msg)
	}
	made, err := os.ReadFile(out)
	if err != nil {
		t.Fatal(err)
	}
	kept, err := os.ReadFile("asm/relocate.bin")
	if err != nil {
		t.Fatal(err)
	}
	if !bytes.Equal(made, kept) {
		t.Errorf("asm/relocate.bin is not what asm/relocate.asm assembles to:\n% x\n% x", kept, made)
	}
}

// heron is a 48 KiB machine with a disk system at 4000h to 51FFh.
var heron = Target{Name: "heron", ROMEnd: 0x3000, RAMStart: 0x4000, RAMChoicesKiB: []int{16, 32, 48}, SystemFirst: 0x4000, SystemEnd: 0x5200,
	Kinds: []Kind{LoadModule, MachineTape}}

func pattern(seed, n int) []byte {
	b := make([]byte, n)
	for i := range b {
		b[i] = byte(seed + i*i + i>>3)
	}
	return b
}

// TestRelocatedProgramsRun loads relocated programs as the disk system would, runs the loader on our own Z80 core and
// looks for the program in its place and control at its entry, and that the system was not touched before.
func TestRelocatedProgramsRun(t *testing.T) {
	cases := []struct {
		name   string
		segs   []Segment
		entry  int
		ram    int
		refuse bool
	}{
		{"low part", []Segment{{0x4300, pattern(1, 0x1000)}}, 0x4300, 16, false},
		{"all below", []Segment{{0x4A00, pattern(2, 0x200)}}, 0x4A10, 16, false},
		{"several areas", []Segment{{0x4300, pattern(3, 0x100)}, {0x4800, pattern(4, 0x180)}, {0x5100, pattern(5, 0x400)}, {0x7F00, pattern(6, 0x100)}}, 0x5180, 16, false},
		{"needs more memory", []Segment{{0x4300, pattern(7, 0x3A00)}}, 0x4400, 32, false},
		{"parked in two gaps", []Segment{{0x4300, pattern(8, 0xF00)}, {0x5A00, pattern(9, 0x1D00)}, {0x7F00, pattern(1, 0x7FC0)}}, 0x5A00, 48, false},
		{"video and system", []Segment{{0x3C00, pattern(2, 0x400)}, {0x4000, pattern(3, 0x1200)}}, 0x4200, 16, false},
		{"no room", []Segment{{0x4300, pattern(9, 0xBD00)}}, 0x4300, 0, true},
	}
	for _, c := range cases {
		t.Run(c.name, func(t *testing.T) {
			m := Memory{Name: "TIDE", Entry: &c.entry, Segments: c.segs}
			out, notes, err := Relocate(m, heron, 0)
			if c.refuse {
				if err == nil {
					t.Fatal("want a refusal: memory is full")
				}
				return
			}
			if err != nil {
				t.Fatal(err)
			}
			module, err := BuildModule(out)
			if err != nil {
				t.Fatal(err)
			}
			r := Inspect(module)
			if r.Kind != LoadModule || !r.Whole || len(r.ClashesWith(heron)) > 0 || r.RAMKiB != c.ram {
				t.Fatalf("%s, whole %v %v, clashes %v, %d KiB (want %d), notes %v", r.Kind, r.Whole, r.Faults, r.ClashesWith(heron), r.RAMKiB, c.ram, notes)
			}
			var cpu z80.CPU
			cpu.Reset()
			for a := 0x4000; a < 0x5200; a++ {
				cpu.Memory[a] = 0xA5 // the system at work while the module loads
			}
			loaded, faults := ParseModule(module)
			if len(faults) > 0 {
				t.Fatal(faults)
			}
			for _, s := range loaded.Segments {
				cpu.Load(uint16(s.Address), s.Data)
			}
			if !bytes.Equal(cpu.Memory[0x4000:0x5200], bytes.Repeat([]byte{0xA5}, 0x1200)) {
				t.Fatal("loading touched the disk system")
			}
			cpu.PC, cpu.SP = uint16(*loaded.Entry), 0x41FC // the system's stack, which must not be used
			cpu.IFF1, cpu.IFF2 = true, true
			if !cpu.Run(4_000_000, func() bool { return int(cpu.PC) == c.entry }) {
				t.Fatalf("the loader did not reach the entry; PC %04X", cpu.PC)
			}
			for _, s := range c.segs {
				if !bytes.Equal(cpu.Memory[s.Address:s.End()], s.Data) {
					t.Errorf("the bytes for %04X-%04X are not in place", s.Address, s.End()-1)
				}
			}
			if cpu.IFF1 || cpu.SP != 0x41FC {
				t.Errorf("interrupts on %v, SP %04X", cpu.IFF1, cpu.SP)
			}
		})
	}
	if out, notes, err := Relocate(Memory{Segments: []Segment{{0x5200, pattern(1, 9)}}}, heron, 0); err != nil || len(notes) != 1 || out.Segments[0].Address != 0x5200 {
		t.Errorf("a program that clashes with nothing: %v, %v, %v", out, notes, err)
	}
	if _, _, err := Relocate(Memory{Segments: []Segment{{0x4A00, pattern(1, 9)}}}, heron, 0); err == nil {
		t.Error("a program without an entry was given a loader")
	}
}
