package master

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"math"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"remanence/disk"
	"remanence/disk/flux"
	"remanence/disk/track"
	"remanence/internal/progress"
	"remanence/internal/saltmarsh"
	"remanence/label"
	"remanence/machine"
	"remanence/plan"
	"remanence/volume"
)

func profiles(t testing.TB) *machine.Set {
	t.Helper()
	s, err := machine.Load("")
	if err != nil {
		t.Fatal(err)
	}
	return s
}

// archive writes some files of the Saltmarsh collection into a folder.
func archive(t testing.TB, set *machine.Set, names ...string) string {
	t.Helper()
	dir := t.TempDir()
	files, err := saltmarsh.Files(set)
	if err != nil {
		t.Fatal(err)
	}
	want := map[string]bool{}
	for _, n := range names {
		want[n] = true
	}
	n := 0
	for _, f := range files {
		if want[f.Name] {
			n++
			if err := os.WriteFile(filepath.Join(dir, f.Name), f.Data, 0o666); err != nil {
				t.Fatal(err)
			}
		}
	}
	if n != len(names) {
		t.Fatalf("%d of %d files found in the collection", n, len(names))
	}
	return dir
}

// run arranges and makes.
func run(t testing.TB, set *machine.Set, q Request, o Options) (*Result, error) {
	t.Helper()
	q.Set = set
	a, err := Arrange(context.Background(), q, nil)
	if err != nil {
		t.Fatal(err)
	}
	if o.Medium == nil {
		if o.Medium, err = set.Medium("good"); err != nil {
			t.Fatal(err)
		}
	}
	return Make(context.Background(), set, a, o, nil)
}

func medium(t testing.TB, set *machine.Set, name string) *machine.Medium {
	t.Helper()
	m, err := set.Medium(name)
	if err != nil {
		t.Fatal(err)
	}
	return m
}

// tool runs an outside program and gives its output; it must be installed (make tools).
func tool(t testing.TB, name string, args ...string) string {
	t.Helper()
	out, err := exec.Command(name, args...).CombinedOutput()
	if errors.Is(err, exec.ErrNotFound) {
		t.Fatalf("%s is not installed: 'make tools' installs what the outside checks need", name)
	}
	if err != nil {
		t.Fatalf("%s %v: %v\n%s", name, args, err, out)
	}
	return string(out)
}

// The main job of the first class, with outside programs looking at what it wrote.
func TestMainJob(t *testing.T) {
	set := profiles(t)
	in := archive(t, set, "GULL.CMD", "TIDES.BAS", "KNOTS.BTP", "BELLS.CAS", "CHART.DAT", "README.TXT", "OLDDISK.IMG", "TORN.CMD")
	out := filepath.Join(t.TempDir(), "out")
	r, err := run(t, set, Request{Paths: []string{in}, Cylinders: 35, Title: "Harbour", Base: in, Out: out}, Options{Out: out, Seed: 1, Workers: 2})
	if err != nil {
		t.Fatal(err)
	}
	if !r.Verified || len(r.Media) != 3 || r.LowerBound != 3 {
		t.Fatalf("verified %v, %d media, bound %d: %+v", r.Verified, len(r.Media), r.LowerBound, r.Media[0].Faults)
	}
	if len(r.LeftOut) != 1 || r.LeftOut[0].Path != "TORN.CMD" || !strings.HasPrefix(r.LeftOut[0].Why, "damaged:") {
		t.Errorf("left out: %v", r.LeftOut)
	}

	// The image is the volume, and the captures give the image back by the decoder's own ways in.
	m := r.Media[0]
	data, sc, err := disk.ReadRaw(filepath.Join(out, m.Image))
	if err != nil || sc == nil {
		t.Fatalf("%v, sidecar %v", err, sc)
	}
	v, _, err := volume.Open(data, volume.Options{Recordings: set.Recordings(), Sidecar: sc})
	if err != nil {
		t.Fatal(err)
	}
	want, err := os.ReadFile(filepath.Join(in, "TIDES.BAS"))
	if err != nil {
		t.Fatal(err)
	}
	if got, faults, err := v.Get("TIDES/BAS"); err != nil || len(faults) > 0 || !bytes.Equal(got, want) {
		t.Errorf("TIDES/BAS: %d bytes, %v, %v", len(got), faults, err)
	}
	caps, err := flux.LoadDisk([]string{filepath.Join(out, m.Captures)})
	if err != nil || len(caps.Tracks) != 35 {
		t.Fatalf("captures: %v", err)
	}
	tr := caps.Tracks[17]
	c, problems := tr.Load()
	if len(problems) > 0 {
		t.Fatal(problems)
	}
	res, err := track.Scan(context.Background(), c, track.Options{})
	if err != nil || len(res.Sectors) != 10 {
		t.Fatalf("cylinder 17: %v, %d sectors", err, len(res.Sectors))
	}
	for _, s := range res.Sectors { // fact sheet on the Z80 home machine: every sector of the directory cylinder carries FA
		if s.Mark != 0xFA {
			t.Errorf("directory sector %d: mark %02X, want FA", s.ID.Sector, s.Mark)
		}
	}

	for _, m := range r.Media { // what is planned is what is recorded
		if m.SideRun != nil && math.Abs(m.LengthS-m.SideRun.Side.Seconds) > 0.05 {
			t.Errorf("%s: planned %.2f s, recorded %.2f s", m.ID, m.LengthS, m.SideRun.Side.Seconds)
		}
	}

	// Outside programs: sox reads the sound, pdfinfo the labels (A4 is 595.28 x 841.89 pt), sha256sum the manifest.
	if info := tool(t, "sox", "--i", filepath.Join(out, "T01A.flac")); !strings.Contains(info, "44100") || !strings.Contains(info, "16-bit") {
		t.Errorf("sox says\n%s", info)
	}
	if info := tool(t, "pdfinfo", filepath.Join(out, r.Labels)); !strings.Contains(info, "595.28 x 841.89") {
		t.Errorf("pdfinfo says\n%s", info)
	}
	b, err := os.ReadFile(filepath.Join(out, r.Manifest))
	if err != nil {
		t.Fatal(err)
	}
	var man Manifest
	if err := json.Unmarshal(b, &man); err != nil {
		t.Fatal(err)
	}
	sums := ""
	for _, o := range man.Outputs {
		sums += o.SHA256 + "  " + filepath.Join(out, o.Path) + "\n"
	}
	for _, i := range man.Inputs {
		sums += i.SHA256 + "  " + filepath.Join(in, i.Path) + "\n"
	}
	list := filepath.Join(t.TempDir(), "sums")
	if err := os.WriteFile(list, []byte(sums), 0o666); err != nil {
		t.Fatal(err)
	}
	tool(t, "sha256sum", "--check", "--quiet", list)
	files, err := os.ReadDir(out)
	if err != nil {
		t.Fatal(err)
	}
	if len(files) != len(man.Outputs)+1 {
		t.Errorf("%d files in the folder, %d in the manifest and the manifest itself", len(files), len(man.Outputs))
	}

	// A second run needs force, and gives the same bytes with another number of workers.
	if _, err := run(t, set, Request{Paths: []string{in}, Cylinders: 35, Title: "Harbour", Base: in}, Options{Out: out, Seed: 1}); err == nil || !strings.Contains(err.Error(), "exists already") {
		t.Errorf("a second run without force: %v", err)
	}
	again := filepath.Join(t.TempDir(), "again")
	if _, err := run(t, set, Request{Paths: []string{in}, Cylinders: 35, Title: "Harbour", Base: in}, Options{Out: again, Seed: 1, Workers: 1}); err != nil {
		t.Fatal(err)
	}
	for _, f := range files {
		a, err1 := os.ReadFile(filepath.Join(out, f.Name()))
		b, err2 := os.ReadFile(filepath.Join(again, f.Name()))
		if err1 != nil || err2 != nil || !bytes.Equal(a, b) {
			t.Errorf("%s: differs in the second run (%v, %v)", f.Name(), err1, err2)
		}
	}
}

// A worn medium must not be called verified, and the result says which sectors and why.
func TestWornIsNotVerified(t *testing.T) {
	set := profiles(t)
	in := archive(t, set, "GULL.CMD", "CHART.DAT", "KNOTS.BTP", "FERRY.BTP")
	out := t.TempDir()
	r, err := run(t, set, Request{Paths: []string{in}, Cylinders: 35, Out: out}, Options{Out: out, Medium: medium(t, set, "worn"), Seed: 4, NoPaper: true})
	if err != nil {
		t.Fatal(err)
	}
	d, s := r.Media[0], r.Media[1]
	if d.Verified || s.Verified || r.Verified {
		t.Fatalf("verified: disk %v, side %v, all %v", d.Verified, s.Verified, r.Verified)
	}
	for _, m := range LabelMedia(r) {
		if m.Sides[0].Proof != label.NotProven {
			t.Errorf("the label of %s says %q", m.Number, m.Sides[0].Proof)
		}
	}
	lost := d.Proof.SectorsExpected - d.Proof.SectorsGood
	named := 0
	for _, f := range d.Faults {
		var c, h, n int
		if k, _ := fmt.Sscanf(f.Where, "cylinder %d head %d sector %d", &c, &h, &n); k == 3 && f.What != "" {
			named++
			if !strings.Contains(f.What, "a dropout of") {
				t.Errorf("%s: %s: does not name the dropout", f.Where, f.What)
			}
		}
	}
	if lost == 0 || named != lost {
		t.Errorf("%d sectors lost, %d named", lost, named)
	}
	if len(s.Faults) == 0 {
		t.Error("the side is not verified, and nothing says why")
	}
}

// What comes back wrong is found even where its CRC is right: the comparison does not trust the decoder.
func TestEveryByteIsCompared(t *testing.T) {
	want := disk.Sector{ID: disk.SectorID{Cylinder: 1, Sector: 2, SizeCode: 1}, Mark: 0xFB, Data: make([]byte, 256)}
	good := want
	good.Data = bytes.Clone(want.Data)
	if f := sectorFault(&want, &good); f != "" {
		t.Errorf("a right sector: %s", f)
	}
	for _, c := range []struct {
		what   string
		change func(*disk.Sector)
		want   string
	}{
		{"one byte", func(s *disk.Sector) { s.Data[200] = 1 }, "1 of 256 bytes differ, although the CRC is right"},
		{"short", func(s *disk.Sector) { s.Data = s.Data[:128] }, "128 of 256 bytes differ"},
		{"mark", func(s *disk.Sector) { s.Mark = 0xF8 }, "data mark F8, want FB"},
		{"bad", func(s *disk.Sector) { s.Status, s.Why = disk.Bad, "data CRC wrong" }, "bad: data CRC wrong"},
		{"doubtful", func(s *disk.Sector) { s.Status, s.Why = disk.Doubtful, "reads disagree" }, "doubtful: reads disagree"},
		{"repaired", func(s *disk.Sector) { s.Status, s.Why = disk.Repaired, "one bit" }, "read only by a repair"},
	} {
		got := want
		got.Data = bytes.Clone(want.Data)
		c.change(&got)
		if f := sectorFault(&want, &got); !strings.Contains(f, c.want) {
			t.Errorf("%s: %q, want %q in it", c.what, f, c.want)
		}
	}
	bad := want
	bad.Status = disk.Bad
	if f := sectorFault(&bad, &good); !strings.Contains(f, "bad on the original") {
		t.Errorf("a bad sector that reads as good: %q", f)
	}
}

// The whole main job for each class that the project describes. fsck.fat looks at the FAT12 volume.
func TestEveryClass(t *testing.T) {
	set := profiles(t)
	in := archive(t, set, "README.TXT", "CRANE.HEX", "TIDES.DAT")
	for _, c := range []struct{ machine, recording string }{{"z80-fm10", "fm10x256:35x1"}, {"z80-mfm18", "mfm18x256-fmboot:35x1"}, {"z80-fm26", ""}, {"x86-mfm9", "mfm9x512:40x1"}, {"board-kcs", ""}} {
		t.Run(c.machine, func(t *testing.T) {
			out := t.TempDir()
			r, err := run(t, set, Request{Paths: []string{in}, Machine: c.machine, Recording: c.recording, Out: out}, Options{Out: out, Seed: 2, NoPaper: true})
			if err != nil {
				t.Fatal(err)
			}
			if !r.Verified || len(r.Media) != 1 || len(r.Media[0].Files) != 3 || len(r.LeftOut) > 0 {
				t.Fatalf("verified %v, %d media, left out %v, faults %v", r.Verified, len(r.Media), r.LeftOut, r.Media[0].Faults)
			}
			switch c.machine {
			case "x86-mfm9":
				tool(t, "fsck.fat", "-n", filepath.Join(out, "D01.img"))
			case "board-kcs":
				tool(t, "flac", "--test", "--silent", filepath.Join(out, "T01A.flac"))
			}
		})
	}
}

func TestProgramsOfAnotherClassAreLeftOut(t *testing.T) {
	set := profiles(t)
	in := archive(t, set, "GULL.CMD", "README.TXT")
	a, err := Arrange(context.Background(), Request{Set: set, Paths: []string{in}, Machine: "x86-mfm9", Base: in}, nil)
	if err != nil {
		t.Fatal(err)
	}
	if len(a.Plan.LeftOut) != 1 || !strings.Contains(a.Plan.LeftOut[0].Why, "wrong machine: load-module is a form that x86-mfm9 does not load") {
		t.Errorf("left out: %v", a.Plan.LeftOut)
	}
}

// To tape: forms that are made for disk are converted, and say so.
func TestToTapeConverts(t *testing.T) {
	set := profiles(t)
	in := archive(t, set, "GULL.CMD", "CRANE.HEX", "TIDES.BAS", "README.TXT", "CHART.DAT")
	a, err := Arrange(context.Background(), Request{Set: set, Paths: []string{in}, To: plan.ToTape, Base: in}, nil)
	if err != nil {
		t.Fatal(err)
	}
	if len(a.Plan.LeftOut) != 1 || a.Plan.LeftOut[0].Path != "CHART.DAT" || !strings.Contains(a.Plan.LeftOut[0].Why, "cannot go on tape") {
		t.Errorf("left out: %v", a.Plan.LeftOut)
	}
	got := map[string]string{}
	for _, f := range a.Plan.Media[0].Files {
		got[f.Path] = string(f.Payload.Kind)
	}
	for path, want := range map[string]string{"GULL.CMD": "machine-tape", "CRANE.HEX": "machine-tape", "TIDES.BAS": "basic-tape", "README.TXT": "text"} {
		if got[path] != want {
			t.Errorf("%s goes on tape as %q, want %q", path, got[path], want)
		}
	}
}

// A file that changes between inspection and writing stops the work: what was inspected is not what would be written.
func TestChangedInputIsNoticed(t *testing.T) {
	set := profiles(t)
	in := archive(t, set, "README.TXT")
	a, err := Arrange(context.Background(), Request{Set: set, Paths: []string{in}}, nil)
	if err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(filepath.Join(in, "README.TXT"), []byte("SOMETHING ELSE ALTOGETHER\r"), 0o666); err != nil {
		t.Fatal(err)
	}
	out := t.TempDir()
	if _, err := Make(context.Background(), set, a, Options{Out: out, NoPaper: true}, nil); err == nil || !strings.Contains(err.Error(), "changed while the work went on") {
		t.Errorf("error %v", err)
	}
}

// stopAt cancels after some steps, as Ctrl-C does.
type stopAt struct {
	progress.Nothing
	left   chan struct{}
	cancel func()
}

func (s *stopAt) Step(int, string) {
	select {
	case <-s.left:
	default:
		s.cancel()
	}
}

// Ctrl-C leaves no half-written file behind: what is there is whole.
func TestCancelLeavesNoHalves(t *testing.T) {
	set := profiles(t)
	in := archive(t, set, "CHART.DAT", "KNOTS.BTP", "FERRY.BTP")
	a, err := Arrange(context.Background(), Request{Set: set, Paths: []string{in}}, nil)
	if err != nil {
		t.Fatal(err)
	}
	for _, steps := range []int{0, 5, 39} {
		out := t.TempDir()
		ctx, cancel := context.WithCancel(context.Background())
		p := &stopAt{left: make(chan struct{}, steps), cancel: cancel}
		for range steps {
			p.left <- struct{}{}
		}
		_, err := Make(ctx, set, a, Options{Out: out, Workers: 2}, p)
		cancel()
		if !errors.Is(err, context.Canceled) {
			t.Fatalf("after %d steps: %v, want it cancelled", steps, err)
		}
		var s *Stopped
		if !errors.As(err, &s) || !strings.HasPrefix(err.Error(), "stopped; the folder "+out+" is incomplete") || strings.Contains(err.Error(), "context") {
			t.Fatalf("after %d steps: %v", steps, err)
		}
		files, err := os.ReadDir(out)
		if err != nil {
			t.Fatal(err)
		}
		for _, f := range files {
			if strings.Contains(f.Name(), ".part-") || f.Name() == manifestName {
				t.Errorf("after %d steps %s is there", steps, f.Name())
			}
			if id, _, _ := strings.Cut(f.Name(), "."); !slices.Contains(s.Finished, id) {
				t.Errorf("after %d steps %s is there, but finished are only %v", steps, f.Name(), s.Finished)
			}
			if i, _ := f.Info(); strings.HasSuffix(f.Name(), ".img") && i.Size() != 102_400 {
				t.Errorf("after %d steps %s has %d bytes", steps, f.Name(), i.Size())
			}
		}
	}
}

// A sector image is mastered as it is: what its sidecar knows to be bad stays bad, and says so; a track that cannot be
// laid out fails its own disk and no other.
func TestImagesOfTheArchive(t *testing.T) {
	set := profiles(t)
	in := archive(t, set, "OLDDISK.IMG", "README.TXT")
	sidecar := func(sectors string) {
		text := `{"remanence-sectors": 1, "cylinders": 35, "heads": 1, "sectors": [` + sectors + `]}`
		if err := os.WriteFile(filepath.Join(in, "OLDDISK.sectors.json"), []byte(text), 0o666); err != nil {
			t.Fatal(err)
		}
	}
	marks := ""
	for s := range 10 { // the directory's marks
		marks += fmt.Sprintf(`{"cylinder":17,"head":0,"id-cylinder":17,"id-head":0,"id-sector":%d,"size":256,"mark":"FA","status":"good","encoding":"fm","place":%d},`, s, s)
	}
	bad := `{"cylinder":1,"head":0,"id-cylinder":1,"id-head":0,"id-sector":3,"size":256,"mark":"FB","status":"bad","encoding":"fm","why":"data CRC wrong","place":3}`
	sidecar(marks + bad)
	a, err := Arrange(context.Background(), Request{Set: set, Paths: []string{in}, Base: in}, nil)
	if err != nil {
		t.Fatal(err)
	}
	if len(a.Plan.LeftOut) != 1 || !strings.Contains(a.Plan.LeftOut[0].Why, "damaged: offset 3328: cylinder 1 head 0 sector 3 is bad: data CRC wrong") {
		t.Fatalf("left out: %v", a.Plan.LeftOut)
	}
	out := t.TempDir()
	r, err := run(t, set, Request{Paths: []string{in}, Base: in, IncludeDamaged: true}, Options{Out: out, NoPaper: true})
	if err != nil {
		t.Fatal(err)
	}
	d := r.Media[1]
	if !d.Verified || d.Proof.SectorsGood != 350 || !d.Files[0].Damaged {
		t.Errorf("verified %v, %d sectors, %+v, faults %v", d.Verified, d.Proof.SectorsGood, d.Files[0], d.Faults)
	}
	if s, _ := d.Back.Sector(disk.Place{Cylinder: 1, Head: 0, Sector: 3}); s.Status != disk.Bad {
		t.Errorf("the bad sector came back %s", s.Status)
	}

	extra := bad
	for n := 70; n < 74; n++ {
		extra += fmt.Sprintf(`,{"cylinder":30,"head":0,"id-cylinder":30,"id-head":0,"id-sector":%d,"size":256,"mark":"FB","status":"good","encoding":"fm","data":"%s"}`, n, strings.Repeat("41", 256))
	}
	sidecar(marks + extra)
	r, err = run(t, set, Request{Paths: []string{in}, Base: in, IncludeDamaged: true}, Options{Out: out, Force: true, NoPaper: true})
	if err != nil {
		t.Fatal(err)
	}
	if !r.Media[0].Verified || r.Media[1].Verified || r.Verified {
		t.Errorf("verified: %v and %v", r.Media[0].Verified, r.Media[1].Verified)
	}
	if f := r.Media[1].Faults; len(f) != 1 || f[0].Where != "cylinder 30 head 0" || !strings.Contains(f[0].What, "cannot be laid out") {
		t.Errorf("faults %v", f)
	}
	if len(r.Notes) != 1 || !strings.Contains(r.Notes[0], "D02.captures.zip in the output folder is of an earlier run") {
		t.Errorf("notes %v", r.Notes)
	}
}

func TestRequestsThatCannotBe(t *testing.T) {
	set := profiles(t)
	in := archive(t, set, "README.TXT")
	for _, c := range []struct {
		q    Request
		want string
	}{
		{Request{Machine: "abacus"}, `machine "abacus": there is none of that name`},
		{Request{Recording: "mfm9x512"}, "recording mfm9x512: machine z80-fm10 does not read it"},
		{Request{Recording: "fm10x256", Cylinders: 200}, "no drive steps past"},
		{Request{Machine: "board-kcs", Recording: "fm10x256"}, "machine board-kcs has no disk"},
		{Request{Machine: "x86-mfm9", To: plan.ToTape}, "machine x86-mfm9: has no tape"},
		{Request{Code: "kcs300"}, "line code kcs300: machine z80-fm10 does not read it"},
	} {
		c.q.Set, c.q.Paths = set, []string{in}
		if _, err := Arrange(context.Background(), c.q, nil); err == nil || !strings.Contains(err.Error(), c.want) {
			t.Errorf("error %v, want %q in it", err, c.want)
		}
	}
	if _, err := Arrange(context.Background(), Request{Set: set}, nil); err == nil || !strings.Contains(err.Error(), "no files") {
		t.Errorf("no files: %v", err)
	}
}

func BenchmarkMakeDisk(b *testing.B) {
	set := profiles(b)
	in := archive(b, set, "CHART.DAT", "ESTUARY.DAT", "SHIPS.DAT")
	out := b.TempDir()
	a, err := Arrange(context.Background(), Request{Set: set, Paths: []string{in}}, nil)
	if err != nil {
		b.Fatal(err)
	}
	b.SetBytes(102_400)
	for range b.N {
		r, err := Make(context.Background(), set, a, Options{Out: out, Force: true, NoPaper: true}, nil)
		if err != nil || !r.Verified {
			b.Fatalf("%v", err)
		}
	}
	b.ReportMetric(8*float64(b.N)/b.Elapsed().Seconds(), "x-rotation") // 40 tracks of 200 ms
}
