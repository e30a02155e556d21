package recover

import (
	"bytes"
	"context"
	"encoding/json"
	"encoding/xml"
	"image/png"
	"io"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"remanence/disk"
	"remanence/disk/flux"
	"remanence/disk/track"
	"remanence/picture"
)

func TestMapTableAndPictures(t *testing.T) {
	dir := t.TempDir()
	im := filled(3, 5)
	a := filepath.Join(dir, "a")
	spoilt(t, a, im, 4)
	res := run(t, Options{Recordings: []*disk.Recording{rec(40)}}, a)
	m := res.Map("heron.img", false)
	n := 0
	for _, tr := range m.Tracks {
		last := -1.0
		for _, s := range tr.Sectors {
			n++
			if s.Drawn < last {
				t.Errorf("cylinder %d: sectors are not in order of angle", tr.Cylinder)
			}
			last = s.Drawn
			if s.State == "good" && (s.Angle == nil || s.Margin == nil) {
				t.Errorf("cylinder %d sector %d: good without angle or margin", s.Cylinder, s.Sector)
			}
		}
	}
	if n != 30 || m.Good+m.Repaired+m.Doubtful+m.Lost != 30 || m.Good != 27 {
		t.Errorf("%d sectors in the map, %d good", n, m.Good)
	}
	var table DamageMap
	b, err := RenderMap(m, "x.json")
	if err != nil || json.Unmarshal(b, &table) != nil || len(table.Tracks) != 3 || table.Good != 27 {
		t.Errorf("table: %v", err)
	}
	text, _ := RenderMap(m, "x.txt")
	if !strings.Contains(string(text), "fm10x256:3x1: 27 of 30 sectors good") || strings.Count(string(text), "\ncylinder ") != 3 {
		t.Errorf("text:\n%s", text)
	}
	for _, c := range []string{"map", "quality"} {
		canvas := m.Draw()
		if c == "quality" {
			canvas = res.Quality("heron.img")
		}
		svg, err := Render(canvas, "x.svg")
		if err != nil {
			t.Fatal(err)
		}
		again, _ := Render(canvas, "x.svg")
		if !bytes.Equal(svg, again) {
			t.Errorf("%s: two drawings differ", c)
		}
		d := xml.NewDecoder(bytes.NewReader(svg))
		for {
			if _, err := d.Token(); err == io.EOF {
				break
			} else if err != nil {
				t.Fatalf("%s: %v", c, err)
			}
		}
		p, err := Render(canvas, "x.png")
		if err != nil {
			t.Fatal(err)
		}
		if img, err := png.Decode(bytes.NewReader(p)); err != nil || img.Bounds().Dx() < 1000 {
			t.Errorf("%s: %v", c, err)
		}
	}
	// Nothing says damage by colour: no red anywhere (look.md).
	if svg, _ := Render(m.Draw(), "x.svg"); bytes.Contains(bytes.ReplaceAll(bytes.ToLower(svg), []byte("measured"), nil), []byte("red")) {
		t.Error("the map is drawn with red")
	}
	if _, err := RenderMap(m, "x.gif"); err == nil {
		t.Error("a .gif was promised")
	}
}

func BenchmarkMapPNG(b *testing.B) {
	im := filled(80, 9)
	res := &Result{Rec: rec(80), Best: im, Tracks: fromImage("a", im, rec(80))}
	b.SetBytes(int64(len(im.Data)))
	for b.Loop() {
		if _, err := RenderMap(res.Map("x", false), "x.png"); err != nil {
			b.Fatal(err)
		}
	}
}

// What each read gives alone, against what they give together. The sectors that are spoilt are the test's own: number 3
// of each track in the first captures, 7 in the second, so that each alone has 18 of 20 and both together have all.
func TestEachReadAlone(t *testing.T) {
	dir := t.TempDir()
	im := filled(2, 1)
	a, b := filepath.Join(dir, "first"), filepath.Join(dir, "second")
	spoilt(t, a, im, 3)
	spoilt(t, b, im, 7)
	raw := save(t, filepath.Join(dir, "old.img"), im)
	res := run(t, Options{Recordings: []*disk.Recording{rec(40)}, Recording: rec(2)}, a, b, raw)
	m := res.Map("heron", false)
	m.AddReads(res.Tracks)
	want := []DiskRead{{"capture 1", 2, 18, 0, 2}, {"capture 2", 2, 18, 0, 2}, {"old.img", 2, 20, 0, 0}}
	if !slices.Equal(m.Reads, want) || m.MoreReads != 0 {
		t.Fatalf("reads %+v, want %+v", m.Reads, want)
	}
	for _, tr := range m.Tracks {
		if len(tr.Reads) != 3 {
			t.Fatalf("cylinder %d: %d reads, want 3", tr.Cylinder, len(tr.Reads))
		}
		for i, s := range tr.Sectors {
			for k, spoiltOne := range []int{3, 7, -1} {
				want := picture.Good
				if s.Sector == spoiltOne {
					want = picture.Lost
				}
				if got := tr.Reads[k].State(i); got != want {
					t.Errorf("cylinder %d sector %d, %s: %v, want %v", tr.Cylinder, s.Sector, m.Reads[k].Name, got, want)
				}
			}
		}
	}
	if len(res.Captured) != 2 || len(res.Captured[0].Sources) != 2 || res.Captured[0].Sources[0].Path != filepath.Join(a, "c00h0.ivl") {
		t.Errorf("captured: %+v", res.Captured)
	}
}

// A number that a track has twice: each of the two sectors is drawn where it lies.
func TestSameNumberTwiceOnTheMap(t *testing.T) {
	r := rec(1)
	im := filled(1, 4)
	sectors := im.Track(0, 0)
	sectors[2].ID.Sector = 3 // it passes first; the one before 4 is the image's
	cells, err := track.Build(r, 0, 0, sectors)
	if err != nil {
		t.Fatal(err)
	}
	c := cells.Capture(0, 0, track.EncodeOptions{Revolutions: 2})
	res, err := track.Scan(context.Background(), []*flux.Capture{c}, track.Options{})
	if err != nil {
		t.Fatal(err)
	}
	best, _ := track.ToImage([]*track.Result{res}, r)
	m := NewMap("twice", r, best, []*track.Result{res})
	at := map[bool]float64{}
	for _, s := range m.Tracks[0].Sectors {
		if s.Sector == 3 && s.Angle != nil {
			at[s.Extra] = *s.Angle
		}
	}
	if len(at) != 2 || at[true] == at[false] {
		t.Fatalf("sectors 3, the extra one apart, lie at %v: want two places", at)
	}
	for _, q := range res.Sectors {
		if q.ID.Sector == 3 && bytes.Equal(q.Data, best.Bytes(disk.Place{Sector: 3})) && q.Angle != at[false] {
			t.Errorf("the sector in the image lies at %.3f, the map has it at %.3f", q.Angle, at[false])
		}
	}
}
