package saltmarsh

import (
	"bytes"
	"errors"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"

	"remanence/machine"
	"remanence/plan"
	"remanence/program"
)

func files(t *testing.T) ([]File, *machine.Set) {
	t.Helper()
	set, err := machine.Load("")
	if err != nil {
		t.Fatal(err)
	}
	fs, err := Files(set)
	if err != nil {
		t.Fatal(err)
	}
	return fs, set
}

// The committed binaries are what z80asm makes of the committed sources.
func TestAssembled(t *testing.T) {
	for _, c := range codes {
		out := filepath.Join(t.TempDir(), c.name)
		msg, err := exec.Command("z80asm", "-o", out, "asm/"+c.name+".asm").CombinedOutput()
		if errors.Is(err, exec.ErrNotFound) {
			t.Fatal("z80asm is not installed: 'make tools' installs what the outside checks need")
		}
		if err != nil {
			t.Fatalf("%s: %v\n%s", c.name, err, msg)
		}
		got, err := os.ReadFile(out)
		if err != nil {
			t.Fatal(err)
		}
		want, err := sources.ReadFile("bin/" + c.name + ".bin")
		if err != nil || !bytes.Equal(got, want) {
			t.Errorf("bin/%s.bin: %d bytes, z80asm makes %d others (%v)", c.name, len(want), len(got), err)
		}
	}
}

// Every kind of file is there, sound and damaged, and inspect sees what each is.
func TestEveryKind(t *testing.T) {
	fs, set := files(t)
	if len(fs) < 24 {
		t.Errorf("%d files, want 24 or more", len(fs))
	}
	kinds := map[program.Kind]int{}
	hurt := 0
	for _, f := range fs {
		r := program.Inspect(f.Data)
		if r.Kind == program.Unknown {
			if x := plan.ImageRecognizer(set)(f.Data); x != nil {
				r = x
			}
		}
		kinds[r.Kind]++
		if f.Hurt != "" {
			hurt++
			if r.Whole || r.Kind == program.Unknown {
				t.Errorf("%s: %s, but inspect finds it whole or unknown", f.Name, f.Hurt)
			}
		} else if r.Damaged() {
			t.Errorf("%s: damaged: %v", f.Name, r.Faults)
		}
	}
	for _, k := range []program.Kind{program.LoadModule, program.MachineTape, program.BASICDisk, program.BASICTape, program.Text, program.IntelHex,
		program.SRecord, program.SectorImage, program.Audio, program.Unknown} {
		if kinds[k] == 0 {
			t.Errorf("no file of kind %s", k)
		}
	}
	if hurt < 4 {
		t.Errorf("%d damaged files, want 4 or more", hurt)
	}
}

func TestSameEveryTime(t *testing.T) {
	a, _ := files(t)
	b, _ := files(t)
	for i := range a {
		if a[i].Name != b[i].Name || !bytes.Equal(a[i].Data, b[i].Data) {
			t.Errorf("%s differs from one time to the next", a[i].Name)
		}
	}
}

func TestNamesAreOfTheClass(t *testing.T) {
	fs, _ := files(t)
	for i, f := range fs {
		name, ext, _ := strings.Cut(f.Name, ".")
		if len(name) > 8 || len(ext) > 3 || f.What == "" {
			t.Errorf("%s: want NAME.EXT and a description", f.Name)
		}
		if i > 0 && fs[i-1].Name >= f.Name {
			t.Errorf("%s stands after %s", f.Name, fs[i-1].Name)
		}
	}
}
