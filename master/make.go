package master

import (
	"context"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"regexp"
	"runtime"
	"sync"

	"remanence/internal/outcome"
	"remanence/internal/progress"
	"remanence/machine"
	"remanence/tape"
)

// Options say how masters are made and tried.
type Options struct {
	Out     string // folder; made where it is missing
	Force   bool   // replace outputs that are there
	Medium  *machine.Medium
	Seed    uint64
	WAV     bool   // sound as WAV instead of FLAC
	RateHz  int    // 0: 44100
	Workers int    // 0: as many as there are processors
	Version string // of the program, for report and labels
	Command string // what was said, for the report
	NoPaper bool   // neither labels nor report
	Paper   string // a4 or letter; "": a4
	// Tape is the simulated cassette path; its zero value stands for the one that Medium names.
	Tape tape.Preset
}

// maker is one run of Make.
type maker struct {
	a      *Arrangement
	set    *machine.Set
	o      Options
	p      progress.Progress
	tokens chan struct{} // one a worker
	mu     sync.Mutex
	out    []Output
}

// Make makes and proves every medium of an arrangement and writes image, captures, sound, labels, report and manifest.
// What does not come back whole is in the result, not in the error; the error is for what stopped the work.
func Make(ctx context.Context, set *machine.Set, a *Arrangement, o Options, p progress.Progress) (*Result, error) {
	if o.Workers <= 0 {
		o.Workers = runtime.GOMAXPROCS(0)
	}
	if o.Medium == nil {
		m, err := set.Medium("good")
		if err != nil {
			return nil, err
		}
		o.Medium = m
	}
	if o.Tape.Name == "" {
		t, err := tape.PresetNamed(o.Medium.Tape.Preset)
		if err != nil {
			return nil, outcome.As(outcome.Input, fmt.Errorf("medium %s: %w", o.Medium.Name, err))
		}
		if n := o.Medium.Tape.DropoutsMinute; n != nil {
			t.DropoutsMinute = *n
		}
		o.Tape = t
	}
	mk := &maker{a: a, set: set, o: o, p: progress.Or(p), tokens: make(chan struct{}, o.Workers)}
	r := Planned(a)
	r.Preset, r.Seed = o.Medium.Name, o.Seed
	if err := mk.clear(r); err != nil {
		return nil, err
	}
	total := 0
	for _, m := range r.Media {
		total += mk.steps(m)
	}
	mk.p.Start("mastering", total)
	outer := ctx
	ctx, cancel := context.WithCancel(ctx)
	defer cancel()
	errs, done := make([]error, len(r.Media)), make([]bool, len(r.Media))
	atOnce := make(chan struct{}, 2*o.Workers) // bounds memory: a disk in work holds its tracks
	var wg sync.WaitGroup
	for i, m := range r.Media {
		atOnce <- struct{}{}
		wg.Go(func() {
			defer func() { <-atOnce }()
			if ctx.Err() != nil {
				return
			}
			if m.Disk != nil {
				errs[i] = mk.disk(ctx, m, i)
			} else {
				errs[i] = mk.tape(ctx, m, i)
			}
			if done[i] = errs[i] == nil; !done[i] {
				cancel()
			}
		})
	}
	wg.Wait()
	mk.p.Done()
	if err := firstCause(ctx, errs); err != nil {
		finished := mk.keepFinished(r, done)
		if outer.Err() != nil && errors.Is(err, outer.Err()) {
			err = &Stopped{o.Out, finished, len(r.Media), err}
		}
		return nil, err
	}
	r.Verified = true
	for _, m := range r.Media {
		r.Verified = r.Verified && m.Verified
	}
	if err := mk.paper(r); err != nil {
		return nil, err
	}
	r.Outputs = mk.outputs(r)
	if err := mk.manifest(r); err != nil {
		return nil, err
	}
	mk.strays(r)
	return r, nil
}

// firstCause is the error that stopped the others, which only say that they were cancelled.
func firstCause(ctx context.Context, errs []error) error {
	for _, e := range errs {
		if e != nil && !errors.Is(e, context.Canceled) {
			return e
		}
	}
	for _, e := range errs {
		if e != nil {
			return e
		}
	}
	return ctx.Err()
}

// names of the outputs that belong to no single medium.
const (
	labelsName   = "labels.pdf"
	reportName   = "report.html"
	manifestName = "manifest.json"
)

func (mk *maker) path(name string) string { return filepath.Join(mk.o.Out, name) }

// clear refuses to start where an output is there already and Force is not set: better before an hour's work than after.
func (mk *maker) clear(r *Result) error {
	names := []string{manifestName}
	if !mk.o.NoPaper {
		names = append(names, labelsName, reportName)
	}
	for _, m := range r.Media {
		if m.Disk != nil {
			names = append(names, m.ID+".img", m.ID+".captures.zip", m.ID+".sectors.json")
		} else {
			names = append(names, m.ID+mk.soundEnd())
		}
	}
	if mk.o.Force {
		return nil
	}
	for _, n := range names {
		if _, err := os.Lstat(mk.path(n)); err == nil {
			return outcome.Hint(outcome.Output, fmt.Errorf("%s: exists already", mk.path(n)), "choose another folder with --out, or say --force to replace what is there")
		}
	}
	return nil
}

func (mk *maker) soundEnd() string {
	if mk.o.WAV {
		return ".wav"
	}
	return ".flac"
}

// steps is how much work a medium is, in tracks or seconds of sound.
func (mk *maker) steps(m *Medium) int {
	if m.Disk != nil {
		return m.Disk.Cylinders * m.Disk.Sides
	}
	return int(m.LengthS) + 1
}

// acquire waits for a free worker.
func (mk *maker) acquire(ctx context.Context) error {
	select {
	case mk.tokens <- struct{}{}:
		return ctx.Err()
	case <-ctx.Done():
		return ctx.Err()
	}
}

func (mk *maker) release() { <-mk.tokens }

// wrote notes an output and hashes what lies on the disk.
func (mk *maker) wrote(name, what string) error {
	f, err := os.Open(mk.path(name))
	if err != nil {
		return outcome.As(outcome.Output, err)
	}
	defer f.Close()
	h := sha256.New()
	n, err := io.Copy(h, f)
	if err != nil {
		return outcome.As(outcome.Output, fmt.Errorf("%s: %w", mk.path(name), err))
	}
	mk.mu.Lock()
	defer mk.mu.Unlock()
	mk.out = append(mk.out, Output{name, what, n, hex.EncodeToString(h.Sum(nil))})
	return nil
}

// outputs are all outputs in the order of the media, whatever was finished first.
func (mk *maker) outputs(r *Result) []Output {
	rank := map[string]int{}
	n := 0
	add := func(name string) { n++; rank[name] = n }
	for _, m := range r.Media {
		for _, name := range []string{m.ID + ".img", m.ID + ".sectors.json", m.ID + ".captures.zip", m.ID + mk.soundEnd()} {
			add(name)
		}
	}
	add(labelsName)
	add(reportName)
	out := make([]Output, 0, len(mk.out))
	byRank := make([]*Output, n+1)
	for i := range mk.out {
		byRank[rank[mk.out[i].Path]] = &mk.out[i]
	}
	for _, o := range byRank {
		if o != nil {
			out = append(out, *o)
		}
	}
	return out
}

var masterName = regexp.MustCompile(`^([DT][0-9]+[AB]?)\.(img|sectors\.json|captures\.zip|wav|flac)$`)

// strays notes masters in the output folder that this run did not write: they are of an earlier one.
func (mk *maker) strays(r *Result) {
	list, err := os.ReadDir(mk.o.Out)
	if err != nil {
		return
	}
	ours := map[string]bool{}
	for _, o := range r.Outputs {
		ours[o.Path] = true
	}
	for _, d := range list {
		if masterName.MatchString(d.Name()) && !ours[d.Name()] {
			r.Notes = append(r.Notes, d.Name()+" in the output folder is of an earlier run and not of this one")
		}
	}
}

// sum is the SHA-256 of data in hex.
func sum(data []byte) string {
	h := sha256.Sum256(data)
	return hex.EncodeToString(h[:])
}
