package picture

import "math"

type segKind uint8

const (
	segMove segKind = iota
	segLine
	segCurve // cubic
	segClose
)

type seg struct {
	kind segKind
	p    [3]Point // the last one in use is where the segment ends
}

// Path is an outline of straight and curved pieces. Numbers that are not finite are left out.
type Path struct{ segs []seg }

// MoveTo begins a new piece.
func (p *Path) MoveTo(x, y float64) { p.add(segMove, Point{x, y}) }

// LineTo draws straight on.
func (p *Path) LineTo(x, y float64) { p.add(segLine, Point{x, y}) }

// CurveTo draws a cubic curve to x, y with two control points.
func (p *Path) CurveTo(x1, y1, x2, y2, x, y float64) {
	p.add(segCurve, Point{x1, y1}, Point{x2, y2}, Point{x, y})
}

// Close goes back to the start of the piece.
func (p *Path) Close() { p.segs = append(p.segs, seg{kind: segClose}) }

// Rect adds a rectangle as its own piece.
func (p *Path) Rect(x, y, w, h float64) {
	p.MoveTo(x, y)
	p.LineTo(x+w, y)
	p.LineTo(x+w, y+h)
	p.LineTo(x, y+h)
	p.Close()
}

// Arc adds a part of a circle from angle a0 to a1 (radians, clockwise from the right), as its own piece if the path
// is empty, else joined to it by a line.
func (p *Path) Arc(cx, cy, r, a0, a1 float64) {
	n := int(math.Ceil(math.Abs(a1-a0)/(math.Pi/2) - 1e-9))
	if n < 1 || n > 1000 || !finite(cx, cy, r, a0, a1) {
		return
	}
	x, y := cx+r*math.Cos(a0), cy+r*math.Sin(a0)
	if len(p.segs) == 0 {
		p.MoveTo(x, y)
	} else {
		p.LineTo(x, y)
	}
	d := (a1 - a0) / float64(n)
	k := 4.0 / 3 * math.Tan(d/4) * r
	for i := range n {
		s, e := a0+float64(i)*d, a0+float64(i+1)*d
		p.CurveTo(cx+r*math.Cos(s)-k*math.Sin(s), cy+r*math.Sin(s)+k*math.Cos(s),
			cx+r*math.Cos(e)+k*math.Sin(e), cy+r*math.Sin(e)-k*math.Cos(e),
			cx+r*math.Cos(e), cy+r*math.Sin(e))
	}
}

func (p *Path) add(k segKind, pts ...Point) {
	s := seg{kind: k}
	for i, q := range pts {
		if !finite(q.X, q.Y) {
			return
		}
		s.p[i] = q
	}
	if k != segMove && len(p.segs) == 0 {
		return
	}
	p.segs = append(p.segs, s)
}

func (p *Path) moved(ox, oy, scale float64) *Path {
	q := &Path{segs: make([]seg, len(p.segs))}
	for i, s := range p.segs {
		for j := range s.p {
			s.p[j] = Point{ox + s.p[j].X*scale, oy + s.p[j].Y*scale}
		}
		q.segs[i] = s
	}
	return q
}

// flat is a piece of a path as straight lines.
type flat struct {
	pts    []Point
	closed bool
}

// flatten replaces curves by lines that stay within tol of them.
func (p *Path) flatten(tol float64) []flat {
	var out []flat
	var cur flat
	end := func() {
		if len(cur.pts) > 1 || (len(cur.pts) == 1 && cur.closed) {
			out = append(out, cur)
		}
		cur = flat{}
	}
	for _, s := range p.segs {
		switch s.kind {
		case segMove:
			end()
			cur.pts = append(cur.pts, s.p[0])
		case segLine:
			cur.pts = append(cur.pts, s.p[0])
		case segCurve:
			if len(cur.pts) == 0 {
				continue
			}
			a := cur.pts[len(cur.pts)-1]
			span := math.Hypot(s.p[0].X-a.X, s.p[0].Y-a.Y) + math.Hypot(s.p[1].X-s.p[0].X, s.p[1].Y-s.p[0].Y) +
				math.Hypot(s.p[2].X-s.p[1].X, s.p[2].Y-s.p[1].Y)
			n := int(math.Ceil(math.Sqrt(span/tol) / 2)) // a chord of an arc of length l is off by about l*l/8r
			n = min(max(n, 2), 200)
			for i := 1; i <= n; i++ {
				t := float64(i) / float64(n)
				u := 1 - t
				b0, b1, b2, b3 := u*u*u, 3*u*u*t, 3*u*t*t, t*t*t
				cur.pts = append(cur.pts, Point{
					b0*a.X + b1*s.p[0].X + b2*s.p[1].X + b3*s.p[2].X,
					b0*a.Y + b1*s.p[0].Y + b2*s.p[1].Y + b3*s.p[2].Y,
				})
			}
		case segClose:
			if len(cur.pts) > 0 {
				start := cur.pts[0]
				cur.closed = true
				end()
				cur.pts = append(cur.pts, start)
			}
		}
	}
	if len(cur.pts) > 1 {
		end()
	}
	return out
}
