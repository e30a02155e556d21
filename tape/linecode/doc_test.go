package linecode

import (
	"bytes"
	"flag"
	"fmt"
	"math"
	"os"
	"path/filepath"
	"testing"

	"remanence/picture"
)

var update = flag.Bool("update", false, "draw the pictures of doc/line-codes.md anew")

// drawn is the waveform of a few bits as the modulator writes it, with bit borders and a scale of time.
func drawn(t *testing.T, c *Code, bits []int) *picture.Canvas {
	t.Helper()
	total := 0.0
	for _, b := range bits {
		total += c.BitSeconds(b)
	}
	const width, left, top, high = 760.0, 16.0, 40.0, 110.0
	rate := min(maxRateHz, math.Floor(1400/total))
	m, err := NewModulator(c, rate, Shape{Level: 1})
	if err != nil {
		t.Fatal(err)
	}
	m.Bits(bits...)
	x := m.ReadAll()
	cv := picture.New(width, top+high+44, picture.Px)
	cv.Title = c.Name + ": the bits " + fmt.Sprint(bits)
	cv.Desc = c.Title
	scale := (width - 2*left) / total
	at := 0.0
	rule := picture.Style{Stroke: picture.Rule}
	for i, b := range bits {
		px := left + at*scale
		cv.Line(px, top-22, px, top+high+6, rule)
		w := c.BitSeconds(b) * scale
		cv.Text(px+w/2, top-10, fmt.Sprint(b), picture.TextStyle{Size: 14, Anchor: picture.Middle})
		at += c.BitSeconds(b)
		if i == len(bits)-1 {
			cv.Line(left+at*scale, top-22, left+at*scale, top+high+6, rule)
		}
	}
	cv.Line(left, top+high/2, width-left, top+high/2, rule)
	var pts []picture.Point
	for i, v := range x {
		pts = append(pts, picture.Point{X: left + (float64(i)+0.5)/rate*scale, Y: top + high/2 - float64(v)*high/2*0.92})
	}
	cv.Polyline(pts, picture.Style{Stroke: picture.Trace, Width: 1.5})
	// the scale: 1, 2 or 5 times a power of ten, about ten steps
	step := math.Pow(10, math.Floor(math.Log10(total/5)))
	for _, k := range []float64{5, 2} {
		if total/(step*k) >= 5 {
			step *= k
			break
		}
	}
	for k := 0; float64(k)*step <= total*1.0001; k++ {
		px := left + float64(k)*step*scale
		cv.Line(px, top+high+6, px, top+high+12, picture.Style{Stroke: picture.Soft})
		label := fmt.Sprintf("%.4g", float64(k)*step*1000)
		if k == 0 {
			label = "0 ms"
		}
		anchor := picture.Middle
		if k == 0 {
			anchor = picture.Start
		}
		cv.Text(px, top+high+28, label, picture.TextStyle{Colour: picture.Soft, Anchor: anchor})
	}
	return cv
}

// TestDocPictures compares the committed pictures with what the modulator writes now; look at them before committing.
func TestDocPictures(t *testing.T) {
	for _, name := range allCodes {
		bits := []int{0, 1, 1, 0, 1}
		if c := codeNamed(t, name); c.Tones == nil || c.Tones.One.Cycles < 4 {
			bits = []int{0, 1, 1, 0, 1, 0, 0, 1}
		}
		var b bytes.Buffer
		if err := drawn(t, codeNamed(t, name), bits).SVG(&b, picture.SVGOptions{}); err != nil {
			t.Fatal(err)
		}
		path := filepath.Join("..", "..", "doc", "pictures", "line-codes", name+".svg")
		if *update {
			if err := os.MkdirAll(filepath.Dir(path), 0o777); err != nil {
				t.Fatal(err)
			}
			if err := os.WriteFile(path, b.Bytes(), 0o644); err != nil {
				t.Fatal(err)
			}
		}
		want, err := os.ReadFile(path)
		if err != nil {
			t.Fatal(err)
		}
		if !bytes.Equal(b.Bytes(), want) {
			t.Errorf("%s differs from what is written now; go test ./tape/linecode -run TestDocPictures -update", path)
		}
	}
}
