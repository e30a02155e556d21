package master

import (
	"bytes"
	"fmt"
	"slices"
	"strings"

	"remanence/disk"
	"remanence/internal/safefile"
	"remanence/master/report"
	"remanence/picture"
	"remanence/program"
)

// report writes the HTML report.
func (mk *maker) report(r *Result) error {
	var b bytes.Buffer
	if err := report.Write(&b, mk.reportInput(r)); err != nil {
		return err
	}
	r.Report = reportName
	if err := safefile.WriteFile(mk.path(reportName), b.Bytes(), mk.o.Force); err != nil {
		return err
	}
	return mk.wrote(reportName, "report")
}

// reportInput fills in what the report tells.
func (mk *maker) reportInput(r *Result) *report.Input {
	in := &report.Input{Title: r.Title, Machine: r.Machine, About: mk.a.Machine.Title, Version: mk.o.Version, Command: mk.o.Command, LowBound: r.LowerBound}
	mem := mk.a.Machine.Memory
	for _, q := range []picture.Range{
		{From: 0, To: mem.ROMEnd, Name: "ROM", Kind: picture.Reserved},
		{From: mem.ROMEnd, To: mem.RAMStart, Name: "not RAM", Kind: picture.Reserved},
		{From: mem.SystemFirst, To: mem.SystemEnd, Name: "disk system", Kind: picture.Reserved},
	} {
		if q.To > q.From {
			in.Memory = append(in.Memory, q)
		}
	}
	on := mediaOf(r)
	for i := range mk.a.Files {
		f := &mk.a.Files[i]
		rf := report.File{Path: f.Path, Size: f.Size, SHA256: f.Report.SHA256, Kind: string(f.Report.Kind), Name: f.Report.Name, Whole: !f.Report.Damaged(),
			Loads: f.Report.LoadRanges, Entry: -1, RAMKiB: f.Report.RAMKiB, Notes: f.Report.Notes, Same: f.Report.DuplicateOf, On: on[f.Path]}
		if f.Report.Entry != nil {
			rf.Entry = *f.Report.Entry
		}
		if f.Report.Kind == program.Unknown { // nothing of it can be wrong
			rf.Notes = append([]string{"of no known kind: kept as data"}, rf.Notes...)
			in.Files = append(in.Files, rf)
			continue
		}
		for _, x := range f.Report.Faults {
			rf.Faults = append(rf.Faults, report.Fault{Place: fmt.Sprintf("byte %d", x.Offset), What: x.What})
		}
		in.Files = append(in.Files, rf)
	}
	for _, m := range r.Media {
		in.Media = append(in.Media, mk.reportMedium(r, m))
	}
	for _, l := range r.LeftOut {
		in.LeftOut = append(in.LeftOut, report.LeftOut{Path: l.Path, Why: l.Why})
	}
	for _, o := range mk.outputs(r) {
		in.Outputs = append(in.Outputs, report.Output{Path: o.Path, What: o.What, Size: o.Size, SHA256: o.SHA256})
	}
	return in
}

func (mk *maker) reportMedium(r *Result, m *Medium) report.Medium {
	rm := report.Medium{ID: m.ID, Type: string(m.Type), Title: m.Title, Recording: m.Reference(), Image: m.Image, Audio: m.Audio, Captures: m.Captures,
		Labels: r.Labels, Verified: m.Verified}
	for i := range m.Files {
		f := &m.Files[i]
		it := report.Item{Name: f.Name, Path: f.Path, Bytes: f.Size, Size: float64(f.Size) / 1024, Damaged: f.Damaged, Proven: !m.Lost(f), SHA256: f.SHA256}
		if m.Disk == nil {
			it.Size, it.Where = f.LengthS, clock(f.AtS)
		} else {
			it.Where = unitRuns(m, f.Name)
			if u := mk.a.Plan.Room; u.UnitBytes > 0 && m.Medium.Image == "" {
				n, _ := u.Need(int(f.Size))
				it.Size = float64(n*u.UnitBytes) / 1024
			}
		}
		rm.Items = append(rm.Items, it)
	}
	for _, x := range m.Faults {
		rm.Faults = append(rm.Faults, report.Fault{Place: x.Where, What: x.What, Consequence: x.Consequence, Do: x.Do})
	}
	p := m.Proof
	step := func(what, format string, a ...any) {
		rm.Proof = append(rm.Proof, report.Step{What: what, Value: fmt.Sprintf(format, a...)})
	}
	step("proven with", "a simulated %s (%s)", simulated(m), mk.o.Medium.Title)
	if m.Disk != nil {
		rm.Place, rm.Unit = diskPlace(m), "KiB"
		rm.Free = float64(m.FreeBytes) / 1024
		rm.Capacity = rm.Free
		for _, it := range rm.Items {
			rm.Capacity += it.Size
		}
		step("sectors good", "%d of %d", p.SectorsGood, p.SectorsExpected)
		step("least margin", "%.0f %% of the half window", 100*p.LeastMargin)
		step("speed of the drive", "%+.2f %%", -p.SpeedPercent)
		step("files back byte for byte", "%d of %d", p.FilesGood, p.FilesExpected)
		rm.Ribbon = diskRibbon(m)
		if len(m.Units) > 0 {
			rm.Pictures = append(rm.Pictures, report.Figure{Caption: "Where the files lie: the " + m.Volume.Unit + "s of the volume, in disk order.", Picture: unitMap(m)})
		}
		return rm
	}
	rm.Place, rm.Unit = fmt.Sprintf("C-%d, side %s", r.Arranged.Cassette, m.ID[len(m.ID)-1:]), "s"
	rm.Capacity, rm.Free = m.SideS, max(0, m.SideS-m.LengthS)
	step("speed of the deck", "%+.2f %%", p.SpeedPercent)
	step("level", "%.1f dB under full scale", -p.LevelDBFS)
	step("programs back byte for byte", "%d of %d", p.FilesGood, p.FilesExpected)
	rm.Ribbon = sideRibbon(m)
	return rm
}

// unitRuns names the units of a file on a disk, as runs: granule 4-9, 12.
func unitRuns(m *Medium, name string) string {
	var runs []string
	first, last := -2, -2
	flush := func() {
		switch {
		case first < 0:
		case first == last:
			runs = append(runs, fmt.Sprint(first))
		default:
			runs = append(runs, fmt.Sprintf("%d-%d", first, last))
		}
	}
	for _, u := range m.Units {
		if u.File != name {
			continue
		}
		if u.Number == last+1 {
			last = u.Number
			continue
		}
		flush()
		first, last = u.Number, u.Number
	}
	flush()
	if len(runs) == 0 {
		return ""
	}
	return m.Volume.Unit + " " + strings.Join(runs, ", ")
}

// unitMap draws the volume's units in disk order.
func unitMap(m *Medium) *picture.Canvas {
	v := picture.VolumeMap{Title: "the volume of " + m.ID, Unit: m.Volume.Unit}
	at := map[string]int{}
	for _, u := range m.Units {
		use := picture.UnitUse{File: -1, State: picture.UnitState(u.State)} // both rooms list the states in the same order
		if u.File != "" {
			if _, ok := at[u.File]; !ok {
				at[u.File] = len(v.Files)
				v.Files = append(v.Files, u.File)
			}
			use.File = at[u.File]
		}
		v.Units = append(v.Units, use)
	}
	return v.Draw()
}

// diskRibbon draws the disk as it was read back: a ribbon a track, angle from the index.
func diskRibbon(m *Medium) *picture.Canvas {
	s := picture.Stack{Title: m.ID + " as read back", Desc: "one ribbon a track, angle from the index to the right",
		Axis: picture.Axis{From: 0, To: 360, Unit: "°", Label: "angle after the index"}, Height: 7, Gap: 2, Legend: true}
	for _, t := range m.Tracks {
		rb := picture.Ribbon{Name: fmt.Sprintf("%d.%d", t.Cylinder, t.Head)}
		if m.Disk.Sides == 1 {
			rb.Name = fmt.Sprint(t.Cylinder)
		}
		lost := 0
		sectors := slices.Clone(t.Sectors)
		slices.SortStableFunc(sectors, func(a, b disk.Sector) int {
			switch {
			case a.Angle < b.Angle:
				return -1
			case a.Angle > b.Angle:
				return 1
			}
			return 0
		})
		for i := range sectors {
			x := &sectors[i]
			if x.Angle < 0 {
				continue
			}
			st := map[disk.Status]picture.State{disk.Good: picture.Good, disk.Repaired: picture.Repaired, disk.Doubtful: picture.Doubtful, disk.Bad: picture.Lost}[x.Status]
			if st != picture.Good {
				lost++
			}
			extent := x.Extent
			if extent <= 0 {
				extent = 0.8 / float64(max(len(sectors), 1))
			}
			rb.Stretches = append(rb.Stretches, picture.Stretch{From: 360 * x.Angle, To: min(360, 360*(x.Angle+extent)), Margin: x.Margin, State: st,
				Title: fmt.Sprintf("cylinder %d head %d sector %d", t.Cylinder, t.Head, x.ID.Sector)})
		}
		if lost > 0 {
			rb.Note = fmt.Sprintf("%d bad", lost)
		}
		s.Ribbons = append(s.Ribbons, rb)
	}
	return s.Draw()
}

// sideRibbon draws a tape side as it was heard: time to the right, two minutes a line.
func sideRibbon(m *Medium) *picture.Canvas {
	const line = 120.0
	all := picture.Ribbon{}
	for i, e := range m.SideRun.Side.Entries {
		st := picture.Good
		if m.Lost(&m.Files[i/m.SideRun.Copies]) {
			st = picture.Lost
		}
		all.Stretches = append(all.Stretches, picture.Stretch{From: e.FromS, To: e.ToS, Margin: -1, State: st, Label: e.Name, Title: fmt.Sprintf("%s, %d bytes", e.Name, e.Bytes)})
	}
	s := picture.Stack{Title: m.ID + " as heard", Desc: "time from the start of the side to the right, two minutes a line",
		Axis: picture.Axis{From: 0, To: line, Unit: "s", Label: "time"}, Legend: true}
	s.Ribbons = all.Wrap(0, m.SideRun.Side.Seconds, line, clock)
	return s.Draw()
}
