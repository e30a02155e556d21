package label

import (
	"fmt"
	"math"
	"strings"

	"remanence/picture"
)

// face draws a label or card of w x h mm at the origin: number, title and QR code above, contents, facts below. It
// gives back how many entries had no room.
func face(c *picture.Canvas, m *Medium, items []entry, w, h float64) (int, error) {
	x0, y0, x1, y1 := Edge, Edge, w-Edge, h-Edge
	q := math.Min(15, (y1-y0)*0.44)
	qx := x1 - q
	if err := code(c, m.Number, qx, y0, q); err != nil {
		return 0, err
	}
	right := qx - quiet(q)
	number, size := whole(m.Number, (right-x0)*0.42, 13)
	head := y0
	if stacked := size < 8; stacked {
		number, size = whole(m.Number, right-x0, 9)
		c.Text(x0, y0+size*rise, number, set(size, picture.Bold, picture.Start))
		lines, t := wrapFit(m.Title, right-x0, math.Min(3.6, size*0.55), math.Min(2.4, size*0.55), 7, picture.Bold)
		y := y0 + size*rise + t*0.1
		for _, l := range lines {
			y += t * 1.25
			c.Text(x0, y, l, set(t, picture.Bold, picture.Start))
		}
		head = y + 0.8
	} else {
		c.Text(x0, y0+size*rise, number, set(size, picture.Bold, picture.Start))
		tx := x0 + picture.TextWidth(number, size, picture.Bold) + 4
		lines, t := wrapFit(m.Title, right-tx, 4.0, 2.4, 11.6, picture.Bold)
		y := y0 + t*rise
		for _, l := range lines {
			c.Text(tx, y, l, set(t, picture.Bold, picture.Start))
			y += t * 1.25
		}
		y += 0.2
		if m.Start != "" && y < y0+size*rise+1.5 {
			c.Text(tx, y-t*1.25+3.6, picture.Shorten(m.Start, right-tx, 2.3, picture.Sans), set(2.3, picture.Sans, picture.Start))
			y = y - t*1.25 + 4.6
		} else {
			y -= t*1.25 - 1
		}
		head = math.Max(y0+size*rise, y)
	}
	foot := facts(c, m, x0, x1, y1)
	top, width := head+2.4, right-x0
	if below := y0 + q + quiet(q); foot-below > (foot-top)*0.7 { // room enough under the code for the full width
		top, width = math.Max(below, top), x1-x0
	}
	c.Line(x0, top-1.1, x0+width, top-1.1, hair)
	return list(c, items, x0, top, width, foot-1-top, 1.9, math.Max(1.9, math.Min(3.6, size*0.8))), nil
}

// entries are all items in order; sides are told apart where there are two.
func (m *Medium) entries() []entry {
	var out []entry
	for _, s := range m.Sides {
		for i := range s.Items {
			n := s.Items[i].shown()
			if len(m.Sides) > 1 && s.Name != "" {
				n = s.Name + ": " + n
			}
			out = append(out, entry{n, s.Items[i].Size})
		}
	}
	return out
}

// cardEntries are all items as an index card has them: with counter positions or units, and where they are in the archive.
func (m *Medium) cardEntries() []entry {
	var out []entry
	for _, s := range m.Sides {
		for i, e := range counters(s) {
			if len(m.Sides) > 1 && s.Name != "" {
				e.name = s.Name + " " + e.name
			}
			it := &s.Items[i]
			if m.Type == "disk" { // the name is looked for, not the place
				e = entry{it.shown(), it.Where}
				if it.Size != "" {
					e.more = strings.TrimPrefix(e.more+", "+it.Size, ", ")
				}
			}
			if it.Path != "" {
				e.more = strings.TrimSpace(e.more + "  " + it.Path)
			}
			out = append(out, e)
		}
	}
	return out
}

// facts sets the line of recording and date on the base line y, in front of it in bold what is not proven; it gives back
// where it begins.
func facts(c *picture.Canvas, m *Medium, x0, x1, y float64) float64 {
	const size = 2.0
	y -= 0.25 * size // descenders stay inside
	dw := 0.0
	if m.Date != "" {
		dw = picture.TextWidth(picture.Printable(m.Date), size, picture.Sans) + 3
		c.Text(x1, y, m.Date, set(size, picture.Sans, picture.End))
	}
	x := x0 + mark(c, m, x0, y, size)
	c.Text(x, y, picture.Shorten(m.small(), x1-x-dw, size, picture.Sans), set(size, picture.Sans, picture.Start))
	return y - size
}

// mark sets on the base line y that a medium is not proven, and gives back the width it takes; 0 where it need not.
func mark(c *picture.Canvas, m *Medium, x, y, size float64) float64 {
	text := m.unproven()
	if text == "" {
		return 0
	}
	c.Text(x, y, text, set(size, picture.Bold, picture.Start))
	return picture.TextWidth(text, size, picture.Bold) + 1.5
}

// diskWrap draws the part of a label that goes over the case's edge: from y = 0 (the fold) down h mm.
func diskWrap(c *picture.Canvas, m *Medium, w, h float64) {
	if h < 8 {
		return
	}
	number, size := whole(m.Number, (w-2*Edge)*0.4, math.Min(8, h-5))
	if size < 4 { // long: the number has its own line
		number, size = whole(m.Number, w-2*Edge, math.Min(5, h/3))
		y := h/2 - 0.3
		c.Text(Edge, y, number, set(size, picture.Bold, picture.Start))
		title, t := fit(m.Title, w-2*Edge, 1.9, math.Min(2.6, size*0.6), picture.Sans)
		c.Text(Edge, y+t*1.4, title, set(t, picture.Sans, picture.Start))
		return
	}
	y := h/2 + size*rise/2 - 0.5
	c.Text(Edge, y, number, set(size, picture.Bold, picture.Start))
	x := Edge + picture.TextWidth(number, size, picture.Bold) + 3
	lines, t := wrapFit(m.Title, w-Edge-x, math.Min(2.6, size*0.6), 1.9, math.Max(2.6, y-3-Edge), picture.Bold)
	for i, l := range lines {
		c.Text(x, y-3-float64(len(lines)-1-i)*t*1.25, l, set(t, picture.Bold, picture.Start))
	}
	x += mark(c, m, x, y, 2.0)
	c.Text(x, y, picture.Shorten(m.small(), w-Edge-x, 2.0, picture.Sans), set(2.0, picture.Sans, picture.Start))
}

// cassetteFace draws the label of one side: side and number above the window, facts below it.
func cassetteFace(c *picture.Canvas, s *Sheet, m *Medium, side int) (int, error) {
	w, h := s.LabelWidth, s.LabelHeight
	top, bottom, left := h/2, h/2, w
	for _, q := range s.Holes {
		top, bottom, left = math.Min(top, q.Y), math.Max(bottom, q.Y+q.Height), math.Min(left, q.X)
	}
	if len(s.Holes) == 0 {
		left = 0
	}
	name := ""
	var items []Item
	if side < len(m.Sides) {
		name, items = m.Sides[side].Name, m.Sides[side].Items
	}
	x0, x1 := Edge, w-Edge
	if s.Corner > Edge {
		x0, x1 = s.Corner, w-s.Corner
	}
	text := m.Number
	if name != "" {
		text += " " + name
	}
	number, size := whole(text, (x1-x0)*0.55, math.Min(10, (top-Edge-0.6)/rise))
	c.Text(x0, Edge+size*rise, number, set(size, picture.Bold, picture.Start))
	tx := x0 + picture.TextWidth(number, size, picture.Bold) + 4
	lines, t := wrapFit(m.Title, x1-tx, math.Min(3.4, size*0.5), math.Min(2.4, size*0.5), top-Edge-0.6, picture.Bold)
	for i, l := range lines {
		c.Text(tx, Edge+t*rise+float64(i)*t*1.25, l, set(t, picture.Bold, picture.Start))
	}
	if m.Start != "" && len(lines) < 2 {
		c.Text(tx, Edge+t*rise+3.6, picture.Shorten(m.Start, x1-tx, 2.1, picture.Sans), set(2.1, picture.Sans, picture.Start))
	}
	if q := math.Min(left-2.2, bottom-top-2); q >= 8 {
		// beside the left hub; the white around it is the label's own edge and the hub's gap
		if err := code(c, m.Number, 1+(left-q)/2, (top+bottom-q)/2, q*0.82); err != nil {
			return 0, err
		}
	}
	var names []entry
	for i := range items {
		n := items[i].shown()
		if items[i].Where != "" {
			n = items[i].Where + " " + n
		}
		names = append(names, entry{n, items[i].Size})
	}
	foot := facts(c, m, x0, x1, h-Edge)
	return list(c, names, x0, bottom+0.2, x1-x0, foot-0.1-bottom-0.2, 1.9, 2.4), nil
}

// insertFace draws a cassette insert: front, spine and flap from top to bottom, read the same way up when the case
// is turned over its spine.
func insertFace(c *picture.Canvas, s *Sheet, m *Medium) (int, error) {
	w := s.LabelWidth
	x0, x1, y0, y1 := Edge, w-Edge, Edge, s.Front-Edge
	q := 16.0
	if err := code(c, m.Number, x1-q, y0, q); err != nil {
		return 0, err
	}
	right := x1 - q - quiet(q)
	number, size := whole(m.Number, right-x0, 14)
	c.Text(x0, y0+size*rise, number, set(size, picture.Bold, picture.Start))
	y := y0 + size*rise + 5.6
	lines, t := wrapFit(m.Title, right-x0, math.Min(4.2, size*0.7), math.Min(2.6, size*0.7), 11, picture.Bold)
	for _, l := range lines {
		c.Text(x0, y, l, set(t, picture.Bold, picture.Start))
		y += t * 1.24
	}
	if m.Start != "" {
		c.Text(x0, y-0.6, picture.Shorten(m.Start, right-x0, 2.5, picture.Sans), set(2.5, picture.Sans, picture.Start))
		y += 3
	}
	foot := facts(c, m, x0, x1, y1)
	top := math.Max(y-1.4, y0+q+quiet(q))
	c.Line(x0, top-1.2, x1, top-1.2, hair)
	missed := 0
	cols := max(1, len(m.Sides))
	cw := (x1 - x0 - 4*float64(cols-1)) / float64(cols)
	for i, sd := range m.Sides {
		x := x0 + float64(i)*(cw+4)
		ly := top
		if sd.Name != "" {
			c.Text(x, ly+2.4, "Side "+sd.Name, set(2.8, picture.Bold, picture.Start))
			ly += 3.8
		}
		missed += list(c, counters(sd), x, ly, cw, foot-1-ly, 1.9, 3.4)
	}

	sy := s.Front
	c.Line(0, sy, w, sy, fold)
	c.Line(0, sy+s.Spine, w, sy+s.Spine, fold)
	mid := sy + s.Spine/2
	spineSize := math.Min(7, (s.Spine-2*Edge)/rise)
	num, ns := whole(m.Number, (x1-x0)*0.36, spineSize)
	c.Text(x0, mid+ns*rise/2, num, set(ns, picture.Bold, picture.Start))
	tx := x0 + picture.TextWidth(num, ns, picture.Bold) + 4
	rw := picture.TextWidth(picture.Printable(m.Place), 2.2, picture.Sans)
	if rw > 25 {
		rw = 25
	}
	c.Text(x1, mid+0.8, picture.Shorten(m.Place, 25.1, 2.2, picture.Sans), set(2.2, picture.Sans, picture.End))
	titles, ts := spineTitle(m.Title, x1-rw-3-tx, s.Spine-2*Edge, ns)
	for i, l := range titles {
		c.Text(tx, mid+ts*rise/2+(float64(i)-float64(len(titles)-1)/2)*ts*1.2, l, set(ts, picture.Sans, picture.Start))
	}

	if s.Flap >= 2*Edge+3 {
		fy := s.Front + s.Spine
		var all []entry
		for _, sd := range m.Sides {
			for _, e := range counters(sd) {
				if sd.Name != "" {
					e.name = sd.Name + " " + e.name
				}
				all = append(all, entry{e.name, ""})
			}
		}
		list(c, all, x0, fy+Edge, x1-x0, s.Flap-2*Edge, 1.9, 2.4)
	}
	return missed, nil
}

// spineTitle sets a title on a spine: on one line as large as it goes, on two where it would become too small, and only
// then cut.
func spineTitle(title string, width, height, number float64) ([]string, float64) {
	most := math.Min(4, number*0.7)
	if line, size := fit(title, width, math.Min(2.4, most), most, picture.Sans); !strings.HasSuffix(line, "…") {
		return []string{line}, size
	}
	return wrapFit(title, width, math.Min(2.6, most), math.Min(2.0, most), height, picture.Sans)
}

// counters are a side's items with their counter positions before them.
func counters(s Side) []entry {
	var out []entry
	for i := range s.Items {
		n := s.Items[i].shown()
		if s.Items[i].Where != "" {
			n = fmt.Sprintf("%s  %s", s.Items[i].Where, n)
		}
		out = append(out, entry{n, s.Items[i].Size})
	}
	return out
}
