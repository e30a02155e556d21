package volume

import (
	"cmp"
	"encoding/binary"
	"fmt"
	"strings"
)

// Labelled is a volume that has a name and perhaps a date of its own.
type Labelled interface {
	// SetLabel gives the volume another name; date "" keeps the one it has.
	SetLabel(name, date string) error
}

// Directories is a volume with sub-directories.
type Directories interface {
	Directories() []string
	MakeDirectory(name, date string) error
}

var (
	_ Labelled    = (*granule)(nil)
	_ Labelled    = (*fat12)(nil)
	_ Directories = (*fat12)(nil)
	_ rebuilder   = (*granule)(nil)
	_ rebuilder   = (*fat12)(nil)
	_ rebuilder   = (*extentVolume)(nil)
)

// SetLabel changes the volume name, and the date where one is given.
func (v *granule) SetLabel(name, date string) error {
	name = strings.ToUpper(name)
	if len(name) < 1 || len(name) > 8 || !plainText(name) {
		return &NameError{name, "want a volume name of 1 to 8 printable characters"}
	}
	t := v.sector(0)
	if date != "" {
		d, err := parseDay(date)
		if err != nil {
			return err
		}
		copy(t[0xD8:0xE0], d.Format("01/02/06"))
	}
	copy(t[0xD0:0xD8], fmt.Sprintf("%-8s", name))
	return nil
}

// SetLabel changes the label entry of the root directory and the boot sector's copy of it; an empty name takes both
// away.
func (v *fat12) SetLabel(name, date string) error {
	name = strings.ToUpper(name)
	if name != "" && (len(name) > 11 || fatNameFault([]byte(fmt.Sprintf("%-11s", name))) != "") {
		return &NameError{name, "want a label of 1 to 11 capitals, digits and blanks"}
	}
	day, clock, err := fatDate(date)
	if err != nil {
		return err
	}
	e := v.label()
	switch {
	case name == "" && e != nil:
		e[0] = 0xE5
	case name != "":
		if e == nil {
			root := v.dir("", 0, 0)
			at := v.slot(&root)
			if at < 0 {
				return &FullError{Name: name, NeedSlots: 1, Unit: "cluster"}
			}
			e = v.entry(at)
			clear(e)
			e[11] = attrLabel
			date = cmp.Or(date, "1980-01-01")
		}
		copy(e[:11], fmt.Sprintf("%-11s", name))
		if date != "" {
			binary.LittleEndian.PutUint16(e[0x16:], clock)
			binary.LittleEndian.PutUint16(e[0x18:], day)
		}
	}
	if v.extended() {
		copy(v.im.Data[0x2B:0x36], fmt.Sprintf("%-11s", cmp.Or(name, "NO NAME")))
	}
	return nil
}
