package main

import (
	"fmt"
	"path/filepath"
	"strconv"
	"strings"
	"unicode"
	"unicode/utf8"

	"remanence/internal/outcome"
	"remanence/internal/words"
	"remanence/machine"
	"remanence/master"
	"remanence/plan"
)

// jobFlags are what plan and make are told: a job file, files and folders, and what overrides the job.
type jobFlags struct {
	Files          []string `arg:"" optional:"" name:"file" help:"A job file (ends in .toml, stands first), then files and folders; folders are walked."`
	Machine        string   `short:"m" placeholder:"CLASS" help:"Machine class (default: z80-fm10)."`
	Recording      string   `placeholder:"NAME:CxS" help:"Disk recording, as fm10x256:35x1 (default: the machine's usual one)."`
	Cylinders      int      `placeholder:"N" help:"Cylinders of the disks."`
	Sides          int      `placeholder:"N" help:"Sides of the disks: 1 or 2."`
	To             string   `enum:"auto,disk,tape" default:"auto" help:"Where files go that the job says nothing of: auto (forms made for tape to tape, the rest to disk), disk or tape."`
	Cassette       string   `placeholder:"C-30" help:"Length of the cassettes: C-15, C-30, C-60, ... minutes of both sides."`
	Code           string   `placeholder:"NAME" help:"Line code of the tapes (default: the machine's usual one)."`
	Copies         int      `default:"1" placeholder:"N" help:"How often each program is recorded on a tape, one after the other."`
	Title          string   `placeholder:"TEXT" help:"Title on labels, volumes and report."`
	IncludeDamaged bool     `help:"Take damaged files along, marked."`
}

// request reads the job and the profiles.
func (j *jobFlags) request(env *Env, out string) (master.Request, error) {
	q := master.Request{Machine: j.Machine, Recording: j.Recording, Cylinders: j.Cylinders, Sides: j.Sides, Code: j.Code, Copies: j.Copies,
		Title: j.Title, IncludeDamaged: j.IncludeDamaged, Out: out}
	if j.To != "auto" {
		q.To = plan.Dest(j.To)
	}
	if j.Cassette != "" {
		if _, err := fmt.Sscanf(strings.TrimPrefix(strings.ToUpper(j.Cassette), "C-"), "%d", &q.Cassette); err != nil || q.Cassette < 5 || q.Cassette > 240 {
			return q, outcome.As(outcome.Usage, fmt.Errorf("--cassette %s: want C-15, C-30, C-60 or other minutes of 5 to 240", j.Cassette))
		}
	}
	if j.Cylinders < 0 || j.Sides < 0 || j.Sides > 2 {
		return q, outcome.As(outcome.Usage, fmt.Errorf("--cylinders %d --sides %d: want at least 1 cylinder, and 1 or 2 sides", j.Cylinders, j.Sides))
	}
	if j.Copies < 1 || j.Copies > 20 {
		return q, outcome.As(outcome.Usage, fmt.Errorf("--copies %d: want 1 to 20", j.Copies))
	}
	var err error
	if q.Set, err = machine.Load(env.ConfigDir()); err != nil {
		return q, err
	}
	q.Paths = j.Files
	if len(j.Files) > 0 && strings.EqualFold(filepath.Ext(j.Files[0]), ".toml") {
		if q.Job, err = plan.LoadJob(j.Files[0]); err != nil {
			return q, err
		}
		q.Paths = j.Files[1:]
	}
	return q, nil
}

// planCmd packs without writing.
type planCmd struct {
	jobFlags
}

// Help is the long help.
func (planCmd) Help() string {
	return `Says which file goes on which disk or tape side, what is left out and why, and the fewest media that could do
by proof. Nothing is written. A job file says what flags say, and more: names, groups that stay together, files that
go on disk and tape (see doc/making.md).

Examples:
  remanence plan archive/
  remanence plan job.toml --include-damaged
  remanence plan --machine z80-fm10 --cylinders 35 --json archive/ | jq '.media[].files[].name'`
}

// Run is the command.
func (c *planCmd) Run(env *Env) error {
	q, err := c.request(env, "")
	if err != nil {
		return err
	}
	a, err := master.Arrange(env.Context, q, env.Progress())
	if err != nil {
		return err
	}
	r := master.Planned(a)
	if err := env.Report(r, func() {
		printAssumed(env, a)
		printPlan(env, r, false)
		if len(r.Media) > 0 {
			env.Remark("\nNext: remanence make with the same words, and --out FOLDER.\n")
		}
	}); err != nil {
		return err
	}
	if len(r.LeftOut) > 0 {
		return outcome.ErrIncomplete
	}
	return nil
}

func printAssumed(env *Env, a *master.Arrangement) {
	for _, s := range a.Assumed {
		env.Remark("Assumed: %s.\n", s)
	}
}

// printPlan prints what goes where. made adds what came of it.
func printPlan(env *Env, r *master.Result, made bool) {
	disks, sides := 0, 0
	for _, m := range r.Media {
		env.Printf("\n%s\n", mediumLine(r, m))
		if made {
			env.Printf("     %s\n", proofLine(m))
		}
		for i := range m.Files {
			f := &m.Files[i]
			mark := ""
			if f.Damaged {
				mark = "  damaged"
			}
			if made && m.Lost(f) {
				mark += "  did not come back"
			}
			if !made || mark != "" { // of a plan that is the result itself; of what was made, only what needs a look
				env.Printf("     %-14s %7d  %s%s\n", f.Name, f.Size, onLine(f.Path), mark)
			} else {
				env.Remark("     %-14s %7d  %s%s\n", f.Name, f.Size, onLine(f.Path), mark)
			}
		}
		if m.Disk != nil {
			disks++
		} else {
			sides++
		}
	}
	if len(r.LeftOut) > 0 {
		env.Printf("\nLeft out:\n")
		for _, l := range r.LeftOut {
			env.Printf("     %s: %s\n", onLine(l.Path), l.Why)
		}
	}
	for _, n := range r.Notes {
		env.Remark("Note: %s.\n", n)
	}
	best := "fewer cannot do"
	if r.LowerBound < disks+sides {
		best = fmt.Sprintf("a lower bound is %d", r.LowerBound)
	}
	if disks+sides == 0 {
		env.Printf("\nNothing to make.\n")
		return
	}
	env.Printf("\n%s; %s.\n", strings.Join(nonEmpty(some(disks, "disk"), some(sides, "tape side")), " and "), best)
}

func mediumLine(r *master.Result, m *master.Medium) string {
	kind := "disk"
	free := fmt.Sprintf("%.1f KiB free", float64(m.FreeBytes)/1024)
	if m.Disk == nil {
		kind = fmt.Sprintf("side of a C-%d", r.Arranged.Cassette)
		free = fmt.Sprintf("%.0f of %.0f s", m.LengthS, m.SideS)
	}
	title := ""
	if m.Title != "" {
		title = ", " + m.Title
	}
	return fmt.Sprintf("%-6s%s, %s%s: %s, %s", m.ID, kind, m.Reference(), title, words.Count(len(m.Files), "file"), free)
}

func proofLine(m *master.Medium) string {
	p := m.Proof
	state := "verified"
	if !m.Verified {
		state = "NOT verified"
	}
	if m.Disk != nil {
		return fmt.Sprintf("%s: %d of %d sectors, %d of %d files back byte for byte, least margin %.0f %%", state, p.SectorsGood, p.SectorsExpected, p.FilesGood, p.FilesExpected, 100*p.LeastMargin)
	}
	return fmt.Sprintf("%s: %d of %d programs back byte for byte, speed %+.2f %%", state, p.FilesGood, p.FilesExpected, p.SpeedPercent)
}

// some is a number of things, and nothing where there are none.
func some(n int, thing string) string {
	if n == 0 {
		return ""
	}
	return words.Count(n, thing)
}

func nonEmpty(s ...string) []string {
	out := []string{}
	for _, x := range s {
		if x != "" {
			out = append(out, x)
		}
	}
	return out
}

// onLine is a path as it can stand on a terminal: names from old media may hold bytes that would move the cursor.
func onLine(path string) string {
	for _, r := range path {
		if r == utf8.RuneError || !unicode.IsPrint(r) {
			q := strconv.Quote(path)
			return q[1 : len(q)-1]
		}
	}
	return path
}
