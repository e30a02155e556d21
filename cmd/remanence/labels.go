package main

import (
	"cmp"
	"context"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"strings"

	"remanence/internal/outcome"
	"remanence/internal/safefile"
	"remanence/internal/words"
	"remanence/label"
	"remanence/machine"
	"remanence/picture"
	"remanence/shelf"
)

// labelsCmd prints labels.
type labelsCmd struct {
	From  []string `arg:"" optional:"" type:"path" help:"Folders that make wrote, or their manifest.json. Without any, the labels are described by flags."`
	Out   string   `short:"o" type:"path" placeholder:"FILE" help:"The PDF to write."`
	Sheet []string `short:"s" placeholder:"NAME" help:"Label sheet, may be given several times (default: a disk label and a cassette insert on A4); see --list."`
	List  bool     `help:"List the label sheets there are, and write nothing."`
	Start int      `default:"1" placeholder:"N" help:"Begin at this label of a used sheet, counted row by row from 1."`
	Only  []string `placeholder:"NUMBER" help:"Only these media."`
	As    []string `placeholder:"OLD=NEW" help:"Print another number: --as D01=SCC-0012."`
	Date  string   `placeholder:"DATE" help:"Date to print (default: none; no clock is read)."`
	Force bool     `help:"Replace the PDF if it is there."`

	Medium []string `placeholder:"NUMBER" help:"Media of your shelf, by their numbers."`
	Shelf  string   `type:"path" env:"REMANENCE_SHELF" placeholder:"FILE" help:"The shelf (default: shelf.sqlite in the configuration folder)."`

	Number string   `placeholder:"NUMBER" help:"One medium by flags: its number."`
	Type   string   `enum:"disk,tape" default:"disk" help:"disk or tape."`
	Title  string   `placeholder:"TEXT" help:"Its title."`
	Rec    string   `name:"recording" placeholder:"NAME" help:"Its recording."`
	Name   []string `placeholder:"NAME" sep:"none" help:"A file on it; may be given several times. Side B begins with --name B:."`

	Kind   string `placeholder:"KIND" help:"Your own sheet: disk-label, cassette-label, insert, card or index. Lengths are millimetres."`
	Paper  string `default:"a4" placeholder:"SIZE" help:"Your own sheet: a4, letter, or WxH."`
	Size   string `placeholder:"WxH" help:"Your own sheet: size of a label."`
	Grid   string `placeholder:"CxR" help:"Your own sheet: columns and rows."`
	Origin string `placeholder:"X,Y" help:"Your own sheet: left and top edge of the first label."`
	Pitch  string `placeholder:"XxY" help:"Your own sheet: from one label to the next, across and down (default: the label's size)."`
	Cut    bool   `help:"Your own sheet: draw lines to cut along."`
}

func (labelsCmd) Help() string {
	return `Writes labels as PDF in exact millimetres. Print at 100 % ("actual size") and check the 100 mm mark with a ruler
before you spend a sheet of labels.

Examples:
  remanence labels masters/ -o labels.pdf
  remanence labels masters/ -s disk-5in-letter --start 5 --as D01=SCC-0012 -o labels.pdf
  remanence labels --number SCC-0013 --title "Tide tables" --name TIDES/BAS --name TIDES/DAT -o one.pdf
  remanence labels masters/ --kind disk-label --paper a4 --size 99x38 --grid 2x7 --origin 5,15 -o own.pdf
  remanence labels --medium SCC-0012 -o again.pdf
  remanence labels --list`
}

// labelsReport is the JSON of labels.
type labelsReport struct {
	File   string   `json:"file"`
	Sheets []string `json:"sheets"`
	Pages  int      `json:"pages"`
	Media  []string `json:"media"`
	Notes  []string `json:"notes"`
}

func (c *labelsCmd) Run(env *Env) error {
	set, err := machine.Load(env.ConfigDir())
	if err != nil {
		return err
	}
	if c.List {
		return listSheets(env, set)
	}
	if c.Out == "" {
		return outcome.Hint(outcome.Usage, fmt.Errorf("labels: no output"), "say -o labels.pdf, or --list to see the label sheets")
	}
	media, inputs, err := c.media(env)
	if err != nil {
		return err
	}
	sheets, err := c.sheets(set, media)
	if err != nil {
		return err
	}
	rep := labelsReport{File: c.Out, Notes: []string{}, Media: []string{}}
	if err := safefile.Distinct(c.Out, inputs...); err != nil {
		return err
	}
	var pages []*picture.Canvas
	for i, s := range sheets {
		start := 1
		if i == 0 {
			start = c.Start
		}
		p, notes, err := label.Pages(s, media, label.Options{Start: start})
		if err != nil {
			return err
		}
		pages = append(pages, p...)
		for _, n := range notes { // a tape needs no disk label where it gets an insert
			if !strings.Contains(n, ": no label on sheet ") || !slices.ContainsFunc(media, func(m label.Medium) bool {
				return strings.HasPrefix(n, m.Number+" is a ") && slices.ContainsFunc(sheets, func(q *label.Sheet) bool { return q.For(m.Type) })
			}) {
				rep.Notes = append(rep.Notes, n)
			}
		}
		rep.Sheets = append(rep.Sheets, s.Name)
	}
	for _, m := range media {
		rep.Media = append(rep.Media, m.Number)
	}
	rep.Pages = len(pages)
	f, err := safefile.Create(c.Out, c.Force)
	if err != nil {
		return err
	}
	defer f.Close()
	if err := picture.PDF(f, pages, picture.PDFMeta{Title: cmp.Or(media[0].Title, "labels"), Creator: "remanence " + version}); err != nil {
		return outcome.As(outcome.Output, fmt.Errorf("%s: %w", c.Out, err))
	}
	if err := f.Commit(); err != nil {
		return err
	}
	return env.Report(rep, func() {
		env.Printf("%s: %s for %s (%s).\n", c.Out, words.Count(len(pages), "page"), fmt.Sprint(len(media), " ", either(len(media), "medium", "media")), strings.Join(rep.Sheets, ", "))
		for _, n := range rep.Notes {
			env.Printf("  %s\n", n)
		}
		env.Printf("\nNext: print at 100 %% (actual size), check the 100 mm mark with a ruler, write on a label before it is on the medium.\n")
	})
}

// media are those of the manifests, or the one of the flags, with their numbers changed as asked.
func (c *labelsCmd) media(env *Env) (media []label.Medium, inputs []string, err error) {
	for _, from := range c.From {
		if st, err := os.Stat(from); err == nil && st.IsDir() {
			from = filepath.Join(from, "manifest.json")
		}
		data, err := os.ReadFile(from)
		if err != nil {
			return nil, nil, outcome.Hint(outcome.Input, err, "labels reads the manifest.json of a folder that make wrote")
		}
		m, err := label.FromManifest(from, data)
		if err != nil {
			return nil, nil, err
		}
		media, inputs = append(media, m...), append(inputs, from)
	}
	if len(c.Medium) > 0 {
		of := shelfCmd{File: c.Shelf}
		err := of.with(env, true, func(ctx context.Context, s *shelf.Shelf) error {
			for _, n := range c.Medium {
				d, err := s.Show(ctx, shelf.MediumRef(n))
				if err != nil {
					return err
				}
				media = append(media, d.Label())
			}
			return nil
		})
		if err != nil {
			return nil, nil, err
		}
	}
	if c.Number != "" {
		media = append(media, c.described())
	}
	if len(c.Only) > 0 {
		for _, n := range c.Only {
			if !slices.ContainsFunc(media, func(m label.Medium) bool { return m.Number == n }) {
				return nil, nil, outcome.As(outcome.Usage, fmt.Errorf("--only %s: no such medium", n))
			}
		}
		media = slices.DeleteFunc(media, func(m label.Medium) bool { return !slices.Contains(c.Only, m.Number) })
	}
	for _, as := range c.As {
		was, is, ok := strings.Cut(as, "=")
		i := slices.IndexFunc(media, func(m label.Medium) bool { return m.Number == was })
		if !ok || i < 0 {
			return nil, nil, outcome.As(outcome.Usage, fmt.Errorf("--as %s: want OLD=NEW, OLD being a medium's number", as))
		}
		media[i].Number = is
	}
	for i := range media {
		if c.Date != "" {
			media[i].Date = c.Date
		}
		if err := media[i].Check(); err != nil {
			return nil, nil, outcome.As(outcome.Usage, err)
		}
	}
	if len(media) == 0 {
		return nil, nil, outcome.Hint(outcome.Usage, fmt.Errorf("labels: nothing to print"), "name a folder that make wrote, or say --medium, or --number and --name")
	}
	return media, inputs, nil
}

// described is the medium that the flags tell of.
func (c *labelsCmd) described() label.Medium {
	m := label.Medium{Number: c.Number, Type: c.Type, Title: c.Title, Recording: c.Rec, Sides: []label.Side{{}}}
	if c.Type == "tape" {
		m.Sides[0].Name = "A"
	}
	for _, n := range c.Name {
		if n == "B:" && len(m.Sides) == 1 {
			m.Sides = append(m.Sides, label.Side{Name: "B"})
			continue
		}
		s := &m.Sides[len(m.Sides)-1]
		s.Items = append(s.Items, label.Item{Name: n})
	}
	return m
}

// sheets are those asked for: by name, by own sizes, or what suits the media.
func (c *labelsCmd) sheets(set *machine.Set, media []label.Medium) ([]*label.Sheet, error) {
	var out []*label.Sheet
	if c.Kind != "" || c.Size != "" || c.Grid != "" {
		s, err := c.ownSheet()
		if err != nil {
			return nil, outcome.As(outcome.Usage, err)
		}
		out = append(out, s)
	}
	names := c.Sheet
	if len(names) == 0 && len(out) == 0 {
		if slices.ContainsFunc(media, func(m label.Medium) bool { return m.Type == "disk" }) {
			names = append(names, "disk-5in-a4")
		}
		if slices.ContainsFunc(media, func(m label.Medium) bool { return m.Type == "tape" }) {
			names = append(names, "insert-a4")
		}
	}
	for _, n := range names {
		s, err := set.Sheet(n)
		if err != nil {
			return nil, outcome.Hint(outcome.Usage, err, "say 'remanence labels --list' for the sheets there are")
		}
		out = append(out, s)
	}
	return out, nil
}

func (c *labelsCmd) ownSheet() (*label.Sheet, error) {
	s := &label.Sheet{Name: "own", Title: "own sizes", Source: "command line", Kind: label.Kind(cmp.Or(c.Kind, string(label.DiskLabel))), Cut: c.Cut}
	if _, ok := label.Papers[strings.ToLower(c.Paper)]; ok {
		s.Paper = strings.ToLower(c.Paper)
	} else if err := pair("--paper", c.Paper, "x", &s.Width, &s.Height); err != nil {
		return nil, err
	}
	if s.Kind == label.Index {
		return s, s.Validate()
	}
	var cols, rows float64
	for _, p := range []struct {
		flag, text, sep string
		a, b            *float64
	}{{"--size", c.Size, "x", &s.LabelWidth, &s.LabelHeight}, {"--grid", c.Grid, "x", &cols, &rows}, {"--origin", cmp.Or(c.Origin, "0,0"), ",", &s.Left, &s.Top},
		{"--pitch", cmp.Or(c.Pitch, c.Size), "x", &s.PitchX, &s.PitchY}} {
		if err := pair(p.flag, p.text, p.sep, p.a, p.b); err != nil {
			return nil, err
		}
	}
	s.Columns, s.Rows = int(cols), int(rows)
	if s.Kind == label.Insert { // the usual proportions: spine 12.7, flap 16 mm
		s.Spine, s.Flap = 12.7, 16
		s.Front = s.LabelHeight - s.Spine - s.Flap
	}
	if err := s.Validate(); err != nil {
		return nil, fmt.Errorf("own sheet: %w", err)
	}
	return s, nil
}

// pair reads two numbers in millimetres (or counts).
func pair(flag, text, sep string, a, b *float64) error {
	x, y, ok := strings.Cut(strings.ToLower(text), sep)
	if ok {
		var e1, e2 error
		*a, e1 = strconv.ParseFloat(strings.TrimSpace(x), 64)
		*b, e2 = strconv.ParseFloat(strings.TrimSpace(y), 64)
		ok = e1 == nil && e2 == nil
	}
	if !ok || *a != *a || *b != *b || *a < 0 || *b < 0 || *a > 1e4 || *b > 1e4 {
		return fmt.Errorf("%s %q: want two numbers, as 70%s52", flag, text, sep)
	}
	return nil
}

func listSheets(env *Env, set *machine.Set) error {
	return env.Report(map[string]any{"sheets": set.Sheets()}, func() {
		for _, s := range set.Sheets() {
			env.Printf("%-22s %-15s %s\n", s.Name, s.Kind, s.Title)
		}
		env.Printf("\nNext: remanence labels FOLDER -s NAME -o labels.pdf. Own sheets: TOML files in %s, or --kind, --size, --grid.\n", filepath.Join(env.ConfigDir(), "sheets"))
	})
}
