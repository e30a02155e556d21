package main

import (
	"errors"
	"fmt"
	"path/filepath"
	"strconv"
	"strings"

	"remanence/internal/outcome"
	"remanence/internal/safefile"
	"remanence/machine"
	"remanence/program"
)

// convertCmd turns one form of program into another.
type convertCmd struct {
	Files        []string `arg:"" name:"file" help:"Program to convert; several are joined into one. - is standard input."`
	Out          string   `short:"o" required:"" placeholder:"FILE" help:"File to write; - is standard output."`
	To           string   `placeholder:"KIND" help:"load-module, machine-tape, intel-hex, s-record, raw, basic-disk, basic-tape or text (default: by the ending of OUT)."`
	From         string   `placeholder:"KIND" help:"Read the file as this kind, whatever it looks like."`
	LoadAddress  string   `placeholder:"ADDRESS" help:"The file is raw machine code for this address, as 5200h or 0x5200. To BASIC: the address that its links are made for (default: disk 68BAh, tape 42E9h)."`
	Entry        string   `placeholder:"ADDRESS" help:"Entry address; none: leave it out."`
	Name         string   `help:"Name inside the file (load module, tape, S-record)."`
	Fill         string   `placeholder:"BYTE" help:"To raw: fill gaps with this byte, as 00h."`
	Leader       bool     `help:"To tape: 256 bytes of leader and the sync before the blocks."`
	Sync         bool     `help:"To tape: the sync before the blocks."`
	LineBytes    int      `placeholder:"N" help:"To HEX and S-records: data bytes a line (default 16)."`
	Encoding     string   `placeholder:"class|unicode" help:"Text written: codes of the class, or UTF-8 with its graphics as block sextants."`
	FromEncoding string   `placeholder:"class|unicode" help:"Text read (default: UTF-8 where it plainly is)."`
	LineEnds     string   `placeholder:"cr|lf|crlf" help:"Text written: line ends (default: cr, with --encoding unicode lf)."`
	Strip        bool     `help:"Take off what follows the end: sector padding and the like."`
	Split        string   `placeholder:"BYTES|areas" help:"Write parts of at most so many bytes, or one for each area of memory, as OUT.1, OUT.2 ..."`
	Relocate     string   `placeholder:"CLASS" help:"Add a loader where the program would load over this machine class's resident disk system."`
	RAM          int      `placeholder:"KIB" help:"With --relocate: stay within so much RAM (default: as little as will do)."`
	Damaged      bool     `name:"accept-damaged" help:"Convert damaged programs as far as they can be read."`
	Force        bool     `help:"Replace a file that is there already."`
}

// Help is the long help.
func (convertCmd) Help() string {
	return `Machine code stays machine code (load module, tape, Intel HEX, S-record, raw bytes), BASIC stays BASIC (disk and tape
form, listing). Where meaning would be lost, the conversion is refused and says why; what is left behind without harm is
said in a note, as the address that BASIC links were for; --load-address gives it back. In listings, {FE} stands for a byte that no listing can show.

Examples:
  remanence convert tide.tape -o tide.cmd --relocate z80-fm10
  remanence convert ferry.bas -o ferry.txt --encoding unicode
  remanence convert ferry.txt -o ferry.bas --to basic-disk
  remanence convert rom.bin -o rom.hex --load-address 5200h --entry 5200h`
}

type convertJSON struct {
	From  program.Kind      `json:"from"`
	To    program.Kind      `json:"to"`
	Files []convertFileJSON `json:"files"`
	Notes []string          `json:"notes"`
}

type convertFileJSON struct {
	Path string `json:"path"`
	Size int    `json:"size"`
}

// Run is the command.
func (c *convertCmd) Run(env *Env) error {
	opt, err := c.options(env)
	if err != nil {
		return err
	}
	var files [][]byte
	for _, p := range c.Files {
		data, err := readInput(p)
		if err != nil {
			return err
		}
		files = append(files, data)
	}
	if c.Out != "-" {
		if err := safefile.Distinct(c.Out, c.Files...); err != nil {
			return err
		}
	} else if env.JSON || c.Split != "" {
		return outcome.As(outcome.Usage, errors.New("-o -: standard output holds one converted file and nothing else"))
	}
	results, err := c.convert(files, opt)
	if err != nil {
		return c.explain(err)
	}
	return c.write(env, results)
}

// convert makes one file of one or several, or several of one.
func (c *convertCmd) convert(files [][]byte, opt program.ConvertOptions) ([]*program.Conversion, error) {
	switch {
	case c.Split != "" && len(files) > 1:
		return nil, outcome.As(outcome.Usage, errors.New("--split: one file can be divided, or several joined, not both"))
	case c.Split == "areas":
		return program.ConvertSplit(files[0], opt, 0)
	case c.Split != "":
		n, err := strconv.Atoi(c.Split)
		if err != nil || n < 1 {
			return nil, outcome.As(outcome.Usage, fmt.Errorf("--split %s: a number of bytes above 0, or areas", c.Split))
		}
		return program.ConvertSplit(files[0], opt, n)
	case len(files) > 1:
		r, err := program.ConvertJoined(files, opt)
		return []*program.Conversion{r}, err
	}
	r, err := program.Convert(files[0], opt)
	return []*program.Conversion{r}, err
}

// explain adds the file, and what to do instead, to a refusal.
func (c *convertCmd) explain(err error) error {
	name := c.Files[0]
	if len(c.Files) > 1 {
		name = "joining"
	}
	var refused *program.RefusedError
	if errors.As(err, &refused) {
		return outcome.Hint(outcome.Input, fmt.Errorf("%s: %w", name, err), refused.Hint)
	}
	return outcome.As(outcome.Input, fmt.Errorf("%s: %w", name, err))
}

func (c *convertCmd) write(env *Env, results []*program.Conversion) error {
	out := convertJSON{From: results[0].From, To: results[0].To, Notes: []string{}}
	if c.Out == "-" {
		_, err := env.Stdout.Write(results[0].Data)
		for _, n := range results[0].Notes {
			env.Note("%s", n)
		}
		return outcome.As(outcome.Output, err)
	}
	for i, r := range results {
		path := c.Out
		if c.Split != "" {
			path = partName(c.Out, i+1)
			if err := safefile.Distinct(path, c.Files...); err != nil {
				return err
			}
		}
		if err := safefile.WriteFile(path, r.Data, c.Force); err != nil {
			return err
		}
		out.Files = append(out.Files, convertFileJSON{path, len(r.Data)})
		for _, n := range r.Notes {
			if len(results) > 1 {
				n = filepath.Base(path) + ": " + n
			}
			out.Notes = append(out.Notes, n)
		}
	}
	return env.Report(out, func() {
		for _, f := range out.Files {
			env.Printf("%s: %s, %d bytes (from %s)\n", f.Path, out.To, f.Size, out.From)
		}
		for _, n := range out.Notes {
			env.Printf("  note: %s\n", n)
		}
	})
}

// partName puts the number of a part before the ending: tide.cmd, tide.1.cmd, tide.2.cmd.
func partName(path string, n int) string {
	ext := filepath.Ext(path)
	return fmt.Sprintf("%s.%d%s", strings.TrimSuffix(path, ext), n, ext)
}

// kindsByEnding are the kinds that the endings of output names stand for.
var kindsByEnding = map[string]program.Kind{
	".cmd": program.LoadModule, ".mct": program.MachineTape, ".hex": program.IntelHex, ".ihx": program.IntelHex,
	".s19": program.SRecord, ".s28": program.SRecord, ".s37": program.SRecord, ".srec": program.SRecord,
	".bin": program.Raw, ".bas": program.BASICDisk, ".btp": program.BASICTape, ".txt": program.Text, ".lst": program.Text,
}

func (c *convertCmd) options(env *Env) (o program.ConvertOptions, err error) {
	usage := func(format string, a ...any) (program.ConvertOptions, error) {
		return o, outcome.As(outcome.Usage, fmt.Errorf(format, a...))
	}
	o = program.ConvertOptions{From: program.Kind(c.From), To: program.Kind(c.To), Name: c.Name, Strip: c.Strip, Damaged: c.Damaged,
		Tape: program.TapeOptions{Leader: c.Leader, Sync: c.Sync}, Hex: program.HexOptions{LineBytes: c.LineBytes}, RAMKiB: c.RAM,
		Encoding: program.Encoding(c.Encoding), Source: program.Encoding(c.FromEncoding)}
	if c.To == "" {
		o.To = kindsByEnding[strings.ToLower(filepath.Ext(c.Out))]
		if o.To == "" {
			return o, outcome.Hint(outcome.Usage, fmt.Errorf("-o %s: the ending names no kind of program", c.Out), "say --to KIND: load-module, machine-tape, intel-hex, s-record, raw, basic-disk, basic-tape or text")
		}
	}
	for flag, e := range map[string]program.Encoding{"--encoding": o.Encoding, "--from-encoding": o.Source} {
		if e != "" && e != program.ClassText && e != program.Unicode {
			return usage("%s %s: class or unicode", flag, e)
		}
	}
	switch c.LineEnds {
	case "":
	case "cr":
		o.LineEnds = "\r"
	case "lf":
		o.LineEnds = "\n"
	case "crlf":
		o.LineEnds = "\r\n"
	default:
		return usage("--line-ends %s: cr, lf or crlf", c.LineEnds)
	}
	if c.LoadAddress != "" {
		a, err := parseAddress(c.LoadAddress, 0xFFFF)
		if err != nil {
			return usage("--load-address %w", err)
		}
		o.Address = &a
	}
	switch c.Entry {
	case "":
	case "none":
		o.NoEntry = true
	default:
		a, err := parseAddress(c.Entry, 0xFFFF)
		if err != nil {
			return usage("--entry %w", err)
		}
		o.Entry = &a
	}
	if c.Fill != "" {
		v, err := parseAddress(c.Fill, 0xFF)
		if err != nil {
			return usage("--fill %w", err)
		}
		b := byte(v)
		o.Fill = &b
	}
	if c.Relocate != "" {
		set, err := machine.Load(env.ConfigDir())
		if err != nil {
			return o, err
		}
		m, err := set.Machine(c.Relocate)
		if err != nil {
			return o, outcome.As(outcome.Usage, err)
		}
		t := m.Target()
		if t.SystemEnd == 0 {
			return usage("--relocate %s: this class has no resident disk system to load over", c.Relocate)
		}
		o.Relocate = &t
	}
	return o, nil
}

// parseAddress reads 5200h, 0x5200 or 20992.
func parseAddress(s string, most int) (int, error) {
	digits, base := s, 10
	switch l := strings.ToLower(s); {
	case strings.HasPrefix(l, "0x"):
		digits, base = l[2:], 16
	case strings.HasSuffix(l, "h"):
		digits, base = l[:len(l)-1], 16
	}
	n, err := strconv.ParseInt(digits, base, 32)
	if err != nil || n < 0 || int(n) > most {
		return 0, fmt.Errorf("%s: a number from 0 to %Xh is expected, as 5200h or 0x5200", s, most)
	}
	return int(n), nil
}
