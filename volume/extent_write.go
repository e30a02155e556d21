package volume

import (
	"bytes"
	"fmt"
	"strconv"
	"strings"

	"remanence/disk"
)

var extentNames = nameRules{separator: ".", name: 8, ext: 3, allowed: func(c byte) bool {
	return alphanumeric(c) || c > ' ' && c < 0x7F && strings.IndexByte(extentForbidden+"/\\\"'()`", c) < 0
}}

func extentNameFor(archive string, taken func(string) bool) (string, string) {
	n, why := extentNames.nameFor(archive, func(n string) bool { return taken("0:"+n) || taken(n) })
	return "0:" + n, why
}

// splitUser takes USER:NAME.EXT apart; the user is 0 where none is named.
func splitUser(name string) (user int, rest string, err error) {
	u, rest, found := strings.Cut(name, ":")
	if !found {
		return 0, name, nil
	}
	user, err = strconv.Atoi(u)
	if err != nil || user < 0 || user >= extentUsers {
		return 0, "", &NameError{name, "want a user number of 0 to 15 before the colon"}
	}
	return user, rest, nil
}

func validExtentName(name string) error {
	_, rest, err := splitUser(name)
	if err != nil {
		return err
	}
	n, e, dot := strings.Cut(rest, ".")
	if len(n) < 1 || len(n) > 8 || dot && len(e) < 1 || len(e) > 3 {
		return &NameError{name, "want 1 to 8 characters, and 1 to 3 after a dot"}
	}
	if why := extentNameFault([]byte(name11(rest, "."))); why != "" {
		return &NameError{name, why}
	}
	return nil
}

func extentKey(name string) (k [12]byte, err error) {
	if err := validExtentName(name); err != nil {
		return k, err
	}
	user, rest, _ := splitUser(name)
	k[0] = byte(user)
	copy(k[1:], name11(rest, "."))
	return k, nil
}

// newExtent formats a disk: E5h everywhere, on the reserved tracks too.
func newExtent(rec *disk.Recording, o NewOptions) (Volume, error) {
	p := o.Parameters
	if p == nil {
		if p = ParametersFor(rec, nil); p == nil {
			return nil, fmt.Errorf("%s: no parameter block is known for it", rec.Reference())
		}
	}
	if err := p.Validate(); err != nil {
		return nil, fmt.Errorf("parameter block %s: %w", p.Name, err)
	}
	if !p.fitsRecording(rec) {
		return nil, fmt.Errorf("parameter block %s: is for %d x %d tracks of %d x %d bytes from sector %d, not for %s", p.Name, p.Cylinders, p.Sides, p.Sectors, p.SectorSize, p.FirstSector, rec.Reference())
	}
	im := disk.NewImage(rec)
	copy(im.Data, bytes.Repeat([]byte{extentFree}, len(im.Data)))
	v := extentOn(p, im)
	if o.Boot != nil {
		if len(o.Boot) > p.OFF*p.SPT*recordBytes {
			return nil, fmt.Errorf("boot code of %d bytes: the reserved tracks hold %d", len(o.Boot), p.OFF*p.SPT*recordBytes)
		}
		copy(im.Data, o.Boot)
	}
	return v, nil
}

func extentRoom(rec *disk.Recording, o NewOptions) (Room, error) {
	p := o.Parameters
	if p == nil {
		if p = ParametersFor(rec, nil); p == nil {
			return Room{}, fmt.Errorf("%s: no parameter block is known for it", rec.Reference())
		}
	}
	if err := p.Validate(); err != nil {
		return Room{}, fmt.Errorf("parameter block %s: %w", p.Name, err)
	}
	return Room{Unit: "block", Units: p.DSM + 1 - p.directoryBlocks(), UnitBytes: p.BlockBytes(), Slots: p.DRM + 1, SlotUnits: p.capacity() >> p.BSH}, nil
}

// Put files data in whole records; the last one is filled with 1Ah.
func (v *extentVolume) Put(name string, data []byte, o PutOptions) error {
	name = strings.ToUpper(name)
	k, err := extentKey(name)
	if err != nil {
		return err
	}
	if o.Date != "" {
		if _, err := parseDay(o.Date); err != nil { // the kind keeps no dates, but a wrong one is a slip
			return fmt.Errorf("%s: %w", name, err)
		}
	}
	var bits [12]byte
	for _, a := range o.Attributes {
		switch a {
		case "read-only":
			bits[9] = 0x80
		case "system", "hidden":
			bits[10] = 0x80
		case "archived":
			bits[11] = 0x80
		default:
			return fmt.Errorf("%s: attribute %q: an extent volume has read-only, system and archived", name, a)
		}
	}
	old, err := v.find(keyName(k))
	if err == nil && !o.Replace {
		return fmt.Errorf("%s: %w", name, ErrFileExists)
	}
	var replaced []int
	if err == nil {
		replaced = old.entries
	}
	records := (len(data) + recordBytes - 1) / recordBytes
	units := (records + v.p.BLM) >> v.p.BSH
	slots := max(1, (records+v.p.capacity()-1)/v.p.capacity())
	users := make([]byte, len(replaced))
	for i, x := range replaced {
		users[i] = v.entry(x)[0]
		v.entry(x)[0] = extentFree
	}
	count, _ := v.owners()
	var free []int
	for b, c := range count {
		if c == 0 && b >= v.p.directoryBlocks() {
			free = append(free, b)
		}
	}
	var room []int
	for i := 0; i <= v.p.DRM; i++ {
		if v.entry(i).free() {
			room = append(room, i)
		}
	}
	if units > len(free) || slots > len(room) {
		for i, x := range replaced {
			v.entry(x)[0] = users[i]
		}
		return &FullError{name, units, len(free), slots, len(room), "block"}
	}
	for r := range records {
		to := v.record(free[r>>v.p.BSH]<<v.p.BSH + r&v.p.BLM)
		n := copy(to, data[r*recordBytes:])
		for ; n < recordBytes; n++ {
			to[n] = extentFiller
		}
	}
	for s := range slots {
		e := v.entry(room[s])
		clear(e)
		n := min(records-s*v.p.capacity(), v.p.capacity())
		for i := range k {
			e[i] = k[i] | bits[i]
		}
		whole := max(n-1, 0) / recordBytes
		ext := s*(v.p.EXM+1) + whole
		e[12], e[14], e[15] = byte(ext%32), byte(ext/32), byte(n-whole*recordBytes)
		for j := range (n + v.p.BLM) >> v.p.BSH {
			v.setBlock(e, j, free[s*v.p.capacity()>>v.p.BSH+j])
		}
	}
	return nil
}

// Delete frees a file's entries; its blocks are free with them, for nothing else says that they are taken.
func (v *extentVolume) Delete(name string) error {
	f, err := v.find(name)
	if err != nil {
		return err
	}
	for _, i := range f.entries {
		v.entry(i)[0] = extentFree
	}
	return nil
}

// Rename gives a file another name or user; attributes stay.
func (v *extentVolume) Rename(from, to string) error {
	k, err := extentKey(strings.ToUpper(to))
	if err != nil {
		return err
	}
	f, err := v.find(from)
	if err != nil {
		return err
	}
	if other, err := v.find(keyName(k)); err == nil && other.key != f.key {
		return fmt.Errorf("%s: %w", keyName(k), ErrFileExists)
	}
	for _, i := range f.entries {
		e := v.entry(i)
		e[0] = k[0]
		for j := 1; j < 12; j++ {
			e[j] = e[j]&0x80 | k[j]
		}
	}
	return nil
}
