package track

import (
	"bytes"
	"context"
	"fmt"
	"math"
	"math/rand/v2"
	"strings"
	"testing"

	"remanence/disk"
	"remanence/disk/flux"
)

// plainField is a field written for the tests alone, from rules 1.1-1.2, 2.1-2.2 and 3.1-3.5 of the fact sheet, bit by
// bit: it shares no code with the package under test. It returns cells as '0' and '1'.
func plainField(mfm bool, last byte, mark byte, data []byte) []byte {
	var cells []byte
	bit := func(b, prev byte) byte {
		clock := byte('1')
		if mfm && (b == 1 || prev == 1) {
			clock = '0'
		}
		cells = append(cells, clock, '0'+b)
		return b
	}
	put := func(v byte) {
		for i := 7; i >= 0; i-- {
			last = bit(v>>i&1, last)
		}
	}
	crc := uint16(0xFFFF)
	sum := func(v byte) {
		for i := 7; i >= 0; i-- {
			top := crc>>15 ^ uint16(v>>i&1)
			crc <<= 1
			if top == 1 {
				crc ^= 0x1021
			}
		}
	}
	if mfm {
		for range 12 {
			put(0)
		}
		for range 3 {
			cells = append(cells, "0100010010001001"...) // A1 without the clock between bits 4 and 5 (fact sheet, section 2)
			sum(0xA1)
		}
		last = 1
		put(mark)
	} else {
		for range 6 {
			put(0)
		}
		for i := 7; i >= 0; i-- { // clock C7
			cells = append(cells, '0'+0xC7>>i&1, '0'+mark>>i&1)
		}
	}
	sum(mark)
	for _, v := range data {
		put(v)
		sum(v)
	}
	c := crc
	put(byte(c >> 8))
	put(byte(c))
	return cells
}

func plainGap(mfm bool, n int) []byte {
	if mfm {
		return bytes.Repeat([]byte("1001001001010100"), n) // 4E after 4E (fact sheet 9.19)
	}
	return bytes.Repeat([]byte("1111111111111111"), n)
}

// plainTrack strings sectors together; FM cells are twice as long as MFM cells.
func plainTrack(cellNS float64, parts ...[]byte) []float64 {
	var times []float64
	at := 0.0
	for _, p := range parts {
		l := cellNS
		if p[0] == 'F' {
			l, p = 2*cellNS, p[1:]
		}
		for _, c := range p {
			if c == '1' {
				times = append(times, at)
			}
			at += l
		}
	}
	return times
}

func asFM(b []byte) []byte { return append([]byte("F"), b...) }

// FM and MFM sectors on one track, from cells written for the test alone.
func TestScanPlainMixedTrack(t *testing.T) {
	rng := rand.New(rand.NewPCG(1, 1))
	data := func(n int) []byte {
		b := make([]byte, n)
		for i := range b {
			b[i] = byte(rng.Uint32())
		}
		return b
	}
	type want struct {
		id   disk.SectorID
		enc  disk.Encoding
		mark byte
		data []byte
	}
	var wants []want
	var parts [][]byte
	add := func(mfm bool, mark byte, id disk.SectorID) {
		d := data(id.Size())
		e, wrapIt := disk.FM, asFM
		if mfm {
			e, wrapIt = disk.MFM, func(b []byte) []byte { return b }
		}
		wants = append(wants, want{id, e, mark, d})
		gap := 11
		if mfm {
			gap = 22
		}
		parts = append(parts, wrapIt(plainField(mfm, 0, 0xFE, []byte{id.Cylinder, id.Head, id.Sector, id.SizeCode})), wrapIt(plainGap(mfm, gap)),
			wrapIt(plainField(mfm, 0, mark, d)), wrapIt(plainGap(mfm, 30)))
	}
	parts = append(parts, plainGap(true, 40))
	for i, mark := range []byte{0xFB, 0xFA, 0xF9, 0xF8} {
		add(false, mark, disk.SectorID{Cylinder: 3, Head: 1, Sector: uint8(i), SizeCode: 0})
		add(true, mark, disk.SectorID{Cylinder: 200, Head: 7, Sector: uint8(i + 100), SizeCode: uint8(i)})
	}
	for _, jitter := range []float64{0, 100, 200} {
		times := flux.Impairment{JitterNS: jitter, Speed: 0.01}.Apply(plainTrack(2000, parts...), rng)
		c := flux.FromTimes(times, 25)
		r, err := Scan(context.Background(), []*flux.Capture{c}, Options{})
		if err != nil {
			t.Fatal(err)
		}
		for _, w := range wants {
			found := false
			for _, s := range r.Sectors {
				found = found || s.ID == w.id && s.Encoding == w.enc && s.Mark == w.mark && bytes.Equal(s.Data, w.data) && s.Status <= disk.Repaired
			}
			if !found {
				t.Errorf("jitter %v ns: %v sector %s mark %02X not found", jitter, w.enc, w.id, w.mark)
			}
		}
		for _, s := range r.Sectors {
			if s.Status != disk.Good && jitter < 150 {
				t.Errorf("jitter %v ns: extra %v sector %s: %s", jitter, s.Encoding, s.ID, s.Why)
			}
		}
	}
}

// shape a capture of a built track: from anywhere, any length, with or without index pulses.
func captureOf(c *Cells, m flux.Impairment, from, revs float64, index bool, rng *rand.Rand) *flux.Capture {
	rev := c.RevolutionNS()
	m.Revolution = rev
	k := 1 + m.Speed + m.Wander
	var times []float64
	for _, t := range m.Apply(c.Times(int(from+revs)+2), rng) {
		if t >= from*rev*k && t < (from+revs)*rev*k {
			times = append(times, t-from*rev*k)
		}
	}
	out := flux.FromTimes(times, 25)
	if index {
		for r := range 20 {
			if t := (float64(r) - from) * rev * k; t >= 0 && t < revs*rev*k {
				out.Index = append(out.Index, uint64(t/25))
			}
		}
	}
	return out
}

// rightOf counts sectors that are claimed and right, and those that are claimed and wrong.
func rightOf(r *Result, truth []disk.Sector) (right, wrong int) {
	seen := map[disk.SectorID]bool{}
	for _, s := range r.Sectors {
		if s.Status > disk.Repaired {
			continue
		}
		ok := false
		for _, q := range truth {
			ok = ok || q.ID == s.ID && q.Mark == s.Mark && bytes.Equal(q.Data, s.Data)
		}
		if ok && !seen[s.ID] {
			seen[s.ID] = true
			right++
		} else if !ok {
			wrong++
		}
	}
	return right, wrong
}

// A capture of exactly one revolution cuts a sector wherever it begins; it must be found all the same.
func TestScanFromAnywhere(t *testing.T) {
	rng := rand.New(rand.NewPCG(3, 3))
	for _, rec := range []*disk.Recording{fm10x256(), mfm9x512()} {
		secs := randomSectors(rec, 4, 0, rng)
		c, err := Build(rec, 4, 0, secs)
		if err != nil {
			t.Fatal(err)
		}
		for i := range 6 {
			from := (float64(i) + rng.Float64()) / 6
			for _, index := range []bool{true, false} {
				k := captureOf(c, flux.Impairment{JitterNS: 60, Wow: 0.003, Speed: 0.01}, from, 1, index, rng)
				r, err := Scan(context.Background(), []*flux.Capture{k}, Options{})
				if err != nil {
					t.Fatal(err)
				}
				if right, wrong := rightOf(r, secs); right != len(secs) || wrong > 0 {
					t.Errorf("%s from %.3f of a revolution, index %v: %d of %d sectors right, %d wrong", rec.Name, from, index, right, len(secs), wrong)
				}
			}
		}
	}
}

// Noise, nothing and gaps decode to nothing.
func TestScanNothing(t *testing.T) {
	rng := rand.New(rand.NewPCG(4, 4))
	gap := func(mfm bool) *flux.Capture {
		p := plainGap(mfm, 3000)
		if !mfm {
			p = asFM(p)
		}
		return flux.FromTimes(plainTrack(2000, p), 25)
	}
	noise := func(lo, span uint32) *flux.Capture {
		c := &flux.Capture{TickNS: 25}
		for range 40_000 {
			c.Intervals = append(c.Intervals, lo+rng.Uint32N(span))
		}
		return c
	}
	for name, c := range map[string]*flux.Capture{
		"empty": {TickNS: 25}, "FM gap": gap(false), "MFM gap": gap(true), "noise": noise(100, 300), "fast noise": noise(1, 60), "zeros": noise(0, 1),
		"one transition": {TickNS: 25, Intervals: []uint32{5}},
	} {
		r, err := Scan(context.Background(), []*flux.Capture{c}, Options{})
		if err != nil {
			t.Fatal(err)
		}
		if len(r.Sectors) > 0 {
			t.Errorf("%s: %d sectors, first %+v", name, len(r.Sectors), r.Sectors[0].ID)
		}
	}
}

// A sector recorded with a wrong CRC is never good, however often it is read and however poor the reads are.
func TestRecordedBadStaysBad(t *testing.T) {
	rng := rand.New(rand.NewPCG(5, 5))
	for _, rec := range []*disk.Recording{fm10x256(), mfm9x512()} {
		secs := randomSectors(rec, 4, 0, rng)
		secs[3].Status = disk.Bad
		c, err := Build(rec, 4, 0, secs)
		if err != nil {
			t.Fatal(err)
		}
		for _, jitter := range []float64{0.05, 0.2, 0.3} {
			k := captureOf(c, flux.Impairment{JitterNS: jitter * c.CellNS / 2}, 0, 2, true, rng)
			r, err := Scan(context.Background(), []*flux.Capture{k}, Options{})
			if err != nil {
				t.Fatal(err)
			}
			for _, s := range r.Sectors {
				if s.ID == secs[3].ID && s.Status <= disk.Repaired {
					t.Errorf("%s jitter %v: %s is %s", rec.Name, jitter, s.ID, s.Status)
				}
			}
		}
	}
}

func TestSameInputSameResult(t *testing.T) {
	rec := mfm9x512()
	secs := randomSectors(rec, 4, 0, rand.New(rand.NewPCG(6, 6)))
	c, err := Build(rec, 4, 0, secs)
	if err != nil {
		t.Fatal(err)
	}
	k := captureOf(c, flux.Impairment{JitterNS: 300}, 0.4, 2, true, rand.New(rand.NewPCG(7, 7)))
	print := func() string {
		r, _ := Scan(context.Background(), []*flux.Capture{k}, Options{})
		return fmt.Sprintf("%+v %+v", r.Sectors, r.Repair)
	}
	if a, b := print(), print(); a != b {
		t.Error("two scans of one capture differ")
	}
}

func FuzzScan(f *testing.F) {
	rec := fm10x256()
	rec.Track.Sectors, rec.Track.Size = 2, 128
	secs := randomSectors(rec, 0, 0, rand.New(rand.NewPCG(8, 8)))
	c, err := Build(rec, 0, 0, secs)
	if err != nil {
		f.Fatal(err)
	}
	k := c.Capture(0, 0, EncodeOptions{TickNS: 100})
	var seed []byte
	for _, v := range k.Intervals[:5000] {
		seed = append(seed, byte(v))
	}
	f.Add(seed, 100.0, false)
	f.Add(seed[2000:4000], 100.0, true)
	f.Add([]byte{0, 0, 1, 255}, 0.001, false)
	f.Fuzz(func(t *testing.T, in []byte, tick float64, indexed bool) {
		if len(in) > 6_000 || !(tick > 1e-3 && tick < 1e5) {
			return
		}
		c := &flux.Capture{TickNS: tick}
		sum := uint64(0)
		for _, b := range in {
			c.Intervals = append(c.Intervals, uint32(b))
			sum += uint64(b)
		}
		if indexed {
			c.Index = []uint64{sum / 4, sum / 2, sum}
		}
		r, err := Scan(context.Background(), []*flux.Capture{c}, Options{})
		if err != nil {
			t.Fatal(err)
		}
		for _, s := range r.Sectors {
			if s.Status == disk.Good && len(s.Data) != s.ID.Size() {
				t.Fatalf("good sector %s with %d bytes", s.ID, len(s.Data))
			}
		}
	})
}

// Captures that no index pulse ties together, of drives whose speeds differ, still show every sector once.
func TestCapturesWithoutIndexAgree(t *testing.T) {
	for _, rec := range []*disk.Recording{fm10x256(), mfm9x512()} {
		for i := range 4 {
			rng := rand.New(rand.NewPCG(uint64(i), 3))
			secs := randomSectors(rec, 7, 0, rng)
			c, err := Build(rec, 7, 0, secs)
			if err != nil {
				t.Fatal(err)
			}
			var caps []*flux.Capture
			for range 3 {
				caps = append(caps, captureOf(c, flux.Impairment{JitterNS: 0.1 * c.CellNS / 2, Wow: 0.01, Speed: 0.02 * rng.NormFloat64()}, rng.Float64(), 1.05, false, rng))
			}
			r, err := Scan(context.Background(), caps, Options{})
			if err != nil {
				t.Fatal(err)
			}
			if right, _ := rightOf(r, secs); right != len(secs) || len(r.Sectors) != len(secs) {
				t.Errorf("%s disk %d: %d of %d sectors right, %d listed", rec.Name, i, right, len(secs), len(r.Sectors))
			}
		}
	}
}

// A number that a track has twice is two sectors, in one capture and in several.
func TestSameNumberTwice(t *testing.T) {
	rec := fm10x256()
	rng := rand.New(rand.NewPCG(1, 8))
	secs := randomSectors(rec, 7, 0, rng)
	secs[6].ID.Sector = 5
	c, err := Build(rec, 7, 0, secs)
	if err != nil {
		t.Fatal(err)
	}
	for n := 1; n <= 2; n++ {
		var caps []*flux.Capture
		for range n {
			caps = append(caps, captureOf(c, flux.Impairment{JitterNS: 100, Wow: 0.005}, rng.Float64(), 1.3, true, rng))
		}
		r, err := Scan(context.Background(), caps, Options{})
		if err != nil {
			t.Fatal(err)
		}
		found := 0
		for _, s := range r.Sectors {
			if s.ID.Sector == 5 && s.Status == disk.Good && (bytes.Equal(s.Data, secs[5].Data) || bytes.Equal(s.Data, secs[6].Data)) {
				found++
			}
		}
		if found != 2 || len(r.Sectors) != 10 {
			t.Errorf("%d captures: sector 5 found %d times of 2, %d sectors in all", n, found, len(r.Sectors))
		}
		im, sum := ToImage([]*Result{r}, rec.With(8, 1))
		if sum.Extra != 1 || sum.Missing != 1 || len(im.Extra) != 1 {
			t.Errorf("image: %+v", sum)
		}
	}
}

// A poor but right read must not be doubted because of a second one that the end of the capture cuts.
func TestCutReadDoesNotSpeakAgainst(t *testing.T) {
	for _, tt := range []struct {
		rec  *disk.Recording
		seed uint64
	}{{fm10x256(), 17}, {mfm9x512(), 6}, {mfm9x512(), 11}, {mfm9x512(), 28}} {
		rng := rand.New(rand.NewPCG(tt.seed, 3))
		secs := randomSectors(tt.rec, 7, 0, rng)
		c, err := Build(tt.rec, 7, 0, secs)
		if err != nil {
			t.Fatal(err)
		}
		k := captureOf(c, flux.Impairment{JitterNS: 0.2 * c.CellNS / 2, PeakNS: 0.1 * c.CellNS / 2, Wow: 0.01, Speed: 0.05}, rng.Float64(), 2.05, true, rng)
		r, err := Scan(context.Background(), []*flux.Capture{k}, Options{})
		if err != nil {
			t.Fatal(err)
		}
		if right, _ := rightOf(r, secs); right != len(secs) {
			t.Errorf("%s seed %d: %d of %d sectors right", tt.rec.Name, tt.seed, right, len(secs))
		}
	}
}

// A capture made to be slow: identifiers back to back, each with a right CRC and a number of its own, with nothing
// behind them. What it holds beyond any track is not read, and said.
func TestScanHostileIdentifiers(t *testing.T) {
	var parts [][]byte
	for i := range 2500 {
		parts = append(parts, asFM(plainField(false, 0, 0xFE, []byte{byte(i >> 8), byte(i), byte(i >> 4), 0})[8*16-64:]))
	}
	c := flux.FromTimes(plainTrack(2000, parts...), 25)
	r, err := Scan(context.Background(), []*flux.Capture{c}, Options{})
	if err != nil {
		t.Fatal(err)
	}
	if len(r.Problems) != 2 || len(r.Sectors) > maxReads {
		t.Errorf("%d sectors, problems %q", len(r.Sectors), r.Problems)
	}
}

// A capture that claims to last for days, or an index pulse of next year, costs neither time nor memory, and is told.
func TestScanAbsurdDuration(t *testing.T) {
	field := asFM(plainField(false, 0, 0xFE, []byte{0, 0, 1, 1}))
	good := flux.FromTimes(plainTrack(4000, field), 25)
	long := flux.FromTimes(plainTrack(4000, field), 25)
	for range 10000 {
		long.Intervals = append(long.Intervals, math.MaxUint32) // 107 s each
	}
	late := flux.FromTimes(plainTrack(4000, field), 25)
	late.Index = []uint64{1 << 60}
	r, err := Scan(context.Background(), []*flux.Capture{good, long, late}, Options{RevolutionNS: 200e6})
	if err != nil {
		t.Fatal(err)
	}
	told := 0
	for _, p := range r.Problems {
		if strings.Contains(p, "lasts 1073742 s; a capture of one track that lasts more than 600 s is not read") {
			told++
		}
	}
	if told != 1 {
		t.Errorf("problems %q", r.Problems)
	}
	p := &passes{endNS: 1e9, revNS: 200e6, indexNS: []float64{math.Ldexp(25, 60)}}
	if got := p.timesAt(0.5); len(got) < 4 || len(got) > 6 {
		t.Errorf("an angle passes at %v in 5 revolutions", got)
	}
}
