package track

import (
	"context"
	"fmt"
	"math/rand/v2"
	"slices"
	"strings"
	"testing"

	"remanence/disk"
	"remanence/disk/flux"
)

// Recordings of the fact sheet, sections 4.1 and 4.3, as the tests need them.
func fm10x256() *disk.Recording {
	return &disk.Recording{Name: "fm10x256", RPM: 300, Cylinders: 40, Sides: 1, Source: "4.3", Track: disk.TrackFormat{
		Encoding: disk.FM, RateKbit: 125, Sectors: 10, Size: 256, IndexMark: true, Gap0: 40, Gap1: 26, Gap2: 11, Gap3: 12, Sync: 6, GapByte: 0xFF, Fill: 0xE5}}
}

func mfm9x512() *disk.Recording {
	return &disk.Recording{Name: "mfm9x512", RPM: 300, Cylinders: 40, Sides: 2, Source: "4.3", Track: disk.TrackFormat{
		Encoding: disk.MFM, RateKbit: 250, Sectors: 9, Size: 512, FirstID: 1, IndexMark: true, Gap0: 80, Gap1: 50, Gap2: 22, Gap3: 80, Sync: 12, GapByte: 0x4E, Fill: 0xF6}}
}

// randomSectors fills a track with random data.
func randomSectors(rec *disk.Recording, cylinder, head int, rng *rand.Rand) []disk.Sector {
	f := rec.Format(cylinder, head)
	code, _ := disk.SizeCodeOf(f.Size)
	var out []disk.Sector
	for n := f.FirstID; n < f.FirstID+f.Sectors; n++ {
		d := make([]byte, f.Size)
		for i := range d {
			d[i] = byte(rng.Uint32())
		}
		out = append(out, disk.Sector{Cylinder: cylinder, Head: head, ID: disk.SectorID{Cylinder: uint8(cylinder), Head: uint8(head), Sector: uint8(n), SizeCode: code},
			Encoding: f.Encoding, Mark: disk.MarkData, Data: d})
	}
	return out
}

// Sums of the fact sheet: used bytes of a track and what is left to the index.
func TestCapacitySums(t *testing.T) {
	fm := func(rate float64, n, size, pre, gap3 int, index bool) disk.TrackFormat {
		f := disk.TrackFormat{Encoding: disk.FM, RateKbit: rate, Sectors: n, Size: size, Gap1: pre, Gap2: 11, Gap3: gap3, Sync: 6, GapByte: 0xFF}
		if index {
			f.IndexMark, f.Gap0, f.Gap1 = true, 40, 26
		}
		return f
	}
	mfm := func(rate float64, n, size, pre, gap3 int, index bool) disk.TrackFormat {
		f := disk.TrackFormat{Encoding: disk.MFM, RateKbit: rate, Sectors: n, Size: size, Gap1: pre, Gap2: 22, Gap3: gap3, Sync: 12, GapByte: 0x4E}
		if index {
			f.IndexMark, f.Gap0, f.Gap1 = true, 80, 50
		}
		return f
	}
	for _, tt := range []struct {
		src  string
		f    disk.TrackFormat
		rpm  float64
		used int
		left int
	}{
		{"9.26 8-inch FM 26 x 128", fm(250, 26, 128, 0, 27, true), 360, 4961, 247},
		{"9.27 8-inch MFM 26 x 256", mfm(500, 26, 256, 0, 54, true), 360, 9818, 598},
		{"9.27 8-inch MFM 15 x 512", mfm(500, 15, 512, 0, 84, true), 360, 10016, 400},
		{"9.27 8-inch MFM 8 x 1024", mfm(500, 8, 1024, 0, 116, true), 360, 9762, 654},
		{"9.28 FM 16 x 128", fm(125, 16, 128, 16, 27, false), 300, 3024, 101},
		{"9.29 MFM 16 x 256", mfm(250, 16, 256, 32, 54, false), 300, 5984, 266},
		{"9.30 MFM 9 x 512", mfm(250, 9, 512, 0, 80, true), 300, 6032, 218},
		{"9.30 MFM 9 x 512 gap 108", mfm(250, 9, 512, 0, 108, true), 300, 6284, -34},
		{"9.31 FM 18 x 128", fm(125, 18, 128, 0, 9, true), 300, 3133, -8},
		{"9.31 FM 8 x 512", fm(125, 8, 512, 0, 48, true), 300, 4817, -1692},
		{"9.32 MFM 18 x 512", mfm(500, 18, 512, 0, 108, true), 300, 12422, 78},
	} {
		rec := &disk.Recording{Name: "x", RPM: tt.rpm, Cylinders: 1, Sides: 1, Track: tt.f}
		if got := tt.f.UsedBytes(); got != tt.used {
			t.Errorf("%s: %d bytes used, want %d", tt.src, got, tt.used)
		}
		if got := int(rec.TrackBytes(tt.f)) - tt.f.UsedBytes(); got != tt.left {
			t.Errorf("%s: %d bytes left, want %d", tt.src, got, tt.left)
		}
		c, err := Build(rec, 0, 0, randomSectors(rec, 0, 0, rand.New(rand.NewPCG(1, 1))))
		switch {
		case tt.left < -1000: // no gap short enough makes it fit
			if err == nil {
				t.Errorf("%s was built", tt.src)
			}
		case err != nil:
			t.Errorf("%s: %v", tt.src, err)
		case tt.left >= 0:
			// The cell of the last data CRC is where the sum says.
			last := c.Placed[len(c.Placed)-1].End
			if want := 16 * (tt.used - tt.f.Gap3); last != want {
				t.Errorf("%s: last sector ends at cell %d, want %d", tt.src, last, want)
			}
			if got, want := c.Len(), int(rec.TrackBytes(tt.f)*16+0.5); got != want {
				t.Errorf("%s: %d cells, want %d", tt.src, got, want)
			}
		}
	}
}

// 34: 7958 ftprad are 50,002 transitions a revolution: what an FM track of ones, or an MFM track of zeros, comes to.
func TestTransitionsPerRevolution(t *testing.T) {
	rec := fm10x256()
	rec.Track.Sectors, rec.Track.GapByte = 1, 0xFF
	c, err := Build(rec, 0, 0, nil)
	if err != nil {
		t.Fatal(err)
	}
	// 25,000 cells of 8 us with two transitions each, but for the sync, which has one.
	if n := len(c.Times(1)); n < 49_800 || n > 50_002 {
		t.Errorf("%d transitions, want just below 50,002", n)
	}
}

func TestBuildKeepsWhatIsOdd(t *testing.T) {
	rng := rand.New(rand.NewPCG(2, 2))
	rec := fm10x256()
	secs := randomSectors(rec, 9, 0, rng)
	secs[2].ID.Cylinder = 99
	secs[3].Mark = disk.MarkDeleted
	secs[4].Status = disk.Bad // a CRC that does not fit
	secs[5].Mark, secs[5].Data = 0, nil
	secs[6].ID.SizeCode, secs[6].Data = 0, secs[6].Data[:128]
	secs[7] = disk.Sector{ID: secs[7].ID, Encoding: disk.FM, Status: disk.Bad, Why: "not found on the track", Data: secs[7].Data}
	secs = append(secs, disk.Sector{ID: disk.SectorID{Cylinder: 9, Sector: 77, SizeCode: 0}, Encoding: disk.FM, Mark: disk.MarkUser9, Data: make([]byte, 128)})
	c, err := Build(rec, 9, 0, secs)
	if err != nil {
		t.Fatal(err)
	}
	if len(c.Notes) != 1 || !strings.Contains(c.Notes[0], "1 sectors that were never found") {
		t.Errorf("notes %q: want one that a sector is left out", c.Notes)
	}
	r, err := Scan(context.Background(), []*flux.Capture{c.Capture(9, 0, EncodeOptions{})}, Options{})
	if err != nil {
		t.Fatal(err)
	}
	var got []string
	for _, s := range r.Sectors {
		got = append(got, fmt.Sprintf("%s %02X %d %s", s.ID, s.Mark, len(s.Data), s.Status))
	}
	slices.Sort(got)
	want := []string{
		"09 00 00 01 FB 256 good", "09 00 01 01 FB 256 good", "09 00 03 01 F8 256 good", "09 00 04 01 FB 256 bad",
		"09 00 05 01 00 0 bad", "09 00 06 00 FB 128 good", "09 00 08 01 FB 256 good",
		"09 00 09 01 FB 256 good", "09 00 4D 00 F9 128 good", "63 00 02 01 FB 256 good",
	}
	if !slices.Equal(got, want) {
		t.Errorf("read back:\n%s\nwant:\n%s", strings.Join(got, "\n"), strings.Join(want, "\n"))
	}
}

func BenchmarkEncode(b *testing.B) {
	for _, rec := range []*disk.Recording{fm10x256(), mfm9x512()} {
		b.Run(rec.Name, func(b *testing.B) {
			secs := randomSectors(rec, 1, 0, rand.New(rand.NewPCG(1, 1)))
			b.SetBytes(int64(rec.Track.Sectors * rec.Track.Size))
			var buf []byte
			for b.Loop() {
				c, err := Build(rec, 1, 0, secs)
				if err != nil {
					b.Fatal(err)
				}
				if buf, err = c.Capture(1, 0, EncodeOptions{}).Append(buf[:0]); err != nil {
					b.Fatal(err)
				}
			}
			b.ReportMetric(rec.RevolutionNS()*float64(b.N)/float64(b.Elapsed().Nanoseconds()), "x-rotation")
		})
	}
}
