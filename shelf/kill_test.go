package shelf

import (
	"bufio"
	"context"
	"fmt"
	"io"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"
	"testing"
	"time"
)

// childEnv says to the test binary that it is a writer to be killed: PATH of the shelf, and a number that makes its
// files its own.
const childEnv = "REMANENCE_SHELF_CHILD"

func TestMain(m *testing.M) {
	if arg := os.Getenv(childEnv); arg != "" {
		child(arg)
		os.Exit(0)
	}
	os.Exit(m.Run())
}

// child writes one file a transaction until it is killed, and tells each once it is committed.
func child(arg string) {
	path, number, _ := strings.Cut(arg, "|")
	limit := 1 << 30
	if number, n, ok := strings.Cut(number, "|"); ok {
		limit, _ = strconv.Atoi(n)
		arg = number
	} else {
		arg = number
	}
	s, err := Open(context.Background(), path, Options{Now: at(day), NoBackup: true, NoCheck: true})
	if err != nil {
		fmt.Println("error", err)
		return
	}
	for i := range limit {
		name := fmt.Sprintf("/%s/file-%d", arg, i)
		if _, _, err := s.AddFile(context.Background(), name, []byte(strings.Repeat(name, 50))); err != nil {
			fmt.Println("error", err)
			return
		}
		fmt.Println(name)
	}
	if err := s.Close(); err != nil {
		fmt.Println("error", err)
	}
}

func start(t *testing.T, arg string) (*exec.Cmd, io.ReadCloser) {
	t.Helper()
	exe, err := os.Executable()
	if err != nil {
		t.Fatal(err)
	}
	c := exec.Command(exe)
	c.Env = append(os.Environ(), childEnv+"="+arg)
	c.Stderr = os.Stderr
	out, err := c.StdoutPipe()
	if err != nil {
		t.Fatal(err)
	}
	if err := c.Start(); err != nil {
		t.Fatal(err)
	}
	return c, out
}

// TestKill kills a writing process 200 times at a time left to chance (seeded) after its first commit. Each time the
// next opening must find every file that was told as committed, and in the end SQLite's own whole check must pass.
func TestKill(t *testing.T) {
	const trials = 200
	path := filepath.Join(t.TempDir(), "shelf.sqlite")
	rng := rand.New(rand.NewPCG(7, 7))
	told := 0
	for trial := range trials {
		c, out := start(t, fmt.Sprintf("%s|%d", path, trial))
		lines := make(chan string, 10_000)
		go func() {
			sc := bufio.NewScanner(out)
			for sc.Scan() {
				lines <- sc.Text()
			}
			close(lines)
		}()
		var committed []string
		l, ok := <-lines // the first commit; then chance decides
		if ok {
			committed = append(committed, l)
		}
		time.Sleep(time.Duration(rng.IntN(6000)) * time.Microsecond)
		if err := c.Process.Kill(); err != nil { // SIGKILL
			t.Fatal(err)
		}
		for l := range lines {
			committed = append(committed, l)
		}
		_ = c.Wait() // says that it was killed
		told += len(committed)
		s, err := Open(t.Context(), path, Options{Now: at(day), NoBackup: true, NoCheck: trial%20 != 0})
		if err != nil {
			t.Fatalf("trial %d: %v", trial, err)
		}
		for _, name := range committed {
			if strings.HasPrefix(name, "error") {
				t.Fatalf("trial %d: %s", trial, name)
			}
			var n int
			if err := s.db.QueryRowContext(t.Context(), "SELECT count(*) FROM paths p JOIN search ON search.rowid = ? + p.file WHERE p.path = ?", fileRow, name).Scan(&n); err != nil || n != 1 {
				t.Fatalf("trial %d: %s was told as committed and is there %d times (%v)", trial, name, n, err)
			}
		}
		if err := s.Close(); err != nil {
			t.Fatal(err)
		}
	}
	if told < trials {
		t.Errorf("only %d commits in %d trials: the processes were killed before they wrote", told, trials)
	}
	s := open(t, path, Options{NoBackup: true})
	if err := s.Check(t.Context()); err != nil {
		t.Error(err)
	}
	// the search table agrees with the files: FTS5's own check
	if _, err := s.db.ExecContext(t.Context(), "INSERT INTO search(search) VALUES('integrity-check')"); err != nil {
		t.Error(err)
	}
}

// TestTwoProcesses has two processes write to one new shelf at the same time: both make it, neither fails, nothing is
// lost.
func TestTwoProcesses(t *testing.T) {
	const each = 60
	path := filepath.Join(t.TempDir(), "shelf.sqlite")
	var cs []*exec.Cmd
	var outs []io.ReadCloser
	for i := range 2 {
		c, out := start(t, fmt.Sprintf("%s|p%d|%d", path, i, each))
		cs, outs = append(cs, c), append(outs, out)
	}
	for i, out := range outs {
		all, err := io.ReadAll(out)
		if err != nil {
			t.Fatal(err)
		}
		if strings.Contains(string(all), "error") || strings.Count(string(all), "\n") != each {
			t.Errorf("process %d: %s", i, all)
		}
		if err := cs[i].Wait(); err != nil {
			t.Error(err)
		}
	}
	s := open(t, path, Options{NoBackup: true})
	if n := len(must(s.Files(t.Context(), 0, 1000))(t)); n != 2*each {
		t.Errorf("%d files, want %d", n, 2*each)
	}
	if err := s.Check(t.Context()); err != nil {
		t.Error(err)
	}
}
