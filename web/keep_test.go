package web

import (
	"archive/zip"
	"bytes"
	"encoding/json"
	"fmt"
	"io"
	"mime/multipart"
	"net/http"
	"net/url"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"remanence/shelf"
)

// submit sends a form as a browser without script does, and gives the page it ends on.
func submit(t testing.TB, s *Server, base, path string, fields ...string) (status int, body string, at *url.URL) {
	t.Helper()
	v := url.Values{"token": {s.token}}
	for i := 0; i+1 < len(fields); i += 2 {
		v.Set(fields[i], fields[i+1])
	}
	r, err := http.PostForm(base+path, v)
	if err != nil {
		t.Fatal(err)
	}
	defer r.Body.Close()
	b, err := io.ReadAll(r.Body)
	if err != nil {
		t.Fatal(err)
	}
	return r.StatusCode, string(b), r.Request.URL
}

// uploaded sends a file as a browser without script does.
func uploaded(t testing.TB, token, target, name string, data []byte) (int, string) {
	t.Helper()
	var b bytes.Buffer
	m := multipart.NewWriter(&b)
	if err := m.WriteField("token", token); err != nil {
		t.Fatal(err)
	}
	f, err := m.CreateFormFile("file", name)
	if err != nil {
		t.Fatal(err)
	}
	f.Write(data)
	if err := m.Close(); err != nil {
		t.Fatal(err)
	}
	r, err := http.Post(target, m.FormDataContentType(), &b)
	if err != nil {
		t.Fatal(err)
	}
	defer r.Body.Close()
	body, err := io.ReadAll(r.Body)
	if err != nil {
		t.Fatal(err)
	}
	return r.StatusCode, string(body)
}

// On a shelf through the page: a blank medium, runs, notes and tags come, change and go, and what is refused says why
// and keeps what was typed.
func TestShelfOnThePage(t *testing.T) {
	s, h := bench(t)
	sh, err := s.shelf()
	if err != nil {
		t.Fatal(err)
	}
	f, _, err := sh.AddFile(t.Context(), "/archive/tide.cmd", module)
	if err != nil {
		t.Fatal(err)
	}
	want := func(what, body string, texts ...string) {
		t.Helper()
		for _, x := range texts {
			if no, ok := strings.CutPrefix(x, "!"); ok == strings.Contains(body, strings.TrimPrefix(x, "!")) {
				t.Errorf("%s: %q, want there: %v", what, no, !ok)
			}
		}
	}
	post := func(wantStatus int, path string, fields ...string) string {
		t.Helper()
		status, body, _ := submit(t, s, h.URL, path, fields...)
		if status != wantStatus {
			t.Fatalf("%s %v: status %d, want %d", path, fields, status, wantStatus)
		}
		return body
	}
	const ref = "medium:SCC-0012"
	body := post(200, "/keep/medium", "number", "SCC-0012", "type", "disk", "title", "Tide tables", "place", "box 3")
	want("a new medium", body, "Medium SCC-0012", "Tide tables", "box 3", ">blank<", "never written or read")
	body = post(422, "/keep/medium", "number", "SCC-0012", "type", "tape", "title", "typed in vain")
	want("the same number again", body, "is on the shelf already", "typed in vain")
	body = post(200, "/keep/log", "at", "subject", "number", "SCC-0012", "kind", "write", "outcome", "good", "equipment", "drive A", "place", "box 4", "day", "2026-11-01")
	want("written", body, ">made<", "drive A", "box 4", "2026-11-01")
	body = post(200, "/keep/log", "at", "subject", "number", "SCC-0012", "kind", "read", "outcome", "good", "margin", "45 %", "day", "2026-11-02")
	want("read", body, ">proven<", "45 %", "last read whole on 2026-11-02")
	body = post(422, "/keep/log", "at", "subject", "number", "SCC-0012", "kind", "read", "outcome", "good", "margin", "140", "detail", "typed in vain")
	want("impossible margin", body, "want per cent, 0 to 100", "typed in vain", "Medium SCC-0012")
	body = post(422, "/keep/log", "number", "SCC-0099", "kind", "read", "outcome", "good")
	want("unknown medium", body, "not on the shelf yet", "SCC-0099")

	body = post(200, "/keep/note", "at", "subject", "subject", ref, "text", "label torn\r\n<b>twice</b>")
	want("note", body, "label torn\n&lt;b&gt;twice&lt;/b&gt;", "!<b>twice")
	d, err := sh.Show(t.Context(), ref)
	if err != nil || len(d.Notes) != 1 {
		t.Fatalf("%+v, %v", d, err)
	}
	uid := d.Notes[0].UID
	_, body = get(t, h.URL+"/keep/show?what="+ref+"&edit="+uid)
	want("editing", body, "Change the note", "<textarea id=\"edit\"")
	want("edited", post(200, "/keep/note/edit", "at", "subject", "subject", ref, "uid", uid, "text", "label replaced"), "label replaced", "!label torn")
	want("edited to nothing", post(422, "/keep/note/edit", "at", "subject", "subject", ref, "uid", uid, "text", " "), "0 bytes, want 1", "Change the note")
	want("removed", post(200, "/keep/note/remove", "at", "subject", "subject", ref, "uid", uid), "!label replaced")
	want("removed twice", post(422, "/keep/note/remove", "at", "subject", "subject", ref, "uid", uid), "it may have been removed")
	want("tags", post(200, "/keep/tag", "at", "subject", "subject", ref, "tags", "reading-room, lent"), ">reading-room</a>", ">lent</a>")
	want("tag removed", post(200, "/keep/tag/remove", "at", "subject", "subject", ref, "tag", "lent"), ">reading-room</a>", "!>lent</a>")
	want("no tag", post(422, "/keep/tag", "at", "subject", "subject", ref, "tags", " , "), "want 1 to 100 bytes")
	want("moved", post(200, "/keep/medium/change", "at", "subject", "number", "SCC-0012", "title", "Tide tables", "place", "attic"), "attic", "!box 4")
	want("note on a file", post(200, "/keep/note", "at", "subject", "subject", shelf.FileRef(f.SHA256), "text", "from a cassette"), "from a cassette", "tide.cmd", "/archive/tide.cmd")
	want("note on nothing", post(404, "/keep/note", "at", "subject", "subject", "medium:NONE", "text", "x"), "nothing of that name")
	for q, hit := range map[string]string{"atti": "SCC-0012", "reading": "SCC-0012", "cassette": "tide.cmd"} {
		_, body := get(t, h.URL+"/keep/search?q="+q)
		want("search "+q, body, hit, "1 found", "!"+f.SHA256+" ")
	}
	for path := range map[string]bool{"/keep/note": true, "/keep/note/edit": true, "/keep/note/remove": true, "/keep/tag": true, "/keep/tag/remove": true,
		"/keep/medium": true, "/keep/medium/change": true, "/keep/log": true, "/keep/export": true} {
		if got := ask(t, "POST", h.URL+path, "at=subject&subject="+ref, map[string]string{"Content-Type": "application/x-www-form-urlencoded"}); got != 403 {
			t.Errorf("%s without token: %d", path, got)
		}
	}
}

// Lists: the same content at two places, what is nearly the same, all files in pages of a hundred.
func TestShelfLists(t *testing.T) {
	s, h := bench(t)
	sh, err := s.shelf()
	if err != nil {
		t.Fatal(err)
	}
	var long bytes.Buffer
	for i := range 300 {
		fmt.Fprintf(&long, "10 REM HIGH WATER %d\r", i*i)
	}
	patched := bytes.Replace(long.Bytes(), []byte("WATER 100\r"), []byte("WATER 999\r"), 1)
	for name, data := range map[string][]byte{"/a/tide.bas": long.Bytes(), "/b/copy.bas": long.Bytes(), "/c/patched.bas": patched} {
		if _, _, err := sh.AddFile(t.Context(), name, data); err != nil {
			t.Fatal(err)
		}
	}
	for i := range 120 {
		if _, _, err := sh.AddFile(t.Context(), fmt.Sprintf("/d/%03d.txt", i), fmt.Appendf(nil, "note %d\r", i)); err != nil {
			t.Fatal(err)
		}
	}
	for path, texts := range map[string][]string{
		"duplicates":     {"/a/tide.bas", "/b/copy.bas", "1 to 1 of 1"},
		"near":           {"patched.bas", "% </td>", "1 to 1 of 1"},
		"files":          {"1 to 100", "000.txt", "from=100"},
		"files&from=100": {"101 to 122", "119.txt", "from=0"},
		"masters":        {"Nothing is on this list"},
		"runs":           {"Nothing is on this list"},
		"media":          {"Nothing is on this list"},
		"risk":           {"1 to 100 of 122", "000.txt: no second copy", "from=100"},
		"risk&from=100":  {"101 to 122 of 122", ": no second copy", "from=0"},
	} {
		status, body := get(t, h.URL+"/keep/list?of="+path)
		for _, x := range texts {
			if status != 200 || !strings.Contains(strings.ReplaceAll(body, " %</td>", "% </td>"), x) {
				t.Errorf("%s: status %d, %q is missing", path, status, x)
			}
		}
	}
	if status, _ := get(t, h.URL+"/keep/list?of=secrets"); status != 404 {
		t.Errorf("a list that is none: %d", status)
	}
	_, body := get(t, h.URL+"/keep/show?what="+shelf.FileRef(shelf.Examine("", patched).SHA256))
	if !strings.Contains(body, "Nearly the same") || !strings.Contains(body, "% alike") && !strings.Contains(body, "%  alike") {
		t.Errorf("the page of a file does not name what is nearly the same")
	}
	_, body = get(t, h.URL+"/keep/show?what="+shelf.FileRef(shelf.Examine("", long.Bytes()).SHA256))
	if !strings.Contains(body, "The same content at 2 places") {
		t.Errorf("the page of a file does not name its places")
	}
}

// Out of one shelf and into another, in all forms, over HTTP. What a bag proves is proven by sha512sum (GNU coreutils)
// after 7z unpacked it: RFC 8493 asks for nothing else.
func TestShelfOutAndIn(t *testing.T) {
	s, h := bench(t)
	sh, err := s.shelf()
	if err != nil {
		t.Fatal(err)
	}
	kept := filepath.Join(t.TempDir(), "tide.cmd")
	if err := os.WriteFile(kept, module, 0o600); err != nil {
		t.Fatal(err)
	}
	if _, _, err := sh.AddFile(t.Context(), kept, module); err != nil {
		t.Fatal(err)
	}
	if _, _, err := sh.AddFile(t.Context(), "/gone/log.txt", []byte("fog\r")); err != nil {
		t.Fatal(err)
	}
	for _, f := range [][]string{{"/keep/medium", "number", "SCC-1", "type", "tape"}, {"/keep/note", "subject", "medium:SCC-1", "text", "baked"}, {"/keep/tag", "subject", "medium:SCC-1", "tags", "lent"},
		{"/keep/log", "number", "SCC-1", "kind", "read", "outcome", "good", "day", "2026-11-02"}} {
		if status, _, _ := submit(t, s, h.URL, f[0], f[1:]...); status != 200 {
			t.Fatalf("%v: %d", f, status)
		}
	}
	out := func(fields ...string) []byte {
		t.Helper()
		status, body, _ := submit(t, s, h.URL, "/keep/export", fields...)
		if status != 200 {
			t.Fatalf("%v: status %d", fields, status)
		}
		return []byte(body)
	}
	lines := out("as", "jsonl")
	for i, l := range bytes.Split(bytes.TrimSpace(lines), []byte("\n")) {
		if !json.Valid(l) {
			t.Errorf("line %d is not JSON: %q", i+1, l)
		}
	}
	tables, err := zip.NewReader(bytes.NewReader(out("as", "csv")), int64(len(out("as", "csv"))))
	if err != nil || len(tables.File) != len(shelf.Tables) {
		t.Fatalf("CSV: %v", err)
	}
	bag := out("as", "bag", "files", "yes")
	dir := t.TempDir()
	zipped := filepath.Join(dir, "bag.zip")
	if err := os.WriteFile(zipped, bag, 0o600); err != nil {
		t.Fatal(err)
	}
	unpack := exec.Command("7z", "x", "-y", zipped)
	unpack.Dir = dir
	if text, err := unpack.CombinedOutput(); err != nil {
		t.Fatalf("7z (apt-get install p7zip-full; make test does): %v\n%s", err, text)
	}
	sums := exec.Command("sha512sum", "-c", "--strict", "--quiet", "manifest-sha512.txt")
	sums.Dir = filepath.Join(dir, "shelf-bag")
	if text, err := sums.CombinedOutput(); err != nil {
		t.Errorf("sha512sum: %v\n%s", err, text)
	}
	sum := shelf.Examine("", module).SHA256
	if b, err := os.ReadFile(filepath.Join(dir, "shelf-bag", "data", "files", sum[:2], sum)); err != nil || !bytes.Equal(b, module) {
		t.Errorf("the file in the bag: %v", err)
	}
	if b, err := os.ReadFile(filepath.Join(dir, "not-in-the-bag.txt")); err != nil || !bytes.Contains(b, []byte(shelf.Examine("", []byte("fog\r")).SHA256)) {
		t.Errorf("what is missing is not told: %v, %s", err, b)
	}
	// The server takes its folder away after it has answered.
	for end := time.Now().Add(30 * time.Second); ; time.Sleep(10 * time.Millisecond) {
		left, err := filepath.Glob(filepath.Join(s.o.Work, ".*"))
		if err != nil || len(left) > 0 && time.Now().After(end) {
			t.Fatalf("left behind: %v, %v", left, err)
		}
		if len(left) == 0 {
			break
		}
	}

	for _, tt := range []struct {
		name string
		data []byte
		want string
	}{
		{"shelf.jsonl", lines, "2 files, 0 masters, 1 media, 1 runs, 1 notes, 1 tags"},
		{"bag.zip", bag, "2 files, 0 masters, 1 media, 1 runs, 1 notes, 1 tags"},
		{"list.csv", []byte("number,type,place\nSCC-7,disk,box 9\n"), "0 files, 0 masters, 1 media, 0 runs"},
	} {
		s2, h2 := bench(t)
		status, body := uploaded(t, s2.token, h2.URL+"/keep/import", tt.name, tt.data)
		if status != 200 || !strings.Contains(body, tt.want) {
			t.Errorf("%s: status %d, want %q", tt.name, status, tt.want)
		}
		if tt.name != "list.csv" {
			if _, body, _ := submit(t, s2, h2.URL, "/keep/export", "as", "jsonl"); body != string(lines) {
				t.Errorf("%s: taken in and exported again, the shelf is not the same", tt.name)
			}
		}
	}
	forged := bytes.Clone(bag)
	r, err := zip.NewReader(bytes.NewReader(bag), int64(len(bag)))
	if err != nil {
		t.Fatal(err)
	}
	var other bytes.Buffer
	z := zip.NewWriter(&other)
	for _, e := range r.File {
		b, err := unzipped(e)
		if err != nil {
			t.Fatal(err)
		}
		if strings.HasSuffix(e.Name, "data/shelf.jsonl") {
			b = bytes.Replace(b, []byte("baked"), []byte("faked"), 1)
		}
		w, err := z.Create(e.Name)
		if err != nil {
			t.Fatal(err)
		}
		w.Write(b)
	}
	if err := z.Close(); err != nil {
		t.Fatal(err)
	}
	for name, tt := range map[string]struct {
		data []byte
		want string
	}{
		"forged.zip": {other.Bytes(), "is not as manifest-sha512.txt has it"},
		"cut.zip":    {forged[:len(forged)/2], "the zip cannot be read"},
		"other.zip":  {zipOf(t, map[string][]byte{"a.txt": nil}), "want a zipped bag"},
		"bad.jsonl":  {append(bytes.Clone(lines), "{\"run\":1}\n"...), "bad.jsonl: line 8"},
		"bad.csv":    {[]byte("number,type\nA B,disk\n"), "bad.csv: line 2"},
		"empty":      {nil, "line 1"},
	} {
		s2, h2 := bench(t)
		status, body := uploaded(t, s2.token, h2.URL+"/keep/import", name, tt.data)
		if status != 422 || !strings.Contains(body, tt.want) || !strings.Contains(body, "Nothing of it was taken in") {
			t.Errorf("%s: status %d, want %q in %.900s", name, status, tt.want, body[strings.Index(body, "<main"):])
		}
		if sh2, err := s2.shelf(); err == nil {
			if m, err := sh2.Media(t.Context()); err != nil || len(m) != 0 {
				t.Errorf("%s: something was kept: %v, %v", name, m, err)
			}
		}
	}
	if status, _ := uploaded(t, "guess", h.URL+"/keep/import", "a.jsonl", lines); status != 403 {
		t.Errorf("import with a wrong token: %d", status)
	}
}

// The shelf says of an image of a disk what Gather says, also where an earlier shelf did not know it.
func TestShelfKnowsImages(t *testing.T) {
	s, h := bench(t)
	img := tides(t, s)
	before, err := shelf.Open(t.Context(), s.o.Shelf, shelf.Options{NoBackup: true})
	if err != nil {
		t.Fatal(err)
	}
	if f, _, err := before.AddFile(t.Context(), "/a/OLDDISK.IMG", img); err != nil || f.Kind != "unknown" {
		t.Fatalf("told nothing of volumes, the shelf says %q, %v", f.Kind, err)
	}
	if err := before.Close(); err != nil {
		t.Fatal(err)
	}
	sh, err := s.shelf()
	if err != nil {
		t.Fatal(err)
	}
	if _, known, err := sh.AddFile(t.Context(), "/a/OLDDISK.IMG", img); err != nil || !known {
		t.Fatal(known, err)
	}
	_, body := get(t, h.URL+"/keep/list?of=files")
	if !strings.Contains(body, "disk image") || strings.Contains(body, "no known kind") {
		t.Error("the list does not say that it is an image of a disk")
	}
	if _, body := get(t, h.URL+"/keep/search?q=granule"); !strings.Contains(body, "OLDDISK.IMG") {
		t.Error("it is not found by the kind of its volume")
	}
}
