package plan

import (
	"bytes"
	"context"
	"encoding/json"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"remanence/machine"
	"remanence/program"
	"remanence/tape"
	"remanence/tape/linecode"
)

func profiles(t testing.TB) *machine.Set {
	t.Helper()
	s, err := machine.Load("")
	if err != nil {
		t.Fatal(err)
	}
	return s
}

// options is the first class with disks of 35 cylinders: 67 granules of 1,280 bytes and 48 files (fact sheet on the
// Z80 home machine: 35 x 2 granules less the directory's two and the boot granule).
func options(t testing.TB) Options {
	t.Helper()
	s := profiles(t)
	m, err := s.Machine("z80-fm10")
	if err != nil {
		t.Fatal(err)
	}
	r, err := s.Recording("fm10x256:35x1")
	if err != nil {
		t.Fatal(err)
	}
	c, err := s.LineCode("pulse500")
	if err != nil {
		t.Fatal(err)
	}
	return Options{Machine: m, Recording: r, Code: c, CassetteMinutes: 15, Payload: func(f *File) (Payload, error) {
		if f.Report.Kind == program.Unknown {
			return Payload{}, fmt.Errorf("no form for tape")
		}
		return Payload{Name: strings.ToUpper(f.Path[:1]), Kind: f.Report.Kind, Blocks: [][]byte{make([]byte, f.Size)}, LengthS: seconds(c, int(f.Size))}, nil
	}}
}

func seconds(c *linecode.Code, n int) float64 {
	return tape.SideOptions{Code: c}.Seconds(tape.Item{Blocks: [][]byte{make([]byte, n)}})
}

func file(path string, size int64, kind program.Kind) File {
	return File{Path: path, From: path, Size: size, Report: &program.FileReport{Path: path, Size: size, Report: program.Report{Kind: kind, Whole: true}}}
}

func mediumOf(p *Plan, path string) string {
	var ids []string
	for _, m := range p.Media {
		for _, f := range m.Files {
			if f.Path == path {
				ids = append(ids, m.ID)
			}
		}
	}
	return strings.Join(ids, " ")
}

func whyOf(p *Plan, path string) string {
	for _, l := range p.LeftOut {
		if l.Path == path {
			return l.Why
		}
	}
	return ""
}

func TestRoomOfTheFirstClass(t *testing.T) {
	p, err := Make(nil, options(t))
	if err != nil {
		t.Fatal(err)
	}
	if p.Room.Units != 67 || p.Room.Slots != 48 || p.Room.UnitBytes != 1280 {
		t.Errorf("room %+v, want 67 granules of 1,280 bytes and 48 entries", p.Room)
	}
	if p.LowerBound != 0 || len(p.Media) != 0 {
		t.Errorf("nothing needs %d media, bound %d", len(p.Media), p.LowerBound)
	}
}

func TestWhereFilesGo(t *testing.T) {
	o := options(t)
	entry := 0x5200
	broken := file("BROKEN.CMD", 500, program.LoadModule)
	broken.Report.Whole = false
	broken.Report.Faults = []program.Fault{{Offset: 500, Class: program.Truncated, What: "cut"}}
	rom := file("ROM.CMD", 500, program.LoadModule)
	rom.Report.LoadRanges, rom.Report.Entry = [][2]int{{0x1000, 0x1200}}, &entry
	high := file("HIGH.CMD", 500, program.LoadModule)
	high.Report.LoadRanges = [][2]int{{0xFF00, 0x10000}}
	both := file("BOTH.TXT", 500, program.Text)
	both.To = []Dest{ToDisk, ToTape}
	twice := file("dir/A.TXT", 500, program.Text)
	files := []File{
		file("A.TXT", 500, program.Text), file("TAPE.CAS", 900, program.MachineTape), broken, rom, high, both, twice,
		file("SOUND.WAV", 9000, program.Audio), file("TRACK.IVL", 9000, program.Captures), file("DATA.DAT", 700, program.Unknown),
		file("HUGE.DAT", 86_000, program.Unknown), file("DISK.IMG", 1_000_000, program.SectorImage),
	}
	p, err := Make(files, o)
	if err != nil {
		t.Fatal(err)
	}
	for path, want := range map[string]string{"A.TXT": "D01", "dir/A.TXT": "D01", "TAPE.CAS": "T01A", "BOTH.TXT": "D01 T01A", "DATA.DAT": "D01", "HIGH.CMD": "D01"} {
		if got := mediumOf(p, path); got != want {
			t.Errorf("%s on %q, want %q (%s)", path, got, want, whyOf(p, path))
		}
	}
	for path, want := range map[string]string{
		"BROKEN.CMD": "damaged: offset 500: cut", "ROM.CMD": "wrong machine: loads at 1000h", "SOUND.WAV": "tape read", "TRACK.IVL": "disk decode",
		"HUGE.DAT": "too big for any disk: needs 68 granules, an empty fm10x256:35x1 disk has 67", "DISK.IMG": "no recording of z80-fm10 has that size",
	} {
		if got := whyOf(p, path); !strings.Contains(got, want) || mediumOf(p, path) != "" {
			t.Errorf("%s: left out because %q, want %q in it", path, got, want)
		}
	}
	var names []string
	for _, f := range p.Media[0].Files {
		names = append(names, f.Name)
	}
	if slices.Sort(names); !slices.Equal(names, slices.Compact(slices.Clone(names))) || !slices.Contains(names, "A/TXT") {
		t.Errorf("names on the disk: %v", names)
	}
	if p.LowerBound != 2 {
		t.Errorf("lower bound %d, want 2", p.LowerBound)
	}

	o.IncludeDamaged = true
	p, err = Make(files, o)
	if err != nil {
		t.Fatal(err)
	}
	if mediumOf(p, "BROKEN.CMD") == "" {
		t.Errorf("--include-damaged leaves it out: %s", whyOf(p, "BROKEN.CMD"))
	}
	for _, m := range p.Media {
		for _, f := range m.Files {
			if f.Damaged != (f.Path == "BROKEN.CMD") {
				t.Errorf("%s: marked damaged: %v", f.Path, f.Damaged)
			}
		}
	}
}

func TestGroupsStayTogetherInOrder(t *testing.T) {
	o := options(t)
	var files []File
	for g := range 6 {
		for i := range 4 {
			f := file(fmt.Sprintf("G%dF%d.DAT", g, 3-i), int64(1280*(3+g)), program.Unknown)
			f.Group = fmt.Sprint(g)
			files = append(files, f)
		}
		files = append(files, file(fmt.Sprintf("S%d.DAT", g), 1280*7, program.Unknown))
	}
	p, err := Make(files, o)
	if err != nil {
		t.Fatal(err)
	}
	for g := range 6 {
		var got []string
		on := ""
		for _, m := range p.Media {
			for _, f := range m.Files {
				if strings.HasPrefix(f.Path, fmt.Sprintf("G%d", g)) {
					got, on = append(got, f.Path), on+m.ID+" "
				}
			}
		}
		if want := []string{fmt.Sprintf("G%dF3.DAT", g), fmt.Sprintf("G%dF2.DAT", g), fmt.Sprintf("G%dF1.DAT", g), fmt.Sprintf("G%dF0.DAT", g)}; !slices.Equal(got, want) {
			t.Errorf("group %d: %v, want %v", g, got, want)
		}
		if ids := strings.Fields(on); len(slices.Compact(ids)) != 1 {
			t.Errorf("group %d lies on %v", g, ids)
		}
	}
}

func TestGroupLargerThanADisk(t *testing.T) {
	var files []File
	for i := range 5 {
		f := file(fmt.Sprintf("F%d.DAT", i), 1280*20, program.Unknown)
		f.Group = "long"
		files = append(files, f)
	}
	p, err := Make(files, options(t))
	if err != nil {
		t.Fatal(err)
	}
	if len(p.Media) != 2 || len(p.Notes) != 1 || !strings.Contains(p.Notes[0], "group long is larger than one disk") {
		t.Errorf("%d disks, notes %v", len(p.Media), p.Notes)
	}
	for i, want := range []string{"D01", "D01", "D01", "D02", "D02"} {
		if got := mediumOf(p, files[i].Path); got != want {
			t.Errorf("%s on %s, want %s", files[i].Path, got, want)
		}
	}
}

func TestNamesOfTheJob(t *testing.T) {
	a, b, c, d := file("a.dat", 10, program.Unknown), file("b.dat", 10, program.Unknown), file("c.dat", 10, program.Unknown), file("d.dat", 10, program.Unknown)
	a.Name, b.Name, c.Name, d.Name = "ALPHA/DAT", "ALPHA/DAT", "9LIVES/DAT", "delta.dat"
	p, err := Make([]File{a, b, c, d}, options(t))
	if err != nil {
		t.Fatal(err)
	}
	if p.Media[0].Files[0].Name != "ALPHA/DAT" {
		t.Errorf("name %s", p.Media[0].Files[0].Name)
	}
	if got := whyOf(p, "b.dat"); !strings.Contains(got, "name clash: a.dat has the name ALPHA/DAT already") {
		t.Errorf("b.dat: %q", got)
	}
	if got := whyOf(p, "c.dat"); !strings.Contains(got, "9LIVES/DAT") {
		t.Errorf("c.dat: %q", got)
	}
	if got := p.Media[0].Files[1].Name; got != "DELTA/DAT" {
		t.Errorf("d.dat is %s, want the volume's own form DELTA/DAT", got)
	}
}

// A side of a C-15 has 450 s less start and end. At 2 ms a bit, 16 ms a byte, a leader of 257 bytes is 4.1 s.
func TestTapeSides(t *testing.T) {
	o := options(t)
	var files []File
	for i := range 9 {
		files = append(files, file(fmt.Sprintf("%c.CAS", 'A'+i), 6000, program.MachineTape)) // 100.1 s each
	}
	files = append(files, file("Z.CAS", 30_000, program.MachineTape))
	p, err := Make(files, o)
	if err != nil {
		t.Fatal(err)
	}
	if got := seconds(o.Code, 6000); got < 100.10 || got > 100.13 {
		t.Errorf("6,000 bytes play %.3f s, want 257 x 16 ms + 96 s = 100.112 s", got)
	}
	var ids []string
	for _, m := range p.Media {
		ids = append(ids, m.ID)
		if m.LengthS > m.SideS-o.Machine.Tape.EndS+o.Machine.Tape.GapS {
			t.Errorf("%s: %.0f s on a side of %.0f", m.ID, m.LengthS, m.SideS)
		}
		last := 0.0
		for _, f := range m.Files {
			if f.AtS < last {
				t.Errorf("%s: %s begins at %.1f s, before the one before it ends", m.ID, f.Name, f.AtS)
			}
			last = f.AtS + f.LengthS
		}
	}
	if !slices.Equal(ids, []string{"T01A", "T01B", "T02A"}) {
		t.Errorf("sides %v", ids)
	}
	if got := whyOf(p, "Z.CAS"); !strings.Contains(got, "too big for any tape side") {
		t.Errorf("Z.CAS: %q", got)
	}
}

func TestJSONShape(t *testing.T) {
	p, err := Make([]File{file("A.TXT", 500, program.Text), file("HUGE.DAT", 1<<20, program.Unknown)}, options(t))
	if err != nil {
		t.Fatal(err)
	}
	b, err := json.Marshal(p)
	if err != nil {
		t.Fatal(err)
	}
	for _, want := range []string{`"machine":"z80-fm10"`, `"lower-bound":1`, `"media":[{"id":"D01","type":"disk","recording":"fm10x256","cylinders":35,"sides":1`, `"files":[{"name":"A/TXT","path":"A.TXT","size":500`,
		`"free-bytes":84480`, `"left-out":[{"path":"HUGE.DAT","why":"too big`} {
		if !bytes.Contains(b, []byte(want)) {
			t.Errorf("%s\nlacks %s", b, want)
		}
	}
}

func TestJobFaults(t *testing.T) {
	for _, c := range []struct{ text, want string }{
		{"machine = \"z80-fm10\"\ncolour = 1\n", `j.toml:2: key "colour": a job has no such key`},
		{"cylinders = 999\n", `j.toml:1: cylinders 999: want 1..256`},
		{"title = \"t\"\nsides = 3\n", `j.toml:2: sides 3: want 1 or 2`},
		{"\nrecording = \"a:b\"\n", `j.toml:2: recording: recording "a:b"`},
		{"[[file]]\npath = \"a\"\n[[file]]\nname = \"b\"\n", `j.toml:3: file 2: path: missing`},
		{"[[file]]\npath = \"a\"\nto = [\"disk\", \"drum\"]\n", `j.toml:3: file 1: to "drum": want disk or tape`},
		{"[[file]]\npath = \"a\"\nsize = 3\n", `j.toml:3: key "file.size"`},
		{"cassette = 2\n", `j.toml:1: cassette 2: want 5..240`},
		{"machine = 3\n", `j.toml:1:`},
		{"machine = \n", `j.toml:1:`},
	} {
		_, err := ParseJob("j.toml", []byte(c.text))
		if err == nil || !strings.Contains(err.Error(), c.want) {
			t.Errorf("%q:\n%v\nwant %s", c.text, err, c.want)
		}
	}
}

func TestGather(t *testing.T) {
	dir := t.TempDir()
	put := func(name, text string) {
		p := filepath.Join(dir, name)
		if err := os.MkdirAll(filepath.Dir(p), 0o777); err != nil {
			t.Fatal(err)
		}
		if err := os.WriteFile(p, []byte(text), 0o666); err != nil {
			t.Fatal(err)
		}
	}
	put("z.txt", "HELLO THERE, THIS IS A TEXT\r")
	put("sub/a.txt", "HELLO THERE, THIS IS A TEXT\r")
	put("sub/b.txt", "ANOTHER TEXT OF THE ARCHIVE\r")
	put("sub/b.sectors.json", "{}")
	put(".hidden", "x")
	put("out/old.img", "x")
	put("job.toml", "[[file]]\npath = \"sub\"\ngroup = \"g\"\n[[file]]\npath = \"sub/b.txt\"\nname = \"BEE/TXT\"\nto = [\"tape\"]\n")
	s := profiles(t)
	m, _ := s.Machine("z80-fm10")
	job, err := LoadJob(filepath.Join(dir, "job.toml"))
	if err != nil {
		t.Fatal(err)
	}
	o := GatherOptions{Set: s, Machine: m, Skip: filepath.Join(dir, "out"), Base: dir}
	files, left, err := Gather(context.Background(), job, []string{filepath.Join(dir, "z.txt"), dir}, o, nil)
	if err != nil {
		t.Fatal(err)
	}
	var got []string
	for _, f := range files {
		got = append(got, f.Path+" "+f.Group+" "+f.Name+" "+fmt.Sprint(f.To)+" "+f.Report.DuplicateOf)
	}
	want := []string{"sub/a.txt g  [] ", "sub/b.txt g BEE/TXT [tape] ", "z.txt   [] sub/a.txt"}
	if !slices.Equal(got, want) || len(left) != 0 {
		t.Errorf("gathered\n%q\nwant\n%q\nleft out %v", got, want, left)
	}

	put("bad.toml", "[[file]]\npath = \"sub\"\nname = \"ONE/TXT\"\n")
	job, err = LoadJob(filepath.Join(dir, "bad.toml"))
	if err != nil {
		t.Fatal(err)
	}
	if _, _, err = Gather(context.Background(), job, nil, o, nil); err == nil || !strings.Contains(err.Error(), "bad.toml:3: file 1.name: sub: one name for 2 files") {
		t.Errorf("error %v", err)
	}
	put("gone.toml", "[[file]]\npath = \"nowhere\"\n")
	job, _ = LoadJob(filepath.Join(dir, "gone.toml"))
	if _, _, err = Gather(context.Background(), job, nil, o, nil); err == nil || !strings.Contains(err.Error(), "gone.toml:2: file 1.path:") {
		t.Errorf("error %v", err)
	}
	ctx, cancel := context.WithCancel(context.Background())
	cancel()
	if _, _, err = Gather(ctx, nil, []string{dir}, o, nil); err == nil {
		t.Error("a cancelled gather gives no error")
	}
}

// FuzzJob: any bytes are a job or an error that names the file and a line in it.
func FuzzJob(f *testing.F) {
	f.Add([]byte("machine = \"z80-fm10\"\nrecording = \"fm10x256:35x1\"\ncylinders = 40\nsides = 2\ntitle = \"T\"\n[[file]]\npath = \"a\"\nname = \"B/C\"\ngroup = \"g\"\nto = [\"disk\", \"tape\"]\n"))
	f.Add([]byte("[[file]]\n[[file]]\nto = []\n"))
	f.Add([]byte("file = 3\n"))
	f.Fuzz(func(t *testing.T, src []byte) {
		if len(src) > 1<<14 {
			return
		}
		j, err := ParseJob("f.toml", src)
		if err != nil {
			for _, line := range strings.Split(err.Error(), "\n") {
				if strings.Contains(line, "f.toml:0:") {
					t.Fatalf("an error without a line: %s", line)
				}
			}
			return
		}
		if j.Cylinders < 0 || j.Sides < 0 || j.Sides > 2 {
			t.Fatalf("an impossible job was taken: %+v", j)
		}
	})
}
