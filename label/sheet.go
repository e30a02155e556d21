// Package label prints what holds the shelf together: disk labels, cassette inserts and index sheets, as PDF in exact
// millimetres.
//
// A printer moves paper by its own idea of a millimetre, so every sheet carries a 100 mm scale mark: if that is not
// 100 mm with a ruler, the printer scales and nothing on the sheet will fit its die cuts. Label sheets are described by
// data: where the first label begins, how large labels are, how far one is from the next. Everything is drawn on a
// picture.Canvas in millimetres first, so that the preview on the page, the test and the PDF are the same marks.
//
// Worked example: on Letter paper (215.9 x 279.4 mm), labels of 101.6 x 38.1 mm in 2 columns and 6 rows, the first
// 4.8 mm from the left and 25.4 mm from the top, one every 104.8 mm across and 38.1 mm down: label 8 of the sheet
// (counted row by row) is in column 2 of row 4, at x = 4.8+104.8 = 109.6 mm, y = 25.4+3*38.1 = 139.7 mm.
package label

import (
	"fmt"
	"math"
	"strings"
)

// Kind is what a sheet is for.
type Kind string

const (
	DiskLabel     Kind = "disk-label"     // stuck on a disk's jacket or case
	CassetteLabel Kind = "cassette-label" // stuck on a cassette's shell
	Insert        Kind = "insert"         // folded card for a cassette's case: front, spine, back flap
	Card          Kind = "card"           // index card: a card of a catalogue, of any size, for a disk or a cassette
	Index         Kind = "index"          // whole page: what is on a medium
)

// Kinds lists what a sheet can be for.
var Kinds = []Kind{DiskLabel, CassetteLabel, Insert, Card, Index}

// Paper names the sizes a sheet may name instead of giving its own, in millimetres.
// Source: ISO 216 (A4); US Letter is 8.5 x 11 inch.
var Papers = map[string][2]float64{"a4": {210, 297}, "letter": {215.9, 279.4}}

// Sheet describes one kind of label sheet: a TOML file in the profiles, or a user's own. Lengths are millimetres.
type Sheet struct {
	Name   string `toml:"name" json:"name"`
	Title  string `toml:"title" json:"title"`
	Source string `toml:"source" json:"source"` // where the sizes come from
	Kind   Kind   `toml:"kind" json:"kind"`

	Paper  string  `toml:"paper,omitempty" json:"paper,omitempty"` // a4 or letter; or its own size:
	Width  float64 `toml:"width-mm,omitempty" json:"width-mm"`     // of the paper
	Height float64 `toml:"height-mm,omitempty" json:"height-mm"`

	LabelWidth  float64 `toml:"label-width-mm,omitempty" json:"label-width-mm,omitempty"` // of one label (or of the unfolded insert)
	LabelHeight float64 `toml:"label-height-mm,omitempty" json:"label-height-mm,omitempty"`
	Columns     int     `toml:"columns,omitempty" json:"columns,omitempty"`
	Rows        int     `toml:"rows,omitempty" json:"rows,omitempty"`
	Left        float64 `toml:"left-mm,omitempty" json:"left-mm,omitempty"` // of the first label
	Top         float64 `toml:"top-mm,omitempty" json:"top-mm,omitempty"`
	PitchX      float64 `toml:"pitch-x-mm,omitempty" json:"pitch-x-mm,omitempty"` // from one label's left edge to the next one's
	PitchY      float64 `toml:"pitch-y-mm,omitempty" json:"pitch-y-mm,omitempty"`
	Corner      float64 `toml:"corner-mm,omitempty" json:"corner-mm,omitempty"`         // radius of the die's corners
	Cut         bool    `toml:"cut-lines,omitempty" json:"cut-lines,omitempty"`         // plain paper: draw hairlines to cut along
	Fold        float64 `toml:"fold-mm,omitempty" json:"fold-mm,omitempty"`             // disk label that wraps over an edge: height of the face part
	Holes       []Hole  `toml:"hole,omitempty" json:"holes,omitempty"`                  // where a cassette label must stay free
	Front       float64 `toml:"front-mm,omitempty" json:"front-mm,omitempty"`           // insert: heights of its three parts, from top to bottom
	Spine       float64 `toml:"spine-mm,omitempty" json:"spine-mm,omitempty"`           //
	Flap        float64 `toml:"flap-mm,omitempty" json:"flap-mm,omitempty"`             //
	Trim        float64 `toml:"trim-width-mm,omitempty" json:"trim-width-mm,omitempty"` // insert: second width to mark for cutting
}

// Hole is a rectangle on a label that nothing may be printed in, in millimetres from the label's top left corner.
type Hole struct {
	X      float64 `toml:"x-mm" json:"x-mm"`
	Y      float64 `toml:"y-mm" json:"y-mm"`
	Width  float64 `toml:"width-mm" json:"width-mm"`
	Height float64 `toml:"height-mm" json:"height-mm"`
}

// Edge is how near to a label's or a sheet's edge nothing is printed, in millimetres: cutters and printers miss by
// a millimetre or two.
const Edge = 3.0

// maxPaper bounds what a printer could take, in millimetres.
const maxPaper = 2000

// PaperSize is the size of the paper in millimetres.
func (s *Sheet) PaperSize() (width, height float64) {
	if p, ok := Papers[strings.ToLower(s.Paper)]; ok {
		return p[0], p[1]
	}
	return s.Width, s.Height
}

// PerPage is how many labels one page holds.
func (s *Sheet) PerPage() int {
	if s.Kind == Index {
		return 1
	}
	return s.Columns * s.Rows
}

// At is the top left corner of label i of a page (from 0, row by row).
func (s *Sheet) At(i int) (x, y float64) {
	if s.Columns < 1 {
		return s.Left, s.Top
	}
	return s.Left + float64(i%s.Columns)*s.PitchX, s.Top + float64(i/s.Columns)*s.PitchY
}

// For reports whether the sheet has something for a medium of the type, "disk" or "tape".
func (s *Sheet) For(medium string) bool {
	switch s.Kind {
	case DiskLabel:
		return medium == "disk"
	case CassetteLabel, Insert:
		return medium == "tape"
	}
	return true
}

// Validate says what is impossible about a sheet, naming the TOML key.
func (s *Sheet) Validate() error {
	bad := func(key, format string, a ...any) error {
		return fmt.Errorf("%s: %s", key, fmt.Sprintf(format, a...))
	}
	if s.Name == "" {
		return bad("name", "missing")
	}
	known := false
	for _, k := range Kinds {
		known = known || k == s.Kind
	}
	if !known {
		return bad("kind", "%q: want disk-label, cassette-label, insert, card or index", s.Kind)
	}
	if s.Paper != "" {
		if _, ok := Papers[strings.ToLower(s.Paper)]; !ok {
			return bad("paper", "%q: want a4 or letter, or width-mm and height-mm", s.Paper)
		}
	}
	w, h := s.PaperSize()
	for _, n := range []struct {
		key string
		v   float64
	}{{"width-mm", w}, {"height-mm", h}} {
		if !(n.v >= 50 && n.v <= maxPaper) {
			return bad(n.key, "%g mm: want 50 to %d", n.v, maxPaper)
		}
	}
	if s.Kind == Index {
		return nil
	}
	if s.Columns < 1 || s.Columns > 50 {
		return bad("columns", "%d: want 1 to 50", s.Columns)
	}
	if s.Rows < 1 || s.Rows > 100 {
		return bad("rows", "%d: want 1 to 100", s.Rows)
	}
	if !(s.LabelWidth >= 20 && s.LabelWidth <= w) {
		return bad("label-width-mm", "%g mm: want 20 to the paper's %g", s.LabelWidth, w)
	}
	if !(s.LabelHeight >= 12 && s.LabelHeight <= h) {
		return bad("label-height-mm", "%g mm: want 12 to the paper's %g", s.LabelHeight, h)
	}
	const slack = 0.6 // published sheet data are rounded to a tenth, and add up over the columns
	if s.Columns > 1 && !(s.PitchX >= s.LabelWidth-slack) {
		return bad("pitch-x-mm", "%g mm: labels %g mm wide would overlap", s.PitchX, s.LabelWidth)
	}
	if s.Rows > 1 && !(s.PitchY >= s.LabelHeight-slack) {
		return bad("pitch-y-mm", "%g mm: labels %g mm high would overlap", s.PitchY, s.LabelHeight)
	}
	if !(s.Left >= 0 && s.Top >= 0) {
		return bad("left-mm", "%g, top-mm %g: want 0 or more", s.Left, s.Top)
	}
	x, y := s.At(s.PerPage() - 1)
	if x+s.LabelWidth > w+slack {
		return bad("left-mm", "the last column ends at %.1f mm on paper %.1f mm wide", x+s.LabelWidth, w)
	}
	if y+s.LabelHeight > h+slack {
		return bad("top-mm", "the last row ends at %.1f mm on paper %.1f mm high", y+s.LabelHeight, h)
	}
	if s.Kind == Insert {
		if !(s.Front >= 30 && s.Spine >= 8 && s.Flap >= 0) {
			return bad("front-mm", "front %g, spine %g, flap %g mm: want at least 30, 8 and 0", s.Front, s.Spine, s.Flap)
		}
		if sum := s.Front + s.Spine + s.Flap; math.Abs(sum-s.LabelHeight) > 0.05 {
			return bad("label-height-mm", "%g mm: want front, spine and flap together, %g", s.LabelHeight, sum)
		}
	}
	if s.Trim < 0 || s.Trim > s.LabelWidth+10 || s.Trim > w {
		return bad("trim-width-mm", "%g mm: want 0 to 10 more than the label's width", s.Trim)
	}
	if s.Fold < 0 || s.Fold > s.LabelHeight {
		return bad("fold-mm", "%g mm: want 0 to the label's height", s.Fold)
	}
	if len(s.Holes) > 20 {
		return bad("hole", "%d holes: want 20 at most", len(s.Holes))
	}
	for i, q := range s.Holes {
		if !(q.X >= 0 && q.Y >= 0 && q.Width >= 0 && q.Height >= 0 && q.X+q.Width <= s.LabelWidth && q.Y+q.Height <= s.LabelHeight) {
			return bad("hole", "hole %d lies outside the label", i+1)
		}
	}
	return nil
}
