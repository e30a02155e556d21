package program

import (
	"context"
	"crypto/sha256"
	hexcode "encoding/hex"
	"errors"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"runtime"
	"sync"

	"remanence/internal/progress"
)

// MaxProgramBytes is the size up to which a file is read whole. No program of a machine served here comes near; larger
// files are hashed as a stream and recognised by their head alone.
const MaxProgramBytes = 16 << 20

// headBytes of a larger file are looked at.
const headBytes = 64 << 10

// Options of InspectFile and InspectAll.
type Options struct {
	Targets     []Target     // classes of machine to match against
	Recognizers []Recognizer // asked where no form of this package is certain
	Workers     int          // 0: as many as there are processors
}

// InspectFile inspects one file. A file that cannot be read gives an error and no report.
func InspectFile(ctx context.Context, path string, o Options) (*FileReport, error) {
	var w worker
	return w.file(ctx, path, o)
}

// InspectAll is InspectEach with all reports in one list.
func InspectAll(ctx context.Context, paths []string, o Options, p progress.Progress) ([]*FileReport, error) {
	out := make([]*FileReport, 0, len(paths))
	err := InspectEach(ctx, paths, o, p, func(r *FileReport) error { out = append(out, r); return nil })
	if ctx.Err() != nil {
		return nil, ctx.Err()
	}
	return out, err
}

const (
	batchFiles = 16  // files a worker takes at a time: fewer messages than files
	maxAhead   = 256 // batches that may be finished before the one that is reported next
)

// batch is a run of files: the n-th batchFiles of the list.
type batch struct {
	n       int
	reports []*FileReport
	errs    []error
}

// InspectEach inspects files in parallel and hands each report to emit, in the order of paths, whatever finishes first;
// emit is called from one goroutine and stops everything by returning an error. Files that cannot be read are named in
// the error, and the others are done all the same. Memory is bounded by MaxProgramBytes a worker, the reports of
// maxAhead batches, and a digest a file.
func InspectEach(ctx context.Context, paths []string, o Options, p progress.Progress, emit func(*FileReport) error) error {
	p = progress.Or(p)
	p.Start("inspecting", len(paths))
	defer p.Done()
	ctx, stop := context.WithCancel(ctx)
	defer stop()
	workers := o.Workers
	if workers <= 0 {
		workers = runtime.GOMAXPROCS(0)
	}
	batches := (len(paths) + batchFiles - 1) / batchFiles
	todo, done := make(chan int), make(chan batch)
	var wg sync.WaitGroup
	defer wg.Wait()
	defer stop() // before the wait
	for range min(workers, batches) {
		wg.Go(func() { inspectBatches(ctx, paths, o, todo, done) })
	}
	pending := map[int]batch{}
	same := duplicates{}
	var errs []error
	for sent, reported := 0, 0; reported < batches; {
		var feed chan int
		if sent < batches && sent-reported < maxAhead {
			feed = todo
		}
		select {
		case feed <- sent:
			sent++
		case b := <-done:
			pending[b.n] = b
		case <-ctx.Done():
			return ctx.Err()
		}
		for {
			b, ok := pending[reported]
			if !ok {
				break
			}
			delete(pending, reported)
			reported++
			errs = append(errs, b.errs...)
			for _, r := range b.reports {
				same.mark(r)
				if err := emit(r); err != nil {
					return err
				}
			}
			p.Step(len(b.reports)+len(b.errs), filepath.Base(paths[b.n*batchFiles]))
		}
	}
	return errors.Join(errs...)
}

func inspectBatches(ctx context.Context, paths []string, o Options, todo <-chan int, done chan<- batch) {
	var w worker
	for {
		var b batch
		select {
		case b.n = <-todo:
		case <-ctx.Done():
			return
		}
		for _, p := range paths[b.n*batchFiles : min((b.n+1)*batchFiles, len(paths))] {
			if r, err := w.file(ctx, p, o); err != nil {
				b.errs = append(b.errs, err)
			} else {
				b.reports = append(b.reports, r)
			}
		}
		select {
		case done <- b:
		case <-ctx.Done():
			return
		}
	}
}

// duplicates knows the first path of each digest.
type duplicates map[string]string

func (d duplicates) mark(r *FileReport) {
	if p, ok := d[r.SHA256]; ok {
		r.DuplicateOf = p
	} else if r.Size > 0 {
		d[r.SHA256] = r.Path
	}
}

// MarkDuplicates sets DuplicateOf in every report whose contents came before.
func MarkDuplicates(rs []*FileReport) {
	same := make(duplicates, len(rs))
	for _, r := range rs {
		same.mark(r)
	}
}

// worker reads one file after the other into the same buffer.
type worker struct{ buf []byte }

func (w *worker) file(ctx context.Context, path string, o Options) (*FileReport, error) {
	if err := ctx.Err(); err != nil {
		return nil, err
	}
	f, err := os.Open(path)
	if err != nil {
		return nil, err
	}
	defer f.Close()
	info, err := f.Stat()
	if err != nil {
		return nil, err
	}
	if info.IsDir() {
		return nil, &fs.PathError{Op: "inspect", Path: path, Err: errors.New("is a folder")}
	}
	return w.read(ctx, f, path, info.Size(), o)
}

// InspectReader inspects what r gives, such as standard input; path only names it.
func InspectReader(ctx context.Context, r io.Reader, path string, o Options) (*FileReport, error) {
	var w worker
	return w.read(ctx, r, path, 0, o)
}

// read takes at most MaxProgramBytes into memory; the size that a folder gives is a hint and not believed.
func (w *worker) read(ctx context.Context, r io.Reader, path string, hint int64, o Options) (*FileReport, error) {
	want := int(min(max(hint, 512), MaxProgramBytes)) + 1
	if cap(w.buf) < want {
		w.buf = make([]byte, 0, want)
	}
	data, over, err := fill(w.buf[:0], r)
	w.buf = data[:0]
	if err != nil {
		return nil, err
	}
	fr := &FileReport{Path: path, Size: int64(len(data))}
	h := sha256.New()
	h.Write(data)
	if over {
		n, err := io.Copy(h, contextReader{ctx, r})
		if err != nil {
			return nil, err
		}
		fr.Size += n
		fr.Report = *inspectHead(data[:headBytes], fr.Size)
	} else {
		fr.Report = *inspectWith(data, o.Recognizers)
	}
	fr.SHA256 = hexcode.EncodeToString(h.Sum(nil))
	fr.RunsOn = fr.Report.RunsOn(o.Targets)
	for _, t := range o.Targets {
		if c := fr.ClashesWith(t); len(c) > 0 {
			fr.Clashes = append(fr.Clashes, t.Name)
			fr.Notes = append(fr.Notes, clashText(t, c))
		}
	}
	return fr, nil
}

// fill reads until the end or until more than MaxProgramBytes are there.
func fill(buf []byte, r io.Reader) (data []byte, over bool, err error) {
	for {
		if len(buf) == cap(buf) {
			if len(buf) > MaxProgramBytes {
				return buf, true, nil
			}
			grown := make([]byte, len(buf), min(2*cap(buf), MaxProgramBytes+1))
			copy(grown, buf)
			buf = grown
		}
		n, err := r.Read(buf[len(buf):cap(buf)])
		buf = buf[:len(buf)+n]
		if err == io.EOF {
			return buf, len(buf) > MaxProgramBytes, nil
		}
		if err != nil {
			return buf, false, err
		}
		if len(buf) > MaxProgramBytes {
			return buf, true, nil
		}
	}
}

// inspectHead recognises a file too large for a program by its beginning.
func inspectHead(head []byte, size int64) *Report {
	if b := inspectAudio(head, size); b.bits >= acceptBits {
		return b.finish()
	}
	if what := largeCaptures(head); what != "" {
		b := &builder{r: Report{Kind: Captures, Form: what}}
		b.note("larger than %d bytes: recognised by its head and not checked here; disk decode reads it", MaxProgramBytes)
		return b.finish()
	}
	b := &builder{r: Report{Kind: Unknown}}
	b.fault(NotAProgram, 0, "%d bytes, more than any program has (%d are the limit), and not a sound file; kept as data", size, MaxProgramBytes)
	return b.finish()
}

// contextReader stops a long copy.
type contextReader struct {
	ctx context.Context
	r   io.Reader
}

func (c contextReader) Read(b []byte) (int, error) {
	if err := c.ctx.Err(); err != nil {
		return 0, err
	}
	return c.r.Read(b)
}
