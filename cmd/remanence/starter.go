package main

import (
	"bytes"
	"fmt"
	"path/filepath"
	"strings"

	"remanence/disk"
	"remanence/internal/outcome"
	"remanence/internal/safefile"
	"remanence/machine"
	"remanence/starter"
	"remanence/tape"
	"remanence/tape/audio"
)

// starterCmd makes the tape that writes a first disk on a machine that has none.
type starterCmd struct {
	Image       string  `arg:"" optional:"" type:"path" help:"Raw sector image of the disk to be made; its sidecar is read too. Not needed with --calibration."`
	Output      string  `short:"o" type:"path" placeholder:"OUT.wav" help:"Sound file, .wav or .flac; may be left out with --rehearse."`
	Machine     string  `default:"z80-fm10" help:"Machine class."`
	Recording   string  `placeholder:"NAME:CxS" help:"Recording of the image (default: recognised from the volume on it, else that of the machine's starter disk)."`
	Mark        string  `enum:"FA,F8,fa,f8," default:"" placeholder:"FA|F8" help:"Data mark of the directory cylinder (default: as the image says; FA for the oldest systems of the class)."`
	Rate        int     `default:"-1" placeholder:"N" help:"Speed of the link, 0 (slowest) to 8 (default: 7, some 2,300 bit/s); what the calibration says."`
	Parity      int     `default:"-1" placeholder:"N" help:"Parity blocks a track, 0 to 7 (default: 6): so many lost blocks are rebuilt."`
	Rounds      int     `default:"1" placeholder:"N" help:"How often the whole disk comes round on the tape."`
	Calibration bool    `help:"A tape that only tries the rates; the machine shows how many of four blocks of each it took."`
	SampleRate  int     `name:"sample-rate" default:"44100" placeholder:"HZ" help:"Samples a second, 32000 to 192000."`
	Level       float64 `default:"-3" placeholder:"DB" help:"Peak level in dB under full scale."`
	SideLength  string  `name:"side-length" placeholder:"C-30" help:"Cut the sound for the sides of this cassette: OUT-1, OUT-2, ... A side ends between two tracks."`
	Sheet       string  `type:"path" placeholder:"FILE.pdf" help:"Write the sheet for the machine's side: what to type, what the screen says, what to do when it does not."`
	Rehearse    bool    `help:"Play the tape to a model of the machine, and compare the finished disk with the image."`
	Through     string  `placeholder:"PATH" help:"With --rehearse: what the sound goes through: clean, good, portable, tired, bad or worn (default: clean)."`
	Seed        uint64  `default:"1" help:"With --through: which of many such tapes."`
	RAM         int     `name:"ram" default:"32" placeholder:"KIB" help:"With --rehearse: memory of the machine, 16, 32 or 48 KiB."`
	Read        bool    `help:"The reverse: make the tape of a program that sends a disk's sectors out through the cassette port. Record that sound, then: tape read --raw, recover."`
	Tracks      int     `default:"40" placeholder:"N" help:"With --read: how many tracks the program sends."`
	Force       bool    `help:"Replace files that are there already."`
}

func (starterCmd) Help() string {
	return `Makes one sound file for a machine that has a cassette port, a floppy controller and a blank disk, but nothing to
start from. Its own tape loader takes a small program; started, the program takes the disk by a faster link, formats
and writes it track by track, reads each back, and mends what the tape lost without rewinding. The machine starts
from the disk in the end.

` + hearingCaution + `

CAUTION: the program erases the disk in the drive you name to it. Take out every other disk first.

Examples:
  remanence starter heron1.img -o starter.wav --sheet starter.pdf
  remanence starter heron1.img --rehearse
  remanence starter heron1.img -o starter.flac --rehearse --through portable
  remanence starter heron1.img -o starter.wav --side-length C-30
  remanence starter --calibration -o try.wav

The reverse, where the machine is the only drive that reads a disk: load reader.wav, record what the machine then
sends (about 53 s a track), and
  remanence starter --read -o reader.wav
  remanence tape read recording.wav --raw disk.dump -o found
  remanence recover disk.dump -o heron1.img`
}

// starterReport is the JSON of starter.
type starterReport struct {
	AudioS   float64  `json:"audio-s"`
	LoaderS  float64  `json:"loader-s"`
	BitRate  float64  `json:"rate-bit-s"`
	Blocks   int      `json:"blocks"`
	Repeated int      `json:"repeated"`
	TimeS    *float64 `json:"time-s"` // null: not rehearsed
	Verified bool     `json:"verified"`

	Machine string   `json:"machine"`
	Tracks  int      `json:"tracks"`
	Packed  int      `json:"packed-bytes"`
	Rate    int      `json:"rate"`
	Parity  int      `json:"parity"`
	Files   []string `json:"files"`
	Plays   int      `json:"plays"`
	Heard   []int    `json:"heard"` // calibration blocks taken, by rate
	Why     string   `json:"why,omitempty"`
	Assumed []string `json:"assumed"`
}

func (c *starterCmd) Run(env *Env) error {
	usage := func(format string, a ...any) error { return outcome.As(outcome.Usage, fmt.Errorf(format, a...)) }
	if c.Read {
		return c.reader(env)
	}
	switch {
	case c.Image == "" && !c.Calibration:
		return usage("name the image of the disk to be made, or say --calibration")
	case c.Image != "" && c.Calibration:
		return usage("a calibration tape takes no image")
	case c.Output == "" && c.Sheet == "" && !c.Rehearse:
		return usage("say -o OUT.wav for the sound, --rehearse for a trial, or both")
	case c.SampleRate < 32000 || c.SampleRate > 192000:
		return usage("--sample-rate %d: want 32000 to 192000", c.SampleRate)
	case c.RAM != 16 && c.RAM != 32 && c.RAM != 48:
		return usage("--ram %d: want 16, 32 or 48", c.RAM)
	}
	class, err := starter.ClassOf(c.Machine)
	if err != nil {
		return outcome.As(outcome.Usage, err)
	}
	set, err := machine.Load(env.ConfigDir())
	if err != nil {
		return err
	}
	rep := &starterReport{Machine: class.Machine, Files: []string{}, Heard: []int{}, Assumed: []string{}}
	tracks, err := c.tracks(set, class, rep)
	if err != nil {
		return err
	}
	for _, a := range rep.Assumed {
		env.Note("%s", a)
	}
	o := starter.Options{Class: class, Rate: c.Rate, Parity: c.Parity, Rounds: c.Rounds, RateHz: c.SampleRate, LevelDB: c.Level, Calibration: c.Calibration}
	if o.Code, err = set.LineCode(class.Code); err != nil {
		return err
	}
	tp, err := starter.New(env.Context, tracks, o)
	if err != nil {
		if env.Context.Err() != nil {
			return err
		}
		return outcome.As(outcome.Usage, err)
	}
	rep.AudioS, rep.LoaderS, rep.BitRate = round(tp.Seconds, 10), round(tp.LoaderS, 10), round(tp.Rate().BitRate(), 1)
	rep.Blocks, rep.Packed, rep.Tracks, rep.Rate, rep.Parity = tp.Blocks, tp.Packed, len(tracks), tp.Options().Rate, tp.Options().Parity
	sides, leadS, err := c.sides(set, tp)
	if err != nil {
		return err
	}
	if c.Rehearse { // before the sound is written: a tape that fails is no use
		if err := c.rehearse(env, tp, rep); err != nil {
			return err
		}
	}
	if c.Output != "" {
		if err := c.write(env, tp, sides, leadS, rep); err != nil {
			return err
		}
	}
	if c.Sheet != "" {
		var pdf bytes.Buffer
		title := "calibration"
		var names []string
		for _, f := range rep.Files {
			names = append(names, filepath.Base(f))
		}
		if c.Image != "" {
			title = filepath.Base(c.Image)
		}
		if err := tp.WriteSheet(&pdf, starter.SheetOptions{Title: title, Files: names, Sides: len(sides), RehearsedS: rep.TimeS}); err != nil {
			return err
		}
		if err := safefile.WriteFile(c.Sheet, pdf.Bytes(), c.Force); err != nil {
			return err
		}
	}
	if err := env.Report(rep, func() { c.text(env, tp, rep) }); err != nil {
		return err
	}
	if c.Rehearse && !c.Calibration && !rep.Verified {
		return outcome.ErrIncomplete
	}
	return nil
}

// tracks reads the image and sees to the marks.
func (c *starterCmd) tracks(set *machine.Set, class *starter.Class, rep *starterReport) ([]starter.Track, error) {
	if c.Calibration {
		return nil, nil
	}
	outs := []string{c.Output, c.Sheet}
	for _, out := range outs {
		if out != "" {
			if err := safefile.Distinct(out, c.Image); err != nil {
				return nil, err
			}
		}
	}
	im, _, assumed, err := loadForEncoding(set, c.Image, c.Recording)
	if err != nil && c.Recording == "" && outcome.Status(err) == int(outcome.Usage) { // no volume tells it
		var rec *disk.Recording
		if im, rec, assumed, err = loadForEncoding(set, c.Image, class.Recording); err == nil {
			assumed = append(assumed, "recording "+rec.Reference()+", by the length of the image")
		}
	}
	if err != nil {
		return nil, err
	}
	rep.Assumed = append(rep.Assumed, assumed...)
	tracks, err := starter.TracksOf(im)
	if err != nil {
		return nil, outcome.As(outcome.Input, fmt.Errorf("%s: %w", c.Image, err))
	}
	if c.Mark != "" {
		mark, n := byte(0xFA), 0
		if strings.EqualFold(c.Mark, "F8") {
			mark = 0xF8
		}
		for i := range tracks {
			if tracks[i].Mark != 0xFB {
				tracks[i].Mark = mark
				n++
			}
		}
		if n == 0 {
			return nil, outcome.As(outcome.Input, fmt.Errorf("%s: no cylinder is known to carry another data mark than FB, so --mark has nothing to change", c.Image))
		}
	}
	return tracks, nil
}

func (c *starterCmd) sides(set *machine.Set, tp *starter.Tape) ([]starter.Side, float64, error) {
	if c.SideLength == "" {
		sides, err := tp.Sides(0, 0)
		return sides, 0, err
	}
	minutes, err := parseCassette(c.SideLength)
	if err != nil {
		return nil, 0, outcome.As(outcome.Usage, fmt.Errorf("--side-length: %w", err))
	}
	leadS, endS := 8.0, 10.0
	if m, err := set.Machine(c.Machine); err == nil && m.Tape != nil {
		leadS, endS = m.Tape.StartS, m.Tape.EndS
	}
	sides, err := tp.Sides(float64(minutes)*30-endS, leadS)
	return sides, leadS, outcome.As(outcome.Usage, err)
}

func (c *starterCmd) write(env *Env, tp *starter.Tape, sides []starter.Side, leadS float64, rep *starterReport) error {
	for i := range sides {
		out := c.Output
		if c.SideLength != "" {
			ext := filepath.Ext(out)
			out = fmt.Sprintf("%s-%d%s", strings.TrimSuffix(out, ext), i+1, ext)
		}
		rep.Files = append(rep.Files, out)
	}
	if err := outputsFree(c.Force, rep.Files...); err != nil {
		return err
	}
	f := audio.Format{RateHz: c.SampleRate, Channels: 1, Bits: 16}
	for i, s := range sides {
		_, err := writeSound(rep.Files[i], f, c.Force, func(sink audio.Sink) (*tape.Side, error) {
			return nil, tp.Write(env.Context, sink, s, leadS, env.Progress())
		}, env.Stdout)
		if err != nil {
			return err
		}
	}
	return nil
}

func (c *starterCmd) rehearse(env *Env, tp *starter.Tape, rep *starterReport) error {
	r := starter.Rehearsal{RAMKiB: c.RAM}
	if c.Through != "" {
		preset, err := tape.PresetNamed(c.Through)
		if err != nil {
			return outcome.As(outcome.Usage, fmt.Errorf("--through: %w", err))
		}
		r.Path = func(src audio.Source, pass int) audio.Source {
			return tape.NewImpairSource(src, preset, c.Seed+uint64(pass))
		}
	}
	out, err := tp.Rehearse(env.Context, r, env.Progress())
	if err != nil {
		return err
	}
	t := round(out.TimeS, 10)
	rep.TimeS, rep.Verified, rep.Repeated, rep.Plays, rep.Heard, rep.Why = &t, out.Verified, out.Repeated, out.Plays, out.Heard, out.Why
	return nil
}

func (c *starterCmd) text(env *Env, tp *starter.Tape, rep *starterReport) {
	if rep.Tracks > 0 {
		env.Printf("%s: %d tracks, packed to %d of %d bytes, in %d blocks with %d for parity a track\n", c.Image, rep.Tracks, rep.Packed, rep.Tracks*2560, rep.Blocks, rep.Parity)
	}
	env.Printf("%s of sound at %.0f bit/s; the first %.0f s are for the machine's own loader\n", clock(rep.AudioS), rep.BitRate, rep.LoaderS)
	for _, f := range rep.Files {
		env.Printf("  %s\n", f)
	}
	switch {
	case !c.Rehearse:
		env.Printf("Not rehearsed. Say --rehearse to have it played to a model of the machine.\n")
	case c.Calibration:
		env.Printf("Rehearsed: blocks taken by rate %v\n", rep.Heard)
	case rep.Verified:
		env.Printf("Rehearsed: the disk was done after %s, every sector and mark as in the image; %d tracks came again\n", clock(*rep.TimeS), rep.Repeated)
	default:
		env.Printf("Rehearsed: NOT done after %s: %s\n", clock(*rep.TimeS), rep.Why)
	}
	if rep.Tracks > 0 && c.Output != "" {
		env.Printf("Next: print the sheet (--sheet FILE.pdf) and take it to the machine.\n")
	}
}

// round cuts v to 1/places.
func round(v, places float64) float64 { return float64(int(v*places+0.5)) / places }
