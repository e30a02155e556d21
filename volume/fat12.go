package volume

import (
	"encoding/binary"
	"errors"
	"fmt"
	"slices"
	"strings"

	"remanence/disk"
)

// FAT12 as ECMA-107 and ISO/IEC 9293 define it; fields and rules from the FAT specification of 30 August 2005, which
// agrees with them as far as could be seen, and the default formats of the kernel's fs/fat/inode.c.

const (
	fatEntryBytes  = 32
	fatMaxClusters = 4084 // one more makes it FAT16 (FAT specification 2005)
	fatEnd         = 0xFF8
	fatBad         = 0xFF7
	fatReserved    = 0xFF0

	attrReadOnly  = 0x01
	attrHidden    = 0x02
	attrSystem    = 0x04
	attrLabel     = 0x08
	attrDirectory = 0x10
	attrArchive   = 0x20
	attrLongName  = 0x0F
)

var fat12Kind = &Kind{
	Name: "fat12", Title: "FAT12 volume", Unit: "cluster",
	Source:  "ECMA-107, ISO/IEC 9293; FAT specification of 30 August 2005",
	claims:  fat12Claims,
	create:  newFAT12,
	room:    fat12Room,
	nameFor: fat12NameFor,
	valid:   validFATName,
}

// fatShape is the parameter block of a FAT volume.
type fatShape struct {
	sectorBytes, perCluster, reserved, tables, rootEntries, total int
	media                                                         byte
	perTable, perTrack, heads                                     int

	root, data, clusters int // first sector of the root directory and of the data; number of clusters
}

// derive works out the rest and checks that it makes sense.
func (s *fatShape) derive() error {
	if !slices.Contains([]int{128, 256, 512, 1024, 2048, 4096}, s.sectorBytes) {
		return fmt.Errorf("%d bytes a sector: want 128 to 4096", s.sectorBytes)
	}
	if s.perCluster < 1 || s.perCluster > 128 || s.perCluster&(s.perCluster-1) != 0 {
		return fmt.Errorf("%d sectors a cluster: want a power of two", s.perCluster)
	}
	if s.reserved < 1 || s.tables < 1 || s.tables > 4 || s.perTable < 1 || s.rootEntries < 1 || s.total < 1 {
		return fmt.Errorf("reserved %d, tables %d of %d sectors, %d root entries, %d sectors: none may be 0", s.reserved, s.tables, s.perTable, s.rootEntries, s.total)
	}
	s.root = s.reserved + s.tables*s.perTable
	s.data = s.root + (s.rootEntries*fatEntryBytes+s.sectorBytes-1)/s.sectorBytes
	if s.data >= s.total {
		return fmt.Errorf("the data would start at sector %d of %d", s.data, s.total)
	}
	s.clusters = (s.total - s.data) / s.perCluster
	if s.clusters > fatMaxClusters {
		return fmt.Errorf("%d clusters: more than FAT12 can number (%d)", s.clusters, fatMaxClusters)
	}
	if s.clusters < 1 || (s.clusters+2)*3 > s.perTable*s.sectorBytes*2+1 {
		return fmt.Errorf("%d clusters do not fit a table of %d sectors", s.clusters, s.perTable)
	}
	return nil
}

func (s *fatShape) clusterBytes() int { return s.perCluster * s.sectorBytes }

// offset is where a cluster lies in the image.
func (s *fatShape) offset(cluster int) int {
	return (s.data + (cluster-2)*s.perCluster) * s.sectorBytes
}

func (s *fatShape) valid(cluster int) bool { return cluster >= 2 && cluster < s.clusters+2 }

// fatFormats are the usual disks (kernel fs/fat/inode.c, mkfs.fat 4.2), and the 8-inch forms of a quick reference of
// 1991.
var fatFormats = []struct {
	name string
	cyls int
	fatShape
}{
	{"160K", 40, fatShape{sectorBytes: 512, perCluster: 1, reserved: 1, tables: 2, rootEntries: 64, total: 320, media: 0xFE, perTable: 1, perTrack: 8, heads: 1}},
	{"180K", 40, fatShape{sectorBytes: 512, perCluster: 1, reserved: 1, tables: 2, rootEntries: 64, total: 360, media: 0xFC, perTable: 2, perTrack: 9, heads: 1}},
	{"320K", 40, fatShape{sectorBytes: 512, perCluster: 2, reserved: 1, tables: 2, rootEntries: 112, total: 640, media: 0xFF, perTable: 1, perTrack: 8, heads: 2}},
	{"360K", 40, fatShape{sectorBytes: 512, perCluster: 2, reserved: 1, tables: 2, rootEntries: 112, total: 720, media: 0xFD, perTable: 2, perTrack: 9, heads: 2}},
	{"720K", 80, fatShape{sectorBytes: 512, perCluster: 2, reserved: 1, tables: 2, rootEntries: 112, total: 1440, media: 0xF9, perTable: 3, perTrack: 9, heads: 2}},
	{"1.2M", 80, fatShape{sectorBytes: 512, perCluster: 1, reserved: 1, tables: 2, rootEntries: 224, total: 2400, media: 0xF9, perTable: 7, perTrack: 15, heads: 2}},
	{"1.44M", 80, fatShape{sectorBytes: 512, perCluster: 1, reserved: 1, tables: 2, rootEntries: 224, total: 2880, media: 0xF0, perTable: 9, perTrack: 18, heads: 2}},
	{"8-inch 26 x 128", 77, fatShape{sectorBytes: 128, perCluster: 4, reserved: 1, tables: 2, rootEntries: 68, total: 2002, media: 0xFE, perTable: 6, perTrack: 26, heads: 1}},
	{"8-inch 2 x 26 x 128", 77, fatShape{sectorBytes: 128, perCluster: 4, reserved: 4, tables: 2, rootEntries: 68, total: 4004, media: 0xFD, perTable: 12, perTrack: 26, heads: 2}},
	{"8-inch 2 x 8 x 1024", 77, fatShape{sectorBytes: 1024, perCluster: 1, reserved: 1, tables: 2, rootEntries: 192, total: 1232, media: 0xFE, perTable: 2, perTrack: 8, heads: 2}},
}

// fatParameters reads the parameter block of a boot sector.
func fatParameters(b []byte) (fatShape, error) {
	le := binary.LittleEndian
	s := fatShape{
		sectorBytes: int(le.Uint16(b[0x0B:])), perCluster: int(b[0x0D]), reserved: int(le.Uint16(b[0x0E:])), tables: int(b[0x10]),
		rootEntries: int(le.Uint16(b[0x11:])), total: int(le.Uint16(b[0x13:])), media: b[0x15], perTable: int(le.Uint16(b[0x16:])),
		perTrack: int(le.Uint16(b[0x18:])), heads: int(le.Uint16(b[0x1A:])),
	}
	if s.total == 0 {
		s.total = int(min(le.Uint32(b[0x20:]), 1<<20))
	}
	if s.media < 0xF8 && s.media != 0xF0 {
		return s, fmt.Errorf("media byte %02Xh: want F0h or F8h to FFh", s.media)
	}
	return s, s.derive()
}

// fat12 is an open FAT12 volume. The bytes of the image are its only state.
type fat12 struct {
	fatShape
	im    *disk.Image
	noBPB bool // the parameters were taken from the media byte
	trunc bool // the image ends before the volume does
}

func (v *fat12) table(n int) []byte {
	o := (v.reserved + n*v.perTable) * v.sectorBytes
	return v.im.Data[o : o+v.perTable*v.sectorBytes]
}

// fatGet is entry n of a table: byte n + n div 2, even n the low 12 bits of the word.
func fatGet(t []byte, n int) int {
	i := n + n/2
	if i+1 >= len(t) {
		return 0
	}
	w := int(t[i]) | int(t[i+1])<<8
	if n&1 != 0 {
		return w >> 4
	}
	return w & 0xFFF
}

func fatSet(t []byte, n, value int) {
	i := n + n/2
	if n&1 != 0 {
		t[i] = t[i]&0x0F | byte(value<<4)
		t[i+1] = byte(value >> 4)
		return
	}
	t[i] = byte(value)
	t[i+1] = t[i+1]&0xF0 | byte(value>>8)
}

func (v *fat12) next(cluster int) int { return fatGet(v.table(0), cluster) }

// link sets an entry in every table.
func (v *fat12) link(cluster, value int) {
	for n := range v.tables {
		fatSet(v.table(n), cluster, value)
	}
}

// chain follows the table. It ends at the first thing that cannot be: what is then "" or says so.
func (v *fat12) chain(first int) (list []int, what string) {
	if first == 0 {
		return nil, ""
	}
	if !v.valid(first) {
		return nil, fmt.Sprintf("starts at cluster %d; clusters are 2 to %d", first, v.clusters+1)
	}
	seen := make([]uint64, (v.clusters+2)/64+1)
	for c := first; ; {
		if seen[c/64]>>(c%64)&1 != 0 {
			return list, fmt.Sprintf("cluster %d leads back to cluster %d: the chain loops", list[len(list)-1], c)
		}
		seen[c/64] |= 1 << (c % 64)
		list = append(list, c)
		n := v.next(c)
		switch {
		case n >= fatEnd:
			return list, ""
		case n == 0:
			return list, fmt.Sprintf("cluster %d leads to a free cluster (000h): the chain has no end", c)
		case n == fatBad:
			return list, fmt.Sprintf("cluster %d is marked bad in the middle of the chain", c)
		case !v.valid(n):
			return list, fmt.Sprintf("cluster %d leads to cluster %d; clusters are 2 to %d", c, n, v.clusters+1)
		}
		c = n
	}
}

// fatEntry is 32 bytes of a directory.
type fatEntry []byte

func (e fatEntry) free() bool      { return e[0] == 0xE5 }
func (e fatEntry) end() bool       { return e[0] == 0 }
func (e fatEntry) attr() byte      { return e[11] }
func (e fatEntry) directory() bool { return e[11]&attrDirectory != 0 }
func (e fatEntry) longName() bool  { return e[11]&0x3F == attrLongName }
func (e fatEntry) label() bool     { return e[11]&(attrLabel|attrDirectory) == attrLabel && !e.longName() }
func (e fatEntry) dot() bool       { return e[0] == '.' }
func (e fatEntry) cluster() int    { return int(binary.LittleEndian.Uint16(e[0x1A:])) }
func (e fatEntry) size() int64     { return int64(binary.LittleEndian.Uint32(e[0x1C:])) }

func (e fatEntry) raw() []byte {
	n := slices.Clone(e[:11])
	if n[0] == 0x05 {
		n[0] = 0xE5 // 05 stands for a real E5
	}
	return n
}

func (e fatEntry) name() string {
	n := e.raw()
	return joinName(n[:8], n[8:], ".")
}

func (e fatEntry) date() string {
	d, t := binary.LittleEndian.Uint16(e[0x18:]), binary.LittleEndian.Uint16(e[0x16:])
	if d == 0 {
		return ""
	}
	return fmt.Sprintf("%04d-%02d-%02d %02d:%02d:%02d", 1980+d>>9, d>>5&15, d&31, t>>11, t>>5&63, t&31*2)
}

// fatDate packs a day and a time.
func fatDate(s string) (date, clock uint16, err error) {
	if s == "" {
		s = "1980-01-01"
	}
	t, err := parseDay(s)
	if err != nil {
		return 0, 0, err
	}
	if y := t.Year(); y < 1980 || y > 2107 {
		return 0, 0, fmt.Errorf("date %s: a FAT directory reaches from 1980 to 2107", s)
	}
	return uint16((t.Year()-1980)<<9 | int(t.Month())<<5 | t.Day()), uint16(t.Hour()<<11 | t.Minute()<<5 | t.Second()/2), nil
}

// fatDir is a directory: where its entries lie in the image.
type fatDir struct {
	path   string // "" is the root, else ends in a slash
	first  int    // first cluster, 0: the root
	parent int    // first cluster of the directory above
	places []int  // byte offset of each entry
	fault  string // what is wrong with its chain
}

func (v *fat12) dir(path string, first, parent int) fatDir {
	d := fatDir{path: path, first: first, parent: parent}
	add := func(at, bytes int) {
		for o := 0; o+fatEntryBytes <= bytes; o += fatEntryBytes {
			d.places = append(d.places, at+o)
		}
	}
	if first == 0 {
		add(v.root*v.sectorBytes, v.rootEntries*fatEntryBytes)
		return d
	}
	list, what := v.chain(first)
	d.fault = what
	for _, c := range list {
		add(v.offset(c), v.clusterBytes())
	}
	return d
}

func (v *fat12) entry(at int) fatEntry { return fatEntry(v.im.Data[at : at+fatEntryBytes]) }

// fatNode is one entry that the directories lead to.
type fatNode struct {
	path string // full name as listed
	at   int    // of its entry in the image
	dir  *fatDir
}

// walk goes through every directory, files and folders in order, each folder's content after its entry. A directory
// that was seen before is not entered again.
func (v *fat12) walk(visit func(n fatNode, e fatEntry), enter func(d *fatDir)) {
	seen := map[int]bool{}
	var into func(d *fatDir)
	into = func(d *fatDir) {
		if enter != nil {
			enter(d)
		}
		var names nameList
		for _, at := range d.places {
			e := v.entry(at)
			if e.end() {
				break
			}
			if e.free() || e.longName() {
				continue
			}
			if e.label() || d.path != "" && e.dot() {
				visit(fatNode{"", at, d}, e)
				continue
			}
			n := fatNode{d.path + names.add(e.name()), at, d}
			visit(n, e)
			if c := e.cluster(); e.directory() && v.valid(c) && !seen[c] {
				seen[c] = true
				sub := v.dir(n.path+"/", c, d.first)
				into(&sub)
			}
		}
	}
	root := v.dir("", 0, 0)
	into(&root)
}

var errIsDirectory = errors.New("is a directory")

// find looks a path up, in capitals if not as it stands.
func (v *fat12) find(name string) (node fatNode, e fatEntry, err error) {
	for _, want := range []string{name, strings.ToUpper(name)} {
		if validFATName(want) == nil {
			if n, e, ok := v.descend(want); ok {
				return n, e, nil
			}
			continue
		}
		found := false // a name as it is listed, of something that no rule allows
		v.walk(func(n fatNode, x fatEntry) {
			if n.path == want && !found {
				node, e, found = n, x, true
			}
		}, nil)
		if found {
			return node, e, nil
		}
	}
	return node, nil, fmt.Errorf("%s: %w", name, ErrNoFile)
}

// descend follows a path of ordinary names, directory by directory; the first of several equal names counts.
func (v *fat12) descend(path string) (fatNode, fatEntry, bool) {
	d := v.dir("", 0, 0)
	for {
		part, rest, more := strings.Cut(path, "/")
		raw := name11(part, ".")
		at := -1
		for _, a := range d.places {
			e := v.entry(a)
			if e.end() {
				break
			}
			if !e.free() && !e.label() && !e.longName() && string(e[:11]) == raw {
				at = a
				break
			}
		}
		if at < 0 {
			return fatNode{}, nil, false
		}
		e := v.entry(at)
		if !more {
			return fatNode{d.path + part, at, &d}, e, true
		}
		if !e.directory() || !v.valid(e.cluster()) {
			return fatNode{}, nil, false
		}
		d = v.dir(d.path+part+"/", e.cluster(), d.first)
		path = rest
	}
}

func (v *fat12) Kind() string            { return "fat12" }
func (v *fat12) Image() (im *disk.Image) { return v.im }

// Files are the files of all directories; Directories gives those.
func (v *fat12) Files() []File {
	var out []File
	v.walk(func(n fatNode, e fatEntry) {
		if n.path == "" || e.directory() {
			return
		}
		list, what := v.chain(e.cluster())
		f := File{Name: n.path, Size: e.size(), Units: len(list), Date: e.date(), Attributes: fatAttributes(e)}
		if what != "" {
			f.Faults = append(f.Faults, Fault{n.path, what})
		}
		if held := int64(len(list) * v.clusterBytes()); held < f.Size {
			f.Faults = append(f.Faults, Fault{n.path, fmt.Sprintf("%d bytes, but its clusters hold %d: the end is missing", f.Size, held)})
		}
		out = append(out, f)
	}, nil)
	return out
}

// Directories are the sub-directories, each with its full path.
func (v *fat12) Directories() []string {
	var out []string
	v.walk(func(n fatNode, e fatEntry) {
		if n.path != "" && e.directory() {
			out = append(out, n.path)
		}
	}, nil)
	return out
}

func fatAttributes(e fatEntry) []string {
	var a []string
	for _, x := range []struct {
		bit  byte
		name string
	}{{attrReadOnly, "read-only"}, {attrHidden, "hidden"}, {attrSystem, "system"}} {
		if e.attr()&x.bit != 0 {
			a = append(a, x.name)
		}
	}
	return a
}

// Get reads a file.
func (v *fat12) Get(name string) ([]byte, []Fault, error) {
	n, e, err := v.find(name)
	if err != nil {
		return nil, nil, err
	}
	if e.directory() {
		return nil, nil, fmt.Errorf("%s: %w", name, errIsDirectory)
	}
	data, faults := v.content(n.path, e)
	return data, faults, nil
}

func (v *fat12) content(where string, e fatEntry) ([]byte, []Fault) {
	var faults []Fault
	list, what := v.chain(e.cluster())
	if what != "" {
		faults = append(faults, Fault{where, what})
	}
	size := e.size()
	if held := int64(len(list) * v.clusterBytes()); held < size {
		faults = append(faults, Fault{where, fmt.Sprintf("%d bytes, but its clusters hold %d: the end is missing", size, held)})
		size = held
	}
	data := make([]byte, 0, size)
	for _, c := range list {
		n := min(int64(v.clusterBytes()), size-int64(len(data)))
		if n <= 0 {
			break
		}
		o := v.offset(c)
		data = append(data, v.im.Data[o:o+int(n)]...)
		faults = append(faults, badSectors(v.im, where, int64(o), n)...)
	}
	return data, faults
}
