package reader

import (
	"bytes"
	"context"
	"fmt"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"testing"
	"time"

	"remanence/disk"
)

// The test binary is the child when it is started as one.
func TestMain(m *testing.M) {
	if len(os.Args) == 2 && os.Args[1] == ChildCommand {
		os.Exit(Child(os.Stdin, os.Stdout, os.Stderr))
	}
	os.Exit(m.Run())
}

func script(t testing.TB, text string) *Script {
	t.Helper()
	p := filepath.Join(t.TempDir(), "box.star")
	if err := os.WriteFile(p, []byte(text), 0o600); err != nil {
		t.Fatal(err)
	}
	s, err := Load(p)
	if err != nil {
		t.Fatal(err)
	}
	s.Path = "box.star"
	return s
}

// heronBox builds the container that doc/readers.md invents, byte by byte as its table says.
func heronBox() (file []byte, want map[[2]int][]byte) {
	want = map[[2]int][]byte{}
	file = append(file, "HRNBOX\x1a\x00"...)
	file = append(file, 3, 10, 0, 1) // cylinders, sectors, 256 bytes low byte first
	for c := range 3 {
		file = append(file, 'T', byte(c))
		for n := range 10 {
			flag := byte(0)
			if c == 1 && n == 4 {
				flag = 1
			}
			data := bytes.Repeat([]byte{byte(16*c + n)}, 256)
			file = append(append(file, byte(n), flag), data...)
			want[[2]int{c, n}] = data
		}
	}
	return file, want
}

// The example of the manual runs as it stands there.
func TestExampleOfTheManual(t *testing.T) {
	doc, err := os.ReadFile("../../doc/readers.md")
	if err != nil {
		t.Fatal(err)
	}
	m := regexp.MustCompile("(?s)```python\n(# heronbox.star.*?)```").FindSubmatch(doc)
	if m == nil {
		t.Fatal("doc/readers.md has no example that begins with # heronbox.star")
	}
	file, want := heronBox()
	sectors, notes, err := script(t, string(m[1])).Read(context.Background(), file)
	if err != nil {
		t.Fatal(err)
	}
	if len(sectors) != len(want) || len(notes) != 1 {
		t.Fatalf("%d sectors, notes %q; want %d sectors and a note", len(sectors), notes, len(want))
	}
	for _, s := range sectors {
		if !bytes.Equal(s.Data, want[[2]int{s.Cylinder, int(s.ID.Sector)}]) || s.Encoding != disk.FM {
			t.Errorf("cylinder %d sector %d: wrong data or encoding", s.Cylinder, s.ID.Sector)
		}
		if bad := s.Cylinder == 1 && s.ID.Sector == 4; bad != (s.Status == disk.Bad) {
			t.Errorf("cylinder %d sector %d: status %s", s.Cylinder, s.ID.Sector, s.Status)
		}
	}
	// Another file is not its container: nothing found, no error.
	if sectors, _, err := script(t, string(m[1])).Read(context.Background(), []byte("something else altogether")); err != nil || len(sectors) != 0 {
		t.Errorf("on another file: %d sectors, %v", len(sectors), err)
	}
	// A file cut short gives what is there, and an error with its place in the script.
	sectors, _, err = script(t, string(m[1])).Read(context.Background(), file[:3000])
	if err == nil || !strings.HasPrefix(err.Error(), "box.star:") || len(sectors) != 11 {
		t.Fatalf("cut short: %d sectors, %v", len(sectors), err)
	}
	if line := "heron" + err.Error(); !bytes.Contains(doc, []byte(line)) {
		t.Errorf("the manual does not show the error as it is: %s", line)
	}
}

func TestHelpers(t *testing.T) {
	_, notes, err := script(t, `
def read(data):
    note("%d %d %d %d %d" % (u8(data, 1), u16le(data, 0), u16be(data, 0), u32le(data, 0), u32be(data, 0)))
    note("%d %d %d" % (find(data, b"\x03\x04"), find(data, b"\x01", 1), find(data, b"\x01")))
    note("%d" % crc(b"123456789"))
`).Read(context.Background(), []byte{1, 2, 3, 4})
	// 29B1 is the published check value of CRC-16/IBM-3740 (fact sheet, 3.6).
	if want := []string{"2 513 258 67305985 16909060", "2 -1 0", fmt.Sprint(0x29B1)}; err != nil || fmt.Sprint(notes) != fmt.Sprint(want) {
		t.Errorf("notes %q, %v; want %q", notes, err, want)
	}
}

func TestTracks(t *testing.T) {
	// Sector 1 of cylinder 0 in FM: identifier and data CRC from the fact sheet, section 3.
	track := append(make([]byte, 6), 0xFE, 0, 0, 1, 0, 0xD2, 0xC3)
	track = append(append(append(track, bytes.Repeat([]byte{0xFF}, 11)...), make([]byte, 6)...), 0xFB)
	track = append(append(track, bytes.Repeat([]byte{0xE5}, 128)...), 0x5D, 0x30, 0xFF)
	sectors, _, err := script(t, `
def read(data):
    track(7, 1, slice(data, 3, len(data) - 3))
`).Read(context.Background(), append([]byte("box"), track...))
	if err != nil || len(sectors) != 1 || sectors[0].Cylinder != 7 || sectors[0].Head != 1 || sectors[0].Status != disk.Good {
		t.Errorf("sectors %+v, %v", sectors, err)
	}
}

// A hostile script is stopped, and the message says why. Each limit is hit alone: the others are far away.
func TestHostileScriptsAreStopped(t *testing.T) {
	for name, tt := range map[string]struct {
		text   string
		change func(*Limits)
		want   string
	}{
		"endless loop": {"def read(data):\n    for i in range(1000000000000):\n        pass\n", func(l *Limits) { l.Steps = 3_000_000 },
			`^box\.star:\d+:\d+: stopped: more than 3000000 steps; is there an endless loop\?$`},
		"memory doubling": {"def read(data):\n    s = \"xxxxxxxxxxxxxxxx\"\n    for i in range(40):\n        s = s + s\n", func(l *Limits) { l.MemoryBytes = 128 << 20 },
			`^box\.star: stopped: it wanted more than 128 MiB of memory$`},
		"one huge list": {"def read(data):\n    x = [0] * 200000000\n    note(str(len(x)))\n", func(l *Limits) { l.MemoryBytes = 128 << 20 },
			`stopped: it wanted more than 128 MiB of memory$`},
		"huge output": {"def read(data):\n    d = bytes([0] * 8192)\n    for i in range(1000000000):\n        sector(0, 0, 1, d)\n", func(l *Limits) { l.OutputBytes = 1 << 20 },
			`stopped: (too much output|its output grew)`},
		"many records": {"def read(data):\n    for i in range(1000000000):\n        note(\"x\")\n", func(*Limits) {}, `stopped: (too much output|its output grew)`},
		"slow numbers": {"def read(data):\n    x = 3\n    for i in range(60):\n        x = x * x\n", func(l *Limits) { l.Time = 2 * time.Second },
			`^box\.star: stopped: it (took longer than 2s|wanted more)`},
		"a file":      {"load(\"/etc/hostname\", \"x\")\ndef read(data):\n    pass\n", func(*Limits) {}, `^box\.star:1:\d+: (cannot load|load not)`},
		"no such":     {"def read(data):\n    open(\"/etc/hostname\")\n", func(*Limits) {}, `^box\.star:2:5: undefined: open$`},
		"syntax":      {"def read(data):\n    if\n", func(*Limits) {}, `^box\.star:2:\d+: got newline`},
		"no read":     {"x = 1\n", func(*Limits) {}, `^box\.star:1:1: no function read\(data\)$`},
		"recursion":   {"def f(n):\n    return f(n)\ndef read(data):\n    f(1)\n", func(*Limits) {}, `^box\.star:\d+:\d+: function f called recursively$`},
		"past end":    {"def read(data):\n    u16le(data, 3)\n", func(*Limits) {}, `^box\.star:2:10: u16le: byte 3 of 4$`},
		"odd sector":  {"def read(data):\n    sector(0, 0, 1, b\"abc\")\n", func(*Limits) {}, `^box\.star:2:11: sector: cylinder 0 head 0 sector 1 with 3 bytes`},
		"odd place":   {"def read(data):\n    sector(300, 0, 1, bytes([0] * 128))\n", func(*Limits) {}, `^box\.star:2:11: sector: cylinder 300`},
		"big integer": {"def read(data):\n    u8(data, 1 << 70)\n", func(*Limits) {}, `^box\.star:2:7: u8: for parameter at`},
	} {
		t.Run(name, func(t *testing.T) {
			s := script(t, tt.text)
			tt.change(&s.Limits)
			_, _, err := s.Read(context.Background(), []byte{1, 2, 3, 4})
			if err == nil || !regexp.MustCompile(tt.want).MatchString(err.Error()) {
				t.Errorf("error %q, want %s", fmt.Sprint(err), tt.want)
			}
		})
	}
}

func TestInputIsCapped(t *testing.T) {
	s := script(t, "def read(data):\n    pass\n")
	s.Limits.InputBytes = 10
	if _, _, err := s.Read(context.Background(), make([]byte, 11)); err == nil || !strings.Contains(err.Error(), "at most 10") {
		t.Errorf("got %v", err)
	}
}

func TestCancelled(t *testing.T) {
	ctx, stop := context.WithCancel(context.Background())
	stop()
	if _, _, err := script(t, "def read(data):\n    pass\n").Read(ctx, nil); err == nil {
		t.Error("a cancelled context was not noticed")
	}
}

func TestChildAloneSaysWhatItIs(t *testing.T) {
	var out, problems bytes.Buffer
	if n := Child(strings.NewReader("GET / HTTP/1.0\r\n\r\n"), &out, &problems); n != 2 || !strings.Contains(problems.String(), "own use") {
		t.Errorf("status %d, %q", n, problems.String())
	}
}

func TestLoadFolder(t *testing.T) {
	dir := t.TempDir()
	if s, err := LoadFolder(dir); err != nil || len(s) != 0 {
		t.Errorf("no folder: %v, %v", s, err)
	}
	if err := os.Mkdir(filepath.Join(dir, "readers"), 0o700); err != nil {
		t.Fatal(err)
	}
	for _, n := range []string{"b.star", "a.star", "notes.txt"} {
		if err := os.WriteFile(filepath.Join(dir, "readers", n), []byte("def read(data):\n    pass\n"), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	s, err := LoadFolder(dir)
	if err != nil || len(s) != 2 || s[0].Name() != "a" || s[1].Name() != "b" {
		t.Errorf("%v, %v", s, err)
	}
	if err := os.WriteFile(filepath.Join(dir, "readers", "c.star"), make([]byte, maxScriptBytes+1), 0o600); err != nil {
		t.Fatal(err)
	}
	if s, err := LoadFolder(dir); err == nil || len(s) != 2 {
		t.Errorf("a huge script: %d readers, %v", len(s), err)
	}
}

// What a child says is outside data.
func FuzzRecords(f *testing.F) {
	f.Add([]byte(`{"kind":"sector","cylinder":1,"head":0,"sector":3,"mark":251,"encoding":"fm","ok":true,"data":"` + strings.Repeat("A", 172) + `"}`))
	f.Add([]byte(`{"kind":"note","text":"x"}{"kind":"error","text":"box.star:1:1: no"}`))
	f.Add([]byte(`{"kind":"track","cylinder":999}`))
	f.Fuzz(func(t *testing.T, b []byte) {
		records, _, _ := readRecords(bytes.NewReader(b), 1<<16)
		for i := range records {
			r := &records[i]
			if r.Kind != "sector" {
				continue
			}
			s := r.sector()
			if s.ID.Size() != len(s.Data) || s.Cylinder < 0 || s.Cylinder >= disk.MaxCylinders || s.Head > 1 {
				t.Fatalf("let through: %+v", s)
			}
		}
	})
}

// The language is fuzzed in this process, under the same step limit, with scripts that are mostly wrong.
func FuzzScript(f *testing.F) {
	f.Add("def read(data):\n    note(str(find(data, b\"a\")))\n")
	f.Add("def read(data):\n    sector(1, 0, 1, slice(data, 0, 128))\n")
	f.Fuzz(func(t *testing.T, text string) {
		if len(text) > 2000 || strings.Contains(text, "*") || strings.Contains(text, "<<") {
			return // memory is the child's limit, and there is no child here
		}
		w := &emitter{enc: jsonTo(&bytes.Buffer{}), left: 1 << 20}
		if err := execute("fuzz.star", []byte(text), make([]byte, 256), 2000, w); err != nil && place("fuzz.star", err, 2000) == "" {
			t.Fatal("an error without words")
		}
	})
}
