package remote

import (
	"bytes"
	"context"
	"crypto/tls"
	"errors"
	"fmt"
	"io"
	"net"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"remanence/bench"
	"remanence/disk"
	"remanence/machine"
)

// memory is a drive that keeps its disk in memory and counts what it is asked.
type memory struct {
	mu              sync.Mutex
	tracks          map[[2]int][]disk.Sector
	formats, writes int
	sectors         int
	closed          bool
}

func (m *memory) Name() string                { return "memory" }
func (m *memory) Unable(t *bench.Track) error { return nil }
func (m *memory) Close() error                { m.closed = true; return nil }
func (m *memory) Format(_ context.Context, t *bench.Track) error {
	m.mu.Lock()
	defer m.mu.Unlock()
	m.formats++
	list := slices.Clone(t.Sectors)
	for i := range list {
		list[i].Data = bytes.Repeat([]byte{0xE5}, len(list[i].Data))
	}
	m.tracks[[2]int{t.Physical, t.Head}] = list
	return nil
}
func (m *memory) Write(_ context.Context, t *bench.Track) error {
	m.mu.Lock()
	defer m.mu.Unlock()
	m.writes++
	list := m.tracks[[2]int{t.Physical, t.Head}]
	for _, s := range t.Sectors {
		i := slices.IndexFunc(list, func(x disk.Sector) bool { return x.ID == s.ID })
		if i < 0 {
			return errors.New("not formatted")
		}
		list[i].Data, list[i].Mark = slices.Clone(s.Data), s.Mark
		m.sectors++
	}
	return nil
}
func (m *memory) Read(_ context.Context, t *bench.Track) ([]disk.Sector, error) {
	m.mu.Lock()
	defer m.mu.Unlock()
	list := m.tracks[[2]int{t.Physical, t.Head}]
	if list == nil {
		return nil, errors.New("nothing there")
	}
	return slices.Clone(list), nil
}

type setupT struct {
	addr, code, pins string
	mem              *memory
	logged           *bytes.Buffer
	mu               *sync.Mutex
}

func serveHere(t *testing.T, dir string) *setupT {
	t.Helper()
	x := &setupT{mem: &memory{tracks: map[[2]int][]disk.Sector{}}, logged: new(bytes.Buffer), mu: new(sync.Mutex), pins: filepath.Join(t.TempDir(), "pins.json")}
	s, code, err := NewServer(dir, func(_, _ string, _ int) (bench.Device, error) { return x.mem, nil }, func(f string, a ...any) {
		x.mu.Lock()
		defer x.mu.Unlock()
		fmt.Fprintf(x.logged, f+"\n", a...)
	})
	if err != nil {
		t.Fatal(err)
	}
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithCancel(context.Background())
	done := make(chan error, 1)
	go func() { done <- s.Serve(ctx, l) }()
	t.Cleanup(func() {
		cancel()
		if err := <-done; !errors.Is(err, context.Canceled) {
			t.Errorf("server: %v", err)
		}
	})
	x.addr, x.code = l.Addr().String(), code
	return x
}

func job(t *testing.T) (*disk.Image,
	*disk.Recording, *bench.Combination) {
	t.Helper()
	s, err := machine.Load("")
	if err != nil {
		t.Fatal(err)
	}
	rec, err := s.Recording("fm10x256:6x1")
	if err != nil {
		t.Fatal(err)
	}
	im := disk.NewImage(rec)
	for i := range im.Data {
		im.Data[i] = byte(i * 3 >> 1)
	}
	im.SetMark(disk.Place{Cylinder: 3, Sector: 2}, disk.MarkDeleted)
	return im, rec, &bench.Combination{Steps: 1, Settings: bench.Settings{RPM: 300}}
}

func TestPairWriteRead(t *testing.T) {
	x := serveHere(t, t.TempDir())
	ctx := context.Background()
	im, rec, c := job(t)
	if _, err := Dial(ctx, x.addr, x.pins, "", rec.Reference(), 1, 5*time.Second); err == nil || !strings.Contains(err.Error(), "not paired") {
		t.Fatalf("without pairing: %v", err)
	}
	if err := Pair(ctx, x.addr, "WRONGONE", x.pins, 5*time.Second); err == nil {
		t.Fatal("a wrong code paired")
	}
	if err := Pair(ctx, x.addr, x.code, x.pins, 5*time.Second); err != nil {
		t.Fatal(err)
	}
	if st, err := os.Stat(x.pins); err != nil || st.Mode().Perm() != 0o600 {
		t.Errorf("the keys can be read by others: %v %v", st.Mode(), err)
	}
	if err := Pair(ctx, x.addr, x.code, filepath.Join(t.TempDir(), "p"), 5*time.Second); err == nil {
		t.Error("a code paired twice")
	}
	d, err := Dial(ctx, x.addr, x.pins, "", rec.Reference(), 1, 5*time.Second)
	if err != nil {
		t.Fatal(err)
	}
	if _, err := Dial(ctx, x.addr, x.pins, "", rec.Reference(), 1, 5*time.Second); err == nil || !strings.Contains(err.Error(), "in use") {
		t.Errorf("a second job at the same drive: %v", err)
	}
	r, err := bench.WriteDisk(ctx, d, im, rec, c, bench.WriteOptions{})
	if err != nil || !r.Whole {
		t.Fatalf("%v %+v", err, r)
	}
	back, lost, err := bench.ReadDisk(ctx, d, rec, c, nil, nil)
	if err != nil || lost != 0 || !bytes.Equal(back.Data, im.Data) {
		t.Fatalf("%v, %d lost", err, lost)
	}
	d.Close()
	x.mu.Lock()
	defer x.mu.Unlock()
	for _, want := range []string{"wrong pairing code", "paired", "format cylinder 5 head 0: ok", "read cylinder 5 head 0: ok"} {
		if !strings.Contains(x.logged.String(), want) {
			t.Errorf("the log does not say %q", want)
		}
	}
}

func TestThreeWrongCodesClosePairing(t *testing.T) {
	x := serveHere(t, t.TempDir())
	for range 3 {
		if err := Pair(context.Background(), x.addr, "AAAAAAAA", x.pins, 5*time.Second); err == nil {
			t.Fatal("paired")
		}
	}
	if err := Pair(context.Background(), x.addr, x.code, x.pins, 5*time.Second); err == nil || !strings.Contains(err.Error(), "closed") {
		t.Errorf("after three wrong codes the right one: %v", err)
	}
}

// Somebody in between has another certificate: pairing through him fails, and so does a paired computer.
func TestManInTheMiddle(t *testing.T) {
	x := serveHere(t, t.TempDir())
	other, err := certificate(t.TempDir())
	if err != nil {
		t.Fatal(err)
	}
	l, err := tls.Listen("tcp", "127.0.0.1:0", &tls.Config{Certificates: []tls.Certificate{other}})
	if err != nil {
		t.Fatal(err)
	}
	defer l.Close()
	go func() {
		for {
			c, err := l.Accept()
			if err != nil {
				return
			}
			up, err := tls.Dial("tcp", x.addr, &tls.Config{InsecureSkipVerify: true})
			if err != nil {
				c.Close()
				continue
			}
			go func() { _, _ = io.Copy(up, c); up.Close() }()
			go func() { _, _ = io.Copy(c, up); c.Close() }()
		}
	}()
	if err := Pair(context.Background(), l.Addr().String(), x.code, x.pins, 5*time.Second); err == nil {
		t.Fatal("paired through somebody in between")
	}
	if err := Pair(context.Background(), x.addr, x.code, x.pins, 5*time.Second); err != nil {
		t.Fatal(err)
	}
	known, err := readPins(x.pins)
	if err != nil {
		t.Fatal(err)
	}
	if _, err := connect(context.Background(), l.Addr().String(), known[x.addr].Certificate, 5*time.Second); err == nil || !strings.Contains(err.Error(), "not the one") {
		t.Errorf("another certificate: %v", err)
	}
}

// The link is cut again and again, also in the middle of a message: the disk is whole in the end, and verified means it.
func TestLostLinkResumes(t *testing.T) {
	x := serveHere(t, t.TempDir())
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	defer l.Close()
	proxy := l.Addr().String()
	go func() {
		for n := 0; ; n++ {
			c, err := l.Accept()
			if err != nil {
				return
			}
			up, err := net.Dial("tcp", x.addr)
			if err != nil {
				c.Close()
				continue
			}
			left := int64(9_000 + 7_919*n%23_000) // bytes up before the cut
			if n == 0 {
				left = 1 << 30 // pairing
			}
			cut := func() { c.Close(); up.Close() }
			go func() { _, _ = io.Copy(up, io.LimitReader(c, left)); cut() }()
			go func() { _, _ = io.Copy(c, up); cut() }()
		}
	}()
	ctx := context.Background()
	if err := Pair(ctx, proxy, x.code, x.pins, 5*time.Second); err != nil {
		t.Fatal(err)
	}
	im, rec, c := job(t)
	d, err := Dial(ctx, proxy, x.pins, "", rec.Reference(), 1, 5*time.Second)
	if err != nil {
		t.Fatal(err)
	}
	d.Pause = 20 * time.Millisecond
	var said []string
	d.Say = func(what string) { said = append(said, what) }
	r, err := bench.WriteDisk(ctx, d, im, rec, c, bench.WriteOptions{})
	d.Close()
	if err != nil || !r.Whole {
		t.Fatalf("%v %+v", err, r)
	}
	for cyl := range rec.Cylinders {
		tr := bench.TrackOf(im, rec, cyl, 0, c)
		for i, s := range x.mem.tracks[[2]int{cyl, 0}] {
			if !bytes.Equal(s.Data, tr.Sectors[i].Data) || s.Mark != tr.Sectors[i].Mark {
				t.Errorf("cylinder %d sector %d is not as it was called", cyl, s.ID.Sector)
			}
		}
	}
	for i, what := range said { // a loss and its end, in turn: each is told once
		if lost := strings.Contains(what, "the link is lost"); lost != (i%2 == 0) || !lost && !strings.Contains(what, "there again") {
			t.Errorf("%d: %q", i, what)
		}
	}
	if len(said) == 0 || len(said)%2 != 0 {
		t.Errorf("told %q", said)
	}
	if x.mem.formats < rec.Cylinders {
		t.Errorf("%d formats of %d tracks", x.mem.formats, rec.Cylinders)
	}
}

// A bench that goes away for good ends the job with what is verified so far, and no more.
func TestLinkLostForGood(t *testing.T) {
	dir := t.TempDir()
	x := serveHere(t, dir)
	ctx := context.Background()
	if err := Pair(ctx, x.addr, x.code, x.pins, 5*time.Second); err != nil {
		t.Fatal(err)
	}
	_, rec, c := job(t)
	d, err := Dial(ctx, x.addr, x.pins, "", rec.Reference(), 1, time.Second)
	if err != nil {
		t.Fatal(err)
	}
	d.Pause = time.Millisecond
	told := 0
	d.Say = func(string) { told++ }
	d.addr = "127.0.0.1:1" // nothing listens there
	d.l.c.Close()
	im, _, _ := job(t)
	r, err := bench.WriteDisk(ctx, d, im, rec, c, bench.WriteOptions{})
	if !errors.Is(err, bench.ErrLinkLost) && !errors.Is(err, bench.ErrUnable) || r.Verified != 0 {
		t.Errorf("%v %+v", err, r)
	}
	if told != 1 {
		t.Errorf("the loss was told %d times", told)
	}
}

// A computer that was never paired gets nothing but a refusal, whatever it sends.
func TestStrangers(t *testing.T) {
	x := serveHere(t, t.TempDir())
	for _, line := range []string{`{"n":1,"do":"open"}`, `{"n":1,"do":"read","auth":"00"}`, "garbage", `{"n":5}`, strings.Repeat("x", MaxLine+10)} {
		c, err := tls.Dial("tcp", x.addr, &tls.Config{InsecureSkipVerify: true})
		if err != nil {
			t.Fatal(err)
		}
		_ = c.SetDeadline(time.Now().Add(10 * time.Second))
		go func() { _, _ = io.WriteString(c, line+"\n") }()
		b, _ := io.ReadAll(c)
		if strings.Count(string(b), `"ok":true`) > 1 {
			t.Errorf("%.40q: answered %s", line, b)
		}
		c.Close()
	}
	if x.mem.formats+x.mem.writes > 0 {
		t.Error("a stranger reached the drive")
	}
}

func FuzzRequest(f *testing.F) {
	f.Add([]byte(`{"n":1,"do":"read","auth":"x","track":{"cylinder":1,"head":0,"physical":2,"select-kbit-s":250}}`))
	f.Add([]byte(`{"n":1,"do":"write","sectors":[{"cylinder":0}]}`))
	f.Fuzz(func(t *testing.T, line []byte) {
		q, err := ParseRequest(line)
		if err != nil || q.Track == nil {
			return
		}
		if q.Track.Physical > 255 || len(q.Track.Sectors) != len(q.Sectors) || q.Track.Format.Validate() != nil {
			t.Fatalf("accepted %+v", q)
		}
	})
}

func FuzzAnswer(f *testing.F) {
	f.Add([]byte(`{"n":1,"ok":true,"sectors":[{"cylinder":1,"size":256,"data":"00"}]}`))
	f.Fuzz(func(t *testing.T, line []byte) {
		if a, err := ParseAnswer(line); err == nil && len(a.Sectors) > 255 {
			t.Fatal("accepted")
		}
	})
}
