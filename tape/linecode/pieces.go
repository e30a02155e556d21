package linecode

import "math"

// A piece is a stretch of the written waveform: half a sine wave, or a constant level (0 is the idle level).
type piece struct {
	seconds float64
	level   float64 // peak of the half-wave, or the constant
	sine    bool
	flips   bool // level is multiplied by the running sign, which changes after the piece (alternating half-waves)
}

// bitPieces is the waveform of one bit at nominal speed.
func (c *Code) bitPieces(bit int) []piece {
	switch {
	case c.Tones != nil:
		tone := c.Tones.Zero
		if bit == 1 {
			tone = c.Tones.One
		}
		var out []piece
		for i := range int(2 * tone.Cycles) {
			out = append(out, piece{seconds: 0.5 / tone.Hz, level: float64(1 - 2*(i&1)), sine: c.Tones.Form != "square"})
		}
		return out
	case c.Pulses != nil:
		places := c.Pulses.Zero
		if bit == 1 {
			places = c.Pulses.One
		}
		var out []piece
		cell, at := c.Pulses.CellUS/1e6, 0.0
		for _, p := range places {
			if gap := p*cell - at; gap > 0 {
				out = append(out, piece{seconds: gap})
				at = p * cell
			}
			for _, s := range c.Pulses.Pulse {
				out = append(out, piece{seconds: s.US / 1e6, level: s.Level})
				at += s.US / 1e6
			}
		}
		if cell-at > 1e-12 {
			out = append(out, piece{seconds: cell - at})
		}
		return out
	case bit == 1:
		return c.wavePieces(c.Waves.One)
	default:
		return c.wavePieces(c.Waves.Zero)
	}
}

// wavePieces is half-waves of the given widths; in an unsigned code they take the running sign.
func (c *Code) wavePieces(us []float64) []piece {
	signed := c.Waves.Signed()
	var out []piece
	for _, w := range us {
		p := piece{seconds: math.Abs(w) / 1e6, level: 1, sine: c.Waves.Form != "square", flips: !signed}
		if w < 0 {
			p.level = -1
		}
		out = append(out, p)
	}
	return out
}

// frame appends the bits of a byte as they go on the tape.
func (f Framing) frame(dst []int, b byte) []int {
	dst = append(dst, f.Start...)
	ones := 0
	for i := range f.Bits {
		bit := int(b>>i) & 1
		if f.Order == HighFirst {
			bit = int(b>>(f.Bits-1-i)) & 1
		}
		ones += bit
		dst = append(dst, bit)
	}
	switch f.Parity {
	case "even":
		dst = append(dst, ones&1)
	case "odd":
		dst = append(dst, 1-ones&1)
	case "mark":
		dst = append(dst, 1)
	case "space":
		dst = append(dst, 0)
	}
	return append(dst, f.Stop...)
}

// FrameOf is the bits of b as they go on the tape, start and stop bits included.
func (f Framing) FrameOf(b byte) []int { return f.frame(nil, b) }
