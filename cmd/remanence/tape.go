package main

import (
	"fmt"
	"path/filepath"
	"strings"

	"remanence/internal/outcome"
	"remanence/machine"
	"remanence/tape/linecode"
)

// tapeCmd turns programs into sound and sound into programs.
type tapeCmd struct {
	Write     tapeWriteCmd     `cmd:"" help:"Write programs as sound, to be recorded on a cassette or played to the machine."`
	Read      tapeReadCmd      `cmd:"" help:"Find every program in a recording, and say what is wrong with the tape."`
	Calibrate tapeCalibrateCmd `cmd:"" help:"Write a calibration tape that finds the best settings for a recorder, with a sheet."`
}

// hearingCaution stands in the help of everything that makes a sound.
const hearingCaution = `CAUTION: the tones are piercing. Turn the volume down before you play them, and use no headphones. Connect line
outputs to line inputs; a loudspeaker output can damage a microphone input.`

// codesFor gives the line codes to listen for: the one asked for, or all.
func codesFor(set *machine.Set, name string) ([]*linecode.Code, error) {
	if name == "" {
		return set.LineCodes(), nil
	}
	c, err := set.LineCode(name)
	if err != nil {
		var names []string
		for _, c := range set.LineCodes() {
			names = append(names, c.Name)
		}
		return nil, outcome.As(outcome.Usage, fmt.Errorf("--code %s: want one of %s", name, strings.Join(names, ", ")))
	}
	return []*linecode.Code{c}, nil
}

// fileStem is the name of a file without folder and extension, in capitals, for an index.
func fileStem(path string) string {
	b := filepath.Base(path)
	if ext := filepath.Ext(b); ext != "" && ext != b {
		b = strings.TrimSuffix(b, ext)
	}
	return strings.ToUpper(b)
}
