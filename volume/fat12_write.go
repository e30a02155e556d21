package volume

import (
	"cmp"
	_ "embed"
	"encoding/binary"
	"fmt"
	"slices"
	"strings"

	"remanence/disk"
)

// fatNames are the names we write: those of ECMA-107 and the further characters of the FAT specification.
var fatNames = nameRules{separator: ".", name: 8, ext: 3, allowed: func(c byte) bool {
	return alphanumeric(c) || c != 0 && strings.IndexByte("$%'-_@~!(){}^#&`", c) >= 0
}}

func fat12NameFor(archive string, taken func(string) bool) (string, string) {
	n, why := fatNames.nameFor(archive, taken)
	if stem, _, _ := strings.Cut(n, "."); deviceNames[stem] {
		return fat12NameFor("X"+n, taken)
	}
	return n, why
}

// validFATName checks a path: each part, and at least one.
func validFATName(name string) error {
	for _, p := range strings.Split(name, "/") {
		if why := fatNames.checkName(p); why != "" {
			return &NameError{name, why}
		}
	}
	return nil
}

// fatNameFault is what is wrong with the 11 bytes of a name that is on a disk; "" if nothing.
func fatNameFault(raw []byte) string {
	if raw[0] == ' ' {
		return "starts with a blank"
	}
	for i, c := range raw {
		switch {
		case c < ' ' || c == 0x7F:
			return fmt.Sprintf("byte %02Xh is no character", c)
		case c >= 'a' && c <= 'z':
			return fmt.Sprintf("lower-case %q", c)
		case strings.IndexByte(`"*+,./:;<=>?[\]|`, c) >= 0:
			return fmt.Sprintf("%q cannot stand in a name", c)
		case c == ' ' && i != 7 && i != 10 && raw[i+1] != ' ':
			return "" // a blank inside is legal, if unusual
		}
	}
	return ""
}

// fatFormatFor is the usual format of a recording.
func fatFormatFor(rec *disk.Recording) (fatShape, error) {
	t := rec.Track
	for _, f := range fatFormats {
		if f.cyls == rec.Cylinders && f.heads == rec.Sides && f.perTrack == t.Sectors && f.sectorBytes == t.Size && len(rec.Zones) == 0 {
			s := f.fatShape
			return s, s.derive()
		}
	}
	if len(rec.Zones) > 0 || t.FirstID != 1 {
		return fatShape{}, fmt.Errorf("%s: tracks that differ, or sectors not numbered from 1: no FAT12 format is known for it", rec.Reference())
	}
	// Another disk of that family: the smallest clusters that 12 bits can number, tables as long as they must be.
	s := fatShape{sectorBytes: t.Size, reserved: 1, tables: 2, rootEntries: 112, total: rec.Cylinders * rec.Sides * t.Sectors, media: 0xF8,
		perTrack: t.Sectors, heads: rec.Sides}
	s.rootEntries = (s.rootEntries*fatEntryBytes + t.Size - 1) / t.Size * t.Size / fatEntryBytes
	for s.perCluster = 1; s.perCluster <= 128; s.perCluster *= 2 {
		for s.perTable = 1; s.perTable <= (4086*3/2+t.Size)/t.Size; s.perTable++ {
			if s.derive() == nil {
				return s, nil
			}
		}
	}
	return s, fmt.Errorf("%s: no FAT12 volume fits it", rec.Reference())
}

// notSystem86 says on the screen that the disk is not a system disk. Source: asm/notsystem86.s.
//
//go:embed asm/notsystem86.bin
var notSystem86 []byte

// newFAT12 formats a disk. With no boot code the result is the one of the sheet's check values 32 and 33.
func newFAT12(rec *disk.Recording, o NewOptions) (Volume, error) {
	s, err := fatFormatFor(rec)
	if err != nil {
		return nil, err
	}
	im := disk.NewImage(rec)
	clear(im.Data)
	v := &fat12{fatShape: s, im: im}
	le := binary.LittleEndian
	b := im.Data[:s.sectorBytes]
	if o.Boot != nil {
		if len(o.Boot) > s.sectorBytes {
			return nil, fmt.Errorf("boot sector of %d bytes: want at most %d", len(o.Boot), s.sectorBytes)
		}
		copy(b, o.Boot)
	} else {
		copy(b, "\xEB\x3C\x90        ")
		if s.sectorBytes == 512 {
			copy(b[0x3E:0x1FE], notSystem86)
		}
	}
	if s.sectorBytes >= 256 || o.Boot == nil {
		le.PutUint16(b[0x0B:], uint16(s.sectorBytes))
		b[0x0D] = byte(s.perCluster)
		le.PutUint16(b[0x0E:], uint16(s.reserved))
		b[0x10] = byte(s.tables)
		le.PutUint16(b[0x11:], uint16(s.rootEntries))
		le.PutUint16(b[0x13:], uint16(s.total))
		b[0x15] = s.media
		le.PutUint16(b[0x16:], uint16(s.perTable))
		le.PutUint16(b[0x18:], uint16(s.perTrack))
		le.PutUint16(b[0x1A:], uint16(s.heads))
	}
	label := strings.ToUpper(o.Name)
	if label != "" {
		if len(label) > 11 || fatNameFault([]byte(fmt.Sprintf("%-11s", label))) != "" {
			return nil, &NameError{label, "want a label of 1 to 11 capitals, digits and blanks"}
		}
	}
	if s.sectorBytes >= 512 {
		b[0x26] = 0x29
		le.PutUint32(b[0x27:], o.Serial)
		copy(b[0x2B:], fmt.Sprintf("%-11s", cmp.Or(label, "NO NAME")))
		copy(b[0x36:], "FAT12   ")
		b[0x1FE], b[0x1FF] = 0x55, 0xAA
	}
	v.link(0, 0xF00|int(s.media))
	v.link(1, 0xFFF)
	if label != "" {
		date, clock, err := fatDate(o.Date)
		if err != nil {
			return nil, err
		}
		e := v.entry(s.root * s.sectorBytes)
		copy(e, fmt.Sprintf("%-11s", label))
		e[11] = attrLabel
		le.PutUint16(e[0x16:], clock)
		le.PutUint16(e[0x18:], date)
	}
	return v, nil
}

func fat12Room(rec *disk.Recording, o NewOptions) (Room, error) {
	s, err := fatFormatFor(rec)
	if err != nil {
		return Room{}, err
	}
	r := Room{Unit: "cluster", Units: s.clusters, UnitBytes: s.clusterBytes(), Slots: s.rootEntries}
	if o.Name != "" {
		r.Slots--
	}
	return r, nil
}

// freeClusters are the ones that can be given to a file: a cluster that a damaged table shows as free but a chain
// reaches is not among them.
func (v *fat12) freeClusters() (free []bool, count int) {
	free = make([]bool, v.clusters+2)
	for c := 2; c < v.clusters+2; c++ {
		if v.next(c) == 0 {
			free[c] = true
			count++
		}
	}
	v.walk(func(n fatNode, e fatEntry) {
		if c := e.cluster(); n.path != "" && v.valid(c) && free[c] {
			free[c] = false
			count--
		}
	}, nil)
	return free, count
}

// slot finds a free entry of a directory; -1 where it has none.
func (v *fat12) slot(d *fatDir) int {
	for _, at := range d.places {
		if e := v.entry(at); e.free() || e.end() {
			return at
		}
	}
	return -1
}

// grow adds an empty cluster to a sub-directory.
func (v *fat12) grow(d *fatDir, cluster int) {
	list, _ := v.chain(d.first)
	o := v.offset(cluster)
	clear(v.im.Data[o : o+v.clusterBytes()])
	v.link(cluster, 0xFFF)
	if len(list) > 0 {
		v.link(list[len(list)-1], cluster)
	}
	*d = v.dir(d.path, d.first, d.parent)
}

// Put files data under a path; directories on the way are made.
func (v *fat12) Put(name string, data []byte, o PutOptions) error {
	name = strings.ToUpper(name)
	if err := validFATName(name); err != nil {
		return err
	}
	date, clock, err := fatDate(o.Date)
	if err != nil {
		return fmt.Errorf("%s: %w", name, err)
	}
	attr := byte(attrArchive)
	for _, a := range o.Attributes {
		switch a {
		case "read-only":
			attr |= attrReadOnly
		case "hidden":
			attr |= attrHidden
		case "system":
			attr |= attrSystem
		default:
			return fmt.Errorf("%s: attribute %q: FAT12 has read-only, hidden and system", name, a)
		}
	}
	return v.put(name, data, attr, date, clock, o.Replace)
}

// put checks everything before it changes anything.
func (v *fat12) put(name string, data []byte, attr byte, date, clock uint16, replace bool) error {
	units := (len(data) + v.clusterBytes() - 1) / v.clusterBytes()
	gain, slots := 0, 0
	if n, e, err := v.find(name); err == nil {
		if e.directory() {
			return fmt.Errorf("%s: %w", name, errIsDirectory)
		}
		if !replace {
			return fmt.Errorf("%s: %w", name, ErrFileExists)
		}
		gain, slots = len(v.exclusive(n, e)), 1
	}
	folder, leaf := "", name
	if i := strings.LastIndexByte(name, '/'); i >= 0 {
		folder, leaf = name[:i], name[i+1:]
	}
	if err := v.reserve(name, folder, units, gain, slots); err != nil {
		return err
	}
	if slots > 0 {
		if err := v.Delete(name); err != nil {
			return err
		}
	}
	d, err := v.makeDir(folder, date, clock)
	if err != nil {
		return err
	}
	at, free, err := v.room(d, name, units)
	if err != nil {
		return err
	}
	first, last := 0, 0
	rest := data
	for _, x := range pick(free, units, units) {
		for c := x.first; c < x.first+x.count; c++ {
			o := v.offset(c)
			n := copy(v.im.Data[o:o+v.clusterBytes()], rest)
			clear(v.im.Data[o+n : o+v.clusterBytes()])
			rest = rest[n:]
			v.link(c, 0xFFF)
			if last != 0 {
				v.link(last, c)
			} else {
				first = c
			}
			last = c
		}
	}
	v.file(at, leaf, attr, date, clock, first, len(data))
	return nil
}

// reserve says whether a file of units clusters fits below a folder: with the directories that are missing, a cluster
// each, and with one more for a directory without a free entry. gain and slots are what a replaced file gives back.
func (v *fat12) reserve(name, folder string, units, gain, slots int) error {
	_, count := v.freeClusters()
	full := &FullError{Name: name, NeedUnits: units, FreeUnits: count + gain, NeedSlots: 1, FreeSlots: 1, Unit: "cluster"}
	d := v.dir("", 0, 0)
	if folder != "" {
		parts := strings.Split(folder, "/")
		for i, p := range parts {
			_, e, ok := v.descend(d.path + p)
			if !ok {
				full.NeedUnits += len(parts) - i
				break
			}
			if !e.directory() || !v.valid(e.cluster()) {
				return fmt.Errorf("%s: is not a directory", d.path+p)
			}
			d = v.dir(d.path+p+"/", e.cluster(), d.first)
		}
	}
	if slots == 0 && v.slot(&d) < 0 {
		if d.first == 0 {
			full.FreeSlots = 0
			return full
		}
		full.NeedUnits++
	}
	if full.NeedUnits > full.FreeUnits {
		return full
	}
	return nil
}

// room makes sure that a directory has a free entry, growing it where it must, and that units clusters are free
// besides.
func (v *fat12) room(d *fatDir, name string, units int) (at int, free []bool, err error) {
	free, count := v.freeClusters()
	full := &FullError{Name: name, NeedUnits: units, FreeUnits: count, NeedSlots: 1, FreeSlots: 1, Unit: "cluster"}
	at = v.slot(d)
	if at < 0 && d.first == 0 {
		full.FreeSlots = 0
		return 0, nil, full
	}
	if at < 0 {
		full.NeedUnits++
	}
	if full.NeedUnits > count {
		return 0, nil, full
	}
	if at < 0 {
		c := slices.Index(free, true)
		free[c] = false
		v.grow(d, c)
		at = v.slot(d)
	}
	return at, free, nil
}

// file writes an entry.
func (v *fat12) file(at int, leaf string, attr byte, date, clock uint16, first, size int) {
	e := v.entry(at)
	clear(e)
	copy(e, name11(leaf, "."))
	e[11] = attr
	le := binary.LittleEndian
	le.PutUint16(e[0x16:], clock)
	le.PutUint16(e[0x18:], date)
	le.PutUint16(e[0x1A:], uint16(first))
	le.PutUint32(e[0x1C:], uint32(size))
}

// makeDir finds a directory, making it and those above it where they are missing.
func (v *fat12) makeDir(path string, date, clock uint16) (*fatDir, error) {
	d := v.dir("", 0, 0)
	if path == "" {
		return &d, nil
	}
	for _, p := range strings.Split(path, "/") {
		full := d.path + p
		_, e, err := v.find(full)
		if err == nil {
			if !e.directory() || !v.valid(e.cluster()) {
				return nil, fmt.Errorf("%s: is not a directory", full)
			}
			d = v.dir(full+"/", e.cluster(), d.first)
			continue
		}
		at, free, err := v.room(&d, full, 1)
		if err != nil {
			return nil, err
		}
		c := slices.Index(free, true)
		o := v.offset(c)
		clear(v.im.Data[o : o+v.clusterBytes()])
		v.link(c, 0xFFF)
		v.file(at, p, attrDirectory, date, clock, c, 0)
		v.file(o, "", attrDirectory, date, clock, c, 0)
		v.file(o+fatEntryBytes, "", attrDirectory, date, clock, d.first, 0)
		copy(v.im.Data[o:], ".")
		copy(v.im.Data[o+fatEntryBytes:], "..")
		d = v.dir(full+"/", c, d.first)
	}
	return &d, nil
}

// MakeDirectory makes a directory and those above it.
func (v *fat12) MakeDirectory(name, date string) error {
	name = strings.ToUpper(strings.TrimSuffix(name, "/"))
	if err := validFATName(name); err != nil {
		return err
	}
	d, t, err := fatDate(date)
	if err != nil {
		return err
	}
	if err := v.reserve(name, name, 0, 0, 0); err != nil {
		return err
	}
	_, err = v.makeDir(name, d, t)
	return err
}

// Delete frees a file's clusters and its entry; a directory must be empty. Clusters that another file holds as well
// stay with it.
func (v *fat12) Delete(name string) error {
	n, e, err := v.find(name)
	if err != nil {
		return err
	}
	if e.directory() {
		d := v.dir(n.path+"/", e.cluster(), n.dir.first)
		for _, at := range d.places {
			x := v.entry(at)
			if x.end() {
				break
			}
			if !x.free() && !x.dot() {
				return fmt.Errorf("%s: the directory is not empty", name)
			}
		}
	}
	for _, c := range v.exclusive(n, e) {
		v.link(c, 0)
	}
	v.eraseEntry(n)
	return nil
}

// exclusive is the clusters of a file that no other holds.
func (v *fat12) exclusive(n fatNode, e fatEntry) []int {
	list, _ := v.chain(e.cluster())
	mine := make([]bool, v.clusters+2)
	for _, c := range list {
		mine[c] = true
	}
	v.walk(func(m fatNode, x fatEntry) {
		if m.at == n.at || m.path == "" {
			return
		}
		for c, steps := x.cluster(), 0; v.valid(c) && steps <= v.clusters; c, steps = v.next(c), steps+1 {
			mine[c] = false
		}
	}, nil)
	return slices.DeleteFunc(list, func(c int) bool { return !mine[c] })
}

// eraseEntry marks an entry as deleted, and the long-name parts before it with it.
func (v *fat12) eraseEntry(n fatNode) {
	v.im.Data[n.at] = 0xE5
	i := slices.Index(n.dir.places, n.at)
	for i--; i >= 0 && v.entry(n.dir.places[i]).longName() && !v.entry(n.dir.places[i]).free(); i-- {
		v.im.Data[n.dir.places[i]] = 0xE5
	}
}

// Rename gives a file or directory another name, and moves it where the path differs.
func (v *fat12) Rename(from, to string) error {
	to = strings.ToUpper(to)
	if err := validFATName(to); err != nil {
		return err
	}
	n, e, err := v.find(from)
	if err != nil {
		return err
	}
	if m, _, err := v.find(to); err == nil {
		if m.at == n.at {
			return nil
		}
		return fmt.Errorf("%s: %w", to, ErrFileExists)
	}
	folder, leaf := "", to
	if i := strings.LastIndexByte(to, '/'); i >= 0 {
		folder, leaf = to[:i], to[i+1:]
	}
	if folder+"/" == n.dir.path || folder == "" && n.dir.path == "" {
		keep := slices.Clone(e)
		v.eraseEntry(n)
		copy(v.entry(n.at), keep)
		copy(v.entry(n.at), name11(leaf, "."))
		return nil
	}
	if e.directory() && strings.HasPrefix(to+"/", n.path+"/") {
		return fmt.Errorf("%s: cannot move a directory into itself", from)
	}
	if err := v.reserve(to, folder, 0, 0, 0); err != nil {
		return err
	}
	keep := slices.Clone(e)
	d, err := v.makeDir(folder, binary.LittleEndian.Uint16(keep[0x18:]), binary.LittleEndian.Uint16(keep[0x16:]))
	if err != nil {
		return err
	}
	at, _, err := v.room(d, to, 0)
	if err != nil {
		return err
	}
	copy(v.entry(at), keep)
	copy(v.entry(at), name11(leaf, "."))
	v.eraseEntry(n)
	if c := keep.cluster(); keep.directory() && v.valid(c) {
		binary.LittleEndian.PutUint16(v.im.Data[v.offset(c)+fatEntryBytes+0x1A:], uint16(d.first))
	}
	return nil
}
