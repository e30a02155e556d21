package disk

import (
	"fmt"
	"iter"
	"slices"
)

// Place names one sector of a raw image.
type Place struct{ Cylinder, Head, Sector int }

func (p Place) String() string {
	return fmt.Sprintf("cylinder %d head %d sector %d", p.Cylinder, p.Head, p.Sector)
}

func (p Place) compare(q Place) int {
	if d := p.Cylinder - q.Cylinder; d != 0 {
		return d
	}
	if d := p.Head - q.Head; d != 0 {
		return d
	}
	return p.Sector - q.Sector
}

// Image is the sectors of one disk with what is known of each. Data is the raw image; a sector that is nothing but
// what the geometry says needs nothing else. The rest (other marks, odd identifiers, damage, repairs, doubts) is
// kept per place, and sectors that the raw image has no room for are Extra.
type Image struct {
	Recording string // name of the recording, "" where it is not known
	Geometry  Geometry
	Data      []byte
	Extra     []Sector
	notes     map[Place]Sector // Data nil: it is in the raw image
}

// NewImage is an image of r, every data field filled as r says.
func NewImage(r *Recording) *Image {
	g := r.Geometry()
	im := &Image{Recording: r.Name, Geometry: g, Data: make([]byte, 0, g.Size())}
	for c := 0; c < g.Cylinders; c++ {
		for h := 0; h < g.Heads; h++ {
			f := r.Format(c, h)
			for i := 0; i < f.Sectors*f.Size; i++ {
				im.Data = append(im.Data, byte(f.Fill))
			}
		}
	}
	return im
}

// ImageOf takes a raw image of known shape. Data shorter than the geometry is padded, and the sectors without bytes
// are noted as Bad; bytes beyond it are an error.
func ImageOf(recording string, g Geometry, data []byte) (*Image, error) {
	if int64(len(data)) > g.Size() {
		return nil, fmt.Errorf("%d bytes: %d more than %d cylinders and %d sides hold", len(data), int64(len(data))-g.Size(), g.Cylinders, g.Heads)
	}
	im := &Image{Recording: recording, Geometry: g, Data: data}
	if short := int64(len(data)); short < g.Size() {
		im.Data = append(slices.Clone(data), make([]byte, g.Size()-short)...)
		for p := range im.Places() {
			off, _ := g.Offset(p.Cylinder, p.Head, p.Sector)
			if off+int64(g.Shape(p.Cylinder, p.Head).Size) > short {
				s, _ := im.Sector(p)
				s.Status, s.Why = Bad, "the image ends before this sector"
				im.note(p, s)
			}
		}
	}
	return im, nil
}

// Places are the sectors of the raw image, in image order.
func (im *Image) Places() iter.Seq[Place] {
	return func(yield func(Place) bool) {
		for c := 0; c < im.Geometry.Cylinders; c++ {
			for h := 0; h < im.Geometry.Heads; h++ {
				t := im.Geometry.Shape(c, h)
				for s := t.FirstID; s < t.FirstID+t.Sectors; s++ {
					if !yield(Place{c, h, s}) {
						return
					}
				}
			}
		}
	}
}

// Bytes is the data of one sector inside Data: writing to it changes the image. nil where there is no such place.
func (im *Image) Bytes(p Place) []byte {
	off, err := im.Geometry.Offset(p.Cylinder, p.Head, p.Sector)
	if err != nil {
		return nil
	}
	n := im.Geometry.Shape(p.Cylinder, p.Head).Size
	return im.Data[off : off+int64(n) : off+int64(n)]
}

// plain is the sector that the geometry alone describes.
func (im *Image) plain(p Place) Sector {
	t := im.Geometry.Shape(p.Cylinder, p.Head)
	code, _ := SizeCodeOf(t.Size)
	return Sector{
		Cylinder: p.Cylinder, Head: p.Head, Encoding: t.Encoding, Mark: MarkData, Margin: -1, Angle: -1,
		ID: SectorID{uint8(p.Cylinder), uint8(p.Head), uint8(p.Sector), code},
	}
}

// Sector is everything known of one place. Its Data is the image's own.
func (im *Image) Sector(p Place) (Sector, bool) {
	b := im.Bytes(p)
	if b == nil {
		return Sector{}, false
	}
	s, noted := im.notes[p]
	if !noted {
		s = im.plain(p)
	}
	if s.Data == nil && s.Mark != 0 {
		s.Data = b
	}
	return s, true
}

// Put files a sector under a place of the raw image: its data goes into Data (cut or zero-padded to fit), and what
// is not plain about it is noted.
func (im *Image) Put(p Place, s Sector) error {
	b := im.Bytes(p)
	if b == nil {
		_, err := im.Geometry.Offset(p.Cylinder, p.Head, p.Sector)
		return err
	}
	n := copy(b, s.Data)
	clear(b[n:])
	if len(s.Data) == len(b) {
		s.Data = nil
	} else {
		s.Data = slices.Clone(s.Data)
	}
	im.note(p, s)
	return nil
}

func (im *Image) note(p Place, s Sector) {
	q := im.plain(p)
	if s.Status == Good && s.Mark == q.Mark && s.ID == q.ID && s.Encoding == q.Encoding && s.Why == "" && s.Data == nil {
		delete(im.notes, p)
		return
	}
	if im.notes == nil {
		im.notes = make(map[Place]Sector)
	}
	im.notes[p] = s
}

// SetMark changes the data mark of one sector.
func (im *Image) SetMark(p Place, mark byte) {
	if s, ok := im.Sector(p); ok && s.Mark != mark {
		s.Mark, s.Data = mark, nil
		im.note(p, s)
	}
}

// Noted are the places of which more is known than their data, in image order.
func (im *Image) Noted() []Place {
	ps := make([]Place, 0, len(im.notes))
	for p := range im.notes {
		ps = append(ps, p)
	}
	slices.SortFunc(ps, Place.compare)
	return ps
}

// Track is the sectors of one track in numeric order, and those Extra that lie on it after them.
func (im *Image) Track(cylinder, head int) []Sector {
	t := im.Geometry.Shape(cylinder, head)
	var out []Sector
	for n := t.FirstID; n < t.FirstID+t.Sectors; n++ {
		s, _ := im.Sector(Place{cylinder, head, n})
		out = append(out, s)
	}
	for _, s := range im.Extra {
		if s.Cylinder == cylinder && s.Head == head {
			out = append(out, s)
		}
	}
	return out
}

// All are the sectors in image order, then the Extra.
func (im *Image) All() iter.Seq2[Place, Sector] {
	return func(yield func(Place, Sector) bool) {
		for p := range im.Places() {
			s, _ := im.Sector(p)
			if !yield(p, s) {
				return
			}
		}
		for _, s := range im.Extra {
			if !yield(Place{s.Cylinder, s.Head, int(s.ID.Sector)}, s) {
				return
			}
		}
	}
}

// Clone is an image that shares nothing with im.
func (im *Image) Clone() *Image {
	c := *im
	c.Data = slices.Clone(im.Data)
	c.Extra = slices.Clone(im.Extra)
	c.notes = make(map[Place]Sector, len(im.notes))
	for p, s := range im.notes {
		c.notes[p] = s
	}
	return &c
}
