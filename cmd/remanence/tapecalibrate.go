package main

import (
	"fmt"

	"remanence/internal/outcome"
	"remanence/internal/safefile"
	"remanence/machine"
	"remanence/tape"
	"remanence/tape/audio"
	"remanence/tape/linecode"
)

type tapeCalibrateCmd struct {
	Output  string  `short:"o" required:"" placeholder:"OUT.wav" help:"Sound file, .wav or .flac."`
	Sheet   string  `type:"path" placeholder:"FILE.txt" help:"Write the sheet to fill in."`
	Machine string  `default:"z80-fm10" help:"Machine class."`
	Rate    int     `default:"44100" help:"Samples a second."`
	Gap     float64 `name:"gap-s" default:"2" help:"Silence between steps in seconds."`
	Counter string  `placeholder:"T=N,T=N" help:"Two readings of your deck's counter, as 300=98,1500=390."`
	Force   bool    `help:"Replace files that are there already."`
}

func (tapeCalibrateCmd) Help() string {
	return `The calibration tape has a short recording for each of several levels, both polarities, five speeds and the line codes.
Record it on a cassette, play it to the machine and mark on the sheet what loads; then record its playback with the
computer: 'remanence tape read' recognises it and recommends level, polarity, speed and pre-emphasis for this recorder.

` + hearingCaution + `

Example:
  remanence tape calibrate -o cal.wav --sheet cal.txt
  remanence tape read cal-played-back.wav`
}

// calibrationFor gives the steps for a machine: the same table when writing and when reading.
func calibrationFor(set *machine.Set, name string) ([]tape.CalibrationStep, *linecode.Code, *machine.Machine, error) {
	m, err := set.Machine(name)
	if err != nil {
		return nil, nil, nil, err
	}
	if m.Tape == nil {
		return nil, nil, nil, fmt.Errorf("machine %s has no tape", name)
	}
	code, err := set.LineCode(m.Tape.Code)
	if err != nil {
		return nil, nil, nil, err
	}
	return tape.CalibrationSteps(code, set.LineCodes()), code, m, nil
}

type calibrateReport struct {
	File  string                 `json:"file"`
	Sheet string                 `json:"sheet"`
	Steps []tape.CalibrationStep `json:"steps"`
	Side  *tape.Side             `json:"side"`
}

func (c *tapeCalibrateCmd) Run(env *Env) error {
	set, err := machine.Load(env.ConfigDir())
	if err != nil {
		return err
	}
	steps, code, m, err := calibrationFor(set, c.Machine)
	if err != nil {
		return outcome.As(outcome.Usage, err)
	}
	if c.Rate < 16000 || c.Rate > 192000 {
		return outcome.As(outcome.Usage, fmt.Errorf("--rate %d: want 16000 to 192000", c.Rate))
	}
	o := tape.SideOptions{Code: code, RateHz: c.Rate, StartS: 1, GapS: c.Gap}
	if c.Counter != "" {
		if o.Counter, err = parseCounter(c.Counter); err != nil {
			return outcome.As(outcome.Usage, fmt.Errorf("--counter %s: %w", c.Counter, err))
		}
	}
	f := audio.Format{RateHz: c.Rate, Channels: 1, Bits: 16}
	side, err := writeSound(c.Output, f, c.Force, func(sink audio.Sink) (*tape.Side, error) {
		return tape.WriteCalibration(env.Context, sink, steps, set.LineCodes(), o, env.Progress())
	}, env.Stdout)
	if err != nil {
		return err
	}
	sheet := tape.CalibrationSheet(m.Title, steps, side)
	if c.Sheet != "" {
		if err := safefile.WriteFile(c.Sheet, []byte(sheet), c.Force); err != nil {
			return err
		}
	}
	if c.Output == "-" {
		return nil
	}
	return env.Report(calibrateReport{c.Output, c.Sheet, steps, side}, func() {
		env.Printf("%s\n%s: %d steps, %s. Record it on a cassette, then play it back into 'remanence tape read'.\n", sheet, c.Output, len(steps), clock(side.Seconds))
	})
}
