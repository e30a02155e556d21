package tape

import (
	"context"
	"fmt"
	"io"
	"math"
	"strings"

	"remanence/picture"
	"remanence/tape/audio"
	"remanence/tape/linecode"
)

// Sound gives any stretch of a recording; *audio.Seeker does.
type Sound interface {
	Format() audio.Format
	ReadFrames(buf []float32, from int64) (frames int, err error)
}

var _ Sound = (*audio.Seeker)(nil)

// LensOptions says what stretch of a recording is drawn, and how wide.
type LensOptions struct {
	FromS, SpanS float64 // what lies outside the recording, or is too short, is put right
	Width        int     // of the picture in px, 280 to 1600; 0: 960
}

// Lens is a stretch of a recording as drawn. The axis stays; what is near enough to be told apart is added below it:
// bytes, fields, the signal, bits, odds, timing.
type Lens struct {
	Canvas       *picture.Canvas
	FromS, SpanS float64
	Says         string     // what is seen, in a sentence
	Bytes        []LookByte // those drawn one by one; none from afar
	Detail       string     // "side", "bytes", "bits", "samples": how near it is
}

// Bounds of what a lens reads.
const (
	lensBytes   = 8_000   // bytes told apart; from farther off blocks speak
	lensFrames  = 200_000 // frames of sound read; from farther off peaks speak
	leastFrames = 12      // shown at least
	lensPad     = 8.0
)

// Clamp puts a stretch into the recording.
func (l *Look) Clamp(from, span float64) (float64, float64) {
	total := math.Max(l.h.Seconds, 1e-3)
	least := math.Min(leastFrames/float64(l.h.Format.RateHz), total)
	if !(span > 0) || span > total {
		span = total
	}
	span = math.Max(span, least)
	if !(from > 0) {
		from = 0
	}
	return math.Min(from, total-span), span
}

// Detail is which level of detail a stretch is drawn at.
const (
	DetailSide    = "side"
	DetailBytes   = "bytes"
	DetailBits    = "bits"
	DetailSamples = "samples"
)

// drawer draws rows below each other on one axis of time.
type drawer struct {
	l        *Look
	r        io.ReaderAt
	c        *picture.Canvas
	from, to float64
	x0, x1   float64
	y        float64
	states   map[picture.State]bool
	margins  bool
}

func (l *Look) drawer(r io.ReaderAt, from, span float64, width int) *drawer {
	if width == 0 {
		width = 960
	}
	w := float64(min(max(width, 280), 1600))
	return &drawer{l: l, r: r, c: picture.New(w, 0, picture.Px), from: from, to: from + span, x0: lensPad, x1: w - lensPad, states: map[picture.State]bool{}}
}

func (d *drawer) w() float64          { return d.x1 - d.x0 }
func (d *drawer) x(s float64) float64 { return d.x0 + d.w()*(s-d.from)/(d.to-d.from) }
func (d *drawer) px(s float64) float64 {
	return d.w() * s / (d.to - d.from)
}

// caption names the row below it.
func (d *drawer) caption(left, right string) {
	d.y += 6
	const size = 11.0
	rw := picture.TextWidth(picture.Printable(right), size, picture.Sans)
	lw := picture.TextWidth(picture.Printable(left), size, picture.Sans)
	if lw+rw+12 > d.w() { // narrow: the name is worth more
		right = picture.Shorten(right, math.Max(0, d.w()-lw-12), size, picture.Sans)
	}
	d.c.Text(d.x0, d.y+11, picture.Shorten(left, d.w(), size, picture.Sans), picture.TextStyle{Size: size, Colour: picture.Soft})
	d.c.Text(d.x1, d.y+11, right, picture.TextStyle{Size: size, Colour: picture.Soft, Anchor: picture.End})
	d.y += 16
}

func (d *drawer) ribbon(s []picture.Stretch, h float64) {
	for i := range s {
		t := &s[i]
		if t.State != picture.Good || t.Margin >= 0 {
			d.states[t.State] = true
		}
		d.margins = d.margins || t.Margin >= 0
	}
	d.c.Ribbon(picture.Ribbon{Stretches: s}, d.x0, d.y, d.w(), h, d.from, d.to)
	d.y += h
}

// Lens draws a stretch. r is the file of the Look; sound the recording, nil where only its peaks can be shown. It reads
// what the stretch needs and no more.
func (l *Look) Lens(ctx context.Context, r io.ReaderAt, sound Sound, o LensOptions) (*Lens, error) {
	from, span := l.Clamp(o.FromS, o.SpanS)
	d := l.drawer(r, from, span, o.Width)
	out := &Lens{Canvas: d.c, FromS: from, SpanS: span, Detail: DetailSide}
	bytes, near, err := l.Bytes(r, d.from, d.to, lensBytes)
	if err != nil {
		return nil, err
	}
	var bits []lensBit
	byteW := 0.0
	if near && len(bytes) > 0 {
		out.Detail = DetailBytes
		byteW = d.px(bytes[len(bytes)/2].LengthS)
		if n := l.frameBits(&bytes[len(bytes)/2]); byteW/float64(n) >= 5 {
			out.Detail = DetailBits
			for i := range bytes {
				bits = append(bits, l.bitsOf(&bytes[i])...)
			}
		}
	}
	if span*float64(l.h.Format.RateHz) < d.w()/3 {
		out.Detail = DetailSamples
	}
	d.programs()
	d.blocks()
	if near && len(bytes) > 0 {
		d.bytes(bytes, byteW)
	}
	if ctx.Err() != nil {
		return nil, ctx.Err()
	}
	view, err := d.signal(sound, bits)
	if err != nil {
		return nil, err
	}
	if ctx.Err() != nil {
		return nil, ctx.Err()
	}
	if len(bits) > 0 {
		d.bits(bits)
		d.odds(bits)
		if view != nil {
			d.matches(view.matches)
		}
		d.timing(bits, view)
	}
	if span >= 4 {
		if err := d.curves(); err != nil {
			return nil, err
		}
	}
	d.axis()
	d.legend()
	if near && len(bytes) <= 400 {
		out.Bytes = bytes
	}
	out.Says = d.says(bytes, near, bits)
	d.c.Title, d.c.Desc = "Lens: "+stretchWords(d.from, d.to), out.Says
	d.c.Height = d.y + 4
	return out, nil
}

// Outline is a picture of the whole side, and where on it a lens is framed.
type Outline struct {
	Canvas        *picture.Canvas
	top, bottom   float64
	total         float64
	width, height float64
}

// Outline draws the whole side: programs, blocks, faults and the envelope.
func (l *Look) Outline(ctx context.Context, r io.ReaderAt, width int) (*Outline, error) {
	d := l.drawer(r, 0, math.Max(l.h.Seconds, 1e-3), width)
	d.y = 2
	s := &Outline{Canvas: d.c, top: d.y + 22, total: d.to, width: d.c.Width}
	d.programs()
	d.blocks()
	d.marks()
	if ctx.Err() != nil {
		return nil, ctx.Err()
	}
	for c := range l.h.Peaks {
		if err := d.envelope(c, 28, d.scaleOf(0, d.to)); err != nil {
			return nil, err
		}
		d.y += 2
	}
	s.bottom = d.y + 2
	d.y += 4
	d.axis()
	d.legend()
	d.c.Title, d.c.Desc = "The whole side, "+clockS(l.h.Seconds), l.h.Result.Verdict
	d.c.Height = d.y + 4
	s.height = d.c.Height
	return s, nil
}

// Frame is what is laid over the picture of the side to show where a lens is.
func (s *Outline) Frame(from, span float64) *picture.Canvas {
	c := picture.New(s.width, s.height, picture.Px)
	c.Title, c.Background = "The lens: "+stretchWords(from, from+span), picture.None
	w := s.width - 2*lensPad
	a, b := lensPad+w*from/s.total, lensPad+w*(from+span)/s.total
	if b-a < 4 {
		a, b = (a+b)/2-2, (a+b)/2+2
	}
	c.Rect(a, s.top, b-a, s.bottom-s.top, picture.Style{Stroke: picture.Oxide, Width: 2})
	return c
}

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

// FieldWords says what a byte is, "" where that is not known.
func (l *Look) FieldWords(b *LookByte) string {
	s := b.Field.String()
	if b.Field == FieldNone {
		return ""
	}
	if b.Block > 0 {
		what := "block"
		if i := l.h.Pieces[b.piece].Program; i >= 0 && l.h.Result.Programs[i].Kind != MachineTape {
			what = "line"
		}
		s += fmt.Sprintf(", %s %d", what, b.Block)
	}
	if b.Address >= 0 {
		s += fmt.Sprintf(", at %04Xh", b.Address)
	}
	return s
}

// ByteWords names a byte: program, number, value, field, odds.
func (l *Look) byteWords(b *LookByte) string {
	s := fmt.Sprintf("%s, byte %d: %02Xh", l.programOf(b), b.Index, b.Value)
	if b.Heard != b.Value {
		s += fmt.Sprintf(" (heard as %02Xh, repaired)", b.Heard)
	}
	if f := l.FieldWords(b); f != "" {
		s += ", " + f
	}
	return s + fmt.Sprintf(", least certain bit %s", OddsWords(b.Least(l.codeOf(b).Framing.Bits)))
}

// OddsWords puts odds (ln) as people say them: "20 to 1".
func OddsWords(ln float64) string {
	ln = math.Abs(ln)
	switch {
	case ln < 0.7:
		return "as good as even"
	case ln < math.Log(1000):
		return fmt.Sprintf("%.0f to 1", math.Exp(ln))
	case ln < math.Log(1e6):
		return fmt.Sprintf("%.0f thousand to 1", math.Exp(ln)/1e3)
	case ln < math.Log(1e9):
		return fmt.Sprintf("%.0f million to 1", math.Exp(ln)/1e6)
	}
	return "over a thousand million to 1"
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

func (d *drawer) axis() {
	a := picture.Axis{From: d.from, To: d.to, Label: "time", Unit: "s"}
	span := d.to - d.from
	room := 80.0
	if span < 0.01 {
		room = 110
	}
	a.Ticks = picture.RoundTicks(d.from, d.to, max(2, int(d.w()/room)))
	if span >= 30 && d.to >= 60 {
		a.Ticks = minuteTicks(d.from, d.to, max(2, int(d.w()/room)))
		a.Format, a.Unit = clockS, "h:min:s"
		if d.to < 3600 {
			a.Unit = "min:s"
		}
	} else if len(a.Ticks) > 1 {
		digits := max(0, int(math.Ceil(-math.Log10(a.Ticks[1]-a.Ticks[0])-1e-6)))
		a.Format = func(v float64) string { return fmt.Sprintf("%.*f", digits, v) }
	}
	d.y += 4
	d.c.Scale(a, d.x0, d.x1, d.y)
	d.y += 36
}

// minuteTicks are at most n round times between two: people count seconds and minutes by sixties.
func minuteTicks(from, to float64, n int) []float64 {
	var out []float64
	for _, step := range []float64{1, 2, 5, 10, 30, 60, 120, 300, 600, 1200, 1800, 3600, 7200, 14400, 43200, 86400, 864000, 8640000, 86400000} {
		if (to-from)/step > float64(n) {
			continue
		}
		for v := math.Ceil(from/step) * step; v <= to; v += step {
			out = append(out, v)
		}
		break
	}
	return out
}

func (d *drawer) legend() {
	var used []picture.State
	for s := picture.Good; s <= picture.Lost; s++ {
		if d.states[s] {
			used = append(used, s)
		}
	}
	if len(used) == 0 {
		return
	}
	d.y += 4
	d.y += d.c.Legend(d.x0, d.y, d.w(), used...)
}

// clockS puts seconds as h:mm:ss or m:ss.
func clockS(s float64) string {
	n := int(math.Round(s))
	if n < 3600 {
		return fmt.Sprintf("%d:%02d", n/60, n%60)
	}
	return fmt.Sprintf("%d:%02d:%02d", n/3600, n/60%60, n%60)
}

// SpanWords puts a length of time in the unit a person would choose.
func SpanWords(s float64) string {
	switch {
	case s >= 120:
		return clockS(s)
	case s >= 1:
		return fmt.Sprintf("%.3g s", s)
	case s >= 1e-3:
		return fmt.Sprintf("%.3g ms", s*1e3)
	}
	return fmt.Sprintf("%.3g us", s*1e6)
}

func stretchWords(from, to float64) string {
	if to-from >= 120 {
		return clockS(from) + " to " + clockS(to)
	}
	digits := max(1, min(6, int(math.Ceil(1-math.Log10(to-from)))+1))
	return fmt.Sprintf("%.*f to %.*f s", digits, from, digits, to)
}

// says is what the lens shows, in a sentence.
func (d *drawer) says(b []LookByte, near bool, bits []lensBit) string {
	s := fmt.Sprintf("%s, %s long", stretchWords(d.from, d.to), SpanWords(d.to-d.from))
	var in []lensBit
	for _, x := range bits {
		if seen := math.Min(x.to, d.to) - math.Max(x.from, d.from); seen > 0.02*(x.to-x.from) && x.kind == "" {
			in = append(in, x)
		}
	}
	switch {
	case len(in) > 0 && len(in) <= 2:
		for _, x := range in {
			s += fmt.Sprintf("; bit %d = %d, %s, of %s", x.bit, x.value, OddsWords(x.odds), d.l.byteWords(x.b))
		}
	case near && len(b) > 0:
		bad, fixed := 0, 0
		for i := range b {
			switch d.l.stateOf(&b[i]) {
			case picture.Doubtful:
				bad++
			case picture.Repaired:
				fixed++
			}
		}
		first, last := &b[0], &b[len(b)-1]
		if first.piece == last.piece || d.l.programOf(first) == d.l.programOf(last) {
			s += fmt.Sprintf("; %s, bytes %d to %d", d.l.programOf(first), first.Index, last.Index)
		} else {
			s += fmt.Sprintf("; from %s, byte %d, to %s, byte %d", d.l.programOf(first), first.Index, d.l.programOf(last), last.Index)
		}
		if fixed > 0 {
			s += fmt.Sprintf("; %d repaired", fixed)
		}
		if bad > 0 {
			s += fmt.Sprintf("; %d doubtful", bad)
		}
	default:
		n := 0
		var names []string
		for i, p := range d.l.h.Result.Programs {
			if p.FromS < d.to && p.ToS > d.from && !d.l.sums[i] {
				if n++; n <= 3 && p.Name != "" {
					names = append(names, p.Name)
				}
			}
		}
		leader := false
		for _, r := range d.l.h.Runs {
			leader = leader || r.LeaderS < d.to && r.FromS > d.from
		}
		switch {
		case n == 0 && leader:
			s += "; leader"
		case n == 0:
			s += "; no bytes here"
		case n <= 3 && len(names) == n:
			s += "; " + strings.Join(names, ", ")
		default:
			s += "; " + count(n, "program")
		}
	}
	faults := 0
	for _, m := range d.l.h.Marks {
		if m.AtS >= d.from && m.AtS <= d.to {
			faults++
		}
	}
	if faults > 0 {
		s += "; " + count(faults, "fault") + " here"
	}
	return s
}
