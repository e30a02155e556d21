package web

import (
	"archive/zip"
	"bytes"
	"context"
	"io"
	"net/http"
	"net/http/httptest"
	"net/url"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"remanence/machine"
	"remanence/program"
)

// bench is a workbench under test with its own folder.
func bench(t *testing.T) (*Server, *httptest.Server) {
	t.Helper()
	set, err := machine.Load("")
	if err != nil {
		t.Fatal(err)
	}
	dir := t.TempDir()
	ctx, cancel := context.WithCancel(context.Background())
	s, err := New(ctx, Options{Set: set, Work: filepath.Join(dir, "work"), Shelf: filepath.Join(dir, "shelf.sqlite"), Version: "test"})
	if err != nil {
		t.Fatal(err)
	}
	h := httptest.NewServer(s.Handler())
	t.Cleanup(func() {
		cancel()
		h.Close()
		if err := s.Close(); err != nil {
			t.Error(err)
		}
	})
	return s, h
}

func get(t *testing.T, url string) (int, string) {
	t.Helper()
	r, err := http.Get(url)
	if err != nil {
		t.Fatal(err)
	}
	defer r.Body.Close()
	b, err := io.ReadAll(r.Body)
	if err != nil {
		t.Fatal(err)
	}
	return r.StatusCode, string(b)
}

// ask sends one request with headers of choice.
func ask(t *testing.T, method, url, body string, headers map[string]string) int {
	t.Helper()
	r, err := http.NewRequest(method, url, strings.NewReader(body))
	if err != nil {
		t.Fatal(err)
	}
	for k, v := range headers {
		if k == "Host" {
			r.Host = v
			continue
		}
		r.Header.Set(k, v)
	}
	client := http.Client{CheckRedirect: func(*http.Request, []*http.Request) error { return http.ErrUseLastResponse }}
	resp, err := client.Do(r)
	if err != nil {
		t.Fatal(err)
	}
	defer resp.Body.Close()
	io.Copy(io.Discard, resp.Body)
	return resp.StatusCode
}

// What a foreign page, a name that was pointed here, or a form without the token may do: nothing.
func TestOnlyTheOwnPageIsServed(t *testing.T) {
	s, h := bench(t)
	form := "application/x-www-form-urlencoded"
	own := url.Values{"token": {s.token}}.Encode()
	for _, tt := range []struct {
		name, method, path, body string
		headers                  map[string]string
		want                     int
	}{
		{"own page", "GET", "/", "", nil, 200},
		{"localhost", "GET", "/", "", map[string]string{"Host": "localhost:80"}, 200},
		{"IPv6 loopback", "GET", "/", "", map[string]string{"Host": "[::1]:80"}, 200},
		{"a name pointed here", "GET", "/", "", map[string]string{"Host": "rebound.example:80"}, 403},
		{"a name that begins like loopback", "GET", "/", "", map[string]string{"Host": "127.0.0.1.rebound.example"}, 403},
		{"no port, other address", "GET", "/", "", map[string]string{"Host": "192.0.2.7"}, 403},
		{"own form", "POST", "/arrange/again", own, map[string]string{"Content-Type": form}, 303},
		{"no token", "POST", "/arrange/again", "", map[string]string{"Content-Type": form}, 403},
		{"wrong token", "POST", "/arrange/again", "token=guess", map[string]string{"Content-Type": form}, 403},
		{"foreign origin", "POST", "/arrange/again", own, map[string]string{"Content-Type": form, "Origin": "http://rebound.example"}, 403},
		{"cross-site by the browser's word", "POST", "/arrange/again", own, map[string]string{"Content-Type": form, "Sec-Fetch-Site": "cross-site"}, 403},
		{"put without token", "POST", "/gather/put?path=a", "x", nil, 403},
		{"chunk without token", "POST", "/record/1/chunk?n=0", "", nil, 403},
		{"token in the address does not count", "POST", "/arrange/again?" + own, "", map[string]string{"Content-Type": form}, 403},
	} {
		if got := ask(t, tt.method, h.URL+tt.path, tt.body, tt.headers); got != tt.want {
			t.Errorf("%s: status %d, want %d", tt.name, got, tt.want)
		}
	}
	r, err := http.Get(h.URL)
	if err != nil {
		t.Fatal(err)
	}
	r.Body.Close()
	csp := r.Header.Get("Content-Security-Policy")
	for _, want := range []string{"default-src 'none'", "script-src 'self'", "frame-ancestors 'none'", "base-uri 'none'", "form-action 'self'"} {
		if !strings.Contains(csp, want) {
			t.Errorf("policy %q lacks %s", csp, want)
		}
	}
	if strings.Contains(csp, "unsafe") {
		t.Errorf("policy %q allows something unsafe", csp)
	}
}

// No path of a browser leads out of the working folder, neither in nor out, not even over a link that lies in it.
func TestPathsStayInside(t *testing.T) {
	s, h := bench(t)
	secret := filepath.Join(filepath.Dir(s.o.Work), "secret.txt")
	if err := os.WriteFile(secret, []byte("not for the page"), 0o600); err != nil {
		t.Fatal(err)
	}
	if err := os.Symlink(secret, s.path("out", "link.wav")); err != nil {
		t.Fatal(err)
	}
	for _, p := range []string{"/out/../../secret.txt", "/out/..%2f..%2fsecret.txt", "/out/%2e%2e/%2e%2e/secret.txt", `/out/..%5c..%5csecret.txt`, "/out/link.wav", "/out//etc/passwd", "/read/..%2f..%2fsecret.txt", "/read/%2fetc%2fpasswd", "/play/..%2f..%2f/D01", "/out/", "/assets/../server.go"} {
		status, body := get(t, h.URL+p)
		if strings.Contains(body, "not for the page") || strings.Contains(body, "root:") || status == 200 && !strings.Contains(body, "<title>Gather") {
			t.Errorf("%s: status %d: %.60q", p, status, body)
		}
	}
	for _, p := range []string{"../../secret.txt", `..\..\secret.txt`, "/etc/passwd", "a/../../../x", "C:/x", ".hidden", "a/\x00b"} {
		ask(t, "POST", h.URL+"/gather/put?path="+url.QueryEscape(p), "data", map[string]string{"X-Token": s.token})
	}
	if b, err := os.ReadFile(secret); err != nil || string(b) != "not for the page" {
		t.Fatalf("the file outside was changed: %q, %v", b, err)
	}
	err := filepath.Walk(filepath.Dir(s.o.Work), func(p string, info os.FileInfo, err error) error {
		if rel, _ := filepath.Rel(s.o.Work, p); err == nil && info.Mode().IsRegular() && p != secret && !strings.HasPrefix(rel, "files") {
			t.Errorf("%s was written outside files/", p)
		}
		return err
	})
	if err != nil {
		t.Fatal(err)
	}
}

func FuzzCleanPath(f *testing.F) {
	for _, p := range []string{"a/b.txt", "../x", `..\x`, "/", "\xff/..", "a\x00", "CON:", strings.Repeat("ä", 300)} {
		f.Add(p)
	}
	f.Fuzz(func(t *testing.T, p string) {
		c := cleanPath(p)
		if c != "" && !filepath.IsLocal(filepath.FromSlash(c)) || cleanPath(c) != c || strings.Contains(c, "..") && strings.HasPrefix(c, "..") {
			t.Fatalf("%q became %q, then %q", p, c, cleanPath(c))
		}
	})
}

func zipOf(t testing.TB, files map[string][]byte) []byte {
	t.Helper()
	var b bytes.Buffer
	z := zip.NewWriter(&b)
	for n, d := range files {
		w, err := z.Create(n)
		if err != nil {
			t.Fatal(err)
		}
		w.Write(d)
	}
	if err := z.Close(); err != nil {
		t.Fatal(err)
	}
	return b.Bytes()
}

// module is the example of the sheet: header TIDE, three bytes to 5200h, entry 5200h.
var module = []byte{5, 4, 'T', 'I', 'D', 'E', 1, 5, 0x00, 0x52, 0x3E, 0x05, 0xC9, 2, 2, 0x00, 0x52}

func TestIntake(t *testing.T) {
	s, h := bench(t)
	ctx := t.Context()
	r, err := s.add(ctx, "box/tide.cmd", module)
	if err != nil || r.Kind != program.LoadModule || !r.Whole {
		t.Fatalf("tide.cmd: %+v, %v", r, err)
	}
	if again, err := s.add(ctx, "box/tide.cmd", module); err != nil || again.Path != r.Path {
		t.Fatalf("the same file again: %+v, %v", again, err)
	}
	other, err := s.add(ctx, "box/tide.cmd", append([]byte("REM other\r"), 'x'))
	if err != nil || other.Path != "box/tide (2).cmd" {
		t.Fatalf("another file of this name: %+v, %v", other, err)
	}
	n, hidden, faults := s.addZip(ctx, "z.zip", zipOf(t, map[string][]byte{"sub/.DS_Store": {1}, "__MACOSX/sub/copy.cmd": {2}, "../../up.txt": []byte("HELLO\r"), "sub/copy.cmd": module}))
	if n != 2 || hidden != 2 || len(faults) != 0 || s.report(idOf("up.txt")) == nil || s.report(idOf("sub/copy.cmd")).DuplicateOf != "box/tide.cmd" {
		t.Fatalf("zip: %d added, %d hidden, %v", n, hidden, faults)
	}
	if n, _, faults := s.addZip(ctx, "z.zip", []byte("PK nothing")); n != 0 || len(faults) != 1 {
		t.Fatalf("a broken zip: %d, %v", n, faults)
	}
	// a new server finds the files again
	if err := s.gather.start(s); err != nil || len(s.gather.paths) != 4 {
		t.Fatalf("after a restart: %d files, %v", len(s.gather.paths), err)
	}
	status, body := get(t, h.URL+"/file/"+idOf("box/tide.cmd")+"?field=3")
	if status != 200 || !strings.Contains(body, "record 2, load address") || !strings.Contains(body, "5200h") {
		t.Errorf("file page: %d", status)
	}
	start := time.Now()
	status, body = get(t, h.URL+"/")
	if took := time.Since(start); status != 200 || len(body) > 150<<10 {
		t.Errorf("first page: status %d, %d bytes, %v", status, len(body), took)
	}
}
