package picture

import (
	"bytes"
	"strings"
	"testing"
)

// Every word of a long text is on some line, and no line is wider than asked for.
func TestLines(t *testing.T) {
	s := "2 of three programs whole: level 9 dB low; 14 ms dropout at 75.9 s cost block 17; clean the head and play it again"
	got := Lines(s, 220, 11, Sans, 9)
	if strings.Join(got, " ") != s {
		t.Errorf("lines %q do not make %q", got, s)
	}
	for _, l := range got {
		if w := TextWidth(l, 11, Sans); w > 220 {
			t.Errorf("line %q is %.0f px wide, want at most 220", l, w)
		}
	}
	if got := Lines(s, 220, 11, Sans, 2); len(got) != 2 || !strings.HasSuffix(got[1], "\u2026") {
		t.Errorf("two lines at most: %q, want two, the second shortened", got)
	}
	if got := Lines(strings.Repeat("m", 90), 220, 11, Sans, 3); len(got) != 1 || TextWidth(got[0], 11, Sans) > 220 {
		t.Errorf("a word wider than the line: %q", got)
	}
	if got := Lines(" ", 220, 11, Sans, 3); got != nil {
		t.Errorf("nothing: %q", got)
	}
}

// A spike of one step of an envelope is seen at its full height, whatever the width.
func TestEnvelopeShowsASpike(t *testing.T) {
	lo, hi := make([]float32, 2000), make([]float32, 2000)
	hi[777] = 1
	c := New(200, 100, Px)
	c.Envelope(0, 0, 200, 100, lo, hi, -1, 1, Style{Stroke: Trace})
	var b bytes.Buffer
	if err := c.SVG(&b, SVGOptions{}); err != nil {
		t.Fatal(err)
	}
	if !strings.Contains(b.String(), "M77.7 0H78.7") {
		t.Error("no stroke reaches the top edge at step 777 of 2000, 77.7 px of 200")
	}
}
