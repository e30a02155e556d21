package track

import (
	"context"
	"fmt"
	"iter"

	"remanence/disk"
	"remanence/disk/flux"
)

// EncodeOptions say how captures are made; the zero value makes one revolution in ticks of 25 ns.
type EncodeOptions struct {
	TickNS      float64      // 0: 25
	Revolutions int          // 0: 1
	PrecompNS   float64      // write precompensation, MFM only
	Note        string       // a note for each capture
	Told        func(string) // EncodeDisk calls it with what had to give way; may be nil
}

func (o EncodeOptions) tick() float64 {
	if o.TickNS > 0 {
		return o.TickNS
	}
	return 25
}

// Capture is the track as a perfect drive would read it: it starts at an index pulse and ends at one.
func (c *Cells) Capture(cylinder, head int, o EncodeOptions) *flux.Capture {
	n := max(o.Revolutions, 1)
	times := c.Times(n)
	if o.PrecompNS != 0 && c.format.Encoding == disk.MFM {
		flux.Precompensate(times, c.CellNS, o.PrecompNS)
	}
	k := flux.FromTimes(times, o.tick())
	k.Cylinder, k.Head = cylinder, head
	for r := 0; r <= n; r++ {
		k.Index = append(k.Index, uint64(float64(r)*c.RevolutionNS()/o.tick()))
	}
	if o.Note != "" {
		k.Keys = append(k.Keys, flux.Key{Name: "note", Value: o.Note})
	}
	return k
}

// EncodeDisk gives a capture of every track of im, cylinder by cylinder, head 0 then head 1. A track that can't be
// laid out ends the sequence with the error.
func EncodeDisk(ctx context.Context, im *disk.Image, rec *disk.Recording, o EncodeOptions) iter.Seq2[*flux.Capture, error] {
	return func(yield func(*flux.Capture, error) bool) {
		for c := 0; c < im.Geometry.Cylinders; c++ {
			for h := 0; h < im.Geometry.Heads; h++ {
				if err := ctx.Err(); err != nil {
					yield(nil, err)
					return
				}
				t, err := Build(rec, c, h, im.Track(c, h))
				if err != nil {
					yield(nil, fmt.Errorf("%s: %w", rec.Name, err))
					return
				}
				if o.Told != nil {
					for _, n := range t.Notes {
						o.Told(n)
					}
				}
				if !yield(t.Capture(c, h, o), nil) {
					return
				}
			}
		}
	}
}
