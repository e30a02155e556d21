package program

import (
	"fmt"
	"slices"
)

// RAMEnd is the address after the last byte of the largest memory the class was sold with.
func (t Target) RAMEnd() int {
	if len(t.RAMChoicesKiB) == 0 {
		return addressSpace
	}
	return min(t.RAMStart+slices.Max(t.RAMChoicesKiB)<<10, addressSpace)
}

// RunsOn names the targets that load this form and have RAM wherever it loads. It looks at addresses, not at health:
// a damaged program is still one for a certain machine. Intel HEX and S-records count as load modules or tapes, which
// convert makes of them. A load module that would overwrite the resident disk system while it is being loaded does not
// run as it is (convert --relocate).
func (r *Report) RunsOn(targets []Target) []string {
	var out []string
	for _, t := range targets {
		if r.runsOn(t) {
			out = append(out, t.Name)
		}
	}
	return out
}

func (r *Report) runsOn(t Target) bool {
	switch r.Kind {
	case LoadModule:
		return t.loads(LoadModule) && r.fitsRAM(t) && len(r.ClashesWith(t)) == 0
	case MachineTape:
		return t.loads(MachineTape) && r.fitsRAM(t)
	case IntelHex, SRecord:
		return (t.loads(MachineTape) || t.loads(LoadModule) && len(r.ClashesWith(t)) == 0 || t.loads(r.Kind)) && r.fitsRAM(t)
	case BASICDisk, BASICTape, Text:
		return t.loads(r.Kind)
	}
	return false
}

func (t Target) loads(k Kind) bool { return slices.Contains(t.Kinds, k) }

// fitsRAM says whether every loaded byte falls in RAM of the largest memory of the class.
func (r *Report) fitsRAM(t Target) bool {
	for _, x := range r.LoadRanges {
		if x[0] < t.RAMStart || x[1] > t.RAMEnd() {
			return false
		}
	}
	return len(r.LoadRanges) > 0
}

// ClashesWith gives the addresses of the target's resident disk system that loading this file would overwrite. Only
// forms that load to fixed addresses clash; BASIC programs go where the BASIC puts them.
func (r *Report) ClashesWith(t Target) [][2]int {
	switch r.Kind {
	case LoadModule, MachineTape, IntelHex, SRecord:
	default:
		return nil
	}
	var out [][2]int
	for _, x := range r.LoadRanges {
		if a, b := max(x[0], t.SystemFirst), min(x[1], t.SystemEnd); a < b {
			out = append(out, [2]int{a, b})
		}
	}
	return out
}

func clashText(t Target, c [][2]int) string {
	return fmt.Sprintf("%s: loads over the resident disk system (%s); from disk it needs a relocating loader (convert --relocate)", t.Name, rangesText(c))
}
