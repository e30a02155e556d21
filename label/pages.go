package label

import (
	"fmt"
	"io"

	"remanence/internal/outcome"
	"remanence/picture"
)

// Options say how a sheet is printed.
type Options struct {
	Start   int    // the label of the first page to begin at, from 1, row by row; 0: the first
	Title   string // of the PDF
	Creator string // program and version
}

// maxPages bounds what one call makes.
const maxPages = 2000

// Pages lays the media out on pages of the sheet, in millimetres. Notes say what was left out or shortened; a medium
// of a kind that the sheet is not for is noted and passed over.
func Pages(s *Sheet, media []Medium, o Options) (pages []*picture.Canvas, notes []string, err error) {
	if err := s.Validate(); err != nil {
		return nil, nil, outcome.As(outcome.Input, fmt.Errorf("label sheet %s: %w", s.Name, err))
	}
	for i := range media {
		if err := media[i].Check(); err != nil {
			return nil, nil, outcome.As(outcome.Input, err)
		}
	}
	if s.Kind == Index {
		for i := range media {
			p, err := indexPages(s, &media[i])
			if err != nil {
				return nil, nil, err
			}
			if pages = append(pages, p...); len(pages) > maxPages {
				return nil, nil, outcome.As(outcome.Usage, fmt.Errorf("more than %d pages: print in parts", maxPages))
			}
		}
		return pages, notes, none(pages, s)
	}
	start := max(o.Start, 1)
	if start > s.PerPage() {
		return nil, nil, outcome.As(outcome.Usage, fmt.Errorf("label %d: sheet %s has %d labels a page", start, s.Name, s.PerPage()))
	}
	place := start - 1
	var page *picture.Canvas
	put := func(draw func(c *picture.Canvas) (int, error), number string) error {
		if page == nil || place == s.PerPage() {
			if page != nil {
				place = 0
			}
			if len(pages) == maxPages {
				return outcome.As(outcome.Usage, fmt.Errorf("more than %d pages: print in parts", maxPages))
			}
			page = newPage(s)
			pages = append(pages, page)
		}
		x, y := s.At(place)
		place++
		var missed int
		var err error
		page.Within(x, y, 1, func() { missed, err = draw(page) })
		if missed > 0 {
			notes = append(notes, fmt.Sprintf("%s: %d names have no room on the label; it says so, and the index sheet has them all", number, missed))
		}
		return err
	}
	for i := range media {
		m := &media[i]
		if !s.For(m.Type) {
			want := "disk"
			if m.Type == "disk" {
				want = "tape"
			}
			notes = append(notes, fmt.Sprintf("%s is a %s: no label on sheet %s, which is for a %s", m.Number, m.Type, s.Name, want))
			continue
		}
		switch s.Kind {
		case DiskLabel:
			err = put(func(c *picture.Canvas) (int, error) {
				h := s.LabelHeight
				if s.Fold > 0 {
					h = s.Fold
				}
				n, err := face(c, m, m.entries(), s.LabelWidth, h)
				if s.Fold > 0 && s.Fold < s.LabelHeight {
					c.Within(0, h, 1, func() { diskWrap(c, m, s.LabelWidth, s.LabelHeight-h) })
				}
				return n, err
			}, m.Number)
		case Card:
			err = put(func(c *picture.Canvas) (int, error) { return face(c, m, m.cardEntries(), s.LabelWidth, s.LabelHeight) }, m.Number)
		case CassetteLabel:
			for side := range max(1, len(m.Sides)) {
				if err = put(func(c *picture.Canvas) (int, error) { return cassetteFace(c, s, m, side) }, m.Number); err != nil {
					break
				}
			}
		case Insert:
			err = put(func(c *picture.Canvas) (int, error) { return insertFace(c, s, m) }, m.Number)
		}
		if err != nil {
			return nil, nil, err
		}
	}
	if len(pages) > 0 && !hasScale(s) {
		w, h := s.PaperSize()
		p := picture.New(w, h, picture.MM)
		p.Background = picture.White
		scale(p, (w-100)/2, h/2, false)
		pages = append(pages, p)
		notes = append(notes, fmt.Sprintf("sheet %s leaves no room for the scale mark: it is on a page of its own at the end", s.Name))
	}
	return pages, notes, none(pages, s)
}

func none(pages []*picture.Canvas, s *Sheet) error {
	if len(pages) == 0 {
		return outcome.As(outcome.Usage, fmt.Errorf("label sheet %s: nothing to print on it", s.Name))
	}
	return nil
}

// PDF writes the pages of a sheet; the same media give the same bytes.
func PDF(w io.Writer, s *Sheet, media []Medium, o Options) (notes []string, err error) {
	pages, notes, err := Pages(s, media, o)
	if err != nil {
		return notes, err
	}
	title := o.Title
	if title == "" {
		title = s.Title
	}
	return notes, outcome.As(outcome.Output, picture.PDF(w, pages, picture.PDFMeta{Title: title, Creator: o.Creator}))
}

// newPage is an empty page with its scale mark and, on plain paper, the lines to cut along.
func newPage(s *Sheet) *picture.Canvas {
	w, h := s.PaperSize()
	c := picture.New(w, h, picture.MM)
	c.Background = picture.White
	if x, y, upright, ok := scalePlace(s); ok {
		scale(c, x, y, upright)
	}
	if s.Cut {
		for i := range s.PerPage() {
			x, y := s.At(i)
			c.RoundRect(x, y, s.LabelWidth, s.LabelHeight, 0, hair)
			if d := (s.Trim - s.LabelWidth) / 2; d > 0 { // marks for the other width
				for _, tx := range []float64{x - d, x + s.LabelWidth + d} {
					c.Line(tx, y, tx, y+4, hair)
					c.Line(tx, y+s.LabelHeight-4, tx, y+s.LabelHeight, hair)
				}
			}
		}
	}
	return c
}

func hasScale(s *Sheet) bool {
	_, _, _, ok := scalePlace(s)
	return ok
}

// scalePlace finds 100 x 5 mm of paper that is on no label and Edge away from the paper's edges.
func scalePlace(s *Sheet) (x, y float64, upright, ok bool) {
	const thick, long, air = 5.0, 100.0, 1.0
	w, h := s.PaperSize()
	lastX, lastY := s.At(s.PerPage() - 1)
	right, bottom := lastX+s.LabelWidth, lastY+s.LabelHeight
	trim := (s.Trim - s.LabelWidth) / 2
	if trim < 0 {
		trim = 0
	}
	switch {
	case h-bottom >= Edge+thick+air && w >= long+2*Edge:
		return (w - long) / 2, h - Edge - thick - (h-bottom-Edge-thick-air)/2, false, true
	case s.Top >= Edge+thick+air && w >= long+2*Edge:
		return (w - long) / 2, Edge, false, true
	case h < long+2*Edge:
		return 0, 0, false, false
	case s.Left-trim >= Edge+thick+air:
		return s.Left - trim - air - thick, (h - long) / 2, true, true
	case w-right-trim >= Edge+thick+air:
		return right + trim + air, (h - long) / 2, true, true
	case s.Columns > 1 && s.PitchX-s.LabelWidth >= thick+2*air:
		return s.Left + s.LabelWidth + (s.PitchX-s.LabelWidth-thick)/2, (h - long) / 2, true, true
	}
	return 0, 0, false, false
}
