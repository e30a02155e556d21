package picture

import (
	"bytes"
	"fmt"
	"io"
	"math"
	"time"

	"codeberg.org/go-pdf/fpdf"
)

// PDFMeta is what a PDF says of itself.
type PDFMeta struct {
	Title   string
	Creator string
	Theme   *Theme    // nil: Light
	Date    time.Time // zero: a fixed day, so that the same pages give the same bytes
}

// PDF writes pages, each as large as its canvas, with the typefaces embedded. The same pages give the same bytes.
func PDF(w io.Writer, pages []*Canvas, meta PDFMeta) error {
	if len(pages) == 0 {
		return fmt.Errorf("pdf: no pages")
	}
	f := fpdf.NewCustom(&fpdf.InitType{UnitStr: "mm", Size: fpdf.SizeType{Wd: 210, Ht: 297}})
	f.SetMargins(0, 0, 0)
	f.SetAutoPageBreak(false, 0)
	f.SetCatalogSort(true)
	date := meta.Date
	if date.IsZero() {
		date = time.Date(1980, 1, 1, 0, 0, 0, 0, time.UTC)
	}
	f.SetCreationDate(date)
	f.SetModificationDate(date)
	f.SetTitle(meta.Title, true)
	f.SetCreator(meta.Creator, true)
	f.SetProducer("", false)
	f.SetLang("en")
	used := [faces]bool{}
	for _, c := range pages {
		for _, o := range c.ops {
			if o.kind == opText {
				used[o.ts.Face%faces] = true
			}
		}
	}
	for i, u := range used {
		if u {
			// a copy: the library renumbers composite glyphs in the bytes it is given
			f.AddUTF8FontFromBytes(faceNames[i], "", bytes.Clone(Face(i).TTF()))
		}
	}
	t := meta.Theme
	if t == nil {
		t = Light
	}
	for _, c := range pages {
		k := 1.0
		if c.Unit == Px {
			k = 25.4 / 96
		}
		orientation := "P"
		if c.Width > c.Height { // fpdf swaps the sides of what it takes for landscape
			f.AddPageFormat("L", fpdf.SizeType{Wd: c.Height * k, Ht: c.Width * k})
		} else {
			f.AddPageFormat(orientation, fpdf.SizeType{Wd: c.Width * k, Ht: c.Height * k})
		}
		p := &pdfPage{f: f, c: c, k: k, t: t}
		p.draw()
	}
	return f.Output(w)
}

var faceNames = [faces]string{"sans", "bold", "mono"}

type pdfPage struct {
	f *fpdf.Fpdf
	c *Canvas
	k float64 // mm to a unit
	t *Theme
}

func (p *pdfPage) draw() {
	var ends []bool // whether an end closes a clip
	for _, o := range p.c.ops {
		switch o.kind {
		case opRect:
			p.path(rectPath(o), o.style)
		case opPath:
			p.path(o.path, o.style)
		case opText:
			p.text(o)
		case opGroup:
			ends = append(ends, false)
		case opClip:
			p.f.ClipRect(o.x*p.k, o.y*p.k, o.w*p.k, o.h*p.k, false)
			ends = append(ends, true)
		case opEnd:
			if n := len(ends); n > 0 {
				if ends[n-1] {
					p.f.ClipEnd()
				}
				ends = ends[:n-1]
			}
		}
	}
}

func (p *pdfPage) path(path *Path, s Style) {
	mode := ""
	if s.Fill != None {
		v := p.t.RGBA(s.Fill)
		p.f.SetFillColor(int(v.R), int(v.G), int(v.B))
		mode = "F"
	}
	if s.Stroke != None {
		v := p.t.RGBA(s.Stroke)
		p.f.SetDrawColor(int(v.R), int(v.G), int(v.B))
		p.f.SetLineWidth(s.Width * p.k)
		d := make([]float64, len(s.Dash))
		for i := range d {
			d[i] = s.Dash[i] * p.k
		}
		p.f.SetDashPattern(d, 0)
		mode += "D"
	}
	if mode == "" {
		return
	}
	if s.Pattern != Plain && s.Fill != None { // fill, pattern, outline
		p.trace(path)
		p.f.DrawPath("F")
		p.pattern(path, s)
		if s.Stroke == None {
			return
		}
		mode = "D"
	}
	p.trace(path)
	p.f.DrawPath(mode)
}

func (p *pdfPage) trace(path *Path) {
	k := p.k
	for _, s := range path.segs {
		switch s.kind {
		case segMove:
			p.f.MoveTo(s.p[0].X*k, s.p[0].Y*k)
		case segLine:
			p.f.LineTo(s.p[0].X*k, s.p[0].Y*k)
		case segCurve:
			p.f.CurveBezierCubicTo(s.p[0].X*k, s.p[0].Y*k, s.p[1].X*k, s.p[1].Y*k, s.p[2].X*k, s.p[2].Y*k)
		case segClose:
			p.f.ClosePath()
		}
	}
}

// pattern draws lines or dots inside each piece of the path; tiles of 4 CSS px, as in SVG and PNG.
func (p *pdfPage) pattern(path *Path, s Style) {
	v := p.t.RGBA(s.PatternInk)
	u := p.c.px() * p.k
	for _, l := range path.moved(0, 0, p.k).flatten(0.05) {
		if len(l.pts) < 3 {
			continue
		}
		x0, y0, x1, y1 := math.Inf(1), math.Inf(1), math.Inf(-1), math.Inf(-1)
		pts := make([]fpdf.PointType, len(l.pts))
		for i, q := range l.pts {
			pts[i] = fpdf.PointType{X: q.X, Y: q.Y}
			x0, x1, y0, y1 = math.Min(x0, q.X), math.Max(x1, q.X), math.Min(y0, q.Y), math.Max(y1, q.Y)
		}
		t := 4 * u
		if (x1-x0)*(y1-y0)/t/t > 200_000 {
			continue
		}
		p.f.ClipPolygon(pts, false)
		if s.Pattern == Hatch {
			p.f.SetDrawColor(int(v.R), int(v.G), int(v.B))
			p.f.SetLineWidth(u)
			p.f.SetDashPattern(nil, 0)
			for sum := math.Floor((x0+y0)/t) * t; sum <= x1+y1; sum += t { // lines x + y = sum
				p.f.Line(sum-y1, y1, sum-y0, y0)
			}
		} else {
			p.f.SetFillColor(int(v.R), int(v.G), int(v.B))
			for y := math.Floor(y0/t)*t + t/2; y <= y1+u; y += t {
				for x := math.Floor(x0/t)*t + t/2; x <= x1+u; x += t {
					p.f.Circle(x, y, u, "F")
				}
			}
		}
		p.f.ClipEnd()
	}
	if s.Stroke != None {
		v := p.t.RGBA(s.Stroke)
		p.f.SetDrawColor(int(v.R), int(v.G), int(v.B))
		p.f.SetLineWidth(s.Width * p.k)
		d := make([]float64, len(s.Dash))
		for i := range d {
			d[i] = s.Dash[i] * p.k
		}
		p.f.SetDashPattern(d, 0)
	}
}

func (p *pdfPage) text(o op) {
	v := p.t.RGBA(o.ts.Colour)
	size := o.ts.Size * p.k
	p.f.SetTextColor(int(v.R), int(v.G), int(v.B))
	p.f.SetFont(faceNames[o.ts.Face%faces], "", size*72/25.4)
	x, y := o.x*p.k, o.y*p.k
	w := TextWidth(o.text, size, o.ts.Face)
	dx := 0.0
	switch o.ts.Anchor {
	case Middle:
		dx = -w / 2
	case End:
		dx = -w
	}
	if o.ts.Turn != 0 {
		p.f.TransformBegin()
		p.f.TransformRotate(-o.ts.Turn, x, y)
	}
	p.f.Text(x+dx, y, o.text)
	if o.ts.Turn != 0 {
		p.f.TransformEnd()
	}
}
