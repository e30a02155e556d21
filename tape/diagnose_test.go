package tape

import (
	"bytes"
	"context"
	"errors"
	"io"
	"math"
	"math/rand/v2"
	"runtime"
	"strings"
	"testing"

	"remanence/tape/audio"
	"remanence/tape/linecode"
)

func within(t *testing.T, what string, got, want, tolerance float64) {
	t.Helper()
	if !(math.Abs(got-want) <= tolerance) {
		t.Errorf("%s: %.4g, want %.4g within %.2g", what, got, want, tolerance)
	}
}

// The diagnosis finds what the cassette path was told to do, and names it in the verdict.
func TestDiagnosis(t *testing.T) {
	mc := machineTape("HERON", 0x5200, randomBytes(500, 6))
	s, _ := side(t, SideOptions{Code: codes(t, "pulse500")[0], StartS: 0.5, EndS: 0.5}, item(t, FormPulse500, MachineTape, "HERON", mc))
	cs := codes(t, "pulse500", "kcs300")
	p := Preset{SpeedPercent: 3, WowHz: []float64{4}, WowPercent: 0.8, HumHz: 60, HumDB: -12, DC: 0.15, Invert: true, ReplayDB: -25, Noise: true, SNRDB: 20, LowPassHz: 3500}
	r := read(t, Impair(s, 44100, 1, p, 1), 1, cs, ReadOptions{})
	d := r.Diagnosis
	within(t, "speed", r.SpeedPercent, 3, 0.15)
	within(t, "wow and flutter at 4 Hz, weighted", d.WowFlutter, 0.8, 0.15)
	within(t, "wow and flutter at 4 Hz, unweighted", d.WowUnweight, 0.8, 0.2)
	within(t, "hum", d.HumRelDB, -12, 2.5)
	within(t, "offset", d.Channels[0].DC, 0.15, 0.01)
	if d.HumHz != 60 || r.Polarity != "inverted" {
		t.Errorf("hum %d Hz, polarity %s; want 60 Hz, inverted", d.HumHz, r.Polarity)
	}
	for _, w := range []string{"one program, whole", "inverted", "3.0 % fast", "wow and flutter", "60 Hz hum", "offset by 15 %", "level"} {
		if !strings.Contains(r.Verdict, w) {
			t.Errorf("verdict %q does not say %q", r.Verdict, w)
		}
	}
	// Butterworth of order 2 at 3.5 kHz: 6.6 dB at 4.8 kHz, 0.06 dB at 1.2 kHz (textbook formula).
	within(t, "response at 4.8 kHz against 1.2 kHz", d.at(4800)-d.at(1200), -6.5, 2)
	// A clean recording has nothing to tell.
	r = read(t, s, 1, cs, ReadOptions{})
	if r.Verdict != "one program, whole" || !r.Diagnosis.Synthetic || len(r.Diagnosis.Dropouts) != 0 {
		t.Errorf("clean: %q, %d dropouts", r.Verdict, len(r.Diagnosis.Dropouts))
	}
	// Clipping by the recorder.
	r = read(t, Impair(s, 44100, 1, Preset{ReplayDB: 12, Noise: true, SNRDB: 30, LowPassHz: 6000}, 1), 1, cs, ReadOptions{})
	if r.Diagnosis.Clipped < clipWorth || !strings.Contains(r.Verdict, "clipped") {
		t.Errorf("12 dB over: %.2f %% clipped; %q", r.Diagnosis.Clipped, r.Verdict)
	}
}

// Dropouts are found where they are, with their length, and those that cost a block are named with it.
func TestDropouts(t *testing.T) {
	mc := machineTape("HERON", 0x5200, randomBytes(1500, 8))
	s, _ := side(t, SideOptions{Code: codes(t, "pulse500")[0], StartS: 0.5, EndS: 0.5}, item(t, FormPulse500, MachineTape, "HERON", mc))
	p := Preset{Noise: true, SNRDB: 30, DropoutsMinute: 12, DropoutMedianMS: 25, DropoutFixed: true, DropoutMinDB: 35, DropoutMaxDB: 40}
	x, log := ImpairLogged(s, 44100, 1, p, 11)
	r := read(t, x, 1, codes(t, "pulse500"), ReadOptions{})
	found := 0
	inside := 0
	for _, want := range log.Dropouts {
		if want.AtS < r.Programs[0].FromS-3 || want.AtS > r.Programs[0].ToS-0.1 {
			continue
		}
		inside++
		for _, e := range r.Diagnosis.Dropouts {
			if math.Abs(e.AtS-want.AtS) < 0.004 {
				found++
				within(t, "length of a dropout in ms", e.MS, 25, 5)
				break
			}
		}
	}
	if inside < 3 || found != inside || len(r.Diagnosis.Dropouts) > inside+1 {
		t.Errorf("%d dropouts made, %d of them found, %d reported", inside, found, len(r.Diagnosis.Dropouts))
	}
	cost := 0
	for _, f := range r.Faults {
		if strings.HasPrefix(f.What, "block") && strings.Contains(f.What, "dropout at") && strings.Contains(f.What, "clean the head") {
			cost++
		}
	}
	if cost == 0 || !strings.Contains(r.Verdict, "cost block") {
		t.Errorf("no fault names its dropout: %v; %s", r.Faults, r.Verdict)
	}
}

// Two channels: the angle of the head from the delay between them; the better one is used.
func TestStereo(t *testing.T) {
	mc := machineTape("HERON", 0x5200, randomBytes(200, 3))
	s, _ := side(t, SideOptions{Code: codes(t, "pulse500")[0], StartS: 0.5, EndS: 0.5}, item(t, FormPulse500, MachineTape, "HERON", mc))
	two := make([]float32, 0, 2*len(s))
	for _, v := range s {
		two = append(two, v, v)
	}
	// 0.9 mm x tan 20' / 47.625 mm/s = 109.9 us (sheet A6, skew)
	x := Impair(two, 44100, 2, Preset{AzimuthMinutes: 20, SkewStereo: true, Noise: true, SNRDB: 20}, 2)
	r := read(t, x, 2, codes(t, "pulse500"), ReadOptions{})
	within(t, "delay in us", r.Diagnosis.SkewUS, 109.9, 23) // one sample
	within(t, "azimuth in minutes", r.Diagnosis.AzimuthMin, 20, 4)
	if !r.Programs[0].Whole {
		t.Errorf("not whole: %v", r.Faults)
	}
	// One channel buried in noise: the other one is believed.
	for i := 1; i < len(x); i += 2 {
		x[i] = float32(0.5 * rand.New(rand.NewPCG(uint64(i), 1)).NormFloat64())
	}
	r = read(t, x, 2, codes(t, "pulse500"), ReadOptions{})
	if len(r.Programs) != 1 || !r.Programs[0].Whole || r.Diagnosis.Used == "right" {
		t.Errorf("right channel is noise: used %s; %s", r.Diagnosis.Used, r.Verdict)
	}
	for _, ch := range []string{"left", "both"} {
		if r := read(t, x, 2, codes(t, "pulse500"), ReadOptions{Channel: ch}); ch == "left" && (len(r.Programs) != 1 || !r.Programs[0].Whole) {
			t.Errorf("channel %s: %s", ch, r.Verdict)
		}
	}
	if _, err := Read(context.Background(), audio.NewBuffer(44100, 2, x), codes(t, "pulse500"), ReadOptions{Channel: "top"}, nil); err == nil {
		t.Error("channel top: accepted")
	}
}

// Sheet check 12: azimuth loss, 1.5 mm track: 20' at 2400 Hz 2.96 dB, 10' 0.70 dB, 30' at 1200 Hz 1.61 dB.
func TestAzimuthLoss(t *testing.T) {
	within(t, "20', 2400 Hz", azimuthLossDB(2400, 20, 1.5), 2.96, 0.01)
	within(t, "10', 2400 Hz", azimuthLossDB(2400, 10, 1.5), 0.70, 0.01)
	within(t, "30', 1200 Hz", azimuthLossDB(1200, 30, 1.5), 1.61, 0.01)
	// The cassette path does the same to a tone: the mean over the time by which the gap's ends differ.
	for _, tt := range []struct{ hz, minutes, db float64 }{{2400, 20, 2.96}, {1200, 30, 1.61}, {2400, 30, 7.47}} {
		s := make([]float32, 44100)
		for i := range s {
			s[i] = float32(0.5 * math.Sin(2*math.Pi*tt.hz*float64(i)/44100))
		}
		x := Impair(s, 44100, 1, Preset{AzimuthMinutes: tt.minutes}, 1)
		var m audio.Meter
		m.Add(x[2000:40000], 0, 1)
		within(t, "loss of a tone in dB (sheet A5, table)", audio.DB(0.5/math.Sqrt2)-audio.DB(m.RMS()), tt.db, 0.1)
	}
}

// The weighting: 1 at 4 Hz, 0.25 at 1 and 16 Hz (sheet A5, computed from the description of IEC 60386).
func TestWowWeights(t *testing.T) {
	for _, tt := range []struct{ hz, w float64 }{{4, 1}, {1, 0.25}, {16, 0.25}, {6, 0.667}} {
		v := make([]float64, 1024)
		for i := range v {
			v[i] = 1 + 0.002*math.Sin(2*math.Pi*tt.hz*float64(i)/64)
		}
		w, p := wow(v, 64)
		within(t, "weighted peak", quantile(w, 0.99), 0.002*tt.w, 0.00004)
		within(t, "unweighted peak", quantile(p, 0.99), 0.002, 0.00002)
	}
}

func soft(b []byte, odds float32) []linecode.Byte {
	out := make([]linecode.Byte, len(b))
	for i, v := range b {
		out[i].Value, out[i].At, out[i].Length = v, float64(i)*700, 700
		for k := range 8 {
			out[i].LLR[k] = -odds
			if v>>k&1 == 1 {
				out[i].LLR[k] = odds
			}
		}
	}
	return out
}

func turn(s []linecode.Byte, i, k int, odds float32) {
	s[i].Value ^= 1 << k
	s[i].LLR[k] = -odds
	if s[i].Value>>k&1 == 1 {
		s[i].LLR[k] = odds
	}
}

func TestRepair(t *testing.T) {
	mc := machineTape("HERON", 0x5200, randomBytes(256, 8))
	blk := mc[7 : 7+261]
	at := func(i int) float64 { return float64(i) }
	// Two bits wrong and unsure: turned back, in few tries, and believed.
	s := soft(mc, 15)
	turn(s, 7+40, 3, 0.4)
	turn(s, 7+90, 6, 0.9)
	s[7+120].LLR[2] *= 0.1 // unsure, but right
	p := &Program{}
	r := &Result{}
	data, q := r.repairBlocks(p, s, values(s), parse(MachineTape, values(s)), at)
	if !bytes.Equal(data, mc) || !q.whole() || len(p.Repairs) != 1 || p.Repairs[0].Bits != 2 || p.Repairs[0].FalseChance > repairChance {
		t.Errorf("repair: %+v, whole %v", p.Repairs, q.whole())
	}
	if !strings.Contains(p.Repairs[0].What, "weak proof") {
		t.Errorf("a repair by an 8-bit sum must say how weak that is: %q", p.Repairs[0].What)
	}
	// One bit wrong and sure: many other sets of bits would fit the sum as well, so nothing is turned.
	s = soft(mc, 4)
	turn(s, 7+40, 3, 4)
	if f, ok := repairSum(s[7:7+261], values(s)[7:7+261]); ok {
		t.Errorf("a block of bits that are all alike was repaired: %+v", f)
	}
	if sumRight(blk) == false {
		t.Fatal("the test's own block is wrong")
	}
}

// What is said of the chance of a false repair holds: of the repairs made on random noise, about as many are wrong.
func TestRepairIsHonest(t *testing.T) {
	rng := rand.New(rand.NewPCG(5, 5))
	var made, wrong, said float64
	for trial := uint64(0); trial < 3000; trial++ {
		b := machineTape("X", 0x5200, randomBytes(40, trial))[7 : 7+45]
		s := soft(b, 0)
		for i := range s {
			var v byte
			for k := range 8 { // Gaussian odds: mean m, variance 2m, as of a bit in white noise
				const m = 20.0
				l := m + math.Sqrt(2*m)*rng.NormFloat64()
				if b[i]>>k&1 == 0 {
					l = -l
				}
				s[i].LLR[k] = float32(l)
				if l > 0 {
					v |= 1 << k
				}
			}
			s[i].Value = v
		}
		got := values(s)
		got[0], got[1] = b[0], b[1]
		if sumRight(got) {
			continue
		}
		f, ok := repairSum(s, got)
		if !ok {
			continue
		}
		for _, x := range f.flips {
			got[x.i] ^= 1 << x.k
		}
		made++
		said += f.falseChance
		if !bytes.Equal(got, b) {
			wrong++
		}
	}
	if made < 200 {
		t.Fatalf("only %.0f repairs", made)
	}
	if wrong > 2*said+5 || said > 2*wrong+5 {
		t.Errorf("of %.0f repairs %.0f are wrong; %.1f were announced", made, wrong, said)
	}
}

// Two passes, each with its own losses, are one whole program.
func TestMerge(t *testing.T) {
	mc := machineTape("HERON", 0x5200, randomBytes(1200, 8))
	s, _ := side(t, SideOptions{Code: codes(t, "pulse500")[0], StartS: 0.5, EndS: 0.5}, item(t, FormPulse500, MachineTape, "HERON", mc))
	p := Preset{Noise: true, SNRDB: 20, DropoutsMinute: 15, DropoutMedianMS: 20, DropoutFixed: true, DropoutMinDB: 40, DropoutMaxDB: 40}
	var results []*Result
	for seed := uint64(21); seed <= 22; seed++ {
		r := read(t, Impair(s, 44100, 1, p, seed), 1, codes(t, "pulse500"), ReadOptions{})
		if len(r.Programs) != 1 || r.Programs[0].Whole {
			t.Fatalf("pass %d should be damaged: %s", seed, r.Verdict)
		}
		results = append(results, r)
	}
	m := MergeResults(results, []string{"a.wav", "b.wav"}, ReadOptions{})
	if len(m.Programs) != 1 || !m.Programs[0].Whole || !bytes.Equal(m.Programs[0].Data, mc) || m.Programs[0].Passes != 2 {
		t.Errorf("merged: %s", m.Verdict)
	}
	if !strings.Contains(m.Verdict, "adding the passes up") {
		t.Errorf("verdict: %s", m.Verdict)
	}
	// Two copies on one tape do the same.
	s, _ = side(t, SideOptions{Code: codes(t, "pulse500")[0], StartS: 0.5, EndS: 0.5, GapS: 1, Copies: 2}, item(t, FormPulse500, MachineTape, "HERON", mc))
	r := read(t, Impair(s, 44100, 1, p, 5), 1, codes(t, "pulse500"), ReadOptions{})
	whole := false
	for _, p := range r.Programs {
		whole = whole || p.Whole && bytes.Equal(p.Data, mc)
	}
	if !whole {
		t.Errorf("two copies: %s; %v", r.Verdict, r.Faults)
	}
}

// A dropout over the whole sync byte and the name: the blocks are found all the same, at whatever bit they begin.
func TestHeadless(t *testing.T) {
	mc := machineTape("HERON", 0x5200, randomBytes(800, 3))
	s, _ := side(t, SideOptions{Code: codes(t, "pulse500")[0], StartS: 0.5, EndS: 0.5}, item(t, FormPulse500, MachineTape, "HERON", mc))
	for i := int(4.58 * 44100); i < int(4.70*44100); i++ {
		s[i] *= 0.01
	}
	r := read(t, Impair(s, 44100, 1, Preset{Noise: true, SNRDB: 25}, 1), 1, codes(t), ReadOptions{})
	if len(r.Programs) != 1 || r.Programs[0].Kind != MachineTape || r.Programs[0].Whole || !bytes.Contains(mc, r.Programs[0].Data) || len(r.Programs[0].Data) < 500 {
		t.Fatalf("%s; %v", r.Verdict, r.Faults)
	}
	if !strings.Contains(r.Faults[0].What, "beginning of the tape") {
		t.Errorf("faults: %v", r.Faults)
	}
}

// tones, chords with vibrato, and syllables of filtered noise and buzz: what is on tapes beside programs.
func otherSounds(n int) map[string][]float32 {
	rng := rand.New(rand.NewPCG(1, 7))
	out := map[string][]float32{"silence": make([]float32, n)}
	noise, tone, music, speech := make([]float32, n), make([]float32, n), make([]float32, n), make([]float32, n)
	scale := []float64{220, 247, 262, 294, 330, 349, 392, 440, 494, 523, 587, 659}
	var f, lp, bp float64
	for i := range n {
		ts := float64(i) / 44100
		noise[i] = float32(0.2 * rng.NormFloat64())
		tone[i] = float32(0.5 * math.Sin(2*math.Pi*2400*ts))
		if i%11025 == 0 {
			f = scale[rng.IntN(len(scale))]
		}
		env := math.Exp(-4 * math.Mod(ts, 0.25))
		for h := 1.0; h <= 6; h++ {
			music[i] += float32(0.2 / h * env * math.Sin(2*math.Pi*f*h*(ts+0.0003*math.Sin(2*math.Pi*5*ts))))
		}
		gate := math.Max(0, math.Sin(2*math.Pi*3.3*ts)) * math.Max(0, math.Sin(2*math.Pi*0.4*ts+1))
		src := 0.4 * rng.NormFloat64()
		if math.Mod(ts, 1) < 0.6 { // voiced: pulses at 120 Hz
			src = 0
			if i%367 == 0 {
				src = 8
			}
		}
		w := 2 * math.Pi * (700 + 500*math.Sin(2*math.Pi*1.7*ts)) / 44100
		lp += w * bp
		bp += w * (src - lp - 0.2*bp)
		speech[i] = float32(0.3 * gate * bp)
	}
	out["noise"], out["tone of 2400 Hz"], out["music"], out["speech"] = noise, tone, music, speech
	return out
}

// Nothing decodes to nothing, and the verdict says why.
func TestNothing(t *testing.T) {
	cs := codes(t)
	for name, s := range otherSounds(14 * 44100) {
		r := read(t, s, 1, cs, ReadOptions{Raw: true})
		if len(r.Programs) != 0 || len(r.Raw) != 0 || !strings.HasPrefix(r.Verdict, "nothing found here: ") || len(r.Verdict) < 40 {
			t.Errorf("%s: %d programs, %d bytes; %s", name, len(r.Programs), len(r.Raw), r.Verdict)
		}
	}
	// A code that was not asked for is nothing either.
	s, _ := side(t, SideOptions{Code: codes(t, "kcs300")[0]}, Item{Name: "X", Kind: Unknown, Blocks: [][]byte{randomBytes(100, 1)}})
	if r := read(t, s, 1, codes(t, "pulse500"), ReadOptions{}); len(r.Programs) != 0 {
		t.Errorf("kcs300 heard as pulse500: %s", r.Verdict)
	}
}

// longSource plays silence and quiet noise for hours, with one program in the second minute, and does not end early.
type longSource struct {
	program []float32
	at, n   int64
	stop    func(at int64)
}

func (l *longSource) Format() audio.Format {
	return audio.Format{RateHz: 44100, Channels: 1, Bits: 16}
}
func (l *longSource) Len() int64 { return l.n }
func (l *longSource) Read(b []float32) (int, error) {
	if l.at >= l.n {
		return 0, io.EOF
	}
	clear(b)
	const start = 60 * 44100
	if k := l.at - start; k > -int64(len(b)) && k < int64(len(l.program)) {
		for i := range b {
			if p := l.at + int64(i) - start; p >= 0 && p < int64(len(l.program)) {
				b[i] = l.program[p]
			}
		}
	}
	l.at += int64(len(b))
	if l.stop != nil {
		l.stop(l.at)
	}
	return len(b), nil
}

// Three hours of recording take bounded memory; a context that ends keeps what was found.
func TestLong(t *testing.T) {
	mc := machineTape("HERON", 0x5200, randomBytes(200, 3))
	s, _ := side(t, SideOptions{Code: codes(t, "pulse500")[0]}, item(t, FormPulse500, MachineTape, "HERON", mc))
	src := &longSource{program: s, n: 3 * 3600 * 44100}
	var before, after runtime.MemStats
	runtime.GC()
	runtime.ReadMemStats(&before)
	r, err := Read(context.Background(), src, codes(t), ReadOptions{}, nil)
	runtime.ReadMemStats(&after)
	if err != nil || len(r.Programs) != 1 || !r.Programs[0].Whole {
		t.Fatalf("%v, %s", err, r.Verdict)
	}
	within(t, "place of the program in s", r.Programs[0].FromS, 64.1, 0.1)
	if got := (after.TotalAlloc - before.TotalAlloc) >> 20; got > 200 {
		t.Errorf("%d MiB allocated in all for three hours", got)
	}
	ctx, cancel := context.WithCancel(context.Background())
	src = &longSource{program: s, n: 3 * 3600 * 44100, stop: func(at int64) {
		if at > 100*44100 {
			cancel()
		}
	}}
	r, err = Read(ctx, src, codes(t), ReadOptions{}, nil)
	if err != nil || !r.Stopped || len(r.Programs) != 1 || !r.Programs[0].Whole || src.at > 102*44100 {
		t.Errorf("stopped: %v, %v, %s", err, r.Stopped, r.Verdict)
	}
}

// A file that breaks off, or cannot be read further, keeps what came before.
func TestBrokenSource(t *testing.T) {
	mc := machineTape("HERON", 0x5200, randomBytes(256, 3))
	s, _ := side(t, SideOptions{Code: codes(t, "pulse500")[0]}, item(t, FormPulse500, MachineTape, "HERON", mc))
	r, err := Read(context.Background(), &failing{audio.NewBuffer(44100, 1, s[:len(s)-44100]), errors.New("disk on fire")}, codes(t), ReadOptions{}, nil)
	if err != nil || len(r.Programs) != 1 || r.Programs[0].Whole {
		t.Fatalf("%v, %s", err, r.Verdict)
	}
	all := ""
	for _, f := range r.Faults {
		all += f.What + "; "
	}
	if !strings.Contains(all, "disk on fire") || !strings.Contains(all, "block 1") {
		t.Errorf("faults: %s", all)
	}
	if _, err := Read(context.Background(), &failing{audio.NewBuffer(44100, 1, nil), errors.New("disk on fire")}, codes(t), ReadOptions{}, nil); err == nil {
		t.Error("nothing could be read, and no error")
	}
	if _, err := Read(context.Background(), audio.NewBuffer(44100, 1, s), nil, ReadOptions{}, nil); err == nil {
		t.Error("no codes, and no error")
	}
}

type failing struct {
	*audio.Buffer
	err error
}

func (f *failing) Read(b []float32) (int, error) {
	n, err := f.Buffer.Read(b)
	if err == io.EOF {
		err = f.err
	}
	return n, err
}

// The calibration tape through a path with known faults gives the settings that undo them.
func TestCalibration(t *testing.T) {
	code := codes(t, "pulse500")[0]
	steps := CalibrationSteps(code, codes(t, "pulse500", "kcs300"))
	var c audio.Collector
	sd, err := WriteCalibration(context.Background(), &c, steps, codes(t), SideOptions{Code: code, StartS: 0.5, GapS: 1}, nil)
	if err != nil {
		t.Fatal(err)
	}
	p := Preset{SpeedPercent: -2, Invert: true, RecordGainDB: 6, RecordClipDB: 0, ClipDB: 0, Noise: true, SNRDB: 30, SignalRMS: 0.2, SignalPeak: 0.5}
	a := Advise(read(t, Impair(c.Samples, 44100, 1, p, 1), 1, codes(t, "pulse500", "kcs300"), ReadOptions{}), steps)
	if a == nil {
		t.Fatal("calibration tape not recognised")
	}
	// 6 dB of gain clip everything above -6 dB: -6 is the last step that comes back in proportion.
	within(t, "level", a.LevelDB, -6, 0.01)
	within(t, "speed", a.Speed, 1/0.98, 0.002)
	if !a.Invert || a.AutoLevel || len(a.Missing) != 0 {
		t.Errorf("advice: %+v", a)
	}
	sheet := CalibrationSheet("Heron", steps, sd)
	for _, line := range strings.Split(sheet, "\n") {
		if len(line) > 84 {
			t.Errorf("sheet line of %d characters: %q", len(line), line)
		}
	}
	if !strings.Contains(sheet, "piercing") || !strings.Contains(sheet, "microphone input") {
		t.Error("the sheet lacks its cautions")
	}
	if Advise(read(t, c.Samples[:30*44100], 1, codes(t, "pulse500"), ReadOptions{}), steps) == nil {
		t.Error("four steps are a calibration tape")
	}
}

// A measured value that rounds to nothing is 0, and never -0, which JSON would write as such.
func TestRoundHasNoNegativeZero(t *testing.T) {
	if v := round(-0.001, 2); math.Signbit(v) {
		t.Errorf("%v", v)
	}
}

// What was heard whole but may be wrong in places is doubtful, not lost; what the recording cut off is lost in part.
func TestProgramState(t *testing.T) {
	for _, tt := range []struct {
		p    Program
		want string
	}{
		{Program{Whole: true}, Good},
		{Program{Whole: true, Repairs: []Repair{{}}}, Repaired},
		{Program{Bytes: 600, Doubtful: 2}, Doubtful},
		{Program{Bytes: 600, Doubtful: 2, cut: true}, LostInPart},
		{Program{Bytes: 600}, LostInPart},
	} {
		if got := tt.p.State(); got != tt.want {
			t.Errorf("%+v: %s, want %s", tt.p, got, tt.want)
		}
	}
	r := &Result{Programs: []*Program{{Bytes: 600, Doubtful: 2}}, Diagnosis: &Diagnosis{}}
	if v := r.verdict(); !strings.HasPrefix(v, "one program, 2 of its 600 bytes doubtful") {
		t.Error(v)
	}
}
