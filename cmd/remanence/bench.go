package main

import (
	"errors"
	"fmt"
	"path/filepath"
	"strings"

	"remanence/bench"
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

type pieceJSON struct {
	Name  string `json:"name"`
	Title string `json:"title"`
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
		rep.Drives = append(rep.Drives, pieceJSON{d.Name, d.Title})
	}
	for _, c := range kit.Controllers {
		rep.Controllers = append(rep.Controllers, pieceJSON{c.Name, c.Title})
	}
	for _, m := range kit.Disks {
		rep.Media = append(rep.Media, pieceJSON{m.Name, m.Title})
	}
	return env.Report(rep, func() {
		part := func(what string, l []pieceJSON) {
			env.Printf("%s\n", what)
			for _, p := range l {
				env.Printf("  %-12s %s\n", p.Name, p.Title)
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
}

func (benchAdviseCmd) Help() string {
	return `For each combination of drive, controller and kind of disk: can it write the recording, can the target read it, with
what margin (what is left of half the decision window on the innermost track), what to set, what to do first, and
every reason against it with its arithmetic. Best first.

Example:
  remanence bench advise fm10x256 --machine z80-fm10 --picture heads.svg`
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
			env.Printf(" at %g rpm, %s a cylinder, gap 3 %d", s.RPM, words.Count(x.Steps, "step"), s.Gap3)
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
		for _, r := range x.Reasons {
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
		env.Printf("\nNext: remanence bench write IMAGE --recording %s:%dx%d --drive %s\n", a.Recording, a.Cylinders, a.Sides, b.Drive)
	} else {
		env.Printf("\nNext: read the reasons above; another drive, controller or disk is needed.\n")
	}
}

var errNoCombination = errors.New("no combination of the bench writes this for that target")

// rehearseMade is make --bench: each disk that was made, written with the best of the person's own pieces in simulation.
func rehearseMade(env *Env, set *machine.Set, out string, r *master.Result, o master.Options) ([]*bench.Rehearsal, error) {
	kit, err := bench.LoadKit(set, env.ConfigDir())
	if err != nil {
		return nil, err
	}
	all := []*bench.Rehearsal{}
	for _, made := range r.Media {
		if made.Image == "" || made.Disk == nil {
			continue
		}
		rec := made.Disk
		im, _, _, err := loadForEncoding(set, filepath.Join(out, made.Image), rec.Reference())
		if err != nil {
			return nil, err
		}
		target, err := bench.TargetOf(set, rec, r.Machine)
		if err != nil {
			return nil, err
		}
		a := bench.Advise(rec, target, kit, o.Medium.Disk)
		if len(a.Combinations) == 0 || !a.Combinations[0].Possible {
			return nil, outcome.Hint(outcome.Usage, fmt.Errorf("%s: no combination of the bench writes %s for %s", made.ID, rec.Reference(), target.Name), "remanence bench advise "+rec.Reference()+" --all says why")
		}
		best := a.Combinations[0]
		d, k, m, err := kit.Find(best.Drive, best.Controller, best.Medium)
		if err != nil {
			return nil, err
		}
		x, err := bench.Rehearse(env.Context, im, rec, target, d, k, m, o.Medium, o.Seed, env.Progress())
		if err != nil {
			return nil, err
		}
		x.Image = made.Image
		all = append(all, x)
	}
	return all, nil
}

func printRehearsals(env *Env, all []*bench.Rehearsal) {
	for _, r := range all {
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
	}
}
