package main

import (
	"cmp"
	"context"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"time"

	"remanence/internal/outcome"
	"remanence/internal/safefile"
	"remanence/machine"
	"remanence/plan"
	"remanence/program"
	"remanence/shelf"
)

// shelfCmd is the catalogue and the log.
type shelfCmd struct {
	File string `name:"shelf" type:"path" env:"REMANENCE_SHELF" placeholder:"FILE" help:"The shelf (default: shelf.sqlite in the configuration folder)."`

	Add    shelfAddCmd    `cmd:"" help:"Put files, folders and what make wrote on the shelf."`
	Ls     shelfLsCmd     `cmd:"" help:"List files, masters, media or runs; duplicates too."`
	Show   shelfShowCmd   `cmd:"" help:"All that is known of one file, master or medium."`
	Log    shelfLogCmd    `cmd:"" help:"Log that a medium was written, read or verified, and what came of it."`
	Medium shelfMediumCmd `cmd:"" help:"Put a blank medium on the shelf, or change its title and place."`
	Note   shelfNoteCmd   `cmd:"" help:"Put a note or tags on a file, master or medium; change or remove them."`
	Search shelfSearchCmd `cmd:"" help:"Find anything by the beginnings of words."`
	Risk   shelfRiskCmd   `cmd:"" help:"Say what may be lost, and what to do about it."`
	Export shelfExportCmd `cmd:"" help:"Write the whole shelf in open forms: JSON Lines, CSV or a BagIt bag."`
	Import shelfImportCmd `cmd:"" help:"Take in an export, or a table of media."`
	Check  shelfCheckCmd  `cmd:"" help:"Check the shelf's file, or masters and bags against their own sums."`
}

func (shelfCmd) Help() string {
	return `The shelf remembers which files there are, which masters were made of them, which disks and cassettes carry them,
and every time one was written or read. It is one file; several programs may use it at once; a dated copy is kept
beside it each day something changes.

Example, from the files to a proven disk:
  remanence shelf add archive/ masters/
  remanence shelf log SCC-0012 write --master D01 --equipment "drive A"
  remanence shelf log SCC-0012 read --outcome good --margin 45 --equipment "drive A"
  remanence shelf search tides
  remanence shelf risk`
}

// open opens the shelf for a command that works on it. Only one that looks into files needs recognisers.
func (c *shelfCmd) open(env *Env, mustExist bool, known ...program.Recognizer) (*shelf.Shelf, error) {
	path := c.File
	if path == "" {
		dir := env.ConfigDir()
		if dir == "" {
			return nil, outcome.As(outcome.Usage, fmt.Errorf("shelf: this system has no configuration folder; say --shelf FILE"))
		}
		path = filepath.Join(dir, "shelf.sqlite")
	}
	return shelf.Open(env.Context, path, shelf.Options{MustExist: mustExist, Recognizers: known})
}

// with opens the shelf, works on it and closes it.
func (c *shelfCmd) with(env *Env, mustExist bool, f func(ctx context.Context, s *shelf.Shelf) error, known ...program.Recognizer) error {
	s, err := c.open(env, mustExist, known...)
	if err != nil {
		return err
	}
	err = f(env.Context, s)
	if cerr := s.Close(); err == nil {
		err = cerr
	}
	return err
}

type shelfAddCmd struct {
	Paths []string `arg:"" type:"path" help:"Files and folders. The manifest.json of a make result brings its masters."`
}

func (shelfAddCmd) Help() string {
	return `Files are known by their content: the same content at two paths is one file with two paths. The files themselves stay
where they are.

Example:
  remanence shelf add archive/ masters/`
}

func (c *shelfAddCmd) Run(env *Env, all *commands) error {
	set, err := machine.Load(env.ConfigDir())
	if err != nil {
		return err
	}
	return all.Shelf.with(env, false, func(ctx context.Context, s *shelf.Shelf) error {
		a, err := s.AddPaths(ctx, c.Paths, env.Progress())
		if err != nil {
			return err
		}
		if err := env.Report(a, func() {
			env.Printf("%s new, %d known already, %s new.\n", cmp.Or(some(a.Files, "file"), "no file"), a.Known, cmp.Or(some(a.Masters, "master"), "no master"))
			for _, k := range a.Skipped {
				env.Printf("  left out: %s\n", k)
			}
			env.Printf("\nNext: remanence shelf search WORD, or log a disk you write: remanence shelf log NUMBER write --master D01\n")
		}); err != nil {
			return err
		}
		if len(a.Skipped) > 0 {
			return outcome.ErrIncomplete
		}
		return nil
	}, plan.ImageRecognizer(set))
}

type shelfLsCmd struct {
	What   string `arg:"" optional:"" default:"media" enum:"files,masters,media,runs,duplicates,near" help:"files, masters, media, runs, duplicates (one content at several paths) or near (contents nearly the same)."`
	Limit  int    `default:"1000" help:"At most so many."`
	Offset int    `help:"Files: begin after so many."`
}

func (shelfLsCmd) Help() string {
	return `Example:
  remanence shelf ls near`
}

func (c *shelfLsCmd) Run(env *Env, all *commands) error {
	if c.Limit < 1 || c.Offset < 0 {
		return outcome.As(outcome.Usage, fmt.Errorf("--limit %d, --offset %d: want 1 or more, 0 or more", c.Limit, c.Offset))
	}
	return all.Shelf.with(env, true, func(ctx context.Context, s *shelf.Shelf) error {
		switch c.What {
		case "files":
			v, err := s.Files(ctx, c.Offset, c.Limit)
			return shelfList(env, c.What, v, err, func(f shelf.File) string {
				return fmt.Sprintf("%.12s %10d  %-13s %-7s %s", f.SHA256, f.Size, f.Kind, either(b2n(f.Whole), "whole", "faults"), f.Name)
			})
		case "masters":
			v, err := s.Masters(ctx)
			return shelfList(env, c.What, v, err, func(m shelf.Master) string {
				return fmt.Sprintf("%-8s %-4s %-14s %-12s %.12s  %s", m.Number, m.Type, m.Recording, either(b2n(m.Verified), "verified", "not verified"), m.SHA256, strings.TrimSuffix(m.Title+", "+m.Origin(), ", "))
			})
		case "runs":
			v, err := s.Runs(ctx, "", c.Limit)
			return shelfList(env, c.What, v, err, shelfRunLine)
		case "duplicates":
			v, err := s.Duplicates(ctx, c.Limit)
			return shelfList(env, c.What, v, err, func(d shelf.Duplicate) string {
				return fmt.Sprintf("%s, %d bytes, at %d places:\n  %s", d.File.Name, d.File.Size, len(d.Paths), strings.Join(d.Paths, "\n  "))
			})
		case "near":
			v, err := s.Near(ctx, c.Limit)
			return shelfList(env, c.What, v, err, func(p shelf.Pair) string {
				return fmt.Sprintf("%3.0f %%  %s (%.8s, %d bytes)  %s (%.8s, %d bytes)", 100*p.Alike, p.A.Name, p.A.SHA256, p.A.Size, p.B.Name, p.B.SHA256, p.B.Size)
			})
		}
		v, err := s.Media(ctx)
		return shelfList(env, c.What, v, err, shelfMediumLine)
	})
}

func b2n(b bool) int {
	if b {
		return 1
	}
	return 2
}

func shelfMediumLine(m shelf.Medium) string {
	return fmt.Sprintf("%-14s %-4s %-8s %-15s %-20s %s", m.Number, m.Type, m.State, m.Read(), m.Place, m.Title)
}

func shelfRunLine(r shelf.Run) string {
	margin := ""
	if r.Margin != nil {
		margin = fmt.Sprintf("margin %.0f %%", 100**r.Margin)
	}
	return strings.TrimRight(fmt.Sprintf("%s  %-14s %-6s %-8s %-12s %-16s %s", r.At.Format("2006-01-02 15:04"), r.Medium, r.Kind, r.Outcome, margin, r.Equipment, r.Detail), " ")
}

// shelfList prints a list, a line each, or {"WHAT": [...]}.
func shelfList[T any](env *Env, what string, list []T, err error, line func(T) string) error {
	if err != nil {
		return err
	}
	return env.Report(map[string]any{what: list}, func() {
		for _, v := range list {
			env.Printf("%s\n", line(v))
		}
		if len(list) == 0 {
			env.Printf("No %s on the shelf.\n", map[string]string{"near": "nearly the same files"}[what]+map[bool]string{true: what}[what != "near"])
		}
	})
}

type shelfShowCmd struct {
	Ref string `arg:"" help:"A medium's number, a master's (D01, or D01:3fa9 where there are several), the beginning of a SHA-256, a file's name or path."`
}

func (shelfShowCmd) Help() string {
	return `Example:
  remanence shelf show SCC-0012`
}

func (c *shelfShowCmd) Run(env *Env, all *commands) error {
	return all.Shelf.with(env, true, func(ctx context.Context, s *shelf.Shelf) error {
		d, err := s.Show(ctx, c.Ref)
		if err != nil {
			return err
		}
		return env.Report(d, func() { printDetail(env, d) })
	})
}

func printDetail(env *Env, d *shelf.Detail) {
	if f := d.File; f != nil {
		env.Printf("%s: %s, %d bytes, %s\n  SHA-256 %s\n", f.Name, f.Kind, f.Size, either(b2n(f.Whole), "whole", "with faults or of no known kind"), f.SHA256)
		if f.About != "" {
			env.Printf("  %s\n", f.About)
		}
		for _, p := range f.Paths {
			env.Printf("  at %s\n", p)
		}
		if len(d.On) == 0 {
			env.Printf("  on no medium\n")
		}
	}
	if m := d.Medium; m != nil {
		env.Printf("%s\n", strings.TrimRight(shelfMediumLine(*m), " "))
	}
	if m := d.Master; m != nil {
		env.Printf("master %s, %s, %s, %s: %s\n  SHA-256 %s\n  %s\n", m.Number, m.Type, m.Recording, either(b2n(m.Verified), "verified", "not verified"), m.Title, m.SHA256, m.Path)
		for _, it := range m.Items {
			damaged := ""
			if it.Damaged {
				damaged = "  damaged"
			}
			env.Printf("    %-2s%-14s %-10s %-10s %s%s\n", it.Side, it.Name, it.At, it.Size, it.Path, damaged)
		}
	}
	for _, m := range d.On {
		env.Printf("  on %s\n", strings.TrimRight(fmt.Sprintf("%s  %s", m.Where(), m.Title), " "))
	}
	for _, m := range d.Masters {
		env.Printf("  on master %s:%.6s, %s: %s\n", m.Number, m.SHA256, m.Origin(), m.Title)
	}
	for _, n := range d.Near {
		env.Printf("  nearly the same (%.0f %%): %s (%.12s, %d bytes)\n", 100*n.Alike, n.File.Name, n.File.SHA256, n.File.Size)
	}
	for _, r := range d.Runs {
		env.Printf("  %s\n", shelfRunLine(r))
	}
	if len(d.Tags) > 0 {
		env.Printf("  tags: %s\n", strings.Join(d.Tags, ", "))
	}
	for _, n := range d.Notes {
		env.Printf("  %.10s [%.6s]: %s\n", n.At, n.UID, n.Text)
	}
}

type shelfLogCmd struct {
	Medium    string `arg:"" optional:"" help:"The number on the medium's label; without one, the latest runs are listed."`
	Kind      string `arg:"" optional:"" help:"write, read or verify; without one, the medium's runs are listed."`
	Outcome   string `default:"good" help:"good, repaired, doubtful or lost."`
	Margin    string `placeholder:"PERCENT" help:"Least margin that was measured, in per cent of the half window."`
	Equipment string `short:"e" placeholder:"TEXT" help:"Drive, deck, adapter: what it was done with."`
	Detail    string `placeholder:"TEXT" help:"What is worth knowing."`
	Master    string `placeholder:"D01" help:"Write: the master that was written."`
	Image     string `placeholder:"SHA256" help:"Write: sum of the image that was written, where it may be no master of this shelf: the medium then carries none any more."`
	Type      string `placeholder:"TYPE" help:"disk or tape, for a medium that is new and has no master."`
	Title     string `placeholder:"TEXT" help:"Title of the medium (default: the master's)."`
	Place     string `placeholder:"TEXT" help:"Where the medium is kept."`
	At        string `placeholder:"TIME" help:"When it was, as 2026-11-24 or 2026-11-24T15:04:05Z (default: now)."`
}

func (shelfLogCmd) Help() string {
	return `A medium comes on the shelf with its first run. Its state follows its latest run: made after a write, proven after a
good reading, failing after any other.

Examples:
  remanence shelf log SCC-0012 write --master D01 --equipment "drive A" --place "box 3"
  remanence shelf log SCC-0012 read --margin 45
  remanence shelf log SCC-0012`
}

func (c *shelfLogCmd) Run(env *Env, all *commands) error {
	return all.Shelf.with(env, c.Kind == "" || c.Master != "", func(ctx context.Context, s *shelf.Shelf) error {
		if c.Kind == "" {
			v, err := s.Runs(ctx, c.Medium, 1000)
			return shelfList(env, "runs", v, err, shelfRunLine)
		}
		r := shelf.Run{Medium: c.Medium, Kind: shelf.RunKind(c.Kind), Outcome: shelf.Outcome(c.Outcome), Equipment: c.Equipment, Detail: c.Detail,
			Master: c.Master, Image: c.Image, Type: c.Type, Title: c.Title, Place: c.Place}
		if c.Margin != "" {
			v, err := shelf.ParsePercent(c.Margin)
			if err != nil {
				return outcome.As(outcome.Usage, err)
			}
			r.Margin = &v
		}
		if c.At != "" {
			t, err := time.Parse(time.RFC3339, c.At)
			if err != nil {
				t, err = time.Parse("2006-01-02", c.At)
			}
			if err != nil {
				return outcome.As(outcome.Usage, fmt.Errorf("--at %s: want 2026-11-24 or 2026-11-24T15:04:05Z", c.At))
			}
			r.At = t
		}
		kept, err := s.Log(ctx, r)
		if err != nil {
			return err
		}
		return env.Report(map[string]any{"run": kept}, func() { env.Printf("%s\n", shelfRunLine(*kept)) })
	})
}

type shelfMediumCmd struct {
	Number string  `arg:"" help:"The number on the medium's label."`
	Type   string  `placeholder:"TYPE" help:"disk or tape; it makes a new medium."`
	Title  *string `placeholder:"TEXT" help:"Its title."`
	Place  *string `placeholder:"TEXT" help:"Where it is kept."`
}

func (shelfMediumCmd) Help() string {
	return `With --type a blank medium comes on the shelf, one that was not written yet. Without it, title and place of one that is
there are changed. Its state follows its runs: see shelf log.

Examples:
  remanence shelf medium SCC-0013 --type disk --title "Tide tables" --place "box 3"
  remanence shelf medium SCC-0013 --place "reading room"`
}

func (c *shelfMediumCmd) Run(env *Env, all *commands) error {
	if c.Type == "" && c.Title == nil && c.Place == nil {
		return outcome.As(outcome.Usage, fmt.Errorf("shelf medium %s: want --type for a new one, or --title or --place", c.Number))
	}
	return all.Shelf.with(env, c.Type == "", func(ctx context.Context, s *shelf.Shelf) error {
		var err error
		if c.Type != "" {
			m := shelf.Medium{Number: c.Number, Type: c.Type}
			if c.Title != nil {
				m.Title = *c.Title
			}
			if c.Place != nil {
				m.Place = *c.Place
			}
			err = s.AddMedium(ctx, m)
		} else {
			err = s.ChangeMedium(ctx, c.Number, c.Title, c.Place)
		}
		if err != nil {
			return err
		}
		d, err := s.Show(ctx, shelf.MediumRef(c.Number))
		if err != nil {
			return err
		}
		return env.Report(d, func() { printDetail(env, d) })
	})
}

type shelfNoteCmd struct {
	Ref    string   `arg:"" help:"What it is about: see shelf show."`
	Text   string   `arg:"" optional:"" help:"The note."`
	Edit   string   `placeholder:"MARK" help:"Give the note of this mark the new text; shelf show lists the marks."`
	Remove string   `placeholder:"MARK" help:"Remove the note of this mark."`
	Tag    []string `short:"t" help:"Tag to put on; -TAG takes it off (say --tag=-TAG)."`
}

func (shelfNoteCmd) Help() string {
	return `Examples:
  remanence shelf note SCC-0012 "label torn, number written again" --tag reading-room
  remanence shelf note SCC-0012 "label replaced" --edit 3fa9
  remanence shelf note SCC-0012 --remove 3fa9 --tag=-reading-room`
}

func (c *shelfNoteCmd) Run(env *Env, all *commands) error {
	switch {
	case c.Text == "" && len(c.Tag) == 0 && c.Remove == "" && c.Edit == "":
		return outcome.As(outcome.Usage, fmt.Errorf("shelf note: want a text, --remove or --tag"))
	case c.Edit != "" && c.Text == "":
		return outcome.As(outcome.Usage, fmt.Errorf("shelf note --edit %s: want the new text", c.Edit))
	}
	return all.Shelf.with(env, true, func(ctx context.Context, s *shelf.Shelf) error {
		ref, err := s.Find(ctx, c.Ref)
		if err != nil {
			return err
		}
		if c.Remove != "" {
			if err := s.RemoveNote(ctx, ref, c.Remove); err != nil {
				return err
			}
		}
		switch {
		case c.Edit != "":
			err = s.EditNote(ctx, ref, c.Edit, c.Text)
		case c.Text != "":
			err = s.AddNote(ctx, ref, c.Text)
		}
		if err != nil {
			return err
		}
		if len(c.Tag) > 0 {
			if err := s.Tag(ctx, ref, c.Tag...); err != nil {
				return err
			}
		}
		d, err := s.Show(ctx, ref)
		if err != nil {
			return err
		}
		return env.Report(d, func() { printDetail(env, d) })
	})
}

type shelfSearchCmd struct {
	Words []string `arg:"" help:"Beginnings of words; all must be there."`
	Limit int      `default:"50" help:"At most so many, up to 200."`
}

func (shelfSearchCmd) Help() string {
	return `Searches numbers, titles, names, paths, kinds, SHA-256 sums, notes and tags.

Example:
  remanence shelf search tide bas`
}

func (c *shelfSearchCmd) Run(env *Env, all *commands) error {
	return all.Shelf.with(env, true, func(ctx context.Context, s *shelf.Shelf) error {
		hits, more, err := s.Search(ctx, strings.Join(c.Words, " "), c.Limit)
		if err != nil {
			return err
		}
		return env.Report(map[string]any{"hits": hits, "more": more}, func() {
			for _, h := range hits {
				about := h.About
				if len(about) > 90 && h.Where == "" {
					about = strings.ToValidUTF8(about[:90], "") + "…"
				}
				env.Printf("%-7s %-28s %s\n", h.Kind, h.Title, about)
			}
			switch {
			case len(hits) == 0:
				env.Printf("Nothing on the shelf has all of these words.\n")
			case more:
				env.Printf("\nThere is more; add a word.\n")
			}
		})
	})
}

type shelfRiskCmd struct{}

func (shelfRiskCmd) Help() string {
	return `Exit status 1: something is at risk.

Example:
  remanence shelf risk`
}

func (c *shelfRiskCmd) Run(env *Env, all *commands) error {
	return all.Shelf.with(env, true, func(ctx context.Context, s *shelf.Shelf) error {
		r, err := s.AtRisk(ctx)
		if err != nil {
			return err
		}
		if err := env.Report(r, func() {
			total := r.Total()
			if total == 0 {
				env.Printf("Nothing is at risk: every file has a second copy, and every medium was read whole within two years.\n")
				return
			}
			kind := ""
			for _, x := range r.List {
				if x.Kind != kind {
					if kind != "" {
						env.Printf("\n")
					}
					kind = x.Kind
					env.Printf("%s: %s.\n", map[string]string{"failing": "Failing", "margin": "Margin falls", "unread": "Not read for two years", "never-read": "Never read back", "one-copy": "No second copy"}[kind], x.Do)
				}
				env.Printf("  %s\n", x.What)
			}
			if left := total - len(r.List); left > 0 {
				env.Printf("  and %d more\n", left)
			}
		}); err != nil {
			return err
		}
		if len(r.List) > 0 {
			return outcome.ErrIncomplete
		}
		return nil
	})
}

type shelfExportCmd struct {
	Out   string `short:"o" required:"" type:"path" placeholder:"PATH" help:"FILE.jsonl, a new folder for CSV tables, or a new folder for a bag; - writes JSON Lines to standard output."`
	As    string `enum:"jsonl,csv,bag" default:"jsonl" help:"jsonl, csv or bag."`
	Files bool   `help:"Bag: put in the files themselves, where their content is still the same."`
	Date  string `placeholder:"DATE" help:"Bag: its date, YYYY-MM-DD (default: none)."`
	Force bool   `help:"Replace outputs that are there."`
}

func (shelfExportCmd) Help() string {
	return `Example:
  remanence shelf export -o shelf.jsonl
  remanence shelf export --as bag --files -o collection-bag`
}

func (c *shelfExportCmd) Run(env *Env, all *commands) error {
	return all.Shelf.with(env, true, func(ctx context.Context, s *shelf.Shelf) error {
		missing := []string{}
		switch c.As {
		case "jsonl":
			if filepath.Base(c.Out) == "-" {
				return s.ExportJSONL(ctx, env.Stdout)
			}
			f, err := safefile.Create(c.Out, c.Force)
			if err != nil {
				return err
			}
			defer f.Close()
			if err := s.ExportJSONL(ctx, f); err != nil {
				return err
			}
			if err := f.Commit(); err != nil {
				return err
			}
		case "csv":
			tables, err := s.ExportCSV(ctx)
			if err != nil {
				return err
			}
			for _, t := range shelf.Tables {
				if err := safefile.WriteFile(filepath.Join(c.Out, t+".csv"), tables[t], c.Force); err != nil {
					return err
				}
			}
		case "bag":
			m, err := s.ExportBag(ctx, c.Out, shelf.BagOptions{Files: c.Files, Date: c.Date, Force: c.Force}, env.Progress())
			if err != nil {
				return err
			}
			missing = append(missing, m...)
		}
		if err := env.Report(map[string]any{"written": c.Out, "form": c.As, "missing": missing}, func() {
			env.Printf("Written to %s.\n", c.Out)
			for _, m := range missing {
				env.Printf("  not found any more, or changed: %s\n", m)
			}
		}); err != nil {
			return err
		}
		if len(missing) > 0 {
			return outcome.ErrIncomplete
		}
		return nil
	})
}

type shelfImportCmd struct {
	From string `arg:"" type:"path" help:"shelf.jsonl, a bag made by export, or a CSV table of media with the columns number, type, title, place, state."`
}

func (shelfImportCmd) Help() string {
	return `What is there already stays as it is; the same import twice changes nothing. A fault names the line, and then nothing
of the import is kept.

Example:
  remanence shelf import old-list.csv`
}

func (c *shelfImportCmd) Run(env *Env, all *commands) error {
	path := c.From
	if st, err := os.Stat(path); err == nil && st.IsDir() {
		path = filepath.Join(path, "data", "shelf.jsonl")
	}
	f, err := os.Open(path)
	if err != nil {
		return outcome.As(outcome.Input, err)
	}
	defer f.Close()
	return all.Shelf.with(env, false, func(ctx context.Context, s *shelf.Shelf) error {
		take := s.ImportJSONL
		if strings.EqualFold(filepath.Ext(path), ".csv") {
			take = s.ImportCSV
		}
		in, err := take(ctx, path, f)
		if err != nil {
			return err
		}
		return env.Report(in, func() {
			env.Printf("New: %d files, %d masters, %d media, %d runs, %d notes, %d tags.\n", in.Files, in.Masters, in.Media, in.Runs, in.Notes, in.Tags)
		})
	})
}
