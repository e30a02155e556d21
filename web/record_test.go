package web

import (
	"bytes"
	"encoding/binary"
	"encoding/json"
	"fmt"
	"io"
	"math"
	"net/http"
	"os"
	"os/exec"
	"strings"
	"syscall"
	"testing"
	"time"

	"remanence/machine"
	"remanence/tape"
	"remanence/tape/audio"
)

// floats is a chunk as the page sends it.
func floats(x []float32) []byte {
	b := make([]byte, 4*len(x))
	for i, v := range x {
		binary.LittleEndian.PutUint32(b[4*i:], math.Float32bits(v))
	}
	return b
}

// cassetteSound is programs as the tape room writes them. What minimodem and sox say of that sound is tested there.
func cassetteSound(t testing.TB, set *machine.Set, copies int) []float32 {
	t.Helper()
	code, err := set.LineCode("pulse500")
	if err != nil {
		t.Fatal(err)
	}
	it, err := tape.Encode(tape.FormPulse500, tape.MachineTape, "TIDE", tideTape)
	if err != nil {
		t.Fatal(err)
	}
	var sound audio.Collector
	if _, err := tape.WriteSide(t.Context(), &sound, []tape.Item{it}, tape.SideOptions{Code: code, RateHz: 44100, StartS: 1, GapS: 2, EndS: 1, Copies: copies}, nil); err != nil {
		t.Fatal(err)
	}
	return sound.Samples
}

// caller posts as the page does.
type caller struct {
	t     *testing.T
	s     *Server
	url   string
	begun struct{ ID, Name string }
}

func (c *caller) post(path, body string, into any) (status int, text string) {
	c.t.Helper()
	r, err := http.NewRequest("POST", c.url+path, strings.NewReader(body))
	if err != nil {
		c.t.Fatal(err)
	}
	r.Header.Set("X-Token", c.s.token)
	if !strings.Contains(path, "/chunk") {
		r.Header.Set("Content-Type", "application/x-www-form-urlencoded")
	}
	resp, err := http.DefaultClient.Do(r)
	if err != nil {
		c.t.Fatal(err)
	}
	defer resp.Body.Close()
	b, err := io.ReadAll(resp.Body)
	if err != nil {
		c.t.Fatal(err)
	}
	if resp.StatusCode == 200 && into != nil {
		if err := json.Unmarshal(b, into); err != nil {
			c.t.Fatalf("%s: %v in %s", path, err, b)
		}
	}
	return resp.StatusCode, string(b)
}

func (c *caller) must(path, body string, into any) {
	c.t.Helper()
	if status, text := c.post(path, body, into); status != 200 {
		c.t.Fatalf("%s: %d %s", path, status, text)
	}
}

func (c *caller) chunk(n int, x []float32, into any) {
	c.t.Helper()
	c.must(fmt.Sprintf("/record/%s/chunk?n=%d", c.begun.ID, n), string(floats(x)), into)
}

// A cassette played into the page: blocks are heard while it runs, within 300 ms of sound, in a code that was not told; a
// chunk that comes twice is stored once; and the stored recording says the same.
func TestLiveRecording(t *testing.T) {
	s, h := bench(t)
	c := &caller{t: t, s: s, url: h.URL}
	c.must("/record/start", "rate=44100&code=find-out", &c.begun)
	x := cassetteSound(t, s.o.Set, 2)
	good, behind, slowest, n := map[string]bool{}, 0.0, time.Duration(0), 0
	for ; len(x) > 0; n++ {
		k := min(2205, len(x))
		var st, again heardNow
		start := time.Now()
		c.chunk(n, x[:k], &st)
		slowest = max(slowest, time.Since(start))
		if n%50 == 7 { // the answer was lost
			c.chunk(n, x[:k], &again)
			if again.Seconds != st.Seconds || len(again.Changed) != len(st.Changed) {
				t.Fatalf("chunk %d a second time: %+v, at first %+v", n, again, st)
			}
		}
		for _, p := range st.Changed {
			for _, b := range p.Blocks {
				key := fmt.Sprint(p.Number, " ", b.Number)
				if b.State == tape.Good && !good[key] {
					good[key] = true
					behind = max(behind, st.Seconds-b.ToS)
				}
			}
		}
		x = x[k:]
	}
	t.Logf("a block was known %.0f ms of sound after its end; the slowest answer took %v", 1000*behind, slowest)
	if len(good) != 2 || behind > 0.25 {
		t.Errorf("good while the cassette ran: %v, known %.0f ms after their end; want 2 within 250 ms", good, 1000*behind)
	}
	if status, text := c.post("/record/"+c.begun.ID+"/chunk?n=9999", "", nil); status != 409 || !strings.Contains(text, "a stretch of sound is missing") {
		t.Errorf("a chunk out of order: %d %s, want 409", status, text)
	}
	var st heardNow
	c.must("/record/"+c.begun.ID+"/stop", "", &st)
	if st.Programs != 2 || st.Stored == "" {
		t.Errorf("on stopping: %+v", st)
	}
	var all checked
	c.must("/record/check", "code=pulse500&name="+c.begun.Name, &all)
	if all.N != 2 || all.Programs[1].State != tape.Good || all.Programs[1].Name != "TIDE" || len(all.Programs[1].Blocks) != 1 || len(all.Again) != 0 {
		t.Errorf("read as a whole: %+v", all)
	}
	f, err := audio.Open(s.path("read", c.begun.Name))
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	res, err := tape.Read(t.Context(), f, s.o.Set.LineCodes(), tape.ReadOptions{}, nil)
	if err != nil || len(res.Programs) != 2 || !res.Programs[0].Whole || !bytes.Equal(res.Programs[0].Data, tideTape) {
		t.Fatalf("the stored recording: %+v, %v", res, err)
	}
	for _, bad := range []struct {
		path, body string
		want       int
	}{
		{"/record/start", "rate=100&code=pulse500", 400}, {"/record/start", "rate=44100&code=loops", 400}, {"/record/77/chunk?n=0", "", 404}, {"/record/77/stop", "", 404},
		{"/record/check", "code=loops&name=x.wav", 400}, {"/record/check", "code=pulse500&name=../shelf.sqlite", 422}, {"/record/77/counter", "counter=1", 404},
	} {
		if status, text := c.post(bad.path, bad.body, nil); status != bad.want || strings.Contains(text, s.o.Work) {
			t.Errorf("%s %s: %d %s, want %d", bad.path, bad.body, status, text, bad.want)
		}
	}
}

// While a recording runs its file can be read by others: soxi says how long it is, to the last second.
func TestRecordingIsAlwaysAFile(t *testing.T) {
	s, h := bench(t)
	c := &caller{t: t, s: s, url: h.URL}
	c.must("/record/start", "rate=44100&code=pulse500", &c.begun)
	for n := range 70 {
		c.chunk(n, make([]float32, 2205), nil)
	}
	out, err := exec.Command("soxi", "-D", s.path("read", c.begun.Name)).Output()
	if err != nil {
		t.Fatalf("soxi (make test installs sox): %v", err)
	}
	var seconds float64
	if _, err := fmt.Sscan(string(out), &seconds); err != nil || seconds < 2.4 || seconds > 3.5 {
		t.Errorf("3.5 s are recorded, soxi -D says %s", out)
	}
}

// fullDisk is a sink that runs out of room.
type fullDisk struct {
	audio.Sink
	left int
}

func (d *fullDisk) Write(x []float32) error {
	if d.left -= len(x); d.left < 0 {
		d.Sink.Write(x[:len(x)/3])
		return &os.PathError{Op: "write", Path: "/somewhere/cassette-1.wav", Err: syscall.ENOSPC}
	}
	return d.Sink.Write(x)
}

// A full disk ends the recording with what to do, and what was stored before is a valid file.
func TestDiskFull(t *testing.T) {
	s, h := bench(t)
	c := &caller{t: t, s: s, url: h.URL}
	c.must("/record/start", "rate=44100&code=pulse500", &c.begun)
	rec := s.recording(c.begun.ID)
	rec.sink = &fullDisk{rec.sink, 2 * 44100}
	n := 0
	for ; n < 40; n++ {
		c.chunk(n, make([]float32, 2205), nil)
	}
	status, text := c.post("/record/"+c.begun.ID+"/chunk?n=40", string(floats(make([]float32, 2205))), nil)
	if status != http.StatusInsufficientStorage || !strings.Contains(text, "the disk is full; what was recorded until 0:02.0 is stored as cassette-1.wav") || strings.Contains(text, "/somewhere") {
		t.Errorf("%d %s", status, text)
	}
	if status, text := c.post("/record/"+c.begun.ID+"/chunk?n=40", "", nil); status != 409 {
		t.Errorf("after it: %d %s", status, text)
	}
	out, err := exec.Command("soxi", "-s", s.path("read", c.begun.Name)).Output()
	if got := strings.TrimSpace(string(out)); err != nil || got != fmt.Sprint(40*2205+2205/3) {
		t.Errorf("soxi -s says %s samples, %v", got, err)
	}
}

// Two readings of the player's counter, and the list of what to play again speaks of it.
func TestRecordCounter(t *testing.T) {
	s, h := bench(t)
	c := &caller{t: t, s: s, url: h.URL}
	c.must("/record/start", "rate=8000&code=kcs300", &c.begun)
	if status, text := c.post("/record/"+c.begun.ID+"/counter", "counter=3", nil); status != 422 || !strings.Contains(text, "30 s") {
		t.Errorf("too early: %d %s", status, text)
	}
	quiet := make([]float32, 8000*40)
	c.chunk(0, quiet, nil)
	c.must("/record/"+c.begun.ID+"/counter", "counter=20", nil)
	c.chunk(1, quiet, nil)
	if status, _ := c.post("/record/"+c.begun.ID+"/counter", "counter=15", nil); status != 422 {
		t.Errorf("a counter that runs back: %d", status)
	}
	c.must("/record/"+c.begun.ID+"/counter", "counter=39", nil)
	if live := s.recording(c.begun.ID).live; live.Counter == nil || live.Counter.At(80) != 39 {
		t.Errorf("%+v", live.Counter)
	}
}

// A recording whose page went away makes room for others, and keeps what it has.
func TestForgottenRecording(t *testing.T) {
	s, h := bench(t)
	c := &caller{t: t, s: s, url: h.URL}
	for range maxListening {
		c.must("/record/start", "rate=44100&code=pulse500", &c.begun)
	}
	if status, _ := c.post("/record/start", "rate=44100&code=pulse500", nil); status != 409 {
		t.Errorf("one too many: %d", status)
	}
	rec := s.recording(c.begun.ID)
	rec.mu.Lock()
	rec.seen = rec.seen.Add(-2 * idleListening)
	rec.mu.Unlock()
	c.must("/record/start", "rate=44100&code=pulse500", &c.begun)
	rec.mu.Lock()
	defer rec.mu.Unlock()
	if !rec.ended {
		t.Error("the recording nobody feeds is still open")
	}
}

// BenchmarkHear is what sound costs while it is recorded, stored and heard block by block, in chunks of 50 ms: in a code
// that was told, and in all of them.
func BenchmarkHear(b *testing.B) {
	set, err := machine.Load("")
	if err != nil {
		b.Fatal(err)
	}
	x := cassetteSound(b, set, 1)
	for _, name := range []string{"pulse500", findOut} {
		b.Run(name, func(b *testing.B) {
			s := &Server{o: Options{Set: set}}
			codes, err := s.codesFor(name)
			if err != nil {
				b.Fatal(err)
			}
			for b.Loop() {
				live, err := tape.NewLive(codes, 44100)
				if err != nil {
					b.Fatal(err)
				}
				r := &recording{rate: 44100, live: live, sink: &audio.Collector{}}
				for i := 0; i < len(x); i += 2205 {
					if _, err := r.feed(r.next, floats(x[i:min(i+2205, len(x))])); err != nil {
						b.Fatal(err)
					}
				}
			}
			b.ReportMetric(float64(len(x))/44100*float64(b.N)/b.Elapsed().Seconds(), "x-playing-time")
		})
	}
}

func TestClock(t *testing.T) {
	for s, want := range map[float64]string{0: "0:00.0", 59.94: "0:59.9", 59.96: "1:00.0", 75.9: "1:15.9", 3599.99: "60:00.0"} {
		if got := clock(s); got != want {
			t.Errorf("%v s: %s, want %s", s, got, want)
		}
	}
}
