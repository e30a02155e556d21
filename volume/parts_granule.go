package volume

import (
	"cmp"
	"encoding/binary"
	"fmt"
	"strings"
)

func (v *granule) stretches(g int) [][2]int {
	if g < 0 || g >= len(v.offsets) || v.offsets[g] < 0 {
		return nil
	}
	return [][2]int{{int(v.offsets[g]), v.bytes()}}
}

// books names the boot sector's one number, the tables, the hash index and the entries. Fields: doc/volumes.md; what the
// systems did not agree on is named as such.
func (v *granule) books(put func(at, n int, name, file, what string)) {
	names := map[int]string{} // by entry code, extension entries too
	codes, listed := v.primaries()
	for i, code := range codes {
		chain, _ := v.chain(code)
		for _, c := range chain {
			names[c] = listed[i]
		}
	}
	for _, code := range []int{codeBoot, codeDir} {
		if e := v.entry(code); e.used() && v.fixed(code, e) {
			names[code] = e.name()
		}
	}
	boot := v.im.Data
	put(0, 2, "boot sector, beginning", "", "machine code, or what the boot ROM passes over")
	put(2, 1, "boot sector, directory cylinder", "", fmt.Sprintf("%d; the directory was found on cylinder %d", boot[2], v.dir))
	put(3, granuleSectorBytes-3, "boot sector, code", "", "loaded and run by the boot ROM")

	at := int(v.base)
	v.bookTables(at, put)
	index := at + granuleSectorBytes
	for i, h := range v.index() {
		what := "no entry has this number"
		switch e := v.entry(i); {
		case e != nil && names[i] != "":
			what = fmt.Sprintf("%02Xh, hash of %s", h, names[i])
			if want := v.hashOf(i); h != want {
				what += fmt.Sprintf("; its name hashes to %02Xh", want)
			}
		case e != nil && h != 0:
			what = fmt.Sprintf("%02Xh, but the entry is free", h)
		case e != nil:
			what = "0: the entry is free"
		}
		put(index+i, 1, fmt.Sprintf("hash index, entry %02Xh", i), names[i], what)
	}
	for _, code := range v.codes() {
		o := at + (2+code&31)*granuleSectorBytes + code>>5*entryBytes
		v.bookEntry(o, code, names[code], put)
	}
}

// hashOf is the hash that stands for an entry in the index: extension entries have their file's.
func (v *granule) hashOf(code int) byte {
	e := v.entry(code)
	for range entryExtents * 64 { // a chain that loops ends somewhere
		if !e.extension() {
			break
		}
		up := v.entry(int(e[1]))
		if up == nil || !up.used() {
			break
		}
		e = up
	}
	return e.hash()
}

func (v *granule) bookTables(at int, put func(at, n int, name, file, what string)) {
	t := v.sector(0)
	granules := func(b byte, set string) string {
		var on []string
		for q := range v.perCyl {
			if b>>q&1 != 0 {
				on = append(on, fmt.Sprint(q))
			}
		}
		switch len(on) {
		case 0:
			return "none " + set
		case v.perCyl:
			return "all granules " + set
		}
		return "granule " + strings.Join(on, ", ") + " " + set
	}
	for c := range granuleTable {
		here := "a cylinder that the disk does not have"
		lock := here
		if c < v.cyls {
			here, lock = granules(t[c], "taken"), granules(t[granuleTable+c], "locked out")
			if c == v.dir {
				here += "; the directory"
			}
		}
		put(at+c, 1, fmt.Sprintf("allocation table, cylinder %d", c), "", fmt.Sprintf("%02Xh: %s", t[c], here))
		put(at+granuleTable+c, 1, fmt.Sprintf("lock-out table, cylinder %d", c), "", fmt.Sprintf("%02Xh: %s", t[granuleTable+c], lock))
	}
	put(at+0xC0, 0x0B, "after the tables", "", "not used")
	put(at+0xCB, 1, "version of the system", "", fmt.Sprintf("%02Xh; some systems keep it here", t[0xCB]))
	put(at+0xCC, 1, "cylinders less 35", "", fmt.Sprintf("%02Xh; some systems keep it here", t[0xCC]))
	put(at+0xCD, 1, "kind of disk", "", fmt.Sprintf("%02Xh; some systems keep sides, density and granules here", t[0xCD]))
	put(at+0xCE, 2, "master password", "", "hash, "+passwordText(binary.LittleEndian.Uint16(t[0xCE:])))
	put(at+0xD0, 8, "volume name", "", printable(t[0xD0:0xD8]))
	put(at+0xD8, 8, "volume date", "", printable(t[0xD8:0xE0]))
	put(at+0xE0, 32, "command at start-up", "", startCommand(t))
}

// bookEntry names the fields of one entry at o.
func (v *granule) bookEntry(o, code int, file string, put func(at, n int, name, file, what string)) {
	e := v.entry(code)
	name := fmt.Sprintf("entry %02Xh", code)
	field := func(at, n int, of, what string) { put(o+at, n, name+", "+of, file, what) }
	if !e.used() {
		put(o, entryBytes, name, "", "free")
		return
	}
	if e.extension() {
		field(0, 1, "kind", fmt.Sprintf("%02Xh: an extension entry, with more extents of %s", e[0], cmp.Or(file, "no file")))
		field(1, 1, "goes on from", fmt.Sprintf("entry %02Xh", e[1]))
		field(2, 20, "not used", "an extension entry has neither name nor size of its own")
	} else {
		a := strings.Join(granuleAttributes(e), ", ")
		field(0, 1, "attributes", fmt.Sprintf("%02Xh: in use, %s", e[0], cmp.Or(a, "no attributes")))
		month, day := "month "+fmt.Sprint(e[1]&15), fmt.Sprintf("day %d, year %d", e[2]>>3, 1980+int(e[2]&7))
		if granuleDate(e) == "" {
			month, day = "no month", "no day"
		}
		field(1, 1, "month", fmt.Sprintf("%02Xh: %s; the upper bits are the system's", e[1], month))
		field(2, 1, "day and year", fmt.Sprintf("%02Xh: %s", e[2], day))
		field(3, 1, "bytes in the last sector", fmt.Sprintf("%d (0 stands for a full one)", e[3]))
		field(4, 1, "record length", fmt.Sprintf("%d (0 stands for 256)", e[4]))
		field(5, 8, "name", printable(e[5:13]))
		field(13, 3, "extension of the name", cmp.Or(printable(e[13:16]), "none"))
		field(16, 2, "update password", "hash, "+password(binary.LittleEndian.Uint16(e[16:])))
		field(18, 2, "access password", "hash, "+password(binary.LittleEndian.Uint16(e[18:])))
		size, sectors := v.need(e)
		field(20, 2, "sectors", fmt.Sprintf("%d; with the last sector's bytes the file is %d bytes in %d sectors", e.count(), size, sectors))
	}
	list, _ := v.extents(e)
	for i := range entryExtents {
		c, n := e[22+2*i], e[23+2*i]
		what := "behind the end of the extents"
		switch {
		case i < len(list) && list[i].good:
			what = fmt.Sprintf("cylinder %d, from granule %d on, %d granules", c, n>>5, list[i].count)
		case i < len(list):
			what = fmt.Sprintf("%02X %02X: not on a disk of %d cylinders with %d granules each", c, n, v.cyls, v.perCyl)
		case i == len(list):
			what = "FF FF: the extents end"
		}
		field(22+2*i, 2, fmt.Sprintf("extent %d", i+1), what)
	}
	what := "no extension entry"
	if next, ok := e.next(); ok {
		what = fmt.Sprintf("goes on in entry %02Xh", next)
	}
	field(30, 2, "link", fmt.Sprintf("%02X %02X: %s", e[30], e[31], what))
}

// password says of a file's hash what is known of the word.
func password(h uint16) string {
	if h == blankPassword {
		return "blank: none"
	}
	return passwordText(h)
}
