package shelf

import (
	"cmp"
	"context"
	"encoding/binary"
	"slices"
)

// A sketch tells how alike two contents are without keeping them. Every run of six bytes is hashed; the hashes fall
// into 64 buckets by their top bits, and the least of each bucket is kept. Two contents that share a part p of their
// runs (all different ones counted once) agree in about p of the buckets (one-permutation MinHash). Eight bands of two
// buckets each find those that agree in most without comparing all with all.
const (
	shingle     = 6
	buckets     = 64
	bandCount   = 8
	sketchBytes = 4 * buckets
	minSketched = 64 // shorter contents have too few runs to compare
)

func sketch(data []byte) []byte {
	if len(data) < minSketched {
		return nil
	}
	var least [buckets]uint32
	for i := range least {
		least[i] = 1<<32 - 1
	}
	var w uint64
	for i, b := range data {
		w = (w<<8 | uint64(b)) & (1<<(8*shingle) - 1)
		if i < shingle-1 {
			continue
		}
		h := w * 0x9E3779B97F4A7C15
		h ^= h >> 29
		h *= 0xBF58476D1CE4E5B9
		v := uint32(h >> 26)
		if k := h >> 58; v < least[k] {
			least[k] = v
		}
	}
	out := make([]byte, sketchBytes)
	for i, v := range least {
		binary.LittleEndian.PutUint32(out[4*i:], v)
	}
	return out
}

// bands are the keys under which a sketch is found again.
func bands(sk []byte) []int64 {
	if len(sk) != sketchBytes {
		return nil
	}
	var out []int64
	for i := range bandCount {
		a := uint64(binary.LittleEndian.Uint32(sk[8*i:]))
		b := uint64(binary.LittleEndian.Uint32(sk[8*i+4:]))
		if a == 1<<32-1 || b == 1<<32-1 { // an empty bucket says nothing
			continue
		}
		h := (a<<32 | b) * 0x9E3779B97F4A7C15
		out = append(out, int64(uint64(i)<<56|h>>8))
	}
	return out
}

// alike is the part of their buckets in which two sketches agree, 0..1, those that are empty in both left out.
func alike(a, b []byte) float64 {
	if len(a) != sketchBytes || len(b) != sketchBytes {
		return 0
	}
	same, n := 0, 0
	for i := range buckets {
		x, y := binary.LittleEndian.Uint32(a[4*i:]), binary.LittleEndian.Uint32(b[4*i:])
		if x == 1<<32-1 && y == 1<<32-1 {
			continue
		}
		n++
		if x == y {
			same++
		}
	}
	if n == 0 {
		return 0
	}
	return float64(same) / float64(n)
}

// Duplicate is one content seen at several paths.
type Duplicate struct {
	File  File     `json:"file"`
	Paths []string `json:"paths"`
}

// Duplicates lists contents that lie at more than one path, those that take most room first.
func (s *Shelf) Duplicates(ctx context.Context, limit int) ([]Duplicate, error) {
	files, err := query(ctx, s, scanFile, "SELECT "+fileColumns+` FROM files f JOIN (SELECT file, count(*) AS n FROM paths GROUP BY file HAVING n > 1) p ON p.file = f.id
		ORDER BY f.size * (p.n - 1) DESC, f.name, f.sha256 LIMIT ?`, limit)
	if err != nil {
		return nil, err
	}
	out := []Duplicate{}
	for _, f := range files {
		p, err := s.pathsOf(ctx, f.SHA256)
		if err != nil {
			return nil, err
		}
		out = append(out, Duplicate{f, p})
	}
	return out, nil
}

// Pair is two contents that are nearly the same.
type Pair struct {
	A     File    `json:"a"`
	B     File    `json:"b"`
	Alike float64 `json:"alike"` // estimate, 0..1, good to about ±0.06
}

// nearEnough is from where on two contents are told as nearly the same.
const nearEnough = 0.6

// Near lists pairs of nearly the same content, the most alike first. Bands that more than 50 files share say nothing
// (all of them begin with the same header) and are passed over.
func (s *Shelf) Near(ctx context.Context, limit int) ([]Pair, error) {
	type row struct {
		id     int64
		f      File
		sketch []byte
	}
	pairs, err := query(ctx, s, func(r interface{ Scan(...any) error }) (p [2]row, err error) {
		a, b := &p[0], &p[1]
		err = r.Scan(&a.id, &a.f.SHA256, &a.f.Size, &a.f.Kind, &a.f.Name, &a.f.Whole, &a.f.About, &a.f.Added, &a.sketch,
			&b.id, &b.f.SHA256, &b.f.Size, &b.f.Kind, &b.f.Name, &b.f.Whole, &b.f.About, &b.f.Added, &b.sketch)
		return p, err
	}, `WITH shared AS (SELECT band FROM bands GROUP BY band HAVING count(*) BETWEEN 2 AND 50),
		pairs AS (SELECT DISTINCT x.file AS a, y.file AS b FROM shared JOIN bands x USING(band) JOIN bands y USING(band) WHERE x.file < y.file LIMIT 200000)
		SELECT f.id, f.sha256, f.size, f.kind, f.name, f.whole, f.about, f.added, f.sketch,
			g.id, g.sha256, g.size, g.kind, g.name, g.whole, g.about, g.added, g.sketch
		FROM pairs JOIN files f ON f.id = pairs.a JOIN files g ON g.id = pairs.b`)
	if err != nil {
		return nil, err
	}
	out := []Pair{}
	for _, p := range pairs {
		if v := alike(p[0].sketch, p[1].sketch); v >= nearEnough {
			out = append(out, Pair{p[0].f, p[1].f, v})
		}
	}
	slices.SortFunc(out, func(a, b Pair) int {
		return cmp.Or(cmp.Compare(b.Alike, a.Alike), cmp.Compare(a.A.Name, b.A.Name), cmp.Compare(a.A.SHA256, b.A.SHA256), cmp.Compare(a.B.SHA256, b.B.SHA256))
	})
	if len(out) > limit {
		out = out[:limit]
	}
	return out, nil
}
