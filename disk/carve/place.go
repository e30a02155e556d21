package carve

import (
	"fmt"
	"slices"
)

// order is a way in which the tracks of a disk can follow each other in a file.
type order struct {
	name  string
	sides int
	place func(k, cylinders int) (c, h int)
}

// at is the place of track k of n.
func (o order) at(k, n int) [2]int {
	c, h := o.place(k, (n+o.sides-1)/o.sides)
	return [2]int{c, h}
}

// orders are the regular sequences of tracks, cylinders counted over the whole file.
var orders = []order{
	{"one side, cylinder by cylinder", 1, func(k, n int) (int, int) { return k, 0 }},
	{"cylinder by cylinder, head 0 then head 1", 2, func(k, n int) (int, int) { return k / 2, k % 2 }},
	{"cylinder by cylinder, head 1 then head 0", 2, func(k, n int) (int, int) { return k / 2, 1 - k%2 }},
	{"the whole of head 0, then head 1", 2, func(k, n int) (int, int) { return k % n, k / n }},
	{"the whole of head 1, then head 0", 2, func(k, n int) (int, int) { return k % n, 1 - k/n }},
	{"head 0 inwards, then head 1 outwards", 2, func(k, n int) (int, int) {
		if k < n {
			return k, 0
		}
		return 2*n - 1 - k, 1
	}},
	{"one side, last cylinder first", 1, func(k, n int) (int, int) { return n - 1 - k, 0 }},
}

// settlePlaces gives each run its cylinder and head: from its identifiers, unless a track of that place is there
// already or the sequence of the others says better. It says what it assumed.
func settlePlaces(runs []*run) (notes []string) {
	for _, r := range runs {
		r.place, r.placed = [2]int{r.cyl, r.head & 1}, "by its identifiers"
	}
	runs = slices.DeleteFunc(slices.Clone(runs), func(r *run) bool { return r.cyl < 0 || r.stray })
	if len(runs) == 0 {
		return nil
	}
	// A track read twice in a row has one place; only its first read takes part in finding it.
	leads, follows := []*run{}, map[*run]*run{}
	for _, r := range runs {
		if n := len(leads); n > 0 && leads[n-1].place == r.place {
			if eq, ne := leads[n-1].agrees(r); eq > 0 && ne == 0 {
				follows[r] = leads[n-1]
				continue
			}
		}
		leads = append(leads, r)
	}
	bySide, note := sidesByRepetition(leads)
	if note != "" {
		notes = append(notes, note)
	}
	if n := oddPlaces(leads, bySide); n != "" {
		notes = append(notes, n)
	}
	for r, lead := range follows {
		r.place, r.placed = lead.place, lead.placed
	}
	// What still shares a place is a repetition.
	seen := map[[2]int]int{}
	again := 0
	for _, r := range runs {
		r.repetition = seen[r.place]
		if seen[r.place]++; seen[r.place] > 1 {
			again++
		}
	}
	if again > 0 {
		notes = append(notes, fmt.Sprintf("%d track(s) come more than once in the file and are taken for further reads", again))
	}
	return notes
}

// sidesByRepetition handles disks whose identifiers give both sides the same head number: each cylinder comes twice
// with other contents, and the second is the other side.
func sidesByRepetition(runs []*run) (done bool, note string) {
	byKey := map[[2]int][]*run{}
	heads := map[int]int{}
	for _, r := range runs {
		byKey[r.place] = append(byKey[r.place], r)
		heads[r.head]++
	}
	if len(heads) > 2 || len(heads) == 2 && heads[0] > 0 && heads[1] > 0 && min(heads[0], heads[1])*4 > len(runs) {
		return false, ""
	}
	pairs, others := 0, 0
	for _, rs := range byKey {
		if len(rs) == 2 {
			if eq, ne := rs[0].agrees(rs[1]); ne > eq || eq+ne == 0 {
				pairs++
				continue
			}
		}
		others++
	}
	if pairs == 0 || pairs < others {
		return false, ""
	}
	for _, r := range runs {
		rs := byKey[[2]int{r.cyl, r.head & 1}]
		if len(rs) == 2 && rs[1] == r {
			eq, ne := rs[0].agrees(r)
			if ne > eq || eq+ne == 0 || pairs > 4*others {
				r.place = [2]int{r.cyl, 1}
				r.placed = "head by repetition"
				rs[0].place = [2]int{r.cyl, 0}
			}
		}
	}
	return true, fmt.Sprintf("the identifiers give both sides the same head; of the two tracks of a cylinder the second in the file is taken for head 1 (%d cylinders)", pairs)
}

// oddPlaces finds the regular order that most tracks keep, and puts tracks whose identifiers say something else where
// that order has room for them.
func oddPlaces(runs []*run, bySide bool) string {
	n := len(runs)
	if n < 4 {
		return ""
	}
	best, fit := -1, 0
	for i, o := range orders {
		ok := 0
		for k, r := range runs {
			if r.place == o.at(k, n) {
				ok++
			}
		}
		if ok > fit {
			best, fit = i, ok
		}
	}
	if best < 0 || fit*4 < n*3 || fit == n {
		return neighbours(runs)
	}
	taken := map[[2]int]bool{}
	for _, r := range runs { // what identifiers name is taken: a shuffled file is not sorted by force
		taken[r.place] = true
	}
	moved := 0
	for k, r := range runs {
		want := orders[best].at(k, n)
		if r.place == want || taken[want] {
			continue
		}
		r.place, r.placed = want, fmt.Sprintf("by its position in the file; its identifiers say cylinder %d head %d", r.cyl, r.head)
		taken[want] = true
		moved++
	}
	if moved == 0 {
		return ""
	}
	return fmt.Sprintf("%d track(s) whose identifiers name another place stand where the order of the file (%s) puts them", moved, orders[best].name)
}

// lines number the places of a disk in the order in which tracks can follow each other.
var lines = []struct {
	at func(p [2]int) int
	of func(n int) [2]int
}{
	{func(p [2]int) int { return p[0]*2 + p[1] }, func(n int) [2]int { return [2]int{n / 2, n % 2} }},
	{func(p [2]int) int { return p[0]*2 + 1 - p[1] }, func(n int) [2]int { return [2]int{n / 2, 1 - n%2} }},
	{func(p [2]int) int { return p[0] + p[1]*1000 }, func(n int) [2]int { return [2]int{n % 1000, n / 1000} }},
}

// neighbours moves tracks that name a place beyond the others, or one that is taken, to the free place between their
// neighbours in the file.
func neighbours(runs []*run) string {
	taken := map[[2]int]int{}
	heads := map[int]bool{}
	var cyls []int
	for _, r := range runs {
		taken[r.place]++
		heads[r.place[1]] = true
		cyls = append(cyls, r.place[0])
	}
	slices.Sort(cyls)
	usual := cyls[len(cyls)*9/10] // nine of ten tracks lie below
	moved := 0
	for k := 1; k+1 < len(runs); k++ {
		end := k // tracks of one odd name that follow each other are one track, read more than once
		for end+2 < len(runs) && runs[end+1].place == runs[k].place {
			end++
		}
		a, r, b := runs[k-1], runs[k], runs[end+1]
		if r.place[0] <= usual+2 && taken[r.place] == end-k+1 {
			continue
		}
		for _, l := range lines {
			want := l.of(l.at(a.place) + 1)
			if l.at(b.place)-l.at(a.place) != 2 || taken[want] > 0 || r.place == want || !heads[want[1]] {
				continue
			}
			for _, m := range runs[k : end+1] {
				taken[m.place]--
				taken[want]++
				m.place, m.placed = want, fmt.Sprintf("between its neighbours in the file; its identifiers say cylinder %d head %d", m.cyl, m.head)
				moved++
			}
			break
		}
	}
	if moved == 0 {
		return ""
	}
	return fmt.Sprintf("%d track(s) whose identifiers name an impossible or taken place stand between their neighbours in the file", moved)
}
