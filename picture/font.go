package picture

import (
	"fmt"
	"strings"
	"sync"
	"unicode"

	"codeberg.org/go-fonts/dejavu/dejavusans"
	"codeberg.org/go-fonts/dejavu/dejavusansbold"
	"codeberg.org/go-fonts/dejavu/dejavusansmono"
	"golang.org/x/image/font"
	"golang.org/x/image/font/sfnt"
	"golang.org/x/image/math/fixed"
)

// Face is one of the three typefaces.
type Face uint8

const (
	Sans Face = iota
	Bold
	Mono
	faces = iota
)

// typeface is a parsed font with what was asked of it before.
type typeface struct {
	once  sync.Once
	font  *sfnt.Font
	units float64
	mu    sync.Mutex
	buf   sfnt.Buffer
	glyph map[rune]*glyph
}

type glyph struct {
	index   sfnt.GlyphIndex
	advance float64 // in em
	segs    sfnt.Segments
}

var typefaces [faces]typeface

// TTF is the font file of a face, for embedding in PDF.
func (f Face) TTF() []byte {
	switch f {
	case Bold:
		return dejavusansbold.TTF
	case Mono:
		return dejavusansmono.TTF
	}
	return dejavusans.TTF
}

func (f Face) get(r rune) *glyph {
	t := &typefaces[f%faces]
	t.once.Do(func() {
		var err error
		if t.font, err = sfnt.Parse(f.TTF()); err != nil {
			panic(fmt.Sprintf("picture: built-in typeface: %v", err))
		}
		t.units = float64(t.font.UnitsPerEm())
		t.glyph = map[rune]*glyph{}
	})
	t.mu.Lock()
	defer t.mu.Unlock()
	if g := t.glyph[r]; g != nil {
		return g
	}
	g := &glyph{}
	g.index, _ = t.font.GlyphIndex(&t.buf, r) // an error gives 0: not in the font
	ppem := fixed.I(int(t.units))
	if a, err := t.font.GlyphAdvance(&t.buf, g.index, ppem, font.HintingNone); err == nil {
		g.advance = float64(a) / 64 / t.units
	}
	if segs, err := t.font.LoadGlyph(&t.buf, g.index, ppem, nil); err == nil {
		g.segs = append(sfnt.Segments(nil), segs...)
	}
	if len(t.glyph) < 4096 { // a bound, not a wish: text comes from outside
		t.glyph[r] = g
	}
	return g
}

// Has reports whether the face can show r.
func (f Face) Has(r rune) bool { return f.get(r).index != 0 }

// Missing stands for a rune that the typeface lacks.
const Missing = '\u25A1' // white square

// Printable replaces what can't be shown: runes the typeface lacks and bytes that are not UTF-8 by a white square,
// control characters by a middle dot. Nothing is left out silently.
func Printable(s string) string {
	clean := true
	for _, r := range s {
		if r < ' ' || r > '~' {
			clean = false
			break
		}
	}
	if clean {
		return s
	}
	return strings.Map(func(r rune) rune {
		switch {
		case r == '\t', r == '\n':
			return ' '
		case r == unicode.ReplacementChar, r > 0xFFFF: // PDF text goes by 16-bit numbers
			return Missing
		case unicode.IsControl(r), unicode.Is(unicode.Cf, r):
			return '\u00B7'
		case r <= '~' || Sans.Has(r):
			return r
		}
		return Missing
	}, s)
}

// TextWidth is the length of s set in a size, in the unit of the size.
func TextWidth(s string, size float64, f Face) float64 {
	w := 0.0
	for _, r := range s {
		w += f.get(r).advance
	}
	return w * size
}

// Shorten gives s, or as much of its beginning as fits in width, ending in an ellipsis; "" where not even that fits.
func Shorten(s string, width, size float64, f Face) string {
	s = Printable(s)
	if TextWidth(s, size, f) <= width {
		return s
	}
	dots := f.get('\u2026').advance * size
	w, cut := dots, 0
	if w > width {
		return ""
	}
	for i, r := range s {
		if w += f.get(r).advance * size; w > width {
			break
		}
		cut = i + len(string(r))
	}
	return strings.TrimRight(s[:cut], " ") + "\u2026"
}

// ShortenMiddle is Shorten with the end kept: for paths, whose last part says most.
func ShortenMiddle(s string, width, size float64, f Face) string {
	s = Printable(s)
	if TextWidth(s, size, f) <= width {
		return s
	}
	rs := []rune(s)
	room := width - f.get('\u2026').advance*size
	if room < 0 {
		return ""
	}
	head, tail, w := 0, len(rs), 0.0
	for head < tail {
		r := rs[head]
		if (head+len(rs)-tail)%3 != 0 { // two runes of the end for one of the beginning
			r = rs[tail-1]
		}
		if w += f.get(r).advance * size; w > room {
			break
		}
		if (head+len(rs)-tail)%3 != 0 {
			tail--
		} else {
			head++
		}
	}
	return string(rs[:head]) + "\u2026" + string(rs[tail:])
}
