package bench

import (
	"math"
	"slices"
	"testing"

	"remanence/disk"
	"remanence/disk/flux"
	"remanence/disk/track"
	"remanence/machine"
)

func setup(t testing.TB, ref, medium string) (*disk.Recording, *machine.Medium) {
	t.Helper()
	s, err := machine.Load("")
	if err != nil {
		t.Fatal(err)
	}
	r, err := s.Recording(ref)
	if err != nil {
		t.Fatal(err)
	}
	m, err := s.Medium(medium)
	if err != nil {
		t.Fatal(err)
	}
	return r, m
}

func perfect(t testing.TB, rec *disk.Recording, cylinder, head, revolutions int) *flux.Capture {
	t.Helper()
	c, err := track.Build(rec, cylinder, head, disk.NewImage(rec).Track(cylinder, head))
	if err != nil {
		t.Fatal(err)
	}
	return c.Capture(cylinder, head, track.EncodeOptions{TickNS: 25, Revolutions: revolutions})
}

// Radii reproduce densities that were published. Source: fact sheet on floppies, 6.2 and check values 45 and 46.
func TestRadius(t *testing.T) {
	fm, _ := setup(t, "fm10x256", "clean")
	hd, _ := setup(t, "mfm15x512", "clean")
	eight, _ := setup(t, "fm26x128", "clean")
	dd35, _ := setup(t, "mfm9x512-90mm", "clean")
	for _, c := range []struct {
		rec            *disk.Recording
		cylinder, head int
		want           float64
		src            string
	}{
		{fm, 39, 0, 36.513, "48 tpi side 0 track 39"}, {fm, 34, 0, 39.158, "SA400 inner track"}, {hd, 76, 1, 34.925, "9646 bpi track"},
		{eight, 76, 0, 51.536, "8-inch track 76"}, {dd35, 79, 1, 23.188, "8717 bpi track"},
	} {
		if got := Radius(c.rec, c.cylinder, c.head); math.Abs(got-c.want) > 0.001 {
			t.Errorf("%s: radius %.3f mm, want %.3f", c.src, got, c.want)
		}
	}
	if bpi := 25_000 / (2 * math.Pi * Radius(fm, 34, 0)) * 25.4; math.Abs(bpi-2581) > 1 {
		t.Errorf("FM track 34: %.0f bpi, published 2581", bpi)
	}
	if got, want := Radius(fm, 10, 0), Radius(hd, 20, 0); got != want {
		t.Errorf("48 tpi track 10 at %.3f mm, 96 tpi track 20 at %.3f mm: want the same", got, want)
	}
}

func TestCleanChangesNothing(t *testing.T) {
	rec, m := setup(t, "fm10x256", "clean")
	c := perfect(t, rec, 3, 0, 2)
	got := NewDrive(rec, m, 5).Read(c)
	if !slices.Equal(got.Index, c.Index) || len(got.Intervals) != len(c.Intervals) {
		t.Fatalf("index %v for %v, %d intervals for %d", got.Index, c.Index, len(got.Intervals), len(c.Intervals))
	}
	for i := range c.Intervals {
		if d := int(got.Intervals[i]) - int(c.Intervals[i]); d < -1 || d > 1 { // ticks are rounded down twice
			t.Fatalf("interval %d: %d ticks, want %d", i, got.Intervals[i], c.Intervals[i])
		}
	}
}

// The presets do what the reference sheet's table says (7.3): speed within its limit, jitter of the stated sigma,
// doubled for FM's half-cell of 4 us.
func TestJitterAndSpeed(t *testing.T) {
	for _, c := range []struct {
		ref, medium      string
		speed, sigma, tl float64
	}{{"fm10x256", "good", 1, 80, 8}, {"fm10x256", "tired", 2.5, 200, 20}, {"mfm9x512", "good", 1, 40, 4}, {"mfm18x512", "good", 1, 20, 4}} {
		rec, m := setup(t, c.ref, c.medium)
		m2 := *m
		m2.Disk.PeakShiftNS, m2.Disk.PeakShift500NS, m2.Disk.WanderPercent = 0, 0, 0
		fast, slow := 0, 0
		for seed := range uint64(20) {
			d := NewDrive(rec, &m2, seed)
			p := d.SpeedPercent()
			if math.Abs(p) > c.speed || math.Abs(p) < c.speed/2 {
				t.Errorf("%s %s: speed %+.2f %%, want %.2f to %.2f either way", c.ref, c.medium, p, c.speed/2, c.speed)
			}
			if p < 0 {
				fast++
			} else {
				slow++
			}
		}
		if fast == 0 || slow == 0 {
			t.Errorf("%s: 20 drives, %d fast and %d slow", c.medium, fast, slow)
		}
		d := NewDrive(rec, &m2, 1)
		cap := perfect(t, rec, 2, 0, 1)
		want, got := cap.Times(nil), d.Read(cap).Times(nil)
		if len(want) != len(got) {
			t.Fatalf("%d transitions of %d", len(got), len(want))
		}
		var sum, sq float64
		for i := range got {
			e := got[i] - want[i]*(1+d.SpeedPercent()/100)
			sum += e
			sq += e * e
		}
		n := float64(len(got))
		if sigma := math.Sqrt(sq/n - sum/n*sum/n); math.Abs(sigma-c.sigma) > c.tl {
			t.Errorf("%s %s: jitter %.1f ns, want %.0f", c.ref, c.medium, sigma, c.sigma)
		}
	}
}

// Tracks can be read in any order; the same seed gives the same capture, another seed another.
func TestSameSeedSameCapture(t *testing.T) {
	rec, m := setup(t, "fm10x256", "tired")
	a, b, c := NewDrive(rec, m, 7), NewDrive(rec, m, 7), NewDrive(rec, m, 8)
	p, q := perfect(t, rec, 4, 0, 1), perfect(t, rec, 30, 0, 1)
	first := a.Read(p)
	b.Read(q)
	if !slices.Equal(first.Intervals, b.Read(p).Intervals) {
		t.Error("the order of reading changes the captures")
	}
	if slices.Equal(first.Intervals, c.Read(p).Intervals) {
		t.Error("another seed gives the same capture")
	}
}

// A dropout belongs to the disk: each revolution misses the same stretch, and Weak knows it.
func TestDropoutsStay(t *testing.T) {
	rec, m := setup(t, "fm10x256", "worn")
	m2 := *m
	m2.Disk.JitterNS, m2.Disk.PeakShiftNS, m2.Disk.WanderPercent, m2.Disk.SpeedPercent, m2.Disk.NoiseTrack = 0, 0, 0, 0, 0
	d := NewDrive(rec, &m2, 3)
	if n := len(d.dropouts); n != int(m.Disk.DropoutsDisk) {
		t.Fatalf("%d dropouts, want %v", n, m.Disk.DropoutsDisk)
	}
	met := 0
	for _, o := range d.dropouts {
		c := perfect(t, rec, o.cylinder, o.head, 3)
		got := d.Read(c)
		rev := float64(c.Index[1]) * 25
		missing := map[int]int{}
		have := map[int64]bool{}
		for _, x := range got.Times(nil) {
			have[int64(math.Round(x/1000))] = true
		}
		for _, x := range c.Times(nil) {
			if !have[int64(math.Round(x/1000))] {
				missing[int(x/rev)]++
			}
		}
		if len(missing) != 3 || missing[0] != missing[1] || missing[1] != missing[2] {
			t.Errorf("cylinder %d: missing transitions by revolution: %v", o.cylinder, missing)
		}
		if w := d.Weak(o.cylinder, o.head, 0, 1); w < o.length*rec.RevolutionNS() {
			t.Errorf("cylinder %d: Weak says %.0f ns, the dropout has %.0f", o.cylinder, w, o.length*rec.RevolutionNS())
		}
		met++
	}
	if d.Weak(200, 0, 0, 1) != 0 || met == 0 {
		t.Error("a dropout where none is")
	}
}

func BenchmarkRead(b *testing.B) {
	for _, ref := range []string{"fm10x256", "mfm18x512"} {
		rec, m := setup(b, ref, "good")
		d := NewDrive(rec, m, 1)
		c := perfect(b, rec, 2, 0, 2)
		b.Run(ref, func(b *testing.B) {
			b.SetBytes(int64(2 * rec.TrackBytes(rec.Track)))
			for range b.N {
				d.Read(c)
			}
			b.ReportMetric(2*rec.RevolutionNS()*float64(b.N)/float64(b.Elapsed().Nanoseconds()), "x-realtime")
		})
	}
}

func newScanner() *track.Scanner { return new(track.Scanner) }
