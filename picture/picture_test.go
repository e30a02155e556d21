package picture

import (
	"bytes"
	"encoding/xml"
	"errors"
	"fmt"
	"image"
	"image/png"
	"io"
	"math"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strconv"
	"strings"
	"testing"
)

// contrast is the ratio of WCAG 2.2 ("contrast ratio", "relative luminance").
func contrast(t *Theme, a, b Colour) float64 {
	lum := func(c Colour) float64 {
		v := t.RGBA(c)
		f := func(b byte) float64 {
			s := float64(b) / 255
			if s <= 0.04045 {
				return s / 12.92
			}
			return math.Pow((s+0.055)/1.055, 2.4)
		}
		return 0.2126*f(v.R) + 0.7152*f(v.G) + 0.0722*f(v.B)
	}
	x, y := lum(a), lum(b)
	if x < y {
		x, y = y, x
	}
	return (x + 0.05) / (y + 0.05)
}

func TestContrastIsWhatTheLookSays(t *testing.T) {
	for _, c := range []struct {
		ink         Colour
		light, dark float64
		src         string
	}{
		{Ink, 14.8, 14.4, "look: paper and ink"},
		{Soft, 6.0, 7.2, "look: paper and ink"},
		{Oxide, 6.9, 7.7, "look: paper and ink"},
	} {
		for _, q := range []struct {
			th   *Theme
			want float64
		}{{Light, c.light}, {Dark, c.dark}} {
			if got := contrast(q.th, c.ink, Paper); math.Abs(got-q.want) > 0.06 {
				t.Errorf("%s theme, colour %d: contrast %.2f, want %.1f (%s)", q.th.Name, c.ink, got, q.want, c.src)
			}
		}
	}
	// WCAG 2.2, 1.4.3 for text (4.5) and 1.4.11 for graphics (3)
	for _, th := range []*Theme{Light, Dark} {
		for h := Hue0; h <= Hue6; h++ {
			if got := contrast(th, h, h.over()); got < 4.5 {
				t.Errorf("text on step %d: contrast %.2f, want 4.5", h-Hue0, got)
			}
		}
		for _, bg := range []Colour{Paper, Card} {
			for _, c := range []Colour{Ink, Soft, Oxide, Trace} {
				if got := contrast(th, c, bg); got < 4.5 {
					t.Errorf("%s: colour %d on %d: contrast %.2f, want 4.5", th.Name, c, bg, got)
				}
			}
		}
	}
	for h := Hue0; h < Hue6; h++ {
		if contrast(Light, h, White) >= contrast(Light, h+1, White) {
			t.Errorf("step %d is not paler than the next", h-Hue0)
		}
	}
}

func TestHue(t *testing.T) {
	for _, c := range []struct {
		margin float64
		want   Colour
	}{{0, Hue0}, {0.14, Hue0}, {0.15, Hue1}, {0.5, Hue3}, {0.99, Hue6}, {1, Hue6}, {7, Hue6}, {-1, Hue3}, {math.NaN(), Hue3}} {
		if got := Hue(c.margin); got != c.want {
			t.Errorf("Hue(%v) = %d, want %d", c.margin, got, c.want)
		}
	}
}

// sample has a mark of every sort.
func sample() *Canvas {
	s := Stack{Title: `cylinder <17> & "more"`, Desc: "two ribbons", Axis: Axis{To: 1, Unit: "turn"}, Legend: true, Width: 500}
	for r := range 2 {
		rb := Ribbon{Name: fmt.Sprintf("c%02d", r)}
		for i := range 8 {
			rb.Stretches = append(rb.Stretches, Stretch{From: float64(i) / 8, To: float64(i)/8 + 0.11, Margin: float64(i) / 7, State: State(i % 4), Label: fmt.Sprint(i)})
		}
		s.Ribbons = append(s.Ribbons, rb)
	}
	c := s.Draw()
	c.Clip(10, 10, 50, 20, func() { c.Circle(20, 20, 30, Style{Fill: Hue2, Stroke: Ink}) })
	c.Text(40, 60, "turned", TextStyle{Turn: 90, Face: Mono})
	c.RoundRect(300, 2, 60, 30, 6, Style{Fill: Card, Stroke: Oxide, Dash: []float64{4, 2}})
	return c
}

func svg(t testing.TB, c *Canvas, o SVGOptions) string {
	t.Helper()
	var b strings.Builder
	if err := c.SVG(&b, o); err != nil {
		t.Fatal(err)
	}
	return b.String()
}

// wellFormed reads s with the standard library's XML reader.
func wellFormed(s string) error {
	d := xml.NewDecoder(strings.NewReader(s))
	for {
		if _, err := d.Token(); err != nil {
			if errors.Is(err, io.EOF) {
				return nil
			}
			return err
		}
	}
}

func TestSVGStandsAlone(t *testing.T) {
	for _, o := range []SVGOptions{{}, {Inline: true, ID: "x"}, {Theme: Dark}, {Fluid: true}} {
		s := svg(t, sample(), o)
		if err := wellFormed(s); err != nil {
			t.Fatalf("%+v: %v", o, err)
		}
		rest := strings.ReplaceAll(s, `xmlns="http://www.w3.org/2000/svg"`, "")
		for _, bad := range []string{"http", "href", "@import", "<script", "<image"} {
			if strings.Contains(rest, bad) {
				t.Errorf("%+v: contains %q", o, bad)
			}
		}
		if !strings.Contains(s, `role="img"`) || !strings.Contains(s, "cylinder &lt;17&gt; &amp; &quot;more&quot;</title>") {
			t.Errorf("%+v: no role or no title:\n%.400s", o, s)
		}
		if o.Theme == nil && !o.Inline && !strings.Contains(s, "prefers-color-scheme:dark") {
			t.Errorf("%+v: no dark theme", o)
		}
		// every class in use has its rule, every pattern its definition
		for _, m := range regexp.MustCompile(`url\(#([^)]+)\)`).FindAllStringSubmatch(s, -1) {
			if !strings.Contains(s, `id="`+m[1]+`"`) {
				t.Errorf("%+v: %s is not defined", o, m[1])
			}
		}
		rules := s
		if o.Inline {
			rules = Classes()
		}
		for _, m := range regexp.MustCompile(`class="([^"]+)"`).FindAllStringSubmatch(s, -1) {
			for _, c := range strings.Fields(m[1]) {
				if !strings.Contains(rules, "."+c+"{") {
					t.Errorf("%+v: class %s has no rule", o, c)
				}
			}
		}
		if again := svg(t, sample(), o); again != s {
			t.Errorf("%+v: two drawings differ", o)
		}
	}
	s := svg(t, sample(), SVGOptions{})
	for _, want := range []string{"0: good, margin 0 %", "repaired, margin", "doubtful, margin", "3: lost</title>"} {
		if !strings.Contains(s, want) {
			t.Errorf("hover text %q is missing", want)
		}
	}
}

// need gives the path of an outside program or fails with the package that has it.
func need(t testing.TB, program, pkg string) string {
	t.Helper()
	p, err := exec.LookPath(program)
	if err != nil {
		t.Fatalf("%s is needed for this check: apt-get install %s (make test does)", program, pkg)
	}
	return p
}

// TestPNGAgainstChromium draws the same picture by our rasterizer and by a browser from our SVG. Letters are left
// out, since the browser has its own typeface.
func TestPNGAgainstChromium(t *testing.T) {
	chromium := need(t, "chromium", "chromium")
	c := sample()
	kept := c.ops[:0]
	for _, o := range c.ops {
		if o.kind != opText {
			kept = append(kept, o)
		}
	}
	c.ops = kept
	c.Width, c.Height = 500, math.Ceil(c.Height)
	dir := t.TempDir()
	for _, th := range []*Theme{Light, Dark} {
		page := `<!DOCTYPE html><body style="margin:0;background:` + th.Hex(Paper) + `">` + svg(t, c, SVGOptions{Theme: th})
		if err := os.WriteFile(filepath.Join(dir, "p.html"), []byte(page), 0o600); err != nil {
			t.Fatal(err)
		}
		shot := filepath.Join(dir, th.Name+".png")
		out, err := exec.Command(chromium, "--headless", "--no-sandbox", "--disable-gpu", "--hide-scrollbars", "--user-data-dir="+filepath.Join(dir, "profile"),
			"--disable-component-update", "--screenshot="+shot, fmt.Sprintf("--window-size=500,%.0f", c.Height+200) /* the window has a frame of its own */, "file://"+filepath.Join(dir, "p.html")).CombinedOutput()
		if err != nil {
			t.Fatalf("chromium: %v\n%s", err, out)
		}
		f, err := os.Open(shot)
		if err != nil {
			t.Fatalf("%v\n%s", err, out)
		}
		theirs, err := png.Decode(f)
		f.Close()
		if err != nil {
			t.Fatal(err)
		}
		ours, err := c.Image(1, th)
		if err != nil {
			t.Fatal(err)
		}
		if d := meanDifference(ours, theirs); d > 3.0 {
			t.Errorf("%s: mean difference %.2f of 255 a channel, want 3.0 at most", th.Name, d)
		}
		// the check itself must be able to fail: the same picture moved by two pixels
		m, err := c.Image(1, th)
		if err != nil {
			t.Fatal(err)
		}
		moved := image.NewRGBA(m.Rect)
		for y := range m.Rect.Dy() {
			for x := range m.Rect.Dx() {
				moved.SetRGBA(x, y, m.RGBAAt((x+2)%m.Rect.Dx(), y))
			}
		}
		if d := meanDifference(moved, theirs); d < 4.0 {
			t.Errorf("%s: moved by two pixels the difference is only %.2f: this comparison sees nothing", th.Name, d)
		}
	}
}

func meanDifference(a, b image.Image) float64 {
	r := a.Bounds().Intersect(b.Bounds())
	sum, n := 0.0, 0
	for y := r.Min.Y; y < r.Max.Y; y++ {
		for x := r.Min.X; x < r.Max.X; x++ {
			ar, ag, ab, _ := a.At(x, y).RGBA()
			br, bg, bb, _ := b.At(x, y).RGBA()
			for _, d := range []float64{float64(ar) - float64(br), float64(ag) - float64(bg), float64(ab) - float64(bb)} {
				sum += math.Abs(d) / 257
			}
			n += 3
		}
	}
	return sum / float64(n)
}

// TestPDFGeometry has poppler draw a box of 100 x 50 mm at 20, 30 mm and measure a word.
func TestPDFGeometry(t *testing.T) {
	topng, totext := need(t, "pdftoppm", "poppler-utils"), need(t, "pdftotext", "poppler-utils")
	c := New(210, 297, MM)
	c.Rect(20, 30, 100, 50, Style{Fill: Black})
	c.Rect(20, 100, 60, 20, Style{Fill: Hue1, Stroke: Black, Pattern: Hatch})
	c.Rect(20, 130, 60, 20, Style{Fill: Hue1, Pattern: Dots})
	const word, size = "Saltmarsh½Ωя→☑", 8.0
	c.Text(20, 200, word, TextStyle{Size: size, Face: Bold})
	var b, again bytes.Buffer
	for _, w := range []*bytes.Buffer{&b, &again} {
		if err := PDF(w, []*Canvas{c}, PDFMeta{Title: "box"}); err != nil {
			t.Fatal(err)
		}
	}
	if !bytes.Equal(b.Bytes(), again.Bytes()) {
		t.Error("the same page gave different bytes")
	}
	dir := t.TempDir()
	file := filepath.Join(dir, "a.pdf")
	if err := os.WriteFile(file, b.Bytes(), 0o600); err != nil {
		t.Fatal(err)
	}
	if out, err := exec.Command(topng, "-r", "254", "-png", "-singlefile", file, filepath.Join(dir, "a")).CombinedOutput(); err != nil {
		t.Fatalf("pdftoppm: %v %s", err, out)
	}
	f, err := os.Open(filepath.Join(dir, "a.png"))
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	m, err := png.Decode(f)
	if err != nil {
		t.Fatal(err)
	}
	black := func(x, y int) bool { r, _, _, _ := m.At(x, y).RGBA(); return r < 0x8000 }
	box := image.Rectangle{Min: image.Pt(1<<20, 1<<20)}
	for y := 250; y < 900; y++ {
		for x := range m.Bounds().Dx() {
			if black(x, y) {
				box.Min.X, box.Min.Y = min(box.Min.X, x), min(box.Min.Y, y)
				box.Max.X, box.Max.Y = max(box.Max.X, x+1), max(box.Max.Y, y+1)
			}
		}
	}
	for i, d := range []int{box.Min.X - 200, box.Min.Y - 300, box.Max.X - 1200, box.Max.Y - 800} {
		if d < -1 || d > 1 {
			t.Errorf("edge %d of the box is %d tenths of a millimetre off: %v", i, d, box)
		}
	}
	out, err := exec.Command(totext, "-bbox", file, "-").Output()
	if err != nil {
		t.Fatal(err)
	}
	g := regexp.MustCompile(`<word xMin="([0-9.]+)" yMin="[0-9.]+" xMax="([0-9.]+)" yMax="[0-9.]+">(.*)</word>`).FindSubmatch(out)
	if g == nil || string(g[3]) != word {
		t.Fatalf("pdftotext found no word %q:\n%s", word, out)
	}
	x0, _ := strconv.ParseFloat(string(g[1]), 64)
	x1, _ := strconv.ParseFloat(string(g[2]), 64)
	if got, want := (x1-x0)*25.4/72, TextWidth(word, size, Bold); math.Abs(got-want) > 0.02*want {
		t.Errorf("poppler measures %.2f mm, TextWidth says %.2f", got, want)
	}
}

func TestShortenAndPrintable(t *testing.T) {
	if got := Printable("a\x00b\u6f22\xff\tΩ"); got != "a·b□□ Ω" {
		t.Errorf("Printable = %q", got)
	}
	long := "a name that is much too long for where it must go"
	for w := 0.0; w < 400; w += 7 {
		for _, f := range []func(string, float64, float64, Face) string{Shorten, ShortenMiddle} {
			s := f(long, w, 12, Sans)
			if got := TextWidth(s, 12, Sans); got > w {
				t.Errorf("width %.0f: %q takes %.1f", w, s, got)
			}
			if s != long && s != "" && !strings.Contains(s, "…") {
				t.Errorf("width %.0f: %q was shortened without a sign", w, s)
			}
		}
	}
	if s := ShortenMiddle("archive/box 3/HERON.CMD", 100, 12, Sans); !strings.HasSuffix(s, "CMD") {
		t.Errorf("the end of a path is lost: %q", s)
	}
}

func TestMinMaxKeepsEverySpike(t *testing.T) {
	s := make([]float32, 100_000)
	s[44_444], s[77_777] = 1, -1
	lo, hi := MinMax(s, 960)
	var spikes, dips int
	for i := range lo {
		if hi[i] == 1 {
			spikes++
		}
		if lo[i] == -1 {
			dips++
		}
	}
	if spikes != 1 || dips != 1 {
		t.Errorf("found %d spikes and %d dips, want 1 and 1", spikes, dips)
	}
	nan := float32(math.NaN())
	if lo, hi := MinMax([]float32{1, nan, nan, 3}, 4); lo[1] != 1 || hi[2] != 1 || hi[3] != 3 {
		t.Errorf("gaps: %v %v", lo, hi)
	}
	if lo, _ := MinMax(nil, 10); lo != nil {
		t.Error("nothing must give nothing")
	}
}

func TestRibbonInATerminal(t *testing.T) {
	r := Ribbon{Stretches: []Stretch{
		{From: 0, To: 2, Margin: 1}, {From: 2, To: 4, Margin: 0}, {From: 4, To: 5, State: Lost},
		{From: 5, To: 6, State: Repaired, Margin: 0.2}, {From: 6, To: 7, State: Doubtful}, {From: 8, To: 10, Margin: 0.5}}}
	if got, want := r.Line(0, 10, 10), "##..x~? =="; got != want {
		t.Errorf("Line = %q, want %q", got, want)
	}
	if got, want := r.Line(0, 10, 5), "#.x?="; got != want { // the worst of each column
		t.Errorf("Line = %q, want %q", got, want)
	}
}

func TestWrapKeepsLength(t *testing.T) {
	r := Ribbon{Stretches: []Stretch{{From: 0, To: 25, Label: "a"}, {From: 30, To: 95}, {From: 95, To: 100, State: Lost}}}
	lines := r.Wrap(0, 100, 10, func(at float64) string { return fmt.Sprint(at) })
	if len(lines) != 10 || lines[3].Name != "30" {
		t.Fatalf("%d lines, %+v", len(lines), lines)
	}
	sum := 0.0
	for _, l := range lines {
		for _, s := range l.Stretches {
			if s.From < 0 || s.To > 10 {
				t.Errorf("a stretch leaves its line: %+v", s)
			}
			sum += s.To - s.From
		}
	}
	if math.Abs(sum-95) > 1e-9 {
		t.Errorf("the lines hold %v of 95", sum)
	}
	if n := len(lines[1].Stretches); n != 1 || lines[1].Stretches[0].Label != "" {
		t.Error("a continued stretch repeats its label")
	}
}

func TestRoundTicks(t *testing.T) {
	for _, c := range []struct {
		from, to float64
		n        int
		want     string
	}{{0, 1, 10, "[0 0.1 0.2 0.3 0.4 0.5 0.6 0.7 0.8 0.9 1]"}, {0, 300, 7, "[0 50 100 150 200 250 300]"}, {-2.4, 2.4, 5, "[-2 -1 0 1 2]"}, {5, 5, 3, "[]"}} {
		ticks := RoundTicks(c.from, c.to, c.n)
		for i := range ticks {
			ticks[i] = math.Round(ticks[i]*1e9) / 1e9
		}
		if got := fmt.Sprint(ticks); got != c.want {
			t.Errorf("RoundTicks(%v, %v, %d) = %s, want %s", c.from, c.to, c.n, got, c.want)
		}
	}
}

func TestMapsSayWhatTheyShow(t *testing.T) {
	m := MemoryMap{Title: "m", Machine: []Range{{0x4000, 0x5200, "disk system", Reserved}}, Program: []Range{{0x5100, 0x6000, "code", Loads}}, Entry: 0x5200}
	s := svg(t, m.Draw(), SVGOptions{})
	for _, want := range []string{"clashes with disk system: 5100h to 51FFh", "code: 5100h to 5FFFh, 3840 bytes", "entry 5200h"} {
		if !strings.Contains(s, want) {
			t.Errorf("memory map: %q is missing", want)
		}
	}
	v := VolumeMap{Unit: "granule", Files: []string{"HERON/CMD"}, Units: []UnitUse{{0, UnitUsed}, {0, UnitUsed}, {-1, UnitFree}, {-1, UnitLost}, {9, UnitUsed}}}
	s = svg(t, v.Draw(), SVGOptions{})
	for _, want := range []string{"granules 0 to 1: HERON/CMD", "granule 3: used by no file", "granule 4: used"} {
		if !strings.Contains(s, want) {
			t.Errorf("volume map: %q is missing", want)
		}
	}
	b := Bar{Title: "D1", Capacity: 10, Unit: "KiB", Parts: []Part{{"A", 4, false}, {"B", 2, true}}}
	if s = svg(t, b.Draw(), SVGOptions{}); !strings.Contains(s, "4 KiB free") || !strings.Contains(s, "B: 2 KiB") {
		t.Error("bar: free room or a part is not said")
	}
}

func TestImageRefusesSizes(t *testing.T) {
	for _, c := range []*Canvas{New(0, 10, Px), New(1e6, 1e6, Px), New(math.NaN(), 5, Px), New(math.Inf(1), 5, Px)} {
		if _, err := c.Image(1, nil); err == nil {
			t.Errorf("a picture of %v x %v was drawn", c.Width, c.Height)
		}
	}
}

// FuzzText: whatever a file is called, the picture is well-formed and the text is never lost silently.
func FuzzText(f *testing.F) {
	for _, s := range []string{"HERON/CMD", "<script>", "\x00\x01", "\xff\xfe", "a&b\"'", "漢字", "\u202e\u0000", strings.Repeat("x", 300)} {
		f.Add(s)
	}
	f.Fuzz(func(t *testing.T, s string) {
		if len(s) > 1000 {
			s = s[:1000]
		}
		st := Stack{Title: s, Desc: s, Axis: Axis{To: 1, Label: s}, Width: 300, Ribbons: []Ribbon{{Name: s, Note: s, Stretches: []Stretch{{To: 1, Label: s, Title: s}}}}}
		c := st.Draw()
		c.Text(1, 1, s, TextStyle{})
		if err := wellFormed(svg(t, c, SVGOptions{})); err != nil {
			t.Fatalf("%q: %v", s, err)
		}
		if _, err := c.Image(0.5, Dark); err != nil {
			t.Fatalf("%q: %v", s, err)
		}
	})
}

func noise(n int) []float32 {
	s := make([]float32, n)
	x := uint32(1)
	for i := range s {
		x = x*1664525 + 1013904223
		s[i] = float32(int32(x)) / (1 << 31)
	}
	return s
}

func BenchmarkSignalPNG(b *testing.B) {
	s := noise(100_000)
	b.SetBytes(int64(4 * len(s)))
	for b.Loop() {
		c := New(960, 200, Px)
		c.Signal(0, 0, 960, 200, s, -1, 1, Style{Stroke: Trace})
		if err := c.PNG(io.Discard, 1, Light); err != nil {
			b.Fatal(err)
		}
	}
}

func BenchmarkDiskSVG(b *testing.B) { // 80 cylinders, 2 sides, 18 sectors
	for b.Loop() {
		s := Stack{Axis: Axis{To: 1}, Height: 4, Gap: 1}
		for c := range 160 {
			r := Ribbon{Name: fmt.Sprint(c)}
			for i := range 18 {
				r.Stretches = append(r.Stretches, Stretch{From: float64(i) / 18, To: float64(i)/18 + 0.05, Margin: 0.6, Title: "sector"})
			}
			s.Ribbons = append(s.Ribbons, r)
		}
		if err := s.Draw().SVG(io.Discard, SVGOptions{}); err != nil {
			b.Fatal(err)
		}
	}
}
