package web

import (
	"bytes"
	"context"
	"html"
	"io"
	"math"
	"net/http"
	"net/http/httptest"
	"net/url"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strconv"
	"strings"
	"testing"
)

// heardOn reads recordings in read/ as the page has it done, without the page.
func heardOn(t *testing.T, s *Server, names ...string) *tapeView {
	t.Helper()
	goes, err := s.readTape(t.Context(), &job{wake: make(chan struct{})}, names)
	if err != nil {
		t.Fatal(err)
	}
	key := names[0]
	if len(names) > 1 {
		key = mergedKey(names)
	}
	if want := "/prove/tape/" + url.PathEscape(key); goes != want {
		t.Errorf("the result is at %s, want %s", goes, want)
	}
	return s.tape(key)
}

var span = regexp.MustCompile(`data-from="([^"]*)" data-span="([^"]*)"`)

// drawnStretch gives the stretch a page or part shows.
func drawnStretch(t *testing.T, body string) (from, long float64) {
	t.Helper()
	m := span.FindStringSubmatch(body)
	if m == nil {
		t.Fatalf("no lens in %.300s", body)
	}
	from, err := strconv.ParseFloat(m[1], 64)
	if err != nil {
		t.Fatal(err)
	}
	if long, err = strconv.ParseFloat(m[2], 64); err != nil {
		t.Fatal(err)
	}
	return from, long
}

// Every level of detail is answered, as a page and as a part; what is asked for beyond the recording is put right, and
// what is no time at all is refused with what was expected.
func TestTapeLensAnswers(t *testing.T) {
	s, h := bench(t)
	samples, first := heronSide(t, s, 1, 100, 400)
	writeWAV(t, filepath.Join(s.o.Work, "read", "pass <1>.wav"), samples)
	v := heardOn(t, s, "pass <1>.wav")
	base := h.URL + "/prove/tape/" + url.PathEscape("pass <1>.wav")
	total := v.looks[0].Seconds()
	at := first + 100*8*0.002
	num := func(f float64) string { return strconv.FormatFloat(f, 'f', 5, 64) }
	for _, c := range []struct {
		query, want string
		span        float64
	}{
		{"", "least and greatest samples", total},
		{"at=0&span=1e9", "speed against nominal", total},
		{"at=-5&span=2", "bytes", 2},
		{"at=1e300&span=1", "programs", 1},
		{"at=" + num(at) + "&span=0.05", "bits as decided", 0.05},
		{"at=" + num(at) + "&span=50ms", "pulses: late (up) or early (down)", 0.05},
		{"at=" + num(at) + "&span=0.002&w=320", "single samples", 0.002},
		{"at=0:04.1&span=1,5", "HERON, bytes", 1.5},
		{"at=1&span=0", "programs", total},
		{"at=1&span=-3", "programs", total},
		{"at=" + num(at) + "&span=1e-300&w=999999999", "single samples", v.looks[0].Seconds()},
	} {
		for _, part := range []string{"", "part=lens&"} {
			status, body := get(t, base+"?"+part+c.query)
			if status != http.StatusOK || !strings.Contains(body, c.want) {
				t.Errorf("%s%s: status %d, %q is missing", part, c.query, status, c.want)
				continue
			}
			from, long := drawnStretch(t, body)
			if from < 0 || from+long > total+1e-6 {
				t.Errorf("%s%s: shows %v s from %v, beyond the %v s there are", part, c.query, long, from, total)
			}
			if c.span != total && (long < c.span*0.999 || long > c.span*1.001) {
				t.Errorf("%s%s: shows %v s, want %v", part, c.query, long, c.span)
			}
			if strings.Contains(body, "<1>") {
				t.Errorf("%s%s: the name of the recording stands in the page as it is", part, c.query)
			}
			if whole := strings.Contains(body, "<nav aria-label=\"Steps\">"); whole != (part == "") {
				t.Errorf("%s%s: a whole page: %v", part, c.query, whole)
			}
		}
	}
	for _, c := range []struct {
		query string
		want  int
	}{
		{"at=abc", 400}, {"at=NaN", 400}, {"span=Inf", 400}, {"at=1:2:3:4", 400}, {"span=1:ms", 400}, {"at=%3Cscript%3Ealert(1)%3C/script%3E", 400}, {"w=wide", 400},
		{"of=0", 404}, {"of=2", 404}, {"of=-1", 404}, {"of=x", 404}, {"at=" + strings.Repeat("9", 5000), 400},
	} {
		for _, part := range []string{"", "part=lens&"} {
			status, body := get(t, base+"?"+part+c.query)
			if status != c.want || part == "" && strings.Contains(body, "<script>alert") || strings.Contains(body, strings.Repeat("9", 200)) {
				t.Errorf("%s%.40s: status %d, want %d; %.200s", part, c.query, status, c.want, body)
			}
			if part == "" && !strings.Contains(body, "Read it back again") {
				t.Errorf("%.40s: the page does not offer to read it back again", c.query)
			}
		}
	}
	for _, name := range []string{"..%2f..%2fetc%2fpasswd", "%2e%2e", "nothing.wav", "%00"} {
		if status, _ := get(t, h.URL+"/prove/tape/"+name+"?part=lens"); status != 404 {
			t.Errorf("recording %s: status %d, want 404", name, status)
		}
	}
	// With side=0 the picture of the whole side is left out: the page has it.
	_, with := get(t, base+"?part=lens&at=5&span=1")
	_, without := get(t, base+"?part=lens&at=5&span=1&side=0")
	if len(without) > len(with)-2000 || !strings.Contains(without, "The lens: ") {
		t.Errorf("part with the side %d bytes, without %d", len(with), len(without))
	}
}

// Every step the lens offers leads to a stretch that is drawn, and the steps to faults lead to the holes that were made.
func TestTapeLensMoves(t *testing.T) {
	s, h := bench(t)
	samples, first := heronSide(t, s, 1, 100, 400)
	writeWAV(t, filepath.Join(s.o.Work, "read", "a.wav"), samples)
	heardOn(t, s, "a.wav")
	follow := func(body, do string) string {
		t.Helper()
		m := regexp.MustCompile(`data-do="` + do + `" href="([^"#]*)`).FindStringSubmatch(body)
		if m == nil {
			t.Fatalf("no way to %s in %.200s", do, body)
		}
		status, next := get(t, h.URL+html.UnescapeString(m[1]))
		if status != 200 {
			t.Fatalf("%s: status %d", do, status)
		}
		return next
	}
	_, body := get(t, h.URL+"/prove/tape/a.wav")
	for _, hole := range []int{100, 400} {
		body = follow(body, "next-fault")
		from, long := drawnStretch(t, body)
		if want := first + float64(hole)*8*0.002; from > want || from+long < want+0.012 {
			t.Errorf("next fault shows %.3f to %.3f s, the hole is at %.3f s", from, from+long, want)
		}
		if !strings.Contains(body, "one fault here") {
			t.Error("the lens does not say that a fault is here")
		}
	}
	if strings.Contains(body, `data-do="next-fault" href`) {
		t.Error("after the last fault there is another")
	}
	body = follow(body, "previous-fault")
	if from, _ := drawnStretch(t, body); from > first+100*0.016 {
		t.Errorf("previous fault shows %.3f s on", from)
	}
	body = follow(body, "wider")
	_, was := drawnStretch(t, body)
	if _, now := drawnStretch(t, follow(body, "closer")); now < was/4*0.999 || now > was/4*1.001 {
		t.Errorf("closer shows %v s after %v s", now, was)
	}
	at, _ := drawnStretch(t, body)
	if from, _ := drawnStretch(t, follow(body, "later")); from <= at {
		t.Errorf("later shows from %v after %v", from, at)
	}
	if from, _ := drawnStretch(t, follow(body, "earlier")); from >= at {
		t.Errorf("earlier shows from %v after %v", from, at)
	}
	// Blocks, one after the other to the end and back.
	_, body = get(t, h.URL+"/prove/tape/a.wav?at="+strconv.FormatFloat(first-0.5, 'f', 3, 64)+"&span=0.5")
	n, last := 0, 0.0
	for strings.Contains(body, `data-do="next-block" href`) && n < 40 {
		body = follow(body, "next-block")
		from, long := drawnStretch(t, body)
		if from+long <= last {
			t.Fatalf("next block shows %v to %v after %v", from, from+long, last)
		}
		last = from + long
		n++
	}
	if n < 14 || n > 18 { // name, 12 blocks, entry; name, block, entry
		t.Errorf("%d blocks one after the other, want 14 and those of the short program", n)
	}
}

// A request that nobody waits for any more is given up, and the next one is answered.
func TestTapeLensCancelled(t *testing.T) {
	s, h := bench(t)
	samples, _ := heronSide(t, s, 1)
	writeWAV(t, filepath.Join(s.o.Work, "read", "a.wav"), samples)
	heardOn(t, s, "a.wav")
	ctx, cancel := context.WithCancel(t.Context())
	cancel()
	w := httptest.NewRecorder()
	r := httptest.NewRequestWithContext(ctx, "GET", "http://127.0.0.1/prove/tape/a.wav?part=lens&at=3&span=0.1", nil)
	s.Handler().ServeHTTP(w, r)
	if w.Code == http.StatusOK || strings.Contains(w.Body.String(), "<svg") {
		t.Errorf("a cancelled request was drawn: status %d", w.Code)
	}
	if status, _ := get(t, h.URL+"/prove/tape/a.wav?part=lens&at=3&span=0.1"); status != http.StatusOK {
		t.Errorf("the request after it: status %d", status)
	}
}

// What was read back is there after the server was started again, bytes included; without what was kept, or with another
// recording in its place, the page says so.
func TestTapeLensOutlivesTheServer(t *testing.T) {
	s, h := bench(t)
	samples, _ := heronSide(t, s, 1, 100)
	path := filepath.Join(s.o.Work, "read", "a.wav")
	writeWAV(t, path, samples)
	heardOn(t, s, "a.wav")
	_, before := get(t, h.URL+"/prove/tape/a.wav?part=lens&at=4&span=0.1")
	if _, list := get(t, h.URL+"/prove"); !strings.Contains(list, `href="/prove/tape/a.wav"`) {
		t.Error("the list of recordings does not lead to what was heard")
	}
	s.jobs.mu.Lock()
	s.jobs.tapes = map[string]*tapeView{} // all that a new server has not
	s.jobs.mu.Unlock()
	status, after := get(t, h.URL+"/prove/tape/a.wav?part=lens&at=4&span=0.1")
	if status != 200 || after != before {
		t.Errorf("after a new start: status %d, the same lens: %v", status, after == before)
	}
	v := s.tape("a.wav")
	for i, want := range [][]byte{heronTape(), tideTape} {
		if got, err := s.programData(v, i); err != nil || !bytes.Equal(got, want) {
			t.Errorf("program %d after a new start: %d bytes, %v; want %d", i+1, len(got), err, len(want))
		}
	}
	// Another recording under the name.
	writeWAV(t, path, samples[:len(samples)/2])
	if status, body := get(t, h.URL+"/prove/tape/a.wav"); status != 404 || !strings.Contains(body, "Read it back again") {
		t.Errorf("another recording in its place: status %d", status)
	}
	heardOn(t, s, "a.wav")
	if err := os.Remove(filepath.Join(s.o.Work, closer, "a.wav.look")); err != nil {
		t.Fatal(err)
	}
	if status, body := get(t, h.URL+"/prove/tape/a.wav"); status != 404 || !strings.Contains(body, "read it back again") || !strings.Contains(body, "HERON") {
		t.Errorf("without what was kept: status %d, want 404 with the programs still listed", status)
	}
	// What belongs to no recording any more goes when the next is read.
	heardOn(t, s, "a.wav")
	writeWAV(t, filepath.Join(s.o.Work, "read", "b.wav"), samples)
	if err := os.Remove(path); err != nil {
		t.Fatal(err)
	}
	heardOn(t, s, "b.wav")
	entries, err := os.ReadDir(filepath.Join(s.o.Work, closer))
	if err != nil || len(entries) != 1 || entries[0].Name() != "b.wav.look" {
		t.Errorf("kept: %v, %v; want that of b.wav alone", entries, err)
	}
}

// A recording in a lossy form has its samples kept beside it, so that single bits are seen; it comes from oggenc.
func TestTapeLensOfALossyRecording(t *testing.T) {
	s, h := bench(t)
	samples, first := heronSide(t, s, 1)
	wav := filepath.Join(t.TempDir(), "a.wav")
	writeWAV(t, wav, samples)
	out, err := exec.Command("oggenc", "-Q", "-q", "8", "-o", filepath.Join(s.o.Work, "read", "a.ogg"), wav).CombinedOutput()
	if err != nil {
		t.Fatalf("oggenc (apt install vorbis-tools): %v\n%s", err, out)
	}
	heardOn(t, s, "a.ogg")
	status, body := get(t, h.URL+"/prove/tape/a.ogg?part=lens&span=0.004&at="+strconv.FormatFloat(first+0.5, 'f', 4, 64))
	if status != 200 || !strings.Contains(body, "single samples") || !strings.Contains(body, "bits as decided") {
		t.Errorf("status %d, want single samples and bits: %.300s", status, body)
	}
	if err := os.Remove(filepath.Join(s.o.Work, closer, "a.ogg.wav")); err != nil {
		t.Fatal(err)
	}
	status, body = get(t, h.URL+"/prove/tape/a.ogg?part=lens&span=0.05&at="+strconv.FormatFloat(first+0.5, 'f', 4, 64))
	if status != 200 || !strings.Contains(body, "cannot be looked up") || !strings.Contains(body, "bits as decided") {
		t.Errorf("without its samples: status %d, want the bits over the envelope", status)
	}
}

// Two passes: each is looked at by itself, and the links of the comparison lead to the byte they are about.
func TestTapeLensOfSeveralPasses(t *testing.T) {
	s, h := bench(t)
	one, first := heronSide(t, s, 1, 100, 101)
	two, _ := heronSide(t, s, 2, 250, 251)
	writeWAV(t, filepath.Join(s.o.Work, "read", "one.wav"), one)
	writeWAV(t, filepath.Join(s.o.Work, "read", "two.wav"), two)
	v := heardOn(t, s, "one.wav", "two.wav")
	if len(v.Merged) != 2 || len(v.Merged[0].Copies) != 2 || len(v.Merged[0].Row) == 0 {
		t.Fatalf("comparisons: %+v", v.Merged)
	}
	if !bytes.Equal(v.Result.Programs[0].Data, heronTape()) {
		t.Error("the passes together do not give the program")
	}
	seen := 0
	for _, row := range v.Merged[0].Row {
		at, err := strconv.Atoi(strings.Fields(row.Place)[0])
		if err != nil {
			t.Fatal(err)
		}
		for k, c := range row.Copies {
			r, err := http.Get(h.URL + c.URL)
			if err != nil {
				t.Fatal(err)
			}
			b, err := io.ReadAll(r.Body)
			r.Body.Close()
			if err != nil || r.StatusCode != 200 {
				t.Fatalf("%s: %d %v", c.URL, r.StatusCode, err)
			}
			from, long := drawnStretch(t, string(b))
			if want := first + float64(at)*8*0.002; from > want || from+long < want {
				t.Errorf("byte %d of copy %d: the link shows %.3f to %.3f s, it lies at %.3f s", at, k+1, from, from+long, want)
			}
			if m := regexp.MustCompile(`data-of="(\d)"`).FindSubmatch(b); m == nil || string(m[1]) != strconv.Itoa(k+1) {
				t.Errorf("the link of copy %d shows copy %s", k+1, m)
			}
			seen++
		}
	}
	if seen < 4 {
		t.Errorf("%d links followed, want two a place", seen)
	}
}

func TestParseSeconds(t *testing.T) {
	for _, c := range []struct {
		text string
		want float64
	}{{"75.92", 75.92}, {"1:15.92", 75.92}, {"1:02:03", 3723}, {"10 ms", 0.01}, {"200us", 2e-4}, {"200 µs", 2e-4}, {"3min", 180}, {"2 h", 7200}, {"1,5", 1.5}, {" 7 s ", 7}, {"", -1}} {
		if got, err := parseSeconds(c.text, -1); err != nil || math.Abs(got-c.want) > 1e-12 {
			t.Errorf("%q: %v, %v; want %v", c.text, got, err, c.want)
		}
	}
}

func FuzzParseSeconds(f *testing.F) {
	for _, s := range []string{"75.92", "1:02:03", "10 ms", "µs", "-1:1", "1e309", "0x1p-3"} {
		f.Add(s)
	}
	f.Fuzz(func(t *testing.T, s string) {
		v, err := parseSeconds(s, 0)
		if err == nil && v != v {
			t.Errorf("%q is not a number", s)
		}
	})
}
