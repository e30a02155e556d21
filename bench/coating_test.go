package bench

import (
	"context"
	"fmt"
	"math"
	"strings"
	"testing"

	"remanence/disk"
)

// The arithmetic of the worked example in the doc comment of Signal. Coercivities: 300 Oe and 600 Oe (reference sheet
// on floppies, 6.4).
func TestSignal(t *testing.T) {
	s := load(t)
	good, _ := s.Medium("good")
	for _, c := range []struct {
		ref, drive, kind         string
		level, width, old        float64
		jitterNS, peakNS, halfNS float64
		margin                   float64
		fits                     bool
		says, remedy             string
	}{
		{"mfm9x512", "dd48", "dd-new", 1, 1, 0, 120, 0, 1000, 0.88, true, "is for 300 Oe, as the disk is", ""},
		{"mfm9x512", "dd48", "hd-new", 0.125, 1, 0.875, 960, 0, 1000, 0.04, false, "300/600 = 50 % of what is needed, the signal (300/600)^3 = 12 % of a full one", "use a disk of 300 Oe"},
		{"mfm15x512", "hd96", "hd-new", 1, 1, 0, 60, 0, 500, 0.88, true, "is for 600 Oe, as the disk is", ""},
		{"mfm15x512", "hd96", "dd-new", 0.5, 2, 0, 120, 375, 500, 0.01, false, "600/300 = 2 times what is needed, pulses are 2 times as wide and 50 % as high, peak shift is (600/300)^2 = 4 times", "use a disk of 600 Oe"},
	} {
		rec, err := s.Recording(c.ref)
		if err != nil {
			t.Fatal(err)
		}
		d, _ := s.Drive(c.drive)
		m, _ := s.DiskKind(c.kind)
		g := signalOf(rec, d, m)
		if math.Abs(g.Level-c.level) > 1e-9 || math.Abs(g.Width-c.width) > 1e-9 || math.Abs(g.Old-c.old) > 1e-9 || g.Fits() != c.fits || !strings.Contains(g.String(), c.says) {
			t.Errorf("%s on %s in %s: %+v: %s", c.ref, c.kind, c.drive, g, g)
		}
		if !c.fits && g.remedy() != c.remedy {
			t.Errorf("%s on %s: remedy %q, want %q", c.ref, c.kind, g.remedy(), c.remedy)
		}
		b := BudgetOf(rec, Across(0.3, 0.36, 0, 0.3, 0), good.Disk, 125, g, 0)
		if math.Abs(b.JitterNS-c.jitterNS) > 0.5 || math.Abs(b.PeakNS-c.peakNS) > 0.5 || b.HalfWindowNS != c.halfNS || math.Abs(b.Margin()-c.margin) > 0.005 {
			t.Errorf("%s on %s: %+v, margin %.3f; want jitter %g, peak shift %g, margin %g", c.ref, c.kind, b, b.Margin(), c.jitterNS, c.peakNS, c.margin)
		}
	}
}

// Peak shift against the pulses themselves: arctangent transitions read as Lorentzian pulses of alternate sign, which
// add (textbooks of magnetic recording). The pulse shifts that has a neighbour at 4 us on one side and 8 us on the other.
// The square law must stay within a third of what the peak of the sum does up to twice the width.
func TestWidthCrowdsPulses(t *testing.T) {
	shift := func(width float64) float64 { // ns
		pulse := func(t float64) float64 { return 1 / (1 + (2*t/width)*(2*t/width)) }
		best, at := -1.0, 0.0
		for x := -2500.0; x <= 0; x++ {
			if v := pulse(x) - pulse(x-4000) - pulse(x+8000); v > best {
				best, at = v, x
			}
		}
		return -at
	}
	base := shift(4000)
	if math.Abs(base-122) > 1 {
		t.Errorf("pulses as wide as their spacing shift by %.0f ns, the comment of Signal says 122", base)
	}
	for _, x := range []float64{1.2, 1.5, 2} {
		model := Signal{Width: x}.crowd()
		if r := shift(4000*x) / base; r < model/1.35 || r > model*1.35 {
			t.Errorf("pulses %.1f times as wide shift %.2f times as far, the model says %.2f", x, r, model)
		}
	}
}

// What too weak a field leaves of an old recording is heard under the new one: 600 Oe at the current for 300 Oe keeps
// 7/8 of it, which leaves nothing to read by; bulk-erased, something.
func TestPoorOverwrite(t *testing.T) {
	s := load(t)
	rec, _ := s.Recording("mfm9x512")
	good, _ := s.Medium("good")
	weak := Signal{FieldOe: 300, NeedOe: 450, Level: 8. / 27, Old: 19. / 27, Width: 1}
	over, erased := Across(0.3, 0.36, 0.3, 0.33, 0), Across(0.3, 0.36, 0, 0.33, 0)
	if w, old := weak.heard(over); math.Abs(w-over.Wanted*8/27) > 1e-9 || math.Abs(old-over.Wanted*19/27) > 1e-9 {
		t.Errorf("hears %.3f new and %.3f old", w, old)
	}
	if _, old := weak.heard(erased); old != 0 {
		t.Errorf("hears %.3f old on an erased disk", old)
	}
	a, b := BudgetOf(rec, over, good.Disk, 125, weak, 0).Margin(), BudgetOf(rec, erased, good.Disk, 125, weak, 0).Margin()
	if a > 0 || b < 0.3 {
		t.Errorf("450 Oe over an old recording: margin %.2f, want none; erased first %.2f, want some", a, b)
	}
}

func rehearsed(t *testing.T, ref, drive, kind string, oersted int) *Rehearsal {
	t.Helper()
	s := load(t)
	rec, err := s.Recording(ref)
	if err != nil {
		t.Fatal(err)
	}
	tg, err := TargetOf(s, rec, "")
	if err != nil {
		t.Fatal(err)
	}
	d, e1 := s.Drive(drive)
	k, e2 := s.Controller("c765-fm")
	m, e3 := s.DiskKind(kind)
	good, e4 := s.Medium("good")
	if e1 != nil || e2 != nil || e3 != nil || e4 != nil {
		t.Fatal(e1, e2, e3, e4)
	}
	own := *m
	own.Oersted = oersted
	r, err := Rehearse(context.Background(), pattern(rec), rec, tg, d, k, &own, good, 1, nil)
	if err != nil {
		t.Fatal(err)
	}
	return r
}

func pattern(rec *disk.Recording) *disk.Image {
	im := disk.NewImage(rec)
	for i := range im.Data {
		im.Data[i] = byte(i*i>>3 ^ i*7)
	}
	return im
}

// The further write current and coating are apart, the less is left, in the margin of the advice and in the rehearsal;
// at twice or half the field sectors are lost, and the rehearsal says why. A 300 Oe drive cannot saturate 600 Oe disks,
// and an HD-current write on 300 Oe disks is unreliable (reference sheet 6.5; encyclopedia, mailing lists).
func TestMismatchedCoating(t *testing.T) {
	for _, c := range []struct {
		ref, drive, kind string
		oersted          []int // from the one that fits
		cause, remedy    string
	}{
		{"mfm9x512:5x1", "dd48", "dd-new", []int{300, 360, 450, 600}, "is for 300 Oe, the disk has 600 Oe", "use a disk of 300 Oe"},
		{"fm10x256:5x1", "hd96", "dd-new", []int{300, 360, 450, 600}, "is for 300 Oe, the disk has 600 Oe", "use a disk of 300 Oe"},
		{"mfm15x512:5x1", "hd96", "hd-new", []int{600, 500, 400, 300}, "is for 600 Oe, the disk has 300 Oe", "use a disk of 600 Oe"},
	} {
		lost := -1
		least, margin := math.Inf(1), math.Inf(1)
		var r *Rehearsal
		for _, oe := range c.oersted {
			r = rehearsed(t, c.ref, c.drive, c.kind, oe)
			b := r.With.budget.Margin()
			if r.Sectors-r.Good < lost || r.Margin > least || b >= margin {
				t.Errorf("%s at %d Oe: %d lost, least margin %g %%, of the advice %.2f; nearer to the current it was %d, %g, %.2f", c.ref, oe, r.Sectors-r.Good, r.Margin, b, lost, least, margin)
			}
			lost, least, margin = r.Sectors-r.Good, r.Margin, b
			if fits := oe*5 >= c.oersted[0]*4 && oe*5 <= c.oersted[0]*6; r.With.Possible != fits {
				t.Errorf("%s at %d Oe: possible %v: %q", c.ref, oe, r.With.Possible, r.With.Reasons)
			}
			if oe == c.oersted[0] && (lost > 0 || len(r.AtRisk) > 0 || r.Margin < 40) {
				t.Errorf("%s at %d Oe, which fits: %+v", c.ref, oe, r)
			}
		}
		if lost == 0 {
			t.Errorf("%s at %d Oe: nothing was lost", c.ref, c.oersted[3])
			continue
		}
		why := r.AtRisk[0].Why
		if !strings.Contains(why, c.cause) || !strings.Contains(why, c.remedy) {
			t.Errorf("%s: cause %q, want %q and %q", c.ref, why, c.cause, c.remedy)
		}
	}
}

// What the rehearsal and the advice say of every built-in combination must not contradict: nothing that the advice calls
// impossible for want of signal reads back whole with a margin over 40 %, and nothing to which it gives more than 40 %
// loses a sector. A narrow track over an old wide one that is not erased is lost to a wide head (reference sheet 6.5 and
// check value 48: "not readable at 48 tpi") and, to any head, at risk where the advice leaves less than a quarter.
// Preset "good", innermost track.
func TestRehearsalAgreesWithAdvice(t *testing.T) {
	s := load(t)
	good, _ := s.Medium("good")
	kit, err := LoadKit(s, "")
	if err != nil {
		t.Fatal(err)
	}
	scan := newScanner()
	seen := map[string]bool{}
	weak, ample, wide, risky := 0, 0, 0, 0
	for _, rec := range s.Recordings() {
		tg, err := TargetOf(s, rec, "")
		if err != nil {
			t.Fatal(err)
		}
		im := pattern(rec)
		read := func(d *Drive) (good, of int, margin float64) {
			good, least, _, err := rehearseTrack(context.Background(), scan, im, rec, d, rec.Cylinders-1, rec.Sides-1)
			if err != nil {
				t.Fatalf("%s: %v", rec.Name, err)
			}
			return good, len(im.Track(rec.Cylinders-1, rec.Sides-1)), least
		}
		for _, d := range kit.Drives {
			for _, k := range kit.Controllers {
				for _, m := range kit.Disks {
					c := Judge(rec, tg, d, k, m, good.Disk)
					// pieces that write alike are rehearsed once
					key := fmt.Sprint(rec.Name, c.Settings.PrecompNS, c.signal, d.TrackMM, d.OffTrackMM, c.Before.OldMM, m.Condition == "worn")
					if d.SizeInches != rec.SizeInches || m.SizeInches != rec.SizeInches || seen[key] || !c.Possible && !c.weak {
						continue
					}
					seen[key] = true
					name := fmt.Sprintf("%s, %s, %s, %s", rec.Name, d.Name, k.Name, m.Name)
					n, of, margin := read(writtenDisk(rec, tg, d, m, good, c, c.Profile.OldMM, 1))
					switch {
					case c.weak:
						weak++
						if n == of && margin > 0.4 {
							t.Errorf("%s: called impossible, but %d of %d sectors read with at least %.2f: %q", name, n, of, margin, c.Reasons)
						}
					case c.Margin > 40:
						ample++
						if n < of {
							t.Errorf("%s: margin %g %%, but %d of %d sectors read", name, c.Margin, n, of)
						}
					}
					if c.unerased == (Budget{}) {
						continue
					}
					n, of, margin = read(writtenDisk(rec, tg, d, m, good, c, c.Before.OldMM, 1))
					if tg.Drive.HeadMM > 1.5*d.HeadMM {
						wide++
						if n > 0 || c.unerased.Margin() > 0.05 {
							t.Errorf("%s: not erased, and %d of %d sectors read, margin by the advice %.2f: %q", name, n, of, c.unerased.Margin(), c.Reasons)
						}
					} else if c.unerased.Margin() < RiskMargin {
						risky++
						if n == of && margin >= RiskMargin {
							t.Errorf("%s: not erased, margin by the advice %.2f, and all %d sectors read with at least %.2f", name, c.unerased.Margin(), n, margin)
						}
					}
				}
			}
		}
	}
	t.Logf("%d without signal, %d with ample margin, %d narrow under a wide head, %d at risk under a narrow one", weak, ample, wide, risky)
	if weak < 15 || ample < 30 || wide < 5 || risky < 1 {
		t.Errorf("%d without signal, %d with ample margin, %d narrow under a wide head, %d at risk under a narrow one: the table tests too little", weak, ample, wide, risky)
	}
}

// Where the advice says "bulk-erase first" the rehearsal says what comes of leaving it out (check value 48).
func TestRehearseUnerased(t *testing.T) {
	r := rehearsed(t, "mfm9x512:3x1", "hd96", "dd-used", 300)
	if r.Good != 27 || r.Unerased == nil || r.Unerased.Sectors != 9 || r.Unerased.Good > 0 || r.Unerased.Margin != 0 {
		t.Errorf("good %d of 27; unerased %+v, want 0 of 9", r.Good, r.Unerased)
	}
	if r = rehearsed(t, "mfm9x512:3x1", "hd96", "dd-new", 300); r.Unerased != nil {
		t.Errorf("a disk never recorded is rehearsed unerased: %+v", r.Unerased)
	}
}
