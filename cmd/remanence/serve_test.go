package main

import (
	"bufio"
	"encoding/json"
	"fmt"
	"io"
	"net/http"
	"net/http/cookiejar"
	"net/url"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strings"
	"sync"
	"testing"

	"remanence/shelf"
)

// programEnv says to the test binary that it is the program itself: a second process for tests that need one.
const programEnv = "REMANENCE_TEST_AS_PROGRAM"

func TestMain(m *testing.M) {
	if os.Getenv(programEnv) != "" {
		os.Exit(run(os.Args[1:], os.Stdout, os.Stderr))
	}
	os.Exit(m.Run())
}

// process is the command line as another process.
func process(args ...string) *exec.Cmd {
	c := exec.Command(os.Args[0], args...)
	c.Env = append(os.Environ(), programEnv+"=1")
	return c
}

// served starts serve as another process and gives the address it prints.
func served(t *testing.T, args ...string) string {
	t.Helper()
	c := process(append([]string{"serve", "--no-open", "--json"}, args...)...)
	out, err := c.StdoutPipe()
	if err != nil {
		t.Fatal(err)
	}
	if err := c.Start(); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		if err := c.Process.Signal(os.Interrupt); err != nil {
			t.Error(err)
		}
		if err := c.Wait(); err != nil {
			t.Errorf("serve ended with %v", err)
		}
	})
	var said struct{ URL string }
	if err := json.NewDecoder(bufio.NewReader(out)).Decode(&said); err != nil {
		t.Fatal(err)
	}
	return said.URL
}

// TestShelfFromPageAndCommandLine has the workbench and the command line, two processes, change one shelf at the same
// time: media, runs, notes and tags of both are there in the end, and each sees what the other did.
func TestShelfFromPageAndCommandLine(t *testing.T) {
	dir := t.TempDir()
	file := filepath.Join(dir, "shelf.sqlite")
	base := strings.TrimSuffix(served(t, "--config", dir, "--work", filepath.Join(dir, "work"), "--shelf", file, "--no-key"), "/")
	page := func(path string) string {
		r, err := http.Get(base + path)
		if err != nil {
			t.Error(err)
			return ""
		}
		defer r.Body.Close()
		b, err := io.ReadAll(r.Body)
		if err != nil || r.StatusCode != 200 {
			t.Errorf("%s: %d, %v", path, r.StatusCode, err)
		}
		return string(b)
	}
	m := regexp.MustCompile(`name="token" content="([^"]+)"`).FindStringSubmatch(page("/keep"))
	if m == nil {
		t.Fatal("the page has no token")
	}
	post := func(path string, fields ...string) {
		v := url.Values{"token": {m[1]}}
		for i := 0; i+1 < len(fields); i += 2 {
			v.Set(fields[i], fields[i+1])
		}
		r, err := http.PostForm(base+path, v)
		if err != nil {
			t.Error(err)
			return
		}
		b, _ := io.ReadAll(r.Body)
		r.Body.Close()
		if r.StatusCode != 200 {
			t.Errorf("%s %v: %d %.300s", path, fields, r.StatusCode, b)
		}
	}
	on := func(args ...string) {
		if out, err := process(append([]string{"--config", dir, "shelf", "--shelf", file}, args...)...).CombinedOutput(); err != nil {
			t.Errorf("%v: %v\n%s", args, err, out)
		}
	}
	const each = 8
	var wg sync.WaitGroup
	wg.Go(func() {
		for i := range each {
			n := fmt.Sprintf("WEB-%d", i)
			post("/keep/medium", "number", n, "type", "disk", "title", "from the page", "place", "box 1")
			post("/keep/log", "number", n, "kind", "read", "outcome", "good", "margin", "40", "equipment", "drive A")
			post("/keep/note", "subject", "medium:"+n, "text", fmt.Sprint("said on the page ", i))
			post("/keep/tag", "subject", "medium:"+n, "tags", "pagetag")
		}
	})
	wg.Go(func() {
		for i := range each {
			n := fmt.Sprintf("CLI-%d", i)
			on("medium", n, "--type", "tape", "--title", "from the line", "--place", "box 2")
			on("log", n, "read", "--margin", "41", "-e", "deck B")
			on("note", n, fmt.Sprint("said on the line ", i), "--tag", "linetag")
		}
	})
	wg.Wait()
	if t.Failed() {
		return
	}
	// each changes what the other made
	post("/keep/medium/change", "number", "CLI-3", "title", "from the line", "place", "moved by the page")
	on("medium", "WEB-3", "--place", "moved by the line")
	body := page("/keep/show?what=medium:WEB-3")
	for _, want := range []string{"moved by the line", "said on the page 3", "pagetag", "drive A", "40 %"} {
		if !strings.Contains(body, want) {
			t.Errorf("the page lacks %q", want)
		}
	}
	s, err := shelf.Open(t.Context(), file, shelf.Options{MustExist: true})
	if err != nil {
		t.Fatal(err)
	}
	defer s.Close()
	media, err := s.Media(t.Context())
	if err != nil || len(media) != 2*each {
		t.Fatalf("%d media, want %d (%v)", len(media), 2*each, err)
	}
	for _, m := range media {
		d, err := s.Show(t.Context(), m.Number)
		if err != nil || m.State != shelf.Proven || len(d.Runs) != 1 || len(d.Notes) != 1 || len(d.Tags) != 1 {
			t.Errorf("%s: %+v, %v", m.Number, d, err)
		}
	}
	if d, err := s.Show(t.Context(), "CLI-3"); err != nil || d.Medium.Place != "moved by the page" {
		t.Errorf("CLI-3: %+v, %v", d, err)
	}
	if err := s.Check(t.Context()); err != nil {
		t.Error(err)
	}
}

// The address that serve prints opens the page by itself, as in a browser; without it nothing does.
func TestServeKey(t *testing.T) {
	dir := t.TempDir()
	address := served(t, "--config", dir, "--work", filepath.Join(dir, "work"), "--shelf", filepath.Join(dir, "shelf.sqlite"))
	u, err := url.Parse(address)
	if err != nil || u.Path != "/open" || len(u.Query().Get("key")) < 26 { // 128 bits in base 32
		t.Fatalf("address %s: %v", address, err)
	}
	base := "http://" + u.Host + "/"
	if r, err := http.Get(base); err != nil || r.StatusCode != 403 {
		t.Errorf("without the key: %v, %v", r, err)
	}
	jar, err := cookiejar.New(nil)
	if err != nil {
		t.Fatal(err)
	}
	browser := http.Client{Jar: jar}
	for _, a := range []string{address, base, base + "keep"} {
		if r, err := browser.Get(a); err != nil || r.StatusCode != 200 {
			t.Errorf("%s: %v, %v", a, r, err)
		}
	}
}
