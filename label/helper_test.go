package label_test

import (
	"bytes"
	"fmt"
	"image"
	"math"
	"os"
	"os/exec"
	"path/filepath"
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
