package tape

import (
	"context"
	"fmt"
	"io"
	"math"

	"remanence/picture"
	"remanence/tape/audio"
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
