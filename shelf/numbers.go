package shelf

import (
	"fmt"
	"strconv"
	"strings"

	"remanence/internal/outcome"
)

// splitNumber takes the digits off the end of a medium's number: "SCC-", 12, 4 for SCC-0012. width is 0 where there
// are none, or more than a count can be.
func splitNumber(number string) (prefix string, n, width int) {
	prefix = strings.TrimRight(number, "0123456789")
	width = len(number) - len(prefix)
	n, err := strconv.Atoi(number[len(prefix):])
	if err != nil || width > 9 {
		return number, 0, 0
	}
	return prefix, n, width
}

// NumbersFrom are count numbers for labels, the first as given, the digits at its end counted on: SCC-0012, SCC-0013.
func NumbersFrom(first string, count int) ([]string, error) {
	if err := CheckNumber(first); err != nil {
		return nil, err
	}
	prefix, n, width := splitNumber(first)
	if width == 0 && count > 1 {
		return nil, outcome.As(outcome.Usage, fmt.Errorf("number %q: want digits at its end, to count on from it: SCC-0012", first))
	}
	out := []string{first}
	for i := 1; i < count; i++ {
		out = append(out, fmt.Sprintf("%s%0*d", prefix, width, n+i))
	}
	if count > 0 { // the last is the longest
		return out[:count], CheckNumber(out[count-1])
	}
	return nil, nil
}

// NextNumber is the first free number after those of the media, in the series that most of them are in; "" where none
// ends in digits.
func NextNumber(media []Medium) string {
	type series struct{ count, most, width int }
	all := map[string]*series{}
	best := ""
	for _, m := range media {
		prefix, n, width := splitNumber(m.Number)
		if width == 0 {
			continue
		}
		s := all[prefix]
		if s == nil {
			s = &series{}
			all[prefix] = s
		}
		s.count++
		s.most, s.width = max(s.most, n), max(s.width, width)
		if b := all[best]; b == nil || s.count > b.count || s.count == b.count && prefix < best {
			best = prefix
		}
	}
	s := all[best]
	if s == nil {
		return ""
	}
	next := fmt.Sprintf("%s%0*d", best, s.width, s.most+1)
	if CheckNumber(next) != nil {
		return ""
	}
	return next
}
