package bench

import (
	"cmp"
	"math"
	"math/rand/v2"
	"slices"

	"remanence/disk"
	"remanence/disk/flux"
	"remanence/machine"
)

// Drive is a simulated drive with one disk in it. What it does depends on its preset, the seed and the place alone, so
// that tracks may be read in any order and by several goroutines at once.
type Drive struct {
	rec      *disk.Recording
	m        machine.DiskMedium
	seed     uint64
	speed    float64 // constant error of this drive, as a fraction of time
	dropouts []dropout

	heard   float64 // part of a full track's signal that the head hears; 0 stands for 1
	residue float64 // push by an old recording, in half-cells
	precomp float64 // write precompensation, ns
	profile Profile // where the head lies, of a drive made of pieces
	signal  Signal  // what the coating holds; the zero value stands for Matched

	rate    float64         // error of the bit rate on the disk, as a fraction
	written *disk.Recording // what is on the disk; nil stands for rec
}

// disk is the recording as it lies on the disk.
func (d *Drive) disk() *disk.Recording {
	if d.written != nil {
		return d.written
	}
	return d.rec
}

// stray is what the error of the bit rate takes of the half window (as Budget has it), and whether a separator follows
// the rate that comes of it in this drive.
func (d *Drive) stray(f disk.TrackFormat) (float64, bool) {
	total := (1+d.rate)/(1+d.speed) - 1
	return 2 * math.Abs(d.rate) * longest(f.Encoding), d.rate == 0 || math.Abs(total) <= capture
}

// NewPieceDrive is the drive of a target machine with a disk in it that these pieces wrote: the head hears as much of
// the track as p says and of what the coating holds as sig says, an old recording beside or under it pushes transitions
// about, and the precompensation of the controller works against the peak shift.
func NewPieceDrive(rec *disk.Recording, m *machine.Medium, p Profile, precompNS float64, sig Signal, seed uint64) *Drive {
	d := NewDrive(rec, m, seed)
	d.profile, d.signal, d.precomp = p, sig, precompNS
	wanted, old := sig.heard(p)
	d.heard, d.residue = wanted, push(wanted, old)
	return d
}

// dropout is a stretch of a track where the coating is gone. It belongs to the disk: every revolution meets it again.
type dropout struct {
	cylinder, head int
	angle          float64 // 0..1 of a revolution
	length         float64 // of a revolution
}

// NewDrive puts a disk of this recording into a drive. The seed decides everything that the preset leaves open: on
// which side of nominal the speed lies, and where the dropouts are.
func NewDrive(rec *disk.Recording, m *machine.Medium, seed uint64) *Drive {
	d := &Drive{rec: rec, m: m.Disk, seed: seed}
	rng := rand.New(rand.NewPCG(seed, 0x64_72_69_76_65)) // "drive"
	sign := 1.0
	if rng.IntN(2) == 0 {
		sign = -1
	}
	d.speed = sign * (0.5 + 0.5*rng.Float64()) * d.m.SpeedPercent / 100
	for h := range rec.Sides {
		for range int(math.Round(d.m.DropoutsDisk)) {
			d.dropouts = append(d.dropouts, dropout{rng.IntN(rec.Cylinders), h, rng.Float64(),
				d.m.DropoutUS * 1e3 / rec.RevolutionNS() * (0.5 + rng.Float64())})
		}
	}
	slices.SortFunc(d.dropouts, func(a, b dropout) int {
		return cmp.Or(a.cylinder-b.cylinder, a.head-b.head, cmp.Compare(a.angle, b.angle))
	})
	return d
}

// SpeedPercent is how much longer than nominal a revolution takes in this drive.
func (d *Drive) SpeedPercent() float64 { return d.speed * 100 }

// Weak is the longest dropout of this disk that touches a stretch of a track, in nanoseconds; 0 where there is none.
// from and to are parts of a revolution after the index, 0..1.
func (d *Drive) Weak(cylinder, head int, from, to float64) float64 {
	longest := 0.0
	for _, o := range d.dropouts {
		if o.cylinder != cylinder || o.head != head {
			continue
		}
		for _, at := range []float64{o.angle, o.angle - 1} { // it may run over the index
			if at < to && at+o.length > from {
				longest = max(longest, o.length*d.rec.RevolutionNS())
			}
		}
	}
	return longest
}

// Read gives the capture that this drive makes of a track, of which c is the perfect one, from index to index.
func (d *Drive) Read(c *flux.Capture) *flux.Capture {
	rng := rand.New(rand.NewPCG(d.seed, uint64(c.Cylinder)<<8|uint64(c.Head)))
	f := d.rec.Format(c.Cylinder, c.Head)
	halfNS := 1e6 / f.RateKbit / 2
	rev := d.rec.RevolutionNS()
	if n := len(c.Index); n > 1 {
		rev = float64(c.Index[n-1]-c.Index[0]) * c.TickNS / float64(n-1)
	}
	times := d.lose(c.Times(make([]float64, 0, len(c.Intervals))), rev, c.Cylinder, c.Head)
	if d.precomp != 0 && f.Encoding == disk.MFM {
		flux.Precompensate(times, halfNS, d.precomp)
	}
	jitter := d.m.JitterNS
	if d.heard > 0 {
		jitter /= d.heard
	}
	if d.residue > 0 { // what the old track holds has nothing to do with the new one: two tones no multiple of its cells
		a, b := rng.Float64()*2*math.Pi, rng.Float64()*2*math.Pi
		for i, t := range times {
			times[i] += d.residue * halfNS * (0.6*math.Sin(t/halfNS*1.347+a) + 0.4*math.Sin(t/halfNS*2.713+b))
		}
		slices.Sort(times)
	}
	imp := flux.Impairment{
		Speed: d.speed, Wow: d.m.WanderPercent / 100, Revolution: rev,
		PeakNS: d.peakShift(halfNS, c.Cylinder, c.Head), JitterNS: jitter * halfNS / 2000,
	}
	if n := len(times); n > 0 && d.m.NoiseTrack > 0 {
		imp.Extra = d.m.NoiseTrack / float64(n)
	}
	out := flux.FromTimes(imp.Apply(times, rng), c.TickNS)
	out.Cylinder, out.Head, out.Keys = c.Cylinder, c.Head, slices.Clone(c.Keys)
	for _, t := range c.Index { // once a revolution the wander adds up to nothing
		out.Index = append(out.Index, uint64(float64(t)*(1+d.speed)))
	}
	return out
}

// lose takes out the transitions that lie in a dropout.
func (d *Drive) lose(times []float64, rev float64, cylinder, head int) []float64 {
	i := slices.IndexFunc(d.dropouts, func(o dropout) bool { return o.cylinder == cylinder && o.head == head })
	if i < 0 {
		return times
	}
	return slices.DeleteFunc(times, func(t float64) bool {
		a := math.Mod(t/rev, 1)
		for _, o := range d.dropouts[i:] {
			if o.cylinder != cylinder || o.head != head {
				break
			}
			if past := math.Mod(a-o.angle+1, 1); past < o.length {
				return true
			}
		}
		return false
	})
}

// peakShift is the preset's, for this density and this far from the middle: the crowding grows as 1/radius. Pulses that
// too much current made wide crowd more.
func (d *Drive) peakShift(halfNS float64, cylinder, head int) float64 {
	inner := d.m.PeakShiftNS
	if halfNS <= 1250 {
		inner = d.m.PeakShift500NS
	}
	if d.signal.Width > 1 {
		inner *= d.signal.crowd()
	}
	return inner * Radius(d.rec, d.rec.Cylinders-1, head) / Radius(d.rec, cylinder, head)
}

// Radius is where a track lies, in millimetres from the spindle. Source: radii of the outermost tracks from memory;
// they reproduce the published bit densities (reference sheet on floppies, 6.2).
func Radius(rec *disk.Recording, cylinder, head int) float64 {
	outer := [2]float64{57.150, 55.033}
	pitch := 25.4 / float64(max(rec.TPI, 1))
	switch {
	case rec.SizeInches >= 7:
		outer = [2]float64{91.752, 89.637}
	case rec.SizeInches < 4.5:
		outer, pitch = [2]float64{39.5, 38}, 0.1875
	}
	return max(outer[head&1]-float64(cylinder)*pitch, 10)
}
