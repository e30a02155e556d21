package main

import (
	"context"
	"encoding/json"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"sync"
	"time"

	"github.com/vbauerster/mpb/v8"
	"github.com/vbauerster/mpb/v8/decor"
	"golang.org/x/term"

	"remanence/internal/progress"
)

// Env is what a command sees of the world. It is the only place that decides between text and JSON, between a
// terminal and a log.
type Env struct {
	Common
	Context context.Context
	Stdout  io.Writer
	Stderr  io.Writer

	bars *mpb.Progress
}

func newEnv(ctx context.Context, stdout, stderr io.Writer) *Env {
	return &Env{Context: ctx, Stdout: stdout, Stderr: stderr}
}

// Printf prints a result in words; nothing where --json asks for an object.
func (e *Env) Printf(format string, a ...any) {
	if !e.JSON {
		fmt.Fprintf(e.Stdout, format, a...)
	}
}

// Remark is Printf for what a person who asked for quiet can do without.
func (e *Env) Remark(format string, a ...any) {
	if !e.Quiet {
		e.Printf(format, a...)
	}
}

// Note prints a remark to standard error, unless --quiet.
func (e *Env) Note(format string, a ...any) {
	if !e.Quiet {
		fmt.Fprintf(e.Stderr, format+"\n", a...)
	}
}

// PrintJSON prints the one object of --json.
func (e *Env) PrintJSON(v any) error {
	enc := json.NewEncoder(e.Stdout)
	enc.SetEscapeHTML(false)
	enc.SetIndent("", "  ")
	return enc.Encode(v)
}

// Report prints v where --json was said, else calls text.
func (e *Env) Report(v any, text func()) error {
	if e.JSON {
		return e.PrintJSON(v)
	}
	text()
	return nil
}

// Terminal reports whether standard output is one, and colour is not refused (NO_COLOR).
func (e *Env) Terminal() bool {
	f, ok := e.Stdout.(*os.File)
	return ok && term.IsTerminal(int(f.Fd()))
}

// ConfigDir is the folder with the user's own profiles; it need not exist.
func (e *Env) ConfigDir() string {
	if e.Config != "" {
		return e.Config
	}
	d, err := os.UserConfigDir()
	if err != nil {
		return ""
	}
	return filepath.Join(d, "remanence")
}

// Progress is the listener for one long operation: a redrawn line on a terminal, a line every ten seconds in a log,
// nothing with --quiet.
func (e *Env) Progress() progress.Progress {
	if e.Quiet {
		return progress.Nothing{}
	}
	if f, ok := e.Stderr.(*os.File); ok && term.IsTerminal(int(f.Fd())) {
		if e.bars == nil {
			e.bars = mpb.New(mpb.WithOutput(e.Stderr), mpb.WithWidth(32))
		}
		return &barProgress{bars: e.bars}
	}
	return &logProgress{out: e.Stderr}
}

func (e *Env) close() {
	if e.bars != nil {
		e.bars.Wait()
	}
}

// logProgress writes a line every ten seconds of long work.
type logProgress struct {
	mu    sync.Mutex
	out   io.Writer
	what  string
	total int
	n     int
	last  time.Time
}

func (l *logProgress) Start(what string, total int) {
	l.mu.Lock()
	defer l.mu.Unlock()
	l.what, l.total, l.n, l.last = what, total, 0, time.Now()
}

func (l *logProgress) Step(n int, note string) {
	l.mu.Lock()
	defer l.mu.Unlock()
	l.n += n
	if time.Since(l.last) < 10*time.Second {
		return
	}
	l.last = time.Now()
	if l.total > 0 {
		fmt.Fprintf(l.out, "%s: %d of %d %s\n", l.what, l.n, l.total, note)
	} else {
		fmt.Fprintf(l.out, "%s: %d %s\n", l.what, l.n, note)
	}
}

func (l *logProgress) Done() {}

// barProgress redraws one line on a terminal.
type barProgress struct {
	bars *mpb.Progress
	bar  *mpb.Bar
	mu   sync.Mutex
	note string
}

func (b *barProgress) Start(what string, total int) {
	b.Done()
	note := decor.Any(func(decor.Statistics) string { b.mu.Lock(); defer b.mu.Unlock(); return b.note })
	b.bar = b.bars.New(int64(total), mpb.BarStyle().Lbound("").Filler("=").Tip("").Padding(".").Rbound(""),
		mpb.BarRemoveOnComplete(),
		mpb.PrependDecorators(decor.Name(what+" ")),
		mpb.AppendDecorators(decor.CountersNoUnit("%d of %d "), note))
}

func (b *barProgress) Step(n int, note string) {
	b.mu.Lock()
	b.note = note
	b.mu.Unlock()
	if b.bar != nil {
		b.bar.IncrBy(n)
	}
}

func (b *barProgress) Done() {
	if b.bar != nil {
		b.bar.Abort(true)
		b.bar = nil
	}
}
