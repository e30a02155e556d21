package disk

import "fmt"

// MaxCylinders bounds what any parser accepts; no floppy drive has more than about 85.
const MaxCylinders = 256

// TrackShape is the part of a track that a raw image holds.
type TrackShape struct {
	Sectors, Size, FirstID int
	Encoding               Encoding
}

// Bytes is what the track takes in a raw image.
func (t TrackShape) Bytes() int { return t.Sectors * t.Size }

// Geometry is the shape of a raw sector image: for each track how many sectors of what size. Tracks are in image
// order: cylinder by cylinder, head 0 then head 1.
type Geometry struct {
	Cylinders, Heads int
	tracks           []TrackShape
	offsets          []int64 // of each track, and the end
}

// NewGeometry is a disk all of whose tracks are alike.
func NewGeometry(cylinders, heads int, t TrackShape) Geometry {
	g := Geometry{Cylinders: cylinders, Heads: heads, tracks: make([]TrackShape, cylinders*heads)}
	for i := range g.tracks {
		g.tracks[i] = t
	}
	g.index()
	return g
}

func (g *Geometry) index() {
	g.offsets = make([]int64, len(g.tracks)+1)
	for i, t := range g.tracks {
		g.offsets[i+1] = g.offsets[i] + int64(t.Bytes())
	}
}

// Has reports whether the place exists.
func (g *Geometry) Has(cylinder, head int) bool {
	return cylinder >= 0 && cylinder < g.Cylinders && head >= 0 && head < g.Heads
}

// Shape is the shape of one track; the zero shape where there is none.
func (g *Geometry) Shape(cylinder, head int) TrackShape {
	if !g.Has(cylinder, head) {
		return TrackShape{}
	}
	return g.tracks[cylinder*g.Heads+head]
}

// Size is the length of the raw image in bytes.
func (g *Geometry) Size() int64 {
	if len(g.offsets) == 0 {
		return 0
	}
	return g.offsets[len(g.offsets)-1]
}

// Offset is where a sector (by its number) lies in the raw image.
func (g *Geometry) Offset(cylinder, head, sector int) (int64, error) {
	t := g.Shape(cylinder, head)
	if t.Sectors == 0 {
		return 0, fmt.Errorf("cylinder %d head %d: not on a disk of %d cylinders and %d sides", cylinder, head, g.Cylinders, g.Heads)
	}
	if sector < t.FirstID || sector >= t.FirstID+t.Sectors {
		return 0, fmt.Errorf("cylinder %d head %d sector %d: sectors here are %d to %d", cylinder, head, sector, t.FirstID, t.FirstID+t.Sectors-1)
	}
	return g.offsets[cylinder*g.Heads+head] + int64((sector-t.FirstID)*t.Size), nil
}

// Locate is the place and sector number of a byte of the raw image.
func (g *Geometry) Locate(offset int64) (cylinder, head, sector int, ok bool) {
	for i, t := range g.tracks {
		if offset >= g.offsets[i] && offset < g.offsets[i+1] {
			return i / g.Heads, i % g.Heads, t.FirstID + int(offset-g.offsets[i])/t.Size, true
		}
	}
	return 0, 0, 0, false
}

// Sectors is how many sectors the image holds.
func (g *Geometry) Sectors() int {
	n := 0
	for _, t := range g.tracks {
		n += t.Sectors
	}
	return n
}
