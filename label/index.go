package label

import (
	"fmt"

	"remanence/picture"
)

// column of an index sheet's table.
type column struct {
	head  string
	x, w  float64
	right bool
}

// indexPages is a whole-page list of what is on a medium: to be kept beside it or in a binder.
func indexPages(s *Sheet, m *Medium) ([]*picture.Canvas, error) {
	w, h := s.PaperSize()
	const edge, rowHeight, size = 15.0, 5.4, 3.0
	x0, x1 := edge, w-edge
	cols := []column{{head: "", w: 7, right: true}, {head: "name", w: 42}, {head: "where", w: 36}, {head: "size", w: 20, right: true}, {head: "in the archive"}}
	where := "where"
	if m.Type == "tape" {
		where = "counter"
		cols[2].w = 18
	}
	cols[2].head = where
	x := x0
	for i := range cols {
		cols[i].x = x
		if i == len(cols)-1 {
			cols[i].w = x1 - x
		}
		x += cols[i].w + 3
	}
	type row struct {
		side string
		item *Item
		n    int
	}
	var rows []row
	for si := range m.Sides {
		sd := &m.Sides[si]
		if sd.Name != "" {
			rows = append(rows, row{side: fmt.Sprintf("Side %s", sd.Name)})
		}
		for i := range sd.Items {
			rows = append(rows, row{item: &sd.Items[i], n: i + 1})
		}
	}
	bottom := h - edge - 12
	var pages []*picture.Canvas
	next := 0
	for first := true; first || next < len(rows); first = false {
		if len(pages) == maxPages {
			return nil, fmt.Errorf("medium %s: more than %d pages", m.Number, maxPages)
		}
		c := picture.New(w, h, picture.MM)
		c.Background = picture.White
		y, err := indexHead(c, m, x0, x1, edge, len(pages) == 0)
		if err != nil {
			return nil, err
		}
		for _, k := range cols {
			cell(c, k, y, k.head, 2.3, picture.Sans)
		}
		y += 1.6
		c.Line(x0, y, x1, y, picture.Style{Stroke: picture.Black, Width: 0.25})
		for ; next < len(rows) && y+rowHeight <= bottom; next++ {
			r := rows[next]
			if r.side != "" {
				if y+2*rowHeight > bottom { // no heading alone at the foot
					break
				}
				c.Text(x0, y+4, r.side, set(size, picture.Bold, picture.Start))
				y += rowHeight
				c.Line(x0, y, x1, y, hair)
				continue
			}
			it := r.item
			base := y + 3.8
			cell(c, cols[0], base, fmt.Sprint(r.n), 2.3, picture.Sans)
			cell(c, cols[1], base, it.shown(), size, picture.Mono)
			cell(c, cols[2], base, it.Where, size, picture.Sans)
			cell(c, cols[3], base, it.Size, size, picture.Sans)
			path := picture.ShortenMiddle(it.Path, cols[4].w, 2.5, picture.Sans)
			if it.Note != "" {
				path = picture.Shorten(it.Path+" - "+it.Note, cols[4].w, 2.5, picture.Sans)
			}
			cell(c, cols[4], base, path, 2.5, picture.Sans)
			y += rowHeight
			c.Line(x0, y, x1, y, hair)
		}
		if len(rows) == 0 {
			c.Text(x0, y+4, "nothing is on it", set(size, picture.Sans, picture.Start))
		}
		scale(c, x0, h-edge-6, false)
		pages = append(pages, c)
	}
	for i, c := range pages {
		c.Text(x1, h-edge-2, fmt.Sprintf("%s, page %d of %d", m.Number, i+1, len(pages)), set(2.3, picture.Sans, picture.End))
	}
	return pages, nil
}

// indexHead draws what stands above the table; later pages have a shorter one. It gives back the base line of the
// table's head.
func indexHead(c *picture.Canvas, m *Medium, x0, x1, y0 float64, first bool) (float64, error) {
	if !first {
		number, size := whole(m.Number, 80, 7)
		c.Text(x0, y0+size*rise, number, set(size, picture.Bold, picture.Start))
		x := x0 + picture.TextWidth(number, size, picture.Bold) + 4
		title, t := fit(m.Title, x1-x, 2.4, 3.6, picture.Sans)
		c.Text(x, y0+size*rise, title, set(t, picture.Sans, picture.Start))
		return y0 + size*rise + 7, nil
	}
	const q = 24.0
	if err := code(c, m.Number, x1-q, y0, q); err != nil {
		return 0, err
	}
	right := x1 - q - quiet(q)
	number, size := whole(m.Number, right-x0, 18)
	y := y0 + size*rise
	c.Text(x0, y, number, set(size, picture.Bold, picture.Start))
	y += 8
	lines, t := wrapFit(m.Title, right-x0, 5.4, 3.2, 16, picture.Bold)
	for _, l := range lines {
		c.Text(x0, y, l, set(t, picture.Bold, picture.Start))
		y += t * 1.22
	}
	for _, f := range [][2]string{{"machine", m.Machine}, {"recording", m.Recording}, {"medium", m.Place}, {"made", m.Date},
		{"files", fmt.Sprint(m.count())}, {"to start", m.Start}, {"proof", m.proof()}} {
		if f[1] == "" {
			continue
		}
		face := picture.Sans
		if f[0] == "proof" && m.unproven() != "" {
			face = picture.Bold
		}
		c.Text(x0, y, f[0], set(2.6, picture.Sans, picture.Start))
		c.Text(x0+20, y, picture.Shorten(f[1], right-x0-20, 3, face), set(3, face, picture.Start))
		y += 4.6
	}
	return max(y, y0+q+quiet(q)) + 6, nil
}

func cell(c *picture.Canvas, k column, y float64, s string, size float64, f picture.Face) {
	s = picture.Shorten(s, k.w, size, f)
	if k.right {
		c.Text(k.x+k.w, y, s, set(size, f, picture.End))
		return
	}
	c.Text(k.x, y, s, set(size, f, picture.Start))
}
