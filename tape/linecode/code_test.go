package linecode

import (
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/pelletier/go-toml/v2"
)

// TestDeclarations: every declaration of the project is tested here by name, so that a new one cannot be forgotten.
func TestDeclarations(t *testing.T) {
	files, err := filepath.Glob(filepath.Join("..", "..", "machine", "profiles", "linecodes", "*.toml"))
	if err != nil {
		t.Fatal(err)
	}
	if len(files) != len(allCodes) {
		t.Errorf("%d files, %d codes in the tests", len(files), len(allCodes))
	}
	for _, name := range allCodes {
		if c := codeNamed(t, name); c.Name != name {
			t.Errorf("%s.toml declares %q", name, c.Name)
		}
		page, err := os.ReadFile(filepath.Join("..", "..", "doc", "line-codes.md"))
		if err != nil {
			t.Fatal(err)
		}
		if !strings.Contains(string(page), "`"+name+"`") || !strings.Contains(string(page), "line-codes/"+name+".svg") {
			t.Errorf("doc/line-codes.md: says nothing of %s, or shows no picture of it", name)
		}
	}
}

func TestValidateSaysWhatIsImpossible(t *testing.T) {
	const good = `
name = "x"
title = "t"
source = "s"
[tones]
one = { hz = 2400, cycles = 8 }
zero = { hz = 1200, cycles = 4 }
[framing]
bits = 8
order = "low-first"
start = [0]
stop = [1, 1]
[leader]
pattern = [1]
seconds = 5.0
`
	const pulses = `
name = "x"
title = "t"
source = "s"
[pulses]
cell-us = 2000
pulse = [{ level = 1, us = 128 }]
one = [0, 0.5]
zero = [0]
[framing]
bits = 8
order = "high-first"
[leader]
pattern = [0]
count = 2048
[sync]
bytes = [0xA5]
`
	for _, tt := range []struct{ from, old, new, want string }{
		{good, "", "", ""},
		{pulses, "", "", ""},
		{good, `name = "x"`, `name = "X y"`, `name "X y": want 1 to 32`},
		{good, `source = "s"`, ``, "source: missing"},
		{good, "cycles = 4", "cycles = 3", "a 1 lasts 0.00333333 s, a 0 0.0025 s"},
		{good, "hz = 2400", "hz = nan", "tones.one.hz NaN"},
		{good, "cycles = 8", "cycles = 8.3", "tones.one.cycles 8.3"},
		{good, "bits = 8", "bits = 9", "framing.bits 9"},
		{good, "start = [0]", "", "sync: missing"},
		{good, "start = [0]", "start = [2]", "2 is not a bit"},
		{good, "seconds = 5.0", "seconds = 0.01", "too short to lock on"},
		{good, "seconds = 5.0", "seconds = 5.0\ncount = 3", "exactly one of count and seconds"},
		{good, "seconds = 5.0", "seconds = 1e9", "leader.seconds 1e+09: want 0 to 600"},
		{good, "pattern = [1]\nseconds = 5.0", "", "leader: missing"},
		{good, "[tones]", "[waves]\none-us=[1]\nzero-us=[500]\n[tones]", "shape: want exactly one"},
		{good, `order = "low-first"`, `order = "up"`, `framing.order "up"`},
		{good, "bits = 8", "bits = 8\nparity = \"some\"", `framing.parity "some"`},
		{pulses, "zero = [0]", "zero = [0, 0.5]", "a 1 and a 0 look alike"},
		{pulses, "one = [0, 0.5]", "one = [0, 0.05]", "the pulses at 0 and 0.05 overlap"},
		{pulses, "one = [0, 0.5]", "one = [0, 0.99]", "runs out of the cell"},
		{pulses, "one = [0, 0.5]", "one = [0, 1.5]", "place 1.5"},
		{pulses, "level = 1", "level = 0", "every level is 0"},
		{pulses, "cell-us = 2000", "cell-us = -3", "pulses.cell-us -3"},
		{pulses, "bytes = [0xA5]", "bytes = [300]", "300 does not fit in 8 bits"},
	} {
		c := new(Code)
		if err := toml.Unmarshal([]byte(strings.Replace(tt.from, tt.old, tt.new, 1)), c); err != nil {
			t.Errorf("%q: %v", tt.new, err)
			continue
		}
		err := c.Validate()
		switch {
		case tt.want == "" && err != nil:
			t.Errorf("a good declaration: %v", err)
		case tt.want != "" && (err == nil || !strings.Contains(err.Error(), tt.want)):
			t.Errorf("%q: got %v, want %q", tt.new, err, tt.want)
		}
	}
}
