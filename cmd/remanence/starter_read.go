package main

import (
	"errors"
	"fmt"

	"remanence/internal/outcome"
	"remanence/machine"
	"remanence/starter"
	"remanence/tape"
	"remanence/tape/audio"
)

// readerReport is the JSON of starter --read.
type readerReport struct {
	Machine  string  `json:"machine"`
	Tracks   int     `json:"tracks"`
	File     string  `json:"file"`
	AudioS   float64 `json:"audio-s"` // of the program's own tape
	SentS    float64 `json:"sent-s"`  // of what the machine then sends; 0: not rehearsed
	Verified bool    `json:"verified"`
	Why      string  `json:"why,omitempty"`
}

// reader makes the tape of the disk reader, and rehearses it with an image in the drive where one is given.
func (c *starterCmd) reader(env *Env) error {
	switch {
	case c.Output == "" && !c.Rehearse:
		return outcome.As(outcome.Usage, errors.New("say -o OUT.wav for the sound, --rehearse with an image for a trial, or both"))
	case c.Rehearse && c.Image == "":
		return outcome.As(outcome.Usage, errors.New("--read --rehearse wants an image to put in the drive of the model"))
	case c.SampleRate < 22050 || c.SampleRate > 192000:
		return outcome.As(outcome.Usage, fmt.Errorf("--sample-rate %d: want 22050 to 192000", c.SampleRate))
	}
	class, err := starter.ClassOf(c.Machine)
	if err != nil {
		return outcome.As(outcome.Usage, err)
	}
	set, err := machine.Load(env.ConfigDir())
	if err != nil {
		return err
	}
	code, err := set.LineCode(class.Code)
	if err != nil {
		return err
	}
	rep := readerReport{Machine: class.Machine, Tracks: c.Tracks, File: c.Output}
	if _, err := starter.ReaderProgram(c.Tracks); err != nil {
		return outcome.As(outcome.Usage, err)
	}
	if c.Rehearse {
		tracks, err := c.tracks(set, class, &starterReport{})
		if err != nil {
			return err
		}
		tracks = tracks[:min(len(tracks), c.Tracks)]
		src, err := starter.RehearseReader(env.Context, code, len(tracks), 22050, starter.MediumOf(tracks), env.Progress())
		if err == nil {
			rep.SentS = round(float64(src.Len())/22050, 10)
			err = starter.CompareSent(env.Context, src, code, tracks)
		}
		if env.Context.Err() != nil {
			return env.Context.Err()
		}
		rep.Verified = err == nil
		if err != nil {
			rep.Why = err.Error()
		}
	}
	o := tape.SideOptions{RateHz: c.SampleRate, Mastering: tape.Mastering{LevelDB: c.Level}}
	write := func(sink audio.Sink) (*tape.Side, error) {
		return starter.WriteReader(env.Context, sink, code, c.Tracks, o)
	}
	var side *tape.Side
	if c.Output == "" {
		side, err = write(&audio.Collector{})
	} else {
		side, err = writeSound(c.Output, audio.Format{RateHz: c.SampleRate, Channels: 1, Bits: 16}, c.Force, write, env.Stdout)
	}
	if err != nil {
		return err
	}
	rep.AudioS = round(side.Seconds, 10)
	if err := env.Report(rep, func() {
		if c.Output != "" {
			env.Printf("%s: %.0f s of sound: the disk reader for %s\n", c.Output, rep.AudioS, rep.Machine)
		}
		switch {
		case rep.Verified:
			env.Printf("rehearsed: %d tracks sent in %.0f s, every sector and mark came back\n", min(rep.Tracks, c.Tracks), rep.SentS)
		case c.Rehearse:
			env.Printf("rehearsed: NOT verified: %s\n", rep.Why)
		}
		env.Printf("Next: load it on the machine, record what it sends (about 53 s a track), then\n  remanence tape read RECORDING --raw disk.dump -o found\n  remanence recover disk.dump -o disk.img\n")
	}); err != nil {
		return err
	}
	if c.Rehearse && !rep.Verified {
		return outcome.ErrIncomplete
	}
	return nil
}
