package bench

import (
	"bytes"
	"context"
	"math"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"remanence/disk"
	"remanence/machine"
	"remanence/picture"
)

func load(t testing.TB) *machine.Set {
	t.Helper()
	s, err := machine.Load("")
	if err != nil {
		t.Fatal(err)
	}
	return s
}

func judgeFor(t testing.TB, ref, mach, drive, controller, medium string) *Combination {
	t.Helper()
	s := load(t)
	rec, err := s.Recording(ref)
	if err != nil {
		t.Fatal(err)
	}
	tg, err := TargetOf(s, rec, mach)
	if err != nil {
		t.Fatal(err)
	}
	d, e1 := s.Drive(drive)
	k, e2 := s.Controller(controller)
	m, e3 := s.DiskKind(medium)
	p, e4 := s.Medium("good")
	if e1 != nil || e2 != nil || e3 != nil || e4 != nil {
		t.Fatal(e1, e2, e3, e4)
	}
	return Judge(rec, tg, d, k, m, p.Disk)
}

// Numbers and verdicts against the reference sheet on floppies; each row names the section or check value.
func TestJudge(t *testing.T) {
	for _, c := range []struct {
		ref, mach, drive, controller, medium string
		possible                             bool
		rate                                 float64
		steps                                int
		mark, first, reason                  string
		src                                  string
	}{
		{"fm10x256", "z80-fm10", "dd48", "c1771", "dd-new", true, 125, 1, "", "", "", "6.3: 125 kbit/s FM at 300 rpm; 5.2: the 1771 writes FA"},
		{"fm10x256", "z80-fm10", "hd96", "c765-fm", "dd-new", true, 150, 2, "FA by F8", "", "125 kbit/s x 360/300 = 150", "6.3: 150 kbit/s at 360 rpm; check 37: FA by the 765: no"},
		{"fm10x256", "z80-fm10", "hd96", "c765-fm", "dd-used", true, 150, 2, "FA by F8", "bulk-erase the disk", "0.0725 mm", "check 48: residue 0.0725 mm a side, erase first"},
		{"fm10x256", "z80-fm10", "hd96", "c765-nofm", "dd-new", false, 150, 2, "FA by F8", "", "does no FM", "C12: boards without FM"},
		{"fm10x256", "z80-fm10", "hd96", "c765-pc", "dd-new", true, 150, 2, "FA by F8", "check the controller for FM", "boards differ", "C12: ask or test"},
		{"fm10x256", "z80-fm10", "hd96", "c177x", "dd-new", false, 150, 2, "", "", "no rate of 300", "5.62: a 177x has 125 and 250 alone"},
		{"fm10x256", "z80-fm10", "dd48", "c179x", "dd-new", true, 125, 1, "", "", "not the mark", "5.41-5.43: FA by write track, not told from FB"},
		{"mfm9x512", "x86-mfm9", "dd48", "c1771", "dd-new", false, 250, 1, "", "", "FM alone", "5.2: the 1771 is FM only"},
		{"mfm9x512", "x86-mfm9", "hd96", "c765-pc", "dd-new", true, 300, 2, "", "", "= 300 kbit/s", "KRN: rate 300 for a 9 x 512 disk in a 360 rpm drive"},
		{"mfm9x512", "x86-mfm9", "hd96", "c765-pc", "hd-new", false, 300, 2, "", "", "600 Oe", "6.5: DD setting with 300 Oe disks"},
		{"mfm15x512", "x86-mfm9", "hd96", "c765-pc", "dd-new", false, 500, 1, "", "", "rated for 300", "6.4"},
		{"mfm9x512:80x2", "", "dd48", "c765-pc", "dd-new", false, 250, 1, "", "", "goes to 41", "6.1: 40 tracks"},
		{"fm26x128", "z80-fm26", "eight48", "c179x", "eight-new", true, 250, 1, "", "", "", "1.5: 250 kbit/s FM at 360 rpm"},
		{"fm18x128", "", "dd48", "c765-fm", "dd-new", true, 125, 1, "", "", "measure the speed", "C3: works only on a drive at or below nominal speed"},
		{"mfm18x256", "z80-mfm18", "dd48-35", "c179x", "dd-new", false, 250, 1, "", "", "goes to 36", "6.1: a 35-track drive"},
	} {
		got := judgeFor(t, c.ref, c.mach, c.drive, c.controller, c.medium)
		all := strings.Join(got.Reasons, "\n")
		if got.Possible != c.possible || got.RateKbit != c.rate || got.Steps != c.steps || got.Mark != c.mark {
			t.Errorf("%s on %s/%s/%s: possible %v rate %g steps %d mark %q (%s)\n%s", c.ref, c.drive, c.controller, c.medium, got.Possible, got.RateKbit, got.Steps, got.Mark, c.src, all)
		}
		if c.first != "" && !slices.Contains(got.DoFirst, c.first) {
			t.Errorf("%s on %s/%s/%s: do first %q, want %q (%s)", c.ref, c.drive, c.controller, c.medium, got.DoFirst, c.first, c.src)
		}
		if !strings.Contains(all, c.reason) {
			t.Errorf("%s on %s/%s/%s: no reason says %q (%s):\n%s", c.ref, c.drive, c.controller, c.medium, c.reason, c.src, all)
		}
		if got.Possible && (got.Margin < 5 || got.Margin > 100) {
			t.Errorf("%s on %s: margin %g %%", c.ref, c.drive, got.Margin)
		}
	}
}

// Source: reference sheet 6.5, check value 48.
func TestAcross(t *testing.T) {
	p := Across(0.155, 0.155, 0.300, 0.33, 0)
	if math.Abs(p.ResidueMM-0.0725) > 1e-9 || math.Abs(p.DB()-0.58) > 0.03 || math.Abs(p.Wanted-0.47) > 0.005 {
		t.Errorf("narrow over wide: %+v, %.2f dB; want 0.0725 mm, 0.6 dB, 47 %%", p, p.DB())
	}
	if p := Across(0.155, 0.155, 0, 0.33, 0); math.Abs(20*math.Log10(p.Wanted)+6.6) > 0.05 || p.Residue != 0 {
		t.Errorf("narrow on an erased disk: %+v, want -6.6 dB and nothing else", p)
	}
	if p := Across(0.300, 0.33, 0, 0.16, 0.07); p.Wanted < 0.999 {
		t.Errorf("0.16 head in a 0.30 track, 0.07 off: hears %.3f, want all of it (6.5: 0.07 mm to spare)", p.Wanted)
	}
	// Off-centre, the residue of one side is heard and the other's is not.
	if p := Across(0.155, 0.155, 0.300, 0.33, 0.10); math.Abs(p.Residue*0.33-0.0725) > 1e-9 || math.Abs(p.Wanted*0.33-0.1425) > 1e-9 {
		t.Errorf("0.1 mm off: %+v", p)
	}
}

// With the erase left out the same combination has no margin: narrow over wide is not readable at 48 tpi (check 48).
func TestResidueLeavesNoMargin(t *testing.T) {
	s := load(t)
	rec, _ := s.Recording("mfm9x512")
	m, _ := s.Medium("good")
	p := Across(0.155, 0.155, 0.300, 0.33, 0.045)
	if b := BudgetOf(rec, p, m.Disk, 125, Matched, 0); b.Margin() > 0.05 {
		t.Errorf("narrow over wide: margin %.2f, want none", b.Margin())
	}
	if b := BudgetOf(rec, Across(0.155, 0.155, 0, 0.33, 0.045), m.Disk, 125, Matched, 0); b.Margin() < 0.4 {
		t.Errorf("narrow on an erased disk: margin %.2f, want ample (usually readable everywhere, 6.5)", b.Margin())
	}
}

func TestAdviseRanks(t *testing.T) {
	s := load(t)
	rec, _ := s.Recording("fm10x256")
	tg, err := TargetOf(s, rec, "z80-fm10")
	if err != nil {
		t.Fatal(err)
	}
	m, _ := s.Medium("good")
	kit, err := LoadKit(s, "")
	if err != nil {
		t.Fatal(err)
	}
	a := Advise(rec, tg, kit, m.Disk)
	if len(a.Combinations) < 20 || !a.Combinations[0].Possible || a.Combinations[0].Mark != "" || len(a.Combinations[0].DoFirst) > 0 {
		t.Fatalf("%d combinations, best %+v", len(a.Combinations), a.Combinations[0])
	}
	seen := false
	for _, c := range a.Combinations {
		if !c.Possible {
			seen = true
			if len(c.Reasons) == 0 || c.Margin != 0 {
				t.Errorf("%s/%s/%s: impossible, reasons %q, margin %g", c.Drive, c.Controller, c.Medium, c.Reasons, c.Margin)
			}
		} else if seen {
			t.Errorf("%s/%s/%s: possible, but ranked behind what is not", c.Drive, c.Controller, c.Medium)
		}
	}
	var b bytes.Buffer
	if err := a.Combinations[0].Draw().SVG(&b, picture.SVGOptions{}); err != nil || !strings.Contains(b.String(), "0.1 mm") || !strings.Contains(b.String(), "fm10x256") || strings.Contains(b.String(), "first") {
		t.Errorf("picture: %v\n%s", err, b.String())
	}
	b.Reset()
	if err := judgeFor(t, "fm10x256", "z80-fm10", "hd96", "c765-fm", "dd-used").Draw().SVG(&b, picture.SVGOptions{}); err != nil || !strings.Contains(b.String(), "bulk-erased first") {
		t.Errorf("picture of what is erased first: %v\n%s", err, b.String())
	}
}

const ownBench = `# mine
[[controller]]
name = "old-pc"
kind = "c765-pc"
fm = "yes"      # tried
[[drive]]
name = "a"
kind = "hd96"
controller = "old-pc"
device = "/dev/fd0"
measured-rpm = 361.2
[[disk]]
name = "box"
kind = "dd-new"
`

// A comment begins at a # that is in no string (TOML 1.0, comments and strings).
func TestCommentOfALine(t *testing.T) {
	for _, c := range []struct{ line, text, remark string }{
		{`fm = "yes"   # tried`, `fm = "yes"`, `   # tried`},
		{`name = "a # b"`, `name = "a # b"`, ``},
		{`name = 'a "# b' # c`, `name = 'a "# b'`, ` # c`},
		{`name = "a \" # b" # c`, `name = "a \" # b"`, ` # c`},
		{`name = "a\\" # c`, `name = "a\\"`, ` # c`},
		{`# all of it`, ``, `# all of it`},
	} {
		if text, remark := comment(c.line); text != c.text || remark != c.remark {
			t.Errorf("%s: %q and %q, want %q and %q", c.line, text, remark, c.text, c.remark)
		}
	}
}

// A finding that takes the place of an array written over several lines takes the place of all of them.
func TestNoteOverAnArray(t *testing.T) {
	const src = "[[controller]]\nname = \"c\"\nkind = \"c765-pc\"\ntells-marks = [ # both\n  0xFB,\n  0xF8, # ]\n]\nfm = \"no\" # mine\n\n# end\n[[disk]]\nname = \"b\"\nkind = \"dd-new\"\n"
	want := strings.Replace(src, "[ # both\n  0xFB,\n  0xF8, # ]\n]", "[0xFB] # both", 1)
	if got := noteText(src, "controller", "c", "c765-pc", []Finding{{"tells-marks", "[0xFB]"}}); got != want {
		t.Errorf("%s\nwant\n%s", got, want)
	}
}

func TestNoteKeepsTheRest(t *testing.T) {
	s := load(t)
	dir := t.TempDir()
	if err := os.WriteFile(filepath.Join(dir, KitName), []byte(ownBench), 0o644); err != nil {
		t.Fatal(err)
	}
	if err := Note(dir, "drive", "a", "hd96", []Finding{{"measured-rpm", "358.9"}, {"checked", `"2026-11-25"`}}, s); err != nil {
		t.Fatal(err)
	}
	if err := Note(dir, "controller", "new", "c765-pc", []Finding{{"fm", `"no"`}}, s); err != nil {
		t.Fatal(err)
	}
	b, _ := os.ReadFile(filepath.Join(dir, KitName))
	for _, want := range []string{"# mine", "# tried", "measured-rpm = 358.9", "checked = \"2026-11-25\"", "name = \"new\""} {
		if !strings.Contains(string(b), want) {
			t.Errorf("no %q in:\n%s", want, b)
		}
	}
	if strings.Contains(string(b), "361.2") {
		t.Error("the old figure is still there")
	}
	k, err := LoadKit(s, dir)
	if err != nil || len(k.Controllers) != 2 || k.Controllers[1].FM != "no" {
		t.Errorf("%v %+v", err, k)
	}
	if err := Note(dir, "drive", "a", "hd96", []Finding{{"measured-rpm", "3"}}, s); err == nil {
		t.Error("an impossible finding was written")
	}
}

func FuzzKit(f *testing.F) {
	s := load(f)
	f.Add([]byte(ownBench))
	f.Add([]byte("[[drive]]\nkind='dd48'\nname='x'\nrpm=[1e9]"))
	f.Add([]byte("[[disk]]\nkind=3"))
	f.Fuzz(func(t *testing.T, src []byte) {
		k, err := ParseKit("bench.toml", src, s)
		if err != nil {
			return
		}
		for _, d := range k.Drives {
			if e := d.Validate(); e != nil {
				t.Fatalf("accepted %+v: %v", d, e)
			}
		}
	})
}

// A rehearsal agrees with the advice: good pieces read whole with room to spare, narrow over an unerased wide track
// does not (reference sheet 6.5), a worn disk loses sectors and says where.
func TestRehearse(t *testing.T) {
	s := load(t)
	rec, _ := s.Recording("mfm9x512:6x1")
	tg, _ := TargetOf(s, rec, "x86-mfm9")
	good, _ := s.Medium("good")
	im := disk.NewImage(rec)
	for i := range im.Data {
		im.Data[i] = byte(i*i>>3 ^ i*7)
	}
	kitOf := func(d, k, m string) (*machine.Drive, *machine.Controller, *machine.Disk) {
		a, _ := s.Drive(d)
		b, _ := s.Controller(k)
		c, _ := s.DiskKind(m)
		return a, b, c
	}
	d, k, m := kitOf("dd48", "c765-pc", "dd-new")
	r, err := Rehearse(context.Background(), im, rec, tg, d, k, m, good, 1, nil)
	if err != nil || r.Good != 54 || len(r.AtRisk) > 0 {
		t.Fatalf("good pieces: %v %+v", err, r)
	}
	again, _ := Rehearse(context.Background(), im, rec, tg, d, k, m, good, 1, nil)
	if again.Margin != r.Margin {
		t.Errorf("the same seed gives margin %g and %g", r.Margin, again.Margin)
	}
	worn := *m
	worn.Condition = "worn"
	if r, err = Rehearse(context.Background(), im, rec, tg, d, k, &worn, good, 1, nil); err != nil || r.Good == 54 || !strings.Contains(r.AtRisk[0].Why, "spot") {
		t.Errorf("worn disk: %v %+v", err, r)
	}
	d, k, m = kitOf("hd96", "c765-pc", "dd-new")
	n, err := Rehearse(context.Background(), im, rec, tg, d, k, m, good, 1, nil)
	if err != nil || n.Good != 54 {
		t.Errorf("narrow on an erased disk: %v %+v", err, n)
	}
	p := Across(d.TrackMM, d.EraseMM, 0.30, tg.Drive.HeadMM, 0.045)
	drive := NewPieceDrive(rec, good, p, 125, Matched, 1)
	lost := 0
	for c := range 6 {
		ok, _, _, err := rehearseTrack(context.Background(), newScanner(), im, rec, drive, c, 0)
		if err != nil {
			t.Fatal(err)
		}
		lost += 9 - ok
	}
	if lost < 45 {
		t.Errorf("narrow over wide: only %d of 54 lost", lost)
	}
}

func BenchmarkAdvise(b *testing.B) {
	s := load(b)
	rec, _ := s.Recording("fm10x256")
	tg, _ := TargetOf(s, rec, "z80-fm10")
	m, _ := s.Medium("good")
	kit, _ := LoadKit(s, "")
	n := 0
	for b.Loop() {
		n = len(Advise(rec, tg, kit, m.Disk).Combinations)
	}
	b.ReportMetric(float64(n), "combinations")
}

func BenchmarkRehearse(b *testing.B) {
	s := load(b)
	rec, _ := s.Recording("fm10x256")
	tg, _ := TargetOf(s, rec, "z80-fm10")
	good, _ := s.Medium("good")
	d, _ := s.Drive("hd96")
	k, _ := s.Controller("c765-fm")
	m, _ := s.DiskKind("dd-new")
	im := disk.NewImage(rec)
	b.SetBytes(int64(len(im.Data)))
	for b.Loop() {
		if _, err := Rehearse(context.Background(), im, rec, tg, d, k, m, good, 1, nil); err != nil {
			b.Fatal(err)
		}
	}
}
