package kernel_test

import (
	"context"
	"errors"
	"fmt"
	"math"
	"math/rand/v2"
	"reflect"
	"slices"
	"strings"
	"testing"
	"time"

	"remanence/bench"
	"remanence/bench/kernel"
	"remanence/bench/kernel/chip"
	"remanence/disk/cell"
	"remanence/machine"
)

// checked is what came of one check.
type checked struct {
	found *kernel.Found
	tests []kernel.Test
	err   error
}

// test is the test of that name, the zero value if it was not made.
func (c *checked) test(name string) kernel.Test {
	for _, t := range c.tests {
		if t.Name == name {
			return t
		}
	}
	return kernel.Test{Why: "was not tried"}
}

// check puts the model through Check, in a drive of that kind.
func check(t testing.TB, p *chip.Port, drive string, ctx context.Context, refs ...string) *checked {
	t.Helper()
	s, err := machine.Load("")
	if err != nil {
		t.Fatal(err)
	}
	own, err := s.Drive(drive)
	if err != nil {
		t.Fatal(err)
	}
	some, err := s.Recording("mfm9x512")
	if err != nil {
		t.Fatal(err)
	}
	o := kernel.CheckOptions{Drive: own, Now: p.Now}
	for _, r := range refs {
		rec, err := s.Recording(r)
		if err != nil {
			t.Fatal(err)
		}
		o.Recordings = append(o.Recordings, rec)
	}
	c := &checked{}
	c.found, c.tests, c.err = kernel.New(p, 0, some, 1).Check(ctx, o)
	t.Cleanup(func() {
		if t.Failed() {
			for _, x := range c.tests {
				t.Logf("%-45s ok %-5v unknown %-5v %s", x.Name, x.OK, x.Unknown, x.Why)
			}
		}
	})
	return c
}

// bracket checks that a measured blind time encloses the model's, to a step of the ladders: 2 FM bytes.
func (c *checked) bracket(t *testing.T, blindUS, fmByteUS float64) {
	t.Helper()
	f := c.found
	if f.BlindAboveUS-f.BlindErrUS > blindUS || f.BlindUS+f.BlindErrUS < blindUS || f.BlindUS-f.BlindAboveUS > 2.1*fmByteUS && f.BlindAboveUS > 0 {
		t.Errorf("blind between %.0f and %.0f us (±%.1f): the model is for %.0f us", f.BlindAboveUS, f.BlindUS, f.BlindErrUS, blindUS)
	}
}

// Drives at several speeds and rates: everything is found as the model is, of which the check knows nothing.
// Rates and what goes with them: 250 kbit/s at 300 rpm, 300 at 360, 500 in 8-inch drives (fact sheet on floppies, 6.3).
func TestCheckFindsWhatIsThere(t *testing.T) {
	for _, c := range []struct {
		drive, rec string
		rpm        float64
		fmByteUS   float64
	}{
		{"dd48", "fm10x256", 300, 64},
		{"dd48", "mfm9x512", 288, 64}, // 4 % slow: 288 rpm is more than the 3.6 % a maker allowed (R400, check value 47)
		{"dd48", "fm16x128", 306, 64},
		{"hd96", "fm10x256", 360, 16000. / 300},
		{"eight48", "fm26x128", 360, 32},
	} {
		p := chip.New(c.rpm)
		r := check(t, p, c.drive, context.Background(), c.rec)
		if r.err != nil {
			t.Errorf("%s at %g rpm: %v", c.drive, c.rpm, r.err)
			continue
		}
		// The speed goes up and down by 0.05 %: the effective value of a sine is 0.71 of that.
		if f := r.found; math.Abs(f.RPM/c.rpm-1) > 0.0004 || f.RPMSpread/c.rpm < 0.0002 || f.RPMSpread/c.rpm > 0.0006 || f.Turns < 30 {
			t.Errorf("%s: %.2f rpm ± %.3f of %d turns, the model has %g ± 0.05 %%", c.drive, f.RPM, f.RPMSpread, f.Turns, c.rpm)
		}
		if r.found.FM != "yes" {
			t.Errorf("%s: FM %s (%s)", c.drive, r.found.FM, r.found.FMWhy)
		}
		r.bracket(t, p.BlindUS, c.fmByteUS)
		if g := r.found.LeastGap3; g < 1 || g > 3 {
			t.Errorf("%s: gap 3 from %d bytes on, the model spoils %d bytes and needs %d of 6 bytes of sync", c.drive, g, p.Off, p.Lock)
		}
		for _, want := range []string{"mark F8 in MFM", "mark F8 in FM", "index gap", "mark FB of a disk made elsewhere, in FM", "mark F8 of a disk made elsewhere, in FM"} {
			if x := r.test(want); !x.OK {
				t.Errorf("%s: %s: %s", c.drive, want, x.Why)
			}
		}
		tried := slices.ContainsFunc(r.tests, func(x kernel.Test) bool { return strings.HasPrefix(x.Name, c.rec+" at ") && x.OK })
		if !tried {
			t.Errorf("%s: %s does not come back", c.drive, c.rec)
		}
	}
}

// The ladder that a check leaves behind is FM identifiers over the index, 16 bytes of 64 us apart, to the project's own
// separator, which knows nothing of how they got there: two MFM bytes for each FM byte (FD179x data sheet, marks).
func TestLadderIsFMOverTheIndex(t *testing.T) {
	p := chip.New(300)
	p.Wander = 0
	if r := check(t, p, "dd48", context.Background()); r.err != nil {
		t.Fatal(r.err)
	}
	c := p.Capture(1, 0, 2)
	var sep cell.Separator
	sep.Run(c.Intervals, 4000/c.TickNS, false)
	rungs := map[int]float64{} // by number: microseconds after the index between the two turns, before it less than 0
	for _, m := range sep.Marks {
		b := sep.Cells.Bytes(nil, m.Cell, 7)
		if at := float64(m.Ticks)*c.TickNS/1000 - 200_000; len(b) == 7 && b[0] == 0xFE && b[1] == 1 && cell.CRC(0xFFFF, b) == 0 && math.Abs(at) < 100_000 {
			rungs[int(b[3])] = at
		}
	}
	before, after := 0, 0
	for r, at := range rungs {
		if at < 0 {
			before++
		} else if at < 5000 {
			after++
		}
		if next, ok := rungs[r+1]; ok && math.Abs(next-at-16*64) > 1 {
			t.Errorf("rungs %d and %d are %.1f us apart, want 1024", r, r+1, next-at)
		}
	}
	if len(rungs) < 60 || before < 10 || after < 4 {
		t.Errorf("%d rungs, %d before the index, %d in the 5 ms after it", len(rungs), before, after)
	}
}

// The blind time is found wherever it lies; what the chip never shows is no figure.
func TestCheckBlindTime(t *testing.T) {
	for _, blind := range []float64{0, 130, 900, 4700} {
		p := chip.New(300)
		p.BlindUS = blind
		r := check(t, p, "dd48", context.Background())
		if r.err != nil {
			t.Fatal(r.err)
		}
		r.bracket(t, blind, 64)
		if blind == 0 && r.found.BlindUS > 130 {
			t.Errorf("a chip that sees everything: from %.0f us on", r.found.BlindUS)
		}
		_, k := r.found.Findings(&machine.Controller{BlindUS: 900})
		i := slices.IndexFunc(k, func(f bench.Finding) bool { return f.Key == "blind-us" })
		if i < 0 || k[i].Value != fmt.Sprintf("%.0f", math.Ceil(r.found.BlindUS+r.found.BlindErrUS)) {
			t.Errorf("blind %g: findings %v", blind, k)
		}
	}
	p := chip.New(300)
	p.BlindUS = 45_000 // further than any ladder reaches, and than its own first identifier
	r := check(t, p, "dd48", context.Background())
	if r.found.BlindUS != 0 || r.found.ReadsMarks != nil || r.test("index gap").OK {
		t.Errorf("blind for 45 ms: %+v, %+v", *r.found, r.test("index gap"))
	}
	// Without FM nothing nearer than FORMAT's own first identifier can be shown: 158 bytes of 32 us (765 data sheet).
	p = chip.New(300)
	p.FM = chip.NoFM
	r = check(t, p, "dd48", context.Background())
	if x := r.test("index gap"); !x.Unknown || !strings.Contains(x.Why, "not measurable with this controller") || !strings.Contains(x.Why, "5056 us") || r.found.FirstUS != 5056 {
		t.Errorf("without FM: %+v", x)
	}
	if _, k := r.found.Findings(&machine.Controller{BlindUS: 900}); slices.ContainsFunc(k, func(f bench.Finding) bool { return f.Key == "blind-us" }) {
		t.Errorf("a bound of 5056 us would take the place of 900: %v", k)
	}
	if _, k := r.found.Findings(&machine.Controller{BlindUS: 9000}); !slices.Contains(k, bench.Finding{Key: "blind-us", Value: "5056"}) {
		t.Errorf("a bound of 5056 us is news beside 9000: %v", k)
	}
}

// The least gap 3 follows from how much a write spoils behind itself and how much sync the separator needs: gap and sync
// (12 bytes in MFM, 6 in FM) hold both. A turn that goes up and down in speed makes rewritten fields longer.
func TestCheckGapLimit(t *testing.T) {
	for _, c := range []struct {
		off, lock int
		wander    float64
		mfm, fm   int // least and most
		slack     int
	}{
		{off: 3, lock: 4, wander: 0.0002, mfm: 1, fm: 1, slack: 1},
		{off: 12, lock: 5, wander: 0.0002, mfm: 12 + 5 - 12, fm: 12 + 5 - 6, slack: 1},
		{off: 25, lock: 5, wander: 0.0002, mfm: 25 + 5 - 12, fm: 25 + 5 - 6, slack: 1},
		{off: 12, lock: 5, wander: 0.01, mfm: 12 + 5 - 12, fm: 12 + 5 - 6 + 1, slack: 8}, // up to 1 % of 540 and of 277 bytes more
	} {
		p := chip.New(300)
		p.Off, p.Lock, p.Wander = c.off, c.lock, c.wander
		r := check(t, p, "dd48", context.Background())
		if r.err != nil {
			t.Fatal(r.err)
		}
		for name, want := range map[string]int{"gap 3 in MFM": c.mfm, "gap 3 in FM": c.fm} {
			var got int
			if _, err := fmt.Sscanf(r.test(name).Why, "from %d bytes on", &got); err != nil || got < want || got > want+c.slack {
				t.Errorf("%d bytes spoilt, %d of sync, %g %%: %s: %q, want %d to %d bytes", c.off, c.lock, 100*c.wander, name, r.test(name).Why, want, want+c.slack)
			}
		}
		if r.found.LeastGap3 < c.fm {
			t.Errorf("least gap 3 %d is not that of both encodings", r.found.LeastGap3)
		}
	}
	// A chip that thinks for 30 bytes misses the next sector behind a short gap, but loses none.
	p := chip.New(300)
	p.Think = 30
	r := check(t, p, "dd48", context.Background())
	if x := r.test("gap 3 in MFM"); !x.OK || !strings.Contains(x.Why, "next sector in the same turn") {
		t.Errorf("a slow chip: %+v", x)
	}
	// Sectors that are lost whatever the gap give no figure.
	p = chip.New(300)
	p.Off = 300
	r = check(t, p, "dd48", context.Background())
	if x := r.test("gap 3 in MFM"); x.OK || r.found.LeastGap3 != 0 {
		t.Errorf("300 bytes spoilt: %+v", x)
	}
}

// A "no" to FM needs two places where FM loses its marks and MFM does not. Everything else stays unsure.
func TestCheckFMVerdict(t *testing.T) {
	whole := func(cylinders ...int) (d []chip.Dirt) {
		for _, c := range cylinders {
			d = append(d, chip.Dirt{Cylinder: c, From: 0, To: 1})
		}
		return d
	}
	for _, c := range []struct {
		name  string
		fm    int
		dirty []chip.Dirt
		want  string
		why   string
	}{
		{"good", chip.DoesFM, nil, "yes", ""},
		{"board without FM", chip.NoFM, nil, "no", "where MFM comes back before and after"},
		{"FM bit not heeded", chip.IgnoresFM, nil, "no", "does not heed the FM bit"},
		{"one cylinder is no good", chip.DoesFM, whole(1), "yes", ""},
		{"the other cylinder is no good", chip.DoesFM, whole(20), "yes", ""},
		{"without FM, one cylinder no good", chip.NoFM, whole(1), "unsure", "cylinder 1: MFM fails there"},
		{"without FM, the other no good", chip.NoFM, whole(20), "unsure", "cylinder 20: MFM fails there"},
		{"a spot in the data of one", chip.DoesFM, []chip.Dirt{{Cylinder: 1, From: 0.3, To: 0.31}}, "yes", ""},
		{"both no good", chip.DoesFM, whole(1, 20), "unsure", "MFM does not come back either"},
		// MFM tracks of the check take 3416 of 6250 bytes, FM tracks 1663 of 3125: 0.547 and 0.532 of a turn. A spot in the
		// last FM sector's field lies in the last MFM sector, so both fail.
		{"a spot on both", chip.DoesFM, []chip.Dirt{{Cylinder: 1, From: 0.48, To: 0.49}, {Cylinder: 20, From: 0.48, To: 0.49}}, "unsure", "MFM does not come back either"},
	} {
		p := chip.New(300)
		p.FM, p.Dirty = c.fm, c.dirty
		r := check(t, p, "dd48", context.Background())
		if r.err != nil || r.found.FM != c.want || !strings.Contains(r.found.FMWhy, c.why) {
			t.Errorf("%s: FM %q (%s), %v; want %q (%s)", c.name, r.found.FM, r.found.FMWhy, r.err, c.want, c.why)
		}
		_, k := r.found.Findings(&machine.Controller{BlindUS: 900})
		if i := slices.IndexFunc(k, func(f bench.Finding) bool { return f.Key == "fm" }); (i >= 0) != (c.want != "unsure") {
			t.Errorf("%s: findings %v", c.name, k)
		}
		if x := r.test("FM"); x.OK != (c.want == "yes") || x.Unknown != (c.want == "unsure") {
			t.Errorf("%s: %+v", c.name, x)
		}
	}
	// FM that fails for another reason than lost marks is not "no": here every FM field comes back with a CRC error.
	p := chip.New(300)
	spoil := &spoiler{Port: p}
	r := checkPort(t, spoil, p)
	if r.found.FM != "unsure" || !strings.Contains(r.found.FMWhy, "not because its marks are lost") {
		t.Errorf("FM with CRC errors: %q (%s)", r.found.FM, r.found.FMWhy)
	}
	// An FM track that comes back, while some identifier is found on it in MFM as well, proves nothing either way.
	p = chip.New(300)
	r = checkPort(t, &ghost{Port: p}, p)
	if r.found.FM != "unsure" || !strings.Contains(r.found.FMWhy, "identifiers are found on it in MFM too") {
		t.Errorf("FM with MFM beside it: %q (%s)", r.found.FM, r.found.FMWhy)
	}
	// Lost FM marks say nothing where MFM is lost as well from then on: here the drive stops writing.
	p = chip.New(300)
	p.FM = chip.NoFM
	p.Before = func(_ int, c *kernel.Command) {
		if c.Bytes[0] == 0x0D {
			p.Dirty = whole(1, 20)
		}
	}
	if r := check(t, p, "dd48", context.Background()); r.found.FM != "unsure" || !strings.Contains(r.found.FMWhy, "cylinder 1: MFM fails there after FM did") {
		t.Errorf("a drive that stops writing: %q (%s)", r.found.FM, r.found.FMWhy)
	}
	// A failure that passes is tried again.
	p = chip.New(300)
	n := 0
	p.Before = func(_ int, c *kernel.Command) {
		p.FM = chip.DoesFM
		if c.Bytes[0] == 0x0D && n < 2 { // FORMAT in FM
			p.FM, n = chip.NoFM, n+1
		}
	}
	if r := check(t, p, "dd48", context.Background()); r.found.FM != "yes" {
		t.Errorf("two formats lost: FM %q (%s)", r.found.FM, r.found.FMWhy)
	}
}

// spoiler gives every FM READ DATA a CRC error.
type spoiler struct{ *chip.Port }

func (s *spoiler) Raw(c *kernel.Command) error {
	err := s.Port.Raw(c)
	if c.Bytes[0] == 0x06 && err == nil && len(c.Reply) > 2 {
		c.Reply[0], c.Reply[1], c.Reply[2] = 0x40, 0x20, 0x20
	}
	return err
}

// ghost finds an identifier in MFM on tracks that were formatted in FM.
type ghost struct {
	*chip.Port
	fm bool
}

func (g *ghost) Raw(c *kernel.Command) error {
	err := g.Port.Raw(c)
	if c.Bytes[0]&0x1F == 0x0D {
		g.fm = c.Bytes[0]&0x40 == 0
	}
	if g.fm && c.Bytes[0] == 0x4A && err == nil {
		c.Reply = []byte{0, 0, 0, 1, 0, 9, 2}
	}
	return err
}

func checkPort(t *testing.T, port kernel.Port, p *chip.Port) *checked {
	t.Helper()
	s, err := machine.Load("")
	if err != nil {
		t.Fatal(err)
	}
	own, err := s.Drive("dd48")
	if err != nil {
		t.Fatal(err)
	}
	some, err := s.Recording("mfm9x512")
	if err != nil {
		t.Fatal(err)
	}
	c := &checked{}
	c.found, c.tests, c.err = kernel.New(port, 0, some, 1).Check(context.Background(), kernel.CheckOptions{Drive: own, Now: p.Now})
	if c.err != nil {
		t.Fatal(c.err)
	}
	return c
}

// FA and F9: no command of the class writes them; on a disk that has them they are refused, or taken for FB, and the
// check says which. Marks that are written and told: 765 data sheet; that others end in "missing data mark": practice.
func TestCheckMarks(t *testing.T) {
	for _, takes := range []bool{false, true} {
		p := chip.New(300)
		p.TakesFA = takes
		r := check(t, p, "dd48", context.Background())
		for _, m := range []string{"FA", "F9"} {
			if x := r.test("mark " + m); x.OK || x.Unknown || !strings.Contains(x.Why, "WRITE DATA writes FB, WRITE DELETED DATA F8") {
				t.Errorf("mark %s: %+v", m, x)
			}
			x := r.test("mark " + m + " of a disk made elsewhere, in FM")
			if x.OK != takes || takes && !strings.Contains(x.Why, "as if it were FB") || !takes && !strings.Contains(x.Why, "no data mark") {
				t.Errorf("mark %s made elsewhere, taken %v: %+v", m, takes, x)
			}
		}
		_, k := r.found.Findings(&machine.Controller{})
		for key, want := range map[string]map[bool]string{"reads-marks": {false: "[0xFB, 0xF8]", true: "[0xFB, 0xF8, 0xFA, 0xF9]"}, "tells-marks": {false: "[0xFB, 0xF8]", true: "[0xFB, 0xF8]"}} {
			if !slices.Contains(k, bench.Finding{Key: key, Value: want[takes]}) {
				t.Errorf("FA taken %v: no %s = %s in %v", takes, key, want[takes], k)
			}
		}
	}
}

// The speed stands on many turns: samples that are lost, answers that come late and sleeps of the computer do not move it.
func TestCheckOnABusyComputer(t *testing.T) {
	rng := rand.New(rand.NewPCG(7, 7))
	late := func(usual, seldom time.Duration) func(int) time.Duration {
		return func(int) time.Duration {
			d := time.Duration(rng.Float64() * float64(usual))
			if rng.IntN(40) == 0 {
				d += time.Duration(rng.Float64() * float64(seldom))
			}
			return d
		}
	}
	p := chip.New(300)
	p.Delay = late(60*time.Microsecond, 700*time.Millisecond)
	lost := 0
	faulty := &losing{Port: p, every: 15, lost: &lost}
	r := checkPort(t, faulty, p)
	if math.Abs(r.found.RPM/300-1) > 0.001 || r.found.RPMSpread > 0.5 || r.found.FM != "yes" || lost < 5 {
		t.Errorf("%.2f rpm ± %.2f, FM %s, %d samples lost", r.found.RPM, r.found.RPMSpread, r.found.FM, lost)
	}
	r.bracket(t, 900, 64)
	// Answers that come up to 20 ms late carry no time of an identifier: no figure, and the reason.
	p = chip.New(300)
	p.Delay = late(20*time.Millisecond, 0)
	r = check(t, p, "dd48", context.Background())
	if x := r.test("index gap"); r.found.BlindUS != 0 || !x.Unknown || !strings.Contains(x.Why, "unevenly") {
		t.Errorf("uneven answers: %+v", x)
	}
	if math.Abs(r.found.RPM/300-1) > 0.01 || r.found.RPMSpread < 1 {
		t.Errorf("uneven answers: %.2f rpm ± %.2f", r.found.RPM, r.found.RPMSpread)
	}
}

// losing answers some READ IDs with "no address mark".
type losing struct {
	*chip.Port
	every, n int
	lost     *int
}

func (l *losing) Raw(c *kernel.Command) error {
	err := l.Port.Raw(c)
	if c.Bytes[0] == 0x4A && err == nil {
		if l.n++; l.n%l.every == 0 {
			c.Reply[0], c.Reply[1] = 0x40, 0x01
			*l.lost++
		}
	}
	return err
}

// Nothing is written on a protected disk, and nothing is concluded from it.
func TestCheckProtected(t *testing.T) {
	p := chip.New(300)
	p.Protected = true
	r := check(t, p, "dd48", context.Background(), "fm10x256")
	d, k := r.found.Findings(&machine.Controller{BlindUS: 900})
	if !errors.Is(r.err, bench.ErrWriteProtected) || len(p.Written) > 0 || len(d)+len(k) > 0 || r.found.FM != "unsure" {
		t.Errorf("%v, written %v, findings %v %v", r.err, p.Written, d, k)
	}
}

// Whenever the door is opened or the person stops it, the check ends with that, soon, and every finding until then holds.
func TestCheckStopped(t *testing.T) {
	whole := 0
	good := chip.New(300)
	good.Before = func(n int, _ *kernel.Command) { whole = n }
	want := check(t, good, "dd48", context.Background(), "fm10x256")
	if want.err != nil || whole < 300 {
		t.Fatalf("%v after %d commands", want.err, whole)
	}
	for i := range 7 {
		at := 1 + i*(whole-10)/6
		for _, door := range []bool{true, false} {
			ctx, cancel := context.WithCancel(context.Background())
			p := chip.New(300)
			last := 0
			p.Before = func(n int, _ *kernel.Command) {
				last = n
				if n == at {
					if door {
						p.Open = true
					} else {
						cancel()
					}
				}
			}
			r := check(t, p, "dd48", ctx, "fm10x256")
			cancel()
			if door && !errors.Is(r.err, bench.ErrNoDisk) || !door && !errors.Is(r.err, context.Canceled) {
				t.Errorf("stopped at command %d of %d (door %v): %v", at, whole, door, r.err)
			}
			if last > at {
				t.Errorf("stopped at command %d (door %v), %d were given", at, door, last)
			}
			f := r.found
			if f.RPM != 0 && f.RPM != want.found.RPM || f.FM == "no" || f.LeastGap3 != 0 && f.LeastGap3 != want.found.LeastGap3 || f.BlindUS != 0 && f.BlindUS != want.found.BlindUS {
				t.Errorf("stopped at command %d: found %+v, the whole check %+v", at, *f, *want.found)
			}
		}
	}
}

// An emulation that keeps sectors and turns nothing (the kernel notes' section 5) gives no figure of rotation.
func TestCheckOfAnEmulation(t *testing.T) {
	p := chip.New(300)
	p.Stands, p.FM = true, chip.IgnoresFM
	r := check(t, p, "dd48", context.Background())
	if r.err != nil || r.found.RPM != 0 || r.found.BlindUS != 0 || r.found.LeastGap3 != 0 || r.found.FM != "no" {
		t.Errorf("%v %+v", r.err, *r.found)
	}
	for _, name := range []string{"speed", "gap 3", "index gap"} {
		if x := r.test(name); !x.Unknown || !strings.Contains(x.Why, "not measurable") {
			t.Errorf("%s: %+v", name, x)
		}
	}
}

// Without raw commands recordings are tried through the driver, and the rest is said to be not measurable.
func TestCheckWithoutRawCommands(t *testing.T) {
	p := chip.New(300)
	p.NoRaw = true
	r := check(t, p, "dd48", context.Background(), "mfm9x512", "fm16x128")
	if r.err != nil || !reflect.DeepEqual(*r.found, kernel.Found{FM: "unsure", FMWhy: r.found.FMWhy}) {
		t.Errorf("%v %+v", r.err, *r.found)
	}
	if x := r.test("mfm9x512 at 300 rpm (mfm, 250 kbit/s selected)"); !x.OK {
		t.Errorf("9 x 512: %+v", x)
	}
	for _, name := range []string{"raw commands of the driver", "speed", "FM", "mark F8", "gap 3", "index gap", "fm16x128 at 300 rpm (fm, 250 kbit/s selected)"} {
		if x := r.test(name); x.OK || !strings.Contains(x.Why, "CONFIG_BLK_DEV_FD_RAWCMD") {
			t.Errorf("%s: %+v", name, x)
		}
	}
}
