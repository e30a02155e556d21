// Package report writes what the main job did as one HTML file that needs nothing else: no script, no font, no
// picture beside it. Its chapters are the five steps of the job: gather, arrange, make, prove, keep.
//
// It is written for the person at the bench, a year later, without the program at hand: what was there, what went
// where, what was proven and how, what was left out and why, and what to do next. Every fault has its place, what it
// is, what follows from it and what can be done. Nothing in it depends on a colour.
//
// The package knows nothing of the rooms that made the results: master fills an Input.
package report

import "remanence/picture"

// Input is everything the report tells. Empty parts are left out of it.
type Input struct {
	Title    string // of the whole job: "Saltmarsh Computing Collection, set 1"
	Machine  string // name of the profile: "z80-fm10"
	About    string // its title, in words
	Made     string // a date, only if the caller fixed one; "" says nothing
	Version  string // of the program
	Command  string // what was said to get this, or ""
	LowBound int    // fewest media that could hold it all; 0: not known

	Memory  []picture.Range // what the machine keeps of its memory: drawn above the programs
	Files   []File          // gather: every file looked at, in the order given
	Media   []Medium        // arrange, make, prove
	LeftOut []LeftOut
	Outputs []Output // keep: every file written, with its SHA-256
	Next    []string // what to do next, one sentence each; empty: said by the report from what it sees
}

// File is one archived file as gathered.
type File struct {
	Path   string // as given
	Size   int64
	SHA256 string
	Kind   string // of program: "load-module"
	Name   string // inside the file, if it has one
	Whole  bool
	Faults []Fault
	Loads  [][2]int // addresses, end exclusive
	Entry  int      // -1: none
	RAMKiB int      // 0: not known
	Notes  []string // assumptions, remarks, cautions
	Same   string   // path of an earlier file with the same bytes
	On     []string // ids of the media it went to
}

// Fault is one thing that is wrong, in the house's order: place, what, consequence, what to do.
type Fault struct {
	Place       string // "byte 5120", "side A, 75.9 s"
	What        string
	Consequence string // "" if it goes without saying
	Do          string
}

// Medium is one disk, or one side of a tape, that was planned or made.
type Medium struct {
	ID        string // the number on its label: "D1", "T1A"
	Type      string // "disk" or "tape"
	Title     string
	Recording string // "fm10x256", "pulse500"
	Place     string // what it is recorded on: "40 cylinders, 1 side", "C-30, side A"
	Unit      string // of Capacity and Free: "KiB", "s"
	Capacity  float64
	Free      float64
	Items     []Item

	Image, Audio, Captures, Labels string // paths of what was made, relative to the report

	Verified bool   // read back and every byte compared equal
	Proof    []Step // how that was found out
	Faults   []Fault
	Ribbon   *picture.Canvas // drawn from what was read back
	Pictures []Figure        // further pictures: speed, level, volume map
}

// Item is a file or block on a medium, in its order there.
type Item struct {
	Name    string  // on the medium: "HERON/CMD"
	Path    string  // on the archive
	Size    float64 // in the medium's Unit, as it takes room there
	Bytes   int64
	Where   string // "granules 4-9", "counter 012", "0:41"
	Damaged bool   // taken along although damaged
	Proven  bool   // came back byte for byte
	SHA256  string
}

// Step is one measurement of the proof: "sectors good" "400 of 400".
type Step struct{ What, Value string }

// Figure is a picture with the sentence below it.
type Figure struct {
	Caption string
	Picture *picture.Canvas
}

// LeftOut is a file that went nowhere.
type LeftOut struct{ Path, Why, Do string }

// Output is one file that was written.
type Output struct {
	Path   string
	What   string // "image of D1", "sound of T1, side A"
	Size   int64
	SHA256 string
}
