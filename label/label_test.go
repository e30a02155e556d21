package label_test

import (
	"bytes"
	"fmt"
	"image"
	"math"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strings"
	"testing"

	"remanence/label"
	"remanence/machine"
)

func media() []label.Medium {
	var items []label.Item
	for i, n := range []string{"HERON/CMD", "TIDE/BAS", "LANTERN/CMD", "MARSH/BAS", "BITTERN/CMD", "SEDGE/TXT", "CURLEW/CMD"} {
		items = append(items, label.Item{Name: n, Where: fmt.Sprintf("%03d", 17*i+4), Size: fmt.Sprintf("%d bytes", 900+613*i), Path: "archive/box 3/" + n, Damaged: i == 4})
	}
	var many []label.Item
	for i := range 90 {
		it := items[i%len(items)]
		it.Name = fmt.Sprintf("%.4s%02d/CMD", it.Name, i)
		many = append(many, it)
	}
	return []label.Medium{
		{Number: "D1", Type: "disk", Title: "Saltmarsh Computing Collection, set 1", Machine: "z80-fm10", Recording: "fm10x256", Place: "40 cylinders, 1 side", Date: "1979-11-24", Sides: []label.Side{{Items: items}}},
		{Number: "SCC-0012", Type: "disk", Title: "A title so long that no label in the world could ever hold all of it, whatever the size of its type, and then some more words", Recording: "fm10x256", Place: "40 cylinders, 1 side", Sides: []label.Side{{Items: many}}},
		{Number: "SALTMARSH/HERON-1979/012", Type: "disk", Title: "漢字 → Ω", Recording: "mfm9x512", Sides: []label.Side{{Items: items[:2]}}},
		{Number: "T1", Type: "tape", Title: "Saltmarsh Computing Collection, set 1", Recording: "pulse500", Place: "C-30", Sides: []label.Side{{Name: "A", Items: items[:5]}, {Name: "B", Items: items[5:]}}},
		{Number: "SCC-T014", Type: "tape", Title: "second copy for the reading room", Recording: "kcs300", Place: "C-60", Sides: []label.Side{{Name: "A", Items: many[:40]}, {Name: "B", Items: many[40:]}}},
	}
}

func need(t testing.TB, program, pkg string) string {
	t.Helper()
	p, err := exec.LookPath(program)
	if err != nil {
		t.Fatalf("%s is needed for this check: apt-get install %s (make test does)", program, pkg)
	}
	return p
}

func sheets(t testing.TB) []*label.Sheet {
	t.Helper()
	set, err := machine.Load("")
	if err != nil {
		t.Fatal(err)
	}
	if len(set.Sheets()) < 12 {
		t.Fatalf("%d label sheets, want at least 12", len(set.Sheets()))
	}
	return set.Sheets()
}

// printed is one sheet as PDF, its notes, and its first page at 10 pixels to the millimetre.
type printed struct {
	file  string
	notes []string
	first *image.Gray
}

var prints = map[string]*printed{} // tests of this package don't run in parallel

// print writes the sheet's PDF, twice, and has its first page rendered, once for all tests.
func print(t *testing.T, s *label.Sheet) *printed {
	t.Helper()
	if p := prints[s.Name]; p != nil {
		return p
	}
	dir, err := os.MkdirTemp(scratch, s.Name)
	if err != nil {
		t.Fatal(err)
	}
	const start = 1
	var b, again bytes.Buffer
	notes, err := label.PDF(&b, s, media(), label.Options{Start: start})
	if err != nil {
		t.Fatalf("%s: %v", s.Name, err)
	}
	if _, err := label.PDF(&again, s, media(), label.Options{Start: start}); err != nil || !bytes.Equal(b.Bytes(), again.Bytes()) {
		t.Errorf("%s: the same labels gave different bytes (%v)", s.Name, err)
	}
	p := &printed{file: filepath.Join(dir, s.Name+".pdf"), notes: notes}
	if err := os.WriteFile(p.file, b.Bytes(), 0o600); err != nil {
		t.Fatal(err)
	}
	p.first = page(t, p.file)
	prints[s.Name] = p
	return p
}

// scratch holds what the tests share; TestMain removes it.
var scratch string

func TestMain(m *testing.M) {
	dir, err := os.MkdirTemp("", "label")
	if err != nil {
		fmt.Fprintln(os.Stderr, err)
		os.Exit(1)
	}
	scratch = dir
	code := m.Run()
	os.RemoveAll(dir)
	os.Exit(code)
}

func run(t *testing.T, program string, args ...string) string {
	t.Helper()
	var stderr bytes.Buffer
	c := exec.Command(program, args...)
	c.Stderr = &stderr
	out, err := c.Output()
	if err != nil {
		t.Fatalf("%s %v: %v\n%s", program, args, err, stderr.Bytes())
	}
	return string(out)
}

// page renders the first page at 10 pixels to the millimetre.
func page(t *testing.T, file string) *image.Gray {
	t.Helper()
	base := strings.TrimSuffix(file, ".pdf")
	run(t, need(t, "pdftoppm", "poppler-utils"), "-r", "254", "-gray", "-singlefile", file, base)
	data, err := os.ReadFile(base + ".pgm")
	if err != nil {
		t.Fatal(err)
	}
	var w, h, most int
	if _, err := fmt.Sscanf(string(data[:min(len(data), 40)]), "P5\n%d %d\n%d", &w, &h, &most); err != nil || len(data) < w*h {
		t.Fatalf("pdftoppm gave no grey picture: %v", err)
	}
	return &image.Gray{Pix: data[len(data)-w*h:], Stride: w, Rect: image.Rect(0, 0, w, h)}
}

func ink(m *image.Gray, x, y int) bool {
	return image.Pt(x, y).In(m.Rect) && m.Pix[m.PixOffset(x, y)] < 0xC0
}

// white is a run of paper, to pass over many pixels at once.
var white = bytes.Repeat([]byte{255}, 64)

// inkIn finds a dark pixel in a rectangle given in millimetres.
func inkIn(m *image.Gray, x0, y0, x1, y1 float64) (image.Point, bool) {
	r := image.Rect(int(math.Ceil(x0*10)), int(math.Ceil(y0*10)), int(x1*10), int(y1*10)).Intersect(m.Rect)
	for y := r.Min.Y; y < r.Max.Y; y++ {
		row := m.Pix[y*m.Stride+r.Min.X : y*m.Stride+r.Max.X]
		for len(row) > 0 && bytes.HasPrefix(row, white[:min(len(row), len(white))]) { // most of a page
			row = row[min(len(row), len(white)):]
		}
		for i, v := range row {
			if v < 0xC0 {
				return image.Pt(r.Max.X-len(row)+i, y), true
			}
		}
	}
	return image.Point{}, false
}

// TestPaperSizes: what poppler says the pages measure. Sizes: ISO 216 and 8.5 x 11 inch, in points of 1/72 inch.
func TestPaperSizes(t *testing.T) {
	pdfinfo := need(t, "pdfinfo", "poppler-utils")
	for _, s := range sheets(t) {
		file := print(t, s).file
		g := regexp.MustCompile(`Page +1 size: +([0-9.]+) x ([0-9.]+) pts`).FindStringSubmatch(run(t, pdfinfo, "-f", "1", "-l", "1", file))
		if g == nil {
			t.Fatalf("%s: pdfinfo says no size", s.Name)
		}
		want := map[string][2]string{"a4": {"595.28", "841.89"}, "letter": {"612", "792"}}[s.Paper]
		if g[1] != want[0] || g[2] != want[1] {
			t.Errorf("%s: %s x %s points, want %v", s.Name, g[1], g[2], want)
		}
	}
}

// TestEdgesStayFree: on die-cut sheets nothing is printed within 3 mm of a label's edge, nor off the labels, but for
// the scale mark; everywhere nothing within 3 mm of the paper's edge.
func TestEdgesStayFree(t *testing.T) {
	for _, s := range sheets(t) {
		m := print(t, s).first
		w, h := s.PaperSize()
		const e = label.Edge - 0.1 // a pixel of rendering
		if !s.Cut {
			for _, q := range [][4]float64{{0, 0, w, e}, {0, h - e, w, h}, {0, 0, e, h}, {w - e, 0, w, h}} {
				if p, found := inkIn(m, q[0], q[1], q[2], q[3]); found {
					t.Errorf("%s: ink at %v tenths of a millimetre, within 3 mm of the paper's edge", s.Name, p)
				}
			}
		}
		if s.Kind == label.Index {
			continue
		}
		cut := 0.0
		if s.Cut {
			cut = 0.2 // the cutting line itself
		}
		for i := range s.PerPage() {
			x, y := s.At(i)
			lw, lh := s.LabelWidth, s.LabelHeight
			a, b := cut, e
			frame := [][4]float64{{x + a, y + a, x + lw - a, y + b}, {x + a, y + lh - b, x + lw - a, y + lh - a}}
			if s.Kind != label.CassetteLabel { // its QR code stands beside the hub, where the label is wide
				frame = append(frame, [4]float64{x + a, y + a, x + b, y + lh - a}, [4]float64{x + lw - b, y + a, x + lw - a, y + lh - a})
			}
			if s.Kind == label.Insert {
				frame = frame[:2] // fold lines run from edge to edge
			}
			for _, q := range frame {
				if p, found := inkIn(m, q[0], q[1], q[2], q[3]); found {
					t.Errorf("%s: label %d: ink at %v, within 3 mm of its edge", s.Name, i+1, p)
				}
			}
			for _, o := range s.Holes {
				if p, found := inkIn(m, x+o.X, y+o.Y, x+o.X+o.Width, y+o.Y+o.Height); found {
					t.Errorf("%s: label %d: ink at %v, in a hub or the window", s.Name, i+1, p)
				}
			}
		}
	}
}

// TestScaleMark finds the longest straight line that is on no label: it must be 100 mm long.
func TestScaleMark(t *testing.T) {
	for _, s := range sheets(t) {
		if s.Kind == label.Index {
			continue // its table has lines of its own; TestIndexScale
		}
		m := print(t, s).first
		onLabel := func(x, y int) bool {
			for i := range s.PerPage() {
				lx, ly := s.At(i)
				fx, fy := float64(x)/10, float64(y)/10
				d := math.Max(0.3, (s.Trim-s.LabelWidth)/2+0.3)
				if fx >= lx-d && fx <= lx+s.LabelWidth+d && fy >= ly-0.3 && fy <= ly+s.LabelHeight+0.3 {
					return true
				}
			}
			return false
		}
		if got := longest(m, onLabel); math.Abs(got-100) > 0.21 {
			t.Errorf("%s: the scale mark measures %.1f mm", s.Name, got)
		}
	}
}

func TestIndexScale(t *testing.T) {
	for _, s := range sheets(t) {
		if s.Kind != label.Index {
			continue
		}
		_, h := s.PaperSize()
		if got := longest(print(t, s).first, func(x, y int) bool { return float64(y)/10 < h-25 }); math.Abs(got-100) > 0.21 {
			t.Errorf("%s: the scale mark measures %.1f mm", s.Name, got)
		}
	}
}

// longest is the length in mm of the longest upright or level line outside skip.
func longest(m *image.Gray, skip func(x, y int) bool) float64 {
	w, h := m.Rect.Dx(), m.Rect.Dy()
	best := 0
	down := make([]int, w) // length of the line that ends here, for each column
	for y := range h {
		row := m.Pix[y*m.Stride : y*m.Stride+w]
		across := 0
		for x := 0; x < w; x++ {
			if x+64 <= w && bytes.Equal(row[x:x+64], white) {
				clear(down[x : x+64])
				across = 0
				x += 63
				continue
			}
			if row[x] >= 0xC0 || skip(x, y) {
				down[x], across = 0, 0
				continue
			}
			down[x]++
			across++
			best = max(best, down[x], across)
		}
	}
	return float64(best) / 10
}

// TestCutLines: on plain paper each label has a line on each of its four edges, to a tenth of a millimetre.
func TestCutLines(t *testing.T) {
	n := 0
	for _, s := range sheets(t) {
		if !s.Cut {
			continue
		}
		n++
		m := print(t, s).first
		for i := range s.PerPage() {
			x, y := s.At(i)
			for _, q := range [][2]float64{{x, y + 1}, {x + s.LabelWidth, y + 1}, {x + 1, y}, {x + 1, y + s.LabelHeight}} {
				found := false
				for dx := -1; dx <= 1; dx++ {
					for dy := -1; dy <= 1; dy++ {
						found = found || ink(m, int(q[0]*10+0.5)+dx, int(q[1]*10+0.5)+dy)
					}
				}
				if !found {
					t.Errorf("%s: label %d: no cutting line at %.1f, %.1f mm", s.Name, i+1, q[0], q[1])
				}
			}
		}
	}
	if n == 0 {
		t.Error("no sheet on plain paper")
	}
}

// TestCodesCanBeRead has zbar read every page's QR codes.
func TestCodesCanBeRead(t *testing.T) {
	zbar := need(t, "zbarimg", "zbar-tools")
	for _, s := range sheets(t) {
		file := print(t, s).file
		want := map[string]int{}
		for _, m := range media() {
			switch {
			case s.Kind == label.Index:
				if m.Number == "D1" { // the first page
					want[m.Number]++
				}
			case s.Kind == label.DiskLabel && m.Type == "disk", s.Kind == label.Insert && m.Type == "tape":
				want[m.Number]++
			case s.Kind == label.CassetteLabel && m.Type == "tape":
				want[m.Number] += 2
			case s.Kind == label.Card && m.Type == "disk": // three cards on the first page
				want[m.Number]++
			}
		}
		got := map[string]int{}
		for _, l := range strings.Fields(run(t, zbar, "-q", "--raw", strings.TrimSuffix(file, ".pdf")+".pgm")) {
			got[l]++
		}
		if fmt.Sprint(got) != fmt.Sprint(want) {
			t.Errorf("%s: zbar reads %v, want %v", s.Name, got, want)
		}
	}
}

// TestNothingIsLeftOutSilently reads the text back with poppler.
func TestNothingIsLeftOutSilently(t *testing.T) {
	totext := need(t, "pdftotext", "poppler-utils")
	for _, s := range sheets(t) {
		file, notes := print(t, s).file, print(t, s).notes
		text := run(t, totext, "-layout", file, "-")
		if s.Kind == label.Index || s.Kind == label.Card { // a card of 5 x 3 inch has room for 90 names
			for _, m := range media() {
				for _, sd := range m.Sides {
					for _, it := range sd.Items {
						if !strings.Contains(text, it.Name) {
							t.Errorf("%s: %s is not on the index sheet or card of %s", s.Name, it.Name, m.Number)
						}
					}
				}
			}
			continue
		}
		said := regexp.MustCompile(`… and \d+ more`).FindAllString(text, -1)
		if len(said) == 0 {
			t.Errorf("%s: a medium with 90 files does not say that names are missing", s.Name)
		}
		if len(notes) == 0 {
			t.Errorf("%s: no note about names without room", s.Name)
		}
		for _, m := range media() {
			if (m.Type == "disk") == (s.Kind == label.DiskLabel) && !strings.Contains(text, m.Number) {
				t.Errorf("%s: the number %s is not there whole", s.Name, m.Number)
			}
		}
		if s.Kind == label.DiskLabel && !strings.Contains(text, "□□ → Ω") {
			t.Errorf("%s: runes the typeface lacks must show as squares", s.Name)
		}
	}
}

// Long headings are set smaller and in more lines before anything of them is cut, and where there is room a label says
// more than names, so that it is not a third empty. pdftotext reads what a person would.
func TestHeadingsAndRoom(t *testing.T) {
	totext := need(t, "pdftotext", "poppler-utils")
	title := "Saltmarsh tide tables, lights and soundings 1979"
	few := []label.Item{{Name: "HERON/CMD", Where: "004", Size: "2431 bytes", Path: "box 3/heron.cmd"}, {Name: "TIDE/BAS", Where: "021", Size: "918 bytes", Path: "box 3/tide.bas"}}
	two := []label.Medium{{Number: "D1", Type: "disk", Title: title, Recording: "fm10x256", Sides: []label.Side{{Items: few}}}, {Number: "T1", Type: "tape", Title: title, Recording: "kcs300", Place: "C-30", Sides: []label.Side{{Name: "A", Items: few}}}}
	for _, s := range sheets(t) {
		var b bytes.Buffer
		if _, err := label.PDF(&b, s, two, label.Options{}); err != nil {
			t.Fatal(err)
		}
		file := filepath.Join(t.TempDir(), "a.pdf")
		if err := os.WriteFile(file, b.Bytes(), 0o600); err != nil {
			t.Fatal(err)
		}
		text := run(t, totext, file, "-")
		words := strings.Fields(text)
		all := " " + strings.Join(words, " ") + " "
		for _, w := range strings.Fields(title) {
			if !strings.Contains(all, " "+w+" ") {
				t.Errorf("%s: %q of the title is cut", s.Name, w)
			}
		}
		if strings.Contains(text, "…") {
			t.Errorf("%s: something is cut:\n%s", s.Name, text)
		}
		if !strings.Contains(all, "918 bytes") {
			t.Errorf("%s: there is room for sizes, and they are not there:\n%s", s.Name, text)
		}
		if s.Kind == label.Card && !strings.Contains(all, "box 3/tide.bas") {
			t.Errorf("%s: no path in the archive:\n%s", s.Name, text)
		}
	}
}

// What is not proven says so on every label, insert and index sheet, and names the side where only one is meant; what is
// proven says on the index sheet with what. pdftotext reads what a person would.
func TestNotProvenIsPrinted(t *testing.T) {
	totext := need(t, "pdftotext", "poppler-utils")
	items := []label.Item{{Name: "HERON/CMD"}}
	side := func(name, proof string) label.Side { return label.Side{Name: name, Items: items, Proof: proof} }
	const deck = "proven with a simulated deck and cassette"
	for _, tt := range []struct {
		m            label.Medium
		marked       string // on every sheet; "": none of them says "not proven"
		index        string
		kind, second label.Kind
	}{
		{label.Medium{Number: "D1", Type: "disk", Place: "40 cylinders, 1 side", Sides: []label.Side{side("", label.NotProven)}}, "not proven", "not proven", label.DiskLabel, label.DiskLabel},
		{label.Medium{Number: "D2", Type: "disk", Sides: []label.Side{side("", "proven with a simulated drive and disk")}}, "", "proven with a simulated drive and disk", label.DiskLabel, label.DiskLabel},
		{label.Medium{Number: "T1", Type: "tape", Sides: []label.Side{side("A", deck), side("B", label.NotProven)}}, "side B not proven", "side A " + deck + "; side B not proven", label.Insert, label.CassetteLabel},
		{label.Medium{Number: "T2", Type: "tape", Sides: []label.Side{side("A", deck), side("B", deck)}}, "", deck, label.Insert, label.CassetteLabel},
		{label.Medium{Number: "D3", Type: "disk", Sides: []label.Side{side("", "")}}, "", "", label.DiskLabel, label.DiskLabel},
	} {
		for _, s := range sheets(t) {
			if s.Kind != label.Index && s.Kind != tt.kind && s.Kind != tt.second {
				continue
			}
			file := filepath.Join(t.TempDir(), "a.pdf")
			var b bytes.Buffer
			if _, err := label.PDF(&b, s, []label.Medium{tt.m}, label.Options{}); err != nil {
				t.Fatal(err)
			}
			if err := os.WriteFile(file, b.Bytes(), 0o600); err != nil {
				t.Fatal(err)
			}
			text := strings.Join(strings.Fields(run(t, totext, "-layout", file, "-")), " ")
			if tt.marked != "" && !strings.Contains(text, tt.marked) || tt.marked == "" && strings.Contains(text, "not proven") {
				t.Errorf("%s on %s: want the mark %q in %s", tt.m.Number, s.Name, tt.marked, text)
			}
			if s.Kind == label.Index && !strings.Contains(text, tt.index) || tt.m.Type == "tape" && strings.Contains(text, "drive") {
				t.Errorf("%s on %s: want %q in %s", tt.m.Number, s.Name, tt.index, text)
			}
		}
	}
}

// scaleText stands on every sheet beside the mark.
const scaleText = "100 mm. Check with a ruler; if it differs, print at 100 % (actual size)."

// TestNumberIsTheLargest measures heights of words with poppler: on a disk label no word is higher than the number.
func TestNumberIsTheLargest(t *testing.T) {
	totext := need(t, "pdftotext", "poppler-utils")
	for _, s := range sheets(t) {
		for _, m := range media() {
			var b bytes.Buffer
			if _, err := label.PDF(&b, s, []label.Medium{m}, label.Options{}); err != nil {
				continue // the sheet is for the other kind
			}
			file := filepath.Join(t.TempDir(), "one.pdf")
			if err := os.WriteFile(file, b.Bytes(), 0o600); err != nil {
				t.Fatal(err)
			}
			number, other, word := 0.0, 0.0, ""
			for _, g := range regexp.MustCompile(`yMin="([0-9.]+)" xMax="[0-9.]+" yMax="([0-9.]+)">(.*)</word>`).FindAllStringSubmatch(run(t, totext, "-bbox", "-l", "1", file, "-"), -1) {
				var y0, y1 float64
				if _, err := fmt.Sscan(g[1], &y0); err != nil {
					t.Fatal(err)
				}
				if _, err := fmt.Sscan(g[2], &y1); err != nil {
					t.Fatal(err)
				}
				if g[3] == m.Number {
					number = max(number, y1-y0)
				} else if (g[3] != "A" && g[3] != "B") && y1-y0 > other && !strings.Contains(scaleText, g[3]) { // where that stands upright, its words are tall
					other, word = y1-y0, g[3]
				}
			}
			if number <= other*1.15 {
				t.Errorf("%s, %s: the number is %.1f points high, %q %.1f", s.Name, m.Number, number, word, other)
			}
		}
	}
}

// TestStartAtAnyLabel prints one disk at each place of a used sheet: ink only on that label.
func TestStartAtAnyLabel(t *testing.T) {
	var s *label.Sheet
	for _, q := range sheets(t) {
		if q.Name == "disk-90mm-a4" {
			s = q
		}
	}
	if s == nil {
		t.Fatal("sheet disk-90mm-a4 is missing")
	}
	for _, start := range []int{1, 2, 7, 10} {
		var b bytes.Buffer
		if _, err := label.PDF(&b, s, media()[:1], label.Options{Start: start}); err != nil {
			t.Fatal(err)
		}
		file := filepath.Join(t.TempDir(), "start.pdf")
		if err := os.WriteFile(file, b.Bytes(), 0o600); err != nil {
			t.Fatal(err)
		}
		m := page(t, file)
		for i := range s.PerPage() {
			x, y := s.At(i)
			_, found := inkIn(m, x, y, x+s.LabelWidth, y+s.LabelHeight)
			if found != (i == start-1) {
				t.Errorf("start %d: label %d printed: %v", start, i+1, found)
			}
		}
	}
	if _, _, err := label.Pages(s, media(), label.Options{Start: 11}); err == nil {
		t.Error("label 11 of a sheet of 10 was accepted")
	}
	// eleven labels from the tenth place on need two pages
	var many []label.Medium
	for i := range 11 {
		many = append(many, label.Medium{Number: fmt.Sprint("D", i), Type: "disk"})
	}
	pages, _, err := label.Pages(s, many, label.Options{Start: 10})
	if err != nil || len(pages) != 2 {
		t.Errorf("%d pages (%v), want 2", len(pages), err)
	}
}

func TestImpossibleSheets(t *testing.T) {
	good := label.Sheet{Name: "x", Kind: label.DiskLabel, Paper: "a4", LabelWidth: 70, LabelHeight: 52, Columns: 2, Rows: 5, Left: 23.3, Top: 18.7, PitchX: 93.1, PitchY: 51.9}
	if err := good.Validate(); err != nil {
		t.Fatal(err)
	}
	for key, spoil := range map[string]func(s *label.Sheet){
		"name":            func(s *label.Sheet) { s.Name = "" },
		"kind":            func(s *label.Sheet) { s.Kind = "poster" },
		"paper":           func(s *label.Sheet) { s.Paper = "a44" },
		"width-mm":        func(s *label.Sheet) { s.Paper = ""; s.Width = math.NaN(); s.Height = 100 },
		"columns":         func(s *label.Sheet) { s.Columns = 0 },
		"rows":            func(s *label.Sheet) { s.Rows = 1 << 40 },
		"label-width-mm":  func(s *label.Sheet) { s.LabelWidth = 5 },
		"label-height-mm": func(s *label.Sheet) { s.LabelHeight = 500 },
		"pitch-x-mm":      func(s *label.Sheet) { s.PitchX = 60 },
		"pitch-y-mm":      func(s *label.Sheet) { s.PitchY = math.NaN() },
		"left-mm":         func(s *label.Sheet) { s.Left = 60 },
		"top-mm":          func(s *label.Sheet) { s.Top = 60 },
		"fold-mm":         func(s *label.Sheet) { s.Fold = 60 },
		"hole":            func(s *label.Sheet) { s.Holes = []label.Hole{{X: 60, Width: 20}} },
		"front-mm":        func(s *label.Sheet) { s.Kind = label.Insert },
		"trim-width-mm":   func(s *label.Sheet) { s.Trim = 90 },
	} {
		s := good
		spoil(&s)
		if err := s.Validate(); err == nil || !strings.HasPrefix(err.Error(), key) {
			t.Errorf("%s: %v", key, err)
		}
	}
	for _, m := range []label.Medium{{Type: "disk"}, {Number: "a b", Type: "disk"}, {Number: "Ä1", Type: "disk"}, {Number: strings.Repeat("9", 25), Type: "disk"}, {Number: "D1", Type: "drum"}} {
		if m.Check() == nil {
			t.Errorf("%+v was accepted", m)
		}
	}
}

// FuzzPages: any sheet that passes Validate and any text gives pages or an error, in bounded time.
func FuzzPages(f *testing.F) {
	f.Add("D1", "Saltmarsh", "HERON/CMD", 101.6, 38.1, 2, 6, 0)
	f.Add("SCC-0012", "\x00漢\xff", strings.Repeat("W", 200), 20.0, 12.0, 1, 1, 1)
	f.Add("T", "", "", 88.9, 42.3, 2, 6, 2)
	f.Add("~~~~", "x", "y", 210.0, 297.0, 1, 1, 3)
	f.Fuzz(func(t *testing.T, number, title, name string, w, h float64, cols, rows, kind int) {
		s := &label.Sheet{Name: "fuzz", Kind: label.Kinds[uint(kind)%4], Paper: "a4", LabelWidth: w, LabelHeight: h, Columns: cols, Rows: rows, PitchX: w, PitchY: h}
		if s.Kind == label.Insert {
			s.Front, s.Spine, s.Flap = h/2, h/4, h/4
		}
		if len(title)+len(name) > 2000 {
			return
		}
		var items []label.Item
		for range 30 {
			items = append(items, label.Item{Name: name, Where: title, Size: name, Path: title, Note: name})
		}
		_, _, _ = label.Pages(s, []label.Medium{
			{Number: number, Type: "disk", Title: title, Machine: name, Start: title, Date: name, Sides: []label.Side{{Items: items}}},
			{Number: number, Type: "tape", Title: title, Place: name, Sides: []label.Side{{Name: "A", Items: items}, {Name: title, Items: items}}},
		}, label.Options{})
	})
}

func BenchmarkSheet(b *testing.B) {
	s := sheets(b)[0]
	for b.Loop() {
		if _, err := label.PDF(&bytes.Buffer{}, s, media(), label.Options{}); err != nil {
			b.Fatal(err)
		}
	}
}
