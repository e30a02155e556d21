package tape

import (
	"context"
	"errors"
	"fmt"
	"math"
	"strings"

	"remanence/internal/progress"
	"remanence/tape/audio"
	"remanence/tape/linecode"
)

// A CalibrationStep is one recording on a calibration tape. Played to the machine, it shows what the machine loads; played
// back to the computer, what the recorder does to it.
type CalibrationStep struct {
	Number  int     `json:"step"`
	Part    string  `json:"part"` // level, polarity, speed, rate
	Code    string  `json:"line-code"`
	LevelDB float64 `json:"level-db"` // peak, dBFS
	Invert  bool    `json:"invert"`
	Speed   float64 `json:"speed"`
	FromS   float64 `json:"from-s"`
	ToS     float64 `json:"to-s"`
}

// calibrationBytes is the length of the data in each step: enough for a few seconds of sound.
const calibrationBytes = 64

// CalibrationSteps are the steps for a machine's usual code and the others it may read: six levels, the polarity turned
// at two of them, five speeds, and each code.
func CalibrationSteps(code *linecode.Code, others []*linecode.Code) []CalibrationStep {
	var out []CalibrationStep
	add := func(part, code string, level float64, invert bool, speed float64) {
		out = append(out, CalibrationStep{Number: len(out) + 1, Part: part, Code: code, LevelDB: level, Invert: invert, Speed: speed})
	}
	for _, db := range []float64{-24, -18, -12, -6, -3, -0.1} {
		add("level", code.Name, db, false, 1)
	}
	for _, db := range []float64{-12, -6} {
		add("polarity", code.Name, db, true, 1)
	}
	for _, v := range []float64{0.94, 0.97, 1, 1.03, 1.06} {
		add("speed", code.Name, -6, false, v)
	}
	for _, c := range others {
		if c.Name != code.Name {
			add("rate", c.Name, -6, false, 1)
		}
	}
	return out
}

// calibrationItem is what a step says: a small machine-code tape named CAL01, CAL02, ..., which loads 64 bytes at 7000h
// and has checksums of its own. It is not meant to be started.
func calibrationItem(step int) []byte {
	b := append([]byte{nameMark}, fmt.Sprintf("CAL%02d ", step)...)
	b = append(b, blockMark, calibrationBytes, 0x00, 0x70)
	sum := byte(0x70)
	x := uint32(step)*2654435761 + 1
	for range calibrationBytes {
		x = x*1664525 + 1013904223
		c := byte(x >> 24)
		b = append(b, c)
		sum += c
	}
	return append(b, sum, entryMark, 0x00, 0x00)
}

// WriteCalibration writes the steps to sink, with gapS of silence between, and enters their places.
func WriteCalibration(ctx context.Context, sink audio.Sink, steps []CalibrationStep, codes []*linecode.Code, o SideOptions, p progress.Progress) (*Side, error) {
	if len(steps) == 0 {
		return nil, errors.New("calibration: want at least one step, found none")
	}
	if err := o.fill(); err != nil {
		return nil, err
	}
	p = progress.Or(p)
	p.Start("writing calibration tape", len(steps))
	defer p.Done()
	side := &Side{RateHz: o.RateHz}
	w := &sideWriter{ctx: ctx, sink: sink, rate: float64(o.RateHz), o: &o, buf: make([]float32, 8192)}
	if err := w.silence(o.StartS); err != nil {
		return nil, err
	}
	for i := range steps {
		st := &steps[i]
		var code *linecode.Code
		for _, c := range codes {
			if c.Name == st.Code {
				code = c
			}
		}
		if code == nil {
			return nil, fmt.Errorf("calibration step %d: line code %q is not known", st.Number, st.Code)
		}
		so := o
		so.Mastering.LevelDB, so.Mastering.Invert, so.Mastering.Speed = st.LevelDB, st.Invert != o.Mastering.Invert, st.Speed
		w.o = &so
		name := fmt.Sprintf("CAL%02d", st.Number)
		e := Entry{Name: name, Kind: MachineTape, Copy: 1, FromS: w.seconds()}
		it := Item{Name: name, Kind: MachineTape, Code: code, Blocks: [][]byte{calibrationItem(st.Number)}}
		e.Bytes = it.Bytes()
		if err := w.item(it, &e, progress.Nothing{}); err != nil {
			return nil, err
		}
		e.ToS = w.seconds()
		if o.Counter != nil {
			e.Counter = o.Counter.At(e.FromS)
		}
		st.FromS, st.ToS = e.FromS, e.ToS
		side.Entries = append(side.Entries, e)
		if err := w.silence(o.GapS); err != nil {
			return nil, err
		}
		p.Step(1, name)
	}
	side.Seconds, side.Frames = w.seconds(), w.n
	return side, nil
}

// Advice is what a re-recording of the calibration tape says about the recorder.
type Advice struct {
	Heard      []StepHeard `json:"steps"`
	Missing    []int       `json:"missing"`  // steps not heard whole
	LevelDB    float64     `json:"level-db"` // recommended --level
	Invert     bool        `json:"invert"`   // recommended --invert, so that the signal arrives as declared
	Speed      float64     `json:"speed"`    // recommended --speed
	PreEmphUS  float64     `json:"pre-emphasis-us"`
	Rates      []string    `json:"rates"`           // codes that came back whole
	AutoLevel  bool        `json:"automatic-level"` // the recorder sets the level by itself
	Words      []string    `json:"words"`
	CommandArg string      `json:"options"` // for tape write
}

// StepHeard is one step as it came back.
type StepHeard struct {
	Step      int     `json:"step"`
	Whole     bool    `json:"whole"`
	LevelDBFS float64 `json:"level-dbfs"`
	SNRDB     float64 `json:"snr-db"`
	Speed     float64 `json:"speed-percent"`
	Inverted  bool    `json:"inverted"`
}

// Advise recommends settings from a result in which a calibration tape was heard, nil if it was not one (fewer than four
// of its steps).
func Advise(r *Result, steps []CalibrationStep) *Advice {
	a := &Advice{Missing: []int{}, Rates: []string{}, Heard: []StepHeard{}}
	heard := map[int]*Program{}
	for _, p := range r.Programs {
		var n int
		if _, err := fmt.Sscanf(p.Name, "CAL%02d", &n); err != nil || n < 1 || n > len(steps) || p.Kind != MachineTape {
			continue
		}
		if q := heard[n]; q == nil || !q.Whole {
			heard[n] = p
		}
	}
	if len(heard) < 4 {
		return nil
	}
	var gains []float64 // what the path adds, by level step
	var levels []CalibrationStep
	var got []*Program
	var speed float64
	normal, turned, speeds := 0, 0, 0
	for _, st := range steps {
		p := heard[st.Number]
		if p == nil || !p.Whole {
			a.Missing = append(a.Missing, st.Number)
		}
		if p == nil {
			continue
		}
		a.Heard = append(a.Heard, StepHeard{st.Number, p.Whole, p.LevelDBFS, p.SNRDB, p.SpeedPercent, p.Inverted})
		if p.Whole {
			speed += (1 + p.SpeedPercent/100) / st.Speed
			speeds++
			if p.Inverted == st.Invert {
				normal++
			} else {
				turned++
			}
			if st.Part == "rate" || st.Part == "level" && len(a.Rates) == 0 {
				a.Rates = append(a.Rates, st.Code)
			}
		}
		if st.Part == "level" {
			levels, got, gains = append(levels, st), append(got, p), append(gains, p.LevelDBFS-st.LevelDB)
		}
	}
	say := func(format string, x ...any) { a.Words = append(a.Words, fmt.Sprintf(format, x...)) }
	a.level(levels, got, gains, say)
	if speeds > 0 {
		dev := 100 * (speed/float64(speeds) - 1)
		a.Speed = round(1/(1+dev/100), 3)
		if math.Abs(dev) < 0.5 {
			a.Speed = 1
		}
		say("speed: the path plays %+.1f %%; %s", dev, map[bool]string{true: "nothing to do", false: fmt.Sprintf("write with --speed %.3f", a.Speed)}[a.Speed == 1])
	}
	a.Invert = turned > normal
	if a.Invert {
		say("polarity: the path turns the signal upside down; write with --invert")
	} else {
		say("polarity: as written")
	}
	if d := r.Diagnosis; d != nil && d.TrebleDB < -1 {
		// 1 + j w t lifts 2400 Hz over 1200 Hz; t is raised until that makes up for the loss, 200 us at most.
		for us := 5.0; us <= 200; us += 5 {
			a.PreEmphUS = us
			lift := func(hz float64) float64 { x := 2 * math.Pi * hz * us * 1e-6; return 10 * math.Log10(1+x*x) }
			if lift(2400)-lift(1200) >= -d.TrebleDB {
				break
			}
		}
		say("treble: 2400 Hz comes back %.1f dB weaker than 1200 Hz; write with --pre-emphasis-us %.0f, or clean the head first", -d.TrebleDB, a.PreEmphUS)
	}
	if len(a.Missing) > 0 {
		say("not whole: steps %s", strings.Trim(strings.ReplaceAll(fmt.Sprint(a.Missing), " ", ", "), "[]"))
	}
	args := []string{fmt.Sprintf("--level %.1f", a.LevelDB)}
	if a.Invert {
		args = append(args, "--invert")
	}
	if a.Speed != 1 && a.Speed != 0 {
		args = append(args, fmt.Sprintf("--speed %.3f", a.Speed))
	}
	if a.PreEmphUS > 0 {
		args = append(args, fmt.Sprintf("--pre-emphasis-us %.0f", a.PreEmphUS))
	}
	a.CommandArg = strings.Join(args, " ")
	return a
}

// level recommends the highest level that still comes back in proportion: where the gain has fallen by 1.5 dB, the tape or
// an amplifier is at its end.
func (a *Advice) level(levels []CalibrationStep, got []*Program, gains []float64, say func(string, ...any)) {
	a.LevelDB = -6
	if len(levels) < 2 {
		say("level: too few level steps were heard; -6 dB is a guess")
		return
	}
	spread := got[len(got)-1].LevelDBFS - got[0].LevelDBFS
	written := levels[len(levels)-1].LevelDB - levels[0].LevelDB
	if spread < 0.4*written {
		a.AutoLevel = true
		a.LevelDB = -12
		say("level: the recorder sets its level by itself (%.0f dB written came back as %.0f dB); switch that off if you can, else write a long leader and -12 dB", written, spread)
		return
	}
	best := -1
	for i := range levels {
		if got[i].Whole && gains[i] > gains[0]-1.5 && (best < 0 || levels[i].LevelDB > levels[best].LevelDB) {
			best = i
		}
	}
	if best < 0 {
		say("level: no level step came back whole; check leads and the recorder's level first")
		return
	}
	a.LevelDB = levels[best].LevelDB
	say("level: %.1f dB is the highest that comes back in proportion, %.0f dB above the noise", a.LevelDB, got[best].SNRDB)
}

// CalibrationSheet is the sheet to fill in, as plain text in 80 columns.
func CalibrationSheet(machine string, steps []CalibrationStep, side *Side) string {
	var b strings.Builder
	fmt.Fprintf(&b, "CALIBRATION SHEET  %s\n\n", machine)
	b.WriteString("Deck or player: ______________________   Volume: ____   Tone: ____   Date: ________\n\n")
	b.WriteString("1. Turn the volume down before you play: the tones are piercing. No headphones.\n")
	b.WriteString("   Line output to line input; a loudspeaker output can damage a microphone input.\n")
	b.WriteString("2. Record this side with level control and every enhancement switched off.\n")
	b.WriteString("3. Play it to the machine, load each step (CAL01, CAL02, ...) and mark what loaded.\n")
	b.WriteString("   Don't start a step: it holds no program.\n")
	b.WriteString("4. Play it back into the computer, record it, and say 'remanence tape read FILE':\n")
	b.WriteString("   it says what suits this recorder.\n\n")
	b.WriteString("step   time  counter  what      code       level  polarity  speed   loaded?\n")
	for i, st := range steps {
		counter := "____"
		if i < len(side.Entries) && side.Entries[i].Counter > 0 {
			counter = fmt.Sprintf("%03d ", side.Entries[i].Counter)
		}
		pol := "normal"
		if st.Invert {
			pol = "inverted"
		}
		fmt.Fprintf(&b, "%4d  %5s  %-7s  %-8s  %-9s  %5.1f  %-8s  %.2f   yes [ ] no [ ]\n", st.Number, mmss(st.FromS), counter, st.Part, st.Code, st.LevelDB, pol, st.Speed)
	}
	b.WriteString("\nBest: level ______ dB   polarity ________   speed ______   code ________\n")
	return b.String()
}
