package label_test

import (
	"math"
	"regexp"
	"testing"

	"remanence/label"
)

// TestPaperSizes: what poppler says the pages measure. Sizes: ISO 216 and 8.5 x 11 inch, in points of 1/72 inch.
func TestPaperSizes(t *testing.T) {
	pdfinfo := need(t, "pdfinfo", "poppler-utils")
	for _, s := range sheets(t) {
		file := print(t, s).file
		g := regexp.MustCompile(`Page +1 size: +([0-9.]+) x ([0-9.]+) pts`).FindStringSubmatch(run(t, pdfinfo, "-f", "1", "-l", "1", file))
		if g == nil {
			t.Fatalf("%s: pdfinfo says no size", s.Name)
		}
		want := map[string][2]string{"a4": {"595.28", "841.89"}, "letter": {"612", "792"}}[s.Paper]
		if g[1] != want[0] || g[2] != want[1] {
			t.Errorf("%s: %s x %s points, want %v", s.Name, g[1], g[2], want)
		}
	}
}

// TestEdgesStayFree: on die-cut sheets nothing is printed within 3 mm of a label's edge, nor off the labels, but for
// the scale mark; everywhere nothing within 3 mm of the paper's edge.
func TestEdgesStayFree(t *testing.T) {
	for _, s := range sheets(t) {
		m := print(t, s).first
		w, h := s.PaperSize()
		const e = label.Edge - 0.1 // a pixel of rendering
		if !s.Cut {
			for _, q := range [][4]float64{{0, 0, w, e}, {0, h - e, w, h}, {0, 0, e, h}, {w - e, 0, w, h}} {
				if p, found := inkIn(m, q[0], q[1], q[2], q[3]); found {
					t.Errorf("%s: ink at %v tenths of a millimetre, within 3 mm of the paper's edge", s.Name, p)
				}
			}
		}
		if s.Kind == label.Index {
			continue
		}
		cut := 0.0
		if s.Cut {
			cut = 0.2 // the cutting line itself
		}
		for i := range s.PerPage() {
			x, y := s.At(i)
			lw, lh := s.LabelWidth, s.LabelHeight
			a, b := cut, e
			frame := [][4]float64{{x + a, y + a, x + lw - a, y + b}, {x + a, y + lh - b, x + lw - a, y + lh - a}}
			if s.Kind != label.CassetteLabel { // its QR code stands beside the hub, where the label is wide
				frame = append(frame, [4]float64{x + a, y + a, x + b, y + lh - a}, [4]float64{x + lw - b, y + a, x + lw - a, y + lh - a})
			}
			if s.Kind == label.Insert {
				frame = frame[:2] // fold lines run from edge to edge
			}
			for _, q := range frame {
				if p, found := inkIn(m, q[0], q[1], q[2], q[3]); found {
					t.Errorf("%s: label %d: ink at %v, within 3 mm of its edge", s.Name, i+1, p)
				}
			}
			for _, o := range s.Holes {
				if p, found := inkIn(m, x+o.X, y+o.Y, x+o.X+o.Width, y+o.Y+o.Height); found {
					t.Errorf("%s: label %d: ink at %v, in a hub or the window", s.Name, i+1, p)
				}
			}
		}
	}
}

// TestScaleMark finds the longest straight line that is on no label: it must be 100 mm long.
func TestScaleMark(t *testing.T) {
	for _, s := range sheets(t) {
		if s.Kind == label.Index {
			continue // its table has lines of its own; TestIndexScale
		}
		m := print(t, s).first
		onLabel := func(x, y int) bool {
			for i := range s.PerPage() {
				lx, ly := s.At(i)
				fx, fy := float64(x)/10, float64(y)/10
				d := math.Max(0.3, (s.Trim-s.LabelWidth)/2+0.3)
				if fx >= lx-d && fx <= lx+s.LabelWidth+d && fy >= ly-0.3 && fy <= ly+s.LabelHeight+0.3 {
					return true
				}
			}
			return false
		}
		if got := longest(m, onLabel); math.Abs(got-100) > 0.21 {
			t.Errorf("%s: the scale mark measures %.1f mm", s.Name, got)
		}
	}
}

func TestIndexScale(t *testing.T) {
	for _, s := range sheets(t) {
		if s.Kind != label.Index {
			continue
		}
		_, h := s.PaperSize()
		if got := longest(print(t, s).first, func(x, y int) bool { return float64(y)/10 < h-25 }); math.Abs(got-100) > 0.21 {
			t.Errorf("%s: the scale mark measures %.1f mm", s.Name, got)
		}
	}
}

// TestCutLines: on plain paper each label has a line on each of its four edges, to a tenth of a millimetre.
func TestCutLines(t *testing.T) {
	n := 0
	for _, s := range sheets(t) {
		if !s.Cut {
			continue
		}
		n++
		m := print(t, s).first
		for i := range s.PerPage() {
			x, y := s.At(i)
			for _, q := range [][2]float64{{x, y + 1}, {x + s.LabelWidth, y + 1}, {x + 1, y}, {x + 1, y + s.LabelHeight}} {
				found := false
				for dx := -1; dx <= 1; dx++ {
					for dy := -1; dy <= 1; dy++ {
						found = found || ink(m, int(q[0]*10+0.5)+dx, int(q[1]*10+0.5)+dy)
					}
				}
				if !found {
					t.Errorf("%s: label %d: no cutting line at %.1f, %.1f mm", s.Name, i+1, q[0], q[1])
				}
			}
		}
	}
	if n == 0 {
		t.Error("no sheet on plain paper")
	}
}
