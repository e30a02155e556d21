package main

import (
	"fmt"
	"strings"

	"remanence/disk"
	"remanence/internal/outcome"
	"remanence/internal/safefile"
	"remanence/internal/words"
	"remanence/machine"
	"remanence/plan"
	"remanence/program"
	"remanence/volume"
)

// volumeProposeCmd finds the disk in sector-level bytes of unknown origin.
type volumeProposeCmd struct {
	File   string `arg:"" help:"Any file that may hold the sectors of a disk; - for standard input."`
	Out    string `short:"o" placeholder:"IMAGE" help:"Write the sectors in numeric order, as every other command reads them."`
	Choice int    `default:"1" placeholder:"N" help:"Which proposal to write (default: the first)."`
	Force  bool   `help:"Replace an image that is there already."`
}

func (volumeProposeCmd) Help() string {
	return "Looks for volumes at every plausible offset, with every interleave and side order, and shows why. A reading is proposed only where a\n" +
		"volume opens in it; nothing is written without -o.\n\nExample:\n  remanence volume propose strange.bin -o strange.img"
}

func (c *volumeProposeCmd) Run(env *Env) error {
	set, err := machine.Load(env.ConfigDir())
	if err != nil {
		return err
	}
	data, _, err := disk.ReadRaw(c.File)
	if err != nil {
		return outcome.As(outcome.Input, err)
	}
	found := volume.Propose(data, volume.Options{Recordings: set.Recordings(), ParameterSets: set.ParameterSets()})
	if len(found) == 0 {
		return outcome.As(outcome.Input, fmt.Errorf("%s: no volume found at any offset, interleave or side order", c.File))
	}
	if c.Out != "" {
		if c.Choice < 1 || c.Choice > len(found) {
			return outcome.As(outcome.Usage, fmt.Errorf("--choice %d: there are %d proposals", c.Choice, len(found)))
		}
		if err := safefile.Distinct(c.Out, c.File); err != nil {
			return err
		}
		x := found[c.Choice-1]
		v, _, err := x.Volume(volume.Options{Recordings: set.Recordings(), ParameterSets: set.ParameterSets()})
		if err != nil {
			return err
		}
		if err := v.Image().Save(c.Out, c.Force); err != nil {
			return err
		}
	}
	out := struct {
		Proposals []volume.Proposal `json:"proposals"`
		Image     string            `json:"image,omitempty"`
	}{found, c.Out}
	return env.Report(out, func() {
		for i := range found {
			env.Printf("%d. %s\n", i+1, proposalLine(&found[i]))
			for _, w := range found[i].Why {
				env.Printf("   %s\n", w)
			}
		}
		if c.Out != "" {
			env.Printf("\n%s: proposal %d, written.\n", c.Out, c.Choice)
		} else {
			env.Printf("\nSay -o IMAGE to write the first, or --choice N -o IMAGE for another.\n")
		}
	})
}

// proposalLine is a proposal in one line.
func proposalLine(p *volume.Proposal) string {
	s := fmt.Sprintf("%s volume: %d cylinders, %s, %d sectors of %d bytes", p.Kind, p.Cylinders, words.Count(p.Sides, "side"), p.Sectors, p.Size)
	if p.Header > 0 {
		s += fmt.Sprintf(", behind a header of %d bytes", p.Header)
	}
	if p.Trailer > 0 {
		s += fmt.Sprintf(", %d bytes follow", p.Trailer)
	}
	if p.Sides == 2 {
		s += ", " + map[string]string{"cylinders": "both sides of each cylinder together", "sides": "side 1 after all of side 0", "back": "side 1 from the last cylinder back"}[p.SideOrder]
	}
	if len(p.Order) > 0 {
		s += ", sectors in the order " + strings.Trim(fmt.Sprint(p.Order), "[]")
	}
	if p.Inverted {
		s += ", complemented"
	}
	return s
}

// proposedReport lets inspect say what a file of unknown make may be: sector-level bytes with a disk in them.
func proposedReport(data []byte, opt volume.Options) *program.Report {
	found := volume.Propose(data, opt)
	if len(found) == 0 {
		return nil
	}
	best := &found[0]
	v, _, err := best.Volume(opt)
	if err != nil {
		return nil
	}
	notes := append([]string{"Proposed: " + proposalLine(best) + ". 'remanence volume propose FILE -o IMAGE' writes it as a plain image."}, best.Why...)
	return plan.VolumeReport(v, fmt.Sprintf("%s volume in an unknown arrangement, %d files", best.Kind, best.Files), notes)
}
