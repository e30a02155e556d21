package recover

import (
	"bytes"
	"fmt"
	"math"
	"path/filepath"
	"slices"
	"strings"

	"remanence/disk"
	"remanence/picture"
)

var states = map[string]picture.State{"good": picture.Good, "repaired": picture.Repaired, "doubtful": picture.Doubtful, "lost": picture.Lost}

// ribbon is a track as it is drawn.
func (t *MapTrack) ribbon() picture.Ribbon {
	r := picture.Ribbon{Name: fmt.Sprintf("%d/%d", t.Cylinder, t.Head)}
	var notes []string
	for _, n := range []struct {
		n    int
		what string
	}{{t.Lost, "lost"}, {t.Doubtful, "doubtful"}, {t.Repaired, "repaired"}} {
		if n.n > 0 {
			notes = append(notes, fmt.Sprintf("%d %s", n.n, n.what))
		}
	}
	r.Note = strings.Join(notes, ", ")
	for i := range t.Sectors {
		s := &t.Sectors[i]
		if s.Extra && s.Angle == nil {
			continue
		}
		p := picture.Stretch{From: s.Drawn, To: s.Drawn + s.Extent, State: states[s.State], Margin: -1, Title: fmt.Sprintf("cylinder %d head %d sector %d, %d bytes", s.Cylinder, s.Head, s.Sector, s.Size)}
		if s.Margin != nil {
			p.Margin = *s.Margin
		}
		if s.Why != "" {
			p.Title += " (" + s.Why + ")"
		}
		if s.Assumed {
			p.Title += ", place assumed"
		}
		r.Stretches = append(r.Stretches, split(p)...)
	}
	return r
}

// Draw is the map as a picture: a ribbon a track, angle from left to right.
func (m *DamageMap) Draw() *picture.Canvas {
	caption := m.Caption()
	if slices.ContainsFunc(m.Tracks, func(t MapTrack) bool { return t.Head > 0 }) {
		caption += "; head 0 above head 1"
	}
	return titled(m.Title, caption, m.DrawWith(DrawOptions{}))
}

// DrawOptions say how a map is drawn into a page.
type DrawOptions struct {
	Href  func(cylinder, head int) string // where a track's ribbon leads; nil: nowhere
	Reads []int                           // reads (see AddReads) whose ribbons stand above the merged one
	Terse bool                            // only sectors that are not good are named on hover
}

// axis is what ribbons are drawn along.
func (m *DamageMap) axis() picture.Axis {
	if !m.Angles {
		return picture.Axis{From: 0, To: 1, Label: "sectors in numeric order (no source tells their angles)", Ticks: []float64{}}
	}
	return picture.Axis{From: 0, To: 1, Unit: "turns", Label: "angle from the index", Ticks: []float64{0, 0.25, 0.5, 0.75, 1}}
}

// DrawWith is the map as a picture without heading.
func (m *DamageMap) DrawWith(o DrawOptions) *picture.Canvas {
	s := &picture.Stack{Title: m.Title, Desc: m.Caption(), Legend: true, Axis: m.axis()}
	switch n := len(m.Tracks); {
	case n > 90:
		s.Height, s.Gap = 8, 2
	case n > 50:
		s.Height, s.Gap = 11, 3
	}
	for i := range m.Tracks {
		t := &m.Tracks[i]
		r := t.ribbon()
		r.Name, r.Terse = fmt.Sprintf("cylinder %d", t.Cylinder), o.Terse
		if t.Head > 0 {
			s.NameEvery = 1
			r.Name = fmt.Sprintf("cyl %d head %d", t.Cylinder, t.Head)
			if i > 0 && m.Tracks[i-1].Cylinder == t.Cylinder {
				r.Name = "" // the ribbon below its cylinder's
			}
		}
		if o.Href != nil {
			r.Href, r.Title = o.Href(t.Cylinder, t.Head), t.caption()
		}
		for _, n := range o.Reads {
			s.NameEvery = 1
			if tr := t.Read(n); tr != nil {
				s.Ribbons = append(s.Ribbons, t.Alone(tr))
			}
		}
		s.Ribbons = append(s.Ribbons, r)
	}
	return s.Draw()
}

// caption is the track in one line.
func (t *MapTrack) caption() string {
	s := fmt.Sprintf("cylinder %d, side %d: %d good", t.Cylinder, t.Head, t.Good)
	for _, p := range []struct {
		n    int
		what string
	}{{t.Repaired, "repaired"}, {t.Doubtful, "doubtful"}, {t.Lost, "lost"}} {
		if p.n > 0 {
			s += fmt.Sprintf(", %d %s", p.n, p.what)
		}
	}
	if t.Least != nil {
		s += fmt.Sprintf(", least margin %.0f %%", *t.Least*100)
	}
	return s
}

// Read is one read of the track; nil where it does not cover it.
func (t *MapTrack) Read(number int) *TrackRead {
	i := slices.IndexFunc(t.Reads, func(r TrackRead) bool { return r.Read == number })
	if i < 0 {
		return nil
	}
	return &t.Reads[i]
}

// Alone is what one read gives of the track as a thin ribbon, sectors where the merged one has them.
func (t *MapTrack) Alone(r *TrackRead) picture.Ribbon {
	out := picture.Ribbon{Thin: true, Terse: true}
	for i := range t.Sectors {
		s := &t.Sectors[i]
		if s.Extra {
			continue
		}
		p := picture.Stretch{From: s.Drawn, To: s.Drawn + s.Extent, State: r.State(i), Margin: r.Margin(i), Title: fmt.Sprintf("sector %d in this read alone", s.Sector)}
		out.Stretches = append(out.Stretches, split(p)...)
	}
	return out
}

// split cuts a stretch that lies across the index: it goes on at the start.
func split(p picture.Stretch) []picture.Stretch {
	rest := p.To - 1
	p.To = math.Min(p.To, 1)
	if rest <= 1e-6 {
		return []picture.Stretch{p}
	}
	q := p
	q.From, q.To = 0, math.Min(rest, 1)
	return []picture.Stretch{p, q}
}

// Ribbon is the merged track with the numbers of its sectors; href says where each leads.
func (t *MapTrack) Ribbon(href func(s *MapSector) string) picture.Ribbon {
	r := t.ribbon()
	r.Note = ""
	k := 0
	for i := range t.Sectors {
		s := &t.Sectors[i]
		if s.Extra && s.Angle == nil {
			continue
		}
		for range len(split(picture.Stretch{From: s.Drawn, To: s.Drawn + s.Extent})) {
			r.Stretches[k].Label, r.Stretches[k].Href = fmt.Sprint(s.Sector), href(s)
			if s.Extra {
				r.Stretches[k].Label += " extra"
			}
			k++
		}
	}
	return r
}

// titled puts a heading and a line below it over a picture.
func titled(title, caption string, p *picture.Canvas) *picture.Canvas {
	const top, pad = 52.0, 12.0
	c := picture.New(p.Width+2*pad, p.Height+top+pad, picture.Px)
	c.Title, c.Desc = title, caption
	c.Text(pad, 24, picture.Shorten(title, p.Width, 16, picture.Bold), picture.TextStyle{Size: 16, Face: picture.Bold})
	c.Text(pad, 43, picture.Shorten(caption, p.Width, 12, picture.Sans), picture.TextStyle{Size: 12, Colour: picture.Soft})
	c.Place(p, pad, top, 1)
	return c
}

// Quality is the picture of how the disk was read: the intervals between transitions with the windows in which they
// are decided, and the speed around the revolution. nil where there were no captures.
func (res *Result) Quality(title string) *picture.Canvas {
	if len(res.Intervals.Counts) == 0 {
		return nil
	}
	hist, y := res.drawIntervals(), 0.0
	speed := res.drawSpeed()
	w := hist.Width
	h := hist.Height + 20
	if speed != nil {
		h += speed.Height + 24
	}
	c := picture.New(w, h, picture.Px)
	c.Text(0, 12, "Intervals between transitions, and the windows they are decided in", picture.TextStyle{Size: 12})
	y = 20
	c.Place(hist, 0, y, 1)
	y += hist.Height + 16
	if speed != nil {
		c.Text(0, y, "Speed around the revolution", picture.TextStyle{Size: 12})
		c.Place(speed, 0, y+8, 1)
	}
	return titled(title, res.qualityCaption(), c)
}

func (res *Result) qualityCaption() string {
	transitions, jitter, n := 0, 0.0, 0
	for _, t := range res.Tracks {
		transitions += t.Transitions
		if t.Jitter > 0 {
			jitter += t.Jitter
			n++
		}
	}
	s := fmt.Sprintf("%d transitions on %d tracks", transitions, len(res.Tracks))
	if n > 0 {
		s += fmt.Sprintf("; jitter %.0f %% of half the window", jitter/float64(n)*100)
	}
	return s
}

// pace is the encoding most tracks have and its mean half-cell.
func (res *Result) pace() (disk.Encoding, float64) {
	n, sum := map[disk.Encoding]int{}, map[disk.Encoding]float64{}
	for _, t := range res.Tracks {
		if len(t.Encodings) > 0 && t.Transitions > 0 && t.CellNS > 0 {
			e := t.Encodings[0].Encoding
			n[e]++
			sum[e] += t.CellNS
		}
	}
	best := disk.FM
	if n[disk.MFM] > n[disk.FM] {
		best = disk.MFM
	}
	if n[best] == 0 {
		return 0, 0
	}
	return best, sum[best] / float64(n[best])
}

// drawIntervals is the histogram with its windows.
func (res *Result) drawIntervals() *picture.Canvas {
	const w, h, left, right, top, bottom = 960.0, 250.0, 64.0, 12.0, 26.0, 40.0
	enc, cell := res.pace()
	from, to := 0.0, float64(len(res.Intervals.Counts))*res.Intervals.BinNS
	var windows []int
	switch enc {
	case disk.FM:
		windows = []int{1, 2}
		to = math.Min(to, 3.2*cell)
	case disk.MFM:
		windows = []int{2, 3, 4}
		from, to = cell, math.Min(to, 5.5*cell)
	}
	to = math.Min(to, 20000)
	if to <= from {
		from, to = 0, math.Max(to, 1000)
	}
	c := picture.New(w, h, picture.Px)
	c.Title, c.Desc = "Intervals between transitions", "how often each length of interval comes, with the windows in which it is decided"
	x := func(ns float64) float64 { return left + (ns-from)/(to-from)*(w-left-right) }
	most := 1
	for i, n := range res.Intervals.Counts {
		if at := float64(i) * res.Intervals.BinNS; at >= from && at < to {
			most = max(most, n)
		}
	}
	// Heights by logarithm: what is rare decides.
	decades := math.Ceil(math.Log10(float64(most) + 1))
	y := func(n float64) float64 { return top + (h-top-bottom)*(1-math.Log10(n+1)/decades) }
	for i, k := range windows {
		a, b := x((float64(k)-0.5)*cell), x((float64(k)+0.5)*cell)
		a, b = math.Max(a, left), math.Min(b, w-right)
		fill := picture.Card
		if i%2 == 1 {
			fill = picture.None
		}
		c.Group(fmt.Sprintf("%d half-cells: %.2f to %.2f us", k, (float64(k)-0.5)*cell/1000, (float64(k)+0.5)*cell/1000), func() {
			c.Rect(a, top, b-a, h-top-bottom, picture.Style{Fill: fill})
		})
		for _, e := range []float64{a, b} {
			c.Line(e, top-6, e, h-bottom, picture.Style{Stroke: picture.Soft, Dash: []float64{2, 2}})
		}
		c.Text((a+b)/2, top-10, windowName(enc, k), picture.TextStyle{Size: 11, Colour: picture.Soft, Anchor: picture.Middle})
	}
	for d := 0.0; d <= decades; d++ {
		yy := y(math.Pow(10, d) - 1)
		if d > 0 {
			yy = y(math.Pow(10, d))
			if yy < top {
				break
			}
		}
		c.Line(left, yy, w-right, yy, picture.Style{Stroke: picture.Rule})
		label := "0"
		if d > 0 {
			label = fmt.Sprintf("%.0f", math.Pow(10, d))
		}
		c.Text(left-6, yy+4, label, picture.TextStyle{Size: 11, Colour: picture.Soft, Anchor: picture.End})
	}
	p := &picture.Path{}
	bars := 0
	for i, n := range res.Intervals.Counts {
		at := float64(i) * res.Intervals.BinNS
		if n == 0 || at < from || at >= to {
			continue
		}
		a, b := x(at), math.Min(x(at+res.Intervals.BinNS), w-right)
		p.Rect(a, y(float64(n)), math.Max(b-a-0.5, 0.5), h-bottom-y(float64(n)))
		bars++
	}
	if bars > 0 {
		c.Path(p, picture.Style{Fill: picture.Trace})
	}
	c.Line(left, h-bottom, w-right, h-bottom, picture.Style{Stroke: picture.Soft})
	for _, t := range picture.RoundTicks(from/1000, to/1000, 12) {
		c.Line(x(t*1000), h-bottom, x(t*1000), h-bottom+4, picture.Style{Stroke: picture.Soft})
		c.Text(x(t*1000), h-bottom+16, fmt.Sprintf("%.6g", t), picture.TextStyle{Size: 11, Colour: picture.Soft, Anchor: picture.Middle})
	}
	c.Text((left+w-right)/2, h-6, "interval (us)", picture.TextStyle{Size: 11, Colour: picture.Soft, Anchor: picture.Middle})
	c.Text(left-6, top-10, "count", picture.TextStyle{Size: 11, Colour: picture.Soft, Anchor: picture.End})
	return c
}

func windowName(e disk.Encoding, halfCells int) string {
	if e == disk.FM {
		return map[int]string{1: "half a cell (bit 1)", 2: "a whole cell (bit 0)"}[halfCells]
	}
	return map[int]string{2: "1 cell", 3: "1 1/2 cells", 4: "2 cells"}[halfCells]
}

// drawSpeed is the speed of every track over the angle, with the mean; nil where nothing was measured.
func (res *Result) drawSpeed() *picture.Canvas {
	const points = 64
	var sum, least, most [points]float64
	var n [points]int
	for _, t := range res.Tracks {
		for _, p := range t.Speed {
			if math.IsNaN(p.Percent) || p.Angle < 0 || p.Angle > 1 {
				continue
			}
			i := min(int(p.Angle*points), points-1)
			if n[i] == 0 {
				least[i], most[i] = p.Percent, p.Percent
			}
			sum[i] += p.Percent
			least[i], most[i] = math.Min(least[i], p.Percent), math.Max(most[i], p.Percent)
			n[i]++
		}
	}
	mean := picture.Curve{Name: "mean of all tracks"}
	lo := picture.Curve{Name: "slowest track at this angle", Colour: picture.Soft, Dash: []float64{2, 3}}
	hi := picture.Curve{Name: "fastest track at this angle", Colour: picture.Soft, Dash: []float64{5, 3}}
	reach := 0.2
	for i := range n {
		if n[i] == 0 {
			continue
		}
		at := (float64(i) + 0.5) / points
		mean.X, mean.Y = append(mean.X, at), append(mean.Y, sum[i]/float64(n[i]))
		lo.X, lo.Y = append(lo.X, at), append(lo.Y, least[i])
		hi.X, hi.Y = append(hi.X, at), append(hi.Y, most[i])
		reach = math.Max(reach, math.Max(-least[i], most[i])*1.15)
	}
	if len(mean.X) < 2 {
		return nil
	}
	ch := &picture.Chart{
		Title: "Speed around the revolution", Desc: "difference from the track's mean speed over the angle",
		X:      picture.Axis{From: 0, To: 1, Unit: "turns", Label: "angle from the index", Ticks: []float64{0, 0.25, 0.5, 0.75, 1}},
		Y:      picture.Axis{From: -reach, To: reach, Unit: "%", Label: "speed"},
		Curves: []picture.Curve{mean, lo, hi}, Height: 230,
	}
	return ch.Draw()
}

// Render writes a picture in the form that the name asks for: .svg or .png.
func Render(c *picture.Canvas, name string) ([]byte, error) {
	var b bytes.Buffer
	var err error
	switch strings.ToLower(filepath.Ext(name)) {
	case ".svg":
		err = c.SVG(&b, picture.SVGOptions{})
	case ".png":
		err = c.PNG(&b, 2, nil)
	default:
		err = fmt.Errorf("%s: want a name that ends in .svg or .png", name)
	}
	return b.Bytes(), err
}

// RenderMap writes a map as .svg, .png, .json or .txt.
func RenderMap(m *DamageMap, name string) ([]byte, error) {
	switch strings.ToLower(filepath.Ext(name)) {
	case ".json":
		return m.JSON()
	case ".txt":
		return m.Text(), nil
	case ".svg", ".png":
		return Render(m.Draw(), name)
	}
	return nil, fmt.Errorf("%s: want a name that ends in .svg, .png, .json or .txt", name)
}

// Extension reports whether Render (or RenderMap with tables) can write a file of this name.
func Extension(name string, tables bool) bool {
	switch strings.ToLower(filepath.Ext(name)) {
	case ".svg", ".png":
		return true
	case ".json", ".txt":
		return tables
	}
	return false
}
