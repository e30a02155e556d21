package web

import (
	"archive/zip"
	"bytes"
	"fmt"
	"io"
	"net/http"
	"net/http/httptest"
	"net/url"
	"path/filepath"
	"strings"
	"sync"
	"testing"

	"remanence/machine"
	"remanence/shelf"
)

// workbench is a server under measurement.
func workbench(b *testing.B) (*Server, *httptest.Server) {
	b.Helper()
	set, err := machine.Load("")
	if err != nil {
		b.Fatal(err)
	}
	dir := b.TempDir()
	s, err := New(b.Context(), Options{Set: set, Work: filepath.Join(dir, "work"), Shelf: filepath.Join(dir, "shelf.sqlite"), Version: "test"})
	if err != nil {
		b.Fatal(err)
	}
	h := httptest.NewServer(s.Handler())
	b.Cleanup(func() {
		h.Close()
		if err := s.Close(); err != nil {
			b.Error(err)
		}
	})
	return s, h
}

// manyFiles are n different small programs and texts.
func manyFiles(n int) (names []string, data [][]byte) {
	words := []string{"heron", "tide", "lantern", "marsh", "bittern", "sedge", "curlew"}
	for i := range n {
		kind := []string{"cmd", "txt", "bas"}[i%3]
		names = append(names, fmt.Sprintf("box%02d/%s%05d.%s", i%97, words[i%len(words)], i, kind))
		body := bytes.Repeat(fmt.Appendf(nil, "%05d HIGH WATER AT NOON\r", i), 60+i%90)
		switch kind {
		case "cmd":
			m := []byte{5, 4, 'T', 'I', 'D', 'E'}
			for at := 0; at < len(body); at += 200 {
				part := body[at:min(at+200, len(body))]
				a := 0x5200 + at
				m = append(append(m, 1, byte(len(part)+2), byte(a), byte(a>>8)), part...)
			}
			body = append(m, 2, 2, 0x00, 0x52)
		case "bas":
			body = bytes.ReplaceAll(body, []byte(" HIGH"), []byte(" REM HIGH"))
		}
		data = append(data, body)
	}
	return names, data
}

// BenchmarkIntake adds 10,000 files through the page: as one zip, and one by one as the script sends them, four at a time.
func BenchmarkIntake(b *testing.B) {
	const n = 10_000
	names, data := manyFiles(n)
	total := 0
	for _, d := range data {
		total += len(d)
	}
	b.Run("zip", func(b *testing.B) {
		var z bytes.Buffer
		w := zip.NewWriter(&z)
		for i := range names {
			f, err := w.Create(names[i])
			if err != nil {
				b.Fatal(err)
			}
			f.Write(data[i])
		}
		if err := w.Close(); err != nil {
			b.Fatal(err)
		}
		b.SetBytes(int64(total))
		for b.Loop() {
			s, h := workbench(b)
			if status, body := uploaded(b, s.token, h.URL+"/gather/add", "all.zip", z.Bytes()); status != 200 || !strings.Contains(body, fmt.Sprintf("<b>%d</b> files", n)) {
				b.Fatalf("status %d", status)
			}
		}
		b.ReportMetric(float64(n)*float64(b.N)/b.Elapsed().Seconds(), "files/s")
	})
	b.Run("put", func(b *testing.B) {
		b.SetBytes(int64(total))
		for b.Loop() {
			s, h := workbench(b)
			var wg sync.WaitGroup
			next := make(chan int)
			for range 4 {
				wg.Go(func() {
					for i := range next {
						r, err := http.NewRequest("POST", h.URL+"/gather/put?path="+url.QueryEscape(names[i]), bytes.NewReader(data[i]))
						if err != nil {
							b.Error(err)
							return
						}
						r.Header.Set("X-Token", s.token)
						resp, err := http.DefaultClient.Do(r)
						if err != nil {
							b.Error(err)
							return
						}
						io.Copy(io.Discard, resp.Body)
						resp.Body.Close()
						if resp.StatusCode != 200 {
							b.Errorf("%s: %d", names[i], resp.StatusCode)
						}
					}
				})
			}
			for i := range n {
				next <- i
			}
			close(next)
			wg.Wait()
			if len(s.gather.paths) != n {
				b.Fatalf("%d files", len(s.gather.paths))
			}
		}
		b.ReportMetric(float64(n)*float64(b.N)/b.Elapsed().Seconds(), "files/s")
	})
}

// fillShelf puts n files on a shelf, as an import does.
func fillShelf(t testing.TB, sh *shelf.Shelf, n int) {
	t.Helper()
	words := []string{"heron", "tide", "lantern", "marsh", "bittern", "sedge", "curlew", "reed", "oyster", "dunlin", "knot", "sand", "egret", "plover"}
	r, w := io.Pipe()
	go func() {
		fmt.Fprintln(w, `{"remanence-shelf":1}`)
		for i := range n {
			name := fmt.Sprintf("%s%05d.%s", words[i%len(words)], i, []string{"cmd", "bas", "txt"}[i%3])
			fmt.Fprintf(w, `{"file":{"sha256":"%064x","size":%d,"kind":"load-module","name":%q,"whole":true,"about":"loads at 5200h","added":"2026-11-24T12:00:00Z","paths":["/archive/box%02d/%s"]}}`+"\n", i*7919+1, 900+i%4000, name, i%97, name)
		}
		w.Close()
	}()
	if _, err := sh.ImportJSONL(t.Context(), "many", r); err != nil {
		t.Fatal(err)
	}
}

// BenchmarkSearchPage is what a person waits for while typing, on a shelf of 100,000 files: request to answer over HTTP.
func BenchmarkSearchPage(b *testing.B) {
	s, h := workbench(b)
	sh, err := s.shelf()
	if err != nil {
		b.Fatal(err)
	}
	fillShelf(b, sh, 100_000)
	for _, q := range []string{"h", "he", "heron", "heron00", "box17 tide", "archive", "a b c", "tide04321", "nothing"} {
		b.Run("q="+strings.ReplaceAll(q, " ", "_"), func(b *testing.B) {
			for b.Loop() {
				r, err := http.Get(h.URL + "/keep/search?q=" + url.QueryEscape(q))
				if err != nil {
					b.Fatal(err)
				}
				if _, err := io.Copy(io.Discard, r.Body); err != nil || r.StatusCode != 200 {
					b.Fatal(r.StatusCode, err)
				}
				r.Body.Close()
			}
		})
	}
	for _, p := range []string{"/keep", "/keep/list?of=files&from=50000", "/keep/list?of=near"} {
		b.Run("page="+strings.NewReplacer("/", "_", "?", "_", "&", "_").Replace(p), func(b *testing.B) {
			for b.Loop() {
				r, err := http.Get(h.URL + p)
				if err != nil {
					b.Fatal(err)
				}
				if _, err := io.Copy(io.Discard, r.Body); err != nil || r.StatusCode != 200 {
					b.Fatal(r.StatusCode, err)
				}
				r.Body.Close()
			}
		})
	}
}

// The answer to a letter is short, however many files there are: so much is read, sent and shown, and no more.
func TestSearchAnswersAreShort(t *testing.T) {
	s, h := bench(t)
	sh, err := s.shelf()
	if err != nil {
		t.Fatal(err)
	}
	fillShelf(t, sh, 3000)
	for _, q := range []string{"a", "archive", "loads"} { // in every file
		status, body := get(t, h.URL+"/keep/search?q="+q)
		if n := strings.Count(body, "<li>"); status != 200 || n != hitsShown || len(body) > 20<<10 || !strings.Contains(body, "there are more") {
			t.Errorf("%s: status %d, %d hits, %d bytes", q, status, n, len(body))
		}
	}
}
