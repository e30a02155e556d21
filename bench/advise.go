package bench

import (
	"cmp"
	"fmt"
	"math"
	"slices"
	"strings"

	"remanence/disk"
	"remanence/machine"
)

// Settings are what to set for one combination.
type Settings struct {
	RPM         float64 `json:"rpm"`
	SelectKbit  float64 `json:"select-kbit-s"` // MFM rate to select at the controller; FM runs at half of it
	PrecompNS   float64 `json:"precompensation-ns"`
	Gap3        int     `json:"gap3"`           // bytes between sectors when formatting
	GapRW       int     `json:"gap-read-write"` // 765 class: gap length for reading and writing
	IndexMark   bool    `json:"index-mark"`
	SectorOrder []int   `json:"sector-order"`
	RateError   float64 `json:"rate-error-percent"` // of the bit rate that the target sees; 0 where the speed was not measured
	TimeS       float64 `json:"time-s"`             // to format, write and verify the disk
}

// Combination is one drive, controller and kind of disk, judged for one recording.
type Combination struct {
	Drive      string   `json:"drive"`
	Controller string   `json:"controller"`
	Medium     string   `json:"medium"`
	Possible   bool     `json:"possible"`
	RateKbit   float64  `json:"rate-kbit-s"` // data rate of the recording in this drive
	Steps      int      `json:"steps-per-cylinder"`
	Mark       string   `json:"mark-replaced"` // "FA by F8"; "" where every mark is written as meant
	Margin     float64  `json:"margin-percent"`
	DoFirst    []string `json:"do-first"`
	Against    []string `json:"against"` // which of the reasons make it impossible
	Reasons    []string `json:"reasons"` // those against first
	Settings   Settings `json:"settings"`

	Profile  Profile `json:"-"` // the target's head over the track, after what is to be done first
	Before   Profile `json:"-"` // the same without it
	budget   Budget  // of the innermost track, after what is to be done first
	unerased Budget  // the same without erasing, where an old track is heard beside the new one
	signal   Signal  // what the write current leaves in the coating
	weak     bool    // not possible because too little can be read back, whatever the rest says
	unsure   int
	worn     bool

	recording string
	turn      float64 // rpm: as measured, or nominal
	rate      float64 // error of the bit rate at the target, as a fraction
	leastGap3 int     // that the controller needs
}

// Advice is the answer to: which of my pieces writes a disk that the target reads?
type Advice struct {
	Recording    string         `json:"recording"`
	Cylinders    int            `json:"cylinders"`
	Sides        int            `json:"sides"`
	Target       string         `json:"target"` // machine, drive and controller that must read it
	Combinations []*Combination `json:"combinations"`
}

// Target is what must read the disk in the end.
type Target struct {
	Name       string
	Drive      *machine.Drive
	Controller *machine.Controller
	Mark       byte // mark that its directory wants; FB where none is special
}

// TargetOf finds what reads a recording: the named machine, or the first class that uses the recording, or (ok false)
// no machine: then a drive of the recording's own kind is assumed.
func TargetOf(set *machine.Set, rec *disk.Recording, name string) (*Target, error) {
	var m *machine.Machine
	if name != "" {
		var err error
		if m, err = set.Machine(name); err != nil {
			return nil, err
		}
	} else {
		for _, c := range set.Machines() {
			if c.Disk != nil && slices.Contains(c.Disk.Recordings, rec.Name) && c.Disk.Drive != "" {
				m = c
				break
			}
		}
	}
	t := &Target{Mark: disk.MarkData}
	if m != nil && m.Disk != nil && m.Disk.Drive != "" {
		t.Name, t.Mark = m.Name, m.DirectoryMark()
		if !slices.Contains(m.Disk.Recordings, rec.Name) {
			t.Mark = disk.MarkData
		}
		var err error
		if t.Drive, err = set.Drive(m.Disk.Drive); err != nil {
			return nil, err
		}
		if m.Disk.Controller != "" {
			if t.Controller, err = set.Controller(m.Disk.Controller); err != nil {
				return nil, err
			}
		}
		if t.Drive.SizeInches == rec.SizeInches && t.Drive.TPI == rec.TPI && rec.Cylinders <= t.Drive.Cylinders {
			return t, nil
		}
		t.Name += " with a drive for " + rec.Reference()
	}
	for _, d := range set.Drives() { // a drive of the recording's own kind
		if d.SizeInches == rec.SizeInches && d.TPI == rec.TPI && rec.Cylinders <= d.Cylinders && rec.Sides <= d.Sides &&
			slices.ContainsFunc(d.RPM, func(r float64) bool { return near(r, rec.RPM, 0.02) }) {
			t.Drive = d
			break
		}
	}
	if t.Drive == nil {
		return nil, fmt.Errorf("recording %s: no drive profile of %g inch and %d tpi reaches %d cylinders on %d sides", rec.Reference(), rec.SizeInches, rec.TPI, rec.Cylinders, rec.Sides)
	}
	if t.Name == "" {
		t.Name = "a " + t.Drive.Title
	}
	return t, nil
}

func near(a, b, part float64) bool { return math.Abs(a-b) <= part*b }

// Advise judges every combination of the kit, best first. media is the drive-and-disk preset whose jitter and peak
// shift the margins are of.
func Advise(rec *disk.Recording, target *Target, kit *Kit, media machine.DiskMedium) *Advice {
	a := &Advice{Recording: rec.Name, Cylinders: rec.Cylinders, Sides: rec.Sides, Target: target.Name, Combinations: []*Combination{}}
	for _, d := range kit.Drives {
		for _, c := range kit.Controllers {
			if d.Controller != "" && d.Controller != c.Name {
				continue // this drive hangs on another
			}
			for _, m := range kit.Disks {
				if !kit.Own && (d.SizeInches != rec.SizeInches || m.SizeInches != rec.SizeInches) {
					continue // of all kinds there are, those of another size are no news
				}
				a.Combinations = append(a.Combinations, Judge(rec, target, d, c, m, media))
			}
		}
	}
	slices.SortStableFunc(a.Combinations, func(x, y *Combination) int {
		return cmp.Or(-boolean(x.Possible)+boolean(y.Possible), boolean(x.worn)-boolean(y.worn), len(x.Against)-len(y.Against), cmp.Compare(len(x.Mark), len(y.Mark)), x.unsure-y.unsure,
			cmp.Compare(len(x.DoFirst), len(y.DoFirst)), cmp.Compare(y.Margin, x.Margin), cmp.Compare(x.Before.OldMM, y.Before.OldMM),
			cmp.Compare(x.Drive, y.Drive), cmp.Compare(x.Controller, y.Controller), cmp.Compare(x.Medium, y.Medium))
	})
	return a
}

func boolean(b bool) int {
	if b {
		return 1
	}
	return 0
}

// reason is a line of the judgement.
type reason struct {
	text, where string // where: the tracks that it is about, of a recording of mixed formats
	against     bool
	ifPossible  bool // of interest only where nothing is against
}

// judge collects reasons.
type judge struct {
	c     *Combination
	list  *[]reason
	where string
}

func (j judge) say(format string, a ...any) {
	*j.list = append(*j.list, reason{text: fmt.Sprintf(format, a...), where: j.where})
}

// left says what is left; of what cannot work nothing is.
func (j judge) left(format string, a ...any) {
	j.say(format, a...)
	(*j.list)[len(*j.list)-1].ifPossible = true
}
func (j judge) no(format string, a ...any) {
	j.c.Possible = false
	j.say(format, a...)
	(*j.list)[len(*j.list)-1].against = true
}

// weak is no for want of signal.
func (j judge) weak(format string, a ...any) {
	j.c.weak = true
	j.no(format, a...)
}
func (j judge) first(what string) {
	if !slices.Contains(j.c.DoFirst, what) {
		j.c.DoFirst = append(j.c.DoFirst, what)
	}
}

// conclude puts the reasons in order: those against first, each once. One that is not true of all places says of which.
func (j judge) conclude(places []string) {
	var texts []string
	where := map[string][]string{}
	for _, against := range []bool{true, false} {
		for _, r := range *j.list {
			if r.against != against || r.ifPossible && !j.c.Possible {
				continue
			}
			if !slices.Contains(texts, r.text) {
				texts = append(texts, r.text)
			}
			if !slices.Contains(where[r.text], r.where) {
				where[r.text] = append(where[r.text], r.where)
			}
		}
		for _, t := range texts[len(j.c.Reasons):] {
			if w := where[t]; !slices.Contains(w, "") && len(w) < len(places) {
				t = strings.Join(w, " and ") + ": " + t
			}
			j.c.Reasons = append(j.c.Reasons, t)
		}
		if against {
			j.c.Against = append(j.c.Against, j.c.Reasons...)
		}
	}
}

// Judge says whether a drive on a controller can put the recording on a disk so that the target reads it, and how.
func Judge(rec *disk.Recording, target *Target, d *machine.Drive, k *machine.Controller, m *machine.Disk, media machine.DiskMedium) *Combination {
	c := &Combination{Drive: d.Name, Controller: k.Name, Medium: m.Name, Possible: true, Steps: 1, DoFirst: []string{}, Against: []string{}, Reasons: []string{}, recording: rec.Reference(), leastGap3: k.LeastGap3}
	j := judge{c: c, list: new([]reason)}
	j.speed(rec, d, k, media)
	j.steps(rec, d, m)
	j.coating(rec, d, m)
	where := places(rec)
	for i, f := range formats(rec) {
		here := j
		here.where = where[i]
		here.encoding(rec, f, k, target)
		here.layout(rec, f, d, k, target)
	}
	j.marks(rec, k, target)
	j.settings(rec, d, k)
	j.width(rec, d, m, target, media)
	j.conclude(where)
	if !c.Possible {
		c.Margin = 0
	}
	return c
}

// formats are the different track formats of a recording: the usual one, then those of its zones.
func formats(rec *disk.Recording) []disk.TrackFormat {
	out := []disk.TrackFormat{rec.Track}
	for _, z := range rec.Zones {
		out = append(out, z.Track)
	}
	return out
}

// places says of which tracks each of the formats is.
func places(rec *disk.Recording) []string {
	if len(rec.Zones) == 0 {
		return []string{"all tracks"}
	}
	out := []string{""}
	for _, z := range rec.Zones {
		p := fmt.Sprintf("cylinder %d", z.Cylinders[0])
		if z.Cylinders[1] > z.Cylinders[0] {
			p = fmt.Sprintf("cylinders %d to %d", z.Cylinders[0], z.Cylinders[1])
		}
		if len(z.Heads) == 1 {
			p += fmt.Sprintf(" side %d", z.Heads[0])
		}
		out = append(out, p)
	}
	out[0] = "all but " + strings.Join(out[1:], " and ")
	return out
}

// steps judges size, pitch, reach and sides.
func (j judge) steps(rec *disk.Recording, d *machine.Drive, m *machine.Disk) {
	if d.SizeInches != rec.SizeInches {
		j.no("the recording is for %g-inch disks, the drive takes %g-inch ones", rec.SizeInches, d.SizeInches)
	}
	if m.SizeInches != d.SizeInches {
		j.no("a %g-inch disk does not go into a %g-inch drive", m.SizeInches, d.SizeInches)
	}
	switch {
	case d.TPI%rec.TPI == 0:
		j.c.Steps = d.TPI / rec.TPI
		if j.c.Steps > 1 {
			j.say("%d tpi / %d tpi = %d steps a cylinder; the identifiers carry the recording's own numbers (common practice)", d.TPI, rec.TPI, j.c.Steps)
		}
	default:
		j.no("tracks %d to the inch cannot be reached by a drive that steps %d to the inch", rec.TPI, d.TPI)
	}
	if last := (rec.Cylinders - 1) * j.c.Steps; last >= d.Cylinders {
		j.no("cylinder %d is step %d, the drive goes to %d", rec.Cylinders-1, last, d.Cylinders-1)
	}
	if rec.Sides > d.Sides {
		j.no("the recording has %d sides, the drive one head", rec.Sides)
	}
	rate := mfmRate(rec.Track, rec.Track.RateKbit)
	if m.RatedKbit < 0.95*rate {
		j.no("the disk is rated for %s kbit/s, the recording needs %s", num(m.RatedKbit), num(rate))
	}
	if m.RatedTPI < rec.TPI {
		j.say("the disk is rated for %d tpi, the recording has %d: usually it holds, but it was not tested for that (common practice)", m.RatedTPI, rec.TPI)
	}
}

func ints(l []int) string {
	var w []string
	for _, v := range l {
		w = append(w, fmt.Sprint(v))
	}
	return strings.Join(w, ", ")
}

// encoding judges what the two controllers can do with a track format.
func (j judge) encoding(rec *disk.Recording, f disk.TrackFormat, k *machine.Controller, t *Target) {
	for i, c := range []*machine.Controller{k, t.Controller} {
		if c == nil {
			continue
		}
		who := []string{"the controller", "the target's controller"}[i]
		sizes := c.SizesMFM
		if f.Encoding == disk.FM {
			sizes = c.SizesFM
			switch c.FM {
			case "no":
				j.no("%s does no FM, and %s has FM tracks", who, rec.Name)
				continue
			case "unsure":
				if i == 0 {
					j.say("the chip can do FM, boards differ: try it on a scratch disk (remanence bench check)")
					j.first("check the controller for FM")
					j.c.unsure++
				}
			}
		} else if !c.MFM {
			j.no("%s does FM alone, and %s has MFM tracks", who, rec.Name)
			continue
		}
		if len(sizes) > 0 && !slices.Contains(sizes, f.Size) {
			j.no("%s has no %s sectors of %d bytes; it has %s", who, f.Encoding, f.Size, ints(sizes))
		}
	}
}

// layout judges what must fit round the track and what lies too near the index.
func (j judge) layout(rec *disk.Recording, f disk.TrackFormat, d *machine.Drive, k *machine.Controller, t *Target) {
	g := f
	if k.IndexMark == "always" {
		g.IndexMark, g.Gap0, g.Gap1 = true, 40, 26
		if f.Encoding == disk.MFM {
			g.Gap0, g.Gap1 = 80, 50
		}
		if g.PreambleBytes() != f.PreambleBytes() {
			j.say("formatting writes %d bytes with an index mark before the first sector, where the layout has %d", g.PreambleBytes(), f.PreambleBytes())
		}
	}
	need := func(f disk.TrackFormat) int { return f.UsedBytes() - f.Gap3 }
	holds := rec.TrackBytes(f) * j.c.Settings.RPM / j.c.turn
	if least := k.LeastGap3; g.Gap3 < least {
		wide := g
		wide.Gap3 = least
		sum := fmt.Sprintf("gap 3 is %d bytes, the controller needs %d: %d + %d x (%d - %d) = %d bytes from the index to the last sector's end, a revolution holds %.0f", g.Gap3, least, need(g), g.Sectors-1, least, g.Gap3, need(wide), math.Floor(holds))
		if float64(need(wide)) <= holds {
			j.say("%s: format with gap 3 of %d", sum, least)
		} else {
			j.no("%s", sum)
		}
		g = wide
	}
	fast := holds
	if d.MeasuredRPM == 0 {
		fast /= 1 + d.SpeedPct/100
	}
	switch used := need(g); {
	case float64(used) > holds && d.MeasuredRPM != 0:
		j.no("%d bytes are needed from the index to the last sector's end, a revolution at %s rpm holds %.0f; they fit at %.1f rpm or less", used, num(d.MeasuredRPM), math.Floor(holds), math.Floor(10*d.MeasuredRPM*holds/float64(used))/10)
	case float64(used) > holds:
		j.no("%d bytes are needed from the index to the last sector's end, a revolution holds %.0f", used, math.Floor(holds))
	case float64(used) > fast:
		j.say("%d bytes are needed, a revolution holds %.0f, and %.0f in a drive %.1f %% fast: measure the speed before formatting", used, math.Floor(holds), math.Floor(fast), 100*(holds/fast-1))
		j.c.unsure++
	}
	for i, c := range []*machine.Controller{k, t.Controller} {
		if c == nil || c.BlindUS == 0 {
			continue
		}
		who := []string{"the controller", "the target's controller"}[i]
		byteUS := 8000 / f.RateKbit * rec.RPM / j.c.Settings.RPM
		if i == 1 {
			byteUS = 8000 / f.RateKbit / (1 + j.c.rate)
		}
		n := g.PreambleBytes() + g.Sync
		if at := float64(n) * byteUS; at < c.BlindUS {
			j.no("%s sees nothing for %.0f us after the index; the first identifier comes after %d bytes x %.4g us = %.0f us", who, c.BlindUS, n, byteUS, at)
		}
	}
	field := g.MarkBytes() + g.Size + 2
	if grow := float64(field) * 2 * d.SpeedPct / 100; grow > float64(g.Gap3) {
		j.say("a sector rewritten at another speed grows by up to %d bytes x 2 x %g %% = %.1f bytes, gap 3 has %d: write each track in one go", field, d.SpeedPct, grow, g.Gap3)
	}
}

// marks judges the directory's mark.
func (j judge) marks(rec *disk.Recording, k *machine.Controller, t *Target) {
	want := int(t.Mark)
	if want == disk.MarkData {
		return
	}
	if !slices.Contains(k.Writes, want) {
		j.c.Mark = fmt.Sprintf("%02X by F8", want)
		j.say("the directory wants mark %02X; a %s-class controller writes FB and F8 only, so F8 stands for it: later disk systems take it, the oldest do not", want, k.Class)
		if t.Controller != nil && !slices.Contains(t.Controller.Tells, disk.MarkDeleted) {
			j.no("the target's controller does not tell F8 from FB")
		}
		return
	}
	if k.TrackMarks && want != disk.MarkDeleted {
		j.say("mark %02X is written by whole tracks in FM (write track), not by single sectors", want)
	}
	if !slices.Contains(k.Tells, want) {
		j.say("the controller writes mark %02X but reads it back as if it were FB: its verify proves the data, not the mark", want)
	}
}

// spared is how much of the margin bulk-erasing must save before it is asked for, as a fraction of the half window.
const spared = 0.05

// width judges the head of the target over the track that is written, and gives the margin.
func (j judge) width(rec *disk.Recording, d *machine.Drive, m *machine.Disk, t *Target, media machine.DiskMedium) {
	off := d.OffTrackMM + t.Drive.OffTrackMM
	old := 0.0
	switch m.Condition {
	case "used-wide":
		old = 0.30
	case "used-narrow":
		old = 0.16
	case "worn":
		j.first("clean the heads, and use another disk if there is one")
		j.say("a worn disk: expect a handful of bad spots, which the margin does not count, and use another disk for what is to be kept")
		j.c.worn = true
	}
	before := Across(d.TrackMM, d.EraseMM, old, t.Drive.HeadMM, 0)
	j.c.Before = before
	worst := func(old float64) Budget {
		p := Across(d.TrackMM, d.EraseMM, old, t.Drive.HeadMM, off)
		return BudgetOf(rec, p, media, j.c.Settings.PrecompNS, j.c.signal, j.c.rate)
	}
	b := worst(old)
	if old > 0 {
		old = j.over(before, b, worst(0), d, t)
		b = worst(old)
	}
	p := Across(d.TrackMM, d.EraseMM, old, t.Drive.HeadMM, 0)
	j.c.Profile, j.c.budget = p, b
	if p.Wanted < 0.9 {
		j.say("the target's head is %.2f mm wide, the track %.3f: it hears %.3f / %.2f = %.0f %% of a full track, %.1f dB, on a disk that holds nothing else", t.Drive.HeadMM, d.TrackMM, d.TrackMM, t.Drive.HeadMM, 100*p.Wanted, 20*math.Log10(p.Wanted))
	}
	line := fmt.Sprintf("innermost track at %.1f mm, heads %.3f mm out of line, so that %.3f of a full track is heard: %s", Radius(rec, rec.Cylinders-1, rec.Sides-1), off, b.wanted, b)
	j.c.Margin = round(100*b.Margin(), 1)
	if b.Margin() <= 0.05 {
		j.weak("%s: too little to be read reliably", line)
		return
	}
	j.left("%s", line)
}

// over judges a disk that was recorded before, and gives the width of the old track that is left to be written over: 0
// where the disk is to be bulk-erased first. Over tracks of the same width that is not asked for (common practice): the
// drive's own erasing takes the old one. with and erased are the budgets of the one way and the other.
func (j judge) over(before Profile, with, erased Budget, d *machine.Drive, t *Target) float64 {
	old := before.OldMM
	if before.ResidueMM > 0 {
		j.say("a track of %.3f mm over an old one of %.3f mm leaves (%.3f - %.3f)/2 = %.4f mm of it on each side; the target's head of %.2f mm hears new to old as %.3f to %.3f, %.1f dB", d.TrackMM, old, old, before.EraseMM, before.ResidueMM, t.Drive.HeadMM, before.Wanted*t.Drive.HeadMM, before.Residue*t.Drive.HeadMM, before.DB())
	}
	if from, to := before.between(); to > from {
		j.say("old tracks of 96 tpi lie between those of 48 tpi too, 25.4 mm / 96 = %.3f mm beside them: of each, what lies %.3f to %.3f mm from the new track's middle stays", 25.4/96, from, to)
	}
	if with.Margin() > erased.Margin()-spared {
		if before.ResidueMM == 0 {
			j.say("the old track of %.3f mm is covered while it lies no more than (%.3f - %.3f)/2 = %.3f mm out of line: formatting is enough (common practice)", old, before.EraseMM, old, (before.EraseMM-old)/2)
		}
		j.left("without bulk-erasing the margin is %.0f %%, with it %.0f %%", 100*with.Margin(), 100*erased.Margin())
		return old
	}
	j.left("without erasing: %s", with)
	j.c.unerased = with
	j.first("bulk-erase the disk")
	if t.Drive.HeadMM > 1.5*d.HeadMM {
		j.say("reading it back in this drive proves nothing about that: verify in a drive of the target's width, and do not rewrite the disk in a %d-track drive afterwards", t.Drive.Cylinders-t.Drive.Cylinders%10)
	}
	return 0
}

// settings fills in what to set.
func (j judge) settings(rec *disk.Recording, d *machine.Drive, k *machine.Controller) {
	f, s := rec.Track, &j.c.Settings
	f.Gap3 = max(f.Gap3, k.LeastGap3)
	s.Gap3, s.SectorOrder = f.Gap3, f.SectorOrder()
	s.IndexMark = f.IndexMark || k.IndexMark == "always"
	if f.Encoding == disk.MFM {
		s.PrecompNS = k.PrecompNS
	}
	s.GapRW = gapRW(f, rec.SizeInches, s.SelectKbit)
	s.TimeS = round(JobTime(rec, d, s.RPM).Seconds(), 1)
}
