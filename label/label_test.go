package label_test

import (
	"bytes"
	"fmt"
	"math"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"testing"

	"remanence/label"
)

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
	f.Add("D2", "Saltmarsh", "TIDES/BAS", 210.0, 297.0, 1, 1, 4)
	f.Fuzz(func(t *testing.T, number, title, name string, w, h float64, cols, rows, kind int) {
		s := &label.Sheet{Name: "fuzz", Kind: label.Kinds[uint(kind)%uint(len(label.Kinds))], Paper: "a4", LabelWidth: w, LabelHeight: h, Columns: cols, Rows: rows, PitchX: w, PitchY: h}
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
