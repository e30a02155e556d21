package volume

import (
	"bytes"
	"encoding/binary"
	"fmt"

	"remanence/disk"
)

// Check goes through boot sector, tables, every chain and every directory.
func (v *fat12) Check() []Fault {
	c := fatCheck{fat12: v, owner: make([]string, v.clusters+2)}
	c.tables()
	c.directories()
	c.lost()
	c.media()
	return c.faults
}

type fatCheck struct {
	*fat12
	faults []Fault
	owner  []string // who holds a cluster
}

func (c *fatCheck) bad(where, format string, a ...any) {
	c.faults = append(c.faults, Fault{where, fmt.Sprintf(format, a...)})
}

func (c *fatCheck) tables() {
	t := c.table(0)
	if c.trunc {
		c.bad("image", "ends before sector %d, the last of the volume", c.total-1)
	}
	if t[0] != c.fat12.media {
		c.bad("table 1 entry 0", "media byte %02Xh; the boot sector says %02Xh", t[0], c.fat12.media)
	} else if e := fatGet(t, 0); e != 0xF00|int(c.fat12.media) {
		c.bad("table 1 entry 0", "%03Xh: want F%02Xh", e, c.fat12.media)
	}
	if e := fatGet(t, 1); e < fatEnd {
		c.bad("table 1 entry 1", "%03Xh: want FFFh", e)
	}
	for n := 1; n < c.fatShape.tables; n++ {
		o := c.table(n)
		if bytes.Equal(t, o) {
			continue
		}
		differ, first := 0, -1
		for i := range c.clusters + 2 {
			if fatGet(t, i) != fatGet(o, i) {
				if first < 0 {
					first = i
				}
				differ++
			}
		}
		if differ > 0 {
			c.bad(fmt.Sprintf("table %d", n+1), "differs from table 1 in %d entries, the first is %d: %03Xh and %03Xh", differ, first, fatGet(t, first), fatGet(o, first))
		}
	}
	for i := 2; i < c.clusters+2; i++ {
		if e := fatGet(t, i); e == 1 || e >= c.clusters+2 && e < fatBad {
			c.bad(fmt.Sprintf("table 1 entry %d", i), "%03Xh leads to no cluster; clusters are 2 to %d", e, c.clusters+1)
		}
	}
}

func (c *fatCheck) directories() {
	labels := 0
	var names map[string]bool
	var dir *fatDir
	var dots int
	c.walk(func(n fatNode, e fatEntry) {
		where := n.path
		if where == "" {
			where = fmt.Sprintf("%sentry at byte %d", n.dir.path, n.at)
		}
		if e.label() {
			if labels++; n.dir.path != "" || labels > 1 {
				c.bad(where, "a label %q: a volume has one, in the root directory", printable(e[:11]))
			}
			return
		}
		if n.dir.path != "" && e.dot() {
			dots++
			c.dotEntry(n, e, dots)
			return
		}
		raw := string(e.raw())
		if n.dir != dir {
			dir, names = n.dir, map[string]bool{}
		}
		if names[raw] {
			c.bad(where, "a name that is there already; a machine finds only the first")
		}
		names[raw] = true
		c.file(where, e)
	}, func(d *fatDir) {
		dots = 0
		if d.path != "" && d.fault == "" {
			for i, want := range []string{".          ", "..         "} {
				if i >= len(d.places) || string(c.entry(d.places[i])[:11]) != want {
					c.bad(d.path, "entry %d is not %q, which every sub-directory starts with", i+1, printable([]byte(want)))
				}
			}
		}
	})
}

// dotEntry checks "." and "..": the directory itself, and the one above it (0 for the root).
func (c *fatCheck) dotEntry(n fatNode, e fatEntry, count int) {
	where := n.dir.path + printable(e[:11])
	switch {
	case count > 2 || !e.directory():
		c.bad(where, "a dot entry that is not one of the first two, or no directory")
	case count == 1 && e.cluster() != n.dir.first:
		c.bad(where, "cluster %d: want %d, the directory itself", e.cluster(), n.dir.first)
	case count == 2 && e.cluster() != n.dir.parent:
		c.bad(where, "cluster %d: want %d, the directory above", e.cluster(), n.dir.parent)
	}
}

// file checks one file or directory entry.
func (c *fatCheck) file(where string, e fatEntry) {
	if why := fatNameFault(e.raw()); why != "" {
		c.bad(where, "name: %s", why)
	}
	if e.attr()&0xC0 != 0 || e.attr()&attrLabel != 0 {
		c.bad(where, "attributes %02Xh: want a combination of 01, 02, 04, 10 and 20", e.attr())
	}
	d, t := binary.LittleEndian.Uint16(e[0x18:]), binary.LittleEndian.Uint16(e[0x16:])
	if impossibleStamp(d, t) {
		c.bad(where, "date %s: no such day or time", e.date())
	}
	list, what := c.chain(e.cluster())
	if what != "" {
		c.bad(where, "%s", what)
	}
	for _, x := range list {
		if o := c.owner[x]; o != "" {
			c.bad(where, "cluster %d belongs to %s as well: one of them is damaged", x, o)
			break // the rest of the chain is the same
		}
		c.owner[x] = where
	}
	if e.directory() {
		if e.size() != 0 {
			c.bad(where, "a directory of %d bytes: its size is written as 0", e.size())
		}
		if e.cluster() == 0 {
			c.bad(where, "a directory without a cluster")
		}
		return
	}
	want := (e.size() + int64(c.clusterBytes()) - 1) / int64(c.clusterBytes())
	switch held := int64(len(list)); {
	case held < want:
		c.bad(where, "%d bytes need %d clusters; its chain has %d: the end is missing", e.size(), want, held)
	case held > want:
		c.bad(where, "%d bytes need %d clusters; its chain has %d: the size is wrong, or space is wasted", e.size(), want, held)
	}
}

// lost reports clusters that are taken and belong to nobody, chain by chain.
func (c *fatCheck) lost() {
	for _, l := range c.lostChains(func(cluster int) bool { return c.owner[cluster] != "" }) {
		c.bad(fmt.Sprintf("cluster %d", l[0]), "taken, but no file holds it (a chain of %d): the space is lost", len(l))
	}
}

// lostChains are the chains that nothing leads to; loops without a start are found too.
func (v *fat12) lostChains(owned func(int) bool) (chains [][]int) {
	pointed := make([]bool, v.clusters+2)
	loose := func(c int) bool { n := v.next(c); return n != 0 && n != fatBad && !owned(c) }
	for c := 2; c < v.clusters+2; c++ {
		if n := v.next(c); loose(c) && v.valid(n) {
			pointed[n] = true
		}
	}
	seen := make([]bool, v.clusters+2)
	for _, heads := range []bool{true, false} {
		for c := 2; c < v.clusters+2; c++ {
			if !loose(c) || seen[c] || pointed[c] == heads {
				continue
			}
			var l []int
			for x := c; v.valid(x) && !seen[x] && loose(x); x = v.next(x) {
				seen[x] = true
				l = append(l, x)
			}
			chains = append(chains, l)
		}
	}
	return chains
}

// media reports sectors that are known to be damaged.
func (c *fatCheck) media() {
	for _, p := range c.im.Noted() {
		s, _ := c.im.Sector(p)
		if s.Status != disk.Bad && s.Status != disk.Doubtful || c.trunc {
			continue
		}
		where := p.String()
		if off, err := c.im.Geometry.Offset(p.Cylinder, p.Head, p.Sector); err == nil {
			n := int(off)/c.sectorBytes - c.data
			switch x := n/c.perCluster + 2; {
			case n < 0:
				where += " (system area)"
			case c.valid(x) && c.owner[x] != "":
				where += " (" + c.owner[x] + ")"
			}
		}
		c.bad(where, "%s: %s", s.Status, s.Why)
	}
}

// impossibleStamp reports a date or time that no clock shows; a date of 0 is none.
func impossibleStamp(d, t uint16) bool {
	return d != 0 && (d>>5&15 < 1 || d>>5&15 > 12 || d&31 < 1) || t>>11 > 23 || t>>5&63 > 59 || t&31 > 29
}
