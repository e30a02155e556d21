// Package picture is the project's drawing room: one canvas, written as SVG, PNG or PDF, and on it the pictures that
// page, report, damage map, tape timeline and labels share.
//
// A canvas is a list of marks, not of pixels. Every mark names its colour by role (Ink, Rule, Oxide, a step of the
// margin hue), never by value, so that the same list is a light page, a dark page and a one-colour print. Coordinates
// are px or millimetres from the top left corner. Text is laid out with the metrics of DejaVu Sans, which is wider
// than the system fonts a page may show instead: what fits here fits there.
//
// The one picture everything else is made of is the ribbon: what passes a head, along its own axis. A stretch of
// ribbon has a margin (how far the decision was from going wrong, 0..1: lightness of one hue) and a state (a pattern
// and a word, so that nothing depends on colour).
//
// Worked example: a track of ten sectors, the fourth of which needed a repair.
//
//	s := picture.Stack{Title: "Cylinder 17", Axis: picture.Axis{To: 1, Unit: "turn"}}
//	r := picture.Ribbon{Name: "c17 h0"}
//	for i := range 10 {
//		st := picture.Stretch{From: float64(i) / 10, To: float64(i)/10 + 0.09, Margin: 0.8, Title: fmt.Sprintf("sector %d", i)}
//		if i == 3 {
//			st.State, st.Margin = picture.Repaired, 0.1
//		}
//		r.Stretches = append(r.Stretches, st)
//	}
//	s.Ribbons = []picture.Ribbon{r}
//	s.Draw().SVG(w, picture.SVGOptions{})
package picture

import "math"

// Unit is what a canvas counts in.
type Unit uint8

const (
	Px Unit = iota // CSS pixels, 1/96 inch
	MM             // millimetres
)

// Point is a place on a canvas.
type Point struct{ X, Y float64 }

// Style says how a shape is filled and outlined; the zero Style draws nothing.
type Style struct {
	Fill       Colour
	Stroke     Colour
	Width      float64   // of the stroke, in canvas units; 0: 1 px or 0.2 mm
	Dash       []float64 // on, off, on, ... in canvas units
	Pattern    Pattern   // drawn over the fill
	PatternInk Colour    // None: dark on pale fills, pale on dark ones
}

// Pattern is laid over a fill so that states differ without colour.
type Pattern uint8

const (
	Plain Pattern = iota
	Hatch         // fine diagonal lines: repaired
	Dots          // doubtful
)

// Anchor is the side of a text its place belongs to.
type Anchor uint8

const (
	Start Anchor = iota
	Middle
	End
)

// TextStyle says how a text is set.
type TextStyle struct {
	Size   float64 // of the type, in canvas units; 0: 12 px or 3 mm
	Colour Colour  // None: Ink
	Face   Face
	Anchor Anchor
	Turn   float64 // degrees clockwise about the place
}

type opKind uint8

const (
	opPath opKind = iota
	opRect
	opText
	opGroup // begins a group with a title
	opClip  // begins a group clipped to a rectangle
	opEnd
)

type op struct {
	kind       opKind
	style      Style
	path       *Path
	x, y, w, h float64
	r          float64 // corner radius of a rectangle
	text       string  // of a text, or the title of a group
	href       string  // of a group that leads elsewhere
	ts         TextStyle
}

// Canvas is a picture under construction. It is not safe for use by several goroutines at once.
type Canvas struct {
	Width, Height float64
	Unit          Unit
	Title, Desc   string // for people who hear the page; Title is also shown on hover
	Background    Colour // of SVG files and PNG; None leaves SVG transparent and PNG on Paper

	ops    []op
	ox, oy float64 // where marks are placed (see Within)
	scale  float64
}

// New is an empty canvas of the given size.
func New(width, height float64, u Unit) *Canvas {
	return &Canvas{Width: width, Height: height, Unit: u, Background: Paper, scale: 1}
}

// px is the size of one CSS pixel in canvas units, for the defaults.
func (c *Canvas) px() float64 {
	if c.Unit == MM {
		return 25.4 / 96
	}
	return 1
}

func (c *Canvas) add(o op) {
	o.x, o.y = c.ox+o.x*c.scale, c.oy+o.y*c.scale
	o.w, o.h, o.r = o.w*c.scale, o.h*c.scale, o.r*c.scale
	if o.style.Width == 0 {
		o.style.Width = c.px()
		if c.Unit == MM {
			o.style.Width = 0.2
		}
	} else {
		o.style.Width *= c.scale
	}
	if c.scale != 1 && o.style.Dash != nil {
		d := make([]float64, len(o.style.Dash))
		for i, v := range o.style.Dash {
			d[i] = v * c.scale
		}
		o.style.Dash = d
	}
	if o.style.Pattern != Plain && o.style.PatternInk == None {
		o.style.PatternInk = o.style.Fill.over()
	}
	if o.path != nil && (c.ox != 0 || c.oy != 0 || c.scale != 1) {
		o.path = o.path.moved(c.ox, c.oy, c.scale)
	}
	if o.ts.Size == 0 {
		o.ts.Size = 12
		if c.Unit == MM {
			o.ts.Size = 3
		}
	}
	o.ts.Size *= c.scale
	if o.ts.Colour == None {
		o.ts.Colour = Ink
	}
	c.ops = append(c.ops, o)
}

// Rect draws a rectangle; x, y is its top left corner.
func (c *Canvas) Rect(x, y, w, h float64, s Style) { c.RoundRect(x, y, w, h, 0, s) }

// RoundRect draws a rectangle with corners of radius r.
func (c *Canvas) RoundRect(x, y, w, h, r float64, s Style) {
	if w < 0 {
		x, w = x+w, -w
	}
	if h < 0 {
		y, h = y+h, -h
	}
	if !finite(x, y, w, h, r) {
		return
	}
	c.add(op{kind: opRect, x: x, y: y, w: w, h: h, r: math.Min(r, math.Min(w, h)/2), style: s})
}

// Line draws a straight line.
func (c *Canvas) Line(x1, y1, x2, y2 float64, s Style) {
	c.Polyline([]Point{{x1, y1}, {x2, y2}}, s)
}

// Polyline draws an open line through the points.
func (c *Canvas) Polyline(pts []Point, s Style) {
	if len(pts) < 2 {
		return
	}
	p := &Path{}
	for i, q := range pts {
		if i == 0 {
			p.MoveTo(q.X, q.Y)
		} else {
			p.LineTo(q.X, q.Y)
		}
	}
	c.Path(p, s)
}

// Circle draws a circle.
func (c *Canvas) Circle(cx, cy, r float64, s Style) {
	p := &Path{}
	p.Arc(cx, cy, r, 0, 2*math.Pi)
	p.Close()
	c.Path(p, s)
}

// Path draws any outline; the path is copied.
func (c *Canvas) Path(p *Path, s Style) {
	if p == nil || len(p.segs) == 0 {
		return
	}
	q := p.moved(0, 0, 1)
	c.add(op{kind: opPath, path: q, style: s})
}

// Text sets one line; x, y is on its base line. Runes the typeface lacks are replaced visibly (see Printable).
func (c *Canvas) Text(x, y float64, s string, t TextStyle) {
	if s == "" || !finite(x, y) {
		return
	}
	c.add(op{kind: opText, x: x, y: y, text: Printable(s), ts: t})
}

// Group draws a group; title is shown on hover and read aloud. "" makes a plain group.
func (c *Canvas) Group(title string, draw func()) {
	c.ops = append(c.ops, op{kind: opGroup, text: title})
	draw()
	c.ops = append(c.ops, op{kind: opEnd})
}

// Link draws a group that leads elsewhere when it is clicked, where the picture stands in a page; elsewhere it is a plain
// group. title is its name.
func (c *Canvas) Link(href, title string, draw func()) {
	c.ops = append(c.ops, op{kind: opGroup, text: title, href: href})
	draw()
	c.ops = append(c.ops, op{kind: opEnd})
}

// Clip draws only what lies in the rectangle.
func (c *Canvas) Clip(x, y, w, h float64, draw func()) {
	c.add(op{kind: opClip, x: x, y: y, w: w, h: h})
	draw()
	c.ops = append(c.ops, op{kind: opEnd})
}

// Within draws with its own origin at x, y and every length times scale.
func (c *Canvas) Within(x, y, scale float64, draw func()) {
	ox, oy, sc := c.ox, c.oy, c.scale
	c.ox, c.oy, c.scale = c.ox+x*c.scale, c.oy+y*c.scale, c.scale*scale
	draw()
	c.ox, c.oy, c.scale = ox, oy, sc
}

// Place copies another picture in, its top left corner at x, y.
func (c *Canvas) Place(p *Canvas, x, y, scale float64) {
	c.Within(x, y, scale, func() {
		for _, o := range p.ops {
			if o.kind == opGroup || o.kind == opEnd {
				c.ops = append(c.ops, o)
				continue
			}
			c.add(o)
		}
	})
}

func finite(v ...float64) bool {
	for _, f := range v {
		if math.IsNaN(f) || math.IsInf(f, 0) {
			return false
		}
	}
	return true
}
