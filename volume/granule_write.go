package volume

import (
	"cmp"
	"encoding/binary"
	"fmt"
	"slices"
	"strings"
	"time"

	"remanence/disk"
)

var granuleNames = nameRules{separator: "/", name: 8, ext: 3, allowed: alphanumeric, letterFirst: true}

func granuleNameFor(archive string, taken func(string) bool) (string, string) {
	return granuleNames.nameFor(archive, taken)
}

func validGranuleName(name string) error {
	if why := granuleNames.checkName(name); why != "" {
		return &NameError{name, why}
	}
	return nil
}

// newDate is what a new volume is dated where nothing is said: equal inputs give equal disks.
const newDate = "1979-01-01"

func parseDay(s string) (time.Time, error) {
	for _, layout := range []string{"2006-01-02", "2006-01-02 15:04:05", "2006-01-02T15:04:05", "2006-01-02 15:04"} {
		if t, err := time.Parse(layout, s); err == nil {
			return t, nil
		}
	}
	return time.Time{}, fmt.Errorf("date %q: want YYYY-MM-DD, or YYYY-MM-DD HH:MM:SS", s)
}

// directoryMark is the data mark of the directory's sectors where nothing else is asked for: a 1771 writes FA; MFM
// controllers write F8 as the only other mark.
func directoryMark(mark int, mfm bool) byte {
	switch {
	case mark != 0:
		return byte(mark)
	case mfm:
		return disk.MarkDeleted
	}
	return disk.MarkUserA
}

// newGranule formats a disk: boot sector, tables, hash index, BOOT/SYS and DIR/SYS.
func newGranule(rec *disk.Recording, o NewOptions) (Volume, error) {
	s, err := shapeOf(rec.Geometry(), rec.Name)
	if err != nil {
		return nil, fmt.Errorf("%s: %w", rec.Reference(), err)
	}
	if o.Directory == 0 {
		o.Directory = usualDirectory
	}
	date, err := parseDay(cmp.Or(o.Date, newDate))
	if err != nil {
		return nil, err
	}
	name := strings.ToUpper(cmp.Or(o.Name, "FILES"))
	if len(name) > 8 || !plainText(name) {
		return nil, &NameError{name, "want a volume name of 1 to 8 printable characters"}
	}
	if len(o.Command) > 31 || !plainText(o.Command) {
		return nil, fmt.Errorf("start-up command of %d characters: want at most 31 printable ones", len(o.Command))
	}
	if o.Rounding != "" && o.Rounding != "up" && o.Rounding != "down" {
		return nil, fmt.Errorf("rounding %q: want up or down", o.Rounding)
	}
	if o.DirectoryMark < 0 || o.DirectoryMark > 0xFF {
		return nil, fmt.Errorf("directory mark %d: want a byte", o.DirectoryMark)
	}
	im := disk.NewImage(rec)
	v, err := s.volume(im, o.Directory)
	if err != nil {
		return nil, err
	}
	v.down, v.marked = o.Rounding == "down", true
	for _, c := range o.LockedOut {
		if c < 1 || c >= s.cyls || c == v.dir {
			return nil, fmt.Errorf("cylinder %d cannot be locked out: want 1 to %d, not the directory's %d", c, s.cyls-1, v.dir)
		}
	}
	boot := o.Boot
	if boot == nil {
		boot = notSystem
	}
	if len(boot) > granuleSectorBytes {
		return nil, fmt.Errorf("boot sector of %d bytes: want at most %d", len(boot), granuleSectorBytes)
	}
	first := im.Data[:granuleSectorBytes]
	clear(first)
	copy(first, boot)
	first[2] = byte(v.dir)

	for n := range 2 + s.dirSectors() {
		clear(v.sector(n))
	}
	t := v.sector(0)
	for c := range granuleTable {
		t[c] = s.absent(c)
		t[granuleTable+c] = s.absent(c)
		if slices.Contains(o.LockedOut, c) {
			t[c], t[granuleTable+c] = 0xFF, 0xFF
		}
	}
	if s.mfm || s.geometry.Heads == 2 { // systems that know such disks look here; the plain ones have zeros
		t[0xCC], t[0xCD] = byte(s.cyls-35), s.flags()
	}
	binary.LittleEndian.PutUint16(t[0xCE:], PasswordHash("PASSWORD"))
	copy(t[0xD0:], fmt.Sprintf("%-8s%s", name, date.Format("01/02/06")))
	copy(t[0xE0:], strings.Repeat(" ", 32))
	copy(t[0xE0:], o.Command+"\r")

	system := func(code int, attributes byte, name string, x extent) {
		e := v.entry(code)
		e.set(attributes, name)
		sectors := x.count * s.sectors
		binary.LittleEndian.PutUint16(e[20:], uint16(sectors))
		v.setExtents(e, []extent{x})
		v.index()[code] = e.hash()
		v.mark([]extent{x}, true)
	}
	system(codeBoot, 0x5E, "BOOT    SYS", extent{0, 1, true})
	system(codeDir, 0x5D, "DIR     SYS", extent{v.dir * s.perCyl, s.perCyl, true})
	for _, p := range v.dirPlaces() {
		im.SetMark(p, directoryMark(o.DirectoryMark, s.mfm))
	}
	return v, nil
}

// flags is byte CD of the allocation table: bit 6 MFM, bit 5 two sides, bits 2-0 granules a cylinder minus 1.
func (s *granuleShape) flags() byte {
	b := byte(s.perCyl - 1)
	if s.mfm {
		b |= 0x40
	}
	if s.geometry.Heads == 2 {
		b |= 0x20
	}
	return b
}

func plainText(s string) bool {
	return strings.IndexFunc(s, func(r rune) bool { return r < ' ' || r > '~' }) < 0
}

func granuleRoom(rec *disk.Recording, o NewOptions) (Room, error) {
	s, err := shapeOf(rec.Geometry(), rec.Name)
	if err != nil {
		return Room{}, fmt.Errorf("%s: %w", rec.Reference(), err)
	}
	r := Room{Unit: "granule", UnitBytes: s.bytes(), Slots: s.dirSectors() * (entriesPerSector - systemSlots), SlotUnits: entryExtents * extentGranules}
	dir := o.Directory
	if dir == 0 {
		dir = usualDirectory
	}
	for g, off := range s.offsets {
		if c := g / s.perCyl; off >= 0 && g != 0 && c != dir && !slices.Contains(o.LockedOut, c) {
			r.Units++
		}
	}
	return r, nil
}

// set makes e an empty entry in use.
func (e entry) set(attributes byte, name11 string) {
	clear(e)
	e[0] = attributes
	copy(e[5:16], name11)
	binary.LittleEndian.PutUint16(e[16:], blankPassword)
	binary.LittleEndian.PutUint16(e[18:], blankPassword)
	for i := 22; i < 32; i++ {
		e[i] = 0xFF
	}
}

// setExtents files up to four extents in an entry.
func (v *granule) setExtents(e entry, xs []extent) {
	for i, x := range xs {
		e[22+2*i] = byte(x.first / v.perCyl)
		e[23+2*i] = byte(x.first%v.perCyl<<5 | (x.count - 1))
	}
}

// mark sets or clears the bits of granules in the allocation table.
func (v *granule) mark(xs []extent, taken bool) {
	for _, x := range xs {
		for g := x.first; x.good && g < x.first+x.count; g++ {
			c, q := g/v.perCyl, g%v.perCyl
			if taken {
				v.alloc()[c] |= 1 << q
			} else if v.lockout()[c]>>q&1 == 0 && v.offsets[g] >= 0 {
				v.alloc()[c] &^= 1 << q
			}
		}
	}
}

// free reports whether a granule can be given to a file. One that a damaged table shows as free but a file holds is
// not free.
func (v *granule) freeGranules() []bool {
	free := make([]bool, len(v.offsets))
	for g := range free {
		c, q := g/v.perCyl, g%v.perCyl
		free[g] = v.offsets[g] >= 0 && v.alloc()[c]>>q&1 == 0 && v.lockout()[c]>>q&1 == 0 && c != v.dir && g != 0
	}
	for _, code := range v.codes() {
		if e := v.entry(code); e.used() {
			xs, _ := v.extents(e)
			for _, x := range xs {
				for g := x.first; x.good && g < x.first+x.count; g++ {
					free[g] = false
				}
			}
		}
	}
	return free
}

// pick chooses n free granules: in one piece where there is one long enough (the lowest such), else from the lowest.
func pick(free []bool, n, most int) []extent {
	if n == 0 {
		return nil
	}
	start := -1
	run := 0
	for g, f := range free {
		if !f {
			run = 0
			continue
		}
		if run++; run == n {
			start = g - n + 1
			break
		}
	}
	var xs []extent
	add := func(g int) {
		if l := len(xs) - 1; l >= 0 && xs[l].first+xs[l].count == g && xs[l].count < most {
			xs[l].count++
			return
		}
		xs = append(xs, extent{g, 1, true})
	}
	for g := max(start, 0); g < len(free) && n > 0; g++ {
		if free[g] {
			add(g)
			n--
		}
	}
	return xs
}

func name11(name, separator string) string {
	n, e, _ := strings.Cut(name, separator)
	return fmt.Sprintf("%-8s%-3s", n, e)
}

// Put files data. An extension entry carries the name as well, as readers of the class expect to find it by its hash.
func (v *granule) Put(name string, data []byte, o PutOptions) error {
	name = strings.ToUpper(name)
	if err := validGranuleName(name); err != nil {
		return err
	}
	if name == "BOOT/SYS" || name == "DIR/SYS" {
		return &NameError{name, "is part of the volume itself"}
	}
	attributes, err := granulePutAttributes(o.Attributes)
	if err != nil {
		return fmt.Errorf("%s: %w", name, err)
	}
	var day, month byte
	if o.Date != "" {
		t, err := parseDay(o.Date)
		if err != nil {
			return fmt.Errorf("%s: %w", name, err)
		}
		if t.Year() >= 1980 && t.Year() <= 1987 { // three bits for the year; other dates stay out
			month, day = byte(t.Month()), byte(t.Day()<<3|(t.Year()-1980))
		}
	}
	old, err := v.find(name)
	if err == nil && !o.Replace {
		return fmt.Errorf("%s: %w", name, ErrFileExists)
	}
	replaces := err == nil
	units := (len(data) + v.bytes() - 1) / v.bytes()
	if len(data) > 0xFFFF*granuleSectorBytes || units > len(v.offsets) {
		return &FullError{Name: name, NeedUnits: units, FreeUnits: v.Info().Free, Unit: "granule"}
	}
	var undo []byte
	if replaces {
		undo = slices.Clone(v.im.Data[v.base : v.base+int64(2+v.dirSectors())*granuleSectorBytes])
		v.remove(old)
	}
	err = v.put(name, data, attributes, month, day, units)
	if err != nil && undo != nil {
		copy(v.im.Data[v.base:], undo)
	}
	return err
}

func (v *granule) put(name string, data []byte, attributes, month, day byte, units int) error {
	free := v.freeGranules()
	have := 0
	for _, f := range free {
		if f {
			have++
		}
	}
	var slots []int
	for _, code := range v.codes() {
		if code>>5 >= systemSlots && !v.entry(code).used() {
			slots = append(slots, code)
		}
	}
	full := &FullError{Name: name, NeedUnits: units, FreeUnits: have, NeedSlots: 1, FreeSlots: len(slots), Unit: "granule"}
	if units > have {
		return full
	}
	xs := pick(free, units, extentGranules)
	full.NeedSlots = max(1, (len(xs)+entryExtents-1)/entryExtents)
	if full.NeedSlots > len(slots) {
		return full
	}
	rest := data
	for _, x := range xs {
		for g := x.first; g < x.first+x.count; g++ {
			o := v.offsets[g]
			n := copy(v.im.Data[o:o+int64(v.bytes())], rest)
			clear(v.im.Data[o+int64(n) : o+int64(v.bytes())])
			rest = rest[n:]
		}
	}
	v.mark(xs, true)
	hash := nameHash([]byte(name11(name, "/")))
	for i := range full.NeedSlots {
		e := v.entry(slots[i])
		part := xs[i*entryExtents : min(len(xs), (i+1)*entryExtents)]
		if i == 0 {
			e.set(attributes, name11(name, "/"))
			e[1], e[2] = month, day
			e[3] = byte(len(data))
			sectors := (len(data) + granuleSectorBytes - 1) / granuleSectorBytes
			if v.down {
				sectors = len(data) / granuleSectorBytes
			}
			binary.LittleEndian.PutUint16(e[20:], uint16(sectors))
		} else {
			clear(e[:22])
			for j := 22; j < 32; j++ {
				e[j] = 0xFF
			}
			e[0], e[1] = 0x90, byte(slots[i-1])
		}
		v.setExtents(e, part)
		if i+1 < full.NeedSlots {
			e[30], e[31] = 0xFE, byte(slots[i+1])
		}
		v.index()[slots[i]] = hash
	}
	return nil
}

func granulePutAttributes(names []string) (byte, error) {
	b := byte(0x10)
	for _, a := range names {
		switch a {
		case "hidden":
			b |= 0x08
		case "system":
			b |= 0x40
		case "read-only":
			b |= 5 // protection level 5: may be read and run (from memory)
		default:
			return 0, fmt.Errorf("attribute %q: a granule volume has hidden, system and read-only", a)
		}
	}
	return b, nil
}

// remove frees the entries of a file, and its granules as far as no other file holds them.
func (v *granule) remove(code int) {
	chain, _ := v.chain(code)
	var xs []extent
	for _, c := range chain {
		e := v.entry(c)
		x, _ := v.extents(e)
		xs = append(xs, x...)
		clear(e)
		v.index()[c] = 0
	}
	v.mark(xs, false)
	for _, c := range v.codes() { // cross-linked granules stay with the other file
		if e := v.entry(c); e.used() {
			x, _ := v.extents(e)
			v.mark(x, true)
		}
	}
}

// Delete frees a file's entries and granules. Its data stays on the disk until something else is written there.
func (v *granule) Delete(name string) error {
	code, err := v.find(name)
	if err != nil {
		return err
	}
	v.remove(code)
	return nil
}

// Rename gives a file another name; passwords and everything else stay.
func (v *granule) Rename(from, to string) error {
	to = strings.ToUpper(to)
	if err := validGranuleName(to); err != nil {
		return err
	}
	code, err := v.find(from)
	if err != nil {
		return err
	}
	if other, err := v.find(to); err == nil && other != code {
		return fmt.Errorf("%s: %w", to, ErrFileExists)
	}
	chain, _ := v.chain(code)
	n := name11(to, "/")
	for i, c := range chain {
		e := v.entry(c)
		if i == 0 || e[5] != 0 { // some systems keep the name in extension entries too
			copy(e[5:16], n)
		}
		v.index()[c] = nameHash([]byte(n))
	}
	return nil
}
