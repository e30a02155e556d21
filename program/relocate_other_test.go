package program_test

import (
	"bytes"
	"context"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"
	"testing"
	"time"

	. "remanence/program"
)

// TestRelocatedProgramOnAnotherSimulator runs one relocated program on sz80 of sdcc-ucsim, from a jump at 0000h to a
// HALT at the program's entry, and reads memory back.
func TestRelocatedProgramOnAnotherSimulator(t *testing.T) {
	sz80, err := exec.LookPath("sz80")
	if err != nil {
		t.Fatal("needs sz80 (Debian package sdcc-ucsim; make tools installs it): ", err)
	}
	entry := 0x4310
	low, high := pattern(1, 0x300), pattern(2, 0x500)
	low[0x10] = 0x76 // HALT
	segs := []Segment{{0x4300, low}, {0x5000, high}}
	out, _, err := Relocate(Memory{Entry: &entry, Segments: segs}, heron, 16)
	if err != nil {
		t.Fatal(err)
	}
	e := *out.Entry
	out.Segments = append(out.Segments, Segment{0, []byte{0xC3, byte(e), byte(e >> 8)}}) // JP loader
	out.Entry = nil
	image, err := BuildIntelHex(out, HexOptions{})
	if err != nil {
		t.Fatal(err)
	}
	file := filepath.Join(t.TempDir(), "relocated.hex")
	if err := os.WriteFile(file, image, 0o644); err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithTimeout(t.Context(), 60*time.Second)
	defer cancel()
	cmd := exec.CommandContext(ctx, sz80, "-t", "Z80", file)
	cmd.Stdin = strings.NewReader("expr sp_limit=0\nrun\ndump /h rom 0x4300 0x54ff 32\nquit\n")
	text, err := cmd.Output()
	if err != nil {
		t.Fatalf("sz80: %v", err)
	}
	memory := map[int]byte{}
	for _, line := range strings.Split(string(text), "\n") {
		f := strings.Fields(line)
		if len(f) < 33 || !strings.HasPrefix(f[0], "0x") {
			continue
		}
		a, err := strconv.ParseUint(f[0], 0, 17)
		if err != nil {
			continue
		}
		for i := range 32 {
			b, err := strconv.ParseUint(f[1+i], 16, 8)
			if err != nil {
				t.Fatalf("sz80's dump: %q", line)
			}
			memory[int(a)+i] = byte(b)
		}
	}
	for _, s := range segs {
		got := make([]byte, len(s.Data))
		for i := range got {
			got[i] = memory[s.Address+i]
		}
		if !bytes.Equal(got, s.Data) {
			t.Errorf("the bytes for %04X are not in place:\n%s", s.Address, fmt.Sprintf("%.600s", text))
		}
	}
}
