package shelf

import (
	"bytes"
	"context"
	"database/sql"
	"fmt"
	"math"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"remanence/internal/outcome"
)

// day is the clock of the tests.
var day = time.Date(2026, 11, 24, 12, 0, 0, 0, time.UTC)

func at(t time.Time) func() time.Time { return func() time.Time { return t } }

func open(t testing.TB, path string, o Options) *Shelf {
	t.Helper()
	if o.Now == nil {
		o.Now = at(day)
	}
	s, err := Open(t.Context(), path, o)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { s.Close() })
	return s
}

func fresh(t testing.TB) *Shelf {
	return open(t, filepath.Join(t.TempDir(), "shelf.sqlite"), Options{NoBackup: true})
}

func must[T any](v T, err error) func(t testing.TB) T {
	return func(t testing.TB) T {
		t.Helper()
		if err != nil {
			t.Fatal(err)
		}
		return v
	}
}

func sum(c string) string { return strings.Repeat(c, 64) }

// stocked has two files, a master, a medium and its runs.
func stocked(t testing.TB) *Shelf {
	t.Helper()
	s := fresh(t)
	for _, f := range [][2]string{{"/archive/TIDES.BAS", "10 REM tides of the estuary\r20 END\r"}, {"/archive/COAST.TXT", strings.Repeat("the coast is long ", 40)}} {
		must(first(s.AddFile(t.Context(), f[0], []byte(f[1]))))(t)
	}
	tides := Examine("x", []byte("10 REM tides of the estuary\r20 END\r"))
	m := Master{Type: "disk", Number: "D01", Title: "Saltmarsh Collection", Machine: "z80-fm10", Recording: "fm10x256", SHA256: sum("c"), Verified: true, Path: "/m/D01.img",
		Items: []Item{{Name: "TIDES/BAS", At: "granule 1", SHA256: tides.SHA256}}}
	must(s.AddMaster(t.Context(), &m))(t)
	return s
}

func first[A, B any](a A, _ B, err error) (A, error) { return a, err }

func run(t testing.TB, s *Shelf, r Run) {
	t.Helper()
	must(s.Log(t.Context(), r))(t)
}

func margin(v float64) *float64 { return &v }

// TestMigrations opens a shelf as each version made it: all that was in it is there, it can be searched, its schema is
// the one of a new shelf, and a copy of the state before was kept.
func TestMigrations(t *testing.T) {
	if n := len(must(filepath.Glob("testdata/v*.sql"))(t)); n != len(migrations) {
		t.Fatalf("%d fixtures for %d versions: add one of the version that is released", n, len(migrations))
	}
	schema := func(s *Shelf) []string {
		return must(query(t.Context(), s, scanString, "SELECT type || ' ' || name || ' ' || coalesce(sql, '') FROM sqlite_master ORDER BY 1"))(t)
	}
	want := schema(fresh(t))
	var export []byte
	for v := 1; v <= len(migrations); v++ {
		path := filepath.Join(t.TempDir(), "old.sqlite")
		db := must(sql.Open("sqlite", path))(t)
		must(db.ExecContext(t.Context(), string(must(os.ReadFile(fmt.Sprintf("testdata/v%d.sql", v)))(t))))(t)
		if err := db.Close(); err != nil {
			t.Fatal(err)
		}
		s := open(t, path, Options{})
		if err := s.Check(t.Context()); err != nil {
			t.Errorf("version %d: %v", v, err)
		}
		if d := cmp.Diff(want, schema(s)); d != "" {
			t.Errorf("version %d: schema differs from a new shelf's:\n%s", v, d)
		}
		for _, w := range []string{"tides", "COA", "scc-0012", "box 3", "d01 salt", sum("a")[:10]} {
			if hits, _, err := s.Search(t.Context(), w, 10); err != nil || len(hits) == 0 {
				t.Errorf("version %d: search %q: %d hits, %v", v, w, len(hits), err)
			}
		}
		var b bytes.Buffer
		if err := s.ExportJSONL(t.Context(), &b); err != nil {
			t.Fatal(err)
		}
		if export == nil {
			export = b.Bytes()
		}
		if d := cmp.Diff(string(export), b.String()); d != "" {
			t.Errorf("version %d holds something else than version 1 did:\n%s", v, d)
		}
		copies := must(s.Backups())(t)
		if v < len(migrations) && !slices.ContainsFunc(copies, func(n string) bool { return strings.Contains(n, "before-version-") }) {
			t.Errorf("version %d: no copy of the state before: %v", v, copies)
		}
	}
	if n := bytes.Count(export, []byte("\n")); n != 1+2+1+2+2+1+1 {
		t.Errorf("the export has %d lines:\n%s", n, export)
	}
}

func TestRefusesWhatIsNoShelf(t *testing.T) {
	dir := t.TempDir()
	other := filepath.Join(dir, "other.sqlite")
	db := must(sql.Open("sqlite", other))(t)
	must(db.ExecContext(t.Context(), "CREATE TABLE x(a)"))(t)
	db.Close()
	newer := filepath.Join(dir, "newer.sqlite")
	s := open(t, newer, Options{NoBackup: true})
	must(s.db.ExecContext(t.Context(), "PRAGMA user_version = 99"))(t)
	s.Close()
	text := filepath.Join(dir, "text")
	if err := os.WriteFile(text, []byte("just text, no shelf at all"), 0o600); err != nil {
		t.Fatal(err)
	}
	for path, want := range map[string]string{other: "another program", newer: "schema version 99", text: "no shelf", dir: "folder", filepath.Join(dir, "none"): "no shelf yet"} {
		before, _ := os.ReadFile(path)
		_, err := Open(t.Context(), path, Options{Now: at(day), MustExist: true})
		if err == nil || !strings.Contains(err.Error(), want) || outcome.Status(err) != int(outcome.Input) {
			t.Errorf("%s: %v (status %d), want %q", filepath.Base(path), err, outcome.Status(err), want)
		}
		if after, _ := os.ReadFile(path); !bytes.Equal(before, after) {
			t.Errorf("%s was changed", path)
		}
	}
}

// TestDamageIsNoticedAtStart overwrites a page in the middle of the file.
func TestDamageIsNoticedAtStart(t *testing.T) {
	path := filepath.Join(t.TempDir(), "shelf.sqlite")
	s := open(t, path, Options{NoBackup: true})
	for i := range 200 {
		must(first(s.AddFile(t.Context(), fmt.Sprint("/a/", i), []byte(fmt.Sprint("file ", i)))))(t)
	}
	s.Close()
	data := must(os.ReadFile(path))(t)
	for i := range 4096 {
		data[len(data)/4096/2*4096+i] = byte(i)
	}
	if err := os.WriteFile(path, data, 0o600); err != nil {
		t.Fatal(err)
	}
	_, err := Open(t.Context(), path, Options{Now: at(day)})
	if err == nil || !strings.Contains(err.Error(), "damaged") || !strings.Contains(outcome.HintOf(err), ".backups") {
		t.Errorf("a damaged shelf was opened: %v", err)
	}
}

func TestFilesAreKnownByContent(t *testing.T) {
	s := fresh(t)
	a, known, err := s.AddFile(t.Context(), "/one/HERON.CMD", []byte("abc"))
	// FIPS 180-4 vector, as in the project's fact sheet E6
	if err != nil || known || a.SHA256 != "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad" {
		t.Fatalf("%+v %v %v", a, known, err)
	}
	if _, known, err = s.AddFile(t.Context(), "/two/heron.cmd", []byte("abc")); err != nil || !known {
		t.Errorf("the same content was not known: %v", err)
	}
	d := must(s.Duplicates(t.Context(), 10))(t)
	if len(d) != 1 || !slices.Equal(d[0].Paths, []string{"/one/HERON.CMD", "/two/heron.cmd"}) {
		t.Errorf("duplicates: %+v", d)
	}
	for _, say := range []string{"ba7816", "BA7816bf", "/two/heron.cmd", "HERON.CMD"} {
		if got, err := s.Show(t.Context(), say); err != nil || got.File == nil || got.File.SHA256 != a.SHA256 {
			t.Errorf("Show(%q): %+v %v", say, got, err)
		}
	}
	for _, say := range []string{"ba78", "nothing", "medium:X", "file:" + sum("0"), "%", "", "master:"} {
		if _, err := s.Show(t.Context(), say); err == nil {
			t.Errorf("Show(%q) found something", say)
		}
	}
}

// TestStates: look: media are blank, made, proven or failing.
func TestStates(t *testing.T) {
	s := stocked(t)
	state := func() State { return must(s.Media(t.Context()))(t)[0].State }
	if _, err := s.Log(t.Context(), Run{Medium: "A1", Kind: Read, Outcome: Good}); err == nil || outcome.HintOf(err) == "" {
		t.Errorf("an unknown medium was read: %v", err)
	}
	run(t, s, Run{Medium: "A1", Kind: Write, Outcome: Good, Master: "D01", At: day})
	if got := state(); got != Made {
		t.Errorf("after writing: %s", got)
	}
	run(t, s, Run{Medium: "A1", Kind: Verify, Outcome: Good, At: day.Add(time.Hour), Margin: margin(0.4)})
	if got := state(); got != Proven {
		t.Errorf("after verifying: %s", got)
	}
	run(t, s, Run{Medium: "A1", Kind: Read, Outcome: Lost, At: day.Add(2 * time.Hour)})
	if got := state(); got != Failing {
		t.Errorf("after a bad reading: %s", got)
	}
	run(t, s, Run{Medium: "A1", Kind: Read, Outcome: Good, At: day.Add(90 * time.Minute)}) // told late, was earlier
	if got := state(); got != Failing {
		t.Errorf("an older reading told later made it %s", got)
	}
	n := len(must(s.Runs(t.Context(), "A1", 100))(t))
	run(t, s, Run{Medium: "A1", Kind: Read, Outcome: Lost, At: day.Add(2 * time.Hour)})
	if got := len(must(s.Runs(t.Context(), "A1", 100))(t)); got != n {
		t.Errorf("the same run told twice counts twice")
	}
	for _, r := range []Run{{Medium: "A1", Kind: "erase", Outcome: Good}, {Medium: "A1", Kind: Read, Outcome: "fine"}, {Medium: "a b", Kind: Read, Outcome: Good}, {Medium: "", Kind: Read, Outcome: Good},
		{Medium: "A1", Kind: Read, Outcome: Good, Margin: margin(1.5)}, {Medium: "A1", Kind: Read, Outcome: Good, Margin: margin(math.NaN())}, {Medium: "A1", Kind: Read, Outcome: Good, Master: "D01"},
		{Medium: "A2", Kind: Write, Outcome: Good, Master: "D99"}} {
		if _, err := s.Log(t.Context(), r); outcome.Status(err) != int(outcome.Usage) {
			t.Errorf("%+v: %v, want a usage error", r, err)
		}
	}
}

// TestAtRisk checks the rules of the issue: no second copy, last read over two years ago, margins falling.
func TestAtRisk(t *testing.T) {
	s := stocked(t)
	kinds := func() string {
		r := must(s.AtRisk(t.Context()))(t)
		return fmt.Sprintf("failing %d, margin %d, unread %d (never %d), one copy %d", r.Failing, r.Margin, r.Unread, r.Never, r.OneCopy)
	}
	expect := func(when, want string) {
		t.Helper()
		if got := kinds(); got != want {
			t.Errorf("%s: %s, want %s", when, got, want)
		}
	}
	expect("two files, no media", "failing 0, margin 0, unread 0 (never 0), one copy 2")
	run(t, s, Run{Medium: "A1", Kind: Write, Outcome: Good, Master: "D01", At: day.AddDate(-3, 0, 0)})
	expect("written, never read", "failing 0, margin 0, unread 1 (never 1), one copy 1")
	run(t, s, Run{Medium: "A1", Kind: Read, Outcome: Good, At: day.AddDate(-2, 0, -5), Margin: margin(0.45)})
	expect("read two years and five days ago", "failing 0, margin 0, unread 1 (never 0), one copy 1")
	run(t, s, Run{Medium: "A1", Kind: Read, Outcome: Good, At: day.AddDate(-1, 0, 0), Margin: margin(0.40)})
	expect("read a year ago, five points less", "failing 0, margin 0, unread 0 (never 0), one copy 1")
	run(t, s, Run{Medium: "A1", Kind: Read, Outcome: Repaired, At: day.AddDate(0, -1, 0), Margin: margin(0.31)})
	expect("fourteen points less", "failing 0, margin 1, unread 0 (never 0), one copy 1")
	run(t, s, Run{Medium: "A1", Kind: Read, Outcome: Lost, At: day.AddDate(0, 0, -1)})
	expect("not whole any more", "failing 1, margin 1, unread 0 (never 0), one copy 2")
	run(t, s, Run{Medium: "A1", Kind: Write, Outcome: Good, Master: "D01", At: day.Add(-time.Hour)})
	run(t, s, Run{Medium: "A1", Kind: Read, Outcome: Good, At: day.Add(-time.Minute), Margin: margin(0.31)})
	expect("written anew, the margin begins anew", "failing 0, margin 0, unread 0 (never 0), one copy 1")
}

func TestSearch(t *testing.T) {
	s := stocked(t)
	run(t, s, Run{Medium: "SCC-0012", Kind: Write, Outcome: Good, Master: "D01", Place: "box 3, top shelf", Equipment: "drive Ä", Detail: "second attempt"})
	ref := MediumRef("SCC-0012")
	if err := s.AddNote(t.Context(), ref, "Etikett eingerissen"); err != nil {
		t.Fatal(err)
	}
	if err := s.Tag(t.Context(), ref, "reading-room", "lent"); err != nil {
		t.Fatal(err)
	}
	if err := s.Tag(t.Context(), ref, "-lent"); err != nil {
		t.Fatal(err)
	}
	for q, want := range map[string]string{
		"t": "master medium file file", "ti": "file master", "tides": "file master", "TIDES bas": "file master", "coast": "file", "scc 00": "medium", "scc-0012": "medium",
		"box top": "medium", "etik": "medium", "reading": "medium", "lent": "", "drive a": "medium", "attempt": "medium", "z80-fm10": "master",
		"": "", "---": "", `" OR x`: "", "tides AND": "", "tides*": "file master", "NEAR(t i)": "", "title:tides": "", "\x00": "",
	} {
		hits, _, err := s.Search(t.Context(), q, 50)
		if err != nil {
			t.Errorf("%q: %v", q, err)
			continue
		}
		var kinds []string
		for _, h := range hits {
			kinds = append(kinds, h.Kind)
		}
		a, b := slices.Clone(kinds), strings.Fields(want)
		slices.Sort(a)
		slices.Sort(b)
		if !slices.Equal(a, b) {
			t.Errorf("%q: %v, want %q", q, kinds, want)
		}
	}
	for i := range 300 {
		must(first(s.AddFile(t.Context(), fmt.Sprintf("/many/dune%03d.txt", i), []byte(fmt.Sprint(i)))))(t)
	}
	if hits, more, err := s.Search(t.Context(), "dun", 20); err != nil || !more || len(hits) != 20 {
		t.Errorf("%d hits, more %v, %v", len(hits), more, err)
	}
}

// TestNear compares the estimate with the true measure, counted over all runs of six bytes.
func TestNear(t *testing.T) {
	rng := rand.New(rand.NewPCG(1, 2))
	random := func(n int) []byte {
		b := make([]byte, n)
		for i := range b {
			b[i] = byte(rng.Uint32())
		}
		return b
	}
	truth := func(a, b []byte) float64 {
		set := map[string]int{}
		for i := range len(a) - 5 {
			set[string(a[i:i+6])] |= 1
		}
		for i := range len(b) - 5 {
			set[string(b[i:i+6])] |= 2
		}
		both := 0
		for _, v := range set {
			if v == 3 {
				both++
			}
		}
		return float64(both) / float64(len(set))
	}
	base := random(4000)
	worst := 0.0
	for _, cut := range []int{0, 200, 800, 1600, 2400, 4000} {
		other := append(append([]byte{}, base[cut:]...), random(cut)...)
		got, want := alike(sketch(base), sketch(other)), truth(base, other)
		worst = max(worst, math.Abs(got-want))
	}
	if worst > 0.18 { // three times the deviation of 64 draws, 0.0625 at most
		t.Errorf("the estimate is %.2f off", worst)
	}
	s := fresh(t)
	patched := slices.Clone(base)
	patched[1000] ^= 0x55
	padded := append(slices.Clone(base), make([]byte, 256)...)
	for name, data := range map[string][]byte{"base": base, "patched": patched, "padded": padded, "other": random(4000), "short": base[:50]} {
		must(first(s.AddFile(t.Context(), "/"+name, data)))(t)
	}
	pairs := must(s.Near(t.Context(), 100))(t)
	var got []string
	for _, p := range pairs {
		n := []string{p.A.Name, p.B.Name}
		slices.Sort(n)
		got = append(got, strings.Join(n, "+"))
	}
	slices.Sort(got)
	if d := cmp.Diff([]string{"base+padded", "base+patched", "padded+patched"}, got); d != "" {
		t.Error(d)
	}
	names := func(data []byte) (n []string) {
		for _, x := range must(s.NearTo(t.Context(), Examine("", data).SHA256, 100))(t) {
			n = append(n, x.File.Name)
		}
		slices.Sort(n)
		return n
	}
	if d := cmp.Diff([]string{"padded", "patched"}, names(base)); d != "" { // as in the pairs
		t.Error(d)
	}
	if n := names(base[:50]); n != nil {
		t.Errorf("near to what has no sketch: %v", n)
	}
}

// Notes are edited and removed, a blank medium comes and moves, and what is searched follows each change.
func TestChanges(t *testing.T) {
	s := stocked(t)
	ctx := t.Context()
	if err := s.AddMedium(ctx, Medium{Number: "SCC-0099", Type: "tape", Title: "spare", Place: "box 4"}); err != nil {
		t.Fatal(err)
	}
	ref := MediumRef("SCC-0099")
	if err := s.AddNote(ctx, ref, "quavering leader"); err != nil {
		t.Fatal(err)
	}
	d := must(s.Show(ctx, ref))(t)
	if d.Medium.State != Blank || d.Medium.Place != "box 4" || len(d.Notes) != 1 {
		t.Fatalf("%+v", d)
	}
	mark := d.Notes[0].UID[:6]
	finds := func(word string, want int) {
		t.Helper()
		if hits, _, err := s.Search(ctx, word, 10); err != nil || len(hits) != want {
			t.Errorf("%q: %d hits, want %d (%v)", word, len(hits), want, err)
		}
	}
	finds("quavering", 1)
	if err := s.EditNote(ctx, ref, mark, "steady leader"); err != nil {
		t.Fatal(err)
	}
	finds("quavering", 0)
	finds("steady", 1)
	if n := must(s.Show(ctx, ref))(t).Notes; len(n) != 1 || n[0].UID != d.Notes[0].UID || n[0].At != d.Notes[0].At {
		t.Errorf("an edited note keeps its mark and time: %+v", n)
	}
	place := "attic"
	if err := s.ChangeMedium(ctx, "SCC-0099", nil, &place); err != nil {
		t.Fatal(err)
	}
	if m := must(s.Show(ctx, ref))(t).Medium; m.Place != "attic" || m.Title != "spare" {
		t.Errorf("%+v", m)
	}
	finds("attic", 1)
	if err := s.RemoveNote(ctx, ref, mark); err != nil {
		t.Fatal(err)
	}
	finds("steady", 0)
	for name, err := range map[string]error{
		"there already":   s.AddMedium(ctx, Medium{Number: "SCC-0099", Type: "tape"}),
		"no type":         s.AddMedium(ctx, Medium{Number: "SCC-0100"}),
		"no number":       s.AddMedium(ctx, Medium{Number: "a b", Type: "disk"}),
		"two lines":       s.AddMedium(ctx, Medium{Number: "SCC-0100", Type: "disk", Place: "a\nb"}),
		"unknown medium":  s.ChangeMedium(ctx, "SCC-0100", nil, &place),
		"removed note":    s.RemoveNote(ctx, ref, mark),
		"too short":       s.RemoveNote(ctx, ref, mark[:3]),
		"another subject": s.EditNote(ctx, MediumRef("SCC-0012"), mark, "x"),
		"no text":         s.EditNote(ctx, ref, mark, ""),
	} {
		if err == nil || outcome.Status(err) != int(outcome.Usage) {
			t.Errorf("%s: %v", name, err)
		}
	}
}

// SQLite's own plan: a search is answered from the index of words, whatever the number of files, and never by reading
// all of them; the same for what is nearly the same as one file.
func TestSearchPlan(t *testing.T) {
	s := stocked(t)
	for _, tt := range []struct {
		text string
		args []any
		want string
	}{
		{searchQuery, []any{`"tid"*`, maxHits + 1}, "VIRTUAL TABLE INDEX 0:M"}, // FTS5: M is a MATCH
		{nearQuery, []any{1}, "SEARCH b USING PRIMARY KEY"},
	} {
		rows, err := s.db.QueryContext(t.Context(), "EXPLAIN QUERY PLAN "+tt.text, tt.args...)
		if err != nil {
			t.Fatal(err)
		}
		var plan []string
		for rows.Next() {
			var id, parent, unused int
			var what string
			if err := rows.Scan(&id, &parent, &unused, &what); err != nil {
				t.Fatal(err)
			}
			plan = append(plan, what)
		}
		if err := rows.Close(); err != nil {
			t.Fatal(err)
		}
		all := strings.Join(plan, "; ")
		if !strings.Contains(all, tt.want) || strings.Contains(all, "SCAN f") || strings.Contains(all, "SCAN b") || strings.Contains(all, "TEMP B-TREE") {
			t.Errorf("plan %q, want %s", all, tt.want)
		}
	}
}

func TestBackups(t *testing.T) {
	path := filepath.Join(t.TempDir(), "shelf.sqlite")
	for d := range 20 {
		now := day.AddDate(0, 0, d)
		s := open(t, path, Options{Now: at(now)})
		for i := range 2 {
			must(first(s.AddFile(t.Context(), fmt.Sprint("/d/", d, i), []byte(fmt.Sprint(d, i)))))(t)
		}
		s.Close()
	}
	s := open(t, path, Options{Now: at(day)})
	copies := must(s.Backups())(t)
	if len(copies) != keepBackups || filepath.Base(copies[len(copies)-1]) != "2026-12-13.sqlite" {
		t.Fatalf("%d copies: %v", len(copies), copies)
	}
	old := open(t, copies[len(copies)-1], Options{Now: at(day), NoBackup: true})
	if n := len(must(old.Files(t.Context(), 0, 100))(t)); n != 38 { // as it was before that day's first change
		t.Errorf("the last copy has %d files, want 38", n)
	}
	if err := old.Check(t.Context()); err != nil {
		t.Error(err)
	}
}

func TestAddPathsAndBag(t *testing.T) {
	dir := t.TempDir()
	write := func(name, data string) {
		t.Helper()
		p := filepath.Join(dir, filepath.FromSlash(name))
		if err := os.MkdirAll(filepath.Dir(p), 0o777); err != nil {
			t.Fatal(err)
		}
		if err := os.WriteFile(p, []byte(data), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	write("archive/TIDES.BAS", "10 REM\r")
	write("archive/sub/COPY.BAS", "10 REM\r")
	write("archive/.hidden", "x")
	tides := Examine("", []byte("10 REM\r")).SHA256
	write("made/D01.img", "image")
	write("made/manifest.json", fmt.Sprintf(`{"remanence-manifest":1,"machine":"z80-fm10","title":"Saltmarsh","inputs":[{"path":"a/TIDES.BAS","sha256":%q}],
		"outputs":[{"path":"D01.img","sha256":%q}],"media":[{"id":"D01","type":"disk","recording":"fm10x256:40x1","image":"D01.img","verified":true}],
		"labels":[{"number":"D01","type":"disk","sides":[{"name":"","items":[{"name":"TIDES/BAS","where":"granule 1","path":"a/TIDES.BAS"}]}]}]}`, tides, sum("d")))
	write("made/notes/manifest.json", `{"something":"else"}`)
	s := open(t, filepath.Join(t.TempDir(), "shelf.sqlite"), Options{NoBackup: true})
	a := must(s.AddPaths(t.Context(), []string{filepath.Join(dir, "archive"), filepath.Join(dir, "made")}, nil))(t)
	if a.Files != 2 || a.Known != 1 || a.Masters != 1 || len(a.Skipped) != 0 {
		t.Errorf("%+v", a)
	}
	if again := must(s.AddPaths(t.Context(), []string{dir}, nil))(t); again.Files != 0 || again.Masters != 0 || again.Known != 3 {
		t.Errorf("again: %+v", again)
	}
	run(t, s, Run{Medium: "SCC-1", Kind: Write, Outcome: Good, Master: "D01"})
	if d := must(s.Show(t.Context(), tides[:12]))(t); len(d.On) != 1 || d.On[0].Number != "SCC-1" || len(d.File.Paths) != 2 {
		t.Errorf("%+v", d)
	}
	out := filepath.Join(t.TempDir(), "bag")
	if missing := must(s.ExportBag(t.Context(), out, BagOptions{Files: true, Date: "2026-11-24"}, nil))(t); len(missing) != 0 {
		t.Errorf("missing: %v", missing)
	}
	got := must(os.ReadFile(filepath.Join(out, "data", "files", tides[:2], tides)))(t)
	if string(got) != "10 REM\r" {
		t.Errorf("the bag holds %q", got)
	}
	write("archive/TIDES.BAS", "changed")
	write("archive/sub/COPY.BAS", "changed")
	if missing := must(s.ExportBag(t.Context(), out+"2", BagOptions{Files: true}, nil))(t); !slices.Equal(missing, []string{tides}) {
		t.Errorf("a file that changed is told as %v", missing)
	}
	if _, err := s.AddPaths(t.Context(), []string{filepath.Join(dir, "nowhere")}, nil); outcome.Status(err) != int(outcome.Input) {
		t.Errorf("a folder that is not there: %v", err)
	}
	// a sparse file larger than any program: hashed in pieces (the digest is sha256sum's), known by its head
	huge := filepath.Join(t.TempDir(), "huge.bin")
	f := must(os.Create(huge))(t)
	if err := f.Truncate(17 << 20); err != nil {
		t.Fatal(err)
	}
	f.Close()
	must(s.AddPaths(t.Context(), []string{huge}, nil))(t)
	out256 := must(exec.Command("sha256sum", huge).Output())(t)
	if d := must(s.Show(t.Context(), "huge.bin"))(t); !strings.HasPrefix(string(out256), d.File.SHA256) || d.File.Size != 17<<20 {
		t.Errorf("%+v, sha256sum says %s", d.File, out256)
	}
	ctx, cancel := context.WithCancel(t.Context())
	cancel()
	if _, err := s.AddPaths(ctx, []string{dir}, nil); err == nil {
		t.Error("a cancelled call went on")
	}
}

// TestManyAtOnce has goroutines on two handles of one file write at the same time.
func TestManyAtOnce(t *testing.T) {
	path := filepath.Join(t.TempDir(), "shelf.sqlite")
	handles := []*Shelf{open(t, path, Options{NoBackup: true}), open(t, path, Options{NoBackup: true})}
	var wg sync.WaitGroup
	errs := make(chan error, 8)
	for g := range 8 {
		wg.Go(func() {
			for i := range 15 {
				if _, _, err := handles[g%2].AddFile(t.Context(), fmt.Sprintf("/%d/%d", g, i), []byte(fmt.Sprint(g, " ", i))); err != nil {
					errs <- err
					return
				}
				if _, _, err := handles[(g+1)%2].Search(t.Context(), "1", 5); err != nil {
					errs <- err
					return
				}
			}
		})
	}
	wg.Wait()
	close(errs)
	for err := range errs {
		t.Error(err)
	}
	if n := len(must(handles[0].Files(t.Context(), 0, 1000))(t)); n != 120 {
		t.Errorf("%d files, want 120", n)
	}
}
