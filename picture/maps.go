package picture

import (
	"fmt"
	"math"
)

// Range is a stretch of addresses, To exclusive.
type Range struct {
	From, To int
	Name     string
	Kind     RangeKind
}

// RangeKind is what a stretch of memory is to a program.
type RangeKind uint8

const (
	Loads    RangeKind = iota // the program goes there
	Reserved                  // the machine keeps it: ROM, screen, resident system
	Clash                     // both
)

// MemoryMap is a ribbon of addresses: what the machine keeps above the line, what the program loads below it.
type MemoryMap struct {
	Title, Desc string
	From, To    int // of the axis; To 0: 65536
	Machine     []Range
	Program     []Range
	Entry       int     // -1: none
	Width       float64 // 0: 960
}

// HexAddress writes an address as the look has it: 5200h.
func HexAddress(v float64) string { return fmt.Sprintf("%04Xh", int(math.Round(v))) }

// Draw makes the picture. Clashes are computed from the ranges and drawn dotted, with a word.
func (m *MemoryMap) Draw() *Canvas {
	w, to := m.Width, m.To
	if w == 0 {
		w = 960
	}
	if to == 0 {
		to = 0x10000
	}
	c := New(w, 118, Px)
	c.Title, c.Desc = m.Title, m.Desc
	const left, h, y1, y2 = 64.0, 16.0, 20.0, 42.0
	x1 := w - 8
	at := func(v float64) float64 { return left + (v-float64(m.From))/float64(to-m.From)*(x1-left) }
	c.Text(left-8, y1+12, "machine", TextStyle{Size: 11, Colour: Soft, Anchor: End})
	c.Text(left-8, y2+12, "program", TextStyle{Size: 11, Colour: Soft, Anchor: End})
	lane := func(rs []Range, y float64, fill Colour) {
		c.Rect(left, y+h/2-0.5, x1-left, 1, Style{Fill: Rule})
		for _, r := range rs {
			a, b := math.Max(at(float64(r.From)), left), math.Min(at(float64(r.To)), x1)
			if b < left || a > x1 || r.To <= r.From {
				continue
			}
			if b-a < 1.5 {
				b = a + 1.5
			}
			st := Style{Fill: fill, Stroke: Soft, Width: 0.5}
			if r.Kind == Clash {
				st.Pattern = Dots
			}
			title := fmt.Sprintf("%s: %s to %s, %d bytes", r.Name, HexAddress(float64(r.From)), HexAddress(float64(r.To-1)), r.To-r.From)
			if r.Name == "" {
				title = title[2:]
			}
			c.Group(title, func() {
				c.Rect(a, y, b-a, h, st)
				if r.Kind != Clash && r.Name != "" && b-a > 30 {
					c.Text((a+b)/2, y+h/2+3.8, Shorten(r.Name, b-a-6, 10, Sans), TextStyle{Size: 10, Colour: fill.over(), Anchor: Middle})
				}
			})
		}
	}
	lane(m.Machine, y1, Hue1)
	lane(m.Program, y2, Hue5)
	var clash []Range
	for _, p := range m.Program {
		for _, q := range m.Machine {
			if a, b := max(p.From, q.From), min(p.To, q.To); a < b && q.Kind == Reserved {
				clash = append(clash, Range{a, b, "clashes with " + q.Name, Clash})
			}
		}
	}
	for _, r := range clash {
		a, b := at(float64(r.From)), math.Max(at(float64(r.To)), at(float64(r.From))+1.5)
		c.Group(fmt.Sprintf("%s: %s to %s", r.Name, HexAddress(float64(r.From)), HexAddress(float64(r.To-1))), func() {
			c.Rect(a, y2, b-a, h, Style{Fill: Hue1, Stroke: Ink, Pattern: Dots})
		})
	}
	if m.Entry >= m.From && m.Entry < to {
		x := at(float64(m.Entry))
		p := &Path{}
		p.MoveTo(x, y2+h+1)
		p.LineTo(x-4, y2+h+8)
		p.LineTo(x+4, y2+h+8)
		p.Close()
		c.Group("entry "+HexAddress(float64(m.Entry)), func() { c.Path(p, Style{Fill: Oxide}) })
	}
	y := y2 + h + 12
	var ticks []float64
	for v := m.From / 0x1000 * 0x1000; v <= to; v += tickStep(to-m.From, int((x1-left)/60)) {
		if v >= m.From {
			ticks = append(ticks, float64(v))
		}
	}
	c.axis(Axis{From: float64(m.From), To: float64(to), Ticks: ticks, Format: HexAddress}, left, x1, y, at)
	x := left
	key := func(st Style, word string) {
		c.Rect(x, y+27, 22, 11, st)
		c.Text(x+28, y+36.5, word, TextStyle{Size: 11, Colour: Soft})
		x += 46 + TextWidth(word, 11, Sans)
	}
	key(Style{Fill: Hue1, Stroke: Soft, Width: 0.5}, "kept by the machine")
	key(Style{Fill: Hue5, Stroke: Soft, Width: 0.5}, "program")
	if len(clash) > 0 {
		key(Style{Fill: Hue1, Stroke: Ink, Pattern: Dots}, "clash")
	}
	if m.Entry >= 0 {
		p := &Path{}
		p.MoveTo(x+5, y+28)
		p.LineTo(x, y+37)
		p.LineTo(x+10, y+37)
		p.Close()
		c.Path(p, Style{Fill: Oxide})
		c.Text(x+15, y+36.5, "entry "+HexAddress(float64(m.Entry)), TextStyle{Size: 11, Colour: Soft})
	}
	c.Height = y + 44
	return c
}

// tickStep is the least power of two that gives at most n ticks.
func tickStep(span, n int) int {
	for s := 0x10; s < 1<<30; s *= 2 {
		if span/s <= max(n, 2) {
			return s
		}
	}
	return 1 << 30
}

// UnitUse is what one allocation unit of a volume (granule, cluster, block) holds.
type UnitUse struct {
	File  int // index into VolumeMap.Files; -1: not a file's
	State UnitState
}

// UnitState is whether a unit can be used.
type UnitState uint8

const (
	UnitFree UnitState = iota
	UnitUsed
	UnitSystem // boot, directory
	UnitLocked // not to be used
	UnitLost   // marked as used, belongs to no file
	UnitShared // claimed by more than one file
)

var unitWords = [...]string{"free", "used", "system", "locked out", "used by no file", "claimed twice"}

// VolumeMap is the ribbon of a volume's units in disk order, wrapped into lines.
type VolumeMap struct {
	Title, Desc string
	Unit        string // "granule"
	Units       []UnitUse
	Files       []string
	PerLine     int // units a line; 0: to suit
	Width       float64
}

// Draw makes the picture. Neighbouring units of one file are drawn as one stretch; files next to each other alternate
// between two steps of the hue, and each names itself where there is room.
func (m *VolumeMap) Draw() *Canvas {
	n := len(m.Units)
	per := m.PerLine
	if per <= 0 {
		per = 80
		for n > per*24 {
			per *= 2
		}
		if n > 0 && n < per {
			per = n
		}
	}
	w := m.Width
	if w == 0 {
		w = 960
	}
	const h, gap = 18.0, 5.0
	lines := (n + per - 1) / per
	left := TextWidth(fmt.Sprint(n), 11, Sans) + 10
	c := New(w, 0, Px)
	c.Title, c.Desc = m.Title, m.Desc
	step := (w - left - 4) / float64(per)
	seen := [len(unitWords)]bool{}
	turn := 0
	lastFile := -2
	for i := 0; i < n; {
		u := m.Units[i]
		line := i / per
		j := i + 1
		for j < n && j/per == line && m.Units[j] == u {
			j++
		}
		if u.File != lastFile {
			turn ^= 1
			lastFile = u.File
		}
		y := 4 + float64(line)*(h+gap)
		x := left + float64(i%per)*step
		if i%per == 0 {
			c.Text(left-8, y+h/2+4, fmt.Sprint(i), TextStyle{Size: 11, Colour: Soft, Anchor: End})
			c.Rect(left, y+h/2-0.5, step*float64(min(per, n-i)), 1, Style{Fill: Rule})
		}
		if int(u.State) < len(seen) {
			seen[u.State] = true
		}
		name := ""
		if u.State == UnitUsed && u.File >= 0 && u.File < len(m.Files) {
			name = m.Files[u.File]
		}
		title := fmt.Sprintf("%s %d", m.Unit, i)
		if j > i+1 {
			title = fmt.Sprintf("%ss %d to %d", m.Unit, i, j-1)
		}
		word := "unknown"
		if int(u.State) < len(unitWords) {
			word = unitWords[u.State]
		}
		if name != "" {
			word = name
		}
		st := unitStyle(u.State, turn)
		if st.Fill != None {
			c.Group(title+": "+word, func() {
				bw := step*float64(j-i) - math.Min(1, step/4)
				c.Rect(x, y, bw, h, st)
				if name != "" && bw > 34 {
					c.Text(x+bw/2, y+h/2+3.8, Shorten(name, bw-6, 10, Sans), TextStyle{Size: 10, Colour: st.Fill.over(), Anchor: Middle})
				}
			})
		}
		i = j
	}
	y := 4 + float64(lines)*(h+gap) + 6
	x := left
	for s, word := range unitWords {
		if !seen[s] {
			continue
		}
		if x+34+TextWidth(word, 11, Sans) > w {
			x, y = left, y+18
		}
		if UnitState(s) == UnitFree {
			c.Rect(x, y+5, 22, 1, Style{Fill: Rule})
		} else {
			c.Rect(x, y, 22, 11, unitStyle(UnitState(s), 0))
		}
		c.Text(x+28, y+9.5, word, TextStyle{Size: 11, Colour: Soft})
		x += 46 + TextWidth(word, 11, Sans)
	}
	c.Height = y + 18
	return c
}

func unitStyle(s UnitState, turn int) Style {
	st := Style{Stroke: Soft, Width: 0.5}
	switch s {
	case UnitUsed:
		st.Fill = Hue4 + Colour(turn)
	case UnitSystem:
		st.Fill = Hue1
	case UnitLocked:
		st.Fill, st.Pattern = Hue1, Hatch
	case UnitLost:
		st.Fill, st.Pattern = Hue2, Dots
	case UnitShared:
		st.Fill, st.Pattern = Hue5, Dots
	default:
		return Style{}
	}
	return st
}

// Bar is a medium as a bar filled to scale.
type Bar struct {
	Title    string
	Capacity float64 // in Unit
	Unit     string
	Parts    []Part
	Free     string  // what to write in the free part; "": its size in Unit
	Width    float64 // 0: 720
}

// Part is what one file takes of a bar.
type Part struct {
	Name  string
	Size  float64
	Fault bool // taken along although damaged: dotted
}

// Draw makes the picture, 26 px high: parts in order, then what is free.
func (b *Bar) Draw() *Canvas {
	w := b.Width
	if w == 0 {
		w = 720
	}
	c := New(w, 26, Px)
	c.Title = b.Title
	c.RoundRect(0.5, 0.5, w-1, 25, 4, Style{Fill: Card, Stroke: Soft})
	if !(b.Capacity > 0) {
		return c
	}
	x, full := 3.0, w-6
	used := 0.0
	for i, p := range b.Parts {
		pw := math.Max(p.Size, 0) / b.Capacity * full
		pw = math.Min(pw, w-3-x)
		used += p.Size
		st := Style{Fill: Hue4 + Colour(i%2)}
		if p.Fault {
			st = Style{Fill: Hue1, Pattern: Dots, Stroke: Soft, Width: 0.5}
		}
		c.Group(fmt.Sprintf("%s: %s %s", p.Name, short(p.Size), b.Unit), func() {
			c.Rect(x, 3, math.Max(pw-0.8, 0.6), 20, st)
			if !p.Fault && pw > 40 {
				c.Text(x+pw/2, 16.8, Shorten(p.Name, pw-8, 10.5, Sans), TextStyle{Size: 10.5, Colour: st.Fill.over(), Anchor: Middle})
			}
		})
		x += pw
	}
	if free := b.Capacity - used; free > 0 {
		t := b.Free
		if t == "" {
			t = short(free) + " " + b.Unit + " free"
		}
		if tw := TextWidth(t, 10.5, Sans); tw < w-3-x-8 {
			c.Text(w-9, 16.8, t, TextStyle{Size: 10.5, Colour: Soft, Anchor: End})
		}
	}
	return c
}

// short rounds a figure to what a person reads.
func short(v float64) string {
	switch a := math.Abs(v); {
	case a >= 100 || v == math.Trunc(v):
		return fmt.Sprintf("%.0f", v)
	case a >= 10:
		return fmt.Sprintf("%.1f", v)
	}
	return fmt.Sprintf("%.2f", v)
}
