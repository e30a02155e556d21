package master

import (
	"context"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"remanence/internal/outcome"
)

// SHA-256 of "abc" is the example of FIPS 180-2, appendix B.1.
const abc = "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"

func TestCheck(t *testing.T) {
	dir := t.TempDir()
	write := func(name, text string) {
		t.Helper()
		if err := os.WriteFile(filepath.Join(dir, name), []byte(text), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	write("good.img", "abc")
	write("bit.img", "abb")
	write("short.img", "ab")
	write("../outside.img", "abc")
	t.Cleanup(func() { os.Remove(filepath.Join(dir, "../outside.img")) })
	entry := func(name string) string { return fmt.Sprintf(`{"path":%q,"size":3,"sha256":%q}`, name, abc) }
	var list []string
	for _, n := range []string{"good.img", "bit.img", "short.img", "gone.img", "../outside.img"} {
		list = append(list, entry(n))
	}
	write("manifest.json", `{"remanence-manifest":1,"outputs":[`+strings.Join(list, ",")+`]}`)
	n, wrong, err := Check(context.Background(), dir, nil)
	if err != nil || n != 5 {
		t.Fatalf("%d files, %v", n, err)
	}
	want := map[string]string{"bit.img": "a byte has changed", "short.img": "has 2 bytes, the manifest says 3", "gone.img": "is missing", "../outside.img": "escapes"}
	for _, w := range wrong {
		if s, ok := want[w.Path]; !ok || !strings.Contains(w.What, s) {
			t.Errorf("%s %s", w.Path, w.What)
		}
		delete(want, w.Path)
	}
	if len(want) > 0 {
		t.Errorf("not told: %v", want)
	}
	for _, bad := range []string{"", "{", `{"remanence-manifest":2}`} {
		write("manifest.json", bad)
		if _, _, err := Check(context.Background(), dir, nil); outcome.Status(err) != 3 || !strings.Contains(err.Error(), "manifest.json") {
			t.Errorf("%q: %v", bad, err)
		}
	}
	if _, _, err := Check(context.Background(), filepath.Join(dir, "absent"), nil); outcome.Status(err) != 3 {
		t.Errorf("no folder: %v", err)
	}
}

func FuzzManifest(f *testing.F) {
	f.Add([]byte(`{"remanence-manifest":1,"outputs":[{"path":"D01.img","size":3,"sha256":"` + abc + `"}]}`))
	f.Add([]byte(`{"remanence-manifest":1,"outputs":null}`))
	f.Add([]byte(`[]`))
	f.Fuzz(func(t *testing.T, b []byte) {
		m, err := parseManifest(b)
		if (m == nil) == (err == nil) {
			t.Fatalf("%v, %v", m, err)
		}
	})
}
