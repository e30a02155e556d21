package linecode

import (
	"fmt"
	"math"
)

// Options tells a Demodulator what to expect. The zero value is right for a recording nobody knows anything about.
type Options struct {
	SpeedRange float64 // largest deviation from nominal speed looked for, 0.01 to 0.2; 0 stands for 0.15
	Unsynced   bool    // give out runs in which no sync was found as well, from their first bit on
}

// Byte is one byte as heard. Positions are samples of the recording, counted from its start.
type Byte struct {
	Value  byte
	LLR    [8]float32 // of bit i (weight 1<<i): ln P(1)/P(0), what the signal says; its sign is the bit, 0 says nothing; within ±30
	At     float64    // where the frame begins
	Length float32    // of the frame, in samples
	Level  float32    // rms of the signal while the code is sounding, full scale 1; near 0 under a dropout
	Speed  float32    // 1 is nominal
	Frame  float32    // LLR of the worst start, stop or parity bit, positive where it is as declared; +Inf without any
}

// Doubt is how near the least certain bit of b was to going the other way: its absolute LLR. Above 10 or so the bit
// is wrong less than once in 20000 times.
func (b *Byte) Doubt(bits int) (bit int, llr float32) {
	llr = float32(math.Inf(1))
	for i := range bits {
		if a := float32(math.Abs(float64(b.LLR[i]))); a < llr {
			bit, llr = i, a
		}
	}
	return bit, llr
}

// Run is a stretch of one code on the tape: leader, sync and bytes, up to where the signal ended.
type Run struct {
	Code      *Code
	LeaderAt  float64 // where the leader was first heard
	From, To  float64 // first byte (after the sync) to where the signal ended
	Bytes     []Byte
	Synced    bool    // the sync was found (always true for a code without sync)
	Inverted  bool    // upside down compared with the declaration; meaningful where the code has a polarity
	Polar     bool    // the recording has a polarity and Inverted tells it: width codes have none, tones may have lost it
	Speed     float64 // mean, 1 is nominal
	Level     float64 // rms of the signal, full scale 1
	Noise     float64 // rms of the noise in the full band of the recording, by what is left beside the decided waveform
	Certainty float64 // 0 to 1: share of bits whose |LLR| is 5 or more
	Fit       float64 // 0 to 1: how well the run agrees with the code where the code leaves no choice (start, stop, parity, clock)
	Continues bool    // the next run continues this one: cut only to bound memory
}

// MaxRunBytes is where a run is cut in two to bound memory.
const MaxRunBytes = 1 << 18

// Refusal says why something that began like a leader did not become a run.
type Refusal struct {
	At  float64 // sample
	Why string
}

// Demodulator finds runs of one line code in a recording. Feed it samples of one channel in order, any number at a
// time, then Close; Take gives the runs finished since the last Take. Memory is bounded by the longest run and by
// about ten seconds of sound, however long the recording.
type Demodulator struct {
	code     *Code
	rate     float64
	engine   engine
	runs     []*Run
	refusals []Refusal
}

// engine is a demodulator for one shape of code.
type engine interface {
	feed(x []float32)
	close()
	live() *Live
}

// NewDemodulator makes a Demodulator for a recording of rateHz samples a second (4000 to 768000, and at least four
// times the highest frequency the code needs).
func NewDemodulator(code *Code, rateHz float64, o Options) (*Demodulator, error) {
	if err := code.Validate(); err != nil {
		return nil, fmt.Errorf("line code %s: %w", code.Name, err)
	}
	if !(rateHz >= minRateHz && rateHz <= maxRateHz) {
		return nil, fmt.Errorf("sample rate: want %d to %d Hz, found %v", minRateHz, maxRateHz, rateHz)
	}
	if o.SpeedRange == 0 {
		o.SpeedRange = 0.15
	}
	if !(o.SpeedRange >= 0.01 && o.SpeedRange <= 0.2) {
		return nil, fmt.Errorf("speed range: want 0.01 to 0.2, found %v", o.SpeedRange)
	}
	d := &Demodulator{code: code, rate: rateHz}
	var err error
	switch {
	case code.Tones != nil:
		d.engine, err = newToneEngine(d, o)
	case code.Pulses != nil:
		d.engine, err = newPulseEngine(d, o)
	default:
		d.engine, err = newWaveEngine(d, o)
	}
	if err != nil {
		return nil, fmt.Errorf("line code %s: %w", code.Name, err)
	}
	return d, nil
}

// Feed takes the next samples.
func (d *Demodulator) Feed(samples []float32) { d.engine.feed(samples) }

// Close says that the recording ends here. Runs still open are finished.
func (d *Demodulator) Close() { d.engine.close() }

// Take gives the runs finished since the last call, in order.
func (d *Demodulator) Take() []*Run {
	r := d.runs
	d.runs = nil
	return r
}

// Refusals gives what began like a leader and was no run, since the last call; at most 64.
func (d *Demodulator) Refusals() []Refusal {
	r := d.refusals
	d.refusals = nil
	return r
}

func (d *Demodulator) refuse(at float64, format string, a ...any) {
	if len(d.refusals) < 64 {
		d.refusals = append(d.refusals, Refusal{at, fmt.Sprintf(format, a...)})
	}
}
