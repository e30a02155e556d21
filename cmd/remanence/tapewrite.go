package main

import (
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"strconv"
	"strings"

	"remanence/internal/outcome"
	"remanence/internal/safefile"
	"remanence/machine"
	"remanence/program"
	"remanence/tape"
	"remanence/tape/audio"
)

type tapeWriteCmd struct {
	Files   []string `arg:"" name:"file" help:"Programs, in the order they are to stand on the tape."`
	Output  string   `short:"o" required:"" placeholder:"OUT.wav" help:"Sound file, .wav or .flac; - writes WAV to standard output."`
	Machine string   `default:"z80-fm10" help:"Machine class: gives line code, block form and gaps."`
	Code    string   `help:"Line code (default: that of the machine)."`
	Raw     bool     `help:"Write the bytes of the file as they are after leader and sync."`
	Rate    int      `default:"44100" help:"Samples a second: 44100, 48000 or another from 8000 to 192000."`
	Bits    int      `default:"16" enum:"8,16,24" help:"Bits a sample: 8, 16 or 24."`

	Level       float64 `placeholder:"DB" help:"Peak level in dB under full scale, -40 to -0.1 (default: that of the machine, else -3)."`
	Invert      bool    `help:"Turn the signal upside down, for recorders and leads that do so as well."`
	RiseUS      float64 `name:"rise-us" help:"Length of the edges in microseconds (0: as steep as the rate allows)."`
	PreEmphasis float64 `name:"pre-emphasis-us" help:"Lift treble that the recorder loses, by this time constant in microseconds."`
	Speed       float64 `help:"Speed of the signal: 1.02 makes up for a player that is 2 % slow (default 1)."`
	Leader      float64 `name:"leader-s" help:"Length of each leader in seconds (default: as the code declares)."`
	Start       float64 `name:"start-s" default:"0.5" help:"Silence before the first program; about 8 for a cassette with a clear leader."`
	Gap         float64 `name:"gap-s" default:"-1" help:"Silence between programs (default: that of the machine)."`
	Copies      int     `default:"1" help:"Record each program so often."`
	Cassette    string  `placeholder:"C-30" help:"Plan sides for this cassette: C-15, C-30, C-60 or another; OUT gets -a, -b, ... in its name."`
	Counter     string  `placeholder:"T=N,T=N" help:"Two readings of your deck's counter, as 300=98,1500=390 (seconds=number), for counter positions in the index."`
	Index       string  `type:"path" placeholder:"FILE.txt" help:"Write an index sheet of what lies where."`
	Force       bool    `help:"Replace files that are there already."`
}

func (tapeWriteCmd) Help() string {
	return `Programs become sound in the line code and block form of the machine class. Load modules, Intel HEX and S-records are
turned into machine-code tapes first, disk BASIC into tape BASIC. Boards of the Kansas City class take hex text or bytes
as they are, after 5 s of leader. --raw writes any file's bytes after leader and sync.

` + hearingCaution + `

Examples:
  remanence tape write HERON.bin -o heron.wav
  remanence tape write *.bas --cassette C-30 --copies 2 -o games.flac --index games.txt
  remanence tape write monitor.hex --code kcs300 -o monitor.wav`
}

type tapeWriteReport struct {
	LineCode string          `json:"line-code"`
	Sides    []tapeWriteSide `json:"sides"`
	LeftOut  []tapeLeftOut   `json:"left-out"`
	Notes    []string        `json:"notes"`
}

type tapeWriteSide struct {
	File string `json:"file"`
	*tape.Side
}

type tapeLeftOut struct {
	Path string `json:"path"`
	Why  string `json:"why"`
}

func (c *tapeWriteCmd) Run(env *Env) error {
	usage := func(format string, a ...any) error { return outcome.As(outcome.Usage, fmt.Errorf(format, a...)) }
	if c.Rate < 8000 || c.Rate > 192000 {
		return usage("--rate %d: want 8000 to 192000", c.Rate)
	}
	set, err := machine.Load(env.ConfigDir())
	if err != nil {
		return err
	}
	m, err := set.Machine(c.Machine)
	if err != nil {
		return outcome.As(outcome.Usage, err)
	}
	o := tape.SideOptions{RateHz: c.Rate, StartS: c.Start, GapS: 5, Copies: c.Copies, Mastering: c.over(tape.Mastering{})}
	form, codeName := tape.FormRaw, c.Code
	if m.Tape != nil {
		o.Mastering = c.over(tape.Mastering(m.Tape.Sound))
		form, o.GapS, o.EndS = m.Tape.Form, m.Tape.GapS, m.Tape.EndS
		if codeName == "" {
			codeName = m.Tape.Code
		}
	}
	if codeName == "" {
		return usage("machine %s has no tape; say --code", c.Machine)
	}
	codes, err := codesFor(set, codeName)
	if err != nil {
		return err
	}
	o.Code = codes[0]
	if o.Code.Pulses == nil || c.Raw { // the block forms of the pulse class go with its codes only
		form = tape.FormRaw
	}
	if c.Gap >= 0 {
		o.GapS = c.Gap
	}
	if c.Counter != "" {
		if o.Counter, err = parseCounter(c.Counter); err != nil {
			return usage("--counter %s: %w", c.Counter, err)
		}
	}
	if err := o.Mastering.Validate(); err != nil {
		return outcome.As(outcome.Usage, err)
	}
	rep := &tapeWriteReport{LineCode: o.Code.Name, Sides: []tapeWriteSide{}, LeftOut: []tapeLeftOut{}, Notes: []string{}}
	var items []tape.Item
	var paths []string
	for _, path := range c.Files {
		if err := safefile.Distinct(c.Output, path); err != nil {
			return err
		}
		it, notes, err := tapeItem(path, form, c.Raw)
		if err != nil {
			if len(c.Files) == 1 {
				return outcome.As(outcome.Input, fmt.Errorf("%s: %w", path, err))
			}
			rep.LeftOut = append(rep.LeftOut, tapeLeftOut{path, err.Error()})
			continue
		}
		for _, n := range notes {
			rep.Notes = append(rep.Notes, path+": "+n)
		}
		items, paths = append(items, it), append(paths, path)
	}
	if len(items) == 0 {
		return outcome.As(outcome.Input, errors.New("none of the files can go on a tape"))
	}
	sides := [][]int{nil}
	for i := range items {
		sides[0] = append(sides[0], i)
	}
	if c.Cassette != "" {
		minutes, err := parseCassette(c.Cassette)
		if err != nil {
			return outcome.As(outcome.Usage, err)
		}
		o.LengthS = float64(minutes) * 30
		var left []tape.LeftItem
		if sides, left, err = tape.PlanSides(items, o.LengthS, o); err != nil {
			return outcome.As(outcome.Usage, err)
		}
		for _, l := range left {
			rep.LeftOut = append(rep.LeftOut, tapeLeftOut{paths[l.Index], l.Why})
		}
		if c.Output == "-" && len(sides) > 1 {
			return usage("standard output takes one side, the programs need %d", len(sides))
		}
	}
	for n, side := range sides {
		var on []tape.Item
		for _, i := range side {
			on = append(on, items[i])
		}
		out := c.Output
		if c.Cassette != "" && out != "-" {
			ext := filepath.Ext(out)
			out = strings.TrimSuffix(out, ext) + "-" + sideLetter(n) + ext
		}
		written, err := writeSide(env, out, c.Bits, on, o, c.Force)
		if err != nil {
			return err
		}
		rep.Sides = append(rep.Sides, tapeWriteSide{out, written})
	}
	if c.Index != "" {
		if err := safefile.WriteFile(c.Index, []byte(tapeIndex(rep, o)), c.Force); err != nil {
			return err
		}
	}
	show := func() { env.Printf("%s", tapeIndex(rep, o)) }
	if c.Output == "-" {
		env.Note("%s", strings.TrimSpace(tapeIndex(rep, o)))
	} else if err := env.Report(rep, show); err != nil {
		return err
	}
	if len(rep.LeftOut) > 0 {
		return outcome.ErrIncomplete
	}
	return nil
}

// over lays what was said on the command line over the machine's own forming of the signal.
func (c *tapeWriteCmd) over(m tape.Mastering) tape.Mastering {
	for _, f := range []struct {
		to   *float64
		said float64
	}{{&m.LevelDB, c.Level}, {&m.RiseUS, c.RiseUS}, {&m.PreEmphasisUS, c.PreEmphasis}, {&m.LeaderS, c.Leader}, {&m.Speed, c.Speed}} {
		if f.said != 0 {
			*f.to = f.said
		}
	}
	m.Invert = m.Invert != c.Invert
	return m
}

func sideLetter(n int) string {
	if n < 26 {
		return string(rune('a' + n))
	}
	return strconv.Itoa(n + 1)
}

// writeSide writes one side to a file, which appears when it is whole.
func writeSide(env *Env, path string, bits int, items []tape.Item, o tape.SideOptions, force bool) (*tape.Side, error) {
	f := audio.Format{RateHz: o.RateHz, Channels: 1, Bits: bits}
	return writeSound(path, f, force, func(sink audio.Sink) (*tape.Side, error) {
		return tape.WriteSide(env.Context, sink, items, o, env.Progress())
	}, env.Stdout)
}

// writeSound makes a sound file by its extension and lets fill write the samples.
func writeSound(path string, f audio.Format, force bool, fill func(audio.Sink) (*tape.Side, error), stdout io.Writer) (*tape.Side, error) {
	create := audio.CreateWAV
	switch ext := strings.ToLower(filepath.Ext(path)); {
	case path == "-" || ext == ".wav":
	case ext == ".flac":
		create = audio.CreateFLAC
	default:
		return nil, outcome.As(outcome.Usage, fmt.Errorf("%s: want a name that ends in .wav or .flac", path))
	}
	var out interface {
		io.WriteSeeker
		io.Reader
	}
	var commit func() error
	if path == "-" { // the header needs the length: made in a temporary file first
		tmp, err := os.CreateTemp("", "remanence-*.wav")
		if err != nil {
			return nil, outcome.As(outcome.Output, err)
		}
		defer os.Remove(tmp.Name())
		defer tmp.Close()
		out, commit = tmp, func() error {
			if _, err := tmp.Seek(0, io.SeekStart); err != nil {
				return err
			}
			_, err := io.Copy(stdout, tmp)
			return err
		}
	} else {
		file, err := safefile.Create(path, force)
		if err != nil {
			return nil, err
		}
		defer file.Close()
		out, commit = file.File, file.Commit
	}
	sink, err := create(out, f, -1)
	if err != nil {
		return nil, outcome.As(outcome.Output, err)
	}
	side, err := fill(sink)
	if err != nil {
		return nil, err
	}
	if err := sink.Close(); err != nil {
		return nil, outcome.As(outcome.Output, fmt.Errorf("%s: %w", path, err))
	}
	return side, outcome.As(outcome.Output, commit())
}

// maxTapeFile is the largest file taken for a tape: a day of sound at 1,200 bit/s.
const maxTapeFile = 8 << 20

// tapeItem reads a file and brings it into the form that goes on a tape.
func tapeItem(path, form string, raw bool) (tape.Item, []string, error) {
	data, err := readLimited(path, maxTapeFile)
	if err != nil {
		return tape.Item{}, nil, err
	}
	name := fileStem(path)
	if raw {
		it, err := tape.Encode(tape.FormRaw, tape.Unknown, name, data)
		return it, nil, err
	}
	r := program.Inspect(data)
	var notes []string
	for _, f := range r.Faults {
		if !r.Damaged() {
			break // data of an unknown kind: nothing can be said of it
		}
		if kind := r.Kind; kind == program.Text && f.Class == program.LineEnds {
			continue // lines end in CR on the tape in any case
		}
		notes = append(notes, fmt.Sprintf("damaged: %s", f))
		if len(notes) == 5 {
			break
		}
	}
	kind := r.Kind
	if form == tape.FormPulse500 {
		to := program.MachineTape
		switch kind {
		case program.LoadModule, program.IntelHex, program.SRecord:
		case program.BASICDisk:
			to = program.BASICTape
		default:
			to = kind
		}
		if to != kind {
			conv, err := convertForTape(data, kind, to, name)
			if err != nil {
				return tape.Item{}, nil, err
			}
			notes = append(notes, fmt.Sprintf("%s converted to %s", kind, to))
			data, kind = conv, to
		}
	}
	it, err := tape.Encode(form, string(kind), name, data)
	return it, notes, err
}

func readLimited(path string, limit int64) ([]byte, error) {
	if path == "-" {
		data, err := io.ReadAll(io.LimitReader(os.Stdin, limit+1))
		if err == nil && int64(len(data)) > limit {
			err = fmt.Errorf("want at most %d bytes, found more", limit)
		}
		return data, err
	}
	st, err := os.Stat(path)
	if err != nil {
		return nil, err
	}
	if st.IsDir() {
		return nil, errors.New("is a folder, not a program")
	}
	if st.Size() > limit {
		return nil, fmt.Errorf("want at most %d bytes for a tape, found %d", limit, st.Size())
	}
	return os.ReadFile(path)
}

func parseCounter(s string) (*tape.Counter, error) {
	var t [2]float64
	var n [2]int
	parts := strings.Split(s, ",")
	if len(parts) != 2 {
		return nil, errors.New("want two readings, as 300=98,1500=390")
	}
	for i, p := range parts {
		a, b, ok := strings.Cut(p, "=")
		var err1, err2 error
		t[i], err1 = strconv.ParseFloat(strings.TrimSpace(a), 64)
		n[i], err2 = strconv.Atoi(strings.TrimSpace(b))
		if !ok || err1 != nil || err2 != nil {
			return nil, fmt.Errorf("reading %q: want seconds=number", p)
		}
	}
	return tape.NewCounter(t[0], n[0], t[1], n[1])
}

// parseCassette gives the minutes of both sides together.
func parseCassette(s string) (int, error) {
	n, err := strconv.Atoi(strings.TrimPrefix(strings.TrimPrefix(strings.ToUpper(s), "C"), "-"))
	if err != nil || n < 5 || n > 240 {
		return 0, fmt.Errorf("--cassette %s: want C-15, C-30, C-60 or another length of 5 to 240 minutes", s)
	}
	return n, nil
}

// tapeIndex is the index sheet: what lies where.
func tapeIndex(rep *tapeWriteReport, o tape.SideOptions) string {
	var b strings.Builder
	for i, s := range rep.Sides {
		if i > 0 {
			b.WriteString("\n")
		}
		title := s.File
		if o.LengthS > 0 {
			title = fmt.Sprintf("%s  side of %.0f min", s.File, o.LengthS/60)
		}
		fmt.Fprintf(&b, "%s  %s  %s, %d Hz, peak %.0f dBFS\n", title, clock(s.Seconds), rep.LineCode, s.RateHz, peakOf(o.Mastering))
		head := "   start    end  bytes  kind          name"
		if o.Counter != nil {
			head = " counter" + head
		}
		b.WriteString(head + "\n")
		for _, e := range s.Entries {
			if o.Counter != nil {
				fmt.Fprintf(&b, "     %03d", e.Counter)
			}
			name := e.Name
			if o.Copies > 1 {
				name += fmt.Sprintf("  copy %d", e.Copy)
			}
			fmt.Fprintf(&b, "%8s%7s%7d  %-12s  %s\n", clock(e.FromS), clock(e.ToS), e.Bytes, e.Kind, name)
		}
		if o.LengthS > 0 {
			fmt.Fprintf(&b, "free: %s\n", clock(max(s.FreeS, 0)))
		}
	}
	for _, n := range rep.Notes {
		fmt.Fprintf(&b, "note: %s\n", n)
	}
	for _, l := range rep.LeftOut {
		fmt.Fprintf(&b, "left out: %s: %s\n", l.Path, l.Why)
	}
	return b.String()
}

func peakOf(m tape.Mastering) float64 {
	if m.LevelDB == 0 {
		return tape.DefaultLevelDB
	}
	return m.LevelDB
}

func clock(s float64) string {
	n := int(s + 0.5)
	return fmt.Sprintf("%d:%02d", n/60, n%60)
}

// convertForTape turns a disk form, or hex, into the tape form of the same program.
func convertForTape(data []byte, from, to program.Kind, name string) ([]byte, error) {
	if to == program.BASICTape {
		p, faults := program.ParseBASIC(data)
		if len(faults) > 0 {
			return nil, fmt.Errorf("damaged: %s; a tape of it would be no better", faults[0])
		}
		return program.BuildBASICTape(p, program.TapeOptions{})
	}
	var m program.Memory
	var faults []program.Fault
	switch from {
	case program.LoadModule:
		m, faults = program.ParseModule(data)
	case program.IntelHex:
		m, faults = program.ParseIntelHex(data)
	default:
		m, faults = program.ParseSRecord(data)
	}
	for _, f := range faults {
		if f.Class != program.Trailing && f.Class != program.Overlap {
			return nil, fmt.Errorf("damaged: %s; a tape of it would be no better", f)
		}
	}
	if m.Name == "" {
		m.Name = name
	}
	return program.BuildTape(m, program.TapeOptions{})
}
