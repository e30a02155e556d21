package track

import (
	"fmt"
	"slices"
	"strings"

	"remanence/disk"
)

// NotCaptured says which tracks below the highest captured cylinder nothing was captured of: one line for each side
// where the sides differ, else one for all. An image holds filler there, so it must be said. Tracks beyond the highest
// are not told: where a disk ends is the recording's to say.
func NotCaptured(results []*Result, rec *disk.Recording) []string {
	g := rec.Geometry()
	there := map[[2]int]bool{}
	last := -1
	for _, r := range results {
		if g.Has(r.Cylinder, r.Head) {
			there[[2]int{r.Cylinder, r.Head}] = true
			last = max(last, r.Cylinder)
		}
	}
	sides := make([]string, g.Heads)
	for h := range sides {
		var runs []string
		n := 0
		for c := 0; c <= last; c++ {
			if there[[2]int{c, h}] {
				continue
			}
			from := c
			for c < last && !there[[2]int{c + 1, h}] {
				c++
			}
			n += c - from + 1
			if from == c {
				runs = append(runs, fmt.Sprint(c))
			} else {
				runs = append(runs, fmt.Sprintf("%d-%d", from, c))
			}
		}
		switch {
		case n == 1:
			sides[h] = "cylinder " + runs[0]
		case n > 1:
			sides[h] = "cylinders " + strings.Join(runs, ", ")
		}
	}
	if len(slices.Compact(slices.Clone(sides))) == 1 { // all sides alike
		sides = sides[:1]
		if sides[0] != "" {
			return []string{sides[0] + verb(sides[0]) + " not captured; the image holds filler there"}
		}
		return nil
	}
	var out []string
	for h, s := range sides {
		if s != "" {
			out = append(out, fmt.Sprintf("%s, head %d,%s not captured; the image holds filler there", s, h, verb(s)))
		}
	}
	return out
}

func verb(subject string) string {
	if strings.HasPrefix(subject, "cylinders ") {
		return " were"
	}
	return " was"
}
