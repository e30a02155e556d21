package volume

import (
	"fmt"

	"remanence/disk"
	"remanence/internal/words"
)

// Check goes through every cross-reference: boot sector and directory place, both tables against each other and
// against the extents of every entry, the hash index against every name, chains of extension entries both ways, sizes
// against granules, names, dates and marks.
func (v *granule) Check() []Fault {
	c := granuleCheck{granule: v, owner: make([]int16, len(v.offsets))}
	for i := range c.owner {
		c.owner[i] = -1
	}
	c.boot()
	c.entries()
	c.tables()
	c.media()
	return c.faults
}

type granuleCheck struct {
	*granule
	faults []Fault
	owner  []int16    // entry code of the file that holds the granule; -1: nobody
	linked [256]bool  // extension entries that a chain reaches
	names  [256]int16 // first entry code + 1 of a hash, to find equal names fast
}

func (c *granuleCheck) bad(where, format string, a ...any) {
	c.faults = append(c.faults, Fault{where, fmt.Sprintf(format, a...)})
}

func (c *granuleCheck) boot() {
	if b := c.im.Data[2]; int(b) != c.dir {
		c.bad("boot sector byte 2", "names cylinder %d as the directory; it lies on cylinder %d, and a machine would look in the wrong place", b, c.dir)
	}
	t := c.sector(0)
	if d := printable(t[0xD8:0xE0]); impossibleDate(t[0xD8:0xE0]) {
		c.bad("volume date", "%s: want month 1 to 12, day 1 to 31", d)
	}
	for i, b := range t[0xD0:0xD8] {
		if b < ' ' || b > '~' {
			c.bad("volume name", "byte %02Xh at %d is not a character", b, i)
			break
		}
	}
	if t[0xCB] != 0 || t[0xCD] != 0 { // a system that keeps the size of the disk here
		if n := int(int8(t[0xCC])) + 35; n != c.cyls {
			c.bad("allocation table byte CCh", "says %d cylinders; the disk has %d", n, c.cyls)
		}
		if n := int(t[0xCD]&7) + 1; t[0xCD] != 0 && n != c.perCyl {
			c.bad("allocation table byte CDh", "says %d granules a cylinder; the disk has %d", n, c.perCyl)
		}
	}
}

// impossibleDate reports whether the eight characters have the form MM/DD/YY and name no day.
func impossibleDate(b []byte) bool {
	digit := func(i int) int {
		if b[i] < '0' || b[i] > '9' {
			return -1000
		}
		return int(b[i] - '0')
	}
	m, d, y := digit(0)*10+digit(1), digit(3)*10+digit(4), digit(6)*10+digit(7)
	if m < 0 || d < 0 || y < 0 || b[2] != '/' || b[5] != '/' {
		return false // blank, or another notation
	}
	return m < 1 || m > 12 || d < 1 || d > 31
}

func (c *granuleCheck) entries() {
	codes := c.codes()
	for _, code := range codes { // primaries first: their chains say which extension entries are reached
		if e := c.entry(code); e.used() && !e.extension() {
			c.primary(code, e)
		}
	}
	index := c.index()
	for _, code := range codes {
		e := c.entry(code)
		switch {
		case !e.used():
			if index[code] != 0 {
				c.bad(indexWhere(code), "%02Xh, but entry %02Xh is free: want 00", index[code], code)
			}
		case e.extension() && !c.linked[code]:
			c.bad(fmt.Sprintf("entry %02Xh", code), "an extension entry (of entry %02Xh) that no file leads to; what it holds is lost to the machine", e[1])
			c.claim(code, code)
			if index[code] == 0 {
				c.bad(indexWhere(code), "00, but the entry is in use")
			}
		}
	}
	used := c.dirSectors()
	for code := range 256 {
		if code&31 >= used && index[code] != 0 {
			c.bad(indexWhere(code), "%02Xh, but the directory has no such entry: want 00", index[code])
		}
	}
	c.fixedEntry(codeBoot, "BOOT/SYS", 0, 1)
	c.fixedEntry(codeDir, "DIR/SYS", c.dir*c.perCyl, c.perCyl)
}

func indexWhere(code int) string { return fmt.Sprintf("hash index byte %02Xh", code) }

func (c *granuleCheck) primary(code int, e entry) {
	index := c.index()
	want := e.hash()
	if index[code] != want {
		c.bad(indexWhere(code), "%02Xh; the hash of %s is %02Xh, so the machine does not find the file", index[code], e.name(), want)
	}
	if !e.plainName() || !padded(e[5:13]) || !padded(e[13:16]) {
		c.bad(fmt.Sprintf("entry %02Xh", code), "name %q: want 1 to 8 capitals and digits, a letter first, and an extension of up to 3", e.name())
	}
	if other := c.names[want]; other > 0 && string(c.entry(int(other - 1))[5:16]) == string(e[5:16]) {
		c.bad(c.fileWhere(code), "entry %02Xh has the same name; the machine finds only one of them", other-1)
	} else if other == 0 {
		c.names[want] = int16(code) + 1
	} else {
		c.slowDuplicate(code, e)
	}
	if e[1]&^15 != 0 && c.fixed(code, e) {
		c.bad(c.fileWhere(code), "byte 1 is %02Xh: want 00 or a month", e[1])
	}
	chain, _ := c.chain(code)
	for i, x := range chain {
		if i > 0 {
			c.linked[x] = true
			if index[x] != want {
				c.bad(indexWhere(x), "%02Xh; the extension entry of %s has the hash %02Xh", index[x], e.name(), want)
			}
		}
		c.claim(x, code)
		f := c.entry(x)
		if _, ok := f.next(); !ok && (f[30] != 0xFF || f[31] != 0xFF) {
			c.bad(fmt.Sprintf("entry %02Xh bytes 30 to 31", x), "%02X %02X: want FF FF or FE and an entry code", f[30], f[31])
		}
	}
	_, faults := c.granulesOf(code)
	c.faults = append(c.faults, faults...)
	switch held, granules, need := c.room(code); {
	case !c.down && e.count() == 0 && e.lastBytes() != 0:
		c.bad(c.fileWhere(code), "0 sectors, but %d bytes in the last one", e.lastBytes())
	case held < granules:
		c.bad(c.fileWhere(code), "%s; its extents hold %d: the end is missing", needs(need, "sector", granules, "granule"), held)
	case c.surplus(held, granules):
		c.bad(c.fileWhere(code), "its extents hold %s; %s: the size is wrong, or space is wasted", words.Count(held, "granule"), needs(need, "sector", granules, "granule"))
	}
}

// slowDuplicate looks for an equal name among the entries with an equal hash.
func (c *granuleCheck) slowDuplicate(code int, e entry) {
	for _, x := range c.codes() {
		if x == code {
			return
		}
		if f := c.entry(x); f.used() && !f.extension() && string(f[5:16]) == string(e[5:16]) {
			c.bad(c.fileWhere(code), "entry %02Xh has the same name; the machine finds only one of them", x)
			return
		}
	}
}

// padded reports that nothing but blanks follows the first blank.
func padded(b []byte) bool {
	blank := false
	for _, c := range b {
		if blank && c != ' ' {
			return false
		}
		blank = blank || c == ' '
	}
	return true
}

// claim gives the granules of one entry to a file.
func (c *granuleCheck) claim(code, owner int) {
	extents, rest := c.extents(c.entry(code))
	if rest {
		c.bad(fmt.Sprintf("entry %02Xh bytes 22 to 29", code), "something stands after the FF FF that ends the extents of %s", c.entry(owner).name())
	}
	for _, x := range extents {
		if !x.good {
			continue
		}
		for g := x.first; g < x.first+x.count; g++ {
			if o := c.owner[g]; o >= 0 {
				c.bad(c.fileWhere(owner), "%s belongs to %s as well: one of them is damaged", c.place(g), c.fileWhere(int(o)))
				continue
			}
			c.owner[g] = int16(owner)
		}
	}
}

// fixedEntry checks BOOT/SYS or DIR/SYS.
func (c *granuleCheck) fixedEntry(code int, name string, first, count int) {
	e := c.entry(code)
	where := fmt.Sprintf("entry %02Xh", code)
	if !e.used() || !c.fixed(code, e) {
		c.bad(where, "want %s, found %q", name, e.name())
		return
	}
	if extents, _ := c.extents(e); len(extents) != 1 || extents[0].first != first || extents[0].count < count {
		c.bad(where, "%s: want %d granules from %s, found extent %02X %02X", name, count, c.place(first), e[22], e[23])
	}
}

// tables compares the allocation and lock-out tables with what the entries claim.
func (c *granuleCheck) tables() {
	alloc, lock := c.alloc(), c.lockout()
	for cyl := range granuleTable {
		absent := c.absent(cyl)
		if cyl >= c.cyls {
			absent = 0xFF
		}
		if m := alloc[cyl] & absent; m != absent {
			what := "granules past the last one of the cylinder"
			if cyl >= c.cyls {
				what = "a cylinder that the disk does not have"
			}
			c.bad(fmt.Sprintf("allocation table byte %02Xh", cyl), "%02Xh: %s must be marked as taken (%02Xh)", alloc[cyl], what, absent)
		}
		if m := lock[cyl] & absent; m != absent {
			c.bad(fmt.Sprintf("lock-out table byte %02Xh", cyl), "%02Xh: bits of what is not on the disk must be set (%02Xh)", lock[cyl], absent)
		}
		if cyl >= c.cyls {
			continue
		}
		for q := range c.perCyl {
			g := cyl*c.perCyl + q
			if c.offsets[g] < 0 {
				continue
			}
			taken, locked := alloc[cyl]>>q&1 != 0, lock[cyl]>>q&1 != 0
			owner := int(c.owner[g])
			switch {
			case locked && owner >= 0:
				c.bad("lock-out table, "+c.place(g), "locked out, but %s lies there", c.fileWhere(owner))
			case locked && !taken:
				c.bad("allocation table, "+c.place(g), "free, but the granule is locked out")
			case taken && !locked && owner < 0:
				c.bad("allocation table, "+c.place(g), "taken, but no file holds it: the space is lost")
			}
			if !taken && owner >= 0 {
				c.bad("allocation table, "+c.place(g), "free, but it belongs to %s: the next file written there destroys it", c.fileWhere(owner))
			}
		}
	}
}

// media reports what is known of the sectors themselves: damage, and the marks of the directory.
func (c *granuleCheck) media() {
	for _, p := range c.im.Noted() {
		s, _ := c.im.Sector(p)
		if s.Status != disk.Bad && s.Status != disk.Doubtful {
			continue
		}
		where := p.String()
		off, err := c.im.Geometry.Offset(p.Cylinder, p.Head, p.Sector)
		if err != nil {
			continue
		}
		if p.Cylinder == c.dir {
			where += " (directory)"
		} else if g, ok := c.granuleAt(off); ok && c.owner[g] >= 0 {
			where += " (" + c.fileWhere(int(c.owner[g])) + ")"
		}
		c.bad(where, "%s: %s", s.Status, s.Why)
	}
	if !c.marked {
		return
	}
	for _, s := range c.dirPlaces() {
		if x, _ := c.im.Sector(s); x.Mark == disk.MarkData {
			c.bad(s.String(), "carries the mark FB of ordinary data; on the directory the machine looks for another (FA or F8) and would reject the disk")
			return
		}
	}
}

// granuleAt is the granule that a byte of the image lies in.
func (v *granule) granuleAt(off int64) (int, bool) {
	for g, o := range v.offsets {
		if o >= 0 && off >= o && off < o+int64(v.bytes()) {
			return g, true
		}
	}
	return 0, false
}

// dirPlaces are the sectors of the directory cylinder.
func (v *granule) dirPlaces() []disk.Place {
	var ps []disk.Place
	for h := range v.geometry.Heads {
		t := v.geometry.Shape(v.dir, h)
		for s := t.FirstID; s < t.FirstID+t.Sectors; s++ {
			ps = append(ps, disk.Place{Cylinder: v.dir, Head: h, Sector: s})
		}
	}
	return ps
}
