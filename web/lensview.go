package web

import (
	"encoding/hex"
	"fmt"
	"html/template"
	"math"
	"slices"
	"strings"

	"remanence/disk/track"
	"remanence/picture"
)

// lensView is a stretch of cells of one read.
type lensView struct {
	Picture                              template.HTML
	Caption                              string
	From, Cells, Total                   int
	Base                                 string // address without the view, for the script
	Keep                                 string // what of the query stays when the view moves
	Closer, Wider, Earlier, Later, Whole string // "" where there is no more
	Named                                string // the chosen byte in words; "" where nothing is chosen
	Parts                                []partRow
	Table                                []cellLine // of single cells, where few are in view
	Left, Right                          float64    // where the axis lies in the picture, as parts of its width

	v    *track.Seen
	q    lensQuery
	byte int // of the data that is chosen; -1
	part int // that is chosen; -1
	nth  int // its byte
}

// partRow is a field of the sector.
type partRow struct {
	Name, Hex, Href string
	AtUS            float64
	Cells           int
	On              bool
}

// cellLine is one cell in figures.
type cellLine struct {
	Number, Value          int
	Bit                    string // part, byte and bit
	Kind                   string
	MiddleUS               float64
	WidthNS                float64
	Off, Margin, Certainty string
}

// Cells in view: the fewest, those around a chosen byte, and up to how many are listed in figures.
const (
	fewestCells = 8
	aroundCells = 64
	listedCells = 64
	zoomStep    = 4
)

// newLensView shows what q asks for.
func newLensView(v *track.Seen, q lensQuery, base string) *lensView {
	l := &lensView{v: v, Total: len(v.Cells), Base: base, q: q, byte: -1, part: -1}
	l.choose()
	middle := -1
	if l.part >= 0 {
		middle = v.Parts[l.part].From + 16*l.nth + 8
	}
	l.From, l.Cells = q.from, q.cells
	switch {
	case q.cells > 0:
	case middle >= 0:
		l.Cells = aroundCells
		l.From = middle - l.Cells/2
	default:
		l.From, l.Cells = 0, l.Total
	}
	l.clamp()
	l.move()
	l.fields()
	if l.Cells <= listedCells {
		l.figures()
	}
	l.Caption = l.caption()
	l.Picture = inline(l.draw(), "cells")
	return l
}

// choose finds the byte that is asked for.
func (l *lensView) choose() {
	cell := l.q.cell
	for i, p := range l.v.Parts {
		if l.q.byte >= 0 && p.Name == track.PartData && l.q.byte < len(p.Bytes) {
			l.part, l.nth, l.byte = i, l.q.byte, l.q.byte
			break
		}
		if l.q.byte < 0 && cell >= p.From && cell < p.From+p.Cells {
			l.part, l.nth = i, (cell-p.From)/16
			if p.Name == track.PartData {
				l.byte = l.nth
			}
			break
		}
	}
	if l.part >= 0 {
		l.Named = l.name(l.part, l.nth)
	}
}

func (l *lensView) clamp() {
	l.Cells = max(min(fewestCells, l.Total), min(l.Cells, l.Total))
	l.From = max(0, min(l.From, l.Total-l.Cells))
}

// move gives the links to the views beside this one.
func (l *lensView) move() {
	q := l.q
	to := func(from, cells int) string {
		k := lensView{From: from, Cells: cells, Total: l.Total}
		k.clamp()
		if k.From == l.From && k.Cells == l.Cells {
			return ""
		}
		q.from, q.cells = k.From, k.Cells
		if k.Cells == l.Total && q.byte < 0 && q.cell < 0 {
			q.from, q.cells = 0, 0
		}
		return q.url(l.Base) + "#lens"
	}
	about := l.From + l.Cells/2
	if l.part >= 0 { // closer to what is chosen, while it is in view
		if c := l.v.Parts[l.part].From + 16*l.nth + 8; c >= l.From && c < l.From+l.Cells {
			about = c
		}
	}
	near := l.Cells / zoomStep
	l.Closer = to(about-near/2, near)
	wide := l.Cells * zoomStep
	l.Wider = to(l.From+l.Cells/2-wide/2, wide)
	step := max(1, l.Cells*3/4)
	l.Earlier, l.Later = to(l.From-step, l.Cells), to(l.From+step, l.Cells)
	l.Whole = to(0, l.Total)
	q.from, q.cells = 0, 0
	if u := q.url(""); u != "" {
		l.Keep = u[1:]
	}
}

// us is a time in microseconds after the start of the read.
func (l *lensView) us(ns float64) float64 { return (ns - l.v.StartNS) / 1000 }

// fields lists the parts.
func (l *lensView) fields() {
	for i, p := range l.v.Parts {
		h := strings.ToUpper(hex.EncodeToString(p.Bytes[:min(len(p.Bytes), 8)]))
		var b strings.Builder
		for k := 0; k < len(h); k += 2 {
			b.WriteString(h[k:k+2] + " ")
		}
		text := strings.TrimSpace(b.String())
		if len(p.Bytes) > 8 {
			text += fmt.Sprintf(" ... (%d bytes)", len(p.Bytes))
		}
		if p.Bytes == nil {
			text = "in step with no byte"
		}
		q := l.q
		q.byte, q.cell, q.from, q.cells = -1, p.From, max(0, p.From-8), p.Cells+16
		at := 0.0
		if p.From < len(l.v.Cells) {
			at = l.us(l.v.Cells[p.From].NS)
		}
		l.Parts = append(l.Parts, partRow{p.Name, text, q.url(l.Base) + "#lens", at, p.Cells, i == l.part})
	}
}

// name says what a byte is and how surely it was read.
func (l *lensView) name(part, n int) string {
	p := l.v.Parts[part]
	from := p.From + 16*n
	to := min(from+16, len(l.v.Cells), p.From+p.Cells)
	if from >= to {
		return ""
	}
	cells := l.v.Cells[from:to]
	s := p.Name
	switch {
	case p.Bytes == nil:
		s += ": cells that are in step with no byte; here one writing ends and another begins"
	case n < len(p.Bytes):
		if len(p.Bytes) > 1 {
			s += fmt.Sprintf(" byte %d", n)
		}
		s += fmt.Sprintf(" is %02X", p.Bytes[n])
	}
	s += fmt.Sprintf(": cells %d to %d, %.2f to %.2f us", from, to-1, l.us(cells[0].NS-cells[0].WidthNS/2), l.us(cells[len(cells)-1].NS+cells[len(cells)-1].WidthNS/2))
	least, worst, sure := 1.0, 0.0, math.Inf(1)
	for _, c := range cells {
		if c.Seen {
			if m := marginOf(c); m < least {
				least, worst = m, c.Off*c.WidthNS/2
			}
		}
		if c.Weighed && c.Kind == track.Data && c.Sure > 0 {
			sure = min(sure, c.Sure)
		}
	}
	s += fmt.Sprintf("; least margin %.0f %%, a transition %s", least*100, early(worst))
	if !math.IsInf(sure, 1) {
		s += "; least certain bit: odds " + odds(sure)
	}
	return s + "."
}

// marginOf is how far a transition was from half a window.
func marginOf(c track.Cell) float64 { return math.Max(0, 1-math.Abs(c.Off)) }

// early says on which side of the middle a transition lies.
func early(ns float64) string {
	switch {
	case ns < -0.5:
		return fmt.Sprintf("%.0f ns early", -ns)
	case ns > 0.5:
		return fmt.Sprintf("%.0f ns late", ns)
	}
	return "in the middle"
}

// odds are a certainty as people bet.
func odds(nats float64) string {
	x := math.Exp(min(nats, 20))
	switch {
	case x >= 1e6:
		return "more than 1,000,000 to 1"
	case x >= 1000:
		return fmt.Sprintf("%.0f,000 to 1", x/1000)
	}
	return fmt.Sprintf("%.3g to 1", x)
}

var cellKinds = [...]string{"", "clock", "data"}

// figures lists the cells in view.
func (l *lensView) figures() {
	for i := l.From; i < l.From+l.Cells; i++ {
		c := l.v.Cells[i]
		line := cellLine{Number: i, Value: int(c.Value), Kind: cellKinds[c.Kind], MiddleUS: l.us(c.NS), WidthNS: c.WidthNS}
		if k := l.partOf(i); k >= 0 {
			p := l.v.Parts[k]
			line.Bit = p.Name
			if p.Bytes != nil {
				line.Bit += fmt.Sprintf(", byte %d, bit %d", (i-p.From)/16, 7-(i-p.From)%16/2)
			}
		}
		if c.Seen {
			line.Off, line.Margin = early(c.Off*c.WidthNS/2), fmt.Sprintf("%.0f %%", 100*marginOf(c))
		}
		if c.Weighed && c.Kind == track.Data {
			line.Certainty = odds(c.Sure)
		}
		l.Table = append(l.Table, line)
	}
}

// partOf is the part that a cell belongs to; -1 for none.
func (l *lensView) partOf(cell int) int {
	return slices.IndexFunc(l.v.Parts, func(p track.Part) bool { return cell >= p.From && cell < p.From+p.Cells })
}

func (l *lensView) caption() string {
	if l.Total == 0 {
		return "no transitions were seen here"
	}
	a, b := l.v.Cells[l.From], l.v.Cells[l.From+l.Cells-1]
	least := 1.0
	n := 0
	for _, c := range l.v.Cells[l.From : l.From+l.Cells] {
		if c.Seen {
			n++
			least = min(least, marginOf(c))
		}
	}
	s := fmt.Sprintf("cells %d to %d of %d, %.1f to %.1f us; %d transitions", l.From, l.From+l.Cells-1, l.Total, l.us(a.NS-a.WidthNS/2), l.us(b.NS+b.WidthNS/2), n)
	if n > 0 {
		s += fmt.Sprintf(", least margin %.0f %%", 100*least)
	}
	return s + fmt.Sprintf("; window %.0f ns", a.WidthNS)
}

// Lanes of the picture, from top to bottom.
const (
	lensWidth   = 960.0
	lensLeft    = 64.0
	lensRight   = 12.0
	fieldsTop   = 6.0
	bytesTop    = 28.0
	laneHeight  = 18.0
	byTop       = 50.0
	clockTop    = 60.0
	dataTop     = 79.0
	placeTop    = 108.0
	placeHeight = 110.0
	scaleTop    = placeTop + placeHeight + 8
	legendTop   = scaleTop + 40
)

// draw makes the picture: fields, bytes, cells, and every transition at its time and its place in its window.
func (l *lensView) draw() *picture.Canvas {
	c := picture.New(lensWidth, legendTop+24, picture.Px)
	c.Title, c.Desc = "Cells of the sector", l.caption()
	l.Left, l.Right = lensLeft/lensWidth, 1-lensRight/lensWidth
	if l.Total == 0 {
		return nil
	}
	cells := l.v.Cells[l.From : l.From+l.Cells]
	t0, t1 := cells[0].NS-cells[0].WidthNS/2, cells[len(cells)-1].NS+cells[len(cells)-1].WidthNS/2
	x0, x1 := lensLeft, lensWidth-lensRight
	x := func(ns float64) float64 { return x0 + (ns-t0)/(t1-t0)*(x1-x0) }
	edge := func(i int) float64 { // left edge of a cell of the read
		switch {
		case i <= l.From:
			return x0
		case i >= l.From+l.Cells:
			return x1
		}
		return x((l.v.Cells[i-1].NS + l.v.Cells[i].NS) / 2)
	}
	cw := (x1 - x0) / float64(l.Cells)
	for _, n := range []struct {
		y    float64
		text string
	}{{fieldsTop + 13, "fields"}, {bytesTop + 13, "bytes"}, {clockTop + 13, "clock"}, {dataTop + 13, "data"},
		{placeTop + 9, "early"}, {placeTop + placeHeight/2 + 4, "middle"}, {placeTop + placeHeight, "late"}} {
		c.Text(x0-8, n.y, n.text, picture.TextStyle{Size: 11, Colour: picture.Soft, Anchor: picture.End})
	}
	c.Rect(x0, placeTop, x1-x0, placeHeight, picture.Style{Fill: picture.Card})
	if l.part >= 0 { // what is chosen, through all lanes
		from := l.v.Parts[l.part].From + 16*l.nth
		to := min(from+16, l.v.Parts[l.part].From+l.v.Parts[l.part].Cells)
		if from < l.From+l.Cells && to > l.From {
			a, b := edge(from), edge(to)
			c.Rect(a, 2, math.Max(b-a, 1), scaleTop-2, picture.Style{Fill: picture.Card, Stroke: picture.Oxide, Width: 1.5})
		}
	}
	l.drawFields(c, edge)
	l.drawCells(c, edge, cw)
	l.drawPlaces(c, x, edge, cw)
	c.Scale(picture.Axis{From: l.us(t0), To: l.us(t1), Unit: "us", Label: "time from the mark"}, x0, x1, scaleTop)
	c.Legend(x0, legendTop, x1-x0, picture.Good)
	return c
}

// drawFields names the parts in view; each leads to a view of itself.
func (l *lensView) drawFields(c *picture.Canvas, edge func(int) float64) {
	for i, p := range l.v.Parts {
		if p.From >= l.From+l.Cells || p.From+p.Cells <= l.From {
			continue
		}
		a, b := edge(p.From), edge(p.From+p.Cells)
		c.Link(l.Parts[i].Href, p.Name+", "+l.Parts[i].Hex, func() {
			c.Rect(a, fieldsTop, math.Max(b-a, 0.5), laneHeight, picture.Style{Fill: picture.Card, Stroke: picture.Soft, Width: 0.5})
			if name := p.Name; b-a > 24 {
				c.Text((a+b)/2, fieldsTop+13, picture.Shorten(name, b-a-4, 11, picture.Sans), picture.TextStyle{Size: 11, Anchor: picture.Middle})
			}
		})
	}
	// Who decided: a line where the likelihood decoder did.
	for i := l.From; i < l.From+l.Cells; {
		from, w := i, l.v.Cells[i].Weighed
		for i < l.From+l.Cells && l.v.Cells[i].Weighed == w {
			i++
		}
		who, st := "decided by the fast separator", picture.Style{Fill: picture.Rule}
		if w {
			who, st = "decided by the likelihood decoder", picture.Style{Fill: picture.Trace}
		}
		c.Group(who, func() { c.Rect(edge(from), byTop, edge(i)-edge(from), 4, st) })
	}
}

// drawCells draws bytes with their cells: a byte leads to its own name.
func (l *lensView) drawCells(c *picture.Canvas, edge func(int) float64, cw float64) {
	if 16*cw < 6 {
		c.Text((lensLeft+lensWidth-lensRight)/2, dataTop, "closer: single bytes and cells", picture.TextStyle{Size: 11, Colour: picture.Soft, Anchor: picture.Middle})
		return
	}
	cell := func(i int) {
		v := l.v.Cells[i]
		y := dataTop
		if v.Kind == track.Clock {
			y = clockTop
		}
		if v.Kind == track.Loose {
			y = (clockTop + dataTop) / 2
		}
		a, b := edge(i), edge(i+1)
		st := picture.Style{Fill: picture.Paper, Stroke: picture.Soft, Width: 0.5}
		ink := picture.Ink
		if v.Value == 1 {
			st.Fill, ink = picture.Trace, picture.Paper
		}
		c.Rect(a, y, b-a, laneHeight, st)
		if b-a >= 9 {
			c.Text((a+b)/2, y+13, fmt.Sprint(v.Value), picture.TextStyle{Size: 11, Colour: ink, Anchor: picture.Middle, Face: picture.Mono})
		}
	}
	for _, p := range l.v.Parts {
		if p.From >= l.From+l.Cells || p.From+p.Cells <= l.From {
			continue
		}
		first := max(0, (l.From-p.From)/16)
		for n := first; p.From+16*n < min(p.From+p.Cells, l.From+l.Cells); n++ {
			from := max(p.From+16*n, l.From)
			to := min(p.From+16*n+16, p.From+p.Cells, l.From+l.Cells)
			q := l.q
			q.byte, q.cell, q.from, q.cells = -1, from, l.From, l.Cells
			title := p.Name
			if p.Bytes != nil && n < len(p.Bytes) {
				title = fmt.Sprintf("%s byte %d: %02X", p.Name, n, p.Bytes[n])
			}
			c.Link(q.url(l.Base)+"#lens", title, func() {
				a, b := edge(from), edge(to)
				c.Rect(a, bytesTop, b-a, laneHeight, picture.Style{Fill: picture.Paper, Stroke: picture.Soft, Width: 0.5})
				if p.Bytes != nil && n < len(p.Bytes) && b-a >= 18 {
					c.Text((a+b)/2, bytesTop+13, fmt.Sprintf("%02X", p.Bytes[n]), picture.TextStyle{Size: 11, Anchor: picture.Middle, Face: picture.Mono})
				}
				if cw >= 3 {
					for i := from; i < to; i++ {
						cell(i)
					}
				}
			})
		}
	}
	if cw >= 3 {
		for i := l.From; i < l.From+l.Cells; i++ {
			if l.partOf(i) < 0 {
				cell(i)
			}
		}
	}
}

// drawPlaces draws each transition at its time, as high as its place in its window is: the middle is where it should be,
// the edges are where the decision tips over. Lightness is what margin is left.
func (l *lensView) drawPlaces(c *picture.Canvas, x func(float64) float64, edge func(int) float64, cw float64) {
	const half = placeHeight / 2
	mid := placeTop + half
	y := func(off float64) float64 { return mid + half*math.Max(-1, math.Min(off, 1)) }
	if cw >= 12 {
		for i := l.From; i <= l.From+l.Cells; i++ {
			c.Line(edge(i), placeTop, edge(i), placeTop+placeHeight, picture.Style{Stroke: picture.Rule, Dash: []float64{3, 3}})
		}
	}
	c.Line(lensLeft, mid, lensWidth-lensRight, mid, picture.Style{Stroke: picture.Soft, Width: 0.5})
	for _, e := range []float64{placeTop, placeTop + placeHeight} {
		c.Line(lensLeft, e, lensWidth-lensRight, e, picture.Style{Stroke: picture.Soft, Dash: []float64{4, 3}})
	}
	if cw < 3 {
		l.drawColumns(c, x, y)
		return
	}
	r := math.Max(2.5, math.Min(5, cw/4))
	for i := l.From; i < l.From+l.Cells; i++ {
		v := l.v.Cells[i]
		at := x(v.NS)
		if !v.Seen {
			if v.Value == 1 {
				c.Group(fmt.Sprintf("cell %d: a transition of the mark that was not seen", i), func() {
					c.Rect(at-r, mid-r, 2*r, 2*r, picture.Style{Stroke: picture.Ink, Dash: []float64{2, 2}})
				})
			}
			continue
		}
		off := v.Off * v.WidthNS / 2
		title := fmt.Sprintf("cell %d: transition at %.3f us, %s in a window of %.0f ns, margin %.0f %%", i, l.us(v.AtNS), early(off), v.WidthNS, 100*marginOf(v))
		if math.Abs(v.Off) > 1 {
			title += "; taken for another cell than the nearest, because the others fit better so"
		}
		px := math.Max(lensLeft, math.Min(x(v.AtNS), lensWidth-lensRight))
		c.Group(title, func() {
			c.Line(px, mid, px, y(v.Off), picture.Style{Stroke: picture.Soft, Width: 0.75})
			c.Circle(px, y(v.Off), r, picture.Style{Fill: picture.Hue(marginOf(v)), Stroke: picture.Ink, Width: 0.75})
		})
		if cw >= 30 {
			ty, text := y(v.Off)-r-3, fmt.Sprintf("%+.0f ns", off)
			if v.Off < -0.75 || v.Off > 0 && v.Off < 0.75 { // beside the stem, within the lane
				ty = y(v.Off) + r + 11
			}
			c.Text(px, ty, text, picture.TextStyle{Size: 11, Anchor: picture.Middle})
		}
	}
	for _, t := range l.v.Stray {
		if px := x(t); px >= lensLeft && px <= lensWidth-lensRight {
			c.Group(fmt.Sprintf("a transition at %.3f us that is no cell's own", l.us(t)), func() {
				c.Line(px-3, mid-3, px+3, mid+3, picture.Style{Stroke: picture.Ink})
				c.Line(px-3, mid+3, px+3, mid-3, picture.Style{Stroke: picture.Ink})
			})
		}
	}
}

// drawColumns draws many transitions: for each two pixels the reach of their places, as light as the worst of them.
func (l *lensView) drawColumns(c *picture.Canvas, x func(float64) float64, y func(float64) float64) {
	const w = 2.0
	n := int((lensWidth - lensLeft - lensRight) / w)
	lo, hi := make([]float64, n), make([]float64, n)
	seen := make([]bool, n)
	for _, v := range l.v.Cells[l.From : l.From+l.Cells] {
		if !v.Seen {
			continue
		}
		k := max(0, min(int((x(v.AtNS)-lensLeft)/w), n-1))
		if !seen[k] {
			seen[k], lo[k], hi[k] = true, v.Off, v.Off
		}
		lo[k], hi[k] = math.Min(lo[k], v.Off), math.Max(hi[k], v.Off)
	}
	var paths [7]*picture.Path
	for k := range n {
		if !seen[k] {
			continue
		}
		h := picture.Hue(math.Max(0, 1-math.Max(math.Abs(lo[k]), math.Abs(hi[k])))) - picture.Hue0
		if paths[h] == nil {
			paths[h] = &picture.Path{}
		}
		a, b := y(lo[k]), y(hi[k])
		if b-a < 2 {
			a, b = (a+b)/2-1, (a+b)/2+1
		}
		paths[h].Rect(lensLeft+w*float64(k), a, w, b-a)
	}
	for h, p := range paths {
		if p != nil {
			c.Path(p, picture.Style{Fill: picture.Hue0 + picture.Colour(h), Stroke: picture.Soft, Width: 0.3})
		}
	}
}

// printable is bytes as text, a dot for what has no character.
func printable(b []byte) string {
	return strings.Map(func(r rune) rune {
		if r < 0x20 || r >= 0x7F {
			return '·'
		}
		return r
	}, latin(b))
}

// latin takes each byte for a character.
func latin(b []byte) string {
	r := make([]rune, len(b))
	for i, c := range b {
		r[i] = rune(c)
	}
	return string(r)
}
