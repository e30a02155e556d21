package volume

import (
	"fmt"
	"strings"

	"remanence/disk"
)

// Check goes through every entry: user, name, extent numbers, record counts, and every block against the disk, the
// directory and all other files.
func (v *extentVolume) Check() []Fault {
	var faults []Fault
	bad := func(where, format string, a ...any) { faults = append(faults, Fault{where, fmt.Sprintf(format, a...)}) }
	if v.trunc {
		bad("image", "ends before the last block of the volume")
	}
	n, _ := v.p.pointers()
	owner := make([]string, v.p.DSM+1)
	for _, f := range v.files() {
		if f.key[0] >= extentUsers {
			bad(f.name, "user number %d: want 0 to 15", f.key[0])
		}
		if why := extentNameFault(f.key[1:]); why != "" {
			bad(f.name, "name: %s", why)
		}
		_, fs := v.layout(f)
		faults = append(faults, fs...)
		for _, i := range f.entries {
			e := v.entry(i)
			if e[12] > 31 {
				bad(f.name, "entry %d: extent byte %d: want 0 to 31", i, e[12])
			}
			need := (v.used(e) + v.p.BLM) >> v.p.BSH
			for j := range n {
				b := v.block(e, j)
				if b == 0 {
					continue
				}
				if j >= need {
					bad(f.name, "entry %d names block %d behind its last record (%d records need %d blocks)", i, b, v.used(e), need)
					if b > v.p.DSM || b < v.p.directoryBlocks() {
						bad(f.name, "entry %d: block %d is not one for files (%d to %d)", i, b, v.p.directoryBlocks(), v.p.DSM)
					}
				}
				if b > v.p.DSM || b < v.p.directoryBlocks() {
					continue // layout said so
				}
				if owner[b] != "" {
					bad(f.name, "block %d (entry %d) belongs to %s as well: one of them is damaged", b, i, owner[b])
				}
				owner[b] = f.name
			}
		}
	}
	for _, p := range v.im.Noted() {
		if s, _ := v.im.Sector(p); (s.Status == disk.Bad || s.Status == disk.Doubtful) && !v.trunc {
			bad(p.String(), "%s: %s", s.Status, s.Why)
		}
	}
	return faults
}

const extentForbidden = "<>.,;:=?*[]"

// extentNameFault is what is wrong with the 11 characters of a name; "" if nothing.
func extentNameFault(raw []byte) string {
	if raw[0] == ' ' {
		return "starts with a blank"
	}
	for i, c := range raw {
		c &= 0x7F
		switch {
		case c < ' ' || c == 0x7F:
			return fmt.Sprintf("byte %02Xh is no character", c)
		case c >= 'a' && c <= 'z':
			return fmt.Sprintf("lower-case %q; no program can name the file", c)
		case strings.IndexByte(extentForbidden, c) >= 0:
			return fmt.Sprintf("%q cannot stand in a name", c)
		case c == ' ' && i != 7 && i != 10 && raw[i+1]&0x7F != ' ':
			return "a blank inside"
		}
	}
	return ""
}
