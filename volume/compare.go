package volume

import (
	"cmp"
	"fmt"
	"slices"
	"strings"

	"remanence/disk"
)

// Difference is one way in which two images differ.
type Difference struct {
	Where string `json:"where"` // file, "directory", "slack", or the place where no volume is known
	Name  string `json:"name,omitempty"`
	What  string `json:"what"`
	Bytes int    `json:"bytes"` // how many differ
}

// Compare says how two volumes differ: which files, and in what; and what differs outside of files, in the directory
// and the tables, or in slack: space that no file reaches. Nothing: they are equal byte for byte.
func Compare(a, b Volume) []Difference {
	var out []Difference
	fa, fb := a.Files(), b.Files()
	byName := map[string]File{}
	for _, f := range fb {
		byName[f.Name] = f
	}
	for _, f := range fa {
		g, ok := byName[f.Name]
		if !ok {
			out = append(out, Difference{Where: "file", Name: f.Name, What: "only in the first", Bytes: int(f.Size)})
			continue
		}
		delete(byName, f.Name)
		da, _, err1 := a.Get(f.Name)
		db, _, err2 := b.Get(f.Name)
		if err1 != nil || err2 != nil {
			out = append(out, Difference{Where: "file", Name: f.Name, What: "cannot be read in one of them"})
			continue
		}
		if n, first := differing(da, db); n > 0 {
			what := fmt.Sprintf("%d bytes differ, the first at offset %d", n, first)
			if len(da) != len(db) {
				what += fmt.Sprintf("; %d bytes against %d", len(da), len(db))
			}
			out = append(out, Difference{Where: "file", Name: f.Name, What: what, Bytes: n})
		}
		if f.Date != g.Date || !slices.Equal(f.Attributes, g.Attributes) {
			out = append(out, Difference{Where: "directory", Name: f.Name, What: fmt.Sprintf("date or attributes: %s against %s", describe(f), describe(g))})
		}
	}
	for _, f := range fb {
		if _, ok := byName[f.Name]; ok {
			out = append(out, Difference{Where: "file", Name: f.Name, What: "only in the second", Bytes: int(f.Size)})
		}
	}
	return append(out, compareRest(a, b)...)
}

func describe(f File) string {
	return strings.Join(append([]string{cmp.Or(f.Date, "no date")}, f.Attributes...), " ")
}

// differing counts the bytes that differ; what one has more counts as well.
func differing(a, b []byte) (n, first int) {
	first = -1
	for i := range max(len(a), len(b)) {
		if i >= len(a) || i >= len(b) || a[i] != b[i] {
			if n++; first < 0 {
				first = i
			}
		}
	}
	return n, first
}

// compareRest compares two images of one shape sector by sector outside of what files reach.
func compareRest(a, b Volume) (out []Difference) {
	ia, ib := a.Image(), b.Image()
	if a.Kind() != b.Kind() || !sameShape(ia.Geometry, ib.Geometry) {
		return []Difference{{Where: "volume", What: fmt.Sprintf("%s of %d bytes against %s of %d: only the files are compared", a.Kind(), len(ia.Data), b.Kind(), len(ib.Data))}}
	}
	areaA, areaB := areas(a), areas(b)
	counts := map[string]*Difference{}
	var order []string
	for i := range ia.Data {
		if ia.Data[i] == ib.Data[i] {
			continue
		}
		x := areaA[i]
		if areaB[i] > x {
			x = areaB[i]
		}
		if x == areaFile { // said above, where it is the same file
			continue
		}
		where := map[area]string{areaSlack: "slack", areaSystem: "directory"}[x]
		d := counts[where]
		if d == nil {
			c, h, s, _ := ia.Geometry.Locate(int64(i))
			d = &Difference{Where: where, What: fmt.Sprintf("the first at %s", disk.Place{Cylinder: c, Head: h, Sector: s})}
			counts[where] = d
			order = append(order, where)
		}
		d.Bytes++
	}
	for _, w := range order {
		d := counts[w]
		d.What = fmt.Sprintf("%d bytes differ, %s", d.Bytes, d.What)
		out = append(out, *d)
	}
	for p := range ia.Places() {
		sa, _ := ia.Sector(p)
		sb, _ := ib.Sector(p)
		if sa.Mark != sb.Mark || sa.Status != sb.Status || sa.ID != sb.ID {
			out = append(out, Difference{Where: "sector", Name: p.String(), What: fmt.Sprintf("mark %02X, identifier %s, %s against %02X, %s, %s", sa.Mark, sa.ID, sa.Status, sb.Mark, sb.ID, sb.Status)})
		}
	}
	return out
}

type area uint8

const (
	areaSlack area = iota
	areaFile
	areaSystem
)

// areas says of every byte of the image what it belongs to.
func areas(v Volume) []area {
	out := make([]area, len(v.Image().Data))
	fill := func(at, n int, x area) {
		for i := at; i < at+n && i < len(out) && i >= 0; i++ {
			out[i] = x
		}
	}
	switch v := v.(type) {
	case *granule:
		fill(0, v.bytes(), areaSystem)
		for q := range v.perCyl {
			fill(int(v.offsets[v.dir*v.perCyl+q]), v.bytes(), areaSystem)
		}
		for t := range v.geometry.Heads { // sectors of the directory cylinder behind the last granule
			off, err := v.geometry.Offset(v.dir, t, v.geometry.Shape(v.dir, t).FirstID)
			if err == nil {
				fill(int(off), v.geometry.Shape(v.dir, t).Bytes(), areaSystem)
			}
		}
		codes, _ := v.primaries()
		for _, code := range codes {
			size, _ := v.need(v.entry(code))
			list, _ := v.granulesOf(code)
			for i, g := range list {
				if g >= 0 {
					fill(int(v.offsets[g]), int(min(int64(v.bytes()), max(0, size-int64(i*v.bytes())))), areaFile)
				}
			}
		}
	case *fat12:
		fill(0, v.data*v.sectorBytes, areaSystem)
		v.walk(func(n fatNode, e fatEntry) {
			if n.path == "" {
				return
			}
			list, _ := v.chain(e.cluster())
			for i, c := range list {
				if e.directory() {
					fill(v.offset(c), v.clusterBytes(), areaSystem)
				} else {
					fill(v.offset(c), int(min(int64(v.clusterBytes()), max(0, e.size()-int64(i*v.clusterBytes())))), areaFile)
				}
			}
		}, nil)
	case *extentVolume:
		fill(0, v.p.OFF*v.p.SPT*recordBytes, areaSystem)
		for r := range v.p.directoryBlocks() << v.p.BSH {
			fill(v.offset(r), recordBytes, areaSystem)
		}
		for _, f := range v.files() {
			blocks, _ := v.layout(f)
			for i, b := range blocks {
				for r := range v.p.BLM + 1 {
					if b >= 0 && i<<v.p.BSH+r < v.size(f) {
						fill(v.offset(b<<v.p.BSH+r), recordBytes, areaFile)
					}
				}
			}
		}
	}
	return out
}
