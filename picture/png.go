package picture

import (
	"fmt"
	"image"
	"image/color"
	"image/draw"
	"image/png"
	"io"
	"math"

	"golang.org/x/image/font/sfnt"
	"golang.org/x/image/vector"
)

// maxPixels bounds a PNG: a wall-sized picture of a whole disk is a tenth of it.
const maxPixels = 120 << 20

// PNG writes the picture with scale pixels to a canvas unit (96-dpi px: 1; millimetres at 300 dpi: 300/25.4).
func (c *Canvas) PNG(w io.Writer, scale float64, t *Theme) error {
	m, err := c.Image(scale, t)
	if err != nil {
		return err
	}
	return png.Encode(w, m)
}

// Image draws the picture, anti-aliased.
func (c *Canvas) Image(scale float64, t *Theme) (*image.RGBA, error) {
	wf, hf := math.Ceil(c.Width*scale), math.Ceil(c.Height*scale)
	if !(wf >= 1 && hf >= 1 && wf*hf <= maxPixels) {
		return nil, fmt.Errorf("picture of %.0f x %.0f pixels: want 1 to %d in all", wf, hf, maxPixels)
	}
	if t == nil {
		t = Light
	}
	r := &raster{m: image.NewRGBA(image.Rect(0, 0, int(wf), int(hf))), k: scale, px: c.px() * scale, t: t}
	bg := c.Background
	if bg == None {
		bg = Paper
	}
	draw.Draw(r.m, r.m.Rect, image.NewUniform(t.RGBA(bg)), image.Point{}, draw.Src)
	r.clips = []image.Rectangle{r.m.Rect}
	for _, o := range c.ops {
		switch o.kind {
		case opRect:
			if o.r == 0 && o.style.Pattern == Plain {
				r.box(o.x, o.y, o.x+o.w, o.y+o.h, o.style.Fill)
				o.style.Fill = None
			}
			if o.style.Fill != None || o.style.Stroke != None {
				r.path(rectPath(o), o.style)
			}
		case opPath:
			r.path(o.path, o.style)
		case opText:
			r.text(o)
		case opGroup:
			r.clips = append(r.clips, r.clip())
		case opClip:
			q := image.Rect(int(math.Floor(o.x*r.k)), int(math.Floor(o.y*r.k)), int(math.Ceil((o.x+o.w)*r.k)), int(math.Ceil((o.y+o.h)*r.k)))
			r.clips = append(r.clips, r.clip().Intersect(q))
		case opEnd:
			if len(r.clips) > 1 {
				r.clips = r.clips[:len(r.clips)-1]
			}
		}
	}
	return r.m, nil
}

func rectPath(o op) *Path {
	p := &Path{}
	if o.r == 0 {
		p.Rect(o.x, o.y, o.w, o.h)
		return p
	}
	x0, y0, x1, y1, r := o.x, o.y, o.x+o.w, o.y+o.h, o.r
	p.Arc(x0+r, y0+r, r, math.Pi, 1.5*math.Pi)
	p.Arc(x1-r, y0+r, r, 1.5*math.Pi, 2*math.Pi)
	p.Arc(x1-r, y1-r, r, 0, 0.5*math.Pi)
	p.Arc(x0+r, y1-r, r, 0.5*math.Pi, math.Pi)
	p.Close()
	return p
}

// raster paints on pixels; lengths it takes are canvas units unless said otherwise.
type raster struct {
	m     *image.RGBA
	k     float64 // pixels to a unit
	px    float64 // pixels to a CSS px
	t     *Theme
	clips []image.Rectangle
	vec   vector.Rasterizer
	mask  image.Alpha
}

func (r *raster) clip() image.Rectangle { return r.clips[len(r.clips)-1] }

// box fills an upright rectangle; partly covered pixels at its edges are mixed. This is the common case and needs no
// rasterizer.
func (r *raster) box(x0, y0, x1, y1 float64, c Colour) {
	if c == None {
		return
	}
	x0, y0, x1, y1 = x0*r.k, y0*r.k, x1*r.k, y1*r.k
	cl := r.clip()
	ix0, ix1 := max(cl.Min.X, int(math.Floor(x0))), min(cl.Max.X, int(math.Ceil(x1)))
	iy0, iy1 := max(cl.Min.Y, int(math.Floor(y0))), min(cl.Max.Y, int(math.Ceil(y1)))
	v := r.t.RGBA(c)
	for y := iy0; y < iy1; y++ {
		cy := math.Min(y1, float64(y+1)) - math.Max(y0, float64(y))
		row := r.m.Pix[r.m.PixOffset(0, y):]
		for x := ix0; x < ix1; x++ {
			a := cy * (math.Min(x1, float64(x+1)) - math.Max(x0, float64(x)))
			mix(row[4*x:4*x+4:4*x+4], v, a)
		}
	}
}

// mix lays colour v over a pixel with coverage a of 0..1.
func mix(p []byte, v color.RGBA, a float64) {
	if a >= 0.999 {
		p[0], p[1], p[2], p[3] = v.R, v.G, v.B, 255
		return
	}
	if a <= 0 {
		return
	}
	k := uint32(a*256 + 0.5)
	p[0] = byte((uint32(p[0])*(256-k) + uint32(v.R)*k) >> 8)
	p[1] = byte((uint32(p[1])*(256-k) + uint32(v.G)*k) >> 8)
	p[2] = byte((uint32(p[2])*(256-k) + uint32(v.B)*k) >> 8)
}

func (r *raster) path(p *Path, s Style) {
	if s.Fill == None && s.Stroke == None {
		return
	}
	lines := p.moved(0, 0, r.k).flatten(0.1)
	if s.Fill != None {
		shapes := make([][]Point, len(lines))
		for i, l := range lines {
			shapes[i] = l.pts
		}
		r.fill(shapes, s.Fill, Plain)
		if s.Pattern != Plain && s.PatternInk != None {
			r.fill(shapes, s.PatternInk, s.Pattern)
		}
	}
	if s.Stroke != None {
		r.fill(stroke(lines, math.Max(s.Width*r.k, 0.1), s.Dash, r.k), s.Stroke, Plain)
	}
}

// fill paints polygons given in pixels. Overlapping pieces that turn the same way add up to one; a piece that turns
// the other way is a hole.
func (r *raster) fill(shapes [][]Point, c Colour, pat Pattern) {
	minX, minY, maxX, maxY := math.Inf(1), math.Inf(1), math.Inf(-1), math.Inf(-1)
	for _, s := range shapes {
		for _, p := range s {
			minX, maxX = math.Min(minX, p.X), math.Max(maxX, p.X)
			minY, maxY = math.Min(minY, p.Y), math.Max(maxY, p.Y)
		}
	}
	cl := r.clip()
	if !(maxX >= float64(cl.Min.X) && minX <= float64(cl.Max.X) && maxY >= float64(cl.Min.Y) && minY <= float64(cl.Max.Y)) {
		return
	}
	// The rasterizer clips at its own left and top edges, so its area may be cut down to what can be seen.
	b := image.Rect(max(cl.Min.X, int(math.Floor(minX))), max(cl.Min.Y, int(math.Floor(minY))),
		min(cl.Max.X, int(math.Ceil(maxX))+1), min(cl.Max.Y, int(math.Ceil(maxY))+1))
	if b.Empty() {
		return
	}
	r.vec.Reset(b.Dx(), b.Dy())
	ox, oy := float64(b.Min.X), float64(b.Min.Y)
	for _, s := range shapes {
		if len(s) < 3 {
			continue
		}
		for i, p := range s {
			x, y := float32(p.X-ox), float32(p.Y-oy)
			if i == 0 {
				r.vec.MoveTo(x, y)
			} else {
				r.vec.LineTo(x, y)
			}
		}
		r.vec.ClosePath()
	}
	v := r.t.RGBA(c)
	if pat == Plain {
		r.vec.Draw(r.m, b, image.NewUniform(v), image.Point{})
		return
	}
	n := b.Dx() * b.Dy()
	if cap(r.mask.Pix) < n {
		r.mask.Pix = make([]byte, n)
	}
	r.mask.Pix, r.mask.Stride, r.mask.Rect = r.mask.Pix[:n], b.Dx(), image.Rect(0, 0, b.Dx(), b.Dy())
	clear(r.mask.Pix)
	r.vec.DrawOp = draw.Src
	r.vec.Draw(&r.mask, r.mask.Rect, image.Opaque, image.Point{})
	r.vec.DrawOp = draw.Over
	for y := range b.Dy() {
		for x := range b.Dx() {
			a := float64(r.mask.Pix[y*b.Dx()+x]) / 255
			if a == 0 {
				continue
			}
			i := r.m.PixOffset(b.Min.X+x, b.Min.Y+y)
			mix(r.m.Pix[i:i+4:i+4], v, a*r.pattern(float64(b.Min.X+x)+0.5, float64(b.Min.Y+y)+0.5, pat))
		}
	}
}

// pattern is how much of the pixel around x, y the pattern covers; tiles are 4 CSS px wide, as in SVG.
func (r *raster) pattern(x, y float64, pat Pattern) float64 {
	t := 4 * r.px
	if pat == Dots {
		dx, dy := math.Mod(x, t)-t/2, math.Mod(y, t)-t/2
		return math.Min(1, math.Max(0, r.px+0.5-math.Hypot(dx, dy)))
	}
	d := math.Mod(x+y, t)
	d = math.Min(d, t-d) / math.Sqrt2 // from the nearest line that rises to the right
	return math.Min(1, math.Max(0, r.px/2+0.5-d))
}

// stroke gives the outlines of lines of width w (pixels): a piece for each straight part, all turning the same way,
// and a round join where two meet.
func stroke(lines []flat, w float64, dash []float64, k float64) [][]Point {
	var out [][]Point
	for _, l := range lines {
		pts := l.pts
		if l.closed && len(pts) > 1 && pts[0] != pts[len(pts)-1] {
			pts = append(append([]Point(nil), pts...), pts[0])
		}
		pieces := [][]Point{pts}
		if len(dash) > 0 {
			pieces = dashes(pts, dash, k)
		}
		for _, q := range pieces {
			for i := 1; i < len(q); i++ {
				a, b := q[i-1], q[i]
				dx, dy := b.X-a.X, b.Y-a.Y
				n := math.Hypot(dx, dy)
				if n == 0 {
					continue
				}
				nx, ny := -dy/n*w/2, dx/n*w/2
				out = append(out, []Point{{a.X + nx, a.Y + ny}, {a.X - nx, a.Y - ny}, {b.X - nx, b.Y - ny}, {b.X + nx, b.Y + ny}})
				if (i+1 < len(q) || l.closed && len(dash) == 0) && w > 1.2 {
					out = append(out, disc(b, w/2))
				}
			}
		}
	}
	return out
}

// disc turns the same way as the pieces of stroke.
func disc(at Point, r float64) []Point {
	n := 8 + int(r)
	p := make([]Point, n)
	for i := range p {
		a := -2 * math.Pi * float64(i) / float64(n)
		p[i] = Point{at.X + r*math.Cos(a), at.Y + r*math.Sin(a)}
	}
	return p
}

// dashes cuts a line into the pieces that are drawn; dash is in canvas units.
func dashes(pts []Point, dash []float64, k float64) [][]Point {
	sum := 0.0
	for _, d := range dash {
		sum += math.Abs(d)
	}
	if !(sum*k > 0.5) || len(pts) == 0 {
		return [][]Point{pts}
	}
	var out [][]Point
	cur := []Point{pts[0]}
	i, left := 0, math.Abs(dash[0])*k
	on := true
	for j := 1; j < len(pts); j++ {
		a, b := pts[j-1], pts[j]
		n := math.Hypot(b.X-a.X, b.Y-a.Y)
		for at := 0.0; at < n; {
			step := math.Min(left, n-at)
			at += step
			left -= step
			q := Point{a.X + (b.X-a.X)*at/n, a.Y + (b.Y-a.Y)*at/n}
			if on {
				cur = append(cur, q)
			}
			if left <= 1e-9 {
				if on && len(cur) > 1 {
					out = append(out, cur)
				}
				on = !on
				cur = []Point{q}
				i = (i + 1) % len(dash)
				left = math.Max(math.Abs(dash[i])*k, 1e-6)
			}
			if len(out) > 100_000 {
				return out
			}
		}
	}
	if on && len(cur) > 1 {
		out = append(out, cur)
	}
	return out
}

// text draws the outlines of a line's glyphs.
func (r *raster) text(o op) {
	size := o.ts.Size * r.k
	w := TextWidth(o.text, size, o.ts.Face)
	x := 0.0
	switch o.ts.Anchor {
	case Middle:
		x = -w / 2
	case End:
		x = -w
	}
	sin, cos := math.Sincos(o.ts.Turn * math.Pi / 180)
	px, py := o.x*r.k, o.y*r.k
	em := size / unitsPerEm(o.ts.Face) / 64
	var shapes [][]Point
	for _, ru := range o.text {
		g := o.ts.Face.get(ru)
		p := &Path{}
		at := func(s sfnt.Segment, i int) (float64, float64) {
			gx, gy := x+float64(s.Args[i].X)*em, float64(s.Args[i].Y)*em
			return px + gx*cos - gy*sin, py + gx*sin + gy*cos
		}
		var from Point
		for _, s := range g.segs {
			switch s.Op {
			case sfnt.SegmentOpMoveTo:
				x, y := at(s, 0)
				p.MoveTo(x, y)
				from = Point{x, y}
			case sfnt.SegmentOpLineTo:
				x, y := at(s, 0)
				p.LineTo(x, y)
				from = Point{x, y}
			case sfnt.SegmentOpQuadTo: // as a cubic
				qx, qy := at(s, 0)
				x, y := at(s, 1)
				p.CurveTo(from.X+(qx-from.X)*2/3, from.Y+(qy-from.Y)*2/3, x+(qx-x)*2/3, y+(qy-y)*2/3, x, y)
				from = Point{x, y}
			case sfnt.SegmentOpCubeTo:
				x1, y1 := at(s, 0)
				x2, y2 := at(s, 1)
				x, y := at(s, 2)
				p.CurveTo(x1, y1, x2, y2, x, y)
				from = Point{x, y}
			}
		}
		for _, l := range p.flatten(0.1) {
			shapes = append(shapes, l.pts)
		}
		x += g.advance * size
	}
	r.fill(shapes, o.ts.Colour, Plain)
}

func unitsPerEm(f Face) float64 {
	f.get(' ')
	return typefaces[f%faces].units
}
