package machine

import (
	"errors"
	"fmt"
	"slices"
	"strings"

	"remanence/program"
	"remanence/volume"
)

// Machine is a class of computer, described by technology.
type Machine struct {
	Name     string         `toml:"name"`
	Title    string         `toml:"title"`
	Source   string         `toml:"source"` // where the facts come from; "from memory" where nothing better was seen
	Notes    []string       `toml:"notes,omitempty"`
	Memory   Memory         `toml:"memory"`
	Programs []program.Kind `toml:"programs"` // forms its own software loads; others are data to it
	Disk     *DiskClass     `toml:"disk,omitempty"`
	Tape     *TapeClass     `toml:"tape,omitempty"`
}

// Memory is the address map, as far as placing programs needs it. Ends are exclusive; addresses are 0..10000h.
type Memory struct {
	ROMEnd      int   `toml:"rom-end,omitempty"` // ROM lies from 0 up to here; 0: none there
	RAMStart    int   `toml:"ram-start"`
	RAMKiB      []int `toml:"ram-kib"`                // sizes in use, ascending
	SystemFirst int   `toml:"system-first,omitempty"` // resident disk system
	SystemEnd   int   `toml:"system-end,omitempty"`
	BASICStart  int   `toml:"basic-start,omitempty"` // tape BASIC program text
}

// DiskClass is what the machine's disks look like.
type DiskClass struct {
	Recordings []string          `toml:"recordings"` // names; the first is the usual one
	Cylinders  int               `toml:"cylinders"`  // usual number of the first
	Sides      int               `toml:"sides"`
	Volume     string            `toml:"volume"`               // kind: granule, fat12, extent
	Parameters string            `toml:"parameters,omitempty"` // extent: name of the parameter block
	Options    volume.NewOptions `toml:"options,omitempty"`    // what a new volume of the class carries
	Programs   []program.Kind    `toml:"programs,omitempty"`   // forms that go to disk by themselves; empty: all but tape forms
	Start      string            `toml:"start,omitempty"`      // what to do with a disk at the machine, in a few words for its label
	Drive      string            `toml:"drive,omitempty"`      // the machine's own drive: what reads the disk in the end
	Controller string            `toml:"controller,omitempty"` // and its controller
}

// TapeClass is what the machine's tapes look like.
type TapeClass struct {
	Code       string         `toml:"code"`                // usual line code
	Codes      []string       `toml:"codes,omitempty"`     // others it reads
	Form       string         `toml:"form"`                // block form: pulse500 (tapes of the class) or raw (bytes after the leader)
	Programs   []program.Kind `toml:"programs"`            // forms that go to tape by themselves
	GapS       float64        `toml:"gap-s"`               // silence between programs, in seconds
	StartS     float64        `toml:"start-s"`             // silence at the start of a side: leader tape and slack
	EndS       float64        `toml:"end-s"`               // kept free at the end of a side
	Start      string         `toml:"start,omitempty"`     // how a program is loaded, in a few words for the insert
	Cassettes  []int          `toml:"cassettes,omitempty"` // lengths in use, minutes of both sides together; the first is usual
	MotorStops bool           `toml:"motor-stops,omitempty"`
	Sound      Sound          `toml:"sound,omitempty"` // how the signal is formed for the recorders of the class
}

// Sound is how the signal of a tape is formed; its fields are those of tape.Mastering. Zero is the usual value of each.
type Sound struct {
	LevelDB       float64 `toml:"level-db,omitempty"`        // peak in dB under full scale, -40 to 0; 0 stands for -3
	Invert        bool    `toml:"invert,omitempty"`          // upside down
	RiseUS        float64 `toml:"rise-us,omitempty"`         // length of the edges, 0 to 1000
	PreEmphasisUS float64 `toml:"pre-emphasis-us,omitempty"` // lifts treble, 0 to 500
	LeaderS       float64 `toml:"leader-s,omitempty"`        // 0 to 600; 0: as the code declares
	Speed         float64 `toml:"speed,omitempty"`           // 0.8 to 1.25; 0 stands for 1
}

// programKinds are the kinds that a profile may name.
var programKinds = []program.Kind{program.LoadModule, program.MachineTape, program.BASICDisk, program.BASICTape, program.Text,
	program.IntelHex, program.SRecord, program.SectorImage, program.Audio, program.Captures, program.Unknown}

// Validate says what is impossible about m, nil if nothing.
func (m *Machine) Validate() error {
	var errs []error
	bad := func(format string, a ...any) { errs = append(errs, fmt.Errorf(format, a...)) }
	if !isWord(m.Name) {
		bad("name %q: want a word of letters, digits and hyphens", m.Name)
	}
	if m.Source == "" {
		bad("source: say where the facts come from")
	}
	for _, a := range []struct {
		name string
		n    int
	}{{"rom-end", m.Memory.ROMEnd}, {"ram-start", m.Memory.RAMStart}, {"system-first", m.Memory.SystemFirst},
		{"system-end", m.Memory.SystemEnd}, {"basic-start", m.Memory.BASICStart}} {
		if a.n < 0 || a.n > 0x10000 {
			bad("memory: %s %d: want an address of 0..65536", a.name, a.n)
		}
	}
	if m.Memory.SystemEnd < m.Memory.SystemFirst {
		bad("memory: system-end %d: lies before system-first", m.Memory.SystemEnd)
	}
	if len(m.Memory.RAMKiB) == 0 {
		bad("memory: ram-kib: want at least one size")
	}
	for i, k := range m.Memory.RAMKiB {
		if k < 1 || k > 1024 || i > 0 && k <= m.Memory.RAMKiB[i-1] {
			bad("memory: ram-kib %v: want sizes of 1..1024, ascending", m.Memory.RAMKiB)
			break
		}
	}
	kinds := func(where string, list []program.Kind) {
		for _, k := range list {
			if !slices.Contains(programKinds, k) {
				bad("%s %q: want one of %s", where, k, kindWords())
			}
		}
	}
	kinds("programs", m.Programs)
	if m.Disk == nil && m.Tape == nil {
		bad("disk: want a disk or a tape class")
	}
	if d := m.Disk; d != nil {
		kinds("disk: programs", d.Programs)
		if len(d.Recordings) == 0 {
			bad("disk: recordings: want at least one")
		}
		if _, err := volume.KindOf(d.Volume); err != nil && len(volume.Kinds) > 0 {
			bad("disk: volume %q: %w", d.Volume, err)
		}
		if mk := d.Options.DirectoryMark; mk != 0 && (mk < 0xF8 || mk > 0xFB) {
			bad("disk: options: directory-mark %d: want F8h..FBh", mk)
		}
	}
	if t := m.Tape; t != nil {
		kinds("tape: programs", t.Programs)
		if !slices.Contains([]string{"pulse500", "raw"}, t.Form) {
			bad("tape: form %q: want pulse500 or raw", t.Form)
		}
		for _, s := range []struct {
			name string
			v    float64
		}{{"gap-s", t.GapS}, {"start-s", t.StartS}, {"end-s", t.EndS}} {
			if !(s.v >= 0 && s.v <= 600) {
				bad("tape: %s %v: want 0..600 seconds", s.name, s.v)
			}
		}
		for _, s := range []struct {
			name      string
			v, lo, hi float64
		}{{"level-db", t.Sound.LevelDB, -40, 0}, {"rise-us", t.Sound.RiseUS, 0, 1000}, {"pre-emphasis-us", t.Sound.PreEmphasisUS, 0, 500}, {"leader-s", t.Sound.LeaderS, 0, 600}} {
			if !(s.v >= s.lo && s.v <= s.hi) {
				bad("tape: sound: %s %v: want %v..%v", s.name, s.v, s.lo, s.hi)
			}
		}
		if v := t.Sound.Speed; v != 0 && !(v >= 0.8 && v <= 1.25) {
			bad("tape: sound: speed %v: want 0.8..1.25", v)
		}
		for _, c := range t.Cassettes {
			if c < 5 || c > 240 {
				bad("tape: cassettes %d: want 5..240 minutes", c)
			}
		}
	}
	return errors.Join(errs...)
}

func kindWords() string {
	w := make([]string, len(programKinds))
	for i, k := range programKinds {
		w[i] = string(k)
	}
	return strings.Join(w, ", ")
}

func isWord(s string) bool {
	if s == "" {
		return false
	}
	for _, r := range s {
		if !(r >= 'a' && r <= 'z' || r >= '0' && r <= '9' || r == '-' || r == '.' || r == '_') {
			return false
		}
	}
	return true
}

// DirectoryMark is the data mark of the directory cylinder's sectors: FAh on z80-fm10, FBh where the class knows no
// special one.
func (m *Machine) DirectoryMark() byte {
	if m.Disk == nil || m.Disk.Volume != "granule" {
		return 0xFB
	}
	if mk := m.Disk.Options.DirectoryMark; mk != 0 {
		return byte(mk)
	}
	return 0xFA
}

// Target is the machine as a program sees it.
func (m *Machine) Target() program.Target {
	return program.Target{
		Name: m.Name, ROMEnd: m.Memory.ROMEnd, RAMStart: m.Memory.RAMStart, RAMChoicesKiB: m.Memory.RAMKiB,
		SystemFirst: m.Memory.SystemFirst, SystemEnd: m.Memory.SystemEnd, BASICStart: m.Memory.BASICStart, Kinds: m.Programs,
	}
}

// Targets are all machine classes as programs see them, in name order.
func (s *Set) Targets() []program.Target {
	var out []program.Target
	for _, m := range s.Machines() {
		out = append(out, m.Target())
	}
	return out
}

// crossCheck makes sure that every name a profile gives leads somewhere.
func (s *Set) crossCheck() []error {
	var errs []error
	for _, name := range s.machines.names() {
		e := s.machines.byName[name]
		if d := e.value.Disk; d != nil {
			for i, r := range d.Recordings {
				c, sd := 0, 0
				if i == 0 {
					c, sd = d.Cylinders, d.Sides
				}
				rec, err := s.recordings.get(r)
				if err == nil {
					err = fits(rec, c, sd)
				}
				if err != nil {
					errs = append(errs, e.places.Error("disk.recordings", "%v", err))
				}
			}
			if _, err := s.drives.get(d.Drive); d.Drive != "" && err != nil {
				errs = append(errs, e.places.Error("disk.drive", "%v", err))
			}
			if _, err := s.controllers.get(d.Controller); d.Controller != "" && err != nil {
				errs = append(errs, e.places.Error("disk.controller", "%v", err))
			}
			if d.Parameters != "" {
				if _, err := s.parameters.get(d.Parameters); err != nil {
					errs = append(errs, e.places.Error("disk.parameters", "%v", err))
				}
			}
		}
		if t := e.value.Tape; t != nil {
			for i, c := range append([]string{t.Code}, t.Codes...) {
				if _, err := s.lineCodes.get(c); err != nil {
					errs = append(errs, e.places.Error([]string{"tape.code", "tape.codes"}[min(i, 1)], "%v", err))
				}
			}
		}
	}
	return errs
}
