package safefile

import (
	"os"
	"path/filepath"
	"testing"

	"remanence/internal/outcome"
)

// names lists a folder, hidden files too.
func names(t *testing.T, dir string) []string {
	t.Helper()
	es, err := os.ReadDir(dir)
	if err != nil {
		t.Fatal(err)
	}
	var out []string
	for _, e := range es {
		out = append(out, e.Name())
	}
	return out
}

func TestWholeOrNotAtAll(t *testing.T) {
	dir := t.TempDir()
	path := filepath.Join(dir, "sub", "heron.img")
	f, err := Create(path, false)
	if err != nil {
		t.Fatal(err)
	}
	if _, err := f.WriteString("half"); err != nil {
		t.Fatal(err)
	}
	f.Close() // given up
	if got := names(t, filepath.Dir(path)); len(got) != 0 {
		t.Fatalf("an output that was given up left %v", got)
	}
	if err := WriteFile(path, []byte("one"), false); err != nil {
		t.Fatal(err)
	}
	err = WriteFile(path, []byte("two"), false)
	if outcome.Status(err) != int(outcome.Output) {
		t.Fatalf("replacing without force: %v, exit %d, want 4", err, outcome.Status(err))
	}
	if b, _ := os.ReadFile(path); string(b) != "one" {
		t.Fatalf("the first file now reads %q", b)
	}
	if err := WriteFile(path, []byte("three"), true); err != nil {
		t.Fatal(err)
	}
	if b, _ := os.ReadFile(path); string(b) != "three" {
		t.Fatalf("with force the file reads %q", b)
	}
	if got := names(t, filepath.Dir(path)); len(got) != 1 {
		t.Fatalf("left behind: %v", got)
	}
}

func TestAnotherProgramWasFaster(t *testing.T) {
	path := filepath.Join(t.TempDir(), "a.wav")
	f, err := Create(path, false)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	if err := os.WriteFile(path, []byte("theirs"), 0o644); err != nil {
		t.Fatal(err)
	}
	if err := f.Commit(); err == nil {
		t.Fatal("a file made meanwhile was replaced without force")
	}
	if b, _ := os.ReadFile(path); string(b) != "theirs" {
		t.Fatalf("their file now reads %q", b)
	}
	if got := names(t, filepath.Dir(path)); len(got) != 1 {
		t.Fatalf("left behind: %v", got)
	}
}

func TestDistinct(t *testing.T) {
	dir := t.TempDir()
	in := filepath.Join(dir, "in")
	if err := os.WriteFile(in, nil, 0o644); err != nil {
		t.Fatal(err)
	}
	link := filepath.Join(dir, "link")
	if err := os.Link(in, link); err != nil {
		t.Fatal(err)
	}
	if Distinct(link, in) == nil {
		t.Error("an output that is an input under another name is accepted")
	}
	if err := Distinct(filepath.Join(dir, "new"), in); err != nil {
		t.Error(err)
	}
}
