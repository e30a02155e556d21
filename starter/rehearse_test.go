package starter

import (
	"bytes"
	"math/rand/v2"
	"strings"
	"testing"

	"remanence/disk"
	"remanence/disk/cell"
	"remanence/disk/flux"
	"remanence/disk/track"
	"remanence/machine"
	"remanence/starter/computer"
	"remanence/tape"
	"remanence/tape/audio"
)

// systemImage is a disk that a system might boot from: code-like bytes with repetitions, empty parts, a directory
// cylinder with another data mark. noise 1 makes it impossible to pack.
func testTracks(n int, noise float64, seed uint64) []Track {
	r := rand.New(rand.NewPCG(seed, 8))
	var out []Track
	words := make([][]byte, 60)
	for i := range words {
		words[i] = make([]byte, 2+r.IntN(7))
		for k := range words[i] {
			words[i][k] = byte(r.Uint32())
		}
	}
	for c := range n {
		t := Track{Mark: 0xFB}
		if c == 17 {
			t.Mark = 0xFA
		}
		for len(t.Data) < trackBytes {
			if r.Float64() < noise {
				for range 8 {
					t.Data = append(t.Data, byte(r.Uint32()))
				}
			} else {
				t.Data = append(t.Data, words[r.IntN(len(words))]...)
			}
		}
		t.Data = t.Data[:trackBytes]
		out = append(out, t)
	}
	return out
}

func newTape(t testing.TB, tracks []Track, o Options) *Tape {
	t.Helper()
	set, err := machine.Load("")
	if err != nil {
		t.Fatal(err)
	}
	if o.Code, err = set.LineCode("pulse500"); err != nil {
		t.Fatal(err)
	}
	tp, err := New(t.Context(), tracks, o)
	if err != nil {
		t.Fatal(err)
	}
	return tp
}

func TestRehearseClean(t *testing.T) {
	tracks := testTracks(3, 0.5, 1)
	tracks[1].Mark = 0xFA
	tracks[2].Mark = 0xF8
	tp := newTape(t, tracks, Options{Rate: -1, Parity: -1})
	m := computer.NewMedium()
	out, err := tp.Rehearse(t.Context(), Rehearsal{Medium: m, RAMKiB: 16}, nil)
	if err != nil {
		t.Fatal(err)
	}
	if !out.Verified || out.Plays != 1 || out.Repeated != 0 || out.Lost != 0 {
		t.Fatalf("verified %v (%s), plays %d, repeated %d, lost %d\n%s", out.Verified, out.Why, out.Plays, out.Repeated, out.Lost, out.Screen)
	}
	if tp.LoaderS >= 25 {
		t.Errorf("the loader takes %.1f s, want under 25", tp.LoaderS)
	}
	for c, tr := range tracks {
		decode(t, m, c, tr)
	}
}

// decode puts a track through the project's decoder for real disks: cells, flux transitions, data separator.
func decode(t *testing.T, m *computer.Medium, cylinder int, want Track) {
	t.Helper()
	const tickNS, cellTicks = 25, 4000 / 25
	k := &flux.Capture{TickNS: tickNS, Cylinder: cylinder}
	var at, last uint64
	for range 2 {
		k.Index = append(k.Index, at)
		for _, b := range m.Track(cylinder, 0) {
			w := cell.FM(b.Data, b.Clock)
			for i := 15; i >= 0; i-- {
				if w>>i&1 != 0 {
					k.Intervals = append(k.Intervals, uint32(at+cellTicks/2-last))
					last = at + cellTicks/2
				}
				at += cellTicks
			}
		}
	}
	k.Index = append(k.Index, at)
	r, err := track.Scan(t.Context(), []*flux.Capture{k}, track.Options{NoRepair: true})
	if err != nil {
		t.Fatal(err)
	}
	seen := map[byte]bool{}
	for _, s := range r.Sectors {
		i := int(s.ID.Sector)
		if s.Status != disk.Good || i >= trackSectors || s.Mark != want.Mark || !bytes.Equal(s.Data, want.Data[i*sectorBytes:(i+1)*sectorBytes]) {
			t.Errorf("cylinder %d: the decoder reads %v with mark %02X as %v %s", cylinder, s.ID, s.Mark, s.Status, s.Why)
		}
		seen[s.ID.Sector] = true
	}
	if len(seen) != trackSectors {
		t.Errorf("cylinder %d: the decoder finds %d sectors", cylinder, len(seen))
	}
}

func TestBadSpotAsksForAnotherDisk(t *testing.T) {
	tp := newTape(t, testTracks(3, 0.2, 5), Options{Rate: -1, Parity: 1, Rounds: 2})
	bad := computer.NewMedium()
	bad.Spots = []computer.Spot{{Cylinder: 1, From: 1000, To: 1003}}
	named, good := "", computer.NewMedium()
	out, err := tp.Rehearse(t.Context(), Rehearsal{Medium: bad, Attend: func(screen string, c *computer.Computer) {
		if strings.Contains(screen, "DOES NOT HOLD") && named == "" {
			named = c.Line(4)
			c.Controller.Drives[0].Medium = good
		}
	}}, nil)
	if err != nil {
		t.Fatal(err)
	}
	if named != "TRACK 01" {
		t.Errorf("the screen names %q, want TRACK 01", named)
	}
	if !out.Verified {
		t.Errorf("the second disk: %s", out.Why)
	}
}

// A drive that is not ready, and a disk that may not be written, are said before anything is written; the person puts
// it right and answers again.
func TestDrivesThatAreNotReady(t *testing.T) {
	tp := newTape(t, testTracks(1, 0.2, 6), Options{Rate: -1, Parity: 1})
	m := computer.NewMedium()
	m.WriteProtected = true
	said := map[string]bool{}
	out, err := tp.Rehearse(t.Context(), Rehearsal{Medium: m, Attend: func(screen string, c *computer.Computer) {
		d := c.Controller.Drives[0]
		switch {
		case !said["empty"] && !said["asked"]:
			d.Medium, said["asked"] = nil, true
		case strings.Contains(screen, "THE DOOR IS OPEN") && !said["empty"]:
			d.Medium, said["empty"] = m, true
		case strings.Contains(screen, "WRITE PROTECTED") && said["empty"] && !said["protected"]:
			if m.Track(0, 0) != nil {
				t.Error("a protected disk was written")
			}
			m.WriteProtected, said["protected"] = false, true
		}
	}}, nil)
	if err != nil {
		t.Fatal(err)
	}
	if !said["empty"] || !said["protected"] || !out.Verified {
		t.Errorf("said %v; verified %v %s\n%s", said, out.Verified, out.Why, out.Screen)
	}
}

func TestJoinInTheMiddle(t *testing.T) {
	tp := newTape(t, testTracks(3, 0.2, 7), Options{Rate: -1, Parity: 1, Rounds: 2})
	from := tp.ends[0] - tp.LoaderS - 3 // in the first track of the first round; stage 2 comes before the second
	out, err := tp.Rehearse(t.Context(), Rehearsal{JoinS: from}, nil)
	if err != nil {
		t.Fatal(err)
	}
	if !out.Verified {
		t.Errorf("joined at %.1f s: %s\n%s", from, out.Why, out.Screen)
	}
}

// spliced plays one tape up to a place, then others, then the first again.
type spliced struct {
	audio.Source
	parts []audio.Source
}

func (s *spliced) Len() int64 { return -1 }

func (s *spliced) Read(b []float32) (int, error) {
	for {
		n, err := s.parts[0].Read(b)
		if n > 0 || len(s.parts) == 1 {
			return n, err
		}
		s.parts = s.parts[1:]
	}
}

func TestAnotherTapesBlocksAreIgnored(t *testing.T) {
	mine := newTape(t, testTracks(1, 0.2, 8), Options{Rate: -1, Parity: 1})
	other := newTape(t, testTracks(1, 0.2, 9), Options{Rate: -1, Parity: 1})
	if mine.Disk == other.Disk {
		t.Fatal("the two tapes have one check value; choose other seeds")
	}
	programEnd := mine.LoaderS
	for _, it := range mine.items {
		if it.block != nil && it.block[1] < maxTracks {
			break
		}
		programEnd += it.quiet
		if it.block != nil {
			programEnd += it.rate.Seconds(it.block)
		}
	}
	cut := int64(programEnd * 44100)
	head := make([]float32, cut)
	for src, n := mine.Source(0), 0; n < len(head); {
		k, err := src.Read(head[n:min(n+4096, len(head))])
		if err != nil {
			t.Fatal(err)
		}
		n += k
	}
	out, err := mine.Rehearse(t.Context(), Rehearsal{MaxPlays: 2, Path: func(src audio.Source, pass int) audio.Source {
		if pass > 0 {
			return src
		}
		return &spliced{src, []audio.Source{audio.NewBuffer(44100, 1, head), other.Source(programEnd)}}
	}}, nil)
	if err != nil {
		t.Fatal(err)
	}
	if !out.Verified || out.Plays != 2 {
		t.Errorf("verified %v in %d plays: %s; want the first play to give nothing", out.Verified, out.Plays, out.Why)
	}
}

func impaired(seed uint64, speed, flutter, snr, dropPerMin, dropMS float64) func(audio.Source, int) audio.Source {
	return func(src audio.Source, pass int) audio.Source {
		p := tape.Preset{Name: "test", SpeedPercent: speed, FlutterHz: []float64{30}, FlutterPct: flutter, Noise: snr > 0, SNRDB: snr,
			DropoutsMinute: dropPerMin, DropoutMedianMS: dropMS, DropoutFixed: true, DropoutMinDB: 30, DropoutMaxDB: 40, Bits: 16}
		return tape.NewImpairSource(src, p, seed+uint64(pass)*1000)
	}
}

// regular loses 20 ms every 10 s.
type regular struct {
	audio.Source
	at int64
}

func (r *regular) Read(b []float32) (int, error) {
	n, err := r.Source.Read(b)
	hz := int64(r.Format().RateHz)
	for i := range b[:n] {
		if (r.at+int64(i))%(10*hz) < hz/50 {
			b[i] *= 0.02
		}
	}
	r.at += int64(n)
	return n, err
}

// 15 dB, 3 % fast or slow, 0.3 % flutter, 20 ms lost every 10 s: finished, or not, but never a wrong sector; at these
// figures finished.
func TestRehearseImpaired(t *testing.T) {
	for seed, speed := range []float64{3, -3, 3, -3} {
		tp := newTape(t, testTracks(1, 0.5, uint64(seed)), Options{Rate: -1, Parity: -1})
		inner := impaired(uint64(seed), speed, 0.3, 15, 0, 20)
		m := computer.NewMedium()
		out, err := tp.Rehearse(t.Context(), Rehearsal{Medium: m, Path: func(s audio.Source, pass int) audio.Source {
			return inner(&regular{Source: s, at: int64(seed*9+pass*4) * 11025}, pass)
		}}, nil)
		if err != nil {
			t.Fatal(err)
		}
		if !out.Verified || out.Lost != 0 {
			t.Errorf("seed %d, speed %v %%: %s (lost %d)", seed, speed, out.Why, out.Lost)
		}
		for _, s := range m.Sectors(0, 0) {
			i := int(s.ID.Sector)
			blank := bytes.Equal(s.Data, bytes.Repeat([]byte{0xE5}, sectorBytes)) // formatted, not yet written
			if s.Status == disk.Good && !blank && (i >= trackSectors || !bytes.Equal(s.Data, tp.Tracks[0].Data[i*sectorBytes:(i+1)*sectorBytes])) {
				t.Errorf("seed %d: sector %d is wrong on the disk", seed, i)
			}
		}
	}
}
