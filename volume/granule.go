package volume

import (
	_ "embed"
	"encoding/binary"
	"fmt"
	"slices"
	"strings"

	"remanence/disk"
)

// Granule volumes: facts from memory, as `shared/reference/z80-home-machine.md` collects them; the hashes there are
// verified against long-known values.
const (
	granuleSectorBytes = 256
	granuleTable       = 0x60 // bytes in the allocation table and in the lock-out table
	entryBytes         = 32
	entriesPerSector   = 8
	systemSlots        = 2  // slots of a directory sector that are kept for system files
	entryExtents       = 4  // extents in one directory entry
	extentGranules     = 32 // granules one extent reaches
	codeBoot           = 0  // entry code of BOOT/SYS
	codeDir            = 1  // entry code of DIR/SYS
	blankPassword      = 0x4296
	minGranuleCyls     = 20 // fewer cylinders than any drive of the class
	usualDirectory     = 17
)

// notSystem says on the screen that the disk is not a system disk. Source: asm/notsystem.asm.
//
//go:embed asm/notsystem.bin
var notSystem []byte

var granuleKind = &Kind{
	Name: "granule", Title: "granule volume of Z80 home computers", Unit: "granule",
	Source:  "from memory; hashes verified",
	claims:  granuleClaims,
	create:  newGranule,
	room:    granuleRoom,
	nameFor: granuleNameFor,
	valid:   validGranuleName,
}

// granuleShape is where things lie on a disk of this kind.
type granuleShape struct {
	geometry  disk.Geometry
	recording string
	cyls      int
	perSide   int // granules a track: 2 FM, 3 MFM
	perCyl    int
	sectors   int     // of a granule: 5 FM, 6 MFM
	offsets   []int64 // of each granule in the image; -1: not on the disk
	mfm       bool
}

// shapeOf takes the shape from a geometry; the last track decides, a boot track may differ.
func shapeOf(g disk.Geometry, recording string) (*granuleShape, error) {
	last := g.Shape(g.Cylinders-1, g.Heads-1)
	s := &granuleShape{geometry: g, recording: recording, cyls: g.Cylinders}
	switch {
	case last.Size != granuleSectorBytes:
		return nil, fmt.Errorf("sectors of %d bytes: a granule volume has %d", last.Size, granuleSectorBytes)
	case last.Encoding == disk.FM && last.Sectors == 10:
		s.perSide, s.sectors = 2, 5
	case last.Encoding == disk.MFM && last.Sectors == 18:
		s.perSide, s.sectors, s.mfm = 3, 6, true
	default:
		return nil, fmt.Errorf("%d %s sectors a track: a granule volume has 10 in FM or 18 in MFM", last.Sectors, last.Encoding)
	}
	if g.Cylinders < minGranuleCyls || g.Cylinders > granuleTable {
		return nil, fmt.Errorf("%d cylinders: a granule volume has %d to %d", g.Cylinders, minGranuleCyls, granuleTable)
	}
	s.perCyl = s.perSide * g.Heads
	s.offsets = make([]int64, s.cyls*s.perCyl)
	for i := range s.offsets {
		c, q := i/s.perCyl, i%s.perCyl
		t := g.Shape(c, q/s.perSide)
		first := q % s.perSide * s.sectors
		s.offsets[i] = -1
		if t.Size == granuleSectorBytes && first+s.sectors <= t.Sectors {
			s.offsets[i], _ = g.Offset(c, q/s.perSide, t.FirstID+first)
		}
	}
	return s, nil
}

// bytes is the size of a granule.
func (s *granuleShape) bytes() int { return s.sectors * granuleSectorBytes }

// absent has a bit for every granule of the cylinder that is not on the disk, and those past the last one.
func (s *granuleShape) absent(cyl int) byte {
	b := byte(0xFF) << s.perCyl
	for q := 0; q < s.perCyl; q++ {
		if cyl >= s.cyls || s.offsets[cyl*s.perCyl+q] < 0 {
			b |= 1 << q
		}
	}
	return b
}

// dirSectors is how many sectors of entries the directory has.
func (s *granuleShape) dirSectors() int {
	t := s.geometry.Shape(s.cyls-1, 0)
	return min(t.Sectors*s.geometry.Heads-2, 32)
}

func (s *granuleShape) place(granule int) string {
	return fmt.Sprintf("cylinder %d granule %d", granule/s.perCyl, granule%s.perCyl)
}

// granule is an open granule volume. The bytes of the image are its only state.
type granule struct {
	*granuleShape
	im     *disk.Image
	dir    int  // directory cylinder
	down   bool // sectors rounded down
	marked bool // something is known of the marks of the directory's sectors
	base   int64
}

func (s *granuleShape) volume(im *disk.Image, dir int) (*granule, error) {
	if dir < 1 || dir >= s.cyls || s.absent(dir) != s.absent(s.cyls-1) {
		return nil, fmt.Errorf("directory on cylinder %d: want 1 to %d", dir, s.cyls-1)
	}
	v := &granule{granuleShape: s, im: im, dir: dir}
	v.base = s.offsets[dir*s.perCyl]
	return v, nil
}

// sector n of the directory cylinder: 0 allocation table, 1 hash index, from 2 on entries. Side 1 follows side 0 in
// the image, as it does in the directory.
func (v *granule) sector(n int) []byte {
	o := v.base + int64(n)*granuleSectorBytes
	return v.im.Data[o : o+granuleSectorBytes : o+granuleSectorBytes]
}

func (v *granule) alloc() []byte   { return v.sector(0)[:granuleTable] }
func (v *granule) lockout() []byte { return v.sector(0)[granuleTable : 2*granuleTable] }
func (v *granule) index() []byte   { return v.sector(1) }

// entry is 32 bytes of the directory.
type entry []byte

// entry finds an entry by its code; nil where the code leads outside the directory.
func (v *granule) entry(code int) entry {
	s, slot := code&31, code>>5
	if s >= v.dirSectors() {
		return nil
	}
	return entry(v.sector(2 + s)[slot*entryBytes : (slot+1)*entryBytes])
}

func (e entry) used() bool      { return e[0]&0x10 != 0 }
func (e entry) extension() bool { return e[0]&0x80 != 0 }
func (e entry) lastBytes() int  { return int(e[3]) }
func (e entry) count() int      { return int(binary.LittleEndian.Uint16(e[20:])) }
func (e entry) hash() byte      { return nameHash(e[5:16]) }
func (e entry) name() string    { return joinName(e[5:13], e[13:16], "/") }
func (e entry) plainName() bool {
	return e[5] != ' ' && validGranuleName(e.name()) == nil
}

// next is the entry code of the extension entry; ok is false where there is none.
func (e entry) next() (code int, ok bool) { return int(e[31]), e[30] == 0xFE }

// nameHash is the byte that the hash index holds for a name of 11 characters. Verified: BOOT/SYS = A2.
func nameHash(name []byte) byte {
	var h byte
	for _, c := range name {
		h ^= c
		h = h<<1 | h>>7
	}
	if h == 0 {
		return 1
	}
	return h
}

// PasswordHash is the hash of a granule volume's password of up to 8 characters. Verified: eight blanks = 4296h,
// PASSWORD = 42E0h.
func PasswordHash(password string) uint16 {
	p := []byte(fmt.Sprintf("%-8.8s", strings.ToUpper(password)))
	h, l := byte(0xFF), byte(0xFF)
	for i := 7; i >= 0; i-- {
		t := l ^ (l&7)<<5 // (l and 7) rotated right by 3
		m := uint16(t) * 16
		h, l = t^byte(m>>8)^p[i], byte(m)^byte(m*2>>8)^h
	}
	return uint16(h)<<8 | uint16(l)
}

// codes yields every entry code of the directory, sector by sector.
func (v *granule) codes() []int {
	n := v.dirSectors()
	out := make([]int, 0, n*entriesPerSector)
	for s := range n {
		for slot := range entriesPerSector {
			out = append(out, slot<<5|s)
		}
	}
	return out
}

// extent is a run of granules, numbered through the disk.
type extent struct {
	first, count int
	good         bool // on the disk
}

// extents of one entry as far as the end mark; rest reports whether anything stands behind it.
func (v *granule) extents(e entry) (list []extent, rest bool) {
	for i := range entryExtents {
		c, n := e[22+2*i], e[23+2*i]
		if c == 0xFF && n == 0xFF {
			for _, b := range e[22+2*i : 30] {
				rest = rest || b != 0xFF
			}
			break
		}
		x := extent{int(c)*v.perCyl + int(n>>5), int(n&31) + 1, true}
		x.good = int(c) < v.cyls && int(n>>5) < v.perCyl && x.first+x.count <= len(v.offsets)
		list = append(list, x)
	}
	return list, rest
}

// chain is the entries of a file, primary first. A fault ends it.
func (v *granule) chain(code int) (codes []int, faults []Fault) {
	var seen [256]bool
	e := v.entry(code)
	where := v.fileWhere(code)
	for {
		codes = append(codes, code)
		seen[code] = true
		next, ok := e.next()
		if !ok {
			return codes, faults
		}
		f := v.entry(next)
		switch {
		case f == nil:
			return codes, append(faults, Fault{where, fmt.Sprintf("entry %02Xh goes on in entry %02Xh, which is outside the directory", code, next)})
		case seen[next]:
			return codes, append(faults, Fault{where, fmt.Sprintf("entry %02Xh goes on in entry %02Xh, which leads back to itself", code, next)})
		case !f.used() || !f.extension():
			return codes, append(faults, Fault{where, fmt.Sprintf("entry %02Xh goes on in entry %02Xh, which is not an extension entry", code, next)})
		case int(f[1]) != code && int(f[1]) != codes[0]:
			faults = append(faults, Fault{where, fmt.Sprintf("extension entry %02Xh names entry %02Xh as the one before it: want %02Xh", next, f[1], code)})
		}
		code, e = next, f
	}
}

// granulesOf is the granules of a file in order; -1 stands for each one that leads nowhere.
func (v *granule) granulesOf(code int) (list []int, faults []Fault) {
	codes, faults := v.chain(code)
	for _, c := range codes {
		e := v.entry(c)
		extents, _ := v.extents(e)
		for i, x := range extents {
			if !x.good {
				b := e[22+2*i:]
				faults = append(faults, Fault{v.fileWhere(code), fmt.Sprintf("extent %02X %02X in entry %02Xh (cylinder %d, granules %d to %d) is not on a disk of %d cylinders with %d granules each",
					b[0], b[1], c, b[0], b[1]>>5, int(b[1]>>5)+int(b[1]&31), v.cyls, v.perCyl)})
			}
			for g := x.first; g < x.first+x.count; g++ {
				if x.good && v.offsets[g] < 0 {
					faults = append(faults, Fault{v.fileWhere(code), v.place(g) + " is not on the disk"})
				}
				if !x.good || v.offsets[g] < 0 {
					list = append(list, -1) // a gap where it stood; the others keep their order
					continue
				}
				list = append(list, g)
			}
		}
	}
	return list, faults
}

// need is the file's size in bytes and in sectors, by the rounding of the volume.
func (v *granule) need(e entry) (size int64, sectors int) {
	n, last := e.count(), e.lastBytes()
	switch {
	case last == 0:
		return int64(n) * granuleSectorBytes, n
	case v.down:
		return int64(n)*granuleSectorBytes + int64(last), n + 1
	case n == 0: // a partial last sector that is not counted: impossible in this rounding
		return 0, 0
	}
	return int64(n-1)*granuleSectorBytes + int64(last), n
}

// room is how many granules the extents of a file hold, and how many its size in sectors needs.
func (v *granule) room(code int) (held, granules, sectors int) {
	list, _ := v.granulesOf(code)
	_, sectors = v.need(v.entry(code))
	return len(list), (sectors + v.sectors - 1) / v.sectors, sectors
}

// surplus: an empty file may keep the one granule that it was made with.
func (v *granule) surplus(held, granules int) bool {
	return held > granules && !(granules == 0 && held == 1)
}

func (v *granule) fileWhere(code int) string {
	return fmt.Sprintf("%s (entry %02Xh)", v.entry(code).name(), code)
}

// fixed reports whether an entry is BOOT/SYS or DIR/SYS: part of the volume, not a file that somebody put there.
func (v *granule) fixed(code int, e entry) bool {
	return code == codeBoot && string(e[5:16]) == "BOOT    SYS" || code == codeDir && string(e[5:16]) == "DIR     SYS"
}

// primaries are the entry codes of the files, with the names they are listed under: a name that is there twice gets
// a number, so that both can be had.
func (v *granule) primaries() (codes []int, names []string) {
	var n nameList
	for _, code := range v.codes() {
		if e := v.entry(code); e.used() && !e.extension() && !v.fixed(code, e) {
			codes = append(codes, code)
			names = append(names, n.add(e.name()))
		}
	}
	return codes, names
}

func (v *granule) find(name string) (int, error) {
	codes, names := v.primaries()
	if i := slices.Index(names, name); i >= 0 {
		return codes[i], nil
	}
	if i := slices.IndexFunc(names, func(s string) bool { return strings.EqualFold(s, name) }); i >= 0 {
		return codes[i], nil
	}
	return 0, fmt.Errorf("%s: %w", name, ErrNoFile)
}

func (v *granule) Kind() string            { return "granule" }
func (v *granule) Image() (im *disk.Image) { return v.im }

// Files are listed in directory order.
func (v *granule) Files() []File {
	codes, names := v.primaries()
	out := make([]File, len(codes))
	for i, code := range codes {
		e := v.entry(code)
		size, _ := v.need(e)
		list, faults := v.granulesOf(code)
		out[i] = File{Name: names[i], Size: size, Units: len(list), Date: granuleDate(e), Attributes: granuleAttributes(e), Faults: faults}
	}
	return out
}

func granuleDate(e entry) string {
	m, d, y := int(e[1]&15), int(e[2]>>3), int(e[2]&7)
	if m < 1 || m > 12 || d < 1 || d > 31 {
		return ""
	}
	return fmt.Sprintf("%04d-%02d-%02d", 1980+y, m, d)
}

func granuleAttributes(e entry) []string {
	var a []string
	if e[0]&0x40 != 0 {
		a = append(a, "system")
	}
	if e[0]&0x08 != 0 {
		a = append(a, "hidden")
	}
	if p := e[0] & 7; p != 0 {
		a = append(a, fmt.Sprintf("protection %d", p))
	}
	if binary.LittleEndian.Uint16(e[16:]) != blankPassword {
		a = append(a, "update password")
	}
	if binary.LittleEndian.Uint16(e[18:]) != blankPassword {
		a = append(a, "access password")
	}
	return a
}

// Get reads a file.
func (v *granule) Get(name string) ([]byte, []Fault, error) {
	code, err := v.find(name)
	if err != nil {
		return nil, nil, err
	}
	size, need := v.need(v.entry(code))
	list, faults := v.granulesOf(code)
	where := v.fileWhere(code)
	if held := len(list) * v.sectors; held < need {
		faults = append(faults, Fault{where, fmt.Sprintf("%d sectors, but its extents hold %d: the end is missing", need, held)})
		size = min(size, int64(len(list)*v.bytes()))
	}
	data := make([]byte, 0, size)
	for _, g := range list {
		n := min(int64(v.bytes()), size-int64(len(data)))
		if n <= 0 {
			break
		}
		if g < 0 {
			data = append(data, make([]byte, n)...)
			continue
		}
		data = append(data, v.im.Data[v.offsets[g]:v.offsets[g]+n]...)
		faults = append(faults, badSectors(v.im, where, v.offsets[g], n)...)
	}
	return data, faults, nil
}
