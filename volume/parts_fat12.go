package volume

import (
	"cmp"
	"encoding/binary"
	"fmt"
)

func (v *fat12) stretches(c int) [][2]int {
	if !v.valid(c) {
		return nil
	}
	return [][2]int{{v.offset(c), v.clusterBytes()}}
}

// books names the parameter block, the tables entry by entry, and the directories. Fields: FAT specification of
// 30 August 2005, sections on the boot sector, the table and the directory structure; they agree with ECMA-107.
func (v *fat12) books(put func(at, n int, name, file, what string)) {
	v.bookBoot(put)
	owner := map[int]string{}
	v.held(func(name string, units []int) {
		for _, c := range units {
			if owner[c] == "" {
				owner[c] = name
			}
		}
	})
	for n := range v.tables {
		v.bookTable(n, owner, put)
	}
	paths := map[int]string{} // by place of the entry
	var dirs []fatDir
	v.walk(func(n fatNode, e fatEntry) { paths[n.at] = n.path }, func(d *fatDir) { dirs = append(dirs, *d) })
	for _, d := range dirs {
		ended := false
		where := "root directory"
		if d.path != "" {
			where = "directory " + d.path
		}
		for i, at := range d.places {
			name := fmt.Sprintf("%s, entry %d", where, i)
			e := v.entry(at)
			ended = ended || e.end()
			switch {
			case ended && e.end():
				put(at, fatEntryBytes, name, "", "free; nothing stands behind it")
			case ended:
				put(at, fatEntryBytes, name, "", "behind the end of the directory")
			case e.free():
				put(at, fatEntryBytes, name, "", fmt.Sprintf("free; what is left of a removed one: %s", printable(e[1:11])))
			case e.longName():
				put(at, fatEntryBytes, name, "", "a part of a long name")
			default:
				v.bookEntry(at, name, paths[at], put)
			}
		}
	}
	if end := v.root*v.sectorBytes + v.rootEntries*fatEntryBytes; end < v.data*v.sectorBytes {
		put(end, v.data*v.sectorBytes-end, "behind the root directory", "", "not used")
	}
	if end := v.offset(v.clusters + 2); end < len(v.im.Data) {
		for at := end; at < len(v.im.Data); at += v.sectorBytes {
			what := "less than a cluster is left here: not used"
			if at >= v.total*v.sectorBytes {
				what = "behind the end of the volume"
			}
			put(at, min(v.sectorBytes, len(v.im.Data)-at), fmt.Sprintf("sector %d of the volume", at/v.sectorBytes), "", what)
		}
	}
}

func (v *fat12) bookBoot(put func(at, n int, name, file, what string)) {
	b := v.im.Data
	le := binary.LittleEndian
	end := v.reserved * v.sectorBytes
	if v.noBPB {
		put(0, v.sectorBytes, "boot sector", "", "without a parameter block: the media byte told the format")
	} else {
		put(0, 3, "boot sector, jump", "", fmt.Sprintf("%02X %02X %02X: over the parameter block to the code", b[0], b[1], b[2]))
		put(3, 8, "boot sector, system", "", printable(b[3:11]))
		for _, f := range []struct {
			at, n int
			name  string
			what  string
		}{
			{0x0B, 2, "bytes a sector", ""}, {0x0D, 1, "sectors a cluster", ""}, {0x0E, 2, "reserved sectors", "this one among them"}, {0x10, 1, "tables", ""},
			{0x11, 2, "entries of the root directory", ""}, {0x13, 2, "sectors", "0: see below"}, {0x15, 1, "media byte", ""}, {0x16, 2, "sectors a table", ""},
			{0x18, 2, "sectors a track", ""}, {0x1A, 2, "sides", ""}, {0x1C, 2, "hidden sectors", "before the volume"},
		} {
			n := int(b[f.at])
			if f.n == 2 {
				n = int(le.Uint16(b[f.at:]))
			}
			what := fmt.Sprint(n)
			if f.at == 0x15 {
				what = fmt.Sprintf("%02Xh", n)
			}
			if f.what != "" {
				what += "; " + f.what
			}
			put(f.at, f.n, "boot sector, "+f.name, "", what)
		}
		code := 0x1E
		if v.extended() {
			put(0x1E, 2, "boot sector, hidden sectors, upper half", "", fmt.Sprint(le.Uint16(b[0x1E:])))
			put(0x20, 4, "boot sector, sectors of a large volume", "", fmt.Sprint(le.Uint32(b[0x20:])))
			put(0x24, 1, "boot sector, drive number", "", fmt.Sprintf("%02Xh", b[0x24]))
			put(0x25, 1, "boot sector, reserved", "", "used by systems as they run")
			put(0x26, 1, "boot sector, mark", "", "29h: serial number, label and type follow")
			put(0x27, 4, "boot sector, serial number", "", fmt.Sprintf("%08X", le.Uint32(b[0x27:])))
			put(0x2B, 11, "boot sector, label", "", printable(b[0x2B:0x36]))
			put(0x36, 8, "boot sector, type", "", printable(b[0x36:0x3E]))
			code = 0x3E
		}
		put(code, max(0, min(v.sectorBytes, 510)-code), "boot sector, code", "", "loaded and run at start-up")
		if v.sectorBytes >= 512 {
			put(510, 2, "boot sector, signature", "", fmt.Sprintf("%02X %02X; a boot sector ends in 55 AA", b[510], b[511]))
			put(512, v.sectorBytes-512, "boot sector, rest", "", "not used")
		}
	}
	for at := v.sectorBytes; at < end; at += v.sectorBytes {
		put(at, v.sectorBytes, fmt.Sprintf("reserved sector %d", at/v.sectorBytes), "", "kept free by the parameter block")
	}
}

// bookTable names a table byte by byte where entries share a byte: entry n is the byte n + n div 2 with half of the one
// before or behind it.
func (v *fat12) bookTable(n int, owner map[int]string, put func(at, n int, name, file, what string)) {
	t := v.table(n)
	base := (v.reserved + n*v.perTable) * v.sectorBytes
	table := fmt.Sprintf("table %d, ", n+1)
	leads := func(c int) string {
		x := fatGet(t, c)
		switch {
		case c == 0:
			return fmt.Sprintf("%03Xh: the media byte", x)
		case c == 1:
			return fmt.Sprintf("%03Xh: no cluster has this number", x)
		case x == 0:
			return "000h: free"
		case x >= fatEnd:
			return fmt.Sprintf("%03Xh: the end of the chain", x)
		case x == fatBad:
			return "FF7h: marked bad"
		}
		return fmt.Sprintf("%03Xh: cluster %d follows", x, x)
	}
	of := func(c int) string {
		if o := owner[c]; o != "" {
			return "; " + o
		}
		return ""
	}
	last := v.clusters + 2
	c := 0
	for ; c < last; c += 2 {
		at := base + c + c/2
		put(at, 1, fmt.Sprintf("%sentry %d", table, c), owner[c], leads(c)+of(c)+" (upper four bits in the next byte)")
		if c+1 < last {
			put(at+1, 1, fmt.Sprintf("%sentries %d and %d", table, c, c+1), cmp.Or(owner[c], owner[c+1]), fmt.Sprintf("entry %d: %s; entry %d: %s", c, leads(c)+of(c), c+1, leads(c+1)+of(c+1)))
			put(at+2, 1, fmt.Sprintf("%sentry %d", table, c+1), owner[c+1], leads(c+1)+of(c+1)+" (lower four bits in the byte before)")
		} else {
			put(at+1, 1, fmt.Sprintf("%sentry %d, upper bits", table, c), owner[c], leads(c)+of(c))
		}
	}
	used := (last*3 + 1) / 2
	put(base+used, v.perTable*v.sectorBytes-used, table+"rest", "", "there are no more clusters")
}

// bookEntry names the fields of a directory entry.
func (v *fat12) bookEntry(at int, name, file string, put func(at, n int, name, file, what string)) {
	e := v.entry(at)
	le := binary.LittleEndian
	field := func(o, n int, of, what string) { put(at+o, n, name+", "+of, file, what) }
	field(0, 8, "name", printable(e.raw()[:8]))
	field(8, 3, "extension of the name", cmp.Or(printable(e[8:11]), "none"))
	what := fmt.Sprintf("%02Xh", e.attr())
	for _, x := range []struct {
		bit  byte
		name string
	}{{attrReadOnly, "read-only"}, {attrHidden, "hidden"}, {attrSystem, "system"}, {attrLabel, "volume label"}, {attrDirectory, "directory"}, {attrArchive, "not archived yet"}} {
		if e.attr()&x.bit != 0 {
			what += ", " + x.name
		}
	}
	field(11, 1, "attributes", what)
	field(12, 1, "reserved", "used by some systems for the case of the name")
	field(13, 1, "made, hundredths of a second", fmt.Sprint(e[13]))
	field(14, 2, "made, time", fatClock(le.Uint16(e[14:])))
	field(16, 2, "made, date", fatDay(le.Uint16(e[16:])))
	field(18, 2, "last used, date", fatDay(le.Uint16(e[18:])))
	field(20, 2, "first cluster, upper half", fmt.Sprintf("%d; always 0 on FAT12", le.Uint16(e[20:])))
	field(22, 2, "written, time", fatClock(le.Uint16(e[22:])))
	field(24, 2, "written, date", fatDay(le.Uint16(e[24:])))
	first := fmt.Sprint(e.cluster())
	if e.cluster() == 0 {
		first = "0: none"
	}
	field(26, 2, "first cluster", first)
	field(28, 4, "size", fmt.Sprintf("%d bytes", e.size()))
}

func fatClock(t uint16) string { return fmt.Sprintf("%02d:%02d:%02d", t>>11, t>>5&63, t&31*2) }

func fatDay(d uint16) string {
	if d == 0 {
		return "none"
	}
	return fmt.Sprintf("%04d-%02d-%02d", 1980+d>>9, d>>5&15, d&31)
}
