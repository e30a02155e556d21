package machine

import (
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"remanence/program"
)

func load(t *testing.T, dir string) *Set {
	t.Helper()
	s, err := Load(dir)
	if err != nil {
		t.Fatal(err)
	}
	return s
}

// Sums from the index to the end of the last gap 3, in bytes. Source: shared fact sheet on floppies, 4.1 (D179x, D1771,
// D8272, R810), 4.2 (sums that close, from memory) and 4.3 (computed); check values 26 to 32.
func TestTrackSums(t *testing.T) {
	s := load(t, "")
	for _, w := range []struct {
		name      string
		used      int
		trackByte float64
	}{
		{"fm26x128", 4961, 5208.3}, {"fm15x256", 5038, 5208.3}, {"fm8x512", 4897, 5208.3},
		{"mfm26x256-8in", 9818, 10416.7}, {"mfm15x512-8in", 10016, 10416.7}, {"mfm8x1024-8in", 9762, 10416.7},
		{"mfm26x256", 9818, 10416.7}, {"mfm15x512", 10016, 10416.7}, {"mfm15x512-labels", 10016, 10416.7}, {"mfm8x1024", 9762, 10416.7},
		{"fm16x128", 3024, 3125}, {"fm10x256", 3083, 3125}, {"fm18x128", 3076, 3125},
		{"mfm16x256", 5984, 6250}, {"mfm16x256-96", 5984, 6250}, {"mfm18x256", 6086, 6250}, {"mfm8x512", 5378, 6250},
		{"mfm9x512", 6032, 6250}, {"mfm9x512-90mm", 6032, 6250}, {"mfm5x1024", 6156, 6250}, {"mfm18x512", 12422, 12500},
	} {
		r, err := s.Recording(w.name)
		if err != nil {
			t.Error(err)
			continue
		}
		if got := r.Track.UsedBytes(); got != w.used {
			t.Errorf("%s: %d bytes used, want %d", w.name, got, w.used)
		}
		if got := r.TrackBytes(r.Track); got < w.trackByte-0.1 || got > w.trackByte+0.1 {
			t.Errorf("%s: a track of %.1f bytes, want %.1f", w.name, got, w.trackByte)
		}
	}
}

// Capacities of raw images. Source: fact sheet on the Z80 home machine; fact sheet on floppies, check values 49 to 51.
func TestCapacities(t *testing.T) {
	s := load(t, "")
	for ref, want := range map[string]int64{
		"fm10x256:35x1": 89_600, "fm10x256:40x1": 102_400, "fm10x256:80x2": 409_600,
		"mfm16x256": 325_632, "mfm16x256-96": 653_312, "fm16x128:40x1": 81_920, "fm9x256:40x1": 92_160,
		"fm26x128":           77 * 26 * 128,
		"mfm18x256-fmboot":   10*256 + 39*18*256,
		"mfm9x512:80x2":      720 * 1024,
		"mfm15x512":          1200 * 1024,
		"mfm18x512":          1440 * 1024,
		"mfm8x512:40x1":      160 * 1024,
		"mfm9x512:40x2":      360 * 1024,
		"mfm26x256-8in:77x2": 26*128 + 26*256 + 76*2*26*256,
	} {
		r, err := s.Recording(ref)
		if err != nil {
			t.Error(err)
			continue
		}
		if g := r.Geometry(); g.Size() != want {
			t.Errorf("%s: %d bytes, want %d", ref, g.Size(), want)
		}
	}
}

// Facts of the first class. Source: fact sheet on the Z80 home machine, from memory.
func TestFirstClass(t *testing.T) {
	s := load(t, "")
	m, err := s.Machine("z80-fm10")
	if err != nil {
		t.Fatal(err)
	}
	want := program.Target{Name: "z80-fm10", ROMEnd: 0x3000, RAMStart: 0x4000, RAMChoicesKiB: []int{16, 32, 48}, SystemFirst: 0x4000, SystemEnd: 0x5200,
		BASICStart: 0x42E9, Kinds: []program.Kind{"load-module", "machine-tape", "basic-disk", "basic-tape", "text"}}
	got := m.Target()
	if got.Name != want.Name || got.ROMEnd != want.ROMEnd || got.RAMStart != want.RAMStart || !slices.Equal(got.RAMChoicesKiB, want.RAMChoicesKiB) ||
		got.SystemFirst != want.SystemFirst || got.SystemEnd != want.SystemEnd || got.BASICStart != want.BASICStart || !slices.Equal(got.Kinds, want.Kinds) {
		t.Errorf("target %+v, want %+v", got, want)
	}
	if got := m.DirectoryMark(); got != 0xFA {
		t.Errorf("directory mark %02X, want FA", got)
	}
	if m.Disk.Volume != "granule" || m.Disk.Options.Directory != 17 || m.Tape.Code != "pulse500" {
		t.Errorf("disk %+v, tape %+v", m.Disk, m.Tape)
	}
	r, _ := s.Recording("fm10x256")
	if !slices.Equal(r.Track.SectorOrder(), []int{0, 5, 1, 6, 2, 7, 3, 8, 4, 9}) {
		t.Errorf("order %v", r.Track.SectorOrder())
	}
	for _, ref := range []string{"fm10x256:35x1", "fm10x256:40x2", "fm10x256:80x1", "fm10x256:80x2"} {
		if _, err := s.Recording(ref); err != nil {
			t.Error(err)
		}
	}
}

// Every profile says where it comes from, and every class that the project promises is there.
func TestPromised(t *testing.T) {
	s := load(t, "")
	for _, n := range []string{"z80-fm10", "z80-mfm18", "z80-fm26", "x86-mfm9", "board-kcs"} {
		m, err := s.Machine(n)
		if err != nil {
			t.Error(err)
		} else if m.Title == "" || m.Source == "" {
			t.Errorf("%s: no title or source", n)
		}
	}
	for _, r := range s.Recordings() {
		if r.Title == "" || r.Source == "" {
			t.Errorf("%s: no title or source", r.Name)
		}
	}
	for _, n := range []string{"clean", "good", "tired", "worn"} {
		if _, err := s.Medium(n); err != nil {
			t.Error(err)
		}
	}
	if _, err := s.LineCode("pulse500"); err != nil {
		t.Error(err)
	}
	if len(s.Sheets()) == 0 || len(s.ParameterSets()) == 0 {
		t.Error("no label sheets or no parameter blocks")
	}
}

const ownRecording = `name = "mine"
title = "ours"
source = "a test"
size-inches = 5.25
tpi = 48
rpm = 300
cylinders = 40
sides = 1

[track]
encoding = "fm"
rate-kbit-s = 125
sectors = 8
size = 256
first-id = 1
gap1 = 16
gap2 = 11
gap3 = 20
sync = 6
gap-byte = 0xFF
fill = 0xE5
`

func write(t *testing.T, dir, name, text string) {
	t.Helper()
	p := filepath.Join(dir, name)
	if err := os.MkdirAll(filepath.Dir(p), 0o777); err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(p, []byte(text), 0o666); err != nil {
		t.Fatal(err)
	}
}

func TestUserAddsAndOverrides(t *testing.T) {
	dir := t.TempDir()
	write(t, dir, "recordings/mine.toml", ownRecording)
	write(t, dir, "recordings/over.toml", strings.Replace(strings.Replace(ownRecording, `"mine"`, `"fm16x128"`, 1), `"ours"`, `"replaced"`, 1))
	write(t, dir, "recordings/.hidden.toml", "nonsense")
	write(t, dir, "recordings/notes.txt", "nonsense")
	s := load(t, dir)
	if r, err := s.Recording("mine:40x1"); err != nil || r.Title != "ours" {
		t.Errorf("mine: %v, %v", r, err)
	}
	if r, err := s.Recording("fm16x128"); err != nil || r.Title != "replaced" {
		t.Errorf("fm16x128: %v, %v", r, err)
	}
	if _, err := s.Recording("fm10x256"); err != nil {
		t.Error(err)
	}
}

// Every fault carries file and line, and says what is wanted.
func TestFaultsHaveLines(t *testing.T) {
	replace := func(old, new string) string { return strings.Replace(ownRecording, old, new, 1) }
	for _, c := range []struct{ name, file, text, want string }{
		{"unknown key", "recordings/a.toml", replace("sides = 1\n", "sides = 1\ncolour = \"blue\"\n"), `a.toml:9: key "colour": a recording has no such key`},
		{"unknown key in a table", "recordings/a.toml", replace("gap1 = 16", "gap1 = 16\ngap9 = 1"), `a.toml:17: key "track.gap9"`},
		{"wrong type", "recordings/a.toml", replace("rpm = 300", `rpm = "fast"`), `a.toml:6:`},
		{"syntax", "recordings/a.toml", replace("tpi = 48", "tpi = = 48"), `a.toml:5:`},
		{"impossible size", "recordings/a.toml", replace("size = 256", "size = 200"), `a.toml:14: track: size 200: want 128, 256`},
		{"impossible rpm", "recordings/a.toml", replace("rpm = 300", "rpm = 3"), `a.toml:6: rpm 3: want 100..1000`},
		{"sectors that do not fit", "recordings/a.toml", replace("sectors = 8", "sectors = 20"), `a.toml:10: track: needs`},
		{"zone", "recordings/a.toml", ownRecording + "\n[[zone]]\ncylinders = [3, 1]\n[zone.track]\nencoding = \"fm\"\n", `a.toml:24: zone 1: cylinders: want [first, last]`},
		{"no such recording", "machines/a.toml", "name = \"m\"\nsource = \"t\"\nprograms = []\n[memory]\nram-start = 0\nram-kib = [16]\n[disk]\nrecordings = [\"nothing\"]\ncylinders = 40\nsides = 1\nvolume = \"granule\"\n",
			`a.toml:8: disk.recordings: recording "nothing": there is none of that name`},
		{"no such line code", "machines/a.toml", "name = \"m\"\nsource = \"t\"\nprograms = []\n[memory]\nram-start = 0\nram-kib = [16]\n[tape]\ncode = \"hum\"\nform = \"raw\"\nprograms = []\ngap-s = 1\nstart-s = 1\nend-s = 1\n",
			`a.toml:8: tape.code: line code "hum"`},
		{"program kind", "machines/a.toml", "name = \"m\"\nsource = \"t\"\nprograms = [\"verse\"]\n[memory]\nram-start = 0\nram-kib = [16]\n", `a.toml:3: programs "verse": want one of load-module`},
		{"memory", "machines/a.toml", "name = \"m\"\nsource = \"t\"\nprograms = []\n[memory]\nram-start = 70000\nram-kib = [16]\n", `a.toml:5: memory: ram-start 70000: want an address`},
		{"medium", "media/a.toml", "name = \"m\"\nsource = \"t\"\n[disk]\njitter-ns = -4\n[tape]\npreset = \"good\"\n", `a.toml:4: disk: jitter-ns -4: want 0..2000`},
		{"parameters", "parameters/a.toml", "name = \"m\"\nsource = \"t\"\nspt = 26\nbsh = 3\nblm = 9\n", `a.toml:5: blm 9: want 7 with bsh 3`},
		{"line code", "linecodes/a.toml", "name = \"m\"\ntitle = \"t\"\nsource = \"t\"\n[tones.one]\nhz = 5\ncycles = 8\n[tones.zero]\nhz = 1200\ncycles = 4\n[framing]\nbits = 8\norder = \"low-first\"\nstart = [0]\n[leader]\npattern = [1]\nseconds = 5\n",
			`a.toml:5: tones.one.hz 5: want 50 to 20000`},
	} {
		t.Run(c.name, func(t *testing.T) {
			dir := t.TempDir()
			write(t, dir, c.file, c.text)
			_, err := Load(dir)
			if err == nil {
				t.Fatal("no error")
			}
			if !strings.Contains(err.Error(), c.want) {
				t.Errorf("error:\n%v\nwant in it: %s", err, c.want)
			}
		})
	}
}

func TestOneNameTwice(t *testing.T) {
	dir := t.TempDir()
	write(t, dir, "recordings/a.toml", ownRecording)
	write(t, dir, "recordings/b.toml", ownRecording)
	_, err := Load(dir)
	if err == nil || !strings.Contains(err.Error(), `b.toml:1: name: "mine": a.toml has that name already`) {
		t.Errorf("error %v", err)
	}
}

func TestAllFaultsAreReportedTogether(t *testing.T) {
	dir := t.TempDir()
	write(t, dir, "recordings/a.toml", "colour = 1\n")
	write(t, dir, "media/b.toml", "colour = 1\n")
	_, err := Load(dir)
	if err == nil || !strings.Contains(err.Error(), "a.toml:1") || !strings.Contains(err.Error(), "b.toml:1") {
		t.Errorf("error %v", err)
	}
}

func TestReferences(t *testing.T) {
	s := load(t, "")
	for ref, want := range map[string]string{
		"nothing": "there is none of that name", "fm10x256:200x1": "no drive steps past", "fm26x128:77x3": "want NAME or NAME:CYLINDERSxSIDES", "mfm15x512:x": "want NAME or",
	} {
		if _, err := s.Recording(ref); err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("%s: error %v, want %q in it", ref, err, want)
		}
	}
}

func TestHugeProfileIsRefused(t *testing.T) {
	dir := t.TempDir()
	write(t, dir, "recordings/a.toml", "#"+strings.Repeat("x", MaxProfileBytes))
	if _, err := Load(dir); err == nil || !strings.Contains(err.Error(), "no profile is that long") {
		t.Errorf("error %v", err)
	}
}

// FuzzDecode: any bytes are either a profile or an error that names a line of the file.
func FuzzDecode(f *testing.F) {
	f.Add([]byte(ownRecording))
	f.Add([]byte("[[zone]]\n[[zone]]\n[zone.track]\ngap1=3\n"))
	f.Add([]byte("a.b.c = 1\n[a.b]\nd = {e = 1}\n"))
	f.Add([]byte("x = [1,\n2]\n'quoted key' = 1\n\"a\\u0041\" = 2"))
	for _, p := range []string{"machines/z80-fm10.toml", "media/good.toml", "linecodes/pulse500.toml", "sheets/index-a4.toml", "parameters/fm26x128-1k.toml"} {
		b, err := embedded.ReadFile("profiles/" + p)
		if err != nil {
			f.Fatal(err)
		}
		f.Add(b)
	}
	f.Fuzz(func(t *testing.T, src []byte) {
		if len(src) > 1<<14 {
			return
		}
		s := new(Set)
		dir := fsOf(src)
		lines := strings.Count(string(src), "\n") + 1
		for _, l := range s.families() {
			for _, err := range l.load(dir, "f") {
				if !strings.Contains(err.Error(), "x.toml") {
					t.Fatalf("error without its file: %v", err)
				}
			}
		}
		for k, n := range NewPositions("x", src).lines {
			if n < 1 || n > lines {
				t.Fatalf("key %q on line %d of %d", k, n, lines)
			}
		}
	})
}
