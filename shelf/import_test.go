package shelf

import (
	"bytes"
	"encoding/csv"
	"encoding/json"
	"math/rand/v2"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"remanence/internal/outcome"
)

func TestExportAndImport(t *testing.T) {
	s := stocked(t)
	run(t, s, Run{Medium: "SCC-0012", Kind: Write, Outcome: Good, Master: "D01", At: day})
	run(t, s, Run{Medium: "SCC-0012", Kind: Read, Outcome: Good, At: day.Add(time.Hour), Margin: margin(0.37), Detail: "one,two \"three\"\nfour"})
	if err := s.AddNote(t.Context(), MediumRef("SCC-0012"), "über\nzwei Zeilen"); err != nil {
		t.Fatal(err)
	}
	if err := s.Tag(t.Context(), "master:D01:"+sum("c"), "first"); err != nil {
		t.Fatal(err)
	}
	var a, b bytes.Buffer
	if err := s.ExportJSONL(t.Context(), &a); err != nil {
		t.Fatal(err)
	}
	other := fresh(t)
	in := must(other.ImportJSONL(t.Context(), "a", bytes.NewReader(a.Bytes())))(t)
	if d := cmp.Diff(&Imported{2, 1, 1, 2, 1, 1}, in); d != "" {
		t.Error(d)
	}
	if again := must(other.ImportJSONL(t.Context(), "a", bytes.NewReader(a.Bytes())))(t); *again != (Imported{}) {
		t.Errorf("the same import again brought %+v", again)
	}
	if err := other.ExportJSONL(t.Context(), &b); err != nil {
		t.Fatal(err)
	}
	if d := cmp.Diff(a.String(), b.String()); d != "" {
		t.Error(d)
	}
	for i, line := range strings.Split(strings.TrimSpace(a.String()), "\n") {
		if !json.Valid([]byte(line)) {
			t.Errorf("line %d is no JSON", i+1)
		}
	}
	tables := must(s.ExportCSV(t.Context()))(t)
	runs := must(csv.NewReader(bytes.NewReader(tables["runs"])).ReadAll())(t)
	if len(runs) != 3 || runs[2][7] != "one,two \"three\"\nfour" || runs[2][6] != "0.37" {
		t.Errorf("runs.csv: %q", runs)
	}
	// a table of media written by us is read by us
	third := fresh(t)
	must(third.ImportJSONL(t.Context(), "a", bytes.NewReader(a.Bytes())))(t)
	if in := must(third.ImportCSV(t.Context(), "list.csv", strings.NewReader("Number,type,Place\nX-1,disk,\"box 1, left\"\nX-2,tape,\n")))(t); in.Media != 2 {
		t.Errorf("%+v", in)
	}
	if m := must(third.Show(t.Context(), "X-1"))(t).Medium; m.Place != "box 1, left" || m.State != Blank {
		t.Errorf("%+v", m)
	}
}

// TestBadImports: the line is named, and nothing of the import stays.
func TestBadImports(t *testing.T) {
	s := fresh(t)
	head := `{"remanence-shelf":1}` + "\n"
	good := `{"file":{"sha256":"` + sum("a") + `","size":1,"kind":"text","name":"a","whole":true,"added":"2026-01-01T00:00:00Z"}}` + "\n"
	for _, c := range []struct{ text, want string }{
		{"", "line 1"}, {"{}", "line 1"}, {`{"remanence-shelf":2}`, "line 1"}, {head + "nonsense", "line 2"}, {head + good + `{"file":{"sha256":"xyz"}}`, "line 3"},
		{head + good + `{"unknown":1}`, "line 3"}, {head + `{"medium":{"number":"a b"}}`, "line 2"}, {head + `{"medium":{"number":"A1","type":"disk","state":"fine","added":"2026-01-01T00:00:00Z"}}`, "line 2"},
		{head + `{"run":{"medium":"A1","kind":"read","outcome":"good","uid":"x","at":"2026-01-01T00:00:00Z"}}`, "line 2"}, {head + `{"note":{"uid":"1","subject":"file:x","at":"2026-01-01T00:00:00Z","text":"x"}}`, "line 2"},
		{head + `{"tag":{"subject":"nothing","tag":"x"}}`, "line 2"}, {head + `{}`, "line 2"},
	} {
		_, err := s.ImportJSONL(t.Context(), "in.jsonl", strings.NewReader(c.text))
		if err == nil || !strings.Contains(err.Error(), "in.jsonl: "+c.want) {
			t.Errorf("%.60q: %v, want %s", c.text, err, c.want)
		}
	}
	if f := must(s.Files(t.Context(), 0, 10))(t); len(f) != 0 {
		t.Errorf("%d files stayed of imports that failed", len(f))
	}
	for _, text := range []string{"", "number\nA1\n", "number,colour\nA1,red\n", "number,type\nA1\n", "number,type\nA1,drum\n", "number,type,master\nA1,disk,master:X:y\n"} {
		if _, err := s.ImportCSV(t.Context(), "in.csv", strings.NewReader(text)); err == nil {
			t.Errorf("%q was taken", text)
		}
	}
}

// TestMutatedImports spoils a good export in 400 ways (seeded) and takes each in: no spoilt line may come in half, and
// the shelf stays whole. It does what FuzzImport does at a useful speed: go's fuzzer counts every branch of SQLite.
func TestMutatedImports(t *testing.T) {
	src := stocked(t)
	run(t, src, Run{Medium: "SCC-0012", Kind: Write, Outcome: Good, Master: "D01", At: day, Margin: margin(0.5)})
	if err := src.AddNote(t.Context(), MediumRef("SCC-0012"), "note"); err != nil {
		t.Fatal(err)
	}
	var b bytes.Buffer
	if err := src.ExportJSONL(t.Context(), &b); err != nil {
		t.Fatal(err)
	}
	s := fresh(t)
	must(s.db.ExecContext(t.Context(), "PRAGMA synchronous = OFF"))(t)
	rng := rand.New(rand.NewPCG(3, 4))
	taken := 0
	for i := range 400 {
		text := slices.Clone(b.Bytes())
		for range 1 + rng.IntN(4) {
			at := rng.IntN(len(text))
			switch rng.IntN(4) {
			case 0:
				text[at] = byte(rng.Uint32())
			case 1:
				text = slices.Delete(text, at, min(len(text), at+1+rng.IntN(40)))
			case 2:
				text = slices.Insert(text, at, text[at:min(len(text), at+1+rng.IntN(40))]...)
			case 3:
				text[at] = "0123456789abcdef\"\\,:{}[]\n"[rng.IntN(25)]
			}
		}
		in, err := s.ImportJSONL(t.Context(), "spoilt", bytes.NewReader(text))
		if err != nil && (*in != (Imported{}) || outcome.Status(err) != int(outcome.Input)) {
			t.Fatalf("import %d: %+v with %v", i, in, err)
		}
		if err == nil {
			taken++
		}
	}
	if taken == 0 || taken == 400 {
		t.Errorf("%d of 400 were taken: the test spoils too much or too little", taken)
	}
	if err := s.Check(t.Context()); err != nil {
		t.Error(err)
	}
	b.Reset()
	if err := s.ExportJSONL(t.Context(), &b); err != nil {
		t.Fatal(err)
	}
	if in, err := fresh(t).ImportJSONL(t.Context(), "own", &b); err != nil || in.Files < 2 {
		t.Errorf("our own export: %+v, %v", in, err)
	}
}

// FuzzImport: any lines are taken or refused, and whatever is on the shelf after that can be found and exported. One
// shelf is used for all, since making one takes longer than anything else here.
func FuzzImport(f *testing.F) {
	head := `{"remanence-shelf":1}` + "\n"
	f.Add(head + `{"file":{"sha256":"` + sum("a") + `","size":1,"kind":"text","name":"a","whole":true,"added":"2026-01-01T00:00:00Z","paths":["/x"]}}`)
	f.Add(head + `{"medium":{"number":"A1","type":"disk","title":"","place":"","state":"made","added":"2026-01-01T00:00:00Z"}}` + "\n" +
		`{"run":{"uid":"1","medium":"A1","at":"2026-01-01T00:00:00Z","kind":"read","equipment":"","outcome":"good","margin":0.5}}`)
	f.Add(head + `{"tag":{"subject":"medium:A1","tag":"x"}}`)
	f.Add("number,type\nA1,disk\n")
	s := open(f, filepath.Join(f.TempDir(), "s"), Options{NoBackup: true})
	must(s.db.Exec("PRAGMA synchronous = OFF"))(f)
	f.Fuzz(func(t *testing.T, text string) {
		if len(text) > 1<<16 {
			return
		}
		in, err := s.ImportJSONL(t.Context(), "fuzz", strings.NewReader(text))
		if err != nil && outcome.Status(err) != int(outcome.Input) {
			t.Fatalf("%v (status %d)", err, outcome.Status(err))
		}
		_, _ = s.ImportCSV(t.Context(), "fuzz", strings.NewReader(text))
		if _, _, err := s.Search(t.Context(), text, 10); err != nil {
			t.Fatalf("search: %v", err)
		}
		if in != nil && *in != (Imported{}) { // something came in: it goes out again
			var b bytes.Buffer
			if err := s.ExportJSONL(t.Context(), &b); err != nil {
				t.Fatal(err)
			}
			if again, err := s.ImportJSONL(t.Context(), "own", &b); err != nil || *again != (Imported{}) {
				t.Fatalf("our own export: %+v, %v", again, err)
			}
		}
	})
}
