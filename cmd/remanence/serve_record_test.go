package main

import (
	"bufio"
	"encoding/binary"
	"encoding/json"
	"fmt"
	"io"
	"math"
	"net/http"
	"net/http/cookiejar"
	"net/url"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strings"
	"syscall"
	"testing"
	"time"
)

// workbench is 'remanence serve' in a process of its own, and the browser that opened its address.
type workbench struct {
	http.Client
	t     *testing.T
	cmd   *exec.Cmd
	out   *bufio.Reader
	url   string
	token string
	work  string
}

func serveIn(t *testing.T, dir string) *workbench {
	t.Helper()
	jar, err := cookiejar.New(nil)
	if err != nil {
		t.Fatal(err)
	}
	s := &workbench{Client: http.Client{Jar: jar}, t: t, work: filepath.Join(dir, "work")}
	s.cmd = process("--config", filepath.Join(dir, "config"), "serve", "--no-open", "--work", s.work, "--shelf", filepath.Join(dir, "shelf.sqlite"))
	s.cmd.Stderr = os.Stderr
	out, err := s.cmd.StdoutPipe()
	if err != nil {
		t.Fatal(err)
	}
	if err := s.cmd.Start(); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { s.cmd.Process.Kill() }) // where the test ended early
	s.out = bufio.NewReader(out)
	line, err := s.out.ReadString('\n')
	m := regexp.MustCompile(`^The workbench is at ((http://127\.0\.0\.1:[0-9]+)/\S*)\n$`).FindStringSubmatch(line)
	if err != nil || m == nil {
		t.Fatalf("serve says %q, %v", line, err)
	}
	s.url = m[2]
	if r, err := s.Get(m[1]); err != nil || r.StatusCode != 200 { // the address as it is printed, opened as a browser does
		t.Fatalf("%s: %v, %v", m[1], r, err)
	}
	page := s.get("/record", 200)
	m = regexp.MustCompile(`<meta name="token" content="([^"]+)">`).FindStringSubmatch(page)
	if m == nil {
		t.Fatalf("no token in %.300s", page)
	}
	s.token = m[1]
	return s
}

func (s *workbench) do(r *http.Request, want int) string {
	s.t.Helper()
	resp, err := s.Do(r)
	if err != nil {
		s.t.Fatal(err)
	}
	defer resp.Body.Close()
	b, err := io.ReadAll(resp.Body)
	if err != nil || resp.StatusCode != want {
		s.t.Fatalf("%s %s: %d, want %d: %.300s %v", r.Method, r.URL, resp.StatusCode, want, b, err)
	}
	return string(b)
}

func (s *workbench) get(path string, want int) string {
	s.t.Helper()
	r, err := http.NewRequest("GET", s.url+path, nil)
	if err != nil {
		s.t.Fatal(err)
	}
	return s.do(r, want)
}

func (s *workbench) post(path, kind, body string) string {
	s.t.Helper()
	r, err := http.NewRequest("POST", s.url+path, strings.NewReader(body))
	if err != nil {
		s.t.Fatal(err)
	}
	r.Header.Set("X-Token", s.token)
	r.Header.Set("Content-Type", kind)
	return s.do(r, 200)
}

// record begins a recording and gives it so many seconds of a tone.
func (s *workbench) record(seconds int) (file string) {
	s.t.Helper()
	var begun struct{ ID, Name string }
	if err := json.Unmarshal([]byte(s.post("/record/start", "application/x-www-form-urlencoded", url.Values{"rate": {"8000"}, "code": {"kcs300"}}.Encode())), &begun); err != nil {
		s.t.Fatal(err)
	}
	n := 0
	for chunk := range seconds * 20 { // 50 ms each
		b := make([]byte, 0, 4*400)
		for range 400 {
			b = binary.LittleEndian.AppendUint32(b, math.Float32bits(float32(0.5*math.Sin(2*math.Pi*440*float64(n)/8000))))
			n++
		}
		s.post(fmt.Sprintf("/record/%s/chunk?n=%d", begun.ID, chunk), "application/octet-stream", string(b))
	}
	return filepath.Join(s.work, "read", begun.Name)
}

// end waits for the process, which must not take long, and gives its exit status.
func (s *workbench) end() int {
	s.t.Helper()
	late := time.AfterFunc(20*time.Second, func() { s.cmd.Process.Kill() })
	defer late.Stop()
	if _, err := io.Copy(io.Discard, s.out); err != nil {
		s.t.Fatal(err)
	}
	s.cmd.Wait()
	return s.cmd.ProcessState.ExitCode()
}

// soxiSeconds is how long a recording is by sox's own tool.
func soxiSeconds(t *testing.T, file string) float64 {
	t.Helper()
	out, err := exec.Command("soxi", "-D", file).CombinedOutput()
	if err != nil {
		t.Fatalf("soxi (make test installs sox): %v\n%s", err, out)
	}
	var s float64
	if _, err := fmt.Sscan(string(out), &s); err != nil {
		t.Fatalf("soxi -D says %q", out)
	}
	return s
}

// The server starts, says where it is, answers, refuses a foreign name, and ends on Ctrl-C with exit 0 and every recorded
// second stored; what it is told that cannot be is exit 2.
func TestServe(t *testing.T) {
	dir := t.TempDir()
	s := serveIn(t, dir)
	if page := s.get("/", 200); !strings.Contains(page, "Gather") || !strings.Contains(page, "Keep") {
		t.Errorf("first page: %.300s", page)
	}
	r, err := http.NewRequest("GET", s.url+"/", nil)
	if err != nil {
		t.Fatal(err)
	}
	r.Host = "rebound.example"
	s.do(r, http.StatusForbidden)
	file := s.record(3)
	if err := s.cmd.Process.Signal(syscall.SIGINT); err != nil {
		t.Fatal(err)
	}
	if status := s.end(); status != 0 {
		t.Errorf("exit %d after Ctrl-C, want 0", status)
	}
	if got := soxiSeconds(t, file); got != 3 {
		t.Errorf("3 s were recorded, soxi -D says %v", got)
	}
	if _, err := s.Get(s.url + "/"); err == nil {
		t.Error("it still answers after its end")
	}
	if status, _, errs := call(t, "serve", "--no-open", "--listen", "192.0.2.1:8079", "--work", s.work); status != 2 || !strings.Contains(errs, "192.0.2.1") {
		t.Errorf("an address that is not this machine's own: exit %d\n%s", status, errs)
	}
}

// Killed without warning, the server leaves a recording that can be played to the last second, and the next start mends
// the rest.
func TestServeKilled(t *testing.T) {
	dir := t.TempDir()
	s := serveIn(t, dir)
	file := s.record(4)
	if err := s.cmd.Process.Kill(); err != nil {
		t.Fatal(err)
	}
	s.end()
	if got := soxiSeconds(t, file); got < 2.9 || got > 4 {
		t.Errorf("4 s were recorded when it was killed, soxi -D says %v", got)
	}
	s = serveIn(t, dir)
	if got := soxiSeconds(t, file); got != 4 {
		t.Errorf("4 s were recorded, after the next start soxi -D says %v", got)
	}
	if err := s.cmd.Process.Signal(syscall.SIGTERM); err != nil {
		t.Fatal(err)
	}
	if status := s.end(); status != 0 {
		t.Errorf("exit %d after SIGTERM, want 0", status)
	}
}
