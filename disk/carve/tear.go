package carve

import (
	"slices"

	"remanence/disk"
)

// tear parts pairs at the border of two dumps whose distance is not the usual one: the identifier may be the last of
// one dump and the data the first of the next.
func tear(runs []*run) (torn []tearing) {
	type kind struct {
		enc  disk.Encoding
		step int
	}
	gaps, total := map[kind]map[int]int{}, map[kind]int{}
	of := func(f *found) kind { return kind{f.enc, f.v.advance(0, 1)} }
	for _, r := range runs {
		for _, f := range r.fs {
			if k := of(f); f.good {
				if gaps[k] == nil {
					gaps[k] = map[int]int{}
				}
				gaps[k][f.dataPos-f.behind]++
				total[k]++
			}
		}
	}
	// Where some pairs at borders are odd, all are looked at: headers between the dumps may be short.
	border := func(i int) (f *found, odd bool) {
		f = runs[i].fs[len(runs[i].fs)-1]
		if _, ok := f.v.(*byteView); !ok || !f.good || runs[i+1].fs[0].v != f.v {
			return nil, false
		}
		k := of(f)
		usual := common(gaps[k])
		d := f.dataPos - f.behind - usual
		return f, total[k] >= 8 && gaps[k][usual]*4 >= total[k]*3 && (d < -4*k.step || d > 4*k.step)
	}
	odd := 0
	for i := 0; i+1 < len(runs); i++ {
		if _, o := border(i); o {
			odd++
		}
	}
	for i := 0; i+1 < len(runs); i++ {
		r, next := runs[i], runs[i+1]
		f, o := border(i)
		if f == nil || !o && odd < 2 {
			continue
		}
		id, data := *f, *f
		id.loseData()
		data.pos, data.behind, data.start = f.dataPos, f.dataPos, f.field
		data.id = disk.SectorID{SizeCode: f.id.SizeCode}
		data.orphan, data.good, data.status, data.why = true, false, disk.Doubtful, "the identifier is lost"
		torn = append(torn, tearing{f, &id, &data})
		r.fs = append(slices.Clone(r.fs[:len(r.fs)-1]), &id)
		next.fs = append([]*found{&data}, next.fs...)
	}
	return torn
}

// tearing is a pair that tear has parted.
type tearing struct{ pair, id, data *found }

// mend puts a pair together again where neither half has found a better partner.
func (t tearing) mend(runs []*run) {
	var at *run
	alone := false
	for _, r := range runs {
		if slices.Contains(r.fs, t.id) {
			at = r
		}
		alone = alone || slices.Contains(r.fs, t.data)
	}
	if at == nil || !alone {
		return
	}
	at.fs[slices.Index(at.fs, t.id)] = t.pair
	for _, r := range runs {
		r.fs = slices.DeleteFunc(r.fs, func(f *found) bool { return f == t.data })
	}
}

// loseData makes f an identifier without data.
func (f *found) loseData() {
	f.good, f.status, f.data, f.mark, f.dataPos, f.whole = false, disk.Bad, nil, 0, -1, false
	f.why = "no data mark behind the identifier"
	f.end = f.v.offset(f.behind)
}
