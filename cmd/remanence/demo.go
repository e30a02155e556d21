package main

import (
	"encoding/json"
	"fmt"
	"os"
	"path/filepath"

	"remanence/internal/outcome"
	"remanence/internal/safefile"
	"remanence/internal/saltmarsh"
	"remanence/machine"
	"remanence/master"
)

// demoCmd is the main job on the built-in collection.
type demoCmd struct {
	Out    string `short:"o" type:"path" default:"saltmarsh-demo" placeholder:"FOLDER" help:"Where everything is written (default: saltmarsh-demo). What an earlier demo wrote there is replaced."`
	Force  bool   `help:"Replace outputs that are not of an earlier demo, too."`
	Medium string `default:"good" placeholder:"PRESET" help:"What the simulated drive and deck are like: clean, good, tired, limit, worn, beyond."`
	Jobs   int    `placeholder:"N" help:"How many pieces are worked on at once (default: as many as there are processors)."`
}

// Help is the long help.
func (demoCmd) Help() string {
	return `Takes the invented Saltmarsh Collection of 1979 to proven masters, from nothing and offline: unpacks its files,
inspects them, packs them on disks and tapes for a Z80 home computer, proves each by reading it back, and writes
labels and a report. Some of the files are damaged on purpose. The same bytes come out every time.

Example:
  remanence demo --out /tmp/demo`
}

// archiveFolder is the folder of the demo's input below its output.
const archiveFolder = "archive"

// Run is the command.
func (c *demoCmd) Run(env *Env) error {
	set, err := machine.Load(env.ConfigDir())
	if err != nil {
		return err
	}
	flags := makeFlags{Out: c.Out, Force: true, Medium: c.Medium, Seed: 1979, RateHz: 44100, Jobs: c.Jobs}
	o, err := flags.options(set)
	if err != nil {
		return err
	}
	o.Command = "remanence demo"
	files, err := saltmarsh.Files(set)
	if err != nil {
		return err
	}
	if err := c.ours(); err != nil {
		return err
	}
	folder := filepath.Join(c.Out, archiveFolder)
	if err := c.unpack(folder, files); err != nil {
		return err
	}
	env.Remark("The Saltmarsh Collection: %d files, unpacked to %s.\n", len(files), folder)
	a, err := master.Arrange(env.Context, master.Request{Set: set, Machine: saltmarsh.Machine, Paths: []string{folder}, Base: c.Out, Title: saltmarsh.Title}, env.Progress())
	if err != nil {
		return stopped(err, "before anything was made")
	}
	r, err := master.Make(env.Context, set, a, o, env.Progress())
	if err != nil {
		return err
	}
	if err := env.Report(r, func() {
		printMade(env, r, c.Out)
		env.Remark(`Then look at your own files: remanence inspect FOLDER
and make masters of them:    remanence make FOLDER --out masters
A bad disk, for comparison:  remanence demo --medium worn --out %s-worn
`, c.Out)
	}); err != nil {
		return err
	}
	if !r.Verified { // what was left out was damaged on purpose
		return outcome.ErrIncomplete
	}
	return nil
}

// ours makes sure that what lies in the output folder came from a demo, so that nothing of a person's is replaced.
func (c *demoCmd) ours() error {
	b, err := os.ReadFile(filepath.Join(c.Out, "manifest.json"))
	if c.Force || os.IsNotExist(err) {
		return nil
	}
	var m master.Manifest
	if err == nil && json.Unmarshal(b, &m) == nil && m.Title == saltmarsh.Title {
		return nil
	}
	return outcome.Hint(outcome.Output, fmt.Errorf("%s: holds masters that are not of a demo", c.Out), "choose another folder with --out, or say --force to replace them")
}

// unpack writes the collection. A folder with other files in it is refused, so that nothing of a person's is packed
// or replaced by mistake.
func (c *demoCmd) unpack(folder string, files []saltmarsh.File) error {
	known := map[string]bool{}
	for _, f := range files {
		known[f.Name] = true
	}
	there, err := os.ReadDir(folder)
	if err != nil && !os.IsNotExist(err) {
		return outcome.As(outcome.Output, err)
	}
	for _, d := range there {
		if !known[d.Name()] {
			return outcome.Hint(outcome.Output, fmt.Errorf("%s: is not of the demo", filepath.Join(folder, d.Name())), "choose another folder with --out")
		}
	}
	for _, f := range files {
		if err := safefile.WriteFile(filepath.Join(folder, f.Name), f.Data, true); err != nil {
			return err
		}
	}
	return nil
}
