package volume

import (
	"cmp"
	"fmt"
	"slices"

	"remanence/disk"
)

// Part is a stretch of a volume's image and what it means: a field of a book (directory entry, table, parameter block)
// or a piece of content, of a sector at most.
type Part struct {
	At, Len int    // bytes of the image
	Name    string // "entry 40h, name"; of content its sector: "cylinder 0, head 0, sector 5"
	What    string // what stands there, in words
	File    string // the file, as Files names it, whose content this is, or whose entry or link; "" for none
}

// Link is one unit of a file's chain.
type Link struct {
	Unit    int          // its number; -1: none that can be read
	Place   string       // in the volume's own terms: "cylinder 0 granule 1", "cluster 3"
	At      int          // where its first sector lies in the image; -1: nowhere
	Bytes   int          // how much of the file is in it
	Sectors []disk.Place // in the order of the file
}

// charted is what Parts and Chain need of a kind, besides what holds its units.
type charted interface {
	holder
	// books names the fields of everything that is no content.
	books(put func(at, n int, name, file, what string))
	// stretches are where a unit lies in the image, as offset and length, in the order of the content.
	stretches(unit int) [][2]int
}

// holding is a file with its units.
type holding struct {
	name  string
	size  int64 // -1: all of its units
	units []int
}

func holdings(v Volume, h charted) []holding {
	sizes := map[string]int64{}
	for _, f := range v.Files() {
		sizes[f.Name] = f.Size
	}
	var out []holding
	h.held(func(name string, units []int) {
		size, ok := sizes[name]
		if !ok {
			size = -1
		}
		out = append(out, holding{name, size, units})
	})
	return out
}

// grain is the least stretch that is told apart: the smallest sector there is, and the record of extent volumes.
const grain = 128

// owner says whose content begins at a grain.
type owner struct {
	holding  int // from 1; 0: nobody's
	link     int // of the chain
	from     int64
	shared   int // another that holds the same place, from 1
	state    UnitState
	unit     int
	inVolume bool
}

// Parts says of every byte of the image what it is, ascending and without gaps or overlap: fields of the directory and
// the tables one by one, content sector by sector with its place in the chain of its file, and what is free, lost or of
// no use to the volume. Bytes that can mean two things, such as a cluster that two files hold, name both.
func Parts(v Volume) []Part {
	h, ok := v.(charted)
	if !ok {
		return nil
	}
	im := v.Image()
	var out []Part
	h.books(func(at, n int, name, file, what string) {
		if at >= 0 && n > 0 && at+n <= len(im.Data) {
			out = append(out, Part{at, n, name, cmp.Or(what, "blank"), file})
		}
	})
	slices.SortStableFunc(out, func(a, b Part) int { return cmp.Compare(a.At, b.At) })
	books := out[:0] // without overlap: the first that claims a place names it
	end := 0
	for _, p := range out {
		if p.At >= end {
			books, end = append(books, p), p.At+p.Len
		}
	}
	info := v.Info()
	c := chart{v: v, h: h, im: im, unit: info.Unit, unitBytes: info.UnitBytes, held: holdings(v, h), books: books, owners: make([]owner, len(im.Data)/grain+1)}
	c.fill()
	return c.parts()
}

// chart puts the parts together.
type chart struct {
	v         Volume
	h         charted
	im        *disk.Image
	unit      string
	unitBytes int
	held      []holding
	books     []Part
	owners    []owner // by grain
	out       []Part
}

func (c *chart) fill() {
	for _, u := range c.v.Map() {
		for _, s := range c.h.stretches(u.Number) {
			for g := s[0] / grain; g < (s[0]+s[1])/grain && g < len(c.owners); g++ {
				c.owners[g] = owner{state: u.State, unit: u.Number, inVolume: true}
			}
		}
	}
	for i, f := range c.held {
		from := int64(0)
		for k, u := range f.units {
			if u < 0 {
				from += int64(c.unitBytes)
				continue
			}
			for _, s := range c.h.stretches(u) {
				for o := 0; o < s[1]; o += grain {
					g := (s[0] + o) / grain
					if g >= len(c.owners) {
						continue
					}
					switch w := &c.owners[g]; {
					case w.holding == 0:
						w.holding, w.link, w.from = i+1, k, from+int64(o)
					case w.shared == 0 && w.holding != i+1:
						w.shared = i + 1
					}
				}
				from += int64(s[1])
			}
		}
	}
}

// parts walks the image sector by sector; where books are, they name the bytes.
func (c *chart) parts() []Part {
	at, next, end := 0, 0, 0
	for p := range c.im.Places() {
		end += len(c.im.Bytes(p))
		for at < end {
			for next < len(c.books) && c.books[next].At+c.books[next].Len <= at {
				next++
			}
			if next < len(c.books) && c.books[next].At <= at { // may reach over sectors
				c.out = append(c.out, c.books[next])
				at = c.books[next].At + c.books[next].Len
				continue
			}
			stop := end
			if next < len(c.books) {
				stop = min(stop, c.books[next].At)
			}
			c.content(p, at, stop)
			at = stop
		}
	}
	return c.out
}

// content names a stretch of one sector by its owners.
func (c *chart) content(p disk.Place, at, end int) {
	name := fmt.Sprintf("cylinder %d, head %d, sector %d", p.Cylinder, p.Head, p.Sector)
	for at < end {
		w := c.owners[at/grain]
		stop := min(end, (at/grain+1)*grain)
		for stop < end {
			n := c.owners[stop/grain]
			if n.holding != w.holding || n.link != w.link || n.shared != w.shared || n.state != w.state || n.inVolume != w.inVolume || n.holding != 0 && n.from != w.from+int64(stop-at/grain*grain) {
				break
			}
			stop = min(end, (stop/grain+1)*grain)
		}
		if w.holding == 0 {
			c.out = append(c.out, Part{at, stop - at, name, c.idle(w), ""})
			at = stop
			continue
		}
		f := c.held[w.holding-1]
		from := w.from + int64(at%grain)
		last := from + int64(stop-at)
		what := fmt.Sprintf("%s, %s %d of %d (%s)", f.name, c.unit, w.link+1, len(f.units), c.h.unitPlace(f.units[w.link]))
		if w.shared != 0 {
			what += "; " + c.held[w.shared-1].name + " holds it as well"
		}
		switch {
		case f.size >= 0 && from >= f.size:
			c.out = append(c.out, Part{at, stop - at, name, "behind the end of " + what, f.name})
		case f.size >= 0 && last > f.size: // the file ends in here
			n := int(f.size - from)
			c.out = append(c.out, Part{at, n, name, fmt.Sprintf("%s: bytes %d to %d, the last", what, from, f.size-1), f.name},
				Part{at + n, stop - at - n, name + ", rest", "behind the end of " + f.name, f.name})
		default:
			c.out = append(c.out, Part{at, stop - at, name, fmt.Sprintf("%s: bytes %d to %d", what, from, last-1), f.name})
		}
		at = stop
	}
}

func (c *chart) idle(w owner) string {
	if !w.inVolume {
		return "not used by the volume"
	}
	where := " (" + c.h.unitPlace(w.unit) + ")"
	switch w.state {
	case UnitFree:
		return "free" + where
	case UnitLocked:
		return "locked out or marked bad" + where
	case UnitLost:
		return "taken, but no file holds it" + where
	}
	return "of the volume itself" + where
}

// Chain is the units of one file in the order of its content, with the sectors of each. The name is as Files, or the map,
// gives it.
func Chain(v Volume, name string) ([]Link, error) {
	h, ok := v.(charted)
	if !ok {
		return nil, fmt.Errorf("%s volume: its chains are not known", v.Kind())
	}
	im, unitBytes := v.Image(), v.Info().UnitBytes
	places := make([]disk.Place, 0, im.Geometry.Sectors()) // by order in the image
	var begins []int
	at := 0
	for p := range im.Places() {
		places, begins = append(places, p), append(begins, at)
		at += len(im.Bytes(p))
	}
	for _, f := range holdings(v, h) {
		if f.name != name {
			continue
		}
		left := f.size
		var out []Link
		for _, u := range f.units {
			l := Link{Unit: u, At: -1, Place: "nowhere on the disk", Bytes: unitBytes}
			if u >= 0 {
				l.Place = h.unitPlace(u)
				for _, s := range h.stretches(u) {
					if l.At < 0 {
						l.At = s[0]
					}
					i, exact := slices.BinarySearch(begins, s[0])
					if !exact {
						i--
					}
					for ; i < len(begins) && begins[i] < s[0]+s[1]; i++ {
						if n := len(l.Sectors); n == 0 || l.Sectors[n-1] != places[i] {
							l.Sectors = append(l.Sectors, places[i])
						}
					}
				}
			}
			if left >= 0 {
				l.Bytes = int(min(left, int64(l.Bytes)))
				left -= int64(l.Bytes)
			}
			out = append(out, l)
		}
		return out, nil
	}
	return nil, fmt.Errorf("%s: %w", name, ErrNoFile)
}
