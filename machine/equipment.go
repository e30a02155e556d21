package machine

import (
	"errors"
	"fmt"
	"net"
	"slices"
)

// Drive is a kind of floppy drive, or one drive that a person owns. Lengths are millimetres across the track.
type Drive struct {
	Name       string    `toml:"name"`
	Title      string    `toml:"title"`
	Source     string    `toml:"source"`
	SizeInches float64   `toml:"size-inches"`
	TPI        int       `toml:"tpi"`
	Cylinders  int       `toml:"cylinders"` // how far it steps
	Sides      int       `toml:"sides"`
	RPM        []float64 `toml:"rpm"`                  // speeds it can run at; the first is usual
	RatesKbit  []float64 `toml:"rates-kbit-s"`         // MFM rates its electronics are made for; FM is half
	TrackMM    float64   `toml:"track-mm"`             // width of a written track after its edges are erased
	HeadMM     float64   `toml:"head-mm"`              // width of the read/write gap
	EraseMM    float64   `toml:"erase-mm"`             // outer edges of the erase gaps: everything within is new or erased
	OffTrackMM float64   `toml:"off-track-mm"`         // usual misalignment, either way
	StepMS     float64   `toml:"step-ms"`              // one step
	SettleMS   float64   `toml:"settle-ms"`            // after the last one
	MotorMS    float64   `toml:"motor-ms"`             // until it is up to speed
	Oersted    []int     `toml:"oersted"`              // coercivities of disks that its write current suits
	SpeedPct   float64   `toml:"speed-percent"`        // tolerance of its speed
	IndexMM    float64   `toml:"radius-mm,omitempty"`  // radius of track 0 on side 0, where it is not the usual one
	Device     string    `toml:"device,omitempty"`     // own drive: /dev/fd0
	Remote     string    `toml:"remote,omitempty"`     // own drive: HOST:PORT of the computer it is in
	Controller string    `toml:"controller,omitempty"` // own drive: the controller it hangs on
	// Measured figures of an own drive; 0: not measured.
	MeasuredRPM float64 `toml:"measured-rpm,omitempty"`
	RPMSpread   float64 `toml:"measured-rpm-spread,omitempty"` // standard deviation of single turns, in rpm
	Checked     string  `toml:"checked,omitempty"`             // when, and by what
}

// Controller is a kind of floppy controller, or one that a person owns.
type Controller struct {
	Name      string    `toml:"name"`
	Title     string    `toml:"title"`
	Source    string    `toml:"source"`
	Class     string    `toml:"class"`        // 765, 1771, 179x, 177x, track (writes any transitions)
	FM        string    `toml:"fm"`           // yes, no, unsure: boards differ
	MFM       bool      `toml:"mfm"`          //
	RatesKbit []float64 `toml:"rates-kbit-s"` // MFM data rates; FM is half
	Writes    []int     `toml:"writes-marks"` // data marks by sector write, or by track write where TrackMarks is set
	Reads     []int     `toml:"reads-marks"`  // data marks it accepts
	Tells     []int     `toml:"tells-marks"`  // data marks it tells from the others
	// BlindUS is how long after the index pulse an identifier is not seen, in microseconds.
	BlindUS    float64 `toml:"blind-us"`
	LeastGap3  int     `toml:"least-gap3"`               // bytes between sectors that it needs
	SizesFM    []int   `toml:"sizes-fm,omitempty"`       // bytes of a data field
	SizesMFM   []int   `toml:"sizes-mfm,omitempty"`      //
	IndexMark  string  `toml:"index-mark"`               // always, free: whether the track it formats begins with an index mark
	PrecompNS  float64 `toml:"precomp-ns"`               // its write precompensation, MFM
	TrackMarks bool    `toml:"marks-by-track"`           // FA and F9 by track write only
	Checked    string  `toml:"checked,omitempty"`        // own controller: when it was checked
	Notes      string  `toml:"notes,omitempty"`          //
	Adapter    string  `toml:"adapter,omitempty"`        // own: command line of the program that drives it
	AdapterTmo float64 `toml:"adapter-wait-s,omitempty"` // own: longest wait for one answer
}

// Disk is a kind of disk, or a batch of disks that a person owns.
type Disk struct {
	Name       string  `toml:"name"`
	Title      string  `toml:"title"`
	Source     string  `toml:"source"`
	SizeInches float64 `toml:"size-inches"`
	Oersted    int     `toml:"oersted"` // coercivity
	RatedTPI   int     `toml:"rated-tpi"`
	RatedKbit  float64 `toml:"rated-kbit-s"` // highest MFM rate at its rated speed
	Condition  string  `toml:"condition"`    // new, erased, used-wide, used-narrow, worn
	Count      int     `toml:"count,omitempty"`
}

// Conditions of a disk.
var Conditions = []string{"new", "erased", "used-wide", "used-narrow", "worn"}

type checker struct{ errs []error }

func (c *checker) bad(format string, a ...any) { c.errs = append(c.errs, fmt.Errorf(format, a...)) }
func (c *checker) named(name, source string) {
	if !isWord(name) {
		c.bad("name %q: want a word of letters, digits and hyphens", name)
	}
	if source == "" {
		c.bad("source: say where the figures come from")
	}
}
func (c *checker) within(what string, v, lo, hi float64) {
	if !(v >= lo && v <= hi) {
		c.bad("%s %v: want %v..%v", what, v, lo, hi)
	}
}

// Validate says what is impossible about d, nil if nothing.
func (d *Drive) Validate() error {
	var c checker
	c.named(d.Name, d.Source)
	c.within("size-inches", d.SizeInches, 2, 8)
	c.within("tpi", float64(d.TPI), 10, 1000)
	c.within("cylinders", float64(d.Cylinders), 1, 256)
	c.within("sides", float64(d.Sides), 1, 2)
	c.within("track-mm", d.TrackMM, 0.01, 1)
	c.within("head-mm", d.HeadMM, d.TrackMM, 1)
	c.within("erase-mm", d.EraseMM, d.TrackMM, 1.5)
	c.within("off-track-mm", d.OffTrackMM, 0, 0.2)
	c.within("step-ms", d.StepMS, 0.1, 100)
	c.within("settle-ms", d.SettleMS, 0, 500)
	c.within("motor-ms", d.MotorMS, 0, 5000)
	c.within("speed-percent", d.SpeedPct, 0, 20)
	if len(d.RPM) == 0 || len(d.RatesKbit) == 0 || len(d.Oersted) == 0 {
		c.bad("rpm, rates-kbit-s, oersted: want at least one of each")
	}
	for _, v := range d.RPM {
		c.within("rpm", v, 100, 1000)
	}
	for _, v := range d.RatesKbit {
		c.within("rates-kbit-s", v, 50, 2000)
	}
	if d.MeasuredRPM != 0 {
		c.within("measured-rpm", d.MeasuredRPM, 100, 1000)
	}
	c.within("measured-rpm-spread", d.RPMSpread, 0, 100)
	if host, port, err := net.SplitHostPort(d.Remote); d.Remote != "" && (err != nil || host == "" || port == "") {
		c.bad("remote %q: want HOST:PORT, as 192.168.1.20:7531", d.Remote)
	}
	return errors.Join(c.errs...)
}

// Validate says what is impossible about k, nil if nothing.
func (k *Controller) Validate() error {
	var c checker
	c.named(k.Name, k.Source)
	if !slices.Contains([]string{"765", "1771", "179x", "177x", "track"}, k.Class) {
		c.bad("class %q: want 765, 1771, 179x, 177x or track", k.Class)
	}
	if !slices.Contains([]string{"yes", "no", "unsure"}, k.FM) {
		c.bad("fm %q: want yes, no or unsure", k.FM)
	}
	if !slices.Contains([]string{"always", "free"}, k.IndexMark) {
		c.bad("index-mark %q: want always or free", k.IndexMark)
	}
	if len(k.RatesKbit) == 0 || len(k.Writes) == 0 || len(k.Reads) == 0 {
		c.bad("rates-kbit-s, writes-marks, reads-marks: want at least one of each")
	}
	for _, v := range k.RatesKbit {
		c.within("rates-kbit-s", v, 50, 2000)
	}
	for _, l := range [][]int{k.Writes, k.Reads, k.Tells} {
		for _, m := range l {
			c.within("marks", float64(m), 0xF8, 0xFB)
		}
	}
	c.within("blind-us", k.BlindUS, 0, 20000)
	c.within("least-gap3", float64(k.LeastGap3), 0, 200)
	c.within("precomp-ns", k.PrecompNS, 0, 1000)
	c.within("adapter-wait-s", k.AdapterTmo, 0, 3600)
	return errors.Join(c.errs...)
}

// Validate says what is impossible about d, nil if nothing.
func (d *Disk) Validate() error {
	var c checker
	c.named(d.Name, d.Source)
	c.within("size-inches", d.SizeInches, 2, 8)
	c.within("oersted", float64(d.Oersted), 100, 3000)
	c.within("rated-tpi", float64(d.RatedTPI), 10, 1000)
	c.within("rated-kbit-s", d.RatedKbit, 50, 2000)
	if !slices.Contains(Conditions, d.Condition) {
		c.bad("condition %q: want new, erased, used-wide, used-narrow or worn", d.Condition)
	}
	return errors.Join(c.errs...)
}

// Drive is the drive of that name.
func (s *Set) Drive(name string) (*Drive, error) { return s.drives.get(name) }

// Drives are all drives, in name order.
func (s *Set) Drives() []*Drive { return s.drives.all() }

// Controller is the controller of that name.
func (s *Set) Controller(name string) (*Controller, error) { return s.controllers.get(name) }

// Controllers are all controllers, in name order.
func (s *Set) Controllers() []*Controller { return s.controllers.all() }

// DiskKind is the kind of disk of that name.
func (s *Set) DiskKind(name string) (*Disk, error) { return s.disks.get(name) }

// DiskKinds are all kinds of disks, in name order.
func (s *Set) DiskKinds() []*Disk { return s.disks.all() }
