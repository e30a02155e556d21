package kernel

import (
	"context"
	"fmt"
	"math"
	"time"

	"remanence/bench"
	"remanence/disk"
	"remanence/machine"
)

// Found is what a check of a controller found.
type Found struct {
	RPM float64 // 0: could not be measured
	FM  string  // yes, no, or "" where nothing could be told
}

// Test is one thing that was tried.
type Test struct {
	Name string
	OK   bool
	Why  string
}

// Check tries recordings on cylinder 1 of a scratch disk, reads what it wrote, measures the speed, and makes sure that
// the answers mean something: an FM track that reads as MFM too was not written in FM. The error is one that ends it.
func (d *Drive) Check(ctx context.Context, recs []*disk.Recording, own *machine.Drive, now func() time.Time) (*Found, []Test, error) {
	f := &Found{}
	var tests []Test
	say := func(name string, ok bool, format string, a ...any) {
		tests = append(tests, Test{name, ok, fmt.Sprintf(format, a...)})
	}
	say("raw commands of the driver", d.Raw, "%s", map[bool]string{false: needRaw}[d.Raw])
	for _, rec := range recs {
		for _, rpm := range own.RPM {
			c := &bench.Combination{Steps: 1, Settings: bench.Settings{RPM: rpm}}
			im := disk.NewImage(rec.With(2, 1))
			for i := range im.Data {
				im.Data[i] = byte(i*13 ^ i>>8)
			}
			d.rec, d.set, d.step = rec.With(2, 1), false, 1
			t := bench.TrackOf(im, d.rec, 1, 0, c)
			name := fmt.Sprintf("%s at %g rpm (%s, %g kbit/s selected)", rec.Name, rpm, t.Format.Encoding, t.RateKbit)
			if err := d.Unable(t); err != nil {
				say(name, false, "%v", err)
				continue
			}
			err := d.proof(ctx, t)
			if err != nil && bench.Fatal(err) {
				return f, tests, err
			}
			if t.Format.Encoding == disk.FM && d.Raw {
				if err != nil {
					if f.FM == "" {
						f.FM = "no"
					}
				} else if other := d.otherEncoding(ctx, t); other {
					err = fmt.Errorf("it reads as MFM just as well: the controller does not heed the FM bit")
				} else {
					f.FM = "yes"
				}
			}
			say(name, err == nil, "%s", text(err))
			if err == nil && f.RPM == 0 && d.Raw {
				if r, ok := d.speed(ctx, t, now); ok {
					f.RPM = r
					say("speed", true, "%.1f rpm", r)
				}
			}
			if err == nil && d.Raw {
				for i := range t.Sectors {
					t.Sectors[i].Mark = disk.MarkDeleted
				}
				err = d.proof(ctx, t)
				if err != nil && bench.Fatal(err) {
					return f, tests, err
				}
				say(rec.Name+" with mark F8", err == nil, "%s", text(err))
			}
		}
	}
	return f, tests, nil
}

func text(err error) string {
	if err == nil {
		return ""
	}
	return err.Error()
}

// proof formats, writes and reads back one track.
func (d *Drive) proof(ctx context.Context, t *bench.Track) error {
	if err := d.Format(ctx, t); err != nil {
		return err
	}
	if err := d.Write(ctx, t); err != nil {
		return err
	}
	got, err := d.Read(ctx, t)
	if err != nil {
		return err
	}
	for i := range got {
		w, g := &t.Sectors[i], &got[i]
		if g.Status != disk.Good || g.Mark != w.Mark || string(g.Data) != string(w.Data) {
			return fmt.Errorf("sector %d does not come back: %s", w.ID.Sector, g.Why)
		}
	}
	return nil
}

// otherEncoding reports whether an identifier of an FM track is found in MFM.
func (d *Drive) otherEncoding(_ context.Context, t *bench.Track) bool {
	o := *t
	o.Format.Encoding = disk.MFM
	_, err := d.ReadID(&o)
	return err == nil
}

// speed times how the identifiers of a track come by: the same one comes once a revolution.
func (d *Drive) speed(ctx context.Context, t *bench.Track, now func() time.Time) (float64, bool) {
	const samples = 120
	at := map[uint8][]time.Time{}
	for range samples {
		if ctx.Err() != nil {
			return 0, false
		}
		id, err := d.ReadID(t)
		if err != nil {
			return 0, false
		}
		at[id.Sector] = append(at[id.Sector], now())
	}
	var sum float64
	n := 0
	for _, list := range at {
		for i := 1; i < len(list); i++ {
			turn := list[i].Sub(list[i-1]).Seconds()
			if k := math.Round(turn / 0.18); k >= 1 && k <= 3 && turn/k > 0.15 && turn/k < 0.22 { // 273 to 400 rpm
				sum, n = sum+turn, n+int(k)
			}
		}
	}
	if n < 10 {
		return 0, false
	}
	return 60 * float64(n) / sum, true
}
