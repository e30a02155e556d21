package picture

import (
	"fmt"
	"math"
)

// MinMax reduces a dense signal to columns: the least and greatest sample of each. A hundred thousand samples on a
// thousand columns are drawn as a thousand strokes and still show every spike. Samples that are not numbers are left
// out; a column without any repeats the one before.
func MinMax(samples []float32, columns int) (lo, hi []float32) {
	if columns < 1 || len(samples) == 0 {
		return nil, nil
	}
	lo, hi = make([]float32, columns), make([]float32, columns)
	n := len(samples)
	var pl, ph float32
	for i := range columns {
		a, b := i*n/columns, (i+1)*n/columns
		if b == a {
			b = min(a+1, n)
		}
		l, h := float32(math.Inf(1)), float32(math.Inf(-1))
		for _, v := range samples[a:b] {
			if v < l {
				l = v
			}
			if v > h {
				h = v
			}
		}
		if l > h {
			l, h = pl, ph
		}
		lo[i], hi[i], pl, ph = l, h, l, h
	}
	return lo, hi
}

// Signal draws samples into a rectangle, from floor (bottom edge) to ceil (top edge). More than two samples to a
// pixel become one stroke a pixel column.
func (c *Canvas) Signal(x, y, w, h float64, samples []float32, floor, ceil float64, s Style) {
	px := c.px()
	cols := int(w / px)
	if cols < 1 || len(samples) < 2 || !(ceil > floor) {
		return
	}
	at := func(v float32) float64 {
		f := (float64(v) - floor) / (ceil - floor)
		return y + h - h*math.Min(1, math.Max(0, f))
	}
	if len(samples) <= 2*cols {
		pts := make([]Point, 0, len(samples))
		for i, v := range samples {
			if v == v {
				pts = append(pts, Point{x + w*float64(i)/float64(len(samples)-1), at(v)})
			}
		}
		c.Polyline(pts, s)
		return
	}
	lo, hi := MinMax(samples, cols)
	p := &Path{}
	for i := range lo {
		a, b := at(lo[i]), at(hi[i])
		if i > 0 { // reach the column before, so that steep edges stay joined
			a, b = math.Max(a, at(hi[i-1])), math.Min(b, at(lo[i-1]))
		}
		if a-b < px {
			a = b + px
		}
		p.Rect(x+float64(i)*px, b, px, a-b)
	}
	c.Path(p, Style{Fill: s.Stroke})
}

// Curve is one line of a chart.
type Curve struct {
	Name   string
	X, Y   []float64 // of the same length; Y that is not a number leaves a gap
	Colour Colour    // None: Trace, then Oxide, then Soft
	Dash   []float64 // curves must differ by more than colour: the second and third are dashed if this is nil
}

// Chart is a line chart: speed or level along a tape.
type Chart struct {
	Title, Desc   string
	X, Y          Axis // Y.From == Y.To: as the curves need
	Curves        []Curve
	Marks         []Mark
	Width, Height float64 // of the picture in px; 0: 960 x 240
}

// Mark is a place on the x axis worth a word: "block 17 lost".
type Mark struct {
	X    float64
	Text string
}

// Draw makes the picture.
func (ch *Chart) Draw() *Canvas {
	c, x0, y0, x1, y1, fx, fy := ch.frame()
	for i, u := range ch.Curves {
		col, dash := u.Colour, u.Dash
		if col == None {
			col = []Colour{Trace, Oxide, Soft}[i%3]
		}
		if dash == nil && i > 0 {
			dash = [][]float64{{6, 3}, {2, 3}}[(i-1)%2]
		}
		c.Clip(x0, y0-1, x1-x0, y1-y0+2, func() { c.curve(u, fx, fy, Style{Stroke: col, Width: 1.6, Dash: dash}) })
	}
	lastEnd := math.Inf(-1)
	for _, m := range ch.Marks {
		x := fx(m.X)
		if x < x0 || x > x1 {
			continue
		}
		c.Group(m.Text, func() {
			c.Line(x, y0, x, y1, Style{Stroke: Oxide, Dash: []float64{2, 2}})
			w := TextWidth(Printable(m.Text), 10, Sans)
			if x+4 > lastEnd && x+4+w < x1 {
				c.Text(x+4, y0+10, m.Text, TextStyle{Size: 10, Colour: Oxide})
				lastEnd = x + 10 + w
			}
		})
	}
	if len(ch.Curves) > 1 {
		x := x0
		for i, u := range ch.Curves {
			col, dash := u.Colour, u.Dash
			if col == None {
				col = []Colour{Trace, Oxide, Soft}[i%3]
			}
			if dash == nil && i > 0 {
				dash = [][]float64{{6, 3}, {2, 3}}[(i-1)%2]
			}
			c.Line(x, c.Height-8, x+24, c.Height-8, Style{Stroke: col, Width: 1.6, Dash: dash})
			c.Text(x+30, c.Height-4, u.Name, TextStyle{Size: 11, Colour: Soft})
			x += 54 + TextWidth(Printable(u.Name), 11, Sans)
		}
	}
	return c
}

// curve draws one line; where there are more points than pixels, each pixel column keeps its least and greatest.
func (c *Canvas) curve(u Curve, fx, fy func(float64) float64, s Style) {
	n := min(len(u.X), len(u.Y))
	var pts []Point
	flush := func() {
		if len(pts) == 1 {
			pts = append(pts, Point{pts[0].X + 1, pts[0].Y})
		}
		c.Polyline(pts, s)
		pts = nil
	}
	for i := 0; i < n; {
		if !finite(u.X[i], u.Y[i]) {
			flush()
			i++
			continue
		}
		x := fx(u.X[i])
		j, lo, hi, loI, hiI := i, u.Y[i], u.Y[i], i, i
		for ; j < n && finite(u.X[j], u.Y[j]) && fx(u.X[j]) < x+1 && fx(u.X[j]) >= x; j++ {
			if u.Y[j] < lo {
				lo, loI = u.Y[j], j
			}
			if u.Y[j] > hi {
				hi, hiI = u.Y[j], j
			}
		}
		if j == i {
			j = i + 1
		}
		switch {
		case loI == hiI:
			pts = append(pts, Point{x, fy(lo)})
		case loI < hiI:
			pts = append(pts, Point{x, fy(lo)}, Point{fx(u.X[hiI]), fy(hi)})
		default:
			pts = append(pts, Point{x, fy(hi)}, Point{fx(u.X[loI]), fy(lo)})
		}
		i = j
	}
	flush()
}

func (ch *Chart) frame() (c *Canvas, x0, y0, x1, y1 float64, fx, fy func(float64) float64) {
	w, h := ch.Width, ch.Height
	if w == 0 {
		w = 960
	}
	if h == 0 {
		h = 240
	}
	ya := ch.Y
	if ya.From == ya.To {
		ya.From, ya.To = math.Inf(1), math.Inf(-1)
		for _, u := range ch.Curves {
			for _, v := range u.Y {
				if finite(v) {
					ya.From, ya.To = math.Min(ya.From, v), math.Max(ya.To, v)
				}
			}
		}
		if !(ya.To > ya.From) {
			if !finite(ya.From) {
				ya.From = 0
			}
			ya.To = ya.From + 1
		}
		pad := (ya.To - ya.From) * 0.06
		ya.From, ya.To = ya.From-pad, ya.To+pad
	}
	c = New(w, h, Px)
	c.Title, c.Desc = ch.Title, ch.Desc
	ticks := ya.Ticks
	if ticks == nil {
		ticks = RoundTicks(ya.From, ya.To, max(2, int((h-60)/36)))
	}
	x0 = 8.0
	for _, v := range ticks {
		x0 = math.Max(x0, TextWidth(Printable(ya.text(v)), 11, Sans)+8)
	}
	x1, y0, y1 = w-8, 22, h-36
	if len(ch.Curves) > 1 {
		y1 -= 18
	}
	fx = func(v float64) float64 { return x0 + (v-ch.X.From)/(ch.X.To-ch.X.From)*(x1-x0) }
	fy = func(v float64) float64 { return y1 - (v-ya.From)/(ya.To-ya.From)*(y1-y0) }
	c.Text(0, 11, ya.caption(), TextStyle{Size: 11, Colour: Soft})
	for _, v := range ticks {
		if v < ya.From || v > ya.To {
			continue
		}
		c.Line(x0, fy(v), x1, fy(v), Style{Stroke: Rule})
		c.Text(x0-6, fy(v)+4, ya.text(v), TextStyle{Size: 11, Anchor: End})
	}
	c.axis(ch.X, x0, x1, y1, fx)
	return c, x0, y0, x1, y1, fx, fy
}

// Histogram shows how often values fell into each of equal bins: intervals between transitions, half-cycle lengths.
type Histogram struct {
	Title, Desc   string
	X             Axis
	Counts        []int     // of equal bins from X.From to X.To
	Expected      []float64 // places where a peak should be, marked
	Log           bool      // heights by logarithm, so that rare things are seen
	Width, Height float64
}

// Draw makes the picture.
func (g *Histogram) Draw() *Canvas {
	most := 1
	for _, n := range g.Counts {
		most = max(most, n)
	}
	height := func(n int) float64 {
		if g.Log {
			if n < 1 {
				return 0
			}
			return (math.Log10(float64(n)) + 0.3) / (math.Log10(float64(most)) + 0.3)
		}
		return float64(n) / float64(most)
	}
	ya := Axis{From: 0, To: 1.04, Label: "how often", Format: func(v float64) string { return fmt.Sprintf("%.0f", v*float64(most)) }}
	if g.Log {
		ya.Label = "how often, logarithmic"
		ya.Ticks = []float64{}
		for n := 1; n <= most && n > 0; n *= 10 {
			ya.Ticks = append(ya.Ticks, height(n))
		}
		ya.Format = func(v float64) string {
			return fmt.Sprintf("%.0f", math.Pow(10, v*(math.Log10(float64(most))+0.3)-0.3))
		}
	} else {
		for _, v := range RoundTicks(0, float64(most), 4) {
			if v == math.Trunc(v) {
				ya.Ticks = append(ya.Ticks, v/float64(most))
			}
		}
	}
	ch := &Chart{Title: g.Title, Desc: g.Desc, X: g.X, Y: ya, Width: g.Width, Height: g.Height}
	c, _, y0, _, y1, fx, fy := ch.frame()
	for _, e := range g.Expected {
		c.Line(fx(e), y0, fx(e), y1, Style{Stroke: Oxide, Dash: []float64{2, 2}})
	}
	n := float64(len(g.Counts))
	p := &Path{}
	for i, k := range g.Counts {
		if k > 0 {
			a, b := fx(g.X.From+(g.X.To-g.X.From)*float64(i)/n), fx(g.X.From+(g.X.To-g.X.From)*float64(i+1)/n)
			p.Rect(a, fy(height(k)), math.Max(b-a, 0.5), y1-fy(height(k)))
		}
	}
	c.Path(p, Style{Fill: Trace})
	return c
}
