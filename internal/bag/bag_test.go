package bag

import (
	"context"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"

	"pgregory.net/rapid"
)

// Digests of the smallest bag and the length of its manifest line: fact sheet E5 and check value 50, computed there
// after RFC 8493.
func TestSmallestBag(t *testing.T) {
	dir := filepath.Join(t.TempDir(), "bag")
	b := Bag{Payload: []Entry{{Path: "abc.bin", Data: []byte("abc")}}}
	if err := b.Write(dir, false); err != nil {
		t.Fatal(err)
	}
	for name, want := range map[string]string{
		"bagit.txt":           "1712ecfb074bf29c4188ad3421032509159a09739fd604f8fe57038b4ddefcc9",
		"bag-info.txt":        "ccc88d7628fcfc74a3d8a39535d277b3b48876d3583801178f1e89841f9f4465",
		"manifest-sha256.txt": "73362e5a4ef60f264afc8317931c0226a85a069de1855f1cc6837b659be8bb0f",
	} {
		got, err := os.ReadFile(filepath.Join(dir, name))
		if err != nil {
			t.Fatal(err)
		}
		if h := sha256.Sum256(got); hex.EncodeToString(h[:]) != want {
			t.Errorf("%s: %d bytes %q, want digest %s", name, len(got), got, want)
		}
	}
	c, err := Validate(context.Background(), dir, nil)
	if err != nil || c.Octets != 3 || c.Version != "1.0" {
		t.Errorf("Validate = %+v, %v", c, err)
	}
}

// sha512sum checks a payload manifest as it stands (GNU coreutils; RFC 8493 chose the form for that).
func sha512sum(t testing.TB, dir, manifest string) ([]byte, error) {
	t.Helper()
	program, err := exec.LookPath("sha512sum")
	if err != nil {
		t.Fatal("sha512sum is missing: it comes with GNU coreutils, which these tests need")
	}
	cmd := exec.Command(program, "-c", "--strict", manifest)
	cmd.Dir = dir
	return cmd.CombinedOutput()
}

func sample() Bag {
	return Bag{
		Info: []Info{{"Source-Organization", "Saltmarsh Computing Collection"}, {"External-Description", strings.Repeat("a long description of the disk of a Heron ", 8)}},
		Payload: []Entry{
			{Path: "image/b.img", Data: []byte("image")}, {Path: "originals/a b.ivl", Data: nil}, {Path: "100% done.txt", Data: []byte("x")},
		},
		Tags: []Entry{{Path: "metadata/events.json", Data: []byte("{}\n")}},
	}
}

func TestOutsideCheck(t *testing.T) {
	dir := filepath.Join(t.TempDir(), "bag")
	b := sample()
	if err := b.Write(dir, false); err != nil {
		t.Fatal(err)
	}
	// A % is written %25 in the manifest (RFC 8493, 2.1.3; check value 54), which sha512sum does not know; all others pass.
	m, _ := os.ReadFile(filepath.Join(dir, "manifest-sha512.txt"))
	if !strings.Contains(string(m), "  data/100%25 done.txt\n") || !strings.Contains(string(m), "  data/originals/a b.ivl\n") {
		t.Errorf("manifest:\n%s", m)
	}
	for _, name := range []string{"manifest-sha512.txt", "tagmanifest-sha512.txt"} {
		m, _ := os.ReadFile(filepath.Join(dir, name))
		if err := os.WriteFile(filepath.Join(dir, "check"), []byte(strings.ReplaceAll(string(m), "%25", "%")), 0o600); err != nil {
			t.Fatal(err)
		}
		if out, err := sha512sum(t, dir, "check"); err != nil {
			t.Errorf("sha512sum -c --strict %s: %v\n%s", name, err, out)
		}
	}
	os.Remove(filepath.Join(dir, "check"))
	c, err := Validate(context.Background(), dir, nil)
	if err != nil {
		t.Fatal(err)
	}
	if c.Info[1].Value != strings.TrimSpace(b.Info[1].Value) || len(c.Files) != 3 {
		t.Errorf("read back %+v", c)
	}
	info, _ := os.ReadFile(filepath.Join(dir, "bag-info.txt"))
	for _, l := range strings.Split(string(info), "\n") {
		if len(l) > 79 { // RFC 8493, 2.2.2
			t.Errorf("bag-info line of %d characters: %q", len(l), l)
		}
	}
	// One flipped byte is noticed here and there.
	if err := os.WriteFile(filepath.Join(dir, "data/image/b.img"), []byte("imagE"), 0o600); err != nil {
		t.Fatal(err)
	}
	if _, err := Validate(context.Background(), dir, nil); err == nil || !strings.Contains(err.Error(), "data/image/b.img: its sha512 is") {
		t.Errorf("changed byte: %v", err)
	}
	if _, err := sha512sum(t, dir, "manifest-sha512.txt"); err == nil {
		t.Error("sha512sum passes a changed file")
	}
}

func TestRefused(t *testing.T) {
	digest := hex.EncodeToString(make([]byte, 32))
	abc := "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"
	for name, tt := range map[string]struct {
		change func(dir string) error
		want   string
		src    string
	}{
		"byte order mark": {func(d string) error { return put1(d, "bagit.txt", "\xEF\xBB\xBF"+Declaration) }, "byte order mark", "2.1.1, check value 51"},
		"three lines":     {func(d string) error { return put1(d, "bagit.txt", Declaration+"More: 1\n") }, "3 lines", "2.1.1, check value 51"},
		"one manifest of two": {func(d string) error {
			return put1(d, "manifest-sha256.txt", "")
		}, "manifest-sha256.txt: does not list data/abc.bin", "3, check value 52"},
		"leaves the bag": {func(d string) error {
			return put1(d, "manifest-sha256.txt", abc+"  data/../x\n")
		}, "manifest-sha256.txt:1: path \"data/../x\"", "5.1, check value 53"},
		"absolute": {func(d string) error {
			return put1(d, "manifest-sha256.txt", abc+"  data/abc.bin\n"+digest+"  /etc/x\n")
		}, "manifest-sha256.txt:2: path \"/etc/x\"", "5.1, check value 53"},
		"home":    {func(d string) error { return put1(d, "manifest-sha256.txt", abc+"  ~/x\n") }, "begins with ~", "5.1"},
		"drive":   {func(d string) error { return put1(d, "manifest-sha256.txt", abc+"  C:/x\n") }, "drive letter", "5.1"},
		"outside": {func(d string) error { return put1(d, "manifest-sha256.txt", abc+"  bagit.txt\n") }, "outside data/", "2.1.3"},
		"twice": {func(d string) error {
			return put1(d, "manifest-sha256.txt", abc+"  data/abc.bin\n"+abc+"  data/abc.bin\n")
		}, "listed twice", "2.1.3"},
		"not listed":  {func(d string) error { return put1(d, "data/more.bin", "more") }, "does not list data/more.bin", "3"},
		"missing":     {func(d string) error { return os.Remove(filepath.Join(d, "data/abc.bin")) }, "which is not there", "3"},
		"oxum":        {func(d string) error { return put1(d, "bag-info.txt", "Payload-Oxum: 4.1\n") }, "Payload-Oxum is 4.1, the payload 3.1", "2.2.2"},
		"two oxums":   {func(d string) error { return put1(d, "bag-info.txt", "Payload-Oxum: 3.1\nPayload-Oxum: 3.1\n") }, "Payload-Oxum twice", "2.2.2"},
		"short":       {func(d string) error { return put1(d, "manifest-sha256.txt", "ba78  data/abc.bin\n") }, "digest of 64 hex digits", "2.1.3"},
		"tag changed": {func(d string) error { return put1(d, "metadata/note.txt", "changed") }, "metadata/note.txt: its sha512", "2.2.1"},
		"link":        {func(d string) error { return os.Symlink("/etc/hostname", filepath.Join(d, "data/link")) }, "not a plain file", "5.1"},
		"no manifest": {func(d string) error {
			return os.Rename(filepath.Join(d, "manifest-sha256.txt"), filepath.Join(d, "other.txt"))
		}, "does not", "2.1"},
	} {
		dir := filepath.Join(t.TempDir(), "bag")
		b := Bag{Payload: []Entry{{Path: "abc.bin", Data: []byte("abc")}}, Tags: []Entry{{Path: "metadata/note.txt", Data: []byte("note")}}}
		if err := b.Write(dir, false); err != nil {
			t.Fatal(err)
		}
		if name == "no manifest" {
			os.Remove(filepath.Join(dir, "manifest-sha512.txt"))
			tt.want = "no manifest-<algorithm>.txt"
		}
		if err := tt.change(dir); err != nil {
			t.Fatal(err)
		}
		if _, err := Validate(context.Background(), dir, nil); err == nil || !strings.Contains(err.Error(), tt.want) {
			t.Errorf("%s (RFC 8493, %s): got %v, want %q", name, tt.src, err, tt.want)
		}
	}
}

func put1(dir, name, text string) error {
	return os.WriteFile(filepath.Join(dir, name), []byte(text), 0o600)
}

func TestSameBytesTwiceAndNoReplacing(t *testing.T) {
	tmp := t.TempDir()
	read := func(dir string) string {
		var s strings.Builder
		err := filepath.WalkDir(dir, func(p string, d os.DirEntry, err error) error {
			if err == nil && !d.IsDir() {
				b, _ := os.ReadFile(p)
				rel, _ := filepath.Rel(dir, p)
				s.WriteString(rel + "\x00" + string(b) + "\x00")
			}
			return err
		})
		if err != nil {
			t.Fatal(err)
		}
		return s.String()
	}
	b := sample()
	for _, n := range []string{"a", "b"} {
		if err := b.Write(filepath.Join(tmp, n), false); err != nil {
			t.Fatal(err)
		}
	}
	if read(filepath.Join(tmp, "a")) != read(filepath.Join(tmp, "b")) {
		t.Error("two bags of the same payload differ")
	}
	if err := b.Write(filepath.Join(tmp, "a"), false); err == nil {
		t.Error("an existing bag was replaced without force")
	}
	if err := b.Write(filepath.Join(tmp, "a"), true); err != nil {
		t.Errorf("with force: %v", err)
	}
	if err := put1(tmp, "precious", "x"); err != nil {
		t.Fatal(err)
	}
	if err := b.Write(tmp, true); err == nil {
		t.Error("a folder that is no bag was replaced")
	}
	for _, p := range []string{"../x", "/x", "a/../b", "", "a//b", `a\b`, "c:/x"} {
		bad := Bag{Payload: []Entry{{Path: p}}}
		if err := bad.Write(filepath.Join(tmp, "new"), false); err == nil {
			t.Errorf("payload path %q was taken", p)
		}
	}
	if names, _ := filepath.Glob(filepath.Join(tmp, ".*")); len(names) != 0 {
		t.Errorf("left behind: %v", names)
	}
}

func TestAnyPayload(t *testing.T) {
	tmp := t.TempDir()
	n := 0
	rapid.Check(t, func(rt *rapid.T) {
		n++
		part := rapid.StringMatching(`[A-Za-z0-9 %_.-]{1,12}[a-z0-9]`)
		names := rapid.SliceOfNDistinct(part, 0, 6, strings.ToLower).Draw(rt, "names")
		var b Bag
		total := int64(0)
		for _, name := range names {
			d := rapid.SliceOfN(rapid.Byte(), 0, 300).Draw(rt, "data")
			total += int64(len(d))
			b.Payload = append(b.Payload, Entry{Path: "f/" + name, Data: d})
		}
		dir := filepath.Join(tmp, hex.EncodeToString([]byte{byte(n >> 8), byte(n)}))
		if err := b.Write(dir, true); err != nil {
			rt.Fatal(err)
		}
		c, err := Validate(context.Background(), dir, nil)
		if err != nil || c.Octets != total || len(c.Files) != len(names) {
			rt.Fatalf("%v: %d files, %d octets: %v", names, len(c.Files), c.Octets, err)
		}
		os.RemoveAll(dir)
	})
}

func TestEvents(t *testing.T) {
	b, err := Events("remanence 1", "1983-07-14T00:00:00Z", "given", []Event{{Type: "recovery", Detail: "3 captures merged", Outcome: "success", Objects: []string{"data/image/a.img"}}})
	if err != nil {
		t.Fatal(err)
	}
	var v struct {
		Events []map[string]any `json:"events"`
	}
	if err := json.Unmarshal(b, &v); err != nil || len(v.Events) != 1 {
		t.Fatalf("%v\n%s", err, b)
	}
	// The units to keep of an event: fact sheet E7.
	for _, k := range []string{"eventIdentifier", "eventType", "eventDateTime", "eventDetailInformation", "eventOutcomeInformation", "linkingAgentIdentifier", "linkingObjectIdentifier"} {
		if v.Events[0][k] == nil {
			t.Errorf("no %s in\n%s", k, b)
		}
	}
}

func FuzzManifest(f *testing.F) {
	f.Add([]byte("ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad  data/abc.bin\n"))
	f.Add([]byte("ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad\tdata/../abc%25.bin\r\n\r\n"))
	f.Fuzz(func(t *testing.T, b []byte) {
		_ = parseManifest(b, "manifest-sha256.txt", "sha256", func(p, digest string) error {
			if len(digest) != 64 || CheckPath(p) != nil || !filepath.IsLocal(filepath.FromSlash(p)) {
				t.Errorf("let through: %q %q", p, digest)
			}
			if decodePath(encodePath(p)) != p {
				t.Errorf("%q does not survive a manifest", p)
			}
			return nil
		})
		var c Content
		_ = c.parseInfo(b)
	})
}

func BenchmarkValidate(b *testing.B) {
	dir := filepath.Join(b.TempDir(), "bag")
	data := make([]byte, 8<<20)
	bg := Bag{Payload: []Entry{{Path: "big.bin", Data: data}}}
	if err := bg.Write(dir, false); err != nil {
		b.Fatal(err)
	}
	b.SetBytes(int64(len(data)))
	for b.Loop() {
		if _, err := Validate(context.Background(), dir, nil); err != nil {
			b.Fatal(err)
		}
	}
}
