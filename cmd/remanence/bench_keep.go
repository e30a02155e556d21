package main

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"runtime"
	"strings"
	"time"
	"unicode"

	"remanence/bench"
	"remanence/disk"
	"remanence/internal/outcome"
	"remanence/internal/words"
	"remanence/shelf"
)

// keepFlags say where a run on a real disk is kept.
type keepFlags struct {
	Medium string `placeholder:"NUMBER" help:"Number on the disk's label: the run is kept on the shelf, with its equipment, settings, outcome and margin."`
	Shelf  string `type:"path" env:"REMANENCE_SHELF" placeholder:"FILE" help:"The shelf (default: shelf.sqlite in the configuration folder)."`
}

// keptJSON says whether a run is on the shelf; where it is not, Later are the commands that put it there.
type keptJSON struct {
	Medium string   `json:"medium"`
	Kept   bool     `json:"kept"`
	Why    string   `json:"why,omitempty"`
	Later  []string `json:"later,omitempty"`
}

func (k *keepFlags) path(env *Env) string {
	return cmp.Or(k.Shelf, filepath.Join(env.ConfigDir(), "shelf.sqlite"))
}

// check refuses, before a disk is touched, a number that no label has and one that is a tape's. A shelf that cannot be
// read stops nothing: the run then says how to put it there later.
func (k *keepFlags) check(env *Env) error {
	if k.Medium == "" {
		return nil
	}
	if err := shelf.CheckNumber(k.Medium); err != nil {
		return err
	}
	if _, err := os.Stat(k.path(env)); errors.Is(err, os.ErrNotExist) {
		return nil
	}
	of := shelfCmd{File: k.path(env)}
	var media []shelf.Medium
	if err := of.with(env, true, func(ctx context.Context, s *shelf.Shelf) (err error) {
		media, err = s.Media(ctx)
		return err
	}); err != nil {
		env.Note("The shelf cannot be used now: %v", err)
		return nil
	}
	for _, m := range media {
		if m.Number == k.Medium && m.Type != "disk" {
			return outcome.As(outcome.Usage, fmt.Errorf("--medium %s: on the shelf that is a %s", k.Medium, m.Type))
		}
	}
	return nil
}

// keep puts runs on the shelf, in order. It is made if there is none, because a number was said for it. ctx is not the
// command's: a run that was interrupted is kept too.
func (k *keepFlags) keep(env *Env, title string, runs []shelf.Run) *keptJSON {
	out := &keptJSON{Medium: k.Medium}
	if _, err := os.Stat(k.path(env)); k.Medium == "" && err != nil || len(runs) == 0 {
		return nil // no shelf, and none is wanted; or nothing to keep
	}
	e := *env
	e.Context = context.WithoutCancel(env.Context)
	of := shelfCmd{File: k.path(env)}
	done := 0
	err := errors.New("no --medium was said")
	if k.Medium != "" {
		err = of.with(&e, false, func(ctx context.Context, s *shelf.Shelf) error {
			d, err := s.Show(ctx, shelf.MediumRef(k.Medium))
			for i := range runs {
				r := runs[i]
				r.Medium = k.Medium
				if err != nil || d.Medium == nil { // a new one: it is called as the image is
					r.Title = title
				}
				if _, err := s.Log(ctx, r); err != nil {
					return err
				}
				done++
			}
			return nil
		})
	}
	if err != nil {
		out.Why = err.Error()
	}
	if out.Kept = done == len(runs); out.Kept {
		out.Why = "" // all is written, whatever closing said
		return out
	}
	file := k.Shelf
	if file == "" && env.Config != "" {
		file = k.path(env)
	}
	for i := range runs[done:] {
		out.Later = append(out.Later, logCommand(&runs[done+i], k.Medium, file))
	}
	return out
}

// logCommand is the command that puts a run on the shelf; said twice it is kept once.
func logCommand(r *shelf.Run, medium, file string) string {
	w := []string{"remanence", "shelf"}
	opt := func(name, v string) {
		if v != "" {
			w = append(w, name+"="+quoted(v)) // with = also what begins with - is a value
		}
	}
	opt("--shelf", file)
	w = append(w, "log", cmp.Or(medium, "NUMBER"), string(r.Kind))
	opt("--outcome", string(r.Outcome))
	if r.Margin != nil {
		opt("--margin", fmt.Sprintf("%.1f", 100**r.Margin))
	}
	opt("--image", r.Image)
	opt("--type", r.Type)
	opt("--equipment", r.Equipment)
	opt("--detail", r.Detail)
	opt("--at", r.At.UTC().Format(time.RFC3339))
	return strings.Join(w, " ")
}

// quoted is a word as this system's shell takes it. What comes from a device may hold anything.
func quoted(s string) string {
	if !strings.ContainsFunc(s, func(r rune) bool {
		return !(r >= 'a' && r <= 'z' || r >= 'A' && r <= 'Z' || r >= '0' && r <= '9' || strings.ContainsRune("-_.:/,@+", r))
	}) {
		return s
	}
	if runtime.GOOS == "windows" {
		return `"` + strings.ReplaceAll(s, `"`, "'") + `"`
	}
	return "'" + strings.ReplaceAll(s, "'", `'\''`) + "'"
}

// plain is a text in one line, without what a terminal would obey.
func plain(s string) string {
	return strings.Join(strings.FieldsFunc(s, func(r rune) bool { return r == ' ' || !unicode.IsPrint(r) }), " ")
}

func equipment(dev string, c *bench.Combination) string {
	return cut(plain(fmt.Sprintf("%s on %s: %s", c.Drive, c.Controller, dev)), 1000)
}

func cut(s string, n int) string { return strings.ToValidUTF8(s[:min(len(s), n)], "") }

func settings(c *bench.Combination) string {
	s := c.Settings
	return fmt.Sprintf("disk %s; %g kbit/s at %g rpm, %s a cylinder, gap 3 of %s (%d for reading and writing), precompensation %g ns", c.Medium, s.SelectKbit, s.RPM, words.Count(c.Steps, "step"), words.Count(s.Gap3, "byte"), s.GapRW, s.PrecompNS)
}

// writeRuns are the attempts that writing a disk was: one to write, and where every track came back one to verify. err
// is what ended it early; nothing is said where the disk was not touched.
func writeRuns(image string, r *bench.WriteReport, c *bench.Combination, begun time.Time, err error) []shelf.Run {
	if r.Tracks == 0 || r.Verified == 0 && (errors.Is(err, bench.ErrWriteProtected) || errors.Is(err, bench.ErrNoDisk) || errors.Is(err, bench.ErrUnable)) {
		return nil
	}
	name := filepath.Base(image)
	said := fmt.Sprintf("%s (SHA-256 %.12s) as %s: %d of %d tracks verified, %d sectors", plain(name), r.SHA256, r.Recording, r.Verified, r.Cylinders*r.Sides, r.Sectors)
	if r.Resumed > 0 {
		said += fmt.Sprintf(", %d tracks from an earlier run", r.Resumed)
	}
	if r.Replaced > 0 {
		said += fmt.Sprintf(", %d marks replaced (%s)", r.Replaced, c.Mark)
	}
	if errors.Is(err, context.Canceled) {
		said += "; stopped by you"
	} else if len(r.Failed) > 0 {
		f := r.Failed[0]
		said += fmt.Sprintf("; cylinder %d head %d: %s", f.Cylinder, f.Head, plain(f.Why))
	} else if err != nil {
		said += "; stopped: " + plain(err.Error())
	}
	w := shelf.Run{At: begun, Kind: shelf.Write, Equipment: equipment(r.Device, c), Outcome: shelf.Lost, Image: r.SHA256, Type: "disk",
		Detail: cut(said, 2000) + fmt.Sprintf("; %s; %s", took(begun), settings(c))}
	if !r.Whole {
		return []shelf.Run{w}
	}
	w.Outcome = shelf.Good
	v := shelf.Run{At: time.Now(), Kind: shelf.Verify, Equipment: w.Equipment, Outcome: shelf.Good, Detail: "read back track by track while writing"}
	if r.Margin != nil {
		m := *r.Margin / 100
		v.Margin = &m
	}
	return []shelf.Run{w, v}
}

// readRun is the attempt that reading a disk was.
func readRun(image string, rec *disk.Recording, im *disk.Image, lost int, dev string, c *bench.Combination, begun time.Time) shelf.Run {
	name := filepath.Base(image)
	r := shelf.Run{At: begun, Kind: shelf.Read, Equipment: equipment(dev, c), Outcome: shelf.Good, Type: "disk",
		Margin: leastMargin(im), Detail: fmt.Sprintf("%d of %d sectors read as %s into %s; %s; %s", im.Geometry.Sectors()-lost, im.Geometry.Sectors(), rec.Reference(), plain(name), took(begun), settings(c))}
	if lost > 0 {
		r.Outcome = shelf.Lost
	}
	return r
}

// stoppedRun is a reading that ended early, after it had found sectors lost.
func stoppedRun(image string, rec *disk.Recording, tracks, lost int, dev string, c *bench.Combination, begun time.Time, err error) shelf.Run {
	why := plain(err.Error())
	if errors.Is(err, context.Canceled) {
		why = "by you"
	}
	said := fmt.Sprintf("reading as %s into %s stopped after %d of %d tracks, %s lost until then: %s", rec.Reference(), plain(filepath.Base(image)), tracks, rec.Cylinders*rec.Sides, words.Count(lost, "sector"), why)
	return shelf.Run{At: begun, Kind: shelf.Read, Equipment: equipment(dev, c), Outcome: shelf.Lost, Type: "disk", Detail: cut(said, 2000) + fmt.Sprintf("; %s; %s", took(begun), settings(c))}
}

// titleOf is what a new medium is called.
func titleOf(image string) string {
	name := filepath.Base(image)
	return plain(strings.TrimSuffix(name, filepath.Ext(name)))
}

func took(begun time.Time) string { return fmt.Sprintf("%.0f s", time.Since(begun).Seconds()) }

// leastMargin is the least margin of the sectors that were read, nil where the device tells none.
func leastMargin(im *disk.Image) *float64 {
	var least *float64
	for _, s := range im.All() {
		if s.Status == disk.Good && s.Margin >= 0 && (least == nil || s.Margin < *least) {
			m := min(s.Margin, 1)
			least = &m
		}
	}
	return least
}

// text says what is on the shelf now, and what is not.
func (k *keptJSON) text() string {
	later := strings.Join(k.Later, "\n  ")
	switch {
	case k.Kept:
		return "Kept on the shelf as a run of " + k.Medium + "."
	case k.Medium == "":
		return "\nTo keep the run on the shelf, NUMBER being on the disk's label (--medium NUMBER does it by itself):\n  " + later
	}
	return "\nThe run is NOT on the shelf: " + plain(k.Why) + ". Once that is mended, say:\n  " + later
}

// print prints that; quietly, what nobody asked for is left out.
func (k *keptJSON) print(env *Env) {
	switch {
	case k == nil:
	case k.Medium == "":
		env.Remark("%s\n", k.text())
	default:
		env.Printf("%s\n", k.text())
	}
}

// missing is ErrIncomplete where a run was to be kept and is not.
func (k *keptJSON) missing() error {
	if k != nil && !k.Kept && k.Medium != "" {
		return outcome.ErrIncomplete
	}
	return nil
}
