package recover

import (
	"context"
	"fmt"
	"math"
	"path/filepath"
	"runtime"
	"slices"
	"strings"
	"sync"

	"remanence/disk"
	"remanence/disk/flux"
	"remanence/disk/track"
)

// histogramBinNS is fine enough to see the three humps of MFM at 500 kbit/s, 1 us apart. A bin is a whole number of
// ticks at least so long: else some bins would stay empty.
const histogramBinNS = 50

// binOf is the bin for captures of this tick.
func binOf(tickNS float64) float64 {
	if !(tickNS > 0) || tickNS > 10_000 {
		return histogramBinNS
	}
	return math.Ceil(histogramBinNS/tickNS) * tickNS
}

// captures reads all captures of all sources together: those of one track are merged before bits are decided. Only
// sectors and figures of a track are kept, so memory does not grow with the length of the captures.
func (res *Result) captures(ctx context.Context, paths []string, o *Options) ([]reading, error) {
	set, err := flux.LoadDisk(paths)
	if err != nil {
		res.Problems = append(res.Problems, strings.Split(err.Error(), "\n")...)
		return nil, nil
	}
	for _, p := range set.Problems {
		res.Problems = append(res.Problems, p.Error())
	}
	merged := make([]*track.Result, len(set.Tracks))
	before := make([]*track.Result, len(set.Tracks))
	histograms := make([]track.Histogram, len(set.Tracks))
	o.Progress.Start("reading captures", len(set.Tracks))
	defer o.Progress.Done()
	ctx, cancel := context.WithCancel(ctx)
	defer cancel()
	for i := range set.Tracks { // the bin of the first capture that can be read is that of all
		if caps, _ := set.Tracks[i].Load(); len(caps) > 0 {
			res.Intervals.BinNS = binOf(caps[0].TickNS)
			break
		}
	}
	next := make(chan int)
	var wg sync.WaitGroup
	for range min(runtime.GOMAXPROCS(0), len(set.Tracks)) {
		wg.Go(func() {
			var s track.Scanner
			for i := range next {
				var err error
				if merged[i], before[i], histograms[i], err = scan(ctx, &s, &set.Tracks[i], res.Intervals.BinNS, o); err != nil {
					cancel()
					continue
				}
				r := merged[i]
				o.Progress.Step(1, fmt.Sprintf("cylinder %d head %d: %d sectors, %d bad", r.Cylinder, r.Head, len(r.Sectors), r.Bad()))
			}
		})
	}
	for i := range set.Tracks {
		select {
		case next <- i:
		case <-ctx.Done():
		}
	}
	close(next)
	wg.Wait()
	if err := ctx.Err(); err != nil {
		return nil, err
	}
	for i, r := range merged {
		res.Problems = append(res.Problems, r.Problems...)
		add(&res.Intervals, &histograms[i])
	}
	res.Before, res.Captured = before, set.Tracks
	src := &Source{Path: strings.Join(paths, ", "), Kind: "captures", Assumed: []string{}, proven: true}
	count(src, merged)
	return []reading{{src, merged}}, nil
}

// scan reads one track twice: with everything there is, and as plainly as a single read of a simple separator does.
func scan(ctx context.Context, s *track.Scanner, t *flux.Track, binNS float64, o *Options) (merged, before *track.Result, h track.Histogram, err error) {
	opt := track.Options{NoRepair: o.NoRepair, FastOnly: o.Fast}
	if o.Recording != nil {
		f := o.Recording.Format(t.Cylinder, t.Head)
		opt.Format, opt.RevolutionNS = &f, o.Recording.RevolutionNS()
	}
	caps, problems := t.Load()
	full, err := s.Scan(ctx, caps, opt)
	if err != nil {
		return nil, nil, h, err
	}
	merged = keep(full, t)
	for _, p := range problems {
		merged.Problems = append(merged.Problems, p.Error())
	}
	if len(caps) == 0 {
		return merged, merged, h, nil
	}
	plain, err := s.Scan(ctx, []*flux.Capture{firstRevolution(caps[0])}, track.Options{Format: opt.Format, RevolutionNS: opt.RevolutionNS, FastOnly: true})
	if err != nil {
		return nil, nil, h, err
	}
	return merged, keep(plain, t), track.HistogramOf(caps, binNS), nil
}

// keep copies what is wanted of a result, so that the rest can be forgotten.
func keep(r *track.Result, t *flux.Track) *track.Result {
	k := &track.Result{
		Cylinder: t.Cylinder, Head: t.Head, Sectors: r.Sectors, Captures: r.Captures, Revolutions: r.Revolutions,
		Transitions: r.Transitions, RevolutionNS: r.RevolutionNS, CellNS: r.CellNS, Encodings: r.Encodings,
		Jitter: r.Jitter, PeakShift: r.PeakShift, Speed: r.Speed, Repair: r.Repair, Turns: r.Turns,
	}
	short := shortNames(t)
	for i := range k.Sectors {
		s := &k.Sectors[i]
		s.Cylinder, s.Head = t.Cylinder, t.Head
		s.From = short(s.From)
	}
	for i := range k.Turns {
		k.Turns[i].From = short(k.Turns[i].From)
	}
	return k
}

// shortNames takes the folders out of a list of the captures of a track; one in a zip keeps the name of the zip, without
// which captures of several zips cannot be told apart.
func shortNames(t *flux.Track) func(from string) string {
	byLength := slices.Clone(t.Sources)
	slices.SortStableFunc(byLength, func(a, b flux.Source) int { return len(b.From) - len(a.From) }) // no name before one that begins with it
	var pairs []string
	for _, s := range byLength {
		if s.From == "" {
			continue
		}
		short := filepath.Base(s.From)
		if s.Member != "" {
			short = filepath.Base(s.Path) + "/" + short
		}
		pairs = append(pairs, s.From, short)
	}
	return strings.NewReplacer(pairs...).Replace
}

// firstRevolution is a capture up to a little behind its second index pulse: sectors across the index are whole in it.
func firstRevolution(c *flux.Capture) *flux.Capture {
	if len(c.Index) < 3 {
		return c
	}
	end := c.Index[1] + (c.Index[1]-c.Index[0])/8
	n, t := 0, uint64(0)
	for n < len(c.Intervals) && t < end {
		t += uint64(c.Intervals[n])
		n++
	}
	k := *c
	k.Intervals, k.Index, k.Damage = c.Intervals[:n], c.Index[:2], nil
	return &k
}

// add sums histograms of one bin width.
func add(sum, h *track.Histogram) {
	for len(sum.Counts) < len(h.Counts) {
		sum.Counts = append(sum.Counts, 0)
	}
	for i, n := range h.Counts {
		sum.Counts[i] += n
	}
}

// image reads a raw image as tracks. rec is what other sources or the person say its shape is.
func (res *Result) image(path string, rec *disk.Recording, o *Options) (*reading, error) {
	data, sc, err := disk.ReadRaw(path)
	if err != nil {
		return nil, err
	}
	src := &Source{Path: path, Kind: "image", Assumed: []string{}, proven: sc != nil}
	var im *disk.Image
	if o.Recording == nil && sc != nil && sc.Recording != "" {
		rec = named(sc, o.Recordings)
	}
	if rec != nil && sc != nil && sc.Cylinders > 0 && sc.Cylinders <= disk.MaxCylinders && (sc.Heads == 1 || sc.Heads == 2) && !o.Sized {
		rec = rec.With(sc.Cylinders, sc.Heads)
	}
	if rec != nil {
		if g := rec.Geometry(); g.Size() == int64(len(data)) || sc != nil || o.Recording != nil {
			if im, err = disk.ImageOf(rec.Name, g, data); err != nil {
				return nil, fmt.Errorf("recording %s: %w", rec.Reference(), err)
			}
		}
	}
	if im == nil && o.OpenImage != nil {
		var said []string
		if im, said, err = o.OpenImage(path, data, sc); err != nil {
			if sc == nil {
				err = fmt.Errorf("no sectors found by address marks, no reader knows it, and as a raw image: %w", err)
			}
			return nil, err
		}
		src.Assumed = append(src.Assumed, said...)
		rec = findRecording(im, o.Recordings)
	}
	if im == nil {
		return nil, fmt.Errorf("%d bytes: no sectors found by address marks, and nothing tells its shape as a raw image", len(data))
	}
	if err := im.Apply(sc); err != nil {
		res.problem(disk.SidecarPath(path), err)
	}
	if !src.proven {
		src.Assumed = append(src.Assumed, "a raw image without sidecar says nothing of its reads; its sectors are taken as good on its word")
	}
	results := fromImage(filepath.Base(path), im, rec)
	count(src, results)
	return &reading{src, results}, nil
}

func named(sc *disk.Sidecar, list []*disk.Recording) *disk.Recording {
	name, _, _, err := disk.ParseReference(sc.Recording)
	for _, r := range list {
		if err == nil && r.Name == name {
			return r
		}
	}
	return nil
}

func findRecording(im *disk.Image, list []*disk.Recording) *disk.Recording {
	name, _, _, _ := disk.ParseReference(im.Recording)
	for _, r := range list {
		if r.Name == name {
			return r.With(im.Geometry.Cylinders, im.Geometry.Heads)
		}
	}
	return nil
}

// fromImage is an image as tracks.
func fromImage(name string, im *disk.Image, rec *disk.Recording) []*track.Result {
	var out []*track.Result
	for c := 0; c < im.Geometry.Cylinders; c++ {
		for h := 0; h < im.Geometry.Heads; h++ {
			r := &track.Result{Cylinder: c, Head: h, Captures: 1}
			n := map[disk.Encoding]int{}
			for _, s := range im.Track(c, h) {
				if s.Mark == 0 && s.Status == disk.Bad { // known to be missing
					continue
				}
				s.Data = append([]byte(nil), s.Data...)
				if s.From == "" {
					s.From = name
				} else {
					s.From = name + ": " + s.From
				}
				n[s.Encoding]++
				r.Sectors = append(r.Sectors, s)
			}
			if rec != nil {
				f := rec.Format(c, h)
				r.RevolutionNS, r.CellNS = rec.RevolutionNS(), 1e6/f.RateKbit/2
				r.Encodings = []track.Recognised{{Encoding: f.Encoding, CellNS: r.CellNS, Sectors: len(r.Sectors)}}
			} else {
				longest := map[disk.Encoding]int{}
				for i := range r.Sectors {
					longest[r.Sectors[i].Encoding] += trackBytes(&r.Sectors[i])
				}
				guessPace(r, longest)
			}
			if len(r.Sectors) > 0 {
				out = append(out, r)
			}
		}
	}
	return out
}
