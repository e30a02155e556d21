package web

import (
	"math"
	"net/http"
	"os"
	"path"
	"path/filepath"
	"strings"
	"testing"

	"remanence/shelf"
)

// What two passes gave together stays at its address after a new start, with bytes and comparison, whatever is read of one
// of them alone; a pass that is gone is told, and so is that it was removed with what was read of it alone.
func TestMergedTapeOutlivesTheServer(t *testing.T) {
	s, h := bench(t)
	one, _ := heronSide(t, s, 1, 100, 400)
	two, _ := heronSide(t, s, 2, 200)
	for n, samples := range map[string][]float32{"pass1.wav": one, "pass2.wav": two} {
		writeWAV(t, filepath.Join(s.o.Work, "read", n), samples)
	}
	merged := heardOn(t, s, "pass1.wav", "pass2.wav")
	page := h.URL + "/prove/tape/" + merged.Key
	_, before := get(t, page)
	alone := heardOn(t, s, "pass1.wav")
	if alone.Result == merged.Result {
		t.Fatal("one pass alone is the merged result")
	}
	n, nh := again(t, s)
	page = strings.Replace(page, h.URL, nh.URL, 1)
	status, after := get(t, page)
	cut := func(b string) string { // what holds no token of the server
		_, b, _ = strings.Cut(b, "<h2>Before and after merging</h2>")
		b, _, _ = strings.Cut(b, `id="log"`)
		return b
	}
	if status != 200 || !strings.Contains(after, merged.Verdict) || cut(after) == "" || cut(after) != cut(before) {
		t.Errorf("after a new start: status %d, verdict there: %v, comparison the same: %v", status, strings.Contains(after, merged.Verdict), cut(after) == cut(before))
	}
	v := n.tape(merged.Key)
	for i, p := range merged.Programs {
		if got, err := n.programData(v, i); err != nil || string(got) != string(p.Data) || len(got) == 0 || v.Programs[i].State() != p.State() {
			t.Errorf("program %d: %d bytes, %s, %v; want %d, %s", i+1, len(got), v.Programs[i].State(), err, len(p.Data), p.State())
		}
	}
	if status, body, at := submit(t, n, nh.URL, "/prove/tape/"+merged.Key+"/log", "number", "H-02", "equipment", "deck A"); status != 200 || at.Query().Get("logged") != "H-02" || !strings.Contains(body, "what=medium:H-02#runs") {
		t.Errorf("logging the reading of a tape: status %d", status)
	}
	if status, body, _ := submit(t, n, nh.URL, "/prove/remove", "file", "pass1.wav"); status != 200 || strings.Contains(body, `value="pass1.wav"`) || !strings.Contains(body, merged.Key) {
		t.Errorf("removing a pass: status %d; %s", status, body)
	}
	if entries, err := os.ReadDir(filepath.Join(n.o.Work, closer)); err != nil || len(entries) != 1 {
		t.Errorf("%v, %v are kept for looking closer; want pass2.wav's alone", entries, err)
	}
	if status, body := get(t, page); status != 200 || !strings.Contains(body, "pass1.wav is no longer here") || !strings.Contains(body, merged.Verdict) || strings.Contains(body, ">copy 1: <") {
		t.Errorf("without a pass: status %d", status)
	}
	if status, _, _ := submit(t, n, nh.URL, "/prove/remove", "result", "tape-"+merged.Key); status != 200 {
		t.Errorf("removing the result: status %d", status)
	}
	if status, _ := get(t, page); status != 404 {
		t.Errorf("the result that was removed: status %d, want 404", status)
	}
}

// The reading of a disk goes on the shelf from its page: outcome, counts and least margin are the map's, the rest is typed; a
// number that is a tape's, or none, is refused on the page with what was typed.
func TestReadingIsLogged(t *testing.T) {
	s, h := bench(t)
	rec := recordingOf(t, s, "fm10x256:2x1")
	at := readBack(t, s, h, bring(t, s, h, map[string][]byte{"heron.zip": zipOf(t, poor(t, rec, noise(rec, 1), 1, 1, 0.1, 0))})...)
	sh, err := s.shelf()
	if err != nil {
		t.Fatal(err)
	}
	if err := sh.AddMedium(t.Context(), shelf.Medium{Number: "T-1", Type: "tape"}); err != nil {
		t.Fatal(err)
	}
	for number, want := range map[string]string{"T-1": "that is a tape", "no number": "number"} {
		if status, body, _ := submit(t, s, h.URL, at+"/log", "number", number, "note", "cleaned first"); status != 422 || !strings.Contains(body, want) || !strings.Contains(body, `value="cleaned first"`) {
			t.Errorf("number %q: status %d, want 422 with %q and what was typed", number, status, want)
		}
	}
	status, body, to := submit(t, s, h.URL, at+"/log", "number", "H-01", "equipment", "drive A", "note", "cleaned first")
	if status != 200 || to.Query().Get("logged") != "H-01" || !strings.Contains(body, "what=medium:H-01#runs") {
		t.Errorf("logging: status %d at %s", status, to)
	}
	d, err := sh.Show(t.Context(), shelf.MediumRef("H-01"))
	if err != nil || len(d.Runs) != 1 || d.Medium.Type != "disk" || d.Medium.Title != "heron" {
		t.Fatalf("on the shelf: %+v, %v", d, err)
	}
	v, err := s.lens.view(s, path.Base(at))
	if err != nil {
		t.Fatal(err)
	}
	least := 1.0
	for _, tr := range v.Map.Tracks {
		for _, x := range tr.Sectors {
			least = min(least, *x.Margin)
		}
	}
	if r := d.Runs[0]; r.Outcome != shelf.Good || r.Margin == nil || math.Abs(*r.Margin-least) > 1e-9 || r.Equipment != "drive A" || !strings.Contains(r.Detail, "20 sectors good") || !strings.HasSuffix(r.Detail, "; cleaned first") {
		t.Errorf("run %+v, want 20 sectors good, margin %v", r, least)
	}
	if ask(t, "POST", h.URL+at+"/log", "number=H-01", map[string]string{"Content-Type": "application/x-www-form-urlencoded"}) != http.StatusForbidden {
		t.Error("a run without the page's token is taken")
	}
}

// A made tape side is looked into with one button: its sound lies under Prove without a copy, is read once, and the second
// time the button leads there at once. Removing it there leaves what was made.
func TestMadeTapeIsLookedInto(t *testing.T) {
	s, h := bench(t)
	samples, _ := heronSide(t, s, 1)
	out := filepath.Join(s.o.Work, "out", "made-1")
	if err := os.MkdirAll(out, 0o700); err != nil {
		t.Fatal(err)
	}
	writeWAV(t, filepath.Join(out, "T01A.wav"), samples)
	if err := os.WriteFile(filepath.Join(out, "manifest.json"), []byte(`{"media": [{"id": "T01A", "recording": "pulse500", "audio": "T01A.wav"}]}`), 0o600); err != nil {
		t.Fatal(err)
	}
	for _, page := range []string{"/make", "/play/made-1/T01A"} {
		if _, body := get(t, h.URL+page); !strings.Contains(body, `action="/prove/made/made-1/T01A"`) {
			t.Errorf("%s does not offer to look into the tape", page)
		}
	}
	if status, _, at := submit(t, s, h.URL, "/prove/made/made-1/T01A"); status != 200 || at.Path != "/prove" {
		t.Fatalf("status %d at %s", status, at)
	}
	if st := ended(t, s); st.State != "done" || st.Goes != "/prove/tape/made-1-T01A.wav" {
		t.Fatalf("%+v", st)
	}
	if status, body, at := submit(t, s, h.URL, "/prove/made/made-1/T01A"); status != 200 || at.Path != "/prove/tape/made-1-T01A.wav" || !strings.Contains(body, "HERON") {
		t.Errorf("the second time: status %d at %s", status, at)
	}
	if status, _, _ := submit(t, s, h.URL, "/prove/remove", "file", "made-1-T01A.wav"); status != 200 {
		t.Errorf("removing: status %d", status)
	}
	if _, err := os.Stat(filepath.Join(out, "T01A.wav")); err != nil {
		t.Errorf("what was made went too: %v", err)
	}
	if status, _, _ := submit(t, s, h.URL, "/prove/made/made-1/T02A"); status != 404 {
		t.Errorf("a side that is not there: status %d", status)
	}
}
