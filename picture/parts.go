package picture

import (
	"math"
	"strings"
)

// The parts of which Stack and Chart are made, for pictures that put several of them on one axis of their own.

// Ribbon draws r into the rectangle x, y, w, h; from and to are the ends of its axis.
func (c *Canvas) Ribbon(r Ribbon, x, y, w, h, from, to float64) {
	if to > from {
		c.ribbon(r, x, y, w, h, func(v float64) float64 { return x + (v-from)/(to-from)*w })
	}
}

// Scale draws the axis a from x0 to x1, 32 px high.
func (c *Canvas) Scale(a Axis, x0, x1, y float64) {
	if a.To > a.From {
		c.axis(a, x0, x1, y, func(v float64) float64 { return x0 + (v-a.From)/(a.To-a.From)*(x1-x0) })
	}
}

// Legend explains the states in use, and the margin hue, in lines of at most width; it gives its height.
func (c *Canvas) Legend(x, y, width float64, states ...State) float64 {
	var used [5]bool
	for _, s := range states {
		if int(s) < len(used) {
			used[s] = true
		}
	}
	return c.legend(x, y, width, used)
}

// Envelope draws a signal of which only the least and greatest samples of equal steps are known, into a rectangle as
// Signal does. Steps need not be pixels: each is as wide as its share of w.
func (c *Canvas) Envelope(x, y, w, h float64, lo, hi []float32, floor, ceil float64, s Style) {
	n := min(len(lo), len(hi))
	if n == 0 || !(ceil > floor) {
		return
	}
	px := c.px()
	at := func(v float32) float64 {
		return y + h - h*math.Min(1, math.Max(0, (float64(v)-floor)/(ceil-floor)))
	}
	step := w / float64(n)
	p := &Path{segs: make([]seg, 0, 5*n)}
	for i := range n {
		a, b := at(lo[i]), at(hi[i])
		if i > 0 { // reach the step before, so that steep edges stay joined
			a, b = math.Max(a, at(hi[i-1])), math.Min(b, at(lo[i-1]))
		}
		if a-b < px {
			a = b + px
		}
		p.Rect(x+float64(i)*step, b, math.Max(step, px), a-b)
	}
	c.Path(p, Style{Fill: s.Stroke})
}

// Lines breaks s at spaces into lines of at most width, most lines at most; what is too long for the last is shortened.
func Lines(s string, width, size float64, f Face, most int) []string {
	var out []string
	line := ""
	words := strings.Fields(Printable(s))
	for i, w := range words {
		next := w
		if line != "" {
			next = line + " " + w
		}
		if TextWidth(next, size, f) <= width || line == "" {
			line = next
			continue
		}
		if len(out) == most-1 {
			return append(out, Shorten(line+" "+strings.Join(words[i:], " "), width, size, f))
		}
		out = append(out, line)
		line = w
	}
	if line != "" {
		out = append(out, Shorten(line, width, size, f))
	}
	return out
}
