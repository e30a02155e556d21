package web

import (
	"os"
	"path/filepath"
	"strings"
	"testing"
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
