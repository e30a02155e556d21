package main

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"strings"

	"remanence/internal/outcome"
	"remanence/machine"
	"remanence/plan"
	"remanence/program"
	"remanence/volume"
)

// inspectCmd says of every file what it is and whether it is whole.
type inspectCmd struct {
	Files   []string `arg:"" name:"file" help:"Files and folders to look at; - is standard input."`
	Compare bool     `help:"Say where two files differ, instead."`
	Damaged bool     `help:"Print only the files that are not whole."`
	Machine string   `placeholder:"CLASS" help:"Match against this machine class only (default: all that are known)."`
}

// Help is the long help.
func (inspectCmd) Help() string {
	return `Any file is accepted; its content decides what it is, never its name. Folders are walked. Load ranges are shown
with both ends; in --json their end is exclusive. Exit status 1: at least one file is not whole.

Examples:
  remanence inspect archive/
  remanence inspect --json tide.cmd | jq '.files[0]["load-ranges"]'
  remanence inspect --compare copy1.cmd copy2.cmd`
}

// Run is the command.
func (c *inspectCmd) Run(env *Env) error {
	set, err := machine.Load(env.ConfigDir())
	if err != nil {
		return err
	}
	if c.Compare {
		return c.compare(env, set)
	}
	opt := program.Options{Targets: set.Targets(), Recognizers: []program.Recognizer{volumeRecognizer(set)}}
	if c.Machine != "" {
		m, err := set.Machine(c.Machine)
		if err != nil {
			return outcome.As(outcome.Usage, err)
		}
		opt.Targets = []program.Target{m.Target()}
	}
	paths, problems := walkFiles(c.Files)
	out := newInspectPrinter(env, c.Damaged)
	err = c.inspect(env, paths, opt, out.report)
	if env.Context.Err() != nil {
		return env.Context.Err()
	}
	problems = errors.Join(problems, err)
	if out.files > 0 || problems == nil || env.JSON { // where nothing could be read, the error says it all
		if err := out.end(); err != nil {
			return err
		}
	}
	switch {
	case problems != nil:
		return outcome.As(outcome.Input, problems)
	case out.whole < out.files:
		return outcome.ErrIncomplete
	}
	return nil
}

// inspect reads all paths in parallel; standard input, which is one of a kind, by itself at the end.
func (c *inspectCmd) inspect(env *Env, paths []string, opt program.Options, emit func(*program.FileReport) error) error {
	named := slices.DeleteFunc(slices.Clone(paths), func(p string) bool { return p == "-" })
	err := program.InspectEach(env.Context, named, opt, env.Progress(), emit)
	if len(named) == len(paths) || env.Context.Err() != nil {
		return err
	}
	r, stdin := program.InspectReader(env.Context, os.Stdin, "-", opt)
	if stdin != nil {
		return errors.Join(err, fmt.Errorf("standard input: %w", stdin))
	}
	return errors.Join(err, emit(r))
}

// walkFiles lists files as given and all regular files below folders, in the order of their names.
func walkFiles(args []string) (paths []string, problems error) {
	for _, a := range args {
		if a == "-" {
			paths = append(paths, a)
			continue
		}
		info, err := os.Stat(a)
		if err != nil {
			problems = errors.Join(problems, missing(a, err))
			continue
		}
		if !info.IsDir() {
			paths = append(paths, a)
			continue
		}
		err = filepath.WalkDir(a, func(path string, d fs.DirEntry, err error) error {
			switch {
			case err != nil:
				problems = errors.Join(problems, err)
			case d.Type().IsRegular():
				paths = append(paths, path)
			}
			return nil // one folder that cannot be read does not stop the others
		})
		problems = errors.Join(problems, err)
	}
	return paths, problems
}

// missing says in words that a file is not there; another error it gives with the file's name.
func missing(path string, err error) error {
	if errors.Is(err, fs.ErrNotExist) {
		return fmt.Errorf("%s: no such file or folder; the name of one that is there, or - for standard input, is expected", path)
	}
	var p *fs.PathError
	if errors.As(err, &p) {
		err = p.Err
	}
	return fmt.Errorf("%s: cannot be read: %w", path, err)
}

// volumeRecognizer lets inspect know disks, those in an arrangement that nobody declared as well.
func volumeRecognizer(set *machine.Set) program.Recognizer {
	opt := volume.Options{Recordings: set.Recordings(), ParameterSets: set.ParameterSets()}
	known := plan.ImageRecognizer(set)
	return func(data []byte) *program.Report {
		if r := known(data); r != nil || len(data) < plan.SmallestImage {
			return r
		}
		return proposedReport(data, opt)
	}
}

// inspectPrinter prints reports as they come, so that 100,000 of them need not be kept; on a terminal, where a progress
// bar is being drawn, it keeps them until the end.
type inspectPrinter struct {
	env         *Env
	damagedOnly bool
	kept        []*program.FileReport
	files       int
	whole       int
	damaged     int
	unknown     int
	copies      int
}

func newInspectPrinter(env *Env, damagedOnly bool) *inspectPrinter {
	return &inspectPrinter{env: env, damagedOnly: damagedOnly}
}

// report counts and prints one file.
func (p *inspectPrinter) report(r *program.FileReport) error {
	first := p.files == 0
	p.files++
	switch {
	case r.Whole:
		p.whole++
	case r.Damaged():
		p.damaged++
	default:
		p.unknown++
	}
	if r.DuplicateOf != "" {
		p.copies++
	}
	switch {
	case p.env.JSON:
		return p.json(r, first)
	case p.damagedOnly && r.Whole:
	case p.env.Terminal():
		p.kept = append(p.kept, r)
	default:
		printReport(p.env, r)
	}
	return nil
}

// json writes one element of the array "files".
func (p *inspectPrinter) json(r *program.FileReport, first bool) error {
	var b bytes.Buffer
	if first {
		b.WriteString("{\n  \"files\": [\n    ")
	} else {
		b.WriteString(",\n    ")
	}
	enc := json.NewEncoder(&b)
	enc.SetEscapeHTML(false)
	enc.SetIndent("    ", "  ")
	if err := enc.Encode(r); err != nil {
		return err
	}
	b.Truncate(b.Len() - 1) // the line end
	_, err := p.env.Stdout.Write(b.Bytes())
	return outcome.As(outcome.Output, err)
}

// end prints what was kept, the counts and what to do next.
func (p *inspectPrinter) end() error {
	if p.env.JSON {
		tail := "\n  ]\n}\n"
		if p.files == 0 {
			tail = "{\n  \"files\": []\n}\n"
		}
		_, err := io.WriteString(p.env.Stdout, tail)
		return outcome.As(outcome.Output, err)
	}
	for _, r := range p.kept {
		printReport(p.env, r)
	}
	p.env.Printf("\n%d %s: %d whole, %d damaged, %d of no known kind; %d the same as another.\n",
		p.files, either(p.files, "file", "files"), p.whole, p.damaged, p.unknown, p.copies)
	switch {
	case p.env.Quiet:
	case p.damaged > 0:
		p.env.Printf("Next: find better copies of the damaged ones, or say --include-damaged to plan and make.\n")
	case p.whole > 0:
		p.env.Printf("Next: remanence plan --machine CLASS FILE...\n")
	}
	return nil
}

func printReport(env *Env, r *program.FileReport) {
	state := "whole"
	switch {
	case r.Kind == program.Unknown:
		state = "data"
	case !r.Whole:
		state = "damaged"
	}
	env.Printf("%s\n  %s, %s, %d bytes", r.Path, kindWords(r), state, r.Size)
	if r.Name != "" {
		env.Printf(", named %q", r.Name)
	}
	env.Printf("\n")
	if len(r.LoadRanges) > 0 {
		env.Printf("  loads %s", rangeWords(r.LoadRanges))
		if r.Entry != nil {
			env.Printf(", entry %04Xh", *r.Entry)
		}
		if r.RAMKiB > 0 {
			env.Printf(", needs %d KiB", r.RAMKiB)
		}
		env.Printf("\n")
	}
	if len(r.RunsOn) > 0 {
		env.Printf("  runs on %s\n", strings.Join(r.RunsOn, ", "))
	}
	for _, f := range r.Faults {
		env.Printf("  %s\n", f)
	}
	for _, n := range r.Notes {
		env.Printf("  note: %s\n", n)
	}
	if r.DuplicateOf != "" {
		env.Printf("  note: the same as %s\n", r.DuplicateOf)
	}
}

func kindWords(r *program.FileReport) string {
	if r.Form == "" {
		return string(r.Kind)
	}
	return string(r.Kind) + " (" + r.Form + ")"
}

func rangeWords(rs [][2]int) string {
	const most = 6
	var s []string
	for i, r := range rs {
		if i == most {
			s = append(s, fmt.Sprintf("and %d more", len(rs)-most))
			break
		}
		s = append(s, fmt.Sprintf("%04Xh-%04Xh", r[0], r[1]-1))
	}
	return strings.Join(s, ", ")
}

func either(n int, one, many string) string {
	if n == 1 {
		return one
	}
	return many
}

// compare says where two files differ: volumes by their files, programs by what they load.
func (c *inspectCmd) compare(env *Env, set *machine.Set) error {
	if len(c.Files) != 2 {
		return outcome.As(outcome.Usage, fmt.Errorf("--compare: two files are compared, %d are given", len(c.Files)))
	}
	var data [2][]byte
	for i, p := range c.Files {
		d, err := readInput(p)
		if err != nil {
			return err
		}
		data[i] = d
	}
	if v, ok := volumesOf(set, data); ok {
		return c.compareVolumes(env, v)
	}
	cmp := program.Compare(data[0], data[1])
	err := env.Report(cmp, func() { printComparison(env, c.Files, cmp) })
	if err == nil && !cmp.SameProgram {
		err = outcome.ErrIncomplete
	}
	return err
}

// volumesOf opens both files as disk images; ok is false where one of them is none.
func volumesOf(set *machine.Set, data [2][]byte) (v [2]volume.Volume, ok bool) {
	opt := volume.Options{Recordings: set.Recordings(), ParameterSets: set.ParameterSets()}
	for i, d := range data {
		if len(d) < plan.SmallestImage || len(d)%128 != 0 {
			return v, false
		}
		var err error
		if v[i], _, err = volume.Open(d, opt); err != nil {
			return v, false
		}
	}
	return v, true
}

// volumeComparison is the JSON of --compare for two images.
type volumeComparison struct {
	Same        bool                `json:"same"`
	KindA       string              `json:"kind-a"`
	KindB       string              `json:"kind-b"`
	Differences []volume.Difference `json:"differences"`
}

func (c *inspectCmd) compareVolumes(env *Env, v [2]volume.Volume) error {
	out := volumeComparison{KindA: v[0].Kind(), KindB: v[1].Kind(), Differences: volume.Compare(v[0], v[1])}
	out.Same = len(out.Differences) == 0
	if out.Same {
		out.Differences = []volume.Difference{}
	}
	err := env.Report(out, func() {
		if out.Same {
			env.Printf("%s and %s hold the same volume, byte for byte.\n", c.Files[0], c.Files[1])
			return
		}
		env.Printf("first:  %s (%s volume)\nsecond: %s (%s volume)\n\n", c.Files[0], out.KindA, c.Files[1], out.KindB)
		for _, d := range out.Differences {
			name := d.Name
			if name != "" {
				name = " " + name
			}
			env.Printf("%s%s: %s (%d %s)\n", d.Where, name, d.What, d.Bytes, either(d.Bytes, "byte", "bytes"))
		}
	})
	if err == nil && !out.Same {
		err = outcome.ErrIncomplete
	}
	return err
}

func printComparison(env *Env, files []string, cmp *program.Comparison) {
	if cmp.Same {
		env.Printf("%s and %s are the same, byte for byte.\n", files[0], files[1])
		return
	}
	env.Printf("first:  %s (%s)\nsecond: %s (%s)\n\n", files[0], cmp.KindA, files[1], cmp.KindB)
	for _, d := range cmp.Differences {
		env.Printf("%s: %s\n", d.Where, d.What)
	}
	if cmp.More > 0 {
		env.Printf("and %d more differences\n", cmp.More)
	}
}

// readInput reads a program file whole; larger ones than any program has are refused before they fill the memory.
func readInput(path string) ([]byte, error) {
	in := os.Stdin
	if path != "-" {
		f, err := os.Open(path)
		if err != nil {
			return nil, outcome.As(outcome.Input, missing(path, err))
		}
		defer f.Close()
		in = f
	}
	data, err := io.ReadAll(io.LimitReader(in, program.MaxProgramBytes+1))
	if err != nil {
		return nil, outcome.As(outcome.Input, fmt.Errorf("%s: %w", path, err))
	}
	if len(data) > program.MaxProgramBytes {
		return nil, outcome.As(outcome.Input, fmt.Errorf("%s: longer than the %d bytes that a program can have", path, program.MaxProgramBytes))
	}
	return data, nil
}
