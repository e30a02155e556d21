package bench

import (
	"context"
	"fmt"
	"math"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"testing"

	"remanence/machine"
)

// pieces are copies of built-in ones, to be changed by a test.
func copies(t testing.TB, s *machine.Set, drive, controller, medium string) (*machine.Drive, *machine.Controller, *machine.Disk) {
	t.Helper()
	d, e1 := s.Drive(drive)
	k, e2 := s.Controller(controller)
	m, e3 := s.DiskKind(medium)
	if e1 != nil || e2 != nil || e3 != nil {
		t.Fatal(e1, e2, e3)
	}
	dd, kk, mm := *d, *k, *m
	return &dd, &kk, &mm
}

// A bit rate is what the clock says, whatever turns: written at 300 kbit/s on a disk at 301 rpm, a bit comes to a drive
// of 300 rpm at 300 x 300/301 = 299 kbit/s, 20 % off the 250 of the recording. Analog separators follow 6 to 10 %
// (reference sheet 7.8, common practice). A drive of 360 rpm uses 300 kbit/s, one of 300 rpm 250 (kernel floppy table).
func TestMeasuredSpeed(t *testing.T) {
	s := load(t)
	good, _ := s.Medium("good")
	for _, c := range []struct {
		ref, drive, controller string
		rpm                    float64
		possible               bool
		set, kbit, off         float64 // speed it is set to, rate to select, error at the target in percent
		says                   string
		lost                   bool // by the rehearsal
	}{
		{"mfm9x512:3x1", "hd96", "c765-pc", 0, true, 360, 300, 0, "", false},
		{"mfm9x512:3x1", "hd96", "c765-pc", 361.2, true, 360, 300, -0.33, "300 x 300/361.2 = 249.17 kbit/s, -0.3 % of 250", false},
		{"mfm9x512:3x1", "hd96", "c765-pc", 301, true, 300, 250, -0.33, "turns at 301 rpm, not at 360", false},
		{"mfm9x512:3x1", "hd96", "c765-pc", 330, false, 360, 300, 9.09, "adjust the speed to 360 rpm, or to 300 and select 250 kbit/s", true},
		{"mfm9x512:3x1", "hd96", "c765-pc", 350, true, 360, 300, 2.86, "300 x 300/350 = 257.14 kbit/s, +2.9 % of 250", false},
		{"mfm9x512:3x1", "hd96", "c765-pc", 341, false, 360, 300, 5.57, "adjust the speed", false},
		{"mfm9x512:3x1", "dd48", "c177x", 360, false, 360, 300, 0, "no rate of 300", false},
		{"mfm9x512:3x1", "dd48", "c765-pc", 360, true, 360, 300, 0, "turns at 360 rpm, not at 300", false},
		{"mfm9x512:3x1", "hd96-dual", "c765-pc", 301, true, 300, 250, -0.33, "", false},
		{"mfm9x512:3x1", "hd96-dual", "c177x", 360, false, 360, 300, 0, "set to 300 rpm, which this drive has, 250 would do", false},
		{"fm10x256:3x1", "hd96", "c765-fm", 301, true, 300, 250, -0.33, "125 x 300/301 = 124.58 kbit/s", false},
		{"fm10x256:3x1", "hd96", "c765-fm", 330, false, 360, 300, 9.09, "150 x 300/330 = 136.36 kbit/s", true},
		{"fm10x256:3x1", "dd48", "c1771", 306, false, 300, 250, -1.96, "3071 bytes are needed from the index to the last sector's end, a revolution at 306 rpm holds 3063; they fit at 305.2 rpm or less", false},
		{"mfm15x512:3x1", "hd96", "c765-pc", 301, false, 300, 416.667, -0.33, "no rate of 416.7 kbit/s", false},
	} {
		name := fmt.Sprintf("%s in %s at %g rpm on %s", c.ref, c.drive, c.rpm, c.controller)
		rec, err := s.Recording(c.ref)
		if err != nil {
			t.Fatal(err)
		}
		kind := "dd-new"
		if strings.HasPrefix(c.ref, "mfm15") {
			kind = "hd-new"
		}
		d, k, m := copies(t, s, c.drive, c.controller, kind)
		d.MeasuredRPM = c.rpm
		tg, err := TargetOf(s, rec, "")
		if err != nil {
			t.Fatal(err)
		}
		g := Judge(rec, tg, d, k, m, good.Disk)
		all := strings.Join(g.Reasons, "\n")
		if g.Possible != c.possible || g.Settings.RPM != c.set || g.Settings.SelectKbit != c.kbit || g.Settings.RateError != c.off || !strings.Contains(all, c.says) {
			t.Errorf("%s: possible %v, set %+v; want %v, %g rpm, %g kbit/s, %g %% off, saying %q:\n%s", name, g.Possible, g.Settings, c.possible, c.set, c.kbit, c.off, c.says, all)
		}
		if strings.Contains(all, "measure the speed") && c.rpm != 0 {
			t.Errorf("%s: is told to measure what was measured:\n%s", name, all)
		}
		if !c.possible && !c.lost {
			continue // cannot be written, so that there is nothing to read
		}
		r, err := Rehearse(context.Background(), pattern(rec), rec, tg, d, k, m, good, 1, nil)
		if err != nil {
			t.Fatalf("%s: %v", name, err)
		}
		if c.lost && (r.Good > 0 || !strings.Contains(r.AtRisk[0].Why, "adjust the speed")) || !c.lost && r.Good < r.Sectors {
			t.Errorf("%s: %d of %d sectors read: %+v", name, r.Good, r.Sectors, r.AtRisk[:min(1, len(r.AtRisk))])
		}
	}
}

// The further the speed is off, the less is left, by the advice and by the rehearsal, until nothing is read.
func TestMarginFallsWithSpeed(t *testing.T) {
	s := load(t)
	good, _ := s.Medium("good")
	rec, _ := s.Recording("mfm9x512:2x1")
	tg, _ := TargetOf(s, rec, "")
	advised, rehearsed := 101.0, 101.0
	for _, off := range []float64{0, 1, 2, 3, 4, 4.8, 7} { // percent
		d, k, m := copies(t, s, "dd48", "c765-pc", "dd-new")
		d.MeasuredRPM = 300 / (1 + off/100)
		r, err := Rehearse(context.Background(), pattern(rec), rec, tg, d, k, m, good, 1, nil)
		if err != nil {
			t.Fatal(err)
		}
		if r.With.Margin >= advised || r.Margin >= rehearsed {
			t.Errorf("%g %% off: margin %g %% by the advice, %g %% by the rehearsal, no less than before (%g, %g)", off, r.With.Margin, r.Margin, advised, rehearsed)
		}
		advised, rehearsed = r.With.Margin, r.Margin
	}
	if advised != 0 || rehearsed != 0 {
		t.Errorf("7 %% off: %g and %g %% left, want nothing", advised, rehearsed)
	}
}

// A controller that needs a larger gap 3 than the layout has gets it where the track holds it: fm10x256 needs 3071 bytes
// with gaps of 12, and a revolution holds 125,000/8 x 0.2 = 3125 (D1771: 33 + 256 + gap 3 a sector).
func TestLargerGap3(t *testing.T) {
	s := load(t)
	good, _ := s.Medium("good")
	for _, c := range []struct {
		ref      string
		least    int
		rpm      float64
		possible bool
		gap, rw  int
		says     string
	}{
		{"fm10x256:2x1", 12, 0, true, 12, 7, ""},
		{"fm10x256:2x1", 14, 300.6, true, 14, 7, "3071 + 9 x (14 - 12) = 3089 bytes from the index to the last sector's end, a revolution holds 3118: format with gap 3 of 14"},
		{"fm10x256:2x1", 19, 300.6, false, 19, 9, "3071 + 9 x (19 - 12) = 3134 bytes from the index to the last sector's end, a revolution holds 3118"},
		{"mfm9x512:2x1", 90, 0, true, 90, 45, "format with gap 3 of 90"},
	} {
		rec, err := s.Recording(c.ref)
		if err != nil {
			t.Fatal(err)
		}
		tg, _ := TargetOf(s, rec, "")
		d, k, m := copies(t, s, "dd48", "c765-fm", "dd-new")
		k.LeastGap3, d.MeasuredRPM = c.least, c.rpm
		g := Judge(rec, tg, d, k, m, good.Disk)
		all := strings.Join(g.Reasons, "\n")
		if g.Possible != c.possible || g.Settings.Gap3 != c.gap || g.Settings.GapRW != c.rw || !strings.Contains(all, c.says) {
			t.Errorf("%s, least gap 3 %d: possible %v, gaps %d and %d, want %v, %d, %d, %q:\n%s", c.ref, c.least, g.Possible, g.Settings.Gap3, g.Settings.GapRW, c.possible, c.gap, c.rw, c.says, all)
		}
		if w := TrackOf(pattern(rec), rec, 1, 0, g); w.Format.Gap3 != c.gap || w.GapRW != c.rw {
			t.Errorf("%s, least gap 3 %d: the track for the drive has gaps %d and %d", c.ref, c.least, w.Format.Gap3, w.GapRW)
		}
		if w := g.asWritten(rec); w.Track.Gap3 != c.gap || rec.Track.Gap3 == c.gap && c.least > 12 {
			t.Errorf("%s, least gap 3 %d: rehearsed with gap 3 of %d; the recording has %d now", c.ref, c.least, w.Track.Gap3, rec.Track.Gap3)
		}
		if !c.possible {
			continue
		}
		if r, err := Rehearse(context.Background(), pattern(rec), rec, tg, d, k, m, good, 1, nil); err != nil || r.Good < r.Sectors {
			t.Errorf("%s, least gap 3 %d: rehearsal %v %+v", c.ref, c.least, err, r)
		}
	}
}

// Over tracks of its own width a used disk is formatted without more ado, over wider ones it is erased first; a worn disk
// comes behind good ones, keeps its margin and says what to expect. What is against comes first, and an impossible
// combination shows no margin.
func TestUsedAndWorn(t *testing.T) {
	s := load(t)
	good, _ := s.Medium("good")
	rec, _ := s.Recording("mfm9x512")
	tg, _ := TargetOf(s, rec, "")
	judge := func(drive, condition string) *Combination {
		d, k, m := copies(t, s, drive, "c765-pc", "dd-new")
		m.Condition = condition
		return Judge(rec, tg, d, k, m, good.Disk)
	}
	for _, c := range []struct {
		drive, condition string
		erase            bool
		says             string
	}{
		{"dd48", "new", false, ""},
		{"dd48", "used-wide", false, "without bulk-erasing the margin is 85 %, with it 85 %"},
		{"dd48", "used-narrow", true, "/ 1000 = 70 %"},
		{"hd96", "used-wide", true, "/ 1000 = -32 %"},
		{"hd96", "used-narrow", false, "without bulk-erasing the margin is"},
	} {
		g := judge(c.drive, c.condition)
		all := strings.Join(g.Reasons, "\n")
		if !g.Possible || slices.Contains(g.DoFirst, "bulk-erase the disk") != c.erase || !strings.Contains(all, c.says) {
			t.Errorf("%s disk in %s: do first %q, want erasing %v and %q:\n%s", c.condition, c.drive, g.DoFirst, c.erase, c.says, all)
		}
		if erased := g.Before.OldMM > g.Profile.OldMM; erased != c.erase {
			t.Errorf("%s disk in %s: rehearsed as erased: %v", c.condition, c.drive, erased)
		}
	}
	if fresh, worn := judge("dd48", "new"), judge("dd48", "worn"); fresh.Margin != worn.Margin || !strings.Contains(strings.Join(worn.Reasons, "\n"), "a handful of bad spots") {
		t.Errorf("worn: margin %g and %g, %q", worn.Margin, fresh.Margin, worn.Reasons)
	}
	d, k, m := copies(t, s, "dd48", "c765-pc", "dd-new")
	n, _, w := copies(t, s, "hd96", "c765-pc", "dd-new")
	m.Name, w.Name, w.Condition, n.Controller = "z", "a", "worn", ""
	a := Advise(rec, tg, &Kit{Drives: []*machine.Drive{d, n}, Controllers: []*machine.Controller{k}, Disks: []*machine.Disk{w, m}, Own: true}, good.Disk)
	for i, want := range []string{"dd48 z", "hd96 z", "dd48 a", "hd96 a"} {
		if c := a.Combinations[i]; c.Drive+" "+c.Medium != want {
			t.Errorf("place %d: %s %s, want %s", i+1, c.Drive, c.Medium, want)
		}
	}
}

// Everything that a line of the advice calculates comes out as it says, over all built-in combinations at several
// measured speeds, with slow and gap-hungry controllers too: the numbers in the line give the result in the line, to
// rounding. And no line stands twice, none shows more than four places, and what is against stands first.
func TestReasonsAddUp(t *testing.T) {
	s := load(t)
	good, _ := s.Medium("good")
	kit, err := LoadKit(s, "")
	if err != nil {
		t.Fatal(err)
	}
	sums := map[string]bool{}
	long := regexp.MustCompile(`\d\.\d{5,}`)
	for _, rec := range s.Recordings() {
		tg, err := TargetOf(s, rec, "")
		if err != nil {
			t.Fatal(err)
		}
		for _, at := range []struct {
			rpm  float64
			slow bool
		}{{0, true}, {288.3, false}, {300.6, true}, {361.2, false}} {
			for _, piece := range kit.Drives {
				d := *piece
				d.MeasuredRPM = at.rpm
				for _, piece := range kit.Controllers {
					k := *piece
					if at.slow {
						k.BlindUS, k.LeastGap3 = 5500, 14
					}
					for _, piece := range kit.Disks {
						m := *piece
						for _, condition := range []string{piece.Condition, "used-narrow"} {
							m.Condition = condition
							c := Judge(rec, tg, &d, &k, &m, good.Disk)
							name := fmt.Sprintf("%s, %s at %g rpm, %s, %s %s", rec.Name, d.Name, at.rpm, k.Name, m.Name, condition)
							if c.Possible != (len(c.Against) == 0) || !slices.Equal(c.Against, c.Reasons[:len(c.Against)]) || !c.Possible && c.Margin != 0 {
								t.Errorf("%s: possible %v, margin %g, against %q, reasons %q", name, c.Possible, c.Margin, c.Against, c.Reasons)
							}
							for i, r := range c.Reasons {
								if slices.Index(c.Reasons, r) != i || long.MatchString(r) || !c.Possible && i >= len(c.Against) && strings.Contains(r, "leaving") {
									t.Errorf("%s: %q", name, r)
								}
								if sums[r] {
									continue
								}
								sums[r] = true
								if n, fault := addsUp(r); fault != "" {
									t.Errorf("%s: %s: %q", name, fault, r)
								} else if n < strings.Count(r, " = ") {
									t.Errorf("%s: only %d of the sums could be checked: %q", name, n, r)
								}
							}
						}
					}
				}
			}
		}
	}
	t.Logf("%d different lines", len(sums))
	if len(sums) < 500 {
		t.Errorf("only %d different lines", len(sums))
	}
	for _, wrong := range []string{"79 bytes x 64 us = 4213 us", "3 x 85 / 0.470 = 255.5 ns", "leaving (1000 - 255.5) / 1000 = 79 %"} {
		if _, fault := addsUp(wrong); fault == "" {
			t.Errorf("%q is taken for true", wrong)
		}
	}
}

// span is a figure as it was rounded: anything from lo to hi.
type span struct{ lo, hi float64 }

func (a span) with(b span, f func(x, y float64) float64) span {
	all := []float64{f(a.lo, b.lo), f(a.lo, b.hi), f(a.hi, b.lo), f(a.hi, b.hi)}
	return span{slices.Min(all), slices.Max(all)}
}

var (
	units   = regexp.MustCompile(` ?\b(kbit/s|bytes|us|ns|rpm|tpi|mm|steps)\b`)
	figure  = regexp.MustCompile(`^-?[0-9]+(\.[0-9]+)?`)
	summing = regexp.MustCompile(`((?:asin|2pi|[-0-9.()^/x+% ])+) = (-?[0-9.]+(?: %)?)`)
)

// addsUp checks every "a = b" in a line and says how many there were and which is false.
func addsUp(line string) (n int, fault string) {
	for _, m := range summing.FindAllStringSubmatch(units.ReplaceAllString(line, ""), -1) {
		p := parser{s: strings.TrimSpace(m[1])}
		got := p.sum()
		if p.s != "" {
			return n, fmt.Sprintf("%q is no sum: %q left", m[1], p.s)
		}
		q := parser{s: m[2], result: true}
		want := q.power()
		n++
		if slack := 1e-9 + 0.02*(want.hi-want.lo); got.hi < want.lo-slack || got.lo > want.hi+slack {
			return n, fmt.Sprintf("%s is %.5g to %.5g, not %s", m[1], got.lo, got.hi, m[2])
		}
	}
	return n, ""
}

type parser struct {
	s      string
	result bool // a whole number is rounded; within a sum it is meant as it is
}

func (p *parser) eat(t string) bool {
	rest, ok := strings.CutPrefix(strings.TrimLeft(p.s, " "), t)
	if ok {
		p.s = rest
	}
	return ok
}

func (p *parser) sum() span {
	v := p.product()
	for {
		switch {
		case p.eat("+ "):
			v = v.with(p.product(), func(x, y float64) float64 { return x + y })
		case p.eat("- "):
			v = v.with(p.product(), func(x, y float64) float64 { return x - y })
		default:
			return v
		}
	}
}

func (p *parser) product() span {
	v := p.power()
	for {
		switch {
		case p.eat("x "):
			v = v.with(p.power(), func(x, y float64) float64 { return x * y })
		case p.eat("/"):
			v = v.with(p.power(), func(x, y float64) float64 { return x / y })
		default:
			return v
		}
	}
}

func (p *parser) power() span {
	v := span{math.NaN(), math.NaN()}
	switch {
	case p.eat("asin("):
		v = p.sum()
		p.eat(")")
		v = span{math.Asin(min(1, v.lo)), math.Asin(min(1, v.hi))}
	case p.eat("2pi"):
		v = span{2 * math.Pi, 2 * math.Pi}
	case p.eat("("):
		v = p.sum()
		p.eat(")")
	default:
		p.s = strings.TrimLeft(p.s, " ")
		if t := figure.FindString(p.s); t != "" {
			p.s = p.s[len(t):]
			f, _ := strconv.ParseFloat(t, 64)
			half := 0.5
			if _, places, ok := strings.Cut(t, "."); ok {
				half = 0.5 / math.Pow(10, float64(len(places)))
			} else if !p.result {
				half = 0
			}
			v = span{f - half, f + half}
		}
	}
	if p.eat("%") {
		v = span{v.lo / 100, v.hi / 100}
	}
	for p.eat("^") {
		e := p.power()
		v = v.with(e, math.Pow)
	}
	return v
}
