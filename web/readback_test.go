package web

import (
	"bytes"
	"context"
	"fmt"
	"math/rand/v2"
	"net/http"
	"net/http/httptest"
	"net/url"
	"path"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"remanence/disk"
	"remanence/disk/flux"
	"remanence/disk/track"
)

// poor are captures of an image as a worn disk in a poor drive gives them: jitter in half windows, and in each turn some
// dropouts of 60 us. Names are those of a folder of captures.
func poor(t testing.TB, rec *disk.Recording, im *disk.Image, captures, turns int, jitter, dropouts float64) map[string][]byte {
	t.Helper()
	rng := rand.New(rand.NewPCG(9, 9))
	out := map[string][]byte{}
	for c := range rec.Cylinders {
		for h := range rec.Sides {
			cells, err := track.Build(rec, c, h, im.Track(c, h))
			if err != nil {
				t.Fatal(err)
			}
			half := 1e6 / rec.Format(c, h).RateKbit / 4
			for n := range captures {
				perfect := cells.Capture(c, h, track.EncodeOptions{Revolutions: turns})
				times := perfect.Times(nil)
				for range int(dropouts * float64(turns)) {
					at := rng.Float64() * float64(turns) * rec.RevolutionNS()
					times = slices.DeleteFunc(times, func(x float64) bool { return x > at && x < at+60e3 })
				}
				m := flux.Impairment{Speed: 0.005 * float64(n), Wow: 0.003, Revolution: rec.RevolutionNS(), JitterNS: jitter * half, PeakNS: 0.05 * half}
				k := flux.FromTimes(m.Apply(times, rng), 25)
				k.Cylinder, k.Head = c, h
				for _, x := range perfect.Index {
					k.Index = append(k.Index, uint64(float64(x)*(1+m.Speed)))
				}
				b, err := k.Append(nil)
				if err != nil {
					t.Fatal(err)
				}
				out[flux.FileName(c, h, n+1)] = b
			}
		}
	}
	return out
}

// noise fills an image of a recording with bytes that no volume could be taken for.
func noise(rec *disk.Recording, seed uint64) *disk.Image {
	im := disk.NewImage(rec)
	rng := rand.New(rand.NewPCG(seed, seed))
	for i := range im.Data {
		im.Data[i] = byte(rng.Uint32())
	}
	return im
}

func recordingOf(t testing.TB, s *Server, ref string) *disk.Recording {
	t.Helper()
	rec, err := s.o.Set.Recording(ref)
	if err != nil {
		t.Fatal(err)
	}
	return rec
}

// bring puts files where Prove finds them, as the page's script does.
func bring(t testing.TB, s *Server, h *httptest.Server, files map[string][]byte) (names []string) {
	t.Helper()
	for name := range files {
		names = append(names, name)
	}
	slices.Sort(names)
	for _, name := range names {
		r, err := http.NewRequest("POST", h.URL+"/prove/put?path="+url.QueryEscape(name), bytes.NewReader(files[name]))
		if err != nil {
			t.Fatal(err)
		}
		r.Header.Set("X-Token", s.token)
		resp, err := http.DefaultClient.Do(r)
		if err != nil {
			t.Fatal(err)
		}
		resp.Body.Close()
		if resp.StatusCode != http.StatusOK {
			t.Fatalf("%s: status %d", name, resp.StatusCode)
		}
	}
	return names
}

// ended waits until the work that was begun has ended, and gives how.
func ended(t testing.TB, s *Server) status {
	t.Helper()
	s.jobs.mu.Lock()
	j := s.jobs.now
	s.jobs.mu.Unlock()
	late := time.After(2 * time.Minute)
	for {
		st, wake := j.status()
		if st.State != "working" {
			return st
		}
		select {
		case <-wake:
		case <-late:
			t.Fatalf("still working: %+v", st)
		}
	}
}

// readBack has files read back and gives the page of the disk.
func readBack(t testing.TB, s *Server, h *httptest.Server, names ...string) string {
	t.Helper()
	r, err := http.PostForm(h.URL+"/prove/read", url.Values{"token": {s.token}, "name": names})
	if err != nil {
		t.Fatal(err)
	}
	r.Body.Close()
	if r.StatusCode != http.StatusOK {
		t.Fatalf("read back: status %d", r.StatusCode)
	}
	st := ended(t, s)
	if st.State != "done" {
		t.Fatalf("read back: %+v", st)
	}
	return st.Goes
}

// again is a workbench started anew on the folder of another.
func again(t *testing.T, s *Server) (*Server, *httptest.Server) {
	t.Helper()
	ctx, cancel := context.WithCancel(context.Background())
	n, err := New(ctx, s.o)
	if err != nil {
		t.Fatal(err)
	}
	h := httptest.NewServer(n.Handler())
	t.Cleanup(func() {
		cancel()
		h.Close()
		if err := n.Close(); err != nil {
			t.Error(err)
		}
	})
	return n, h
}

// Captures of a worn disk, as one zip and as single files, come back byte for byte; what each read gave alone stands
// beside it; and all of it is there after the server was started anew, the image and the files too.
func TestDiskIsReadBack(t *testing.T) {
	s, h := bench(t)
	rec := recordingOf(t, s, "fm10x256:4x1")
	im := noise(rec, 1)
	caps := poor(t, rec, im, 2, 2, 0.15, 3)
	bring(t, s, h, map[string][]byte{"heron.zip": zipOf(t, caps)})
	zipped := readBack(t, s, h, "heron.zip")
	single := readBack(t, s, h, bring(t, s, h, caps)...)
	for _, at := range []string{zipped, single} {
		v, err := s.lens.view(s, path.Base(at))
		if err != nil {
			t.Fatal(err)
		}
		if !bytes.Equal(v.Data, im.Data) || v.Map.Good != 40 {
			t.Errorf("%s: %d of 40 sectors good, image right: %v", v.Title, v.Map.Good, bytes.Equal(v.Data, im.Data))
		}
		if len(v.Map.Reads) != 4 {
			t.Fatalf("%s: %d reads, want 2 captures of 2 turns", v.Title, len(v.Map.Reads))
		}
		lost := 0
		for _, r := range v.Map.Reads {
			lost += r.Lost
			if r.Good+r.Doubtful+r.Lost != 40 || r.Tracks != 4 {
				t.Errorf("%s: %+v, want 40 sectors on 4 tracks", v.Title, r)
			}
		}
		if lost == 0 {
			t.Errorf("%s: no read alone loses anything; the test spoils nothing", v.Title)
		}
		code, image := get(t, h.URL+"/image/"+v.Save)
		if code != 200 || image != string(im.Data) {
			t.Errorf("image %s: status %d, %d bytes", v.Save, code, len(image))
		}
	}
	n, g := again(t, s)
	code, page := get(t, g.URL+zipped)
	if code != 200 || !strings.Contains(page, "40 sectors good") || !strings.Contains(page, "read 4 alone") || !strings.Contains(page, "heron.zip, capture 2, turn 1") || !strings.Contains(page, `href="`+zipped+`/3/0"`) {
		t.Errorf("after a new start: status %d\n%.800s", code, page)
	}
	if _, prove := get(t, g.URL+"/prove"); !strings.Contains(prove, `href="`+zipped+`"`) {
		t.Error("Prove does not lead to what was read before")
	}
	code, page = get(t, g.URL+zipped+"/2/0")
	if code != 200 || !strings.Contains(page, "merged: 10 good") || !strings.Contains(page, "heron.zip/") || !strings.Contains(page, "read 1 alone") {
		t.Errorf("track: status %d\n%.800s", code, page)
	}
	want := hexOf(im, 2, 0, 7)
	code, page = get(t, g.URL+zipped+"/2/0/7?read=2&byte=17")
	if code != 200 || !strings.Contains(page, fmt.Sprintf("data byte 17 is %02X", want[17])) || !strings.Contains(page, "CRC right") {
		t.Errorf("sector: status %d\n%.1500s", code, page)
	}
	if code, _, _ := submit(t, n, g.URL, zipped+"/gather"); code != 200 {
		t.Errorf("gather after a new start: status %d", code)
	}
	if got, err := n.root.ReadFile("files/heron-read-1.img"); err != nil || !bytes.Equal(got, im.Data) {
		t.Errorf("what was added to the files: %d bytes, %v", len(got), err)
	}
}

// hexOf is the data of one sector.
func hexOf(im *disk.Image, c, h, n int) []byte {
	return im.Bytes(disk.Place{Cylinder: c, Head: h, Sector: n})
}

// Reading can be cancelled while it goes on: nothing is left behind, and the next work can begin.
func TestCancelWhileReading(t *testing.T) {
	s, h := bench(t)
	rec := recordingOf(t, s, "fm10x256:40x1")
	one := poor(t, rec.With(1, 1), noise(rec.With(1, 1), 3), 1, 3, 0.3, 2)["c00h0.ivl"]
	files := map[string][]byte{}
	for c := range 40 { // hard reads, the same for every cylinder: the header's place is all that counts
		files[flux.FileName(c, 0, 1)] = placed(t, one, c)
	}
	bring(t, s, h, map[string][]byte{"hard.zip": zipOf(t, files)})
	r, err := http.PostForm(h.URL+"/prove/read", url.Values{"token": {s.token}, "name": {"hard.zip"}})
	if err != nil {
		t.Fatal(err)
	}
	r.Body.Close()
	s.jobs.mu.Lock()
	j := s.jobs.now
	s.jobs.mu.Unlock()
	late := time.After(time.Minute)
	for { // until it is well under way
		st, wake := j.status()
		if st.State != "working" {
			t.Fatalf("it ended before it could be cancelled: %+v", st)
		}
		if st.Done > 0 {
			break
		}
		select {
		case <-wake:
		case <-late:
			t.Fatalf("it never began: %+v", st)
		}
	}
	if code, _, _ := submit(t, s, h.URL, "/job/cancel", "back", "/prove"); code != 200 {
		t.Errorf("cancel: status %d", code)
	}
	if st := ended(t, s); st.State != "cancelled" || st.Done >= 40 {
		t.Errorf("after cancelling: %+v", st)
	}
	if s.results.has("disk", idOf("hard.zip")) {
		t.Error("a cancelled read left a result")
	}
	if left, _ := filepath.Glob(s.path("read", "*.img")); len(left) > 0 {
		t.Errorf("a cancelled read left %v", left)
	}
	bring(t, s, h, map[string][]byte{"c00h0.ivl": published(t)})
	readBack(t, s, h, "c00h0.ivl")
}
