// Package adapter makes any program that can time flux transitions a drive of the bench.
//
// The program is started, is asked by one JSON object a line on its standard input, and answers each with one JSON
// object a line on its standard output (doc/adapters.md). A track travels as an interval capture (.ivl), in base64. The
// bench lays out tracks and decodes what comes back; the program need know nothing of sectors.
//
// Worked example of a conversation (captures shortened):
//
//	> {"id":1,"do":"hello","version":1}
//	< {"id":1,"ok":true,"name":"simulator","version":1,"writes":true,"cylinders":82,"heads":2}
//	> {"id":2,"do":"write","cylinder":17,"head":0,"rpm":300,"capture":"cmVtYW5lbmNl..."}
//	< {"id":2,"ok":true}
//	> {"id":3,"do":"read","cylinder":17,"head":0,"revolutions":2}
//	< {"id":3,"ok":true,"capture":"cmVtYW5lbmNl..."}
package adapter

import (
	"bufio"
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"os/exec"
	"slices"
	"strings"
	"sync"
	"time"

	"remanence/bench"
	"remanence/disk"
	"remanence/disk/flux"
	"remanence/disk/track"
)

// Version of the protocol.
const Version = 1

// MaxLine bounds one line either way: a capture of ten revolutions of the densest track, in base64, is under 4 MiB.
const MaxLine = 16 << 20

// Request is one line to the program.
type Request struct {
	ID          int     `json:"id"`
	Do          string  `json:"do"` // hello, read, write, bye
	Version     int     `json:"version,omitempty"`
	Cylinder    int     `json:"cylinder"`
	Head        int     `json:"head"`
	Revolutions int     `json:"revolutions,omitempty"`
	RPM         float64 `json:"rpm,omitempty"`
	Capture     []byte  `json:"capture,omitempty"` // base64 of an interval capture, from index to index
}

// Answer is one line from the program.
type Answer struct {
	ID        int    `json:"id"`
	OK        bool   `json:"ok"`
	Error     string `json:"error,omitempty"` // write-protected, no-disk, no-index, unable, bad-request, or words
	Name      string `json:"name,omitempty"`
	Version   int    `json:"version,omitempty"`
	Writes    bool   `json:"writes,omitempty"`
	Cylinders int    `json:"cylinders,omitempty"`
	Heads     int    `json:"heads,omitempty"`
	Capture   []byte `json:"capture,omitempty"`
}

// ErrProtocol is an answer that no rule of the protocol allows.
var ErrProtocol = errors.New("the adapter does not keep to the protocol")

// ParseAnswer reads one line from a program and checks it.
func ParseAnswer(line []byte) (*Answer, error) {
	if len(line) > MaxLine {
		return nil, fmt.Errorf("a line of more than %d bytes: %w", MaxLine, ErrProtocol)
	}
	a := new(Answer)
	if err := json.Unmarshal(line, a); err != nil {
		return nil, fmt.Errorf("%q is no answer: %w", shorten(line), ErrProtocol)
	}
	if a.ID < 0 || a.Cylinders < 0 || a.Cylinders > disk.MaxCylinders || a.Heads < 0 || a.Heads > 2 {
		return nil, fmt.Errorf("id %d, %d cylinders, %d heads: %w", a.ID, a.Cylinders, a.Heads, ErrProtocol)
	}
	return a, nil
}

func shorten(b []byte) []byte { return b[:min(len(b), 60)] }

// conn is a running program.
type conn struct {
	cmd   *exec.Cmd
	in    io.WriteCloser
	lines chan []byte
	wait  time.Duration
	next  int
	dead  error
	once  sync.Once
	done  chan struct{}
	err   bytes.Buffer
}

// start runs a program. It is ended when the connection is closed, whatever it does.
func start(command []string, wait time.Duration) (*conn, error) {
	if len(command) == 0 {
		return nil, errors.New("adapter: no command is given")
	}
	c := &conn{cmd: exec.Command(command[0], command[1:]...), lines: make(chan []byte), wait: wait, done: make(chan struct{})}
	ownGroup(c.cmd)
	c.cmd.Stderr = &limited{b: &c.err, left: 4096}
	c.cmd.WaitDelay = 2 * time.Second
	in, err := c.cmd.StdinPipe()
	if err != nil {
		return nil, err
	}
	out, err := c.cmd.StdoutPipe()
	if err != nil {
		return nil, err
	}
	c.in = in
	if err := c.cmd.Start(); err != nil {
		return nil, fmt.Errorf("adapter %s: %w", command[0], err)
	}
	go func() {
		defer close(c.lines)
		r := bufio.NewReaderSize(out, 64<<10)
		for {
			line, err := readLine(r)
			if len(line) > 0 {
				select {
				case c.lines <- line:
				case <-c.done:
					return
				}
			}
			if err != nil {
				return
			}
		}
	}()
	return c, nil
}

// readLine reads a line of bounded length.
func readLine(r *bufio.Reader) ([]byte, error) {
	var out []byte
	for {
		part, err := r.ReadSlice('\n')
		out = append(out, part...)
		if len(out) > MaxLine {
			return nil, io.ErrShortBuffer
		}
		if err != bufio.ErrBufferFull {
			return bytes.TrimSpace(out), err
		}
	}
}

type limited struct {
	b    *bytes.Buffer
	left int
}

func (l *limited) Write(p []byte) (int, error) {
	n := min(len(p), l.left)
	l.left -= n
	l.b.Write(p[:n])
	return len(p), nil
}

// ask sends a request and waits for its answer. After a failure the program is ended: what it still says belongs to
// nothing.
func (c *conn) ask(ctx context.Context, q Request) (*Answer, error) {
	if c.dead != nil {
		return nil, c.dead
	}
	c.next++
	q.ID = c.next
	b, err := json.Marshal(q)
	if err != nil {
		return nil, err
	}
	fail := func(err error) (*Answer, error) {
		c.dead = fmt.Errorf("%w: %w", err, bench.ErrLinkLost)
		c.kill()
		return nil, c.dead
	}
	timer := time.NewTimer(c.wait)
	defer timer.Stop()
	sent := make(chan error, 1)
	go func() { _, err := c.in.Write(append(b, '\n')); sent <- err }()
	for {
		select {
		case err := <-sent:
			if err != nil {
				return fail(fmt.Errorf("the adapter takes no more requests (%v)", err))
			}
			sent = nil
		case line, ok := <-c.lines:
			if !ok {
				return fail(errors.New("the adapter ended without an answer"))
			}
			a, err := ParseAnswer(line)
			if err != nil {
				return fail(err)
			}
			if a.ID != q.ID {
				return fail(fmt.Errorf("answer %d to request %d: %w", a.ID, q.ID, ErrProtocol))
			}
			if !a.OK {
				return a, meaning(a.Error)
			}
			return a, nil
		case <-timer.C:
			return fail(fmt.Errorf("no answer to %s within %v", q.Do, c.wait))
		case <-ctx.Done():
			c.dead = ctx.Err()
			c.kill()
			return nil, ctx.Err()
		}
	}
}

// meaning is the error of the words an answer gives.
func meaning(word string) error {
	switch word {
	case "write-protected":
		return bench.ErrWriteProtected
	case "no-disk":
		return bench.ErrNoDisk
	case "unable":
		return bench.ErrUnable
	case "no-index":
		return errors.New("no index pulse: the disk does not turn, or lies askew")
	case "":
		return fmt.Errorf("an answer that is not ok and says no error: %w", ErrProtocol)
	}
	return errors.New("the adapter says: " + word[:min(len(word), 300)])
}

func (c *conn) kill() {
	c.once.Do(func() {
		close(c.done)
		c.in.Close()
		killGroup(c.cmd)
		_ = c.cmd.Wait() // how it ended no longer matters
	})
}

// close says bye and gives the program a moment to end by itself.
func (c *conn) close() {
	if c.dead == nil {
		c.wait = min(c.wait, 2*time.Second)
		_, _ = c.ask(context.Background(), Request{Do: "bye"}) // it is ended in any case
	}
	c.kill()
}

// Device is an adapter as a drive.
type Device struct {
	c     *conn
	hello *Answer
	comb  *bench.Combination
	scan  track.Scanner
}

var _ bench.Device = (*Device)(nil)

// Start runs a program and greets it.
func Start(ctx context.Context, command []string, wait time.Duration, comb *bench.Combination) (*Device, error) {
	c, err := start(command, wait)
	if err != nil {
		return nil, err
	}
	d := &Device{c: c, comb: comb}
	if d.hello, err = c.ask(ctx, Request{Do: "hello", Version: Version}); err == nil && (d.hello.Version != Version || d.hello.Cylinders == 0 || d.hello.Heads == 0) {
		err = fmt.Errorf("hello: version %d, %d cylinders, %d heads: %w", d.hello.Version, d.hello.Cylinders, d.hello.Heads, ErrProtocol)
	}
	if err != nil {
		said := strings.TrimSpace(c.err.String())
		c.kill()
		if said != "" {
			err = fmt.Errorf("%w (it said: %s)", err, said)
		}
		return nil, fmt.Errorf("adapter %s: %w", command[0], err)
	}
	return d, nil
}

// Name is what the program calls itself.
func (d *Device) Name() string { return "adapter " + d.hello.Name }

// Unable says what the program cannot do with a track.
func (d *Device) Unable(t *bench.Track) error {
	switch {
	case !d.hello.Writes:
		return errors.New("the adapter reads only")
	case t.Physical >= d.hello.Cylinders || t.Head >= d.hello.Heads:
		return fmt.Errorf("step %d, head %d: the adapter has %d steps and %d heads", t.Physical, t.Head, d.hello.Cylinders, d.hello.Heads)
	}
	return nil
}

// Format writes the whole track, data included: an adapter writes transitions.
func (d *Device) Format(ctx context.Context, t *bench.Track) error {
	rec := t.Recording(d.comb.Settings.RPM)
	cells, err := track.Build(rec, t.Cylinder, t.Head, t.Sectors)
	if err != nil {
		return err
	}
	k := cells.Capture(t.Physical, t.Head, track.EncodeOptions{TickNS: 25, PrecompNS: d.comb.Settings.PrecompNS})
	b, err := k.Append(nil)
	if err != nil {
		return err
	}
	_, err = d.c.ask(ctx, Request{Do: "write", Cylinder: t.Physical, Head: t.Head, RPM: d.comb.Settings.RPM, Capture: b})
	return err
}

// Write has nothing left to do.
func (d *Device) Write(context.Context, *bench.Track) error { return nil }

// Look asks for two revolutions and finds any encoding in them.
func (d *Device) Look(ctx context.Context, t *bench.Track) (*bench.Seen, error) {
	k, err := d.capture(ctx, t)
	if err != nil {
		return nil, err
	}
	r, err := d.scan.Scan(ctx, []*flux.Capture{k}, track.Options{NoRepair: true})
	if err != nil {
		return nil, err
	}
	seen := &bench.Seen{Cylinder: t.Cylinder, Head: t.Head}
	if len(r.Encodings) > 0 {
		e := r.Encodings[0]
		var ids []disk.SectorID
		for i := range r.Sectors {
			if s := &r.Sectors[i]; s.Encoding == e.Encoding && s.Status == disk.Good {
				ids = append(ids, s.ID)
			}
		}
		seen = bench.SeenOf(t, e.Encoding, 0.5e6/e.CellNS, ids)
	}
	seen.Counted, seen.Transitions = true, r.Transitions
	if r.Revolutions > 0 {
		seen.Transitions = int(float64(r.Transitions) / r.Revolutions)
	}
	return seen, nil
}

// capture asks for two revolutions.
func (d *Device) capture(ctx context.Context, t *bench.Track) (*flux.Capture, error) {
	a, err := d.c.ask(ctx, Request{Do: "read", Cylinder: t.Physical, Head: t.Head, Revolutions: 2})
	if err != nil {
		return nil, err
	}
	k, err := flux.ReadCapture(bytes.NewReader(a.Capture))
	if err != nil {
		return nil, fmt.Errorf("the adapter's capture: %w", err)
	}
	return k, nil
}

// Read asks for two revolutions and decodes them as a controller would; nothing is repaired.
func (d *Device) Read(ctx context.Context, t *bench.Track) ([]disk.Sector, error) {
	k, err := d.capture(ctx, t)
	if err != nil {
		return nil, err
	}
	f := t.Format
	rpm := d.comb.Settings.RPM
	r, err := d.scan.Scan(ctx, []*flux.Capture{k}, track.Options{Format: &f, RevolutionNS: 60e9 / rpm, FastOnly: true})
	if err != nil {
		return nil, err
	}
	out := slices.Clone(t.Sectors)
	for i := range out {
		w := &out[i]
		j := slices.IndexFunc(r.Sectors, func(s disk.Sector) bool { return s.ID == w.ID && s.Status == disk.Good })
		if j < 0 {
			j = slices.IndexFunc(r.Sectors, func(s disk.Sector) bool { return s.ID == w.ID })
		}
		if j < 0 {
			w.Data, w.Status, w.Why = nil, disk.Bad, "no such sector"
			continue
		}
		s := r.Sectors[j]
		s.Cylinder, s.Head = t.Cylinder, t.Head
		*w = s
	}
	return out, nil
}

// Close says bye, and ends the program if it does not go.
func (d *Device) Close() error { d.c.close(); return nil }
