package tape

import (
	"fmt"
	"math"
	"strings"

	"remanence/picture"
	"remanence/tape/linecode"
)

// programs are the names, one stretch each, with the leaders before them.
func (d *drawer) programs() {
	var s []picture.Stretch
	for _, r := range d.l.h.Runs {
		if r.LeaderS < d.to && r.FromS > d.from && d.px(r.FromS-r.LeaderS) >= 2 {
			s = append(s, picture.Stretch{From: r.LeaderS, To: r.FromS, Margin: -1, Label: "leader", Title: fmt.Sprintf("leader of %s, %s", d.l.h.Codes[r.Code].Name, stretchWords(r.LeaderS, r.FromS))})
		}
	}
	for i, p := range d.l.h.Result.Programs {
		if p.FromS >= d.to || p.ToS <= d.from || d.l.sums[i] {
			continue
		}
		name := p.Name
		if name == "" {
			name = p.Kind
		}
		s = append(s, picture.Stretch{From: p.FromS, To: p.ToS, Margin: -1, Label: name, Title: fmt.Sprintf("%s, %s, %d bytes", name, p.Kind, p.Bytes)})
	}
	if len(s) > 300 {
		s = d.columns(s, 3)
	}
	d.caption("programs", "")
	for i := range s {
		t := &s[i]
		a, b := math.Max(d.x(t.From), d.x0), math.Min(d.x(t.To), d.x1)
		if b < d.x0 || a > d.x1 {
			continue
		}
		b = math.Max(b, a+1)
		d.c.Group(t.Title, func() {
			d.c.Rect(a, d.y, b-a, 18, picture.Style{Fill: picture.Card, Stroke: picture.Soft, Width: 0.75})
			if wide := picture.TextWidth(picture.Printable(t.Label), 11, picture.Sans); b-a > 48 || wide < b-a-4 { // two letters and dots say nothing
				d.c.Text((a+b)/2, d.y+13, picture.Shorten(t.Label, b-a-6, 11, picture.Sans), picture.TextStyle{Size: 11, Anchor: picture.Middle})
			}
		})
	}
	d.y += 18
}

// blocks are the stretches with sums, or pages of bytes; what went wrong lies over them, wide enough to be seen.
func (d *drawer) blocks() {
	var base, over []picture.Stretch
	for i := range d.l.h.Blocks {
		b := &d.l.h.Blocks[i]
		if b.FromS >= d.to || b.ToS <= d.from {
			continue
		}
		s := picture.Stretch{From: b.FromS, To: b.ToS, Margin: b.Margin, State: b.State, Label: b.Label, Title: b.Title}
		if b.Over {
			over = append(over, s)
		} else {
			base = append(base, s)
		}
	}
	if len(base) > 300 {
		base = d.columns(base, 3)
	}
	if len(over) > 300 {
		over = d.columns(over, 3)
	}
	least := 3 * (d.to - d.from) / d.w()
	for i := range over {
		x := part{Stretch: over[i]}
		x.widen(least)
		over[i] = x.Stretch
	}
	d.caption("blocks: lightness is margin", "")
	d.ribbon(append(base, over...), 20)
}

// columns joins stretches into columns of so many px: the worst state and the least margin of what lies in each.
func (d *drawer) columns(s []picture.Stretch, px float64) []picture.Stretch {
	n := int(d.w()/px) + 1
	type column struct {
		t     picture.Stretch
		first string
		n     int
	}
	cols := make([]column, n)
	step := (d.to - d.from) / d.w() * px
	for i := range s {
		a, b := int(math.Floor((s[i].From-d.from)/step)), int(math.Ceil((s[i].To-d.from)/step))
		for k := max(a, 0); k < min(max(b, a+1), n); k++ {
			c := &cols[k]
			if c.n == 0 {
				c.t, c.first = s[i], s[i].Title
			}
			c.n++
			if s[i].State > c.t.State {
				c.t.State = s[i].State
			}
			c.t.Margin = math.Min(c.t.Margin, s[i].Margin)
		}
	}
	var out []picture.Stretch
	for k, c := range cols {
		if c.n == 0 {
			continue
		}
		t := c.t
		t.From, t.To, t.Label = d.from+float64(k)*step, d.from+float64(k+1)*step, ""
		t.Title = c.first
		if c.n > 1 {
			t.Title = c.first + followed
		}
		if n := len(out); n > 0 && out[n-1].To > t.From-step/2 && out[n-1].State == t.State && picture.Hue(out[n-1].Margin) == picture.Hue(t.Margin) && t.State == picture.Good {
			out[n-1].To = t.To // looks the same: one stretch, named by its first
			out[n-1].Margin = math.Min(out[n-1].Margin, t.Margin)
			out[n-1].Title = strings.TrimSuffix(out[n-1].Title, followed) + followed
			continue
		}
		out = append(out, t)
	}
	return out
}

// followed ends the title of what is more than one stretch.
const followed = ", and what follows it"

// marks are the faults, as triangles that point at their place.
func (d *drawer) marks() {
	d.y += 2
	type spot struct {
		x float64
		s []string
	}
	var spots []spot
	for _, m := range d.l.h.Marks {
		if m.AtS < d.from || m.AtS > d.to {
			continue
		}
		x := d.x(m.AtS)
		if n := len(spots); n > 0 && x-spots[n-1].x < 3 {
			spots[n-1].s = append(spots[n-1].s, m.What)
			continue
		}
		spots = append(spots, spot{x, []string{clockS(m.AtS) + ": " + m.What}})
	}
	for _, s := range spots {
		title := s.s[0]
		if len(s.s) > 1 {
			title = fmt.Sprintf("%s; and %d more here", title, len(s.s)-1)
		}
		p := &picture.Path{}
		p.MoveTo(s.x, d.y)
		p.LineTo(s.x-4, d.y+8)
		p.LineTo(s.x+4, d.y+8)
		p.Close()
		d.c.Group(title, func() { d.c.Path(p, picture.Style{Fill: picture.Oxide}) })
	}
	if len(spots) > 0 {
		d.y += 10
	}
}

// bytes are the bytes one by one, or the worst of each column, and what they are.
func (d *drawer) bytes(b []LookByte, byteW float64) {
	d.caption("bytes: lightness is the least certain bit", "")
	var s []picture.Stretch
	s = append(s, d.syncs(byteW)...)
	for i := range b {
		x := &b[i]
		code := d.l.codeOf(x)
		t := picture.Stretch{From: x.AtS, To: x.AtS + x.LengthS, Margin: margin(x.Least(code.Framing.Bits)), State: d.l.stateOf(x)}
		if byteW >= 3 {
			t.Title = d.l.byteWords(x)
			if byteW >= 20 {
				t.Label = fmt.Sprintf("%02X", x.Value)
			}
			if byteW >= 60 && x.Value >= 0x20 && x.Value < 0x7F {
				t.Label += " '" + string(rune(x.Value)) + "'"
			}
		}
		s = append(s, t)
	}
	if byteW < 3 {
		s = d.columns(s, 3)
		for i := range s {
			s[i].Title = clockS(s[i].From)
		}
	}
	d.ribbon(s, 20)
	if byteW < 1 {
		return
	}
	d.fields(b)
}

// syncs are the bytes of the sync before a run: they were found as a whole, so that nothing is known of their odds.
func (d *drawer) syncs(byteW float64) []picture.Stretch {
	var out []picture.Stretch
	for i := range d.l.h.Runs {
		at, step, sync := d.l.syncOf(i)
		for k, v := range sync {
			t := picture.Stretch{From: at + float64(k)*step, To: at + float64(k+1)*step, Margin: -1, Title: fmt.Sprintf("sync byte %02Xh", v)}
			if t.From >= d.to || t.To <= d.from {
				continue
			}
			if byteW >= 20 {
				t.Label = fmt.Sprintf("%02X", v)
			}
			out = append(out, t)
		}
	}
	return out
}

// syncOf gives where the sync bytes of a run begin, how long each is, and which they are.
func (l *Look) syncOf(run int) (at, step float64, sync []int) {
	r := &l.h.Runs[run]
	c := l.h.Codes[r.Code]
	step = c.FrameSeconds()
	if r.Speed > 0.1 {
		step /= r.Speed
	}
	return r.FromS - step*float64(len(c.Sync.Bytes)), step, c.Sync.Bytes
}

func (l *Look) codeOf(b *LookByte) *linecode.Code {
	return l.h.Codes[l.h.Runs[l.h.Pieces[b.piece].Run].Code]
}

func (l *Look) frameBits(b *LookByte) int { return max(1, l.codeOf(b).Framing.FrameBits()) }

func (l *Look) stateOf(b *LookByte) picture.State {
	switch {
	case b.Heard != b.Value:
		return picture.Repaired
	case b.Least(l.codeOf(b).Framing.Bits) < certain:
		return picture.Doubtful
	}
	return picture.Good
}

// programOf is the name of the program a byte belongs to.
func (l *Look) programOf(b *LookByte) string {
	i := l.h.Pieces[b.piece].Program
	if i < 0 {
		return "bytes of no program"
	}
	p := l.h.Result.Programs[i]
	if p.Name != "" {
		return p.Name
	}
	return fmt.Sprintf("program %d (%s)", i+1, p.Kind)
}

// fields are the parts of a block, neighbours of one kind together.
func (d *drawer) fields(b []LookByte) {
	known := false
	for i := range b {
		known = known || b[i].Field != FieldNone
	}
	if !known {
		return
	}
	d.y += 2
	const h = 16.0
	for i := 0; i < len(b); {
		j := i
		for j+1 < len(b) && b[j+1].Field == b[i].Field && b[j+1].Block == b[i].Block && b[j+1].piece == b[i].piece {
			j++
		}
		if b[i].Field != FieldNone {
			x0, x1 := math.Max(d.x(b[i].AtS), d.x0), math.Min(d.x(b[j].AtS+b[j].LengthS), d.x1)
			words := b[i].Field.String()
			if b[i].Block > 0 && (b[i].Field == FieldBlockMark || b[i].Field == FieldData || b[i].Field == FieldLine) {
				words += fmt.Sprintf(" %d", b[i].Block)
			}
			d.c.Group(d.l.FieldWords(&b[i]), func() {
				d.c.Rect(x0, d.y, math.Max(x1-x0, 1), h, picture.Style{Fill: picture.Card, Stroke: picture.Rule})
				if x1-x0 > 18 {
					d.c.Text((x0+x1)/2, d.y+11.5, picture.Shorten(words, x1-x0-4, 10, picture.Sans), picture.TextStyle{Size: 10, Colour: picture.Soft, Anchor: picture.Middle})
				}
			})
		}
		i = j + 1
	}
	d.y += h
}
