package web

import (
	"bytes"
	"encoding/json"
	"fmt"
	"image"
	"image/png"
	"math"
	"net/http"
	"net/url"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strconv"
	"strings"
	"testing"

	"remanence/label"
	"remanence/machine"
)

// labelled gives a workbench a result of two disks and a tape to print labels for, and a configuration folder.
func labelled(t testing.TB, s *Server) {
	t.Helper()
	s.o.Config = t.TempDir()
	items := []label.Item{{Name: "HERON/CMD", Where: "granule 1", Size: "2431 bytes"}, {Name: "TIDE/BAS", Where: "granule 3", Size: "918 bytes"}}
	m := map[string]any{"remanence-manifest": 1, "labels": []label.Medium{
		{Number: "SCC-0012", Type: "disk", Title: "Tide tables", Recording: "fm10x256", Sides: []label.Side{{Items: items}}},
		{Number: "SCC-0013", Type: "disk", Title: "Lights", Recording: "fm10x256", Sides: []label.Side{{Items: items}}},
		{Number: "T01", Type: "tape", Title: "Tide tables", Recording: "pulse500", Place: "C-30", Sides: []label.Side{{Name: "A", Items: items}}},
	}}
	b, err := json.Marshal(m)
	if err != nil {
		t.Fatal(err)
	}
	if err := s.root.MkdirAll("out/made-1", 0o700); err != nil {
		t.Fatal(err)
	}
	if err := s.root.WriteFile("out/made-1/manifest.json", b, 0o600); err != nil {
		t.Fatal(err)
	}
}

// own is the choice of a sheet with 2 x 3 labels of 80 x 50 mm on A4, the first 20 mm from the left and 30 mm from the
// top, 6 and 4 mm apart, with lines to cut along.
var own = url.Values{"run": {"made-1"}, "sheet": {"own"}, "kind": {"disk-label"}, "paper": {"a4"}, "width": {"80"}, "height": {"50"}, "columns": {"2"}, "rows": {"3"},
	"left": {"20"}, "top": {"30"}, "gap-x": {"6"}, "gap-y": {"4"}, "cut": {"yes"}}

// fetched stores what an address gives.
func fetched(t testing.TB, address, name string) string {
	t.Helper()
	r, err := http.Get(address)
	if err != nil {
		t.Fatal(err)
	}
	defer r.Body.Close()
	var b bytes.Buffer
	if _, err := b.ReadFrom(r.Body); err != nil || r.StatusCode != 200 {
		t.Fatalf("%s: %d, %v: %.200s", address, r.StatusCode, err, b.Bytes())
	}
	file := filepath.Join(t.TempDir(), name)
	if err := os.WriteFile(file, b.Bytes(), 0o600); err != nil {
		t.Fatal(err)
	}
	return file
}

func said(t testing.TB, program string, args ...string) string {
	t.Helper()
	out, err := exec.Command(program, args...).Output()
	if err != nil {
		t.Fatalf("%s %v ('make tools' installs what outside checks need): %v", program, args, err)
	}
	return string(out)
}

// greyOf has poppler render the first page at 10 pixels to the millimetre.
func greyOf(t testing.TB, pdf string) *image.Gray {
	t.Helper()
	base := strings.TrimSuffix(pdf, ".pdf")
	said(t, "pdftoppm", "-r", "254", "-gray", "-singlefile", pdf, base)
	b, err := os.ReadFile(base + ".pgm")
	if err != nil {
		t.Fatal(err)
	}
	var w, h, most int
	if _, err := fmt.Sscanf(string(b[:min(len(b), 40)]), "P5\n%d %d\n%d", &w, &h, &most); err != nil || len(b) < w*h {
		t.Fatalf("no grey picture: %v", err)
	}
	return &image.Gray{Pix: b[len(b)-w*h:], Stride: w, Rect: image.Rect(0, 0, w, h)}
}

// longest is the longest run of ink in a row or a column of pixels.
func longest(m *image.Gray, line int, down bool) (from, to int) {
	n := m.Rect.Dx()
	if down {
		n = m.Rect.Dy()
	}
	start := -1
	for i := 0; i <= n; i++ {
		ink := false
		if i < n {
			x, y := i, line
			if down {
				x, y = line, i
			}
			ink = m.Pix[y*m.Stride+x] < 0xC0
		}
		if ink && start < 0 {
			start = i
		}
		if !ink && start >= 0 {
			if i-start > to-from {
				from, to = start, i
			}
			start = -1
		}
	}
	return from, to
}

// Labels through the page, with own sizes, measured by other hands: the paper with pdfinfo, the 100 mm mark and the
// labels' edges in pixels of pdftoppm (poppler), the codes with zbarimg. Points are 1/72 inch; A4 is 210 x 297 mm (ISO 216).
func TestLabelsInMillimetres(t *testing.T) {
	s, h := bench(t)
	labelled(t, s)
	q := own.Encode() + "&start=2"
	status, body := get(t, h.URL+"/labels?"+q)
	if status != 200 || !strings.Contains(body, "Begin at label (1 to 6)") || !strings.Contains(body, `value="80"`) {
		t.Fatalf("status %d", status)
	}
	pdf := fetched(t, h.URL+"/labels.pdf?"+q, "a.pdf")
	m := regexp.MustCompile(`Page size:\s+([\d.]+) x ([\d.]+) pts`).FindStringSubmatch(said(t, "pdfinfo", pdf))
	for i, mm := range []float64{210, 297} {
		if got, _ := strconv.ParseFloat(m[i+1], 64); math.Abs(got-mm*72/25.4) > 0.02 {
			t.Errorf("paper: %s points, want %.2f", m[i+1], mm*72/25.4)
		}
	}
	page := greyOf(t, pdf)
	// the mark: the only line of 100 mm
	found := false
	for y := range page.Rect.Dy() {
		if from, to := longest(page, y, false); to-from >= 998 && to-from <= 1003 {
			found = true
		}
	}
	for x := range page.Rect.Dx() {
		if from, to := longest(page, x, true); to-from >= 998 && to-from <= 1003 {
			found = true
		}
	}
	if !found {
		t.Error("no line of 100 mm is on the page")
	}
	// lines to cut along, a hair of 0.1 mm: from 20 to 100 and from 106 to 186 mm across, at 30, 80, 84, 134, 138, 188 mm
	for _, mm := range []float64{30, 80, 84, 134, 138, 188} {
		best := 0
		for y := int(mm*10) - 2; y <= int(mm*10)+2; y++ {
			if from, to := longest(page, y, false); to-from > best && (math.Abs(float64(from)-200) <= 2 && math.Abs(float64(to)-1000) <= 2 || math.Abs(float64(from)-1060) <= 2 && math.Abs(float64(to)-1860) <= 2) {
				best = to - from
			}
		}
		if math.Abs(float64(best)-800) > 3 {
			t.Errorf("line at %g mm: %.1f mm, want 80", mm, float64(best)/10)
		}
	}
	for _, mm := range []float64{20, 100, 106, 186} {
		best := 0
		for x := int(mm*10) - 2; x <= int(mm*10)+2; x++ {
			if from, to := longest(page, x, true); to-from > best {
				best = to - from
			}
		}
		if math.Abs(float64(best)-500) > 3 {
			t.Errorf("line at %g mm from the left: %.1f mm, want 50", mm, float64(best)/10)
		}
	}
	// the first label stays free; the second and third have the codes of the two disks
	for y := 320; y < 780; y++ {
		for x := 230; x < 970; x++ {
			if page.Pix[y*page.Stride+x] < 0xC0 {
				t.Fatalf("ink on the first label, at %.1f, %.1f mm", float64(x)/10, float64(y)/10)
			}
		}
	}
	if got := strings.Fields(said(t, "zbarimg", "-q", "--raw", strings.TrimSuffix(pdf, ".pdf")+".pgm")); fmt.Sprint(got) != "[SCC-0012 SCC-0013]" && fmt.Sprint(got) != "[SCC-0013 SCC-0012]" {
		t.Errorf("zbar reads %v", got)
	}

	// the picture for browsers without a PDF view is the same page: ink where poppler has ink
	f, err := os.Open(fetched(t, h.URL+"/labels.png?page=1&"+q, "a.png"))
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	shown, err := png.Decode(f)
	if err != nil {
		t.Fatal(err)
	}
	k := float64(shown.Bounds().Dx()) / 210
	both, one := 0, 0
	for y := 2.0; y < 295; y += 1.5 { // solid ink only: modules of the codes and thick strokes
		for x := 2.0; x < 208; x += 1.5 {
			solid := true
			for _, d := range [][2]int{{-2, 0}, {2, 0}, {0, -2}, {0, 2}, {0, 0}} {
				solid = solid && page.Pix[(int(y*10)+d[1])*page.Stride+int(x*10)+d[0]] < 0x40
			}
			if solid {
				one++
				if r, _, _, _ := shown.At(int(x*k), int(y*k)).RGBA(); r < 0x8000 {
					both++
				}
			}
		}
	}
	if one < 60 || both < one*97/100 {
		t.Errorf("of %d places with ink in the PDF the picture has %d", one, both)
	}
	for _, p := range []string{"page=0", "page=99", "page=x"} {
		if status, _ := get(t, h.URL+"/labels.png?"+p+"&"+q); status != 404 {
			t.Errorf("%s: %d", p, status)
		}
	}
}

// A sheet of own sizes is kept in the configuration folder, from which the command line takes its sheets (machine.Load);
// nothing of the program or of the user is replaced unasked; media are chosen by number, from the shelf too.
func TestLabelSheetsAreKept(t *testing.T) {
	s, h := bench(t)
	labelled(t, s)
	fields := func(name string, more ...string) []string {
		var out []string
		for k, v := range own {
			out = append(out, k, v[0])
		}
		return append(append(out, "name", name), more...)
	}
	status, body, at := submit(t, s, h.URL, "/labels/keep", fields("reading-room")...)
	if status != 200 || at.Query().Get("sheet") != "reading-room" || !strings.Contains(body, "The sheet reading-room is kept") {
		t.Fatalf("status %d at %s", status, at)
	}
	set, err := machine.Load(s.o.Config)
	if err != nil {
		t.Fatal(err)
	}
	sh, err := set.Sheet("reading-room")
	if err != nil || sh.LabelWidth != 80 || sh.PitchX != 86 || sh.PitchY != 54 || sh.Left != 20 || sh.Top != 30 || sh.PerPage() != 6 || sh.Paper != "a4" || !sh.Cut || sh.Kind != label.DiskLabel {
		t.Fatalf("%+v, %v", sh, err)
	}
	a, err := os.ReadFile(fetched(t, h.URL+"/labels.pdf?run=made-1&sheet=reading-room", "kept.pdf"))
	if err != nil {
		t.Fatal(err)
	}
	if b, err := os.ReadFile(fetched(t, h.URL+"/labels.pdf?"+own.Encode(), "own.pdf")); err != nil || !bytes.Equal(a, b) {
		t.Errorf("the kept sheet prints other bytes than the typed one (%v)", err)
	}
	for name, want := range map[string]string{"reading-room": "there is a sheet reading-room already", "disk-5in-a4": "The program has a sheet disk-5in-a4 itself", "../x": "is not a name", "own": "is not a name", "": "is not a name"} {
		if status, body, _ := submit(t, s, h.URL, "/labels/keep", fields(name)...); status != 422 || !strings.Contains(body, want) {
			t.Errorf("%q: status %d, want %q", name, status, want)
		}
	}
	if status, _, _ := submit(t, s, h.URL, "/labels/keep", fields("reading-room", "replace", "yes", "height", "48")...); status != 200 {
		t.Errorf("replaced: %d", status)
	}
	for name, bad := range map[string][]string{"too wide": {"width", "300"}, "a word": {"left", "much"}, "half a row": {"rows", "2.5"}, "overlap": {"gap-x", "-9"}, "no kind": {"kind", "card-trick"}, "infinite": {"top", "Inf"}} {
		if status, body, _ := submit(t, s, h.URL, "/labels/keep", fields("other", bad...)...); status != 422 || !strings.Contains(body, `role="alert"`) {
			t.Errorf("%s: status %d", name, status)
		}
	}
	if left, err := filepath.Glob(filepath.Join(s.o.Config, "sheets", "*")); err != nil || len(left) != 1 {
		t.Errorf("kept: %v, %v", left, err)
	}
	status, body = get(t, h.URL+"/labels?run=made-1&sheet=disk-5in-a4&only=SCC-0013&start=3")
	if status != 200 || !strings.Contains(body, `aria-label="Begin at label 3, row 2, column 1: printed now" aria-current="true"`) || strings.Contains(body, "label 4, row 2, column 2: printed") || !strings.Contains(body, "label 2, row 1, column 2: used before") {
		t.Errorf("a used sheet: status %d", status)
	}
	if status, _, _ := submit(t, s, h.URL, "/keep/medium", "number", "SCC-7", "type", "disk", "title", "Floats"); status != 200 {
		t.Fatal(status)
	}
	if text := said(t, "pdftotext", fetched(t, h.URL+"/labels.pdf?medium=SCC-7&sheet=card-a4", "card.pdf"), "-"); !strings.Contains(text, "SCC-7") || !strings.Contains(text, "Floats") {
		t.Errorf("a card of a medium of the shelf: %q", text)
	}
	if status, body := get(t, h.URL+"/labels?medium=NONE"); status != 200 || !strings.Contains(body, "nothing of that name is on the shelf") {
		t.Errorf("a medium that is not there: %d", status)
	}
}

// The numbers that are printed: counted on from one, or a medium's own; the shelf's next free one is offered. pdftotext
// (poppler) reads what is on the labels.
func TestLabelNumbers(t *testing.T) {
	s, h := bench(t)
	labelled(t, s)
	for _, n := range []string{"SCC-0019", "SCC-0020"} {
		if status, _, _ := submit(t, s, h.URL, "/keep/medium", "number", n, "type", "disk"); status != 200 {
			t.Fatal(status)
		}
	}
	q := url.Values{"run": {"made-1"}, "sheet": {"disk-5in-a4"}, "from": {"SCC-0020"}, "as-SCC-0013": {"LIGHTS"}}
	text := said(t, "pdftotext", fetched(t, h.URL+"/labels.pdf?"+q.Encode(), "l.pdf"), "-")
	if !strings.Contains(text, "SCC-0020") || !strings.Contains(text, "LIGHTS") || strings.Contains(text, "SCC-0012") || strings.Contains(text, "SCC-0013") {
		t.Errorf("printed: %s", text)
	}
	_, body := get(t, h.URL+"/labels?"+q.Encode())
	for _, want := range []string{"from SCC-0021, the next free on the shelf", "A medium SCC-0020 is on the shelf already", `value="LIGHTS"`} {
		if !strings.Contains(body, want) {
			t.Errorf("%q is missing", want)
		}
	}
	for from, want := range map[string]string{"SCC": "want digits at its end", "A B": "without spaces", "LIGHTS": "want digits"} {
		q.Set("from", from)
		if _, body := get(t, h.URL+"/labels?"+q.Encode()); !strings.Contains(body, want) || strings.Contains(body, "As it prints") {
			t.Errorf("from %q: %q is missing, or it prints", from, want)
		}
	}
	q = url.Values{"run": {"made-1"}, "as-SCC-0013": {"SCC-0012"}}
	if _, body := get(t, h.URL+"/labels?"+q.Encode()); !strings.Contains(body, "SCC-0012 is there twice") {
		t.Error("one number twice is printed")
	}
}
