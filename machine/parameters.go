package machine

import (
	"errors"
	"fmt"

	"remanence/volume"
)

// validateParameters checks what can be checked without a disk. Source of the rules: the system's operating-system
// manual, 6.10 (disk parameter block).
func validateParameters(p *volume.Parameters) error {
	var errs []error
	bad := func(format string, a ...any) { errs = append(errs, fmt.Errorf(format, a...)) }
	if !isWord(p.Name) {
		bad("name %q: want a word of letters, digits and hyphens", p.Name)
	}
	if p.Source == "" {
		bad("source: say where the figures come from")
	}
	if p.BSH < 3 || p.BSH > 7 {
		bad("bsh %d: want 3..7 (blocks of 1 to 16 KiB)", p.BSH)
	} else {
		if p.BLM != 1<<p.BSH-1 {
			bad("blm %d: want %d with bsh %d", p.BLM, 1<<p.BSH-1, p.BSH)
		}
		if p.BSH == 3 && p.DSM > 255 {
			bad("dsm %d: with blocks of 1 KiB want at most 255", p.DSM)
		}
	}
	for _, f := range []struct {
		name         string
		n, min, most int
	}{{"spt", p.SPT, 1, 4096}, {"exm", p.EXM, 0, 15}, {"dsm", p.DSM, 1, 32767}, {"drm", p.DRM, 0, 8191}, {"al0", p.AL0, 0, 255},
		{"al1", p.AL1, 0, 255}, {"cks", p.CKS, 0, 32768}, {"off", p.OFF, 0, 1024}} {
		if f.n < f.min || f.n > f.most {
			bad("%s %d: want %d..%d", f.name, f.n, f.min, f.most)
		}
	}
	switch p.Order {
	case "", "cylinders", "sides", "back":
	default:
		bad("order %q: want cylinders, sides or back", p.Order)
	}
	return errors.Join(errs...)
}
