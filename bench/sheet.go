package bench

import (
	"fmt"
	"strings"

	"remanence/disk"
	"remanence/picture"
)

// SheetJob is what a run sheet is about.
type SheetJob struct {
	Medium    string // number on the label
	Command   string // what writes the disk
	Title     string
	Image     string
	SHA256    string
	Recording *disk.Recording
	Target    string
	Start     string // what to do with the disk at the machine
	With      *Combination
}

// RunSheet is a printable checklist for one disk: cautions where the hazard is, what to do first, settings, the time it
// takes, what success looks like, and the log entry to complete. One A4 page, in one colour.
func RunSheet(j SheetJob) *picture.Canvas {
	c := picture.New(210, 297, picture.MM)
	c.Background = picture.White
	c.Title = "Run sheet " + j.Medium
	const left, right = 18.0, 192.0
	y := 24.0
	text := func(x float64, s string, size float64, f picture.Face) {
		c.Text(x, y, s, picture.TextStyle{Size: size, Face: f, Colour: picture.Black})
	}
	wrapped := func(x float64, s string, size float64) {
		for _, l := range wrapWords(s, right-x, size) {
			text(x, l, size, picture.Sans)
			y += size * 1.45
		}
	}
	head := func(s string) {
		y += 3
		text(left, s, 4.4, picture.Bold)
		y += 6.2
	}
	box := func(s string) {
		c.Rect(left, y-3, 3.4, 3.4, picture.Style{Stroke: picture.Black, Width: 0.25})
		wrapped(left+7, s, 3.3)
		y += 1
	}
	caution := func(s string) {
		top := y - 3.8
		wrapped(left+7, "Caution: "+s, 3.1)
		c.Line(left+4.5, top, left+4.5, y-3, picture.Style{Stroke: picture.Black, Width: 0.7})
		y += 1.5
	}
	text(left, j.Medium, 11, picture.Bold)
	y += 8
	text(left, j.Title, 5, picture.Sans)
	y += 6.5
	w := j.With
	wrapped(left, fmt.Sprintf("%s for %s; %s on %s, disk: %s", j.Recording.Reference(), j.Target, w.Drive, w.Controller, w.Medium), 3.3)

	head("Before")
	box("The disk carries this number, and nothing on it is wanted any more.")
	box("Look at both sides of the disk through the window: no scratches, no rings, no mould. A disk that sheds dirties the head for all that follow.")
	box("Clean the heads if the last disk left any trace.")
	caution(CautionSolvent)
	for _, f := range w.DoFirst {
		box(strings.ToUpper(f[:1]) + f[1:] + ".")
		if strings.HasPrefix(f, "bulk-erase") {
			caution(CautionErase)
		}
	}
	caution("if the drive hangs on an open computer: " + CautionMains)

	head("Settings")
	s := w.Settings
	rate := fmt.Sprintf("%g kbit/s", s.SelectKbit)
	if s.SelectKbit != w.RateKbit {
		rate += fmt.Sprintf(" (FM runs at %g)", w.RateKbit)
	}
	for _, r := range [][2]string{
		{"data rate", rate}, {"speed", fmt.Sprintf("%g rpm", s.RPM)}, {"steps a cylinder", fmt.Sprint(w.Steps)},
		{"gap 3", fmt.Sprintf("%d bytes when formatting, %d for reading and writing", s.Gap3, s.GapRW)},
		{"precompensation", fmt.Sprintf("%g ns", s.PrecompNS)}, {"sector order", strings.Trim(fmt.Sprint(s.SectorOrder), "[]")},
		{"mark replaced", w.Mark}, {"expected margin", fmt.Sprintf("%.0f %%", w.Margin)}, {"expected time", fmt.Sprintf("about %.0f s", s.TimeS)}} {
		if r[1] == "" {
			continue
		}
		text(left+2, r[0], 3.3, picture.Sans)
		text(left+48, r[1], 3.3, picture.Sans)
		y += 5
	}

	head("Write and prove")
	box(j.Command)
	n := j.Recording.Geometry()
	box(fmt.Sprintf("It ends with: %d of %d tracks verified, %d sectors.", n.Cylinders*n.Heads, n.Cylinders*n.Heads, n.Sectors()))
	if w.Steps > 1 {
		box("The label says: written narrow, do not rewrite in a 40-track drive.")
		box(fmt.Sprintf("Verify it in a drive of the target's width (%d tpi) as well: what the drive that wrote it reads back proves nothing about a wider head.", j.Recording.TPI))
	}
	if j.Start != "" {
		box("At the machine: " + j.Start + ". The directory appears, and a program from it starts.")
	} else {
		box("At the machine the directory appears, and a program from it starts.")
	}

	head("Log entry")
	lines := []string{"date", "drive", "tracks verified", "least margin measured, %", "read at the machine (yes / no)", "what was unusual", "by"}
	pitch := max(5, min(7.5, (281-y)/float64(len(lines)))) // the page ends at the 100 mm line, however much stands above
	for _, l := range lines {
		text(left+2, l, 3.3, picture.Sans)
		c.Line(left+60, y+0.8, right, y+0.8, picture.Style{Stroke: picture.Black, Width: 0.15})
		y += pitch
	}
	if j.SHA256 != "" {
		text(left, "image SHA-256 "+j.SHA256, 2.5, picture.Sans)
	}
	c.Line(left, 285, left+100, 285, picture.Style{Stroke: picture.Black, Width: 0.2})
	c.Text(left+102, 286, "100 mm", picture.TextStyle{Size: 2.5, Colour: picture.Black})
	return c
}

// wrapWords breaks a text at blanks so that no line is wider than width.
func wrapWords(s string, width, size float64) []string {
	var out []string
	line := ""
	for _, w := range strings.Fields(s) {
		next := strings.TrimSpace(line + " " + w)
		if line != "" && picture.TextWidth(next, size, picture.Sans) > width {
			out = append(out, line)
			next = w
		}
		line = next
	}
	return append(out, line)
}
