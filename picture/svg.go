package picture

import (
	"bufio"
	"io"
	"strconv"
	"strings"
)

// SVGOptions say where an SVG will stand.
type SVGOptions struct {
	Inline bool   // inside an HTML page that has Variables and Classes; no background, no style of its own
	ID     string // a word unique in the page: names of patterns and clips begin with it
	Theme  *Theme // nil: light or dark as the reader prefers; set: that theme alone, without custom properties
	Fluid  bool   // as wide as its place, not its own width
}

// SVG writes the picture as one self-contained SVG document (or element).
func (c *Canvas) SVG(w io.Writer, o SVGOptions) error {
	s := &svgWriter{c: c, o: o, decimals: 2, used: map[string]bool{}, defs: map[string]bool{}}
	if c.Unit == MM {
		s.decimals = 3
	}
	if s.o.ID == "" {
		s.o.ID = "r"
	}
	if !o.Inline && c.Background != None {
		s.rect(op{w: c.Width, h: c.Height, style: Style{Fill: c.Background}})
	}
	s.body()
	b := bufio.NewWriter(w)
	s.head(b)
	b.WriteString(s.b.String())
	b.WriteString("</svg>")
	if !o.Inline {
		b.WriteByte('\n')
	}
	return b.Flush()
}

type svgWriter struct {
	c        *Canvas
	o        SVGOptions
	b        strings.Builder
	decimals int
	used     map[string]bool // class names
	defs     map[string]bool // patterns, "h" or "d" and a class letter
	clips    strings.Builder
	nclip    int
	links    bool
}

func (s *svgWriter) head(b *bufio.Writer) {
	unit := ""
	if s.c.Unit == MM {
		unit = "mm"
	}
	b.WriteString(`<svg xmlns="http://www.w3.org/2000/svg"`)
	if s.o.Fluid {
		b.WriteString(` style="width:100%;height:auto"`)
	}
	b.WriteString(` width="` + s.num(s.c.Width) + unit + `" height="` + s.num(s.c.Height) + unit + `" viewBox="0 0 ` +
		s.num(s.c.Width) + ` ` + s.num(s.c.Height) + `" role="` + s.role() + `" fill="none" font-family="system-ui,'DejaVu Sans',sans-serif"`)
	if s.c.Title != "" && s.c.Desc == "" {
		b.WriteString(` aria-label="` + escape(Printable(s.c.Title)) + `"`)
	} else if s.c.Title != "" {
		b.WriteString(` aria-labelledby="` + s.o.ID + `t ` + s.o.ID + `d"`)
	}
	b.WriteString(">")
	if s.c.Title != "" {
		b.WriteString(`<title id="` + s.o.ID + `t">` + escape(Printable(s.c.Title)) + `</title>`)
	}
	if s.c.Desc != "" {
		b.WriteString(`<desc id="` + s.o.ID + `d">` + escape(Printable(s.c.Desc)) + `</desc>`)
	}
	if !s.o.Inline && s.o.Theme == nil {
		b.WriteString("<style>" + Variables("svg") + classes(s.used) + "</style>")
	}
	if len(s.defs) > 0 || s.nclip > 0 {
		b.WriteString("<defs>")
		s.patterns(b)
		b.WriteString(s.clips.String())
		b.WriteString("</defs>")
	}
}

// role is what the picture is to those who hear the page: one thing, or a group of places to go to.
func (s *svgWriter) role() string {
	if s.links {
		return "group"
	}
	return "img"
}

// patterns are tiles of 4 x 4 px.
func (s *svgWriter) patterns(b *bufio.Writer) {
	u := s.c.px()
	for _, kind := range "hd" {
		for c := Paper; c < colours; c++ {
			name := string(kind) + classLetters[c:c+1]
			if !s.defs[name] {
				continue
			}
			b.WriteString(`<pattern id="` + s.o.ID + name + `" width="` + s.num(4*u) + `" height="` + s.num(4*u) + `" patternUnits="userSpaceOnUse">`)
			if kind == 'h' {
				b.WriteString(`<path ` + s.stroke(c) + ` stroke-width="` + s.num(u) + `" d="` + s.d(hatchTile(4*u)) + `"/>`)
			} else {
				b.WriteString(`<circle ` + s.fill(c) + ` cx="` + s.num(2*u) + `" cy="` + s.num(2*u) + `" r="` + s.num(u) + `"/>`)
			}
			b.WriteString(`</pattern>`)
		}
	}
}

func hatchTile(t float64) *Path {
	p := &Path{}
	p.MoveTo(-t/4, t/4)
	p.LineTo(t/4, -t/4)
	p.MoveTo(0, t)
	p.LineTo(t, 0)
	p.MoveTo(t*3/4, t*5/4)
	p.LineTo(t*5/4, t*3/4)
	return p
}

func (s *svgWriter) fill(c Colour) string   { return s.paint("f", "fill", c) }
func (s *svgWriter) stroke(c Colour) string { return s.paint("s", "stroke", c) }

func (s *svgWriter) paint(letter, property string, c Colour) string {
	if s.o.Theme != nil {
		return property + `="` + s.o.Theme.Hex(c) + `"`
	}
	name := letter + classLetters[c:c+1]
	s.used[name] = true
	return `class="` + name + `"`
}

// look gives the attributes of fill and stroke, with a leading space.
func (s *svgWriter) look(st Style) string {
	a := ""
	switch {
	case s.o.Theme != nil:
		if st.Fill != None {
			a += " " + s.fill(st.Fill)
		}
		if st.Stroke != None {
			a += " " + s.stroke(st.Stroke)
		}
	case st.Fill != None && st.Stroke != None:
		f, k := "f"+classLetters[st.Fill:st.Fill+1], "s"+classLetters[st.Stroke:st.Stroke+1]
		s.used[f], s.used[k] = true, true
		a = ` class="` + f + ` ` + k + `"`
	case st.Fill != None:
		a = " " + s.fill(st.Fill)
	case st.Stroke != None:
		a = " " + s.stroke(st.Stroke)
	}
	if st.Stroke != None {
		if st.Width != 1 {
			a += ` stroke-width="` + s.num(st.Width) + `"`
		}
		if len(st.Dash) > 0 {
			a += ` stroke-dasharray="`
			for i, d := range st.Dash {
				if i > 0 {
					a += " "
				}
				a += s.num(d)
			}
			a += `"`
		}
	}
	return a
}

func (s *svgWriter) pattern(st Style) (string, bool) {
	if st.Pattern == Plain || st.PatternInk == None {
		return "", false
	}
	kind := "h"
	if st.Pattern == Dots {
		kind = "d"
	}
	name := kind + classLetters[st.PatternInk:st.PatternInk+1]
	s.defs[name] = true
	// the tile's own marks are painted in head, which is written after the body: note their classes now
	s.paint(map[string]string{"h": "s", "d": "f"}[kind], "", st.PatternInk)
	return ` fill="url(#` + s.o.ID + name + `)"`, true
}

func (s *svgWriter) rect(o op) {
	at := ` x="` + s.num(o.x) + `" y="` + s.num(o.y) + `" width="` + s.num(o.w) + `" height="` + s.num(o.h) + `"`
	if o.r > 0 {
		at += ` rx="` + s.num(o.r) + `"`
	}
	s.b.WriteString(`<rect` + s.look(o.style) + at + `/>`)
	if p, ok := s.pattern(o.style); ok {
		s.b.WriteString(`<rect` + p + at + `/>`)
	}
}

func (s *svgWriter) body() {
	var ends []string
	for i := 0; i < len(s.c.ops); i++ {
		o := s.c.ops[i]
		switch o.kind {
		case opRect:
			s.rect(o)
		case opPath:
			d := s.d(o.path)
			s.b.WriteString(`<path` + s.look(o.style) + ` d="` + d + `"/>`)
			if p, ok := s.pattern(o.style); ok {
				s.b.WriteString(`<path` + p + ` d="` + d + `"/>`)
			}
		case opText:
			s.text(o)
		case opGroup:
			tag := "g"
			if o.href != "" && s.o.Inline {
				tag = "a"
				s.links = true
				s.b.WriteString(`<a href="` + escape(o.href) + `" aria-label="` + escape(Printable(o.text)) + `">`)
			} else {
				s.b.WriteString("<g>")
			}
			if o.text != "" {
				s.b.WriteString("<title>" + escape(Printable(o.text)) + "</title>")
			}
			ends = append(ends, "</"+tag+">")
		case opClip:
			s.nclip++
			id := s.o.ID + "c" + strconv.Itoa(s.nclip)
			s.clips.WriteString(`<clipPath id="` + id + `"><rect x="` + s.num(o.x) + `" y="` + s.num(o.y) + `" width="` + s.num(o.w) +
				`" height="` + s.num(o.h) + `"/></clipPath>`)
			s.b.WriteString(`<g clip-path="url(#` + id + `)">`)
			ends = append(ends, "</g>")
		case opEnd:
			if n := len(ends); n > 0 {
				s.b.WriteString(ends[n-1])
				ends = ends[:n-1]
			}
		}
	}
}

func (s *svgWriter) text(o op) {
	s.b.WriteString(`<text ` + s.fill(o.ts.Colour) + ` x="` + s.num(o.x) + `" y="` + s.num(o.y) + `" font-size="` + s.num(o.ts.Size) + `"`)
	switch o.ts.Anchor {
	case Middle:
		s.b.WriteString(` text-anchor="middle"`)
	case End:
		s.b.WriteString(` text-anchor="end"`)
	}
	switch o.ts.Face {
	case Bold:
		s.b.WriteString(` font-weight="700"`)
	case Mono:
		s.b.WriteString(` font-family="ui-monospace,'DejaVu Sans Mono',monospace"`)
	}
	if o.ts.Turn != 0 {
		s.b.WriteString(` transform="rotate(` + s.num(o.ts.Turn) + ` ` + s.num(o.x) + ` ` + s.num(o.y) + `)"`)
	}
	s.b.WriteString(`>` + escape(o.text) + `</text>`)
}

// d is a path's data: absolute commands, H and V where they do.
func (s *svgWriter) d(p *Path) string {
	var b strings.Builder
	var at Point
	for _, g := range p.segs {
		switch g.kind {
		case segMove:
			b.WriteString("M" + s.pair(g.p[0]))
			at = g.p[0]
		case segLine:
			switch q := g.p[0]; {
			case q.Y == at.Y:
				b.WriteString("H" + s.num(q.X))
			case q.X == at.X:
				b.WriteString("V" + s.num(q.Y))
			default:
				b.WriteString("L" + s.pair(q))
			}
			at = g.p[0]
		case segCurve:
			b.WriteString("C" + s.pair(g.p[0]) + " " + s.pair(g.p[1]) + " " + s.pair(g.p[2]))
			at = g.p[2]
		case segClose:
			b.WriteString("Z")
		}
	}
	return b.String()
}

func (s *svgWriter) pair(p Point) string { return s.num(p.X) + " " + s.num(p.Y) }

// num writes a number with as few digits as its place on paper needs.
func (s *svgWriter) num(v float64) string {
	t := strconv.FormatFloat(v, 'f', s.decimals, 64)
	t = strings.TrimRight(strings.TrimRight(t, "0"), ".")
	if t == "-0" || t == "" {
		return "0"
	}
	return t
}

var escaper = strings.NewReplacer("&", "&amp;", "<", "&lt;", ">", "&gt;", `"`, "&quot;")

func escape(s string) string { return escaper.Replace(s) }
