package volume

import (
	"encoding/binary"
	"fmt"
	"slices"
	"strings"
)

// Info describes the volume.
func (v *granule) Info() Info {
	t := v.sector(0)
	in := Info{
		Kind: "granule", Name: printable(t[0xD0:0xD8]), Date: printable(t[0xD8:0xE0]), Recording: v.recording,
		Unit: "granule", UnitBytes: v.bytes(), Units: len(v.offsets),
	}
	for c := range v.cyls {
		for q := range v.perCyl {
			if v.alloc()[c]>>q&1 == 0 && v.offsets[c*v.perCyl+q] >= 0 {
				in.Free++
			}
		}
	}
	for _, code := range v.codes() {
		if code>>5 >= systemSlots {
			in.Slots++
			if !v.entry(code).used() {
				in.FreeSlots++
			}
		}
	}
	rounding := "up (a partial last sector is counted)"
	if v.down {
		rounding = "down (a partial last sector is not counted)"
	}
	in.Details = []Detail{
		{"directory", fmt.Sprintf("cylinder %d", v.dir)},
		{"sectors rounded", rounding},
		{"start-up command", startCommand(t)},
	}
	if h := binary.LittleEndian.Uint16(t[0xCE:]); h != blankPassword {
		in.Details = append(in.Details, Detail{"master password", passwordText(h)})
	}
	if l := v.lockedCylinders(); len(l) > 0 {
		in.Details = append(in.Details, Detail{"locked-out cylinders", strings.Trim(fmt.Sprint(l), "[]")})
	}
	return in
}

func startCommand(t []byte) string {
	c := t[0xE0:0x100]
	if i := slices.Index(c, 0x0D); i >= 0 {
		c = c[:i]
	}
	if s := printable(c); s != "" {
		return s
	}
	return "none"
}

func (v *granule) lockedCylinders() []int {
	var l []int
	for c := range v.cyls {
		if v.lockout()[c] == 0xFF {
			l = append(l, c)
		}
	}
	return l
}

// Map is the use of the granules.
func (v *granule) Map() []Unit {
	units := make([]Unit, len(v.offsets))
	for g := range units {
		c, q := g/v.perCyl, g%v.perCyl
		units[g] = Unit{Number: g, Place: v.place(g)}
		switch {
		case v.offsets[g] < 0 || v.lockout()[c]>>q&1 != 0:
			units[g].State = UnitLocked
		case v.alloc()[c]>>q&1 != 0:
			units[g].State = UnitLost
		}
	}
	claim := func(code int, name string, state UnitState) {
		list, _ := v.granulesOf(code)
		for _, g := range list {
			if g < 0 {
				continue
			}
			if units[g].File != "" {
				units[g].State = UnitShared
				continue
			}
			units[g].State, units[g].File = state, name
		}
	}
	for _, code := range []int{codeBoot, codeDir} {
		if e := v.entry(code); e.used() && v.fixed(code, e) {
			claim(code, e.name(), UnitSystem)
		}
	}
	for q := range v.perCyl { // the directory is there whatever DIR/SYS says
		units[v.dir*v.perCyl+q].State = UnitSystem
	}
	codes, names := v.primaries()
	for i, code := range codes {
		claim(code, names[i], UnitUsed)
	}
	return units
}

// passwordText says of a hash what is known of the word.
func passwordText(h uint16) string {
	if h == PasswordHash("PASSWORD") {
		return "PASSWORD, as on a fresh disk"
	}
	return fmt.Sprintf("set (hash %04Xh)", h)
}
