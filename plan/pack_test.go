package plan

import (
	"fmt"
	"math/rand/v2"
	"reflect"
	"testing"
)

// checkPacking makes sure that every item lies in exactly one bin and no bin is overfull.
func checkPacking(t testing.TB, items []Size, room Size, p Packing) {
	t.Helper()
	seen := make([]bool, len(items))
	for b, bin := range p.Bins {
		var sum Size
		for _, i := range bin {
			if seen[i] {
				t.Fatalf("item %d lies in two bins", i)
			}
			seen[i] = true
			sum = sum.add(items[i])
		}
		if !sum.fits(room) {
			t.Fatalf("bin %d holds %v, has room for %v", b, sum, room)
		}
		if len(bin) == 0 {
			t.Fatalf("bin %d is empty", b)
		}
	}
	for i, s := range seen {
		if !s {
			t.Fatalf("item %d was left out", i)
		}
	}
	if len(p.Bins) < p.Bound {
		t.Fatalf("%d bins, but a bound of %d", len(p.Bins), p.Bound)
	}
}

// fewest is the true optimum, by trying everything: the outside truth for small cases.
func fewest(items []Size, room Size) int {
	best := len(items)
	left := make([]Size, len(items))
	for i := range left {
		left[i] = room
	}
	var place func(i, used int)
	place = func(i, used int) {
		if used >= best {
			return
		}
		if i == len(items) {
			best = used
			return
		}
		for b := 0; b <= used && b < len(items); b++ {
			if items[i].fits(left[b]) {
				left[b] = left[b].sub(items[i])
				place(i+1, max(used, b+1))
				left[b] = left[b].add(items[i])
			}
		}
	}
	place(0, 0)
	return best
}

func TestPackAgainstExhaustiveSearch(t *testing.T) {
	rng := rand.New(rand.NewPCG(1, 2))
	for n := range 600 {
		room := Size{10 + rng.IntN(70), 2 + rng.IntN(6)}
		items := make([]Size, 1+rng.IntN(9))
		for i := range items {
			items[i] = Size{rng.IntN(room.Units + 1), 1 + rng.IntN(min(3, room.Slots))}
			if rng.IntN(3) == 0 { // sizes around parts of a bin are the hard ones
				items[i].Units = min(room.Units, max(0, room.Units/(2+rng.IntN(2))+rng.IntN(3)-1))
			}
		}
		p := Pack(items, room, 0)
		checkPacking(t, items, room, p)
		want := fewest(items, room)
		if len(p.Bins) != want {
			t.Fatalf("case %d: %v in %v: %d bins, the optimum is %d", n, items, room, len(p.Bins), want)
		}
		if lb := LowerBound(items, room); lb > want {
			t.Fatalf("case %d: %v in %v: lower bound %d, the optimum is %d", n, items, room, lb, want)
		}
		if !p.Optimal || p.Bound != want {
			t.Fatalf("case %d: bound %d, optimal %v; the optimum %d was not proven", n, p.Bound, p.Optimal, want)
		}
	}
}

func TestPackExamples(t *testing.T) {
	units := func(n ...int) []Size {
		var s []Size
		for _, u := range n {
			s = append(s, Size{u, 1})
		}
		return s
	}
	for _, c := range []struct {
		what  string
		items []Size
		room  Size
		want  int
	}{
		{"nothing", nil, Size{10, 10}, 0},
		{"thirds of a disk: no three fit", units(23, 24, 23, 24, 23, 24, 23, 24, 23, 24, 24), Size{67, 48}, 6},
		{"first fit decreasing needs one too many", units(6, 6, 4, 4, 4, 3, 3), Size{10, 48}, 3},
		{"exact triplets", units(5, 3, 2, 4, 4, 2, 5, 3, 2, 6, 2, 2), Size{10, 48}, 4},
		{"slots run out first", units(make([]int, 100)...), Size{77, 48}, 3},
		{"both run out", append(units(70, 70), units(make([]int, 94)...)...), Size{77, 48}, 2},
		{"one fills a disk", units(77, 1), Size{77, 48}, 2},
	} {
		p := Pack(c.items, c.room, 0)
		checkPacking(t, c.items, c.room, p)
		if len(p.Bins) != c.want || !p.Optimal {
			t.Errorf("%s: %d bins (bound %d), want %d", c.what, len(p.Bins), p.Bound, c.want)
		}
	}
}

// archive is files as archives have them: many small, few large.
func archive(n int, seed uint64) []Size {
	rng := rand.New(rand.NewPCG(seed, 3))
	items := make([]Size, n)
	for i := range items {
		items[i] = Size{rng.IntN(1 + rng.IntN(70)), 1}
	}
	return items
}

func TestThousandFilesWithinOneOfTheBound(t *testing.T) {
	for seed := range uint64(6) {
		items := archive(1000, seed)
		p := Pack(items, Size{77, 48}, 0)
		checkPacking(t, items, Size{77, 48}, p)
		if len(p.Bins) > p.Bound+1 {
			t.Errorf("seed %d: %d disks, the bound is %d", seed, len(p.Bins), p.Bound)
		}
	}
}

// Disks that were full before their files were shuffled: the optimum is known without searching for it.
func TestFullDisks(t *testing.T) {
	rng := rand.New(rand.NewPCG(7, 7))
	for _, disks := range []int{3, 12, 40} {
		var items []Size
		for range disks {
			left := Size{77, 48}
			for left.Units > 0 {
				u := min(left.Units, 1+rng.IntN(30))
				if left.Slots == 1 {
					u = left.Units
				}
				items = append(items, Size{u, 1})
				left = left.sub(Size{u, 1})
			}
		}
		rng.Shuffle(len(items), func(i, j int) { items[i], items[j] = items[j], items[i] })
		p := Pack(items, Size{77, 48}, 0)
		checkPacking(t, items, Size{77, 48}, p)
		if len(p.Bins) > disks {
			t.Errorf("%d files of %d full disks: %d disks, bound %d", len(items), disks, len(p.Bins), p.Bound)
		}
	}
}

func TestPackIsTheSameEveryTime(t *testing.T) {
	items := archive(300, 9)
	a, b := Pack(items, Size{77, 48}, 0), Pack(items, Size{77, 48}, 0)
	if !reflect.DeepEqual(a, b) {
		t.Error("two runs differ")
	}
}

// Few steps give a worse packing, never a wrong one.
func TestFewSteps(t *testing.T) {
	items := archive(200, 4)
	for _, steps := range []int{1, 100, 10_000} {
		checkPacking(t, items, Size{77, 48}, Pack(items, Size{77, 48}, steps))
	}
}

func FuzzPack(f *testing.F) {
	f.Add([]byte{10, 2, 5, 5, 5, 3, 3, 3})
	f.Add([]byte{67, 48, 23, 24, 23, 24, 23, 24, 23, 24, 23, 24, 24})
	f.Fuzz(func(t *testing.T, in []byte) {
		if len(in) < 3 || len(in) > 200 {
			return
		}
		room := Size{1 + int(in[0]), 1 + int(in[1])%60}
		var items []Size
		for _, b := range in[2:] {
			items = append(items, Size{int(b) % (room.Units + 1), 1 + int(b)%room.Slots%2})
		}
		p := Pack(items, room, 20_000)
		checkPacking(t, items, room, p)
		if len(items) <= 8 {
			if best := fewest(items, room); p.Bound > best {
				t.Fatalf("%v in %v: bound %d, optimum %d", items, room, p.Bound, best)
			}
		}
	})
}

func BenchmarkPack(b *testing.B) {
	for _, n := range []int{100, 1000, 10_000, 100_000} {
		items := archive(n, 1)
		b.Run(fmt.Sprint(n), func(b *testing.B) {
			for range b.N {
				p := Pack(items, Size{77, 48}, 0)
				b.ReportMetric(float64(len(p.Bins)-p.Bound), "over-bound")
			}
			b.ReportMetric(float64(n*b.N)/b.Elapsed().Seconds(), "files/s")
		})
	}
}
