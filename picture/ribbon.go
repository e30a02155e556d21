package picture

import (
	"fmt"
	"math"
)

// State is what became of a stretch of ribbon, as a word and a pattern.
type State uint8

const (
	Good     State = iota // plain
	Repaired              // fine diagonal hatch
	Doubtful              // dots
	Lost                  // hollow with a dashed edge
	Free                  // nothing is there and nothing should be: the bare lane
)

var stateWords = [...]string{"good", "repaired", "doubtful", "lost", "free"}

func (s State) String() string {
	if int(s) < len(stateWords) {
		return stateWords[s]
	}
	return "unknown"
}

// Stretch is a part of a ribbon.
type Stretch struct {
	From, To float64 // along the axis, in its unit
	Margin   float64 // 0 none left .. 1 ample; below 0: not measured
	State    State
	Label    string // written in the stretch where it fits
	Href     string // where it leads when it is clicked, in a page
	Title    string // shown on hover, before state and margin: "sector 4, 256 bytes"
}

// hover is the text of a stretch for hovering and for those who hear the page.
func (t *Stretch) hover() string {
	s := t.Title
	if s == "" {
		s = t.Label
	}
	if s != "" {
		s += ": "
	}
	s += t.State.String()
	if t.Margin >= 0 && t.State != Lost && t.State != Free {
		s += fmt.Sprintf(", margin %.0f %%", t.Margin*100)
	}
	return s
}

// style is how a stretch is painted.
func (t *Stretch) style(px float64) Style {
	switch t.State {
	case Lost:
		return Style{Fill: Paper, Stroke: Ink, Width: px, Dash: []float64{3 * px, 2 * px}}
	case Free:
		return Style{}
	}
	s := Style{Fill: Hue(t.Margin), Stroke: Soft, Width: 0.5 * px}
	if t.State == Repaired {
		s.Pattern = Hatch
	} else if t.State == Doubtful {
		s.Pattern = Dots
	}
	return s
}

// Ribbon is what passed a head, along one axis.
type Ribbon struct {
	Name      string // left of the ribbon
	Stretches []Stretch
	Note      string // right of the ribbon: "2 lost"
	Href      string // where it leads when it is clicked, in a page
	Title     string // its name then
	Thin      bool   // a quarter as high, close above the next, without words of its stretches: what one read gives alone
	Terse     bool   // good stretches have no words of their own; for pictures of thousands of them
}

// height is the ribbon's where others are h high and gap apart, and the room below it.
func (r *Ribbon) height(h, gap float64) (own, below float64) {
	if r.Thin {
		return math.Max(3, math.Round(h/4)), 1
	}
	return h, gap
}

// Wrap cuts a long ribbon into lines of the given length, each starting again at 0 of the axis; a stretch that
// crosses a line's end is continued on the next. name gives each line its name from where it starts. At most
// maxLines are made, the last one holding what it can.
func (r Ribbon) Wrap(from, to, length float64, name func(at float64) string) []Ribbon {
	const maxLines = 400
	if !(length > 0) || !(to > from) {
		return nil
	}
	n := int(math.Min(math.Ceil((to-from)/length-1e-9), maxLines))
	out := make([]Ribbon, n)
	for i := range out {
		out[i].Name = name(from + float64(i)*length)
	}
	for _, t := range r.Stretches {
		if !finite(t.From, t.To) || t.To <= from || t.From >= to {
			continue
		}
		first, last := int(math.Max(0, (t.From-from)/length)), int(math.Max(0, (t.To-from)/length))
		for i := first; i <= last && i < n; i++ {
			start := from + float64(i)*length
			p := t
			p.From, p.To = math.Max(t.From-start, 0), math.Min(t.To-start, length)
			if i > first {
				p.Label = ""
			}
			if p.To > p.From {
				out[i].Stretches = append(out[i].Stretches, p)
			}
		}
	}
	return out
}

// Axis is the measure along which ribbons and curves are drawn.
type Axis struct {
	From, To float64
	Unit     string                 // "s", "turn", "byte"
	Label    string                 // what is measured: "angle from the index"
	Ticks    []float64              // nil: round numbers
	Format   func(v float64) string // nil: the shortest number
}

func (a Axis) ticks(room float64) []float64 {
	if a.Ticks != nil {
		return a.Ticks
	}
	if a.Unit == "°" && a.From == 0 && a.To == 360 { // a circle is not decimal
		return []float64{0, 45, 90, 135, 180, 225, 270, 315, 360}
	}
	return RoundTicks(a.From, a.To, max(2, int(room/80)))
}

func (a Axis) text(v float64) string {
	if a.Format != nil {
		return a.Format(v)
	}
	return fmt.Sprintf("%.6g", v)
}

// caption is label and unit: "time (s)".
func (a Axis) caption() string {
	switch {
	case a.Label == "":
		return a.Unit
	case a.Unit == "":
		return a.Label
	}
	return a.Label + " (" + a.Unit + ")"
}

// RoundTicks gives at most about n round numbers between from and to.
func RoundTicks(from, to float64, n int) []float64 {
	span := to - from
	if !(span > 0) || !finite(from, to) || n < 1 {
		return nil
	}
	step := math.Pow(10, math.Floor(math.Log10(span/float64(n))))
	for _, m := range []float64{1, 2, 5, 10} {
		if span/(step*m) <= float64(n) {
			step *= m
			break
		}
	}
	var out []float64
	for i := math.Ceil(from/step - 1e-9); i*step <= to+step*1e-9 && len(out) < 200; i++ {
		out = append(out, i*step+0) // +0: no negative zero
	}
	return out
}

// Stack is several ribbons on one axis: the cylinders of a disk, the lines of a tape side.
type Stack struct {
	Title, Desc string
	Axis        Axis
	Ribbons     []Ribbon
	Width       float64 // of the picture in px; 0: 960
	Height      float64 // of a ribbon; 0: 14
	Gap         float64 // between ribbons; 0: 4
	NameEvery   int     // name every n-th ribbon; 0: as many as have room
	Legend      bool    // explain states and the margin hue below
	NoAxis      bool
}

// Draw makes the picture.
func (s *Stack) Draw() *Canvas {
	const size, pad = 11.0, 8.0
	width, h, gap := s.Width, s.Height, s.Gap
	if width == 0 {
		width = 960
	}
	if h == 0 {
		h = 14
	}
	if gap == 0 {
		gap = 4
	}
	left, right := 0.0, 0.0
	for _, r := range s.Ribbons {
		left = math.Max(left, TextWidth(Printable(r.Name), size, Sans))
		right = math.Max(right, TextWidth(Printable(r.Note), size, Sans))
	}
	left, right = math.Min(left, width/4)+pad, math.Min(right, width/4)+pad
	every := s.NameEvery
	if every == 0 {
		every = int(math.Ceil(size / (h + gap)))
	}
	top := 6.0
	bottom := 6.0
	if !s.NoAxis {
		bottom = 34
	}
	body := 0.0
	for i := range s.Ribbons {
		own, below := s.Ribbons[i].height(h, gap)
		body += own + below
	}
	lg := 0.0
	c := New(width, 0, Px)
	c.Title, c.Desc = s.Title, s.Desc
	if s.Legend {
		lg = 8 + c.legend(left, top+body+bottom+8, width-left, s.used())
	}
	c.Height = top + body + bottom + lg
	x0, x1 := left, width-right
	at := func(v float64) float64 {
		if s.Axis.To == s.Axis.From {
			return x0
		}
		return x0 + (v-s.Axis.From)/(s.Axis.To-s.Axis.From)*(x1-x0)
	}
	y := top
	for i, r := range s.Ribbons {
		h, below := r.height(h, gap)
		base := y + h/2 + size*0.36
		if i%every == 0 {
			c.Text(x0-pad, base, Shorten(r.Name, left-pad, size, Sans), TextStyle{Size: size, Colour: Soft, Anchor: End})
		}
		draw := func() { c.ribbon(r, x0, y, x1-x0, h, at) }
		if r.Href != "" {
			c.Link(r.Href, r.Title, func() {
				c.Rect(x0, y-below/2, x1-x0, h+below, Style{Fill: Paper}) // what is clicked must be painted
				draw()
			})
		} else {
			draw()
		}
		c.Text(x1+pad, base, Shorten(r.Note, right, size, Sans), TextStyle{Size: size, Colour: Soft})
		y += h + below
	}
	if !s.NoAxis {
		c.axis(s.Axis, x0, x1, top+body+2, at)
	}
	return c
}

// used says which states a legend must explain.
func (s *Stack) used() (states [5]bool) {
	for _, r := range s.Ribbons {
		for _, t := range r.Stretches {
			if int(t.State) < len(states) {
				states[t.State] = true
			}
		}
	}
	return states
}

// ribbon draws the lane and what lies on it.
func (c *Canvas) ribbon(r Ribbon, x, y, w, h float64, at func(float64) float64) {
	px := c.px()
	c.Rect(x, y+h/2-0.5*px, w, px, Style{Fill: Rule}) // the lane
	var plain [7]*Path                                // of a terse ribbon: good stretches by hue
	var doubtful, lost *Path                          // of a thin one
	for i := range r.Stretches {
		t := &r.Stretches[i]
		if !finite(t.From, t.To) {
			continue
		}
		a, b := math.Max(at(math.Min(t.From, t.To)), x), math.Min(at(math.Max(t.From, t.To)), x+w)
		if b < x || a > x+w {
			continue
		}
		if b-a < px {
			b = a + px // nothing that matters is invisible
		}
		st := t.style(px)
		if st.Fill == None && t.Title == "" && t.Label == "" {
			continue
		}
		if r.Thin && (t.State == Doubtful || t.State == Lost) {
			to := &doubtful
			if t.State == Lost {
				to = &lost
			}
			if *to == nil {
				*to = &Path{}
			}
			(*to).Rect(a+px/2, y+px/2, math.Max(b-a-px, 0), h-px)
			continue
		}
		if (r.Terse || r.Thin) && t.State == Good && t.Label == "" && t.Href == "" {
			k := Hue(t.Margin) - Hue0
			if r.Thin {
				k = max(k, 1) // it has no outline: the palest step would be lost on paper
			}
			if plain[k] == nil {
				plain[k] = &Path{}
			}
			if r.Thin {
				plain[k].MoveTo(a, y+h/2)
				plain[k].LineTo(b, y+h/2)
				continue
			}
			plain[k].Rect(a, y, b-a, h)
			continue
		}
		group := c.Group
		if t.Href != "" {
			group = func(title string, draw func()) { c.Link(t.Href, title, draw) }
		}
		group(t.hover(), func() {
			if t.State == Lost {
				c.Rect(a+px/2, y+px/2, math.Max(b-a-px, 0), h-px, st)
			} else if st.Fill != None {
				c.Rect(a, y, b-a, h, st)
			}
			if t.Label == "" {
				return
			}
			size := math.Min(10*px, h*0.72)
			text := t.Label
			if wide := TextWidth(Printable(text), size, Sans); wide > b-a-4*px {
				if b-a < 28*px {
					return
				}
				text = Shorten(text, b-a-4*px, size, Sans)
			}
			ink := st.Fill.over()
			if st.Pattern != Plain { // letters would drown in the pattern: give them their own ground
				tw := TextWidth(Printable(text), size, Sans)
				c.Rect((a+b-tw)/2-2*px, y+px, tw+4*px, h-2*px, Style{Fill: st.Fill})
			}
			c.Text((a+b)/2, y+h/2+size*0.36, text, TextStyle{Size: size, Colour: ink, Anchor: Middle})
		})
	}
	if doubtful != nil {
		c.Path(doubtful, Style{Fill: Hue1, Stroke: Soft, Width: 0.5 * px, Pattern: Dots})
	}
	if lost != nil {
		c.Path(lost, Style{Fill: Paper, Stroke: Ink, Width: px, Dash: []float64{3 * px, 2 * px}})
	}
	for k, p := range plain {
		switch {
		case p == nil:
		case r.Thin:
			c.Path(p, Style{Stroke: Hue0 + Colour(k), Width: h})
		default:
			c.Path(p, Style{Fill: Hue0 + Colour(k), Stroke: Soft, Width: 0.5 * px})
		}
	}
}

// axis draws ticks, numbers and the caption below a picture, 32 px high.
func (c *Canvas) axis(a Axis, x0, x1, y float64, at func(float64) float64) {
	px := c.px()
	size := 11 * px
	c.Line(x0, y, x1, y, Style{Stroke: Soft, Width: px})
	last := math.Inf(-1)
	end := x1
	cap := a.caption()
	if cap != "" {
		end = x1 - TextWidth(Printable(cap), size, Sans) - 12*px
		c.Text(x1, y+17*px+12*px*b2f(end < x0+(x1-x0)/2), cap, TextStyle{Size: size, Colour: Soft, Anchor: End})
		if end < x0+(x1-x0)/2 { // a narrow picture: the caption has its own line
			end = x1 + 20*px
		}
	}
	for _, v := range a.ticks((x1 - x0) / px) {
		x := at(v)
		if x < x0-0.01 || x > x1+0.01 {
			continue
		}
		c.Line(x, y, x, y+5*px, Style{Stroke: Soft, Width: px})
		t := a.text(v)
		w := TextWidth(Printable(t), size, Sans)
		anchor, lo := Middle, x-w/2
		if lo < x0-2*px {
			anchor, lo = Start, x
		}
		if lo < last+4*px || lo+w > end {
			continue
		}
		last = lo + w
		c.Text(x, y+17*px, t, TextStyle{Size: size, Colour: Ink, Anchor: anchor})
	}
}

func b2f(b bool) float64 {
	if b {
		return 1
	}
	return 0
}

// legend explains the states in use and the margin hue; it gives back its height.
func (c *Canvas) legend(x, y, width float64, used [5]bool) float64 {
	px := c.px()
	size := 11 * px
	line := 20 * px
	x0, y0 := x, y
	advance := func(w float64) {
		if x > x0 && x+w > x0+width {
			x, y = x0, y+line
		}
	}
	measured := used[Good] || used[Repaired] || used[Doubtful]
	if measured {
		w := TextWidth("margin: none left ", size, Sans) + 7*16*px + TextWidth(" ample", size, Sans) + 24*px
		advance(w)
		t := "margin: none left"
		c.Text(x, y+11*px, t, TextStyle{Size: size, Colour: Soft})
		x += TextWidth(t, size, Sans) + 6*px
		for i := range 7 {
			c.Rect(x, y+px, 16*px, 12*px, Style{Fill: Hue0 + Colour(i), Stroke: Soft, Width: 0.5 * px})
			x += 16 * px
		}
		c.Text(x+6*px, y+11*px, "ample", TextStyle{Size: size, Colour: Soft})
		x += 6*px + TextWidth("ample", size, Sans) + 24*px
	}
	for st := Good; st <= Lost; st++ {
		if !used[st] {
			continue
		}
		word := st.String()
		w := 28*px + 6*px + TextWidth(word, size, Sans) + 20*px
		advance(w)
		t := Stretch{Margin: 0.5, State: st}
		c.Rect(x, y+px, 28*px, 12*px, t.style(px))
		c.Text(x+34*px, y+11*px, word, TextStyle{Size: size, Colour: Soft})
		x += w
	}
	return y + line - y0
}

// terminalSteps are the characters of a ribbon in a terminal, from no margin to ample.
const terminalSteps = ".:-=+*#"

// Line draws a ribbon as one line of width characters: one of .:-=+*# by the least margin in the column, 'x' for
// what is lost, '?' for what is doubtful, '~' for what was repaired, a blank where nothing is. The worst thing in a
// column is what it shows.
func (r Ribbon) Line(from, to float64, width int) string {
	if width < 1 || width > 10000 || !(to > from) {
		return ""
	}
	type cell struct {
		state  State
		margin float64
		set    bool
	}
	cells := make([]cell, width)
	for _, t := range r.Stretches {
		if t.State == Free || !finite(t.From, t.To) || t.To <= from || t.From >= to {
			continue
		}
		a := max(0, int((t.From-from)/(to-from)*float64(width)+1e-9))
		b := min(width-1, int(math.Ceil((t.To-from)/(to-from)*float64(width)-1e-9))-1)
		for i := a; i <= max(a, b) && i < width; i++ {
			q := &cells[i]
			m := t.Margin
			if !(m >= 0) {
				m = 1
			}
			if !q.set || t.State > q.state {
				q.state = t.State
			}
			if !q.set || m < q.margin {
				q.margin = m
			}
			q.set = true
		}
	}
	out := make([]byte, width)
	for i, q := range cells {
		switch {
		case !q.set:
			out[i] = ' '
		case q.state == Lost:
			out[i] = 'x'
		case q.state == Doubtful:
			out[i] = '?'
		case q.state == Repaired:
			out[i] = '~'
		default:
			out[i] = terminalSteps[min(6, int(q.margin*7))]
		}
	}
	return string(out)
}

// LineKey explains the characters of Line.
const LineKey = "margin .:-=+*# (little to ample)   ~ repaired   ? doubtful   x lost"
