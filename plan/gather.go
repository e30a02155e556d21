package plan

import (
	"context"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"strings"

	"remanence/disk"
	"remanence/internal/outcome"
	"remanence/internal/progress"
	"remanence/machine"
	"remanence/program"
	"remanence/volume"
)

// GatherOptions say how files are found and looked at.
type GatherOptions struct {
	Set     *machine.Set
	Machine *machine.Machine
	Skip    string            // a folder that is not walked into: the output
	Base    string            // paths below this folder are shown relative to it; "": as given
	Without map[string]string // files that are left out before they are looked at, by path as shown, and why
}

// Gather finds the files of a job and of the command line, and inspects them. Folders are walked, their files sorted
// by path; the job's own order stands. A file that cannot be read is left out, with the reason.
func Gather(ctx context.Context, job *Job, args []string, o GatherOptions, p progress.Progress) (files []File, out []LeftOut, err error) {
	g := &gatherer{o: o, at: map[string]int{}}
	if job != nil {
		g.job = filepath.Clean(job.Path)
		for i := range job.Files {
			jf := &job.Files[i]
			n, err := g.add(job.Resolve(jf.Path), File{Group: jf.Group, To: jf.To, Name: jf.Name})
			if err != nil {
				return nil, nil, job.Fault(fmt.Sprintf("file %d.path", i+1), err)
			}
			if jf.Name != "" && n != 1 {
				return nil, nil, job.Fault(fmt.Sprintf("file %d.name", i+1), fmt.Errorf("%s: one name for %d files", jf.Path, n))
			}
		}
	}
	for _, a := range args {
		if _, err := g.add(a, File{}); err != nil {
			return nil, nil, outcome.As(outcome.Input, err)
		}
	}
	g.files = slices.DeleteFunc(g.files, func(f File) bool {
		why, out := o.Without[f.Path]
		if out {
			g.left = append(g.left, LeftOut{f.Path, why})
		}
		return out
	})
	paths := make([]string, len(g.files))
	for i := range g.files {
		paths[i] = g.files[i].From
	}
	reports, err := program.InspectAll(ctx, paths, program.Options{Targets: []program.Target{o.Machine.Target()}, Recognizers: []program.Recognizer{ImageRecognizer(o.Set)}}, p)
	if ctx.Err() != nil {
		return nil, nil, ctx.Err()
	}
	by := map[string]*program.FileReport{}
	for _, r := range reports {
		by[r.Path] = r
	}
	for _, f := range g.files {
		r := by[f.From]
		if r == nil {
			g.left = append(g.left, LeftOut{f.Path, "cannot be read: " + reason(f.From, err)})
			continue
		}
		r.Path, r.DuplicateOf = f.Path, o.shown(r.DuplicateOf)
		f.Size, f.Report = r.Size, r
		if r.Kind == program.SectorImage && o.Machine.Disk != nil {
			f.Image = imageOf(f.From, r, o)
		}
		files = append(files, f)
	}
	return files, g.left, nil
}

// shown is a path as it is told.
func (o *GatherOptions) shown(path string) string {
	if o.Base == "" || path == "" {
		return path
	}
	if rel, err := filepath.Rel(o.Base, path); err == nil && filepath.IsLocal(rel) {
		return filepath.ToSlash(rel)
	}
	return path
}

// reason finds the message for one path in the errors of InspectAll.
func reason(path string, err error) string {
	var all []error
	if j, ok := err.(interface{ Unwrap() []error }); ok {
		all = j.Unwrap()
	} else if err != nil {
		all = []error{err}
	}
	for _, e := range all {
		var pe *fs.PathError
		if errors.As(e, &pe) && pe.Path == path {
			return pe.Err.Error()
		}
	}
	return "no report"
}

type gatherer struct {
	o     GatherOptions
	files []File
	at    map[string]int // index of a path that is there already
	left  []LeftOut
	job   string // the job file, which is not part of the archive
}

// sidecarEnd marks what belongs to an image beside it.
const sidecarEnd = ".sectors.json"

// add finds one path, or every file below it, and says how many that were.
func (g *gatherer) add(path string, like File) (int, error) {
	info, err := os.Stat(path)
	if err != nil {
		return 0, err
	}
	if !info.IsDir() {
		if !info.Mode().IsRegular() { // reading a pipe or a device may never end
			g.left = append(g.left, LeftOut{path, "not a file"})
			return 1, nil
		}
		g.file(path, like)
		return 1, nil
	}
	var found []string
	err = filepath.WalkDir(path, func(p string, d fs.DirEntry, err error) error {
		if err != nil {
			g.left = append(g.left, LeftOut{p, "cannot be read: " + err.Error()})
			if d != nil && d.IsDir() {
				return fs.SkipDir
			}
			return nil
		}
		name := d.Name()
		if p != path && strings.HasPrefix(name, ".") { // hidden: not meant as part of the archive
			if d.IsDir() {
				return fs.SkipDir
			}
			return nil
		}
		if d.IsDir() {
			if g.o.Skip != "" && sameFile(p, g.o.Skip) {
				return fs.SkipDir
			}
			return nil
		}
		if strings.HasSuffix(name, sidecarEnd) || filepath.Clean(p) == g.job {
			return nil
		}
		if !d.Type().IsRegular() {
			if i, err := os.Stat(p); err != nil || !i.Mode().IsRegular() {
				g.left = append(g.left, LeftOut{p, "not a file"})
				return nil
			}
		}
		found = append(found, p)
		return nil
	})
	slices.Sort(found)
	for _, p := range found {
		g.file(p, like)
	}
	return len(found), err
}

// file adds one path once; a job's entry for it adds to what a folder before it said.
func (g *gatherer) file(path string, like File) {
	clean := filepath.Clean(path)
	like.From, like.Path = clean, g.o.shown(clean)
	if i, ok := g.at[clean]; ok {
		f := &g.files[i]
		if like.Name != "" {
			f.Name = like.Name
		}
		if like.Group != "" {
			f.Group = like.Group
		}
		if len(like.To) > 0 {
			f.To = like.To
		}
		return
	}
	g.at[clean] = len(g.files)
	g.files = append(g.files, like)
}

func sameFile(a, b string) bool {
	x, err := os.Stat(a)
	if err != nil {
		return false
	}
	y, err := os.Stat(b)
	return err == nil && os.SameFile(x, y)
}

// imageOf says how a sector image can be a disk of the machine as it stands; nil where none of the machine's
// recordings has that size.
func imageOf(path string, r *program.FileReport, o GatherOptions) *Image {
	for _, name := range o.Machine.Disk.Recordings {
		usual, err := o.Set.Recording(name)
		if err != nil {
			continue
		}
		for _, c := range machine.Choices(usual.CylinderChoices, usual.Cylinders) {
			for _, s := range machine.Choices(usual.SideChoices, usual.Sides) {
				rec := usual.With(c, s)
				g := rec.Geometry()
				if g.Size() != r.Size {
					continue
				}
				return describeImage(path, rec, r, o)
			}
		}
	}
	return nil
}

// describeImage says what lies on an image. What its sidecar knows to be lost goes into the report.
func describeImage(path string, rec *disk.Recording, r *program.FileReport, o GatherOptions) *Image {
	im := &Image{Recording: rec}
	data, sc, err := disk.ReadRaw(path)
	if err != nil {
		return nil
	}
	v, _, err := volume.Open(data, volume.Options{Kind: o.Machine.Disk.Volume, Recording: rec, Sidecar: sc})
	if err != nil {
		return nil
	}
	for _, p := range v.Image().Noted() {
		if s, _ := v.Image().Sector(p); s.Status == disk.Bad || s.Status == disk.Doubtful {
			off, _ := v.Image().Geometry.Offset(p.Cylinder, p.Head, p.Sector)
			r.Faults = append(r.Faults, program.Fault{Offset: off, Class: "volume", What: fmt.Sprintf("%s is %s: %s", p, s.Status, s.Why)})
			r.Whole = false
		}
	}
	info := v.Info()
	im.Title = info.Name
	im.FreeBytes = int64(info.Free) * int64(info.UnitBytes)
	for _, f := range v.Files() {
		im.Files = append(im.Files, Placed{Name: f.Name, Size: f.Size})
	}
	return im
}

// SmallestImage is less than any disk whose volume is known, in bytes.
const SmallestImage = 40 << 10

// ImageRecognizer lets inspect recognise sector images by the volume in them: the program room may not import the
// volume room.
func ImageRecognizer(set *machine.Set) program.Recognizer {
	recordings := set.Recordings()
	sets := set.ParameterSets()
	return func(data []byte) *program.Report {
		if len(data) < SmallestImage || len(data) > disk.MaxImageBytes {
			return nil
		}
		v, said, err := volume.Open(data, volume.Options{Recordings: recordings, ParameterSets: sets})
		if err != nil {
			return nil
		}
		form := fmt.Sprintf("%s volume, %d files", v.Kind(), len(v.Files()))
		if r := v.Info().Recording; r != "" {
			form += ", " + r
		}
		return VolumeReport(v, form, said)
	}
}

// VolumeReport is what inspect says of a sector image with this volume in it.
func VolumeReport(v volume.Volume, form string, notes []string) *program.Report {
	var faults []program.Fault
	for _, f := range v.Check() {
		faults = append(faults, program.Fault{Class: "volume", What: f.String()})
	}
	return program.ImageReport(v.Info().Name, form, faults, notes)
}
