package report

import (
	"bytes"
	"crypto/sha256"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strings"
	"testing"

	"remanence/picture"
)

func sample() *Input {
	hash := func(s string) string { return fmt.Sprintf("%x", sha256.Sum256([]byte(s))) }
	ribbon := picture.Stack{Title: "D1 as read back", Axis: picture.Axis{To: 1, Unit: "turn"}, Legend: true,
		Ribbons: []picture.Ribbon{{Name: "c17", Stretches: []picture.Stretch{{To: 0.5, Margin: 0.6, Title: "sector 1"}, {From: 0.5, To: 1, State: picture.Lost, Title: "sector 2"}}}}}
	return &Input{
		Title: "Saltmarsh Computing Collection, set 1", Machine: "z80-fm10", About: "Z80 home computer", Version: "test", LowBound: 2,
		Memory: []picture.Range{{From: 0, To: 0x3000, Name: "ROM", Kind: picture.Reserved}},
		Files: []File{
			{Path: "a/HERON.CMD", Size: 9000, SHA256: hash("1"), Kind: "load-module", Whole: true, Loads: [][2]int{{0x5200, 0x7400}}, Entry: 0x5200, RAMKiB: 16, On: []string{"D1", "T1A"}},
			{Path: "a/TORN.CMD", Size: 300, SHA256: hash("2"), Kind: "load-module", Entry: -1,
				Faults: []Fault{{"byte 512", "the record ends early", "98 bytes are missing", "look for another copy"}}},
			{Path: "a/CHART.DAT", Size: 40 << 10, SHA256: hash("3"), Kind: "unknown", Entry: -1, Notes: []string{"kept as data"}, On: []string{"D1"}},
			{Path: "b/HERON.CMD", Size: 9000, SHA256: hash("1"), Kind: "load-module", Whole: true, Entry: -1, Same: "a/HERON.CMD"},
		},
		Media: []Medium{
			{ID: "D1", Type: "disk", Title: "set 1", Recording: "fm10x256", Unit: "KiB", Capacity: 96, Free: 40, Image: "D1.img", Captures: "D1 captures.zip", Labels: "labels.pdf", Verified: true,
				Items: []Item{{Name: "HERON/CMD", Path: "a/HERON.CMD", Size: 9, Bytes: 9000, Where: "granules 1-4", Proven: true}, {Name: "CHART/DAT", Path: "a/CHART.DAT", Size: 40, Bytes: 40 << 10, Damaged: true}},
				Proof: []Step{{"sectors good", "400 of 400"}}, Ribbon: ribbon.Draw()},
			{ID: "T1A", Type: "tape", Title: "set 1", Recording: "pulse500", Unit: "s", Capacity: 900, Free: 700, Audio: "T1A.flac",
				Items:  []Item{{Name: "HERON", Path: "a/HERON.CMD", Size: 200, Bytes: 9000, Where: "0:08"}},
				Faults: []Fault{{"side A, 75.9 s", "14 ms dropout", "block 17 is lost", "clean the head and play this stretch again"}}},
		},
		LeftOut: []LeftOut{{"a/TORN.CMD", "damaged", "look for another copy"}},
		Outputs: []Output{{"D1.img", "image of D1", 102400, hash("4")}},
	}
}

func render(t testing.TB, in *Input) string {
	t.Helper()
	var b bytes.Buffer
	if err := Write(&b, in); err != nil {
		t.Fatal(err)
	}
	return b.String()
}

// The verdict stands before the steps, the medium that is not proven first, with why and what to do.
func TestVerdictFirst(t *testing.T) {
	top, _, _ := strings.Cut(render(t, sample()), "<nav")
	tape, disk := strings.Index(top, `href="#p-T1A"`), strings.Index(top, `href="#p-D1"`)
	if tape < 0 || disk < tape || !strings.Contains(top, "clean the head and play this stretch again") {
		t.Errorf("top of the page:\n%s", top[strings.Index(top, "<body"):])
	}
}

func TestStandsAlone(t *testing.T) {
	s := render(t, sample())
	if again := render(t, sample()); again != s {
		t.Error("the same input gave different bytes")
	}
	for _, bad := range []string{"<script", "<link", "<img", "<iframe", "@import", " src=", "url(http", "ZgotmplZ"} {
		if strings.Contains(s, bad) {
			t.Errorf("the report contains %q", bad)
		}
	}
	for _, m := range regexp.MustCompile(`(?:href|action|data)="([^"]*)"`).FindAllStringSubmatch(s, -1) {
		if strings.Contains(m[1], ":") || strings.HasPrefix(m[1], "//") {
			t.Errorf("a link leaves the folder: %s", m[1])
		}
	}
	if got := len(regexp.MustCompile(`https?://[^"]*`).FindAllString(strings.ReplaceAll(s, "http://www.w3.org/2000/svg", ""), -1)); got != 0 {
		t.Errorf("%d addresses in the report", got)
	}
}

func TestSaysEverything(t *testing.T) {
	s := render(t, sample())
	text := regexp.MustCompile(`\s+`).ReplaceAllString(regexp.MustCompile(`<[^>]*>`).ReplaceAllString(s, " "), " ")
	for _, want := range []string{
		"4 files gathered, 1 of them damaged; 1 disk and 1 tape side made, 1 of 2 not proven. 1 file left out",
		"byte 512: the record ends early; 98 bytes are missing; look for another copy.",
		"side A, 75.9 s: 14 ms dropout; block 17 is lost; clean the head and play this stretch again.",
		"5200h-73FFh", "The same bytes as a/HERON.CMD", "data of no known kind",
		"no arrangement can do with fewer than 2", "40 KiB free of 96 KiB", "11 min 40 s free of 15 min 00 s",
		"400 of 400", "sector 2: lost", "What to do next", "T1A is not proven",
		"Level.", "Erasing.", "follow your local rules", "leave mains work to qualified people",
	} {
		if !strings.Contains(text, want) {
			t.Errorf("missing: %q", want)
		}
	}
	for _, f := range sample().Files {
		if strings.Count(s, f.SHA256) == 0 {
			t.Errorf("SHA-256 of %s is missing", f.Path)
		}
	}
	if !strings.Contains(s, `href="D1%20captures.zip"`) {
		t.Error("a path with a space is not a link")
	}
	steps := regexp.MustCompile(`<h2[^>]*>.*</span>(\w+)</h2>`).FindAllStringSubmatch(s, -1)
	var names []string
	for _, m := range steps {
		names = append(names, m[1])
	}
	if got := strings.Join(names, " "); got != "Gather Arrange Make Prove Keep" {
		t.Errorf("chapters %q (look: the five steps)", got)
	}
}

// TestStructure follows WCAG 2.2: 1.3.1 (tables have captions and scopes), 2.4.1 and 2.4.6 (headings in order, one
// h1), 3.1.1 (language), 4.1.1 as was (ids are unique), 1.1.1 (pictures have names).
func TestStructure(t *testing.T) {
	s := render(t, sample())
	if !strings.Contains(s, `<html lang="en">`) || strings.Count(s, "<h1>") != 1 {
		t.Error("no language or not one h1")
	}
	last := 1
	for _, m := range regexp.MustCompile(`<h([1-6])`).FindAllStringSubmatch(s, -1) {
		n := int(m[1][0] - '0')
		if n > last+1 {
			t.Errorf("h%d follows h%d", n, last)
		}
		last = n
	}
	if a, b := strings.Count(s, "<table"), strings.Count(s, "<caption>"); a != b || a < 5 {
		t.Errorf("%d tables, %d captions", a, b)
	}
	for _, th := range regexp.MustCompile(`<th[ >][^>]*`).FindAllString(s, -1) {
		if !strings.Contains(th, "scope=") {
			t.Errorf("a heading cell without scope: %s", th)
		}
	}
	seen := map[string]bool{}
	for _, m := range regexp.MustCompile(` id="([^"]*)"`).FindAllStringSubmatch(s, -1) {
		if seen[m[1]] {
			t.Errorf("id %s is used twice", m[1])
		}
		seen[m[1]] = true
	}
	for _, m := range regexp.MustCompile(`aria-labelledby="([^"]*)"`).FindAllStringSubmatch(s, -1) {
		for _, id := range strings.Fields(m[1]) {
			if !seen[id] {
				t.Errorf("aria-labelledby names %s, which is nowhere", id)
			}
		}
	}
	for _, m := range regexp.MustCompile(`<svg [^>]*>`).FindAllString(s, -1) {
		if !strings.Contains(m, `role="img"`) || !strings.Contains(m, "aria-label") {
			t.Errorf("a picture without a name: %.120s", m)
		}
	}
}

func TestHostileNames(t *testing.T) {
	in := sample()
	evil := `"><script>alert(1)</script>` + "\x00\xff" + `javascript:alert(1)//'`
	in.Title, in.Command = evil, evil
	in.Files[0].Path, in.Files[1].Faults[0].What = evil, evil
	in.Media[0].ID, in.Media[0].Title, in.Media[0].Image = evil, evil, `javascript:alert(1)`
	in.Media[0].Items[0].Name, in.LeftOut[0].Why, in.Outputs[0].Path = evil, evil, evil
	in.Memory[0].Name = evil
	s := render(t, in)
	if strings.Contains(s, "<script") {
		t.Error("a name became a script")
	}
	if regexp.MustCompile(`href="javascript:`).MatchString(s) {
		t.Error("a path became a script")
	}
}

func TestEmpty(t *testing.T) {
	s := render(t, &Input{Title: "nothing"})
	for _, want := range []string{"No files were given", "Nothing was arranged", "Nothing was made", "0 files gathered"} {
		if !strings.Contains(s, want) {
			t.Errorf("missing: %q", want)
		}
	}
}

// TestNarrow has a browser lay the report out 400 px wide: nothing may reach beyond the page (WCAG 2.2, 1.4.10), and
// the browser must find as many rows as there are.
func TestNarrow(t *testing.T) {
	chromium, err := exec.LookPath("chromium")
	if err != nil {
		t.Fatal("chromium is needed for this check: apt-get install chromium (make test does)")
	}
	dir := t.TempDir()
	s := render(t, sample())
	// a frame of 400 px, since a window can't be that narrow; the question is asked from inside
	ask := `<script>onload=function(){parent.postMessage([document.documentElement.scrollWidth,innerWidth,document.querySelectorAll("tr").length],"*")}</script>`
	outer := `<!DOCTYPE html><iframe src="inner.html" style="width:400px;height:800px;border:0"></iframe><p id="r">waiting</p><script>onmessage=function(e){r.textContent="measured "+e.data}</script>`
	for name, data := range map[string]string{"inner.html": strings.Replace(s, "</body>", ask+"</body>", 1), "outer.html": outer} {
		if err := os.WriteFile(filepath.Join(dir, name), []byte(data), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	out, err := exec.Command(chromium, "--headless", "--no-sandbox", "--disable-gpu", "--disable-component-update", "--user-data-dir="+filepath.Join(dir, "profile"),
		"--virtual-time-budget=5000", "--dump-dom", "file://"+filepath.Join(dir, "outer.html")).Output()
	if err != nil {
		t.Fatal(err)
	}
	var wide, window, rows int
	m := regexp.MustCompile(`measured (\d+),(\d+),(\d+)`).FindStringSubmatch(string(out))
	if m == nil {
		t.Fatalf("the browser did not answer:\n%.500s", out)
	}
	if _, err := fmt.Sscan(m[1]+" "+m[2]+" "+m[3], &wide, &window, &rows); err != nil {
		t.Fatal(err)
	}
	if window != 400 || wide > window {
		t.Errorf("the page is %d px wide in a window of %d", wide, window)
	}
	if want := strings.Count(s, "<tr>"); rows != want {
		t.Errorf("the browser sees %d rows, %d were written", rows, want)
	}
}

// TestVeryLarge: of 30,000 files and 300 media the page stays small, and tells what is damaged and what it leaves out.
func TestVeryLarge(t *testing.T) {
	in := sample()
	medium := in.Media[0]
	in.Files, in.Media, in.LeftOut = nil, nil, nil
	for i := range 30_000 {
		f := File{Path: fmt.Sprintf("a/f%05d.cmd", i), Kind: "load-module", Whole: i != 29_999, Entry: -1, On: []string{"D1"}}
		in.Files = append(in.Files, f)
		in.LeftOut = append(in.LeftOut, LeftOut{Path: f.Path, Why: "wrong machine"})
	}
	for i := range 300 {
		medium.ID, medium.Verified = fmt.Sprint("D", i), i != 299
		in.Media = append(in.Media, medium)
	}
	s := render(t, in)
	for _, want := range []string{"a/f29999.cmd", "<p>26000 more are not listed", `What was read back from D299"`, "Not drawn, since"} {
		if !strings.Contains(s, want) {
			t.Errorf("missing: %q", want)
		}
	}
	if strings.Contains(s, `What was read back from D120"`) {
		t.Error("every medium is drawn")
	}
	if len(s) > 8<<20 {
		t.Errorf("the page has %d MiB", len(s)>>20)
	}
}

// FuzzReport: any text gives a page, and never a script.
func FuzzReport(f *testing.F) {
	f.Add("HERON/CMD", int64(9), 0x5200, 0x7000)
	f.Add("<script>", int64(-1), -5, 1<<40)
	f.Add("\x00\xff]]>", int64(1)<<62, 0, 0)
	f.Fuzz(func(t *testing.T, s string, n int64, a, b int) {
		if len(s) > 1000 {
			return
		}
		in := sample()
		in.Title, in.Files[0].Path, in.Files[0].Size = s, s, n
		in.Files[0].Loads = [][2]int{{a, b}, {b, a}}
		in.Media[1].ID, in.Media[1].Items[0].Name, in.Media[1].Capacity, in.Media[1].Free = s, s, float64(a), float64(n)
		in.Memory = []picture.Range{{From: a, To: b, Name: s}}
		if out := render(t, in); strings.Contains(out, "<script") {
			t.Fatalf("%q became a script", s)
		}
	})
}
