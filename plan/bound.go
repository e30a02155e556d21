package plan

import (
	"slices"
)

// LowerBound is a number of bins that no packing can go below: the largest of four arguments.
//
//   - The sum of each size, divided by what a bin holds.
//   - Counting: of the items with at least t units, at most k fit one bin, where k is how many of the smallest of
//     them do; n of them need n/k bins.
//   - L2 (Martello and Toth, 1990, from memory): items over half a bin each need their own; those over the other half's
//     remainder cannot join them; what the middle ones take beyond the gaps that are left needs more bins.
//   - Rounding (dual feasible functions of Fekete and Schepers, from memory): if (k+1)x is whole for a share x, x stays;
//     else it becomes floor((k+1)x)/k. Every set that fits a bin still fits it, so the rounded sum is a bound.
func LowerBound(items []Size, room Size) int {
	if len(items) == 0 {
		return 0
	}
	var sum Size
	units := make([]int, len(items))
	slots := make([]int, len(items))
	for i, it := range items {
		sum = sum.add(it)
		units[i], slots[i] = it.Units, it.Slots
	}
	slices.Sort(units)
	slices.Sort(slots)
	b := 1
	for _, d := range []struct {
		sizes []int
		cap   int
		sum   int
	}{{units, room.Units, sum.Units}, {slots, room.Slots, sum.Slots}} {
		if d.cap <= 0 {
			continue
		}
		b = max(b, ceilDiv(d.sum, d.cap), countBound(d.sizes, d.cap), l2Bound(d.sizes, d.cap), roundBound(d.sizes, d.cap))
	}
	return b
}

func ceilDiv(a, b int) int { return (a + b - 1) / b }

// countBound: sizes ascending.
func countBound(sizes []int, room int) int {
	best, n := 0, len(sizes)
	for from := 0; from < n; from++ {
		if from > 0 && sizes[from] == sizes[from-1] || sizes[from] <= 0 {
			continue
		}
		k, sum := 0, 0
		for i := from; i < n && sum+sizes[i] <= room; i++ {
			sum += sizes[i]
			k++
		}
		if k > 0 {
			best = max(best, ceilDiv(n-from, k))
		}
	}
	return best
}

// l2Bound tries every size up to half a bin as the limit between small and middle items. sizes ascending.
func l2Bound(sizes []int, room int) int {
	prefix := make([]int, len(sizes)+1)
	for i, s := range sizes {
		prefix[i+1] = prefix[i] + s
	}
	// at is the index of the first size > v
	at := func(v int) int { i, _ := slices.BinarySearch(sizes, v+1); return i }
	half := at(room / 2)
	best := 0
	last := -1
	for i := 0; i <= half && i < len(sizes); i++ {
		a := sizes[i]
		if i == half {
			a = 0
		}
		if a == last || a > room/2 {
			continue
		}
		last = a
		large := at(room - a)                  // from here: over room-a
		n1, n2 := len(sizes)-large, large-half // n2: over room/2, up to room-a
		first, _ := slices.BinarySearch(sizes, a)
		middle := prefix[half] - prefix[first] // a..room/2
		gaps := n2*room - (prefix[large] - prefix[half])
		best = max(best, n1+n2+max(0, ceilDiv(max(middle-gaps, 0), room)))
	}
	return best
}

func roundBound(sizes []int, room int) int {
	best := 0
	for k := 1; k <= 50; k++ {
		sum := 0 // in units of 1/(k*room)
		for _, s := range sizes {
			if (k+1)*s%room == 0 {
				sum += k * s
			} else {
				sum += (k + 1) * s / room * room
			}
		}
		best = max(best, ceilDiv(sum, k*room))
	}
	return best
}
