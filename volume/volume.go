// Package volume keeps files on a disk the way the machines of the period did, and finds them there again.
//
// A volume is three things in sectors: data, cut into units of one size (granules, clusters, blocks); a directory
// that says which units, in which order, are a file; and, in most kinds, a table that says which units are taken. The
// same fact therefore stands in two places, and that is what a check lives on: whatever the directory claims the
// table must show as taken, once, and nothing else. A reader needs only the directory, so a file can often be read
// from a volume that no machine would accept any more.
//
// Worked example, a granule volume on fm10x256 (10 sectors of 256 bytes a track, granules of 5 sectors): the directory
// entry of DEMO/BAS ends in `00 04 01 24 FF FF`; byte 3 of the entry is 00 and bytes 20-21 are 04 00, so the file is
// 4 sectors long; its first extent `05 20` is cylinder 5, granule 32>>5 = 1, (20h & 1Fh) + 1 = 1 granule: sectors 5 to
// 8 of cylinder 5, bytes (5*10+5)*256 = 14,080 to 15,103 of the image. Bit 1 of byte 5 of the allocation table is set.
//
// Open recognises kind, geometry and conventions from the content and says what it assumed; New makes an empty volume
// of a recording. Every kind is one entry of Kinds.
package volume

import (
	"errors"
	"fmt"
	"io/fs"
	"slices"
	"strings"

	"remanence/disk"
)

// Fault is something that is wrong with a volume or a file on it.
type Fault struct {
	Where string `json:"where"` // the place: file, entry, table byte, cylinder and sector
	What  string `json:"what"`  // what is there, what was expected
}

func (f Fault) String() string { return f.Where + ": " + f.What }

// File is one file as the directory names it.
type File struct {
	Name       string   // in the volume's own form: NAME/EXT, DIR/NAME.EXT, USER:NAME.EXT
	Size       int64    // in bytes; extent volumes know it to 128 bytes only
	Units      int      // granules, clusters or blocks it holds
	Date       string   // as the directory has it, YYYY-MM-DD with a time where there is one; "" where it has none
	Attributes []string // read-only, hidden, system, password, ...
	Faults     []Fault  // that keep it from being read whole
}

// Info describes a volume as a whole.
type Info struct {
	Kind      string
	Name      string // volume name or label
	Date      string // as the volume has it
	Recording string // "" where no known recording has this geometry
	Unit      string // granule, cluster, block
	UnitBytes int
	Units     int // all there are, the directory and locked-out ones included
	Free      int
	Slots     int // directory entries of the (root) directory
	FreeSlots int
	Details   []Detail
}

// Detail is a fact that only some kinds have.
type Detail struct{ Label, Value string }

// PutOptions say how a file is filed.
type PutOptions struct {
	Date       string   // YYYY-MM-DD or YYYY-MM-DD HH:MM:SS; "": none (FAT12: 1980-01-01)
	Attributes []string // read-only, hidden, system, as the kind has them
	Replace    bool     // take the place of a file of this name; without it, that is an error
}

// UnitState is what a unit of the volume is used for.
type UnitState uint8

// States of a unit, in the order of the legend of the map.
const (
	UnitFree UnitState = iota
	UnitUsed
	UnitSystem // boot, directory, tables
	UnitLocked // locked out, marked bad, or not on the disk
	UnitLost   // marked as taken, but nothing claims it
	UnitShared // claimed more than once
)

var unitNames = [...]string{"free", "used", "system", "locked", "lost", "shared"}

func (s UnitState) String() string {
	if int(s) < len(unitNames) {
		return unitNames[s]
	}
	return "unknown"
}

// MarshalText lets a state stand in JSON as its name.
func (s UnitState) MarshalText() ([]byte, error) { return []byte(s.String()), nil }

// Unit is one granule, cluster or block of the map, in disk order.
type Unit struct {
	Number int       `json:"number"`
	Place  string    `json:"place"` // in the volume's own terms
	State  UnitState `json:"state"`
	File   string    `json:"file,omitempty"`
}

// Volume is a file system on a disk. Names are in the volume's own form. A Volume is not safe for concurrent use.
type Volume interface {
	Kind() string
	Info() Info
	// Files are the files in directory order; boot and directory entries that every volume has are not among them.
	Files() []File
	// Get is the content of a file. Where part of it cannot be read, data holds everything up to and, filled with
	// zeros in the gaps, beyond the faults that are returned with it.
	Get(name string) (data []byte, faults []Fault, err error)
	// Put files data under name. It changes nothing where it fails.
	Put(name string, data []byte, o PutOptions) error
	Delete(name string) error
	Rename(from, to string) error
	// Check goes through every cross-reference of the format; nil: the volume is whole.
	Check() []Fault
	// Map is the use of the units, in disk order.
	Map() []Unit
	// Image is the disk with all changes; it is the volume's own.
	Image() (im *disk.Image)
}

// Errors that callers may want to tell apart.
var (
	ErrNoFile     = fmt.Errorf("no such file: %w", fs.ErrNotExist)
	ErrFileExists = fmt.Errorf("a file of this name is there already: %w", fs.ErrExist)
	ErrFull       = errors.New("the volume is full")
	ErrName       = errors.New("not a name for this volume")
)

// NameError says why a name cannot stand on a volume.
type NameError struct{ Name, Why string }

func (e *NameError) Error() string { return fmt.Sprintf("%q: %s", e.Name, e.Why) }
func (e *NameError) Unwrap() error { return ErrName }

// FullError says what a file needs and what is left.
type FullError struct {
	Name                 string
	NeedUnits, FreeUnits int
	NeedSlots, FreeSlots int
	Unit                 string
}

func (e *FullError) Error() string {
	if e.NeedUnits > e.FreeUnits {
		return fmt.Sprintf("%s: needs %d %ss, %d are free", e.Name, e.NeedUnits, e.Unit, e.FreeUnits)
	}
	return fmt.Sprintf("%s: needs %d directory entries, %d are free", e.Name, e.NeedSlots, e.FreeSlots)
}
func (e *FullError) Unwrap() error { return ErrFull }

// Options say what is known of an image beforehand; the zero value leaves everything to recognition.
type Options struct {
	Kind          string            // "": recognised
	Recording     *disk.Recording   // nil: recognised
	Recordings    []*disk.Recording // to find a name for the geometry, and more geometries to try
	Rounding      string            // granule: up or down; "": recognised
	Parameters    *Parameters       // extent: the parameter block; nil: recognised
	ParameterSets []*Parameters     // extent: more sets to try, before the built-in ones
	Sidecar       *disk.Sidecar     // what is known of the sectors; kept in the Image
}

// NewOptions say what a new volume carries. The zero value gives the usual volume of the kind.
type NewOptions struct {
	Name          string      `toml:"name,omitempty"`           // volume name or label
	Date          string      `toml:"date,omitempty"`           // YYYY-MM-DD; "": 1979-01-01, so that equal inputs give equal disks
	Command       string      `toml:"command,omitempty"`        // granule: command run at start-up
	Directory     int         `toml:"directory,omitempty"`      // granule: directory cylinder; 0: 17
	DirectoryMark int         `toml:"directory-mark,omitempty"` // granule: data mark of its sectors; 0: FAh
	Rounding      string      `toml:"rounding,omitempty"`       // granule: up (default) or down
	LockedOut     []int       `toml:"locked-out,omitempty"`     // granule: cylinders that are not to be used
	Boot          []byte      `toml:"-"`                        // boot sector code; nil: our own
	Serial        uint32      `toml:"serial,omitempty"`         // FAT12: volume serial number
	Parameters    *Parameters `toml:"parameters,omitempty"`     // extent
}

// Room is what an empty volume holds.
type Room struct {
	Unit      string // granule, cluster, block
	Units     int    // free in an empty volume
	UnitBytes int
	Slots     int // free directory entries
	SlotUnits int // units a directory entry reaches when the file lies in one piece; 0: all
}

// Need is what a file of size bytes takes of the room, when it lies in one piece.
func (r Room) Need(size int) (units, slots int) {
	units = (size + r.UnitBytes - 1) / r.UnitBytes
	slots = 1
	if r.SlotUnits > 0 && units > r.SlotUnits {
		slots = (units + r.SlotUnits - 1) / r.SlotUnits
	}
	return units, slots
}

// Fits reports whether a file of size bytes fits the empty volume.
func (r Room) Fits(size int) bool {
	u, s := r.Need(size)
	return u <= r.Units && s <= r.Slots
}

// Kind is one way of keeping files.
type Kind struct {
	Name, Title string
	Unit        string
	Source      string // where the facts come from
	// claims are the readings of an image by this kind; best is the score of the best reading by another, so that a
	// long search is spared where it cannot win.
	claims  func(data []byte, o *Options, best int) []claim
	create  func(rec *disk.Recording, o NewOptions) (Volume, error)
	room    func(rec *disk.Recording, o NewOptions) (Room, error)
	nameFor func(archive string, taken func(string) bool) (name, why string)
	valid   func(name string) error
}

// claim is one reading of an image by one kind.
type claim struct {
	score int // how much speaks for it; 0 or less: nothing
	// open gives the volume and what was assumed and why.
	open func() (Volume, []string, error)
}

// Kinds is every kind of volume there is. A new kind is one file and one line here.
var Kinds = []*Kind{granuleKind, fat12Kind, extentKind}

// KindOf finds a kind by its name.
func KindOf(name string) (*Kind, error) {
	var names []string
	for _, k := range Kinds {
		if k.Name == name {
			return k, nil
		}
		names = append(names, k.Name)
	}
	return nil, fmt.Errorf("volume kind %q: want one of %s", name, strings.Join(names, ", "))
}

// New makes an empty volume of a recording.
func New(kind string, rec *disk.Recording, o NewOptions) (Volume, error) {
	k, err := KindOf(kind)
	if err != nil {
		return nil, err
	}
	return k.create(rec, o)
}

// RoomOf is what New would give, without making it.
func RoomOf(kind string, rec *disk.Recording, o NewOptions) (Room, error) {
	k, err := KindOf(kind)
	if err != nil {
		return Room{}, err
	}
	return k.room(rec, o)
}

// NameFor is the name that a file of the archive gets on a volume: its own where the rules of the kind allow, else as
// near as they do, made different from every name that taken reports. why says what had to be changed beyond capitals
// and the separator; it is "" where nothing was. The result is always a valid name.
func NameFor(kind, archiveName string, taken func(string) bool) (name, why string) {
	if taken == nil {
		taken = func(string) bool { return false }
	}
	k, err := KindOf(kind)
	if err != nil {
		return archiveName, ""
	}
	return k.nameFor(archiveName, taken)
}

// ValidName says what is wrong with a name on a volume of this kind; nil if nothing.
func ValidName(kind, name string) error {
	k, err := KindOf(kind)
	if err != nil {
		return err
	}
	return k.valid(name)
}

// Open finds the volume in an image. Besides the volume it says what it assumed and why: every line is a sentence.
func Open(data []byte, o Options) (Volume, []string, error) {
	if len(data) > disk.MaxImageBytes {
		return nil, nil, fmt.Errorf("%d bytes: no floppy image is longer than %d", len(data), disk.MaxImageBytes)
	}
	kinds := Kinds
	if o.Kind != "" {
		k, err := KindOf(o.Kind)
		if err != nil {
			return nil, nil, err
		}
		kinds = []*Kind{k}
	}
	var best claim
	var bestKind *Kind
	for _, k := range kinds {
		for _, c := range k.claims(data, &o, best.score) {
			if c.score > best.score {
				best, bestKind = c, k
			}
		}
	}
	if bestKind == nil {
		names := make([]string, len(kinds))
		for i, k := range kinds {
			names[i] = k.Name
		}
		err := fmt.Errorf("%d bytes: no %s volume found", len(data), strings.Join(names, ", "))
		if r := o.Recording; r != nil {
			g := r.Geometry()
			err = fmt.Errorf("%w on %s, which is %d bytes", err, r.Reference(), g.Size())
		}
		return nil, nil, err
	}
	v, said, err := best.open()
	if o.Kind == "" {
		said = append([]string{"Read as " + withArticle(bestKind.Name) + " volume."}, said...)
	}
	if err != nil {
		return nil, said, fmt.Errorf("%s volume: %w", bestKind.Name, err)
	}
	return v, said, nil
}

// OpenImage is Open for an image that is in memory already. The volume works on a copy.
func OpenImage(im *disk.Image, o Options) (Volume, []string, error) {
	if o.Sidecar == nil {
		o.Sidecar = im.Sidecar()
	}
	if o.Recording == nil && im.Recording != "" {
		for _, r := range o.Recordings {
			if r.Name == im.Recording {
				o.Recording = r.With(im.Geometry.Cylinders, im.Geometry.Heads)
			}
		}
	}
	return Open(slices.Clone(im.Data), o)
}

func withArticle(word string) string {
	if strings.IndexByte("aeiou", word[0]) >= 0 {
		return "an " + word
	}
	return "a " + word
}
