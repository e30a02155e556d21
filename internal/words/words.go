// Package words puts numbers into sentences.
package words

import (
	"strconv"
	"strings"
)

// Count is a number of things in words: 1 sector, 2 sectors, 3 entries. The thing is a noun with a regular plural.
func Count(n int, thing string) string {
	s := strconv.Itoa(n) + " "
	switch stem, y := strings.CutSuffix(thing, "y"); {
	case n == 1:
		return s + thing
	case y && !strings.HasSuffix(stem, "a") && !strings.HasSuffix(stem, "e") && !strings.HasSuffix(stem, "o"):
		return s + stem + "ies"
	}
	return s + thing + "s"
}
