package volume

import "strings"

// ribbonLevels go from empty to full; a terminal that is not Unicode shows them.
const ribbonLevels = " .:-=+*#"

// Ribbon draws units as one line of width characters, in disk order: the denser the character, the more of its
// stretch is taken. A stretch in which anything is used is never blank, and one with anything free never `#`.
func Ribbon(units []Unit, width int) string {
	if len(units) == 0 || width < 1 {
		return ""
	}
	width = min(width, len(units))
	var b strings.Builder
	for i := range width {
		part := units[i*len(units)/width : (i+1)*len(units)/width]
		used := 0
		for _, u := range part {
			if u.State != UnitFree {
				used++
			}
		}
		top := len(ribbonLevels) - 1
		level := used * top / len(part)
		if used > 0 {
			level = max(level, 1)
		}
		b.WriteByte(ribbonLevels[level])
	}
	return b.String()
}

// Counts is how many units are in each state.
func Counts(units []Unit) map[UnitState]int {
	m := make(map[UnitState]int)
	for _, u := range units {
		m[u.State]++
	}
	return m
}
