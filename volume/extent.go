package volume

import (
	"bytes"
	"encoding/binary"
	"fmt"
	"slices"
	"strconv"
	"strings"

	"remanence/disk"
)

// Extent volumes: directory entry and parameter block after the operating-system manual of an 8080/Z80 system,
// sections 5.2, 6.10 and 6.11; what it does not show (user byte, S2, meaning of the fields on disk) from memory.

const (
	recordBytes  = 128
	extentFree   = 0xE5
	extentUsers  = 16
	extentFiller = 0x1A // ends a text and fills its last record
)

var extentKind = &Kind{
	Name: "extent", Title: "extent-directory volume of 8080 and Z80 business systems", Unit: "block",
	Source:  "operating-system manual of the system, 5.2, 6.10, 6.11; rest from memory",
	claims:  extentClaims,
	create:  newExtent,
	room:    extentRoom,
	nameFor: extentNameFor,
	valid:   validExtentName,
}

// extentVolume is an open extent volume. The bytes of the image are its only state.
type extentVolume struct {
	p       *Parameters
	im      *disk.Image
	sectors []int // sector index on the logical track, in logical order
	tracks  []int // byte offset of each logical track
	trunc   bool
}

func extentOn(p *Parameters, im *disk.Image) *extentVolume {
	v := &extentVolume{p: p, im: im}
	perSector := p.SectorSize / recordBytes
	n := p.SPT / perSector // sectors of a logical track
	v.sectors = make([]int, n)
	for i := range v.sectors {
		v.sectors[i] = i
		if len(p.Skew) == n {
			v.sectors[i] = p.Skew[i] - p.FirstSector
		}
	}
	whole := n / p.Sectors // physical tracks of a logical one
	bytesPer := p.Sectors * p.SectorSize
	for t := range p.Cylinders * p.Sides / whole {
		at := t * whole * bytesPer
		if p.Sides == 2 && whole == 1 && t >= p.Cylinders {
			switch p.Order {
			case "sides":
				at = ((t-p.Cylinders)*2 + 1) * bytesPer
			case "back":
				at = ((2*p.Cylinders-1-t)*2 + 1) * bytesPer
			}
		} else if p.Sides == 2 && whole == 1 && (p.Order == "sides" || p.Order == "back") {
			at = t * 2 * bytesPer
		}
		v.tracks = append(v.tracks, at)
	}
	return v
}

// offset is where record r of the data area lies in the image, skew and all.
func (v *extentVolume) offset(r int) int {
	perSector := v.p.SectorSize / recordBytes
	t := r % v.p.SPT
	return v.tracks[v.p.OFF+r/v.p.SPT] + v.sectors[t/perSector]*v.p.SectorSize + t%perSector*recordBytes
}

// record is 128 bytes of the image.
func (v *extentVolume) record(r int) []byte {
	o := v.offset(r)
	return v.im.Data[o : o+recordBytes : o+recordBytes]
}

// dirEntry is 32 bytes of the directory.
type dirEntry []byte

func (v *extentVolume) entry(i int) dirEntry {
	return dirEntry(v.record(i / 4)[i%4*entryBytes : (i%4+1)*entryBytes])
}

func (e dirEntry) free() bool { return e[0] == extentFree }

// other reports entries that later systems of the family keep among the files: a label (20h), time stamps (21h).
func (e dirEntry) other() bool  { return e[0] == 0x20 || e[0] == 0x21 }
func (e dirEntry) extent() int  { return int(e[14])*32 + int(e[12]) }
func (e dirEntry) records() int { return min(int(e[15]), recordBytes) }

// key is user and name without the attribute bits.
func (e dirEntry) key() (k [12]byte) {
	k[0] = e[0]
	for i := 1; i < 12; i++ {
		k[i] = e[i] & 0x7F
	}
	return k
}

func keyName(k [12]byte) string {
	return fmt.Sprintf("%d:%s", k[0], joinName(k[1:9], k[9:12], "."))
}

// block is the i-th block number of an entry.
func (v *extentVolume) block(e dirEntry, i int) int {
	if _, w := v.p.pointers(); w == 2 {
		return int(binary.LittleEndian.Uint16(e[16+2*i:]))
	}
	return int(e[16+i])
}

func (v *extentVolume) setBlock(e dirEntry, i, b int) {
	if _, w := v.p.pointers(); w == 2 {
		binary.LittleEndian.PutUint16(e[16+2*i:], uint16(b))
		return
	}
	e[16+i] = byte(b)
}

// used is how many records the entry itself reaches: whole extents before its last one, and RC of that.
func (v *extentVolume) used(e dirEntry) int { return e.extent()%(v.p.EXM+1)*recordBytes + e.records() }

// extentFile is a file: its entries in the order of their extent numbers.
type extentFile struct {
	key     [12]byte
	name    string
	entries []int
}

// files groups the directory by user and name, in the order of first appearance.
func (v *extentVolume) files() []*extentFile {
	var out []*extentFile
	by := make(map[[12]byte]*extentFile, 64)
	for i := 0; i <= v.p.DRM; i++ {
		e := v.entry(i)
		if e.free() || e.other() {
			continue
		}
		k := e.key()
		f := by[k]
		if f == nil {
			f = &extentFile{key: k}
			by[k] = f
			out = append(out, f)
		}
		f.entries = append(f.entries, i)
	}
	var names nameList
	for _, f := range out {
		f.name = names.add(keyName(f.key))
		v.sortEntries(f)
	}
	return out
}

// find looks a name up; without a user number it is of user 0.
func (v *extentVolume) find(name string) (*extentFile, error) {
	if !strings.Contains(name, ":") {
		name = "0:" + name
	}
	if k, err := extentKey(strings.ToUpper(name)); err == nil { // an ordinary name: its entries and no others
		f := &extentFile{key: k, name: keyName(k)}
		for i := 0; i <= v.p.DRM; i++ {
			if e := v.entry(i); e[0] == k[0] && e.key() == k {
				f.entries = append(f.entries, i)
			}
		}
		if len(f.entries) > 0 {
			v.sortEntries(f)
			return f, nil
		}
	}
	for _, f := range v.files() { // as it is listed
		if f.name == name {
			return f, nil
		}
	}
	return nil, fmt.Errorf("%s: %w", name, ErrNoFile)
}

func (v *extentVolume) sortEntries(f *extentFile) {
	slices.SortStableFunc(f.entries, func(a, b int) int { return v.entry(a).extent() - v.entry(b).extent() })
}

func (v *extentVolume) Kind() string { return "extent" }

// Image is the disk as it is stored.
func (v *extentVolume) Image() (im *disk.Image) {
	if !v.p.Inverted {
		return v.im
	}
	c := v.im.Clone()
	invert(c.Data)
	return c
}

func invert(b []byte) {
	for i := range b {
		b[i] = ^b[i]
	}
}

// size is the file's length in records: that of its highest extent.
func (v *extentVolume) size(f *extentFile) int {
	e := v.entry(f.entries[len(f.entries)-1])
	return e.extent()*recordBytes + e.records()
}

func (v *extentVolume) attributes(f *extentFile) []string {
	e := v.entry(f.entries[0])
	var a []string
	for i, n := range []string{"read-only", "system", "archived"} {
		if e[9+i]&0x80 != 0 {
			a = append(a, n)
		}
	}
	return a
}

// Files are listed in the order of their first entries.
func (v *extentVolume) Files() []File {
	var out []File
	for _, f := range v.files() {
		x := File{Name: f.name, Size: int64(v.size(f)) * recordBytes, Attributes: v.attributes(f)}
		_, x.Faults = v.layout(f)
		n, _ := v.p.pointers()
		for _, i := range f.entries {
			for j := range n {
				if v.block(v.entry(i), j) != 0 {
					x.Units++
				}
			}
		}
		out = append(out, x)
	}
	return out
}

// layout is the block of each stretch of the file, in order, -1 where there is none that can be read; faults says why.
func (v *extentVolume) layout(f *extentFile) (blocks []int, faults []Fault) {
	bad := func(format string, a ...any) { faults = append(faults, Fault{f.name, fmt.Sprintf(format, a...)}) }
	per := v.p.capacity() >> v.p.BSH // blocks of a full entry
	want := 0
	for n, i := range f.entries {
		e := v.entry(i)
		k := e.extent() / (v.p.EXM + 1)
		last := n == len(f.entries)-1
		switch {
		case k < want:
			bad("entry %d has extent number %d, which is there already; it is left out", i, e.extent())
			continue
		case k > want:
			bad("the directory goes from extent %d to %d: what lies between is missing", max(want*(v.p.EXM+1)-1, 0), e.extent())
			if gap := (k - want) * per; len(blocks)+gap <= v.p.DSM+1 {
				for range gap {
					blocks = append(blocks, -1)
				}
			}
		}
		want = k + 1
		if e[15] > recordBytes {
			bad("entry %d counts %d records: want at most 128", i, e[15])
		}
		need := (v.used(e) + v.p.BLM) >> v.p.BSH
		if !last && v.used(e) != v.p.capacity() {
			bad("entry %d (extent %d) ends after %d records, but another entry follows", i, e.extent(), v.used(e))
			need = per
		}
		for j := range need {
			b := v.block(e, j)
			switch {
			case b == 0:
				bad("entry %d has no block for records %d to %d", i, j<<v.p.BSH, (j+1)<<v.p.BSH-1)
				b = -1
			case b > v.p.DSM:
				bad("entry %d names block %d; the last one is %d", i, b, v.p.DSM)
				b = -1
			case b < v.p.directoryBlocks():
				bad("entry %d names block %d, which holds the directory", i, b)
				b = -1
			}
			blocks = append(blocks, b)
		}
	}
	return blocks, faults
}

// Get reads a file in whole records; CutText shortens one that is text.
func (v *extentVolume) Get(name string) ([]byte, []Fault, error) {
	f, err := v.find(name)
	if err != nil {
		return nil, nil, err
	}
	blocks, faults := v.layout(f)
	e := v.entry(f.entries[len(f.entries)-1])
	// Everything up to the last entry is full blocks; that one ends with its records.
	records := (len(blocks) - (v.used(e)+v.p.BLM)>>v.p.BSH) << v.p.BSH
	records = max(records, 0) + v.used(e)
	records = min(records, len(blocks)<<v.p.BSH)
	data := make([]byte, 0, records*recordBytes)
	for r := range records {
		b := blocks[r>>v.p.BSH]
		if b < 0 {
			data = append(data, make([]byte, recordBytes)...)
			continue
		}
		at := b<<v.p.BSH + r&v.p.BLM
		data = append(data, v.record(at)...)
		faults = append(faults, badSectors(v.im, f.name, int64(v.offset(at)), recordBytes)...)
	}
	return data, slices.Compact(faults), nil
}

// CutText is data up to the first 1Ah, which ends a text.
func CutText(data []byte) []byte {
	if i := bytes.IndexByte(data, extentFiller); i >= 0 {
		return data[:i]
	}
	return data
}

// owners counts how often each block is held, and says by which entry first.
func (v *extentVolume) owners() (count, first []int) {
	count, first = make([]int, v.p.DSM+1), make([]int, v.p.DSM+1)
	n, _ := v.p.pointers()
	for i := 0; i <= v.p.DRM; i++ {
		e := v.entry(i)
		if e.free() || e.other() {
			continue
		}
		for j := range n {
			if b := v.block(e, j); b > 0 && b <= v.p.DSM {
				if count[b]++; count[b] == 1 {
					first[b] = i
				}
			}
		}
	}
	return count, first
}

// Info describes the volume.
func (v *extentVolume) Info() Info {
	p := v.p
	in := Info{Kind: "extent", Recording: v.im.Recording, Unit: "block", UnitBytes: p.BlockBytes(), Units: p.DSM + 1, Slots: p.DRM + 1}
	count, _ := v.owners()
	for b, c := range count {
		if c == 0 && b >= p.directoryBlocks() {
			in.Free++
		}
	}
	for i := 0; i <= p.DRM; i++ {
		switch e := v.entry(i); {
		case e.free():
			in.FreeSlots++
		case e[0] == 0x20:
			in.Name = joinName(e[1:9], e[9:12], ".")
		}
	}
	in.Details = []Detail{
		{"parameter block", p.String()},
		{"reserved tracks", strconv.Itoa(p.OFF)},
	}
	if len(p.Skew) > 1 {
		in.Details = append(in.Details, Detail{"sector order", strings.Trim(fmt.Sprint(p.Skew), "[]")})
	}
	return in
}

// String is the block in one line, in the order of the manual.
func (p *Parameters) String() string {
	return fmt.Sprintf("SPT %d, BSH %d, BLM %d, EXM %d, DSM %d, DRM %d, AL0 %02Xh, AL1 %02Xh, CKS %d, OFF %d", p.SPT, p.BSH, p.BLM, p.EXM, p.DSM, p.DRM, p.AL0, p.AL1, p.CKS, p.OFF)
}

// Bytes is the block as the system has it in memory, 15 bytes.
func (p *Parameters) Bytes() []byte {
	le := binary.LittleEndian
	b := le.AppendUint16(nil, uint16(p.SPT))
	b = append(b, byte(p.BSH), byte(p.BLM), byte(p.EXM))
	b = le.AppendUint16(b, uint16(p.DSM))
	b = le.AppendUint16(b, uint16(p.DRM))
	b = append(b, byte(p.AL0), byte(p.AL1))
	b = le.AppendUint16(b, uint16(p.CKS))
	return le.AppendUint16(b, uint16(p.OFF))
}

// Map is the use of the blocks.
func (v *extentVolume) Map() []Unit {
	count, first := v.owners()
	units := make([]Unit, len(count))
	for b := range units {
		units[b] = Unit{Number: b, Place: fmt.Sprintf("block %d", b)}
		if count[b] > 0 {
			units[b].File = keyName(v.entry(first[b]).key())
		}
		switch {
		case b < v.p.directoryBlocks():
			units[b].State = UnitSystem
		case count[b] > 1:
			units[b].State = UnitShared
		case count[b] == 1:
			units[b].State = UnitUsed
		}
	}
	return units
}
