package label

import (
	"fmt"
	"image/color"
	"math"
	"strings"

	"github.com/boombuler/barcode/qr"

	"remanence/internal/outcome"
	"remanence/picture"
)

// Lines of a print: hairlines for cutting and ruling, one colour throughout.
var (
	hair = picture.Style{Stroke: picture.Black, Width: 0.1}
	fold = picture.Style{Stroke: picture.Black, Width: 0.1, Dash: []float64{2, 1.5}}
	ink  = picture.Style{Fill: picture.Black}
)

func set(size float64, f picture.Face, a picture.Anchor) picture.TextStyle {
	return picture.TextStyle{Size: size, Face: f, Colour: picture.Black, Anchor: a}
}

// rise is how far capitals, digits and signs reach above the base line, as a part of the size: DejaVu's capitals 0.729,
// round digits a little more, parentheses and slashes 0.76.
const rise = 0.76

// fit is the largest size between least and most at which s is no wider than width; at least the text is shortened.
func fit(s string, width, least, most float64, f picture.Face) (string, float64) {
	w := picture.TextWidth(picture.Printable(s), 1, f)
	if w <= 0 {
		return s, most
	}
	size := math.Min(most, width/w)
	if size >= least {
		return picture.Printable(s), size
	}
	return picture.Shorten(s, width, least, f), least
}

// whole is fit for a medium's number, which is never shortened.
func whole(number string, width, most float64) (string, float64) {
	return fit(number, width, 0.5, most, picture.Bold)
}

// wrap breaks s at spaces into at most n lines of the width; the last one is shortened.
func wrap(s string, width, size float64, f picture.Face, n int) []string {
	words := strings.Fields(picture.Printable(s))
	var lines []string
	for len(words) > 0 && len(lines) < n {
		k := 1
		for k < len(words) && picture.TextWidth(strings.Join(words[:k+1], " "), size, f) <= width {
			k++
		}
		if len(lines) == n-1 {
			k = len(words)
		}
		lines = append(lines, picture.Shorten(strings.Join(words[:k], " "), width, size, f))
		words = words[k:]
	}
	return lines
}

// wrapFit breaks s into lines in a box of the given height, as large as lets all of it in between most and least; at
// the least size the last line is shortened.
func wrapFit(s string, width, most, least, height float64, f picture.Face) ([]string, float64) {
	for size := most; ; size -= 0.2 {
		size = math.Max(size, least)
		n := max(1, 1+int((height-size)/(size*1.25)))
		lines := wrap(s, width, size, f, n)
		if size == least || len(lines) == 0 || !cutWord(lines) {
			return lines, size
		}
	}
}

func cutWord(lines []string) bool {
	for _, l := range lines {
		if strings.HasSuffix(l, "…") {
			return true
		}
	}
	return false
}

// code draws the QR code of text as a square with the top left corner at x, y; around it four modules must stay
// white (ISO/IEC 18004), which the caller leaves.
func code(c *picture.Canvas, text string, x, y, size float64) error {
	b, err := qr.Encode(text, qr.M, qr.Auto)
	if err != nil {
		return outcome.As(outcome.Input, fmt.Errorf("medium %s: QR code: %w", text, err))
	}
	n := b.Bounds().Dx()
	m := size / float64(n)
	p := &picture.Path{}
	for j := range n {
		for i := 0; i < n; {
			k := i
			for k < n && dark(b.At(k, j)) {
				k++
			}
			if k > i {
				// a hair higher than the module, so that no printer shows white lines between rows
				p.Rect(x+float64(i)*m, y+float64(j)*m, float64(k-i)*m, m+0.01)
			}
			i = k + 1
		}
	}
	c.Path(p, ink)
	return nil
}

func dark(c color.Color) bool {
	r, _, _, _ := c.RGBA()
	return r < 0x8000
}

// quiet is the white that must surround a QR code of that size: four modules of the smallest code there is.
func quiet(size float64) float64 { return 4 * size / 21 }

// scaleText stands beside the scale mark.
const scaleText = "100 mm. Check with a ruler; if it differs, print at 100 % (actual size)."

// scale draws the 100 mm mark from x, y to the right, or down where upright is set. It is 5 mm thick with its text.
func scale(c *picture.Canvas, x, y float64, upright bool) {
	at := func(along, across float64) (float64, float64) {
		if upright {
			return x + 5 - across, y + along
		}
		return x + along, y + across
	}
	line := func(a0, c0, a1, c1 float64) {
		x0, y0 := at(a0, c0)
		x1, y1 := at(a1, c1)
		c.Line(x0, y0, x1, y1, picture.Style{Stroke: picture.Black, Width: 0.15})
	}
	line(0, 1.2, 100, 1.2)
	for i := 0; i <= 100; i += 5 {
		tick := 0.6
		if i%10 == 0 {
			tick = 1.2
		}
		line(float64(i), 1.2-tick, float64(i), 1.2)
	}
	t := set(2.1, picture.Sans, picture.Start)
	if upright {
		t.Turn = 90
	}
	tx, ty := at(0, 4)
	c.Text(tx, ty, scaleText, t)
}

// entry is what a list says of one item: its name, and more where there is room for it.
type entry struct{ name, more string }

func (e entry) long() string {
	if e.more == "" {
		return e.name
	}
	return e.name + "  " + e.more
}

// list sets names in columns of the box, as large as lets all of them in, down to the least size; what has no room
// is counted in the last place. Where all of them have room at a good size, they are set with what more is to be said.
// It gives back how many had none.
func list(c *picture.Canvas, all []entry, x, y, w, h, least, most float64) int {
	if len(all) == 0 || w <= 0 || h <= 0 {
		return len(all)
	}
	const lead, gap = 1.28, 3.0
	fill := func(names []string, size float64) (rows, cols int, widest float64) {
		for _, n := range names {
			widest = math.Max(widest, picture.TextWidth(picture.Printable(n), size, picture.Sans))
		}
		rows = int((h-size*0.95)/(size*lead)) + 1
		if size*0.95 > h {
			rows = 0
		}
		return rows, max(1, int((w+gap)/(math.Min(widest, math.Max(w, 1))+gap))), widest
	}
	names, long := make([]string, len(all)), make([]string, len(all))
	for i, e := range all {
		names[i], long[i] = e.name, e.long()
	}
	size := most
	rows, cols := 0, 0
	roomy := false
	for s := most; s >= math.Max(least, most*0.75) && !roomy; s -= 0.1 {
		r, k, widest := fill(long, s)
		if roomy = r*k >= len(long) && widest <= w; roomy {
			names, size, rows, cols = long, s, r, k
		}
	}
	for !roomy {
		rows, cols, _ = fill(names, size)
		if rows*cols >= len(names) || size <= least {
			break
		}
		size = math.Max(least, size-0.1)
	}
	if rows == 0 {
		return len(names)
	}
	if rows*cols < len(names) { // too narrow columns are better than a file left out, down to 18 mm
		cols = max(cols, min((len(names)+rows-1)/rows, int((w+gap)/(18+gap))))
	}
	cols = max(1, min(cols, (len(names)+rows-1)/rows))
	room := rows * cols
	left := 0
	shown := names
	cw := (w - gap*float64(cols-1)) / float64(cols)
	if len(names) > room {
		left = len(names) - room + 1
		rest := fmt.Sprintf("… and %d more", left)
		if t := rest + ", see the index sheet"; picture.TextWidth(picture.Printable(t), size, picture.Sans) <= cw {
			rest = t
		}
		shown = append(append([]string(nil), names[:room-1]...), rest)
	}
	for i, n := range shown {
		cx := x + float64(i/rows)*(cw+gap)
		cy := y + size*0.8 + float64(i%rows)*size*lead
		c.Text(cx, cy, picture.Shorten(n, cw, size, picture.Sans), set(size, picture.Sans, picture.Start))
	}
	return left
}
