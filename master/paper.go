package master

import (
	"cmp"
	"fmt"

	"remanence/internal/outcome"
	"remanence/internal/safefile"
	"remanence/internal/words"
	"remanence/label"
	"remanence/picture"
)

// paper writes labels and report.
func (mk *maker) paper(r *Result) error {
	if mk.o.NoPaper || len(r.Media) == 0 {
		return nil
	}
	if err := mk.labels(r); err != nil {
		return err
	}
	return mk.report(r)
}

// labels puts disk labels, cassette inserts and labels, and index sheets in one PDF.
func (mk *maker) labels(r *Result) error {
	media := LabelMedia(r)
	var disks, tapes bool
	for _, m := range media {
		disks = disks || m.Type == "disk"
		tapes = tapes || m.Type == "tape"
	}
	var names []string
	if disks {
		names = append(names, mk.diskSheet())
	}
	if tapes {
		names = append(names, "insert-", "cassette-")
	}
	names = append(names, "index-")
	var pages []*picture.Canvas
	for _, n := range names {
		sheet, err := mk.set.Sheet(n + cmp.Or(mk.o.Paper, "a4"))
		if err != nil {
			return err
		}
		p, notes, err := label.Pages(sheet, media, label.Options{})
		if err != nil {
			return err
		}
		pages = append(pages, p...)
		for _, note := range notes { // that a tape has no disk label goes without saying here
			if disks != tapes || sheet.Kind == label.Index {
				r.Notes = append(r.Notes, "labels: "+note)
			}
		}
	}
	f, err := safefile.Create(mk.path(labelsName), mk.o.Force)
	if err != nil {
		return err
	}
	defer f.Close()
	title := cmp.Or(r.Title, "labels")
	if err := picture.PDF(f, pages, picture.PDFMeta{Title: title, Creator: "remanence " + mk.o.Version}); err != nil {
		return outcome.As(outcome.Output, err)
	}
	if err := f.Commit(); err != nil {
		return err
	}
	r.Labels = labelsName
	return mk.wrote(labelsName, "labels and index sheets")
}

// diskSheet is the label sheet for the size of the disks.
func (mk *maker) diskSheet() string {
	if r := mk.a.Recording; r != nil && r.SizeInches < 4.5 {
		return "disk-90mm-"
	}
	return "disk-5in-"
}

// LabelMedia is what the label room needs to know of the media: one for each disk, one for each cassette.
func LabelMedia(r *Result) []label.Medium {
	var out []label.Medium
	class := r.Arranged.Machine
	for _, m := range r.Media {
		lm := label.Medium{Number: m.ID, Type: string(m.Type), Title: cmp.Or(r.Title, m.Title), Machine: class.Name, Recording: m.Recording}
		side := label.Side{}
		if m.Disk != nil {
			lm.Recording = m.Disk.Name
			lm.Title = cmp.Or(m.Title, r.Title)
			lm.Place = diskPlace(m)
			lm.Start = class.Disk.Start
		} else {
			lm.Place = fmt.Sprintf("C-%d", r.Arranged.Cassette)
			lm.Start = class.Tape.Start
			side.Name = m.ID[len(m.ID)-1:]
			lm.Number = m.ID[:len(m.ID)-1]
		}
		side.Proof = label.NotProven
		if m.Verified {
			side.Proof = "proven with a simulated " + simulated(m)
		}
		for i := range m.Files {
			f := &m.Files[i]
			it := label.Item{Name: f.Name, Path: f.Path, Size: bytesText(f.Size), Damaged: f.Damaged}
			if m.Disk == nil {
				it.Where = clock(f.AtS)
			} else {
				it.Where = unitRuns(m, f.Name)
			}
			if len(f.Notes) > 0 {
				it.Note = f.Notes[0]
			}
			side.Items = append(side.Items, it)
		}
		if n := len(out); m.Disk == nil && n > 0 && out[n-1].Number == lm.Number {
			out[n-1].Sides = append(out[n-1].Sides, side)
			continue
		}
		lm.Sides = []label.Side{side}
		out = append(out, lm)
	}
	return out
}

// simulated names what a medium was tried with.
func simulated(m *Medium) string {
	if m.Disk != nil {
		return "drive and disk"
	}
	return "deck and cassette"
}

func diskPlace(m *Medium) string {
	return fmt.Sprintf("%d cylinders, %s", m.Disk.Cylinders, words.Count(m.Disk.Sides, "side"))
}

// clock is minutes and seconds, as 2:05.
func clock(s float64) string { return fmt.Sprintf("%d:%02d", int(s)/60, int(s)%60) }

// bytesText is a size with its unit, rounded to what matters.
func bytesText(n int64) string {
	if n < 10_000 {
		return fmt.Sprintf("%d B", n)
	}
	return fmt.Sprintf("%.1f KiB", float64(n)/1024)
}
