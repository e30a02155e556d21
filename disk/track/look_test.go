package track

import (
	"bytes"
	"context"
	"math"
	"math/rand/v2"
	"testing"

	"remanence/disk"
	"remanence/disk/flux"
)

// bitsOf decodes bytes from the cells of a part as fact sheet 1.1 says: of each pair the second cell is the bit.
func bitsOf(cells []Cell) []byte {
	out := make([]byte, len(cells)/16)
	for i := range out {
		for k := range 8 {
			out[i] = out[i]<<1 | cells[16*i+2*k+1].Value
		}
	}
	return out
}

// check holds what a read shows against itself: the cells of each part decode to the part's bytes, and each transition
// lies where its window and its distance say. It gives the number of parts checked.
func (v *Seen) check(t *testing.T) (n int) {
	t.Helper()
	at := 0
	for _, p := range v.Parts {
		if p.From != at {
			t.Errorf("%s begins at cell %d, the part before it ends at %d", p.Name, p.From, at)
		}
		at = p.From + p.Cells
		cells := v.Cells[p.From : p.From+p.Cells]
		if p.Bytes != nil && p.Name != PartSplice {
			n++
			if got := bitsOf(cells); !bytes.Equal(got, p.Bytes[:len(got)]) {
				t.Errorf("%s capture %d turn %d (weighed %v): cells of %s decode to\n% x, bytes shown are\n% x", v.From, v.Capture, v.Turn, v.Weighed, p.Name, got, p.Bytes)
			}
		}
		for i, c := range cells {
			if c.Seen && math.Abs(c.AtNS-c.NS-c.Off*c.WidthNS/2) > 1e-3 {
				t.Errorf("%s cell %d: transition at %.1f ns, window round %.1f ns, distance %.4f of half of %.1f ns", p.Name, i, c.AtNS, c.NS, c.Off, c.WidthNS)
			}
			if !c.Weighed && (c.Off < -1 || c.Off > 1) {
				t.Errorf("%s cell %d: the fast separator decided %.3f half windows from the middle", p.Name, i, c.Off)
			}
			if c.Value == 1 && !c.Seen && !c.Weighed {
				t.Errorf("%s cell %d: a 1 without a transition", p.Name, i)
			}
		}
	}
	return n
}

func find(v *Seen, name string) []byte {
	for _, p := range v.Parts {
		if p.Name == name {
			return p.Bytes
		}
	}
	return nil
}

// Cells shown are those that were recorded, written bit by bit for the tests alone. CRCs of the identifiers are check
// values of the fact sheet, section 3: 00 00 01 01 has C2E2 in FM and FA0C in MFM.
func TestLookShowsWhatWasRecorded(t *testing.T) {
	data := []byte("The Heron, 1979. ")
	data = bytes.Repeat(data, 16)[:256]
	for _, tt := range []struct {
		mfm  bool
		id   []byte
		crc  []byte
		mark []byte
	}{
		{false, []byte{0, 0, 1, 1}, []byte{0xC2, 0xE2}, []byte{0xFB}},
		{true, []byte{0, 0, 1, 1}, []byte{0xFA, 0x0C}, []byte{0xA1, 0xA1, 0xA1, 0xFB}},
	} {
		gap, enc, cellNS := 11, disk.FM, 4000.0
		if tt.mfm {
			gap, cellNS, enc = 22, 2000, disk.MFM
		}
		field := plainField(tt.mfm, 0, 0xFB, data)
		times := plainTrack(cellNS, plainGap(tt.mfm, 40), plainField(tt.mfm, 0, 0xFE, tt.id), plainGap(tt.mfm, gap), field, plainGap(tt.mfm, 30))
		c := flux.FromTimes(times, 25)
		c.From = "plain"
		l, err := NewLens(context.Background(), []*flux.Capture{c}, Options{})
		if err != nil {
			t.Fatal(err)
		}
		k := l.Look(disk.Sector{ID: disk.SectorID{Sector: 1, SizeCode: 1}, Encoding: enc, Angle: -1}, -1)
		if k == nil || len(k.Reads) != 1 {
			t.Fatalf("mfm %v: %+v", tt.mfm, k)
		}
		v := &k.Reads[0]
		v.check(t)
		if !v.Good || !v.IDGood || v.Weighed || !bytes.Equal(v.Data, data) {
			t.Errorf("mfm %v: good %v, ID good %v, weighed %v", tt.mfm, v.Good, v.IDGood, v.Weighed)
		}
		for name, want := range map[string][]byte{PartSector: {1}, PartSize: {1}, PartIDCRC: tt.crc, PartMark: tt.mark, PartData: data} {
			if got := find(v, name); !bytes.Equal(got, want) {
				t.Errorf("mfm %v: %s is % x, want % x", tt.mfm, name, got, want)
			}
		}
		for _, p := range v.Parts {
			if p.Name != PartData {
				continue
			}
			skip := 12 // bytes of sync, then the mark
			if !tt.mfm {
				skip = 6
			}
			skip = 16*skip + markCells(enc)
			for i, c := range v.Cells[p.From : p.From+p.Cells] {
				if c.Value != field[skip+i]-'0' {
					t.Fatalf("mfm %v: cell %d of the data is %d, recorded %c", tt.mfm, i, c.Value, field[skip+i])
				}
				if want := Clock + Kind(i&1); c.Kind != want {
					t.Fatalf("cell %d of the data: kind %d, want %d", i, c.Kind, want)
				}
			}
		}
	}
}

// Where reads are poor both decoders decide, and what is shown of each is what it decided. All sectors of all reads of
// impaired tracks are looked at.
func TestLookShowsWhatWasDecided(t *testing.T) {
	fast, weighed, parts := 0, 0, 0
	for _, rec := range []*disk.Recording{fm10x256(), mfm9x512()} {
		rng := rand.New(rand.NewPCG(7, 7))
		cells, err := Build(rec, 3, 0, randomSectors(rec, 3, 0, rng))
		if err != nil {
			t.Fatal(err)
		}
		half := 1e6 / rec.Track.RateKbit / 2 / 2
		var caps []*flux.Capture
		for i, jitter := range []float64{0.27, 0.29, 0.31} {
			c := captureOf(cells, flux.Impairment{JitterNS: jitter * half, Speed: 0.01 * float64(i), Drop: 2e-5, Extra: 2e-5}, 0.3, 2.2, i < 2, rng)
			c.From = string(rune('a' + i))
			caps = append(caps, c)
		}
		var s Scanner
		res, err := s.Scan(context.Background(), caps, Options{})
		if err != nil {
			t.Fatal(err)
		}
		if n := len(res.Turns); n != 6 {
			t.Errorf("%s: %d turns, want 3 captures of 2", rec.Name, n)
		}
		l, err := NewLens(context.Background(), caps, Options{})
		if err != nil {
			t.Fatal(err)
		}
		for _, want := range res.Sectors {
			k := l.Look(want, -1)
			if k == nil {
				t.Fatalf("%s: sector %s is not there", rec.Name, want.ID)
			}
			if !bytes.Equal(k.Sector.Data, want.Data) || k.Sector.Status != want.Status || k.Sector.Margin != want.Margin || len(k.Reads) != want.Reads {
				t.Fatalf("%s: sector %s looked at is not the sector scanned: %+v, %+v", rec.Name, want.ID, k.Sector, want)
			}
			for i := range k.Reads {
				v := &k.Reads[i]
				parts += v.check(t)
				if v.Weighed {
					weighed++
				} else if len(v.Data) > 0 {
					fast++
				}
				for _, p := range v.Parts {
					for _, c := range v.Cells[p.From : p.From+p.Cells] {
						if p.Name == PartData && c.Seen != (c.Value == 1) {
							t.Errorf("%s: sector %s read %d: a cell of the data is %d, its transition seen: %v", rec.Name, want.ID, i, c.Value, c.Seen)
						}
					}
				}
				if len(v.Data) > 0 && len(find(v, PartData)) == 0 {
					t.Errorf("%s: sector %s read %d has data and shows none", rec.Name, want.ID, i)
				}
			}
		}
	}
	t.Logf("%d reads by the fast separator, %d weighed, %d parts", fast, weighed, parts)
	if fast < 40 || weighed < 40 {
		t.Errorf("%d reads by the fast separator, %d weighed: the test must see both", fast, weighed)
	}
}

// Whatever a capture holds, what is shown of a sector is what was decided.
func FuzzLook(f *testing.F) {
	rec := fm10x256()
	rec.Track.Sectors, rec.Track.Size = 2, 128
	c, err := Build(rec, 0, 0, randomSectors(rec, 0, 0, rand.New(rand.NewPCG(8, 8))))
	if err != nil {
		f.Fatal(err)
	}
	k := c.Capture(0, 0, EncodeOptions{TickNS: 100})
	var seed []byte
	for _, v := range k.Intervals[:5000] {
		seed = append(seed, byte(v))
	}
	f.Add(seed, 100.0)
	spoilt := bytes.Clone(seed)
	for i := 2000; i < len(spoilt); i += 97 {
		spoilt[i] += 17
	}
	f.Add(spoilt, 100.0)
	f.Add(seed[2000:4000], 100.0)
	f.Fuzz(func(t *testing.T, in []byte, tick float64) {
		if len(in) > 6_000 || !(tick > 1e-3 && tick < 1e5) {
			return
		}
		c := &flux.Capture{TickNS: tick}
		for _, b := range in {
			c.Intervals = append(c.Intervals, uint32(b))
		}
		l, err := NewLens(context.Background(), []*flux.Capture{c}, Options{})
		if err != nil {
			t.Fatal(err)
		}
		for _, s := range l.res.Sectors {
			k := l.Look(s, -1)
			if k == nil {
				t.Fatalf("sector %s was scanned and is not there", s.ID)
			}
			for i := range k.Reads {
				k.Reads[i].check(t)
			}
		}
	})
}
