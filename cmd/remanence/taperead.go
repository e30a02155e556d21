package main

import (
	"context"
	"errors"
	"fmt"
	"path/filepath"
	"strings"

	"remanence/internal/outcome"
	"remanence/internal/safefile"
	"remanence/machine"
	"remanence/tape"
	"remanence/tape/audio"
	"remanence/tape/linecode"
)

type tapeReadCmd struct {
	Recordings []string `arg:"" name:"rec" help:"Recordings: WAV, FLAC, MP3 or Ogg; several of the same tape are merged."`
	Output     string   `short:"o" type:"path" placeholder:"FOLDER" help:"Store each program there."`
	Code       string   `help:"Line code (default: recognised)."`
	Raw        string   `type:"path" placeholder:"OUT.bin" help:"Store every byte after each sync, in order, whatever it is."`
	Channel    string   `enum:",left,right,both" default:"" help:"Of a stereo recording: left, right or both (default: chosen by quality)."`
	NoRepair   bool     `name:"no-repair" help:"Leave blocks whose checksum is wrong as they were heard."`
	Speed      float64  `default:"15" placeholder:"PERCENT" help:"Largest deviation from nominal speed looked for."`
	Pictures   string   `type:"path" placeholder:"FOLDER" help:"Draw the side, level, speed, the eye, pulse places and the waveform around each fault, as SVG and PNG."`
	Machine    string   `default:"z80-fm10" help:"Machine class whose calibration tape may be on the recording."`
	Timeline   bool     `help:"Keep the timeline (a quarter of a second each) in the JSON."`
	Force      bool     `help:"Replace files that are there already."`
}

func (tapeReadCmd) Help() string {
	return `Every program on the recording is found and checked, whatever its line code, speed, polarity and level. Blocks whose
checksum is wrong are repaired where the least certain bits explain it, and reported as repaired. Give several
recordings of the same tape, or passes on several decks, and they are added up bit by bit.

The last line says what is wrong with the recording, and what to do. Programs are stored as the bytes after the sync.

Examples:
  remanence tape read side-a.flac -o side-a
  remanence tape read pass1.wav pass2.wav -o heron --pictures heron/pictures
  remanence tape read board.wav --code kcs300 --raw monitor.bin`
}

type tapeReadReport struct {
	*tape.Result
	Recordings  []string     `json:"recordings"`
	Calibration *tape.Advice `json:"calibration,omitempty"` // where the calibration tape was heard
}

func (c *tapeReadCmd) Run(env *Env) error {
	if !(c.Speed >= 1 && c.Speed <= 20) {
		return outcome.As(outcome.Usage, fmt.Errorf("--speed %v: want 1 to 20 percent", c.Speed))
	}
	set, err := machine.Load(env.ConfigDir())
	if err != nil {
		return err
	}
	codes, err := codesFor(set, c.Code)
	if err != nil {
		return err
	}
	o := tape.ReadOptions{Raw: c.Raw != "", NoRepair: c.NoRepair, Channel: c.Channel, Speed: c.Speed / 100, Keep: c.Pictures != ""}
	var results []*tape.Result
	var names []string
	for _, path := range c.Recordings {
		r, err := readRecording(env, path, codes, o)
		if err != nil {
			return err
		}
		results, names = append(results, r), append(names, path)
		if r.Stopped {
			break
		}
	}
	res := results[0]
	if len(results) > 1 {
		res = tape.MergeResults(results, names, o)
	}
	if err := c.store(res); err != nil {
		return err
	}
	if c.Pictures != "" {
		for i, r := range results {
			if names[i] == "-" {
				return outcome.As(outcome.Usage, errors.New("--pictures reads the recording twice: want a file, found standard input"))
			}
			dir := c.Pictures
			if len(results) > 1 {
				dir = filepath.Join(dir, fmt.Sprintf("recording-%d", i+1))
			}
			if err := tapePictures(env, r, names[i], dir, c.Force); err != nil {
				return err
			}
		}
	}
	if !c.Timeline && res.Diagnosis != nil {
		res.Diagnosis.Timeline = nil
	}
	var advice *tape.Advice
	if steps, _, _, err := calibrationFor(set, c.Machine); err == nil {
		advice = tape.Advise(res, steps)
	}
	if err := env.Report(tapeReadReport{res, names, advice}, func() {
		env.Printf("%s", tapeReadText(res))
		if advice != nil {
			env.Printf("\ncalibration tape heard, %d of its steps:\n", len(advice.Heard))
			for _, w := range advice.Words {
				env.Printf("  %s\n", w)
			}
			env.Printf("for this recorder: remanence tape write %s ...\n", advice.CommandArg)
		}
	}); err != nil {
		return err
	}
	if res.Stopped {
		return fmt.Errorf("stopped when asked to; what was found until then is kept: %w", context.Canceled)
	}
	if len(res.Programs) == 0 && len(res.Raw) == 0 {
		return outcome.ErrIncomplete
	}
	for _, p := range res.Programs {
		if !p.Whole {
			return outcome.ErrIncomplete
		}
	}
	return nil
}

func readRecording(env *Env, path string, codes []*linecode.Code, o tape.ReadOptions) (*tape.Result, error) {
	f, err := audio.Open(path)
	if err != nil {
		return nil, err
	}
	defer f.Close()
	r, err := tape.Read(env.Context, f, codes, o, env.Progress())
	if err != nil {
		return nil, outcome.As(outcome.Input, fmt.Errorf("%s: %w", path, strip(err, path)))
	}
	r.Notes = append(r.Notes, f.Notes()...)
	return r, nil
}

// strip keeps a message from naming the file twice.
func strip(err error, path string) error {
	if s, ok := strings.CutPrefix(err.Error(), path+": "); ok {
		return errors.New(s)
	}
	return err
}

// store writes programs and raw bytes.
func (c *tapeReadCmd) store(res *tape.Result) error {
	if c.Raw != "" {
		for _, in := range c.Recordings {
			if err := safefile.Distinct(c.Raw, in); err != nil {
				return err
			}
		}
		if err := safefile.WriteFile(c.Raw, res.Raw, c.Force); err != nil {
			return err
		}
	}
	if c.Output == "" {
		return nil
	}
	for i, p := range res.Programs {
		name := filepath.Join(c.Output, tapeFileName(i+1, p))
		if err := safefile.WriteFile(name, p.Data, c.Force); err != nil {
			return err
		}
		p.File = filepath.Base(name)
	}
	return nil
}

// tapeExtensions are those of the files that programs are stored in.
var tapeExtensions = map[string]string{tape.MachineTape: ".tape", tape.BASICTape: ".bastape", tape.Text: ".txt", tape.IntelHex: ".hex", tape.SRecord: ".s19"}

func tapeFileName(n int, p *tape.Program) string {
	ext := tapeExtensions[p.Kind]
	if ext == "" {
		ext = ".bin"
	}
	name := strings.Map(func(r rune) rune {
		if r >= 'A' && r <= 'Z' || r >= 'a' && r <= 'z' || r >= '0' && r <= '9' || r == '-' {
			return r
		}
		return '_'
	}, p.Name)
	if name == "" {
		name = p.Kind
	}
	return fmt.Sprintf("%02d-%s%s", n, name, ext)
}

func tapeReadText(r *tape.Result) string {
	var b strings.Builder
	for _, p := range r.Programs {
		state := p.State()
		switch state {
		case tape.Good:
			state = "whole"
		case tape.LostInPart:
			state = "damaged"
		}
		file := ""
		if p.File != "" {
			file = "  -> " + p.File
		}
		name := p.Name
		if name == "" {
			name = "-"
		}
		fmt.Fprintf(&b, "%8s %7s  %-8s  %-12s %6d bytes  %-9s %s%s\n", clock(p.FromS), clock(p.ToS), name, p.Kind, p.Bytes, p.Code, state, file)
	}
	if len(r.Programs) > 0 {
		b.WriteString("\n")
	}
	shown := 0
	for _, f := range r.Faults {
		if shown++; shown > 20 {
			fmt.Fprintf(&b, "  and %d faults more (--json lists all)\n", len(r.Faults)-20)
			break
		}
		fmt.Fprintf(&b, "%s\n", f)
	}
	for _, p := range r.Programs {
		for _, x := range p.Repairs {
			fmt.Fprintf(&b, "%.1f s: %s\n", x.AtS, x.What)
		}
	}
	for _, n := range r.Notes {
		fmt.Fprintf(&b, "note: %s\n", n)
	}
	if d := r.Diagnosis; d != nil && len(r.Programs) > 0 {
		noise := fmt.Sprintf("noise %.0f dB below the signal", d.SNRDB)
		if d.Synthetic {
			noise = "made by a computer, not off a tape"
		}
		fmt.Fprintf(&b, "%s  speed %+.1f %%  level %.0f dBFS  polarity %s  %s  wow and flutter %.2f %%\n",
			r.LineCode, r.SpeedPercent, r.LevelDBFS, r.Polarity, noise, d.WowFlutter)
	}
	fmt.Fprintf(&b, "%s\n", r.Verdict)
	return b.String()
}
