package kernel_test

import (
	"context"
	"testing"

	"remanence/bench"
	"remanence/bench/kernel"
	"remanence/bench/kernel/chip"
	"remanence/disk"
	"remanence/machine"
)

// A disk that was recorded otherwise than it is read: the chip's READ ID finds encoding, rate and sectors. Rates: 125 kbit/s
// FM at 300 rpm, 150 at 360 (fact sheet on floppies, 6.3). A board that ignores the FM bit is not taken in.
func TestLook(t *testing.T) {
	s, err := machine.Load("")
	if err != nil {
		t.Fatal(err)
	}
	ctx := context.Background()
	for _, c := range []struct {
		on, as  string // recorded, looked for
		rpm     float64
		rate    float64 // found
		size, n int
		fm      int
		kind    disk.Encoding
	}{
		{"fm10x256:3x1", "mfm9x512:3x1", 300, 125, 256, 10, chip.DoesFM, disk.FM},
		{"fm10x256:3x1", "mfm9x512:3x1", 360, 150, 256, 10, chip.DoesFM, disk.FM},
		{"mfm9x512:3x1", "fm10x256:3x1", 300, 250, 512, 9, chip.DoesFM, disk.MFM},
		{"mfm9x512:3x1", "fm10x256:3x1", 360, 300, 512, 9, chip.IgnoresFM, disk.MFM},
		{"", "fm10x256:3x1", 300, 0, 0, 0, chip.DoesFM, 0},
	} {
		p := chip.New(c.rpm)
		p.FM = c.fm
		as, err := s.Recording(c.as)
		if err != nil {
			t.Fatal(err)
		}
		how := &bench.Combination{Steps: 1, Settings: bench.Settings{RPM: c.rpm}}
		if c.on != "" {
			rec, err := s.Recording(c.on)
			if err != nil {
				t.Fatal(err)
			}
			if r, err := bench.WriteDisk(ctx, kernel.New(p, 0, rec, 1), disk.NewImage(rec), rec, how, bench.WriteOptions{}); err != nil || !r.Whole {
				t.Fatalf("%+v: %v %+v", c, err, r)
			}
		}
		seen := bench.Look(ctx, kernel.New(p, 0, as, 1), as, how, s.Recordings())
		if seen == nil || seen.Encoding != c.kind || seen.RateKbit != c.rate || seen.SectorBytes != c.size || seen.Sectors != c.n {
			t.Errorf("%+v: %+v", c, seen)
		} else if want := c.on != ""; (len(seen.Recordings) > 0) != want || want && seen.Recordings[0]+":3x1" != c.on {
			t.Errorf("%+v: recordings %v", c, seen.Recordings)
		}
	}
}
