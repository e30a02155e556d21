package volume

import (
	"bytes"
	"cmp"
	"encoding/binary"
	"fmt"
	"strings"
)

// stretches of a block are its records, joined where the sector order leaves them together.
func (v *extentVolume) stretches(b int) [][2]int {
	if b < 0 || b > v.p.DSM {
		return nil
	}
	var out [][2]int
	for r := b << v.p.BSH; r < (b+1)<<v.p.BSH; r++ {
		if v.p.OFF+r/v.p.SPT >= len(v.tracks) {
			break
		}
		o := v.offset(r)
		if n := len(out); n > 0 && out[n-1][0]+out[n-1][1] == o {
			out[n-1][1] += recordBytes
			continue
		}
		out = append(out, [2]int{o, recordBytes})
	}
	return out
}

// books names the reserved tracks and the directory. Fields: the system's operating-system manual, 5.2 (directory
// entry); user byte and S2 from memory.
func (v *extentVolume) books(put func(at, n int, name, file, what string)) {
	track := v.p.SPT * recordBytes
	for t := range min(v.p.OFF, len(v.tracks)) {
		for o := 0; o < track; o += v.p.SectorSize {
			at := v.tracks[t] + o
			put(at, v.p.SectorSize, fmt.Sprintf("reserved track %d, sector %d of the track", t, o/v.p.SectorSize+1), "", "loader and system; no file lies here")
		}
	}
	names := map[int]string{} // by number of the entry
	for _, f := range v.files() {
		for _, i := range f.entries {
			names[i] = f.name
		}
	}
	for i := 0; i <= v.p.DRM; i++ {
		v.bookEntry(v.offset(i/4)+i%4*entryBytes, i, names[i], put)
	}
}

func (v *extentVolume) bookEntry(at, i int, file string, put func(at, n int, name, file, what string)) {
	e := v.entry(i)
	name := fmt.Sprintf("entry %d", i)
	field := func(o, n int, of, what string) { put(at+o, n, name+", "+of, file, what) }
	switch {
	case e.free() && bytes.Count(e, []byte{extentFree}) == len(e):
		put(at, entryBytes, name, "", "free, never used")
		return
	case e.free():
		put(at, entryBytes, name, "", "free; what is left of a removed one: "+joinName(e[1:9], e[9:12], "."))
		return
	case e[0] == 0x20:
		put(at, entryBytes, name, "", "20h: the label, "+joinName(e[1:9], e[9:12], ".")+" (later systems of the family)")
		return
	case e[0] == 0x21:
		put(at, entryBytes, name, "", "21h: time stamps of the three entries before it (later systems of the family)")
		return
	}
	k := e.key()
	field(0, 1, "user", fmt.Sprint(e[0]))
	field(1, 8, "name", printable(k[1:9]))
	var a []string
	for j, n := range []string{"read-only", "system", "archived"} {
		if e[9+j]&0x80 != 0 {
			a = append(a, n)
		}
	}
	what := cmp.Or(printable(k[9:12]), "none")
	if len(a) > 0 {
		what += "; upper bits: " + strings.Join(a, ", ")
	}
	field(9, 3, "type of the name", what)
	field(12, 1, "extent, lower five bits", fmt.Sprintf("%d; the entry's extent number is %d", e[12], e.extent()))
	field(13, 1, "S1", fmt.Sprintf("%d; kept for the system", e[13]))
	field(14, 1, "S2, upper bits of the extent", fmt.Sprint(e[14]))
	field(15, 1, "records of the last extent", fmt.Sprintf("%d; the entry reaches %d records, %d bytes", e[15], v.used(e), v.used(e)*recordBytes))
	n, w := v.p.pointers()
	for j := range n {
		b := v.block(e, j)
		what := fmt.Sprintf("block %d", b)
		switch {
		case b == 0:
			what = "0: none"
		case b > v.p.DSM:
			what += fmt.Sprintf("; the last one is %d", v.p.DSM)
		case b < v.p.directoryBlocks():
			what += ", which holds the directory"
		}
		if w == 2 {
			what += fmt.Sprintf(" (%04Xh, low byte first)", binary.LittleEndian.Uint16(e[16+2*j:]))
		}
		field(16+w*j, w, fmt.Sprintf("block %d of %d", j+1, n), what)
	}
}
