package kernel

import (
	"context"
	"errors"
	"net"
	"path/filepath"
	"sync"
	"testing"
	"time"

	"remanence/bench"
	"remanence/bench/remote"
)

// cutLine lies between a workbench and a remote bench, and cuts the connection at a byte it was told.
type cutLine struct {
	mu      sync.Mutex
	left    int64 // bytes until the cut, both ways together; below 0: none is meant
	lasting bool  // after the cut no connection comes through any more
	dead    bool
	cuts    int
}

// arm tells when to cut; below 0 the line is sound.
func (l *cutLine) arm(after int64, lasting bool) {
	l.mu.Lock()
	defer l.mu.Unlock()
	l.left, l.lasting, l.dead = after, lasting, false
}

// take is how many of n bytes come through.
func (l *cutLine) take(n int) (through int, cut bool) {
	l.mu.Lock()
	defer l.mu.Unlock()
	if l.left < 0 || int64(n) < l.left {
		if l.left >= 0 {
			l.left -= int64(n)
		}
		return n, false
	}
	through = int(l.left)
	l.left, l.dead = -1, l.lasting
	l.cuts++
	return through, true
}

func (l *cutLine) pump(to, from net.Conn) {
	defer to.Close()
	defer from.Close()
	buf := make([]byte, 4096)
	for {
		n, err := from.Read(buf)
		n, cut := l.take(n)
		if _, werr := to.Write(buf[:n]); err != nil || werr != nil || cut {
			return
		}
	}
}

func (l *cutLine) serve(on net.Listener, addr string) {
	for {
		c, err := on.Accept()
		if err != nil {
			return
		}
		l.mu.Lock()
		dead := l.dead
		l.mu.Unlock()
		up, err := net.Dial("tcp", addr)
		if err != nil || dead {
			c.Close()
			if err == nil {
				up.Close()
			}
			continue
		}
		go l.pump(up, c)
		go l.pump(c, up)
	}
}

// farBench is a remote bench behind a line that can be cut.
type farBench struct {
	line       cutLine
	addr, pins string
	mu         sync.Mutex
	idle       *sync.Cond
	port       *fakePort
	open       int
}

// held is a drive of a farBench: it tells when the server lets go of it.
type held struct {
	*Drive
	far *farBench
}

func (h held) Close() error {
	h.far.mu.Lock()
	defer h.far.mu.Unlock()
	h.far.open--
	h.far.idle.Broadcast()
	return h.Drive.Close()
}

func newFarBench(t *testing.T, drive func(p *fakePort) *Drive) *farBench {
	t.Helper()
	b := &farBench{pins: filepath.Join(t.TempDir(), "pins.json")}
	b.idle = sync.NewCond(&b.mu)
	b.line.arm(-1, false)
	s, code, err := remote.NewServer(t.TempDir(), func(_, _ string, _ int) (bench.Device, error) {
		b.mu.Lock()
		defer b.mu.Unlock()
		b.open++
		return held{drive(b.port), b}, nil
	}, func(string, ...any) {})
	if err != nil {
		t.Fatal(err)
	}
	near, e1 := net.Listen("tcp", "127.0.0.1:0")
	far, e2 := net.Listen("tcp", "127.0.0.1:0")
	if err := errors.Join(e1, e2); err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithCancel(context.Background())
	done := make(chan error, 1)
	go func() { done <- s.Serve(ctx, far) }()
	go b.line.serve(near, far.Addr().String())
	t.Cleanup(func() {
		near.Close()
		cancel()
		if err := <-done; !errors.Is(err, context.Canceled) {
			t.Errorf("server: %v", err)
		}
	})
	b.addr = near.Addr().String()
	if err := remote.Pair(ctx, b.addr, code, b.pins, 5*time.Second); err != nil {
		t.Fatal(err)
	}
	return b
}

// dial opens the drive behind p over the line. done closes it, and waits until the server has let go of p.
func (b *farBench) dial(t *testing.T, p *fakePort, recording string) (dev bench.Device, done func()) {
	t.Helper()
	b.mu.Lock()
	b.port = p
	b.mu.Unlock()
	d, err := remote.Dial(context.Background(), b.addr, b.pins, "", recording, 1, 5*time.Second)
	if err != nil {
		t.Fatal(err)
	}
	d.Pause = 2 * time.Millisecond
	return d, func() {
		d.Close()
		b.mu.Lock()
		defer b.mu.Unlock()
		for b.open > 0 {
			b.idle.Wait()
		}
	}
}
