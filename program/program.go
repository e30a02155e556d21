// Package program tells what an archived program file is, whether it is whole, and where it goes in the memory of the
// machine it was written for; and it turns one form of program into another.
package program

import (
	"encoding/json"
	"fmt"
)

// Kind names a form of file. The names are part of the command line's JSON.
type Kind string

// The kinds that Inspect tells apart.
const (
	LoadModule  Kind = "load-module"  // disk program of the class: typed records, load address in each
	MachineTape Kind = "machine-tape" // machine code as the bytes of a cassette: blocks with checksum
	BASICDisk   Kind = "basic-disk"   // tokenised BASIC, disk form: FF, lines
	BASICTape   Kind = "basic-tape"   // tokenised BASIC, cassette form: D3 D3 D3, name, lines
	Text        Kind = "text"         // prose or a BASIC listing in plain characters
	IntelHex    Kind = "intel-hex"
	SRecord     Kind = "s-record"
	SectorImage Kind = "sector-image" // raw sectors of a disk that hold a volume
	Audio       Kind = "audio"        // WAV, FLAC and the like: recognised, not decoded here
	Captures    Kind = "captures"     // interval captures of a floppy track
	Unknown     Kind = "unknown"      // none of these: data, kept as it is
)

// Class sorts faults, so that programs need not read sentences.
type Class string

// The classes of fault.
const (
	Truncated     Class = "truncated"     // the file stops inside something
	Checksum      Class = "checksum"      // a sum disagrees
	Overlap       Class = "overlap"       // two parts load to the same address
	Trailing      Class = "trailing"      // bytes after the end
	EntryOutside  Class = "entry-outside" // the entry address is not in loaded memory
	NoEnd         Class = "no-end"        // the end record is missing at a record boundary
	BadRecord     Class = "bad-record"    // a record that its form does not have
	Links         Class = "links"         // BASIC link words and line ends disagree
	LineEnds      Class = "line-ends"     // text whose lines do not end as the class ends them (CR)
	Empty         Class = "empty"         // no bytes at all
	NotAProgram   Class = "not-a-program" // no known form: data
	Unreadable    Class = "unreadable"    // the file could not be read
	BadCharacters Class = "characters"    // text with bytes that no text of the class has
)

// Fault is one thing wrong with a file. Offset counts bytes from the start of the file, leader and sync included.
type Fault struct {
	Offset int64  `json:"offset"`
	Class  Class  `json:"class"`
	What   string `json:"what"`
}

func (f Fault) String() string { return fmt.Sprintf("offset %d: %s", f.Offset, f.What) }

// Report is what Inspect finds out about one file.
type Report struct {
	Kind   Kind
	Whole  bool    // no faults; an unknown kind is never whole, because nothing about it can be checked
	Faults []Fault // in order of offset
	// Name is the name that stands inside the file, "" if none.
	Name string
	// LoadRanges are the addresses that the file fills, ascending, merged where they touch; the end is exclusive.
	LoadRanges [][2]int
	Entry      *int     // nil: none
	RAMKiB     int      // 16, 32 or 48, by the highest byte used; 0: does not apply, or more than 64 KiB of addresses
	Notes      []string // what was assumed, and what is good to know
	SHA256     string   // of the whole file, lower-case hex; set by InspectFile and InspectAll
	// Lines counts the lines of a text or BASIC program.
	Lines int
	// Form is a detail of the kind in words: "with leader and sync", "S1 records", "BASIC listing".
	Form string
}

// Damaged tells a faulty program from data of an unknown kind, of which nothing can be said.
func (r *Report) Damaged() bool { return !r.Whole && r.Kind != Unknown }

// Complete reports that nothing of the contents is lost or in doubt: the file is whole, or its only faults are foreign
// line ends of a text or stale links of a BASIC program, which the machine's loader computes anew.
func (r *Report) Complete() bool {
	for _, f := range r.Faults {
		if f.Class != LineEnds && f.Class != Links {
			return false
		}
	}
	return r.Kind != Unknown
}

// Segment is a stretch of memory contents.
type Segment struct {
	Address int // of Data[0]
	Data    []byte
}

// End is the address after the last byte.
func (s Segment) End() int { return s.Address + len(s.Data) }

// Memory is what a machine-code program puts in memory, in the order in which it does, and where it begins.
type Memory struct {
	Name     string
	Segments []Segment
	Entry    *int // nil: none
}

// Target is what a machine class looks like to a program: its memory map and the forms it loads. Addresses are of one
// 64 KiB space unless RAMChoicesKiB says more; every end is exclusive.
type Target struct {
	Name          string
	ROMEnd        int    // ROM fills 0 to ROMEnd
	RAMStart      int    // first byte of RAM
	RAMChoicesKiB []int  // sizes the class was sold with, ascending
	SystemFirst   int    // resident disk system
	SystemEnd     int    // 0: no resident disk system
	BASICStart    int    // where the text of a tape BASIC program begins; 0: no BASIC
	Kinds         []Kind // the forms it loads by itself
}

// fileJSON is the shape of one file in inspect --json.
type fileJSON struct {
	Path        string   `json:"path"`
	Size        int64    `json:"size"`
	SHA256      string   `json:"sha256"`
	Kind        Kind     `json:"kind"`
	Whole       bool     `json:"whole"`
	Faults      []Fault  `json:"faults"`
	Name        string   `json:"name"`
	LoadRanges  [][2]int `json:"load-ranges"`
	Entry       *int     `json:"entry"`
	RAMKiB      *int     `json:"ram-kib"`
	RunsOn      []string `json:"runs-on"`
	Clashes     []string `json:"clashes,omitempty"`
	Form        string   `json:"form,omitempty"`
	Lines       int      `json:"lines,omitempty"`
	DuplicateOf string   `json:"duplicate-of,omitempty"`
	Notes       []string `json:"notes,omitempty"`
}

// FileReport is the Report of a file that has a place.
type FileReport struct {
	Path string
	Size int64
	Report
	RunsOn      []string // names of the targets that can run it
	Clashes     []string // targets whose resident disk system it would overwrite
	DuplicateOf string   // path of the first file with the same contents
}

// MarshalJSON writes the shape that doc/json.md promises.
func (f *FileReport) MarshalJSON() ([]byte, error) {
	j := fileJSON{f.Path, f.Size, f.SHA256, f.Kind, f.Whole, f.Faults, f.Name, f.LoadRanges, f.Entry, nil, f.RunsOn, f.Clashes, f.Form, f.Lines, f.DuplicateOf, f.Notes}
	if f.RAMKiB > 0 {
		j.RAMKiB = &f.RAMKiB
	}
	if j.Faults == nil {
		j.Faults = []Fault{}
	}
	if j.LoadRanges == nil {
		j.LoadRanges = [][2]int{}
	}
	if j.RunsOn == nil {
		j.RunsOn = []string{}
	}
	return json.Marshal(j)
}
