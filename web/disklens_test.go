package web

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"io/fs"
	"math/rand/v2"
	"net/http"
	"net/http/httptest"
	"net/url"
	"os"
	"path"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"testing"
	"time"

	"remanence/disk"
	"remanence/disk/flux"
	"remanence/disk/track"
	"remanence/recover"
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

// Every sector of a poor disk, each pass of the head: cells that are shown decode to the bytes that are shown, as fact
// sheet 1.1 says: of each pair of cells the second is the bit; and of those passes whose CRC is right they are the bytes
// that were recorded.
func TestCellsAreTheBytes(t *testing.T) {
	s, h := bench(t)
	rec := recordingOf(t, s, "mfm9x512:2x2")
	im := noise(rec, 2)
	bring(t, s, h, map[string][]byte{"poor.zip": zipOf(t, poor(t, rec, im, 1, 2, 0.26, 1))})
	key := path.Base(readBack(t, s, h, "poor.zip"))
	v, err := s.lens.view(s, key)
	if err != nil {
		t.Fatal(err)
	}
	right, wrong, weighed := 0, 0, 0
	for _, tr := range v.Map.Tracks {
		for i := range tr.Sectors {
			x := &tr.Sectors[i]
			k, _, err := s.look(t.Context(), key, v, tr.Cylinder, tr.Head, wanted(x), -1)
			if err != nil {
				t.Fatal(err)
			}
			for n := range k.Reads {
				seen := &k.Reads[n]
				if seen.Weighed {
					weighed++
				}
				for _, p := range seen.Parts {
					for b, want := range p.Bytes {
						got := byte(0)
						for bit := range 8 {
							if c := p.From + 16*b + 2*bit + 1; c < p.From+p.Cells {
								got |= seen.Cells[c].Value << (7 - bit)
							}
						}
						if 16*b+16 <= p.Cells && got != want {
							t.Fatalf("%d/%d sector %d pass %d: %s byte %d is shown as %02X, its cells are %02X", tr.Cylinder, tr.Head, x.Sector, n+1, p.Name, b, want, got)
						}
					}
				}
				if seen.Good {
					if !bytes.Equal(seen.Data, hexOf(im, tr.Cylinder, tr.Head, x.Sector)) {
						t.Errorf("%d/%d sector %d pass %d: the CRC is right, the bytes are not those recorded", tr.Cylinder, tr.Head, x.Sector, n+1)
					}
					right++
				} else {
					wrong++
				}
			}
		}
	}
	t.Logf("%d passes right, %d wrong, %d weighed", right, wrong, weighed)
	if right < 36 || wrong == 0 || weighed < 10 {
		t.Errorf("%d passes right, %d wrong, %d weighed: the test must see all three", right, wrong, weighed)
	}
}

// published is a capture of an 8-inch FM track of 26 sectors of 128 bytes E5, written here bit by bit from the rules of
// the layout (FD179x data sheet: clock FF, marks under clock C7; gaps 40, 26, 11, 27 bytes FF, sync 6 bytes 00). The CRC
// is a serial register; it must give the published values: 00 00 01 00 D2C3, 00 00 1A 00 0D4A, 128 x E5 5D30 (fact sheet,
// section 3).
func published(t testing.TB) []byte {
	crc := func(b ...byte) []byte {
		r := uint16(0xFFFF)
		for _, x := range b {
			for bit := 7; bit >= 0; bit-- {
				top := r>>15 ^ uint16(x>>bit&1)
				r <<= 1
				if top == 1 {
					r ^= 0x1021
				}
			}
		}
		return []byte{byte(r >> 8), byte(r)}
	}
	data := bytes.Repeat([]byte{0xE5}, 128)
	for _, x := range []struct {
		got  []byte
		want uint16
	}{{crc(0xFE, 0, 0, 1, 0), 0xD2C3}, {crc(0xFE, 0, 0, 0x1A, 0), 0x0D4A}, {crc(append([]byte{0xFB}, data...)...), 0x5D30}} {
		if uint16(x.got[0])<<8|uint16(x.got[1]) != x.want {
			t.Fatalf("CRC % X, published is %04X", x.got, x.want)
		}
	}
	var times []float64
	at := 0.0
	put := func(b, clock byte) {
		for bit := 7; bit >= 0; bit-- {
			if clock>>bit&1 == 1 {
				times = append(times, at)
			}
			if b>>bit&1 == 1 {
				times = append(times, at+2000) // cells of 2 us at 250 kbit/s
			}
			at += 4000
		}
	}
	run := func(b ...byte) {
		for _, x := range b {
			put(x, 0xFF)
		}
	}
	gap := func(n int) { run(bytes.Repeat([]byte{0xFF}, n)...) }
	gap(73)
	for n := byte(1); n <= 26; n++ {
		run(make([]byte, 6)...)
		put(0xFE, 0xC7)
		run(0, 0, n, 0)
		run(crc(0xFE, 0, 0, n, 0)...)
		gap(11)
		run(make([]byte, 6)...)
		put(0xFB, 0xC7)
		run(data...)
		run(crc(append([]byte{0xFB}, data...)...)...)
		gap(27)
	}
	for at < 60e9/360 {
		gap(1)
	}
	c := flux.FromTimes(times, 25)
	c.Index = []uint64{0, uint64(at / 25)}
	b, err := c.Append(nil)
	if err != nil {
		t.Fatal(err)
	}
	return b
}

var figureRow = regexp.MustCompile(`(?s)<tr><th scope="row">(\d+)</th><td>([^<]*)</td><td>(\w*)</td><td class="num">([01])</td>`)

// On the page of a sector that was written by hand: the cells of the ID mark are F57E (FE under clock C7, FD1771 data
// sheet), those of the data bytes FEBB (E5; fact sheet 9.17), and the fields are the published CRCs.
func TestPublishedCellsOnThePage(t *testing.T) {
	s, h := bench(t)
	bring(t, s, h, map[string][]byte{"c00h0.ivl": published(t)})
	at := readBack(t, s, h, "c00h0.ivl")
	code, page := get(t, h.URL+at+"/0/0/26")
	if code != 200 {
		t.Fatalf("status %d\n%.800s", code, page)
	}
	for _, want := range []string{"<code>0D 4A</code>", "<code>5D 30</code>", "<code>1A</code>", "<code>E5 E5 E5 E5 E5 E5 E5 E5 ... (128 bytes)</code>", "fast separator"} {
		if !strings.Contains(page, want) {
			t.Errorf("the page lacks %s", want)
		}
	}
	words := func(part string, from int) (word uint16) {
		_, page := get(t, fmt.Sprintf("%s%s/0/0/26?from=%d&cells=16", h.URL, at, from))
		rows := figureRow.FindAllStringSubmatch(page, -1)
		if len(rows) != 16 {
			t.Fatalf("%d cells listed, want 16", len(rows))
		}
		for i, r := range rows {
			if !strings.HasPrefix(r[2], part) || r[3] != []string{"clock", "data"}[i%2] {
				t.Errorf("cell %s belongs to %q as %s, want %s", r[1], r[2], r[3], part)
			}
			word = word<<1 | uint16(r[4][0]-'0')
		}
		return word
	}
	v, err := s.lens.view(s, path.Base(at))
	if err != nil {
		t.Fatal(err)
	}
	i := slices.IndexFunc(v.Map.Tracks[0].Sectors, func(x recover.MapSector) bool { return x.Sector == 26 })
	k, _, err := s.look(t.Context(), path.Base(at), v, 0, 0, wanted(&v.Map.Tracks[0].Sectors[i]), 0)
	if err != nil {
		t.Fatal(err)
	}
	for _, p := range k.Reads[0].Parts {
		switch p.Name {
		case track.PartIDMark:
			if got := words(p.Name, p.From); got != 0xF57E {
				t.Errorf("ID mark %04X, want F57E", got)
			}
		case track.PartData:
			if got := words(p.Name, p.From+16*77); got != 0xFEBB {
				t.Errorf("E5 has cells %04X, want FEBB", got)
			}
			_, page := get(t, fmt.Sprintf("%s%s/0/0/26?cell=%d", h.URL, at, p.From+16*77+5))
			if !strings.Contains(page, "data byte 77 is E5") {
				t.Error("a cell does not name its byte")
			}
		}
	}
}

// What a page is asked for may be anything: the answer is a page, never more than there is.
func TestHostileLens(t *testing.T) {
	s, h := bench(t)
	bring(t, s, h, map[string][]byte{"c00h0.ivl": published(t)})
	at := readBack(t, s, h, "c00h0.ivl")
	for _, tt := range []struct {
		path string
		want int
	}{
		{"/disk/none", 404}, {"/disk/..%2f..%2fetc", 404}, {"/disk/" + strings.Repeat("x", 5000), 404},
		{at + "?reads=99999", 200}, {at + "?reads=-1", 200}, {at + "?reads=all", 200}, {at + "?reads=%00", 200},
		{at + "/0", 404}, {at + "/0/9", 404}, {at + "/-1/0", 404}, {at + "/x/y", 404}, {at + "/99999999999999999999/0", 404},
		{at + "/go?cylinder=0&side=0", 200}, {at + "/go?cylinder=x&side=0", 400}, {at + "/go", 400}, {at + "/go?cylinder=7&side=0", 404},
		{at + "/0/0/0", 404}, {at + "/0/0/27", 404}, {at + "/0/0/x", 404},
		{at + "/0/0/3?read=99", 404}, {at + "/0/0/3?read=0", 200}, {at + "/0/0/3?read=-5", 200}, {at + "/0/0/3?read=x", 200},
		{at + "/0/0/3?from=-9&cells=-9", 200}, {at + "/0/0/3?from=99999999&cells=1", 200}, {at + "/0/0/3?cells=99999999999999999999", 200},
		{at + "/0/0/3?byte=128", 200}, {at + "/0/0/3?byte=-2&cell=-2", 200}, {at + "/0/0/3?cell=1000000000", 200},
		{at + `/0/0/3?byte="><script>alert(1)</script>`, 200},
	} {
		code, page := get(t, h.URL+tt.path)
		if code != tt.want || len(page) > 300_000 || strings.Contains(page, "<script>alert") {
			t.Errorf("%.80s: status %d, want %d; %d bytes", tt.path, code, tt.want, len(page))
		}
	}
}

// Captures that are gone leave everything but the cells, and the page says what to do. A result that is no more, or not
// whole, or that names files outside its folder, is refused.
func TestResultsThatAreNotWhole(t *testing.T) {
	s, h := bench(t)
	bring(t, s, h, map[string][]byte{"c00h0.ivl": published(t)})
	at := readBack(t, s, h, "c00h0.ivl")
	key := path.Base(at)
	if err := s.root.Remove("read/c00h0.ivl"); err != nil {
		t.Fatal(err)
	}
	n, g := again(t, s)
	code, page := get(t, g.URL+at+"/0/0/5")
	if code != 200 || !strings.Contains(page, "no longer in the working folder") || !strings.Contains(page, "E5") {
		t.Errorf("captures gone: status %d\n%.800s", code, page)
	}
	if err := s.root.WriteFile("read/c00h0.ivl", []byte("something else"), 0o600); err != nil {
		t.Fatal(err)
	}
	if code, page = get(t, g.URL+at+"/0/0/5"); code != 200 || !strings.Contains(page, "No cells") {
		t.Errorf("captures replaced: status %d", code)
	}
	file := "results/disk-" + key + ".json.gz"
	whole, err := s.root.ReadFile(file)
	if err != nil {
		t.Fatal(err)
	}
	v, err := n.lens.view(n, key)
	if err != nil {
		t.Fatal(err)
	}
	outside := *v
	outside.Files = []string{"../shelf.sqlite"}
	for name, spoil := range map[string]func() error{
		"cut":       func() error { return s.root.WriteFile(file, whole[:len(whole)/2], 0o600) },
		"empty":     func() error { return s.root.WriteFile(file, nil, 0o600) },
		"no gzip":   func() error { return s.root.WriteFile(file, []byte("{}"), 0o600) },
		"nothing":   func() error { return s.results.put("disk", key, &diskView{}) },
		"outside":   func() error { return s.results.put("disk", key, &outside) },
		"other map": func() error { o := *v; o.Places = nil; return s.results.put("disk", key, &o) },
		"beyond": func() error {
			o := *v
			o.Places = []rawTrack{{1 << 40, 1, 26, 128}}
			return s.results.put("disk", key, &o)
		},
	} {
		if err := spoil(); err != nil {
			t.Fatal(err)
		}
		_, fresh := again(t, s)
		if code, page := get(t, fresh.URL+at); code != 500 || !strings.Contains(page, "Read the disk back again") {
			t.Errorf("%s: status %d\n%.300s", name, code, page)
		}
	}
	if err := s.root.Remove(file); err != nil {
		t.Fatal(err)
	}
	for _, p := range []string{"", "/0/0", "/0/0/5"} { // the view is still in memory, but the result is gone
		if code, page := get(t, g.URL+at+p); code != 404 || !strings.Contains(page, "Read it back again under Prove") {
			t.Errorf("result gone, %s: status %d", p, code)
		}
	}
}

func FuzzDiskView(f *testing.F) {
	f.Add([]byte(`{"Map":{"tracks":[{"sectors":[{"sector":1}]}]},"Places":[{"Offset":0,"First":1,"Sectors":1,"Size":4}],"Data":"AAAAAA=="}`))
	f.Add([]byte(`{"Map":{"tracks":[{"sectors":[{"sector":1,"identifier":"00"}],"reads":[{"read":9}]}],"reads":[]},"Places":[{}]}`))
	pages, err := parsePages()
	if err != nil {
		f.Fatal(err)
	}
	f.Fuzz(func(t *testing.T, b []byte) {
		dir := t.TempDir()
		root, err := os.OpenRoot(dir)
		if err != nil {
			t.Fatal(err)
		}
		defer root.Close()
		s := &Server{o: Options{Work: dir}, root: root, results: results{root: root}, pages: pages}
		if err := s.results.putRaw("disk", "x", b); err != nil {
			t.Fatal(err)
		}
		mux := http.NewServeMux()
		s.proveRoutes(mux)
		for _, p := range []string{"/disk/x", "/disk/x?reads=all", "/disk/x/0/0", "/disk/x/0/0/1"} {
			mux.ServeHTTP(httptest.NewRecorder(), httptest.NewRequest("GET", p, nil))
		}
	})
}

// The oldest results go when there are too many or they are too large, the one just written never; names that could lead
// elsewhere are none.
func TestResultsAreBounded(t *testing.T) {
	s, _ := bench(t)
	r := &s.results
	r.most = 3
	age := time.Date(2026, 1, 1, 0, 0, 0, 0, time.UTC)
	for i := range 5 {
		key := fmt.Sprint("k", i)
		if err := r.put("note", key, map[string]int{"n": i}); err != nil {
			t.Fatal(err)
		}
		if err := s.root.Chtimes("results/note-"+key+".json.gz", age, age.Add(time.Duration(i)*time.Hour)); err != nil {
			t.Fatal(err)
		}
	}
	for i := range 5 {
		var v map[string]int
		err := r.get("note", fmt.Sprint("k", i), &v)
		if i < 2 != errors.Is(err, fs.ErrNotExist) || i >= 2 && v["n"] != i {
			t.Errorf("result %d of 5, 3 are kept: %v, %v", i, v, err)
		}
	}
	r.mostSize = 1
	if err := r.put("note", "last", strings.Repeat("x", 1000)); err != nil {
		t.Fatal(err)
	}
	if left, _ := filepath.Glob(s.path("results", "*")); len(left) != 1 || !r.has("note", "last") {
		t.Errorf("left are %v, want the last alone", left)
	}
	for _, key := range []string{"", "..", "../x", "a/b", `a\b`, ".x", "-x", strings.Repeat("x", 200), "a\x00"} {
		if err := r.put("note", key, 1); !errors.Is(err, fs.ErrNotExist) {
			t.Errorf("key %q: %v", key, err)
		}
		if r.has("note", key) {
			t.Errorf("key %q is there", key)
		}
	}
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

// placed is a capture of another cylinder.
func placed(t testing.TB, b []byte, cylinder int) []byte {
	t.Helper()
	c, err := flux.ParseCapture(b)
	if err != nil {
		t.Fatal(err)
	}
	c.Cylinder = cylinder
	out, err := c.Append(nil)
	if err != nil {
		t.Fatal(err)
	}
	return out
}

// A made disk is looked into as one that was read: the cells are those of its proof, made once more, also after a new
// start; and the sectors are those of the image that was made.
func TestMadeDiskIsLookedInto(t *testing.T) {
	s, h := bench(t)
	if _, err := s.add(t.Context(), "tide.cmd", module); err != nil {
		t.Fatal(err)
	}
	if code, body, _ := submit(t, s, h.URL, "/make/start"); code != 200 {
		t.Fatalf("make: status %d\n%.300s", code, body)
	}
	if st := ended(t, s); st.State != "done" {
		t.Fatalf("make: %+v", st)
	}
	n, g := again(t, s)
	if _, page := get(t, g.URL+"/make"); !strings.Contains(page, `href="/disk/made-1-D01"`) {
		t.Error("Make does not lead to the disk after a new start")
	}
	image, err := s.root.ReadFile("out/made-1/D01.img")
	if err != nil {
		t.Fatal(err)
	}
	v, err := n.lens.view(n, "made-1-D01")
	if err != nil {
		t.Fatal(err)
	}
	if !bytes.Equal(v.Data, image) || len(v.Map.Reads) != 2 {
		t.Errorf("what came back is the image: %v; %d reads, want the drive's 2 turns", bytes.Equal(v.Data, image), len(v.Map.Reads))
	}
	for _, tr := range []*recover.MapTrack{&v.Map.Tracks[0], &v.Map.Tracks[17]} {
		x := &tr.Sectors[3]
		k, notes, err := n.look(t.Context(), "made-1-D01", v, tr.Cylinder, tr.Head, wanted(x), -1)
		if err != nil || len(k.Reads) != x.Reads || x.Margin == nil || k.Sector.Margin != *x.Margin {
			t.Fatalf("cylinder %d: %+v, %v, %v; the map says %d reads, margin %v", tr.Cylinder, k, notes, err, x.Reads, x.Margin)
		}
		code, page := get(t, fmt.Sprintf("%s/disk/made-1-D01/%d/0/%d?byte=0", g.URL, tr.Cylinder, x.Sector))
		if code != 200 || !strings.Contains(page, "transitions of the proof") || !strings.Contains(page, "data byte 0 is") {
			t.Errorf("cylinder %d: status %d\n%.800s", tr.Cylinder, code, page)
		}
	}
	if err := os.RemoveAll(s.path("out", "made-1")); err != nil {
		t.Fatal(err)
	}
	if code, page := get(t, g.URL+"/disk/made-1-D01/5/0/1"); code != 200 || !strings.Contains(page, "cannot be made again") {
		t.Errorf("without its image: status %d", code)
	}
}

// A track that has a number twice: the sector that the image has no room for can be looked at too, and is not the other.
func TestExtraSectorIsLookedAt(t *testing.T) {
	s, h := bench(t)
	rec := recordingOf(t, s, "fm10x256:1x1")
	im := noise(rec, 6)
	sectors := im.Track(0, 0)
	sectors[2].ID.Sector = 3
	cells, err := track.Build(rec, 0, 0, sectors)
	if err != nil {
		t.Fatal(err)
	}
	b, err := cells.Capture(0, 0, track.EncodeOptions{Revolutions: 2}).Append(nil)
	if err != nil {
		t.Fatal(err)
	}
	bring(t, s, h, map[string][]byte{"c00h0.ivl": b})
	at := readBack(t, s, h, "c00h0.ivl") + "/0/0"
	if _, page := get(t, h.URL+at); !strings.Contains(page, `href="`+at+`/x1"`) {
		t.Fatal("the track does not lead to its extra sector")
	}
	v, err := s.lens.view(s, path.Base(path.Dir(path.Dir(at))))
	if err != nil {
		t.Fatal(err)
	}
	placed, other := hexOf(im, 0, 0, 3), hexOf(im, 0, 0, 2)
	if bytes.Equal(v.bytes(0, 3), other) { // which of the two is the image's is the merging's to say
		placed, other = other, placed
	}
	for p, want := range map[string][]byte{"/3": placed, "/x1": other} {
		code, page := get(t, h.URL+at+p+"?byte=9")
		if code != 200 || !strings.Contains(page, fmt.Sprintf("data byte 9 is %02X", want[9])) || !strings.Contains(page, "256 of 256") {
			t.Errorf("%s: status %d\n%.900s", p, code, page)
		}
	}
	if code, _ := get(t, h.URL+at+"/x2"); code != 404 {
		t.Errorf("an extra sector that is none: status %d", code)
	}
}
