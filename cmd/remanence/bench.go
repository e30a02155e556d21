package main

import (
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strings"

	"remanence/bench"
	"remanence/disk"
	"remanence/internal/outcome"
	"remanence/internal/safefile"
	"remanence/internal/words"
	"remanence/machine"
	"remanence/master"
	"remanence/picture"
)

// benchCmd is the equipment.
type benchCmd struct {
	List   benchListCmd   `cmd:"" help:"Say which drives, controllers and disks there are."`
	Advise benchAdviseCmd `cmd:"" help:"Say which of them writes a disk that the target reads, how, with what margin, and why not."`
	Check  benchCheckCmd  `cmd:"" help:"Find out on a scratch disk what a drive and its controller can do; or test an adapter program."`
	Write  benchWriteCmd  `cmd:"" help:"Write an image to a real disk and prove it by reading it back."`
	Read   benchReadCmd   `cmd:"" help:"Read a real disk into an image."`
	Sheet  benchSheetCmd  `cmd:"" help:"Print the run sheet of a disk: cautions, settings, what success looks like, the log entry."`

	AdapterSimulator adapterSimulatorCmd `cmd:"" hidden:"" help:"The reference adapter: a simulated drive that speaks the adapter protocol."`
}

func (benchCmd) Help() string {
	return `Describe your pieces once in bench.toml in the configuration folder (doc/bench.md); without it every generic kind is
looked at. The pieces named there start from a generic kind and may say what was measured on them.

Example, from the question to a proven disk:
  remanence bench advise fm10x256 --machine z80-fm10
  remanence bench check --drive a
  remanence bench write D01.img --recording fm10x256 --drive a`
}

type benchListCmd struct{}

func (benchListCmd) Help() string {
	return `Example:
  remanence bench list --json`
}

// pieceJSON is one piece; what is below the title is said of a person's own.
type pieceJSON struct {
	Name       string  `json:"name"`
	Title      string  `json:"title"`
	Controller string  `json:"controller,omitempty"`
	Remote     string  `json:"remote,omitempty"`
	Device     string  `json:"device,omitempty"`
	Adapter    string  `json:"adapter,omitempty"`
	FM         string  `json:"fm,omitempty"`
	RPM        float64 `json:"measured-rpm,omitempty"`
	Checked    string  `json:"checked,omitempty"`
}

// own is what a person's own piece has of its own, in words.
func (p *pieceJSON) own() string {
	var w []string
	if p.Controller != "" {
		w = append(w, "on "+p.Controller)
	}
	switch {
	case p.Remote != "" && p.Device != "":
		w = append(w, p.Device+" of "+p.Remote)
	case p.Remote+p.Device != "":
		w = append(w, p.Remote+p.Device)
	}
	if p.Adapter != "" {
		w = append(w, "adapter "+p.Adapter)
	}
	if p.FM != "" {
		w = append(w, "FM: "+p.FM)
	}
	if p.RPM != 0 {
		w = append(w, fmt.Sprintf("measured %g rpm", p.RPM))
	}
	if p.Checked != "" {
		w = append(w, "checked "+p.Checked)
	}
	return strings.Join(w, ", ")
}

func (benchListCmd) Run(env *Env) error {
	_, kit, err := loadKit(env)
	if err != nil {
		return err
	}
	rep := struct {
		Own         bool        `json:"own"`
		Drives      []pieceJSON `json:"drives"`
		Controllers []pieceJSON `json:"controllers"`
		Media       []pieceJSON `json:"media"`
	}{Own: kit.Own, Drives: []pieceJSON{}, Controllers: []pieceJSON{}, Media: []pieceJSON{}}
	for _, d := range kit.Drives {
		rep.Drives = append(rep.Drives, pieceJSON{Name: d.Name, Title: d.Title, Controller: d.Controller, Remote: d.Remote, Device: d.Device, RPM: d.MeasuredRPM, Checked: d.Checked})
	}
	for _, c := range kit.Controllers {
		p := pieceJSON{Name: c.Name, Title: c.Title, Adapter: c.Adapter, Checked: c.Checked}
		if kit.Own {
			p.FM = c.FM
		}
		rep.Controllers = append(rep.Controllers, p)
	}
	for _, m := range kit.Disks {
		rep.Media = append(rep.Media, pieceJSON{Name: m.Name, Title: m.Title})
	}
	return env.Report(rep, func() {
		part := func(what string, l []pieceJSON) {
			env.Printf("%s\n", what)
			for _, p := range l {
				env.Printf("  %-12s %s\n", p.Name, p.Title)
				if own := p.own(); own != "" {
					env.Printf("  %-12s   %s\n", "", own)
				}
			}
			env.Printf("\n")
		}
		part("Drives", rep.Drives)
		part("Controllers", rep.Controllers)
		part("Disks", rep.Media)
		if !kit.Own {
			env.Printf("These are generic kinds. Next: describe your own in %s, then: remanence bench advise RECORDING\n", filepath.Join(env.ConfigDir(), bench.KitName))
		} else {
			env.Printf("Next: remanence bench advise RECORDING\n")
		}
	})
}

func loadKit(env *Env) (*machine.Set, *bench.Kit, error) {
	set, err := machine.Load(env.ConfigDir())
	if err != nil {
		return nil, nil, err
	}
	kit, err := bench.LoadKit(set, env.ConfigDir())
	return set, kit, err
}

type benchAdviseCmd struct {
	Recording string `arg:"" help:"Recording, as fm10x256 or fm10x256:35x1."`
	Machine   string `placeholder:"NAME" help:"Machine that must read the disk (default: the first that uses the recording)."`
	Medium    string `default:"good" placeholder:"PRESET" help:"Jitter and peak shift the margins are of: good, tired, limit."`
	Picture   string `type:"path" placeholder:"FILE.svg" help:"Also draw head, track and residue of the best combination, to scale."`
	All       bool   `help:"Show every combination, those that cannot work too."`
	Force     bool   `help:"Replace a picture that is there."`
	onlyFlags
}

func (benchAdviseCmd) Help() string {
	return `For each combination of drive, controller and kind of disk: can it write the recording, can the target read it, with
what margin (what is left of half the decision window on the innermost track), what to set, what to do first, and
every reason against it with its arithmetic. Best first. --drive, --controller and --disk ask about those pieces alone;
the picture is of the best of what is asked about.

Examples:
  remanence bench advise fm10x256 --machine z80-fm10 --picture heads.svg
  remanence bench advise fm10x256 --drive hd96 --controller c765-fm --disk dd-used --picture heads.svg`
}

// onlyFlags narrow advice to pieces that were named.
type onlyFlags struct {
	Drive      string `placeholder:"NAME" help:"Only this drive of the bench (default: any)."`
	Controller string `placeholder:"NAME" help:"Only this controller (default: any)."`
	Disk       string `name:"disk" placeholder:"NAME" help:"Only this kind of disk (default: any)."`
}

// any reports whether a piece was named.
func (f *onlyFlags) any() bool { return f.Drive != "" || f.Controller != "" || f.Disk != "" }

// flags are those of w that have a value, as a shell takes them.
func flags(w ...string) string {
	out := ""
	for i := 0; i+1 < len(w); i += 2 {
		if w[i+1] != "" {
			out += " " + w[i] + " " + quoted(w[i+1])
		}
	}
	return out
}

// configFlag is --config where it was said, so that a printed command finds the same pieces.
func configFlag(env *Env) []string {
	if env.Config == os.Getenv("REMANENCE_CONFIG") {
		return nil
	}
	return []string{"--config", env.Config}
}

// writeCommand is the command that writes an image with this very combination.
func writeCommand(env *Env, image, recording, machine string, c *bench.Combination, more ...string) string {
	if strings.HasPrefix(image, "-") {
		image = "." + string(filepath.Separator) + image
	}
	w := append([]string{"--recording", recording, "--drive", c.Drive, "--controller", c.Controller, "--disk", c.Medium, "--machine", machine}, more...)
	return "remanence bench write " + quoted(image) + flags(append(w, configFlag(env)...)...)
}

// adviseCommand is the command that says why none of these pieces can do it.
func adviseCommand(env *Env, recording, machine string, f onlyFlags) string {
	return "remanence bench advise " + recording + flags(append([]string{"--machine", machine, "--drive", f.Drive, "--controller", f.Controller, "--disk", f.Disk}, configFlag(env)...)...) + " --all"
}

func (c *benchAdviseCmd) Run(env *Env) error {
	set, kit, err := loadKit(env)
	if err != nil {
		return err
	}
	rec, err := set.Recording(c.Recording)
	if err != nil {
		return err
	}
	target, err := bench.TargetOf(set, rec, c.Machine)
	if err != nil {
		return err
	}
	m, err := set.Medium(c.Medium)
	if err != nil {
		return err
	}
	if kit, err = kit.Only(c.Drive, c.Controller, c.Disk); err != nil {
		return err
	}
	a := bench.Advise(rec, target, kit, m.Disk)
	if c.Picture != "" && len(a.Combinations) > 0 {
		f, err := safefile.Create(c.Picture, c.Force)
		if err != nil {
			return err
		}
		defer f.Close()
		if err := a.Combinations[0].Draw().SVG(f, picture.SVGOptions{}); err != nil {
			return outcome.As(outcome.Output, err)
		}
		if err := f.Commit(); err != nil {
			return err
		}
	}
	possible := 0
	for _, x := range a.Combinations {
		if x.Possible {
			possible++
		}
	}
	if err := env.Report(a, func() { c.text(env, a, possible) }); err != nil {
		return err
	}
	if possible == 0 {
		return outcome.ErrIncomplete
	}
	return nil
}

func (c *benchAdviseCmd) text(env *Env, a *bench.Advice, possible int) {
	env.Printf("%s, to be read by %s: %d of %d combinations can do it.\n", a.Recording, a.Target, possible, len(a.Combinations))
	for i, x := range a.Combinations {
		if !c.All && (i >= 5 || !x.Possible && possible > 0) {
			env.Printf("\n%d more; --all shows them.\n", len(a.Combinations)-i)
			break
		}
		env.Printf("\n%d. %s, %s, %s: ", i+1, x.Drive, x.Controller, x.Medium)
		if x.Possible {
			s := x.Settings
			env.Printf("margin %.0f %%\n   set %g kbit/s", x.Margin, s.SelectKbit)
			if s.SelectKbit != x.RateKbit {
				env.Printf(" (FM: %g)", x.RateKbit)
			}
			env.Printf(" at %g rpm, %s a cylinder, gap 3 of %s", s.RPM, words.Count(x.Steps, "step"), words.Count(s.Gap3, "byte"))
			if s.PrecompNS > 0 {
				env.Printf(", precompensation %g ns", s.PrecompNS)
			}
			env.Printf("; about %.0f s\n", s.TimeS)
			for _, f := range x.DoFirst {
				env.Printf("   first: %s\n", f)
			}
			if x.Mark != "" {
				env.Printf("   mark replaced: %s\n", x.Mark)
			}
		} else {
			env.Printf("no\n")
		}
		for i, r := range x.Reasons {
			if i < len(x.Against) {
				r = "against: " + r
			}
			env.Printf("   - %s\n", r)
		}
	}
	if possible > 0 {
		b := a.Combinations[0]
		for _, f := range b.DoFirst {
			if strings.HasPrefix(f, "bulk-erase") {
				env.Printf("\nCaution: %s\n", bench.CautionErase)
			}
		}
		env.Printf("\nNext: %s\n", writeCommand(env, "IMAGE", fmt.Sprintf("%s:%dx%d", a.Recording, a.Cylinders, a.Sides), c.Machine, b))
	} else {
		env.Printf("\nNext: read the reasons above; another drive, controller or disk is needed.\n")
	}
}

var errNoCombination = errors.New("no combination of the bench writes this for that target")

// rehearsedJSON is one disk that was made: its rehearsal, or why there is none.
type rehearsedJSON struct {
	*bench.Rehearsal
	Image  string             `json:"image"`
	Target string             `json:"target,omitempty"`
	With   *bench.Combination `json:"with,omitempty"`    // where nothing can do it, the one with the least against it
	WhyNot string             `json:"why-not,omitempty"` // there is no rehearsal

	next string // the command to go on with
}

// rehearseMade is make --bench: each disk that was made, written in simulation with the best of the person's own pieces,
// or of those that were named. A disk that cannot be rehearsed stops no other.
func rehearseMade(env *Env, set *machine.Set, out string, only onlyFlags, r *master.Result, o master.Options) ([]*rehearsedJSON, error) {
	kit, err := only.kit(env, set)
	if err != nil {
		return nil, err
	}
	all := []*rehearsedJSON{}
	for _, made := range r.Media {
		if made.Image == "" || made.Disk == nil {
			continue
		}
		x := &rehearsedJSON{Image: made.Image}
		if err := x.rehearse(env, set, kit, filepath.Join(out, made.Image), only, r.Machine, made.Disk, o); err != nil {
			if env.Context.Err() != nil {
				return nil, err
			}
			x.WhyNot = err.Error()
		}
		all = append(all, x)
	}
	return all, nil
}

// kit is the kit of the bench, or what was named of it.
func (f *onlyFlags) kit(env *Env, set *machine.Set) (*bench.Kit, error) {
	kit, err := bench.LoadKit(set, env.ConfigDir())
	if err != nil {
		return nil, err
	}
	return kit.Only(f.Drive, f.Controller, f.Disk)
}

func (x *rehearsedJSON) rehearse(env *Env, set *machine.Set, kit *bench.Kit, path string, only onlyFlags, machine string, rec *disk.Recording, o master.Options) error {
	im, _, _, err := loadForEncoding(set, path, rec.Reference())
	if err != nil {
		return err
	}
	target, err := bench.TargetOf(set, rec, machine)
	if err != nil {
		return err
	}
	x.Target = target.Name
	a := bench.Advise(rec, target, kit, o.Medium.Disk)
	if len(a.Combinations) == 0 || !a.Combinations[0].Possible {
		if len(a.Combinations) > 0 {
			x.With = slices.MinFunc(a.Combinations, func(p, q *bench.Combination) int { return len(p.Against) - len(q.Against) })
		}
		x.next = adviseCommand(env, rec.Reference(), machine, only)
		return fmt.Errorf("no combination of the bench writes %s for %s", rec.Reference(), target.Name)
	}
	x.With = a.Combinations[0]
	x.next = writeCommand(env, path, rec.Reference(), machine, x.With)
	d, k, m, err := kit.Find(x.With.Drive, x.With.Controller, x.With.Medium)
	if err != nil {
		return err
	}
	x.Rehearsal, err = bench.Rehearse(env.Context, im, rec, target, d, k, m, o.Medium, o.Seed, env.Progress())
	return err
}

// whole reports whether every disk was rehearsed and read back.
func whole(all []*rehearsedJSON) bool {
	return !slices.ContainsFunc(all, func(x *rehearsedJSON) bool { return x.Rehearsal == nil || x.Good < x.Sectors })
}

func printRehearsals(env *Env, all []*rehearsedJSON) {
	for _, r := range all {
		if r.Rehearsal == nil {
			env.Printf("\n%s was not rehearsed: %s.\n", r.Image, r.WhyNot)
			if r.With != nil {
				env.Printf("  The least is against %s, %s, %s:\n", r.With.Drive, r.With.Controller, r.With.Medium)
				for _, why := range r.With.Against {
					env.Printf("  - %s\n", why)
				}
			}
			if r.next != "" {
				env.Remark("  Next: %s\n", r.next)
			}
			continue
		}
		env.Printf("\nRehearsed %s with %s, %s, %s, read by %s: %d of %d sectors good, least margin %.0f %%", r.Image, r.With.Drive, r.With.Controller, r.With.Medium, r.Target, r.Good, r.Sectors, r.Margin)
		if len(r.AtRisk) == 0 {
			env.Printf(", none at risk.\n")
		} else {
			env.Printf(", %d at risk:\n", len(r.AtRisk))
		}
		for i, x := range r.AtRisk {
			if i == 12 {
				env.Printf("  and %d more\n", len(r.AtRisk)-i)
				break
			}
			env.Printf("  cylinder %d head %d sector %d: margin %.0f %%; %s\n", x.Cylinder, x.Head, x.Sector, x.Margin, x.Why)
		}
		if u := r.Unerased; u != nil {
			env.Printf("  Bulk-erase the disk first; without that, %d of %d sectors of the innermost cylinder would be good, least margin %.0f %%.\n", u.Good, u.Sectors, u.Margin)
		}
		if r.Good == r.Sectors {
			env.Remark("  Next: %s\n", r.next)
		}
	}
}
