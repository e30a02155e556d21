// Package computer rehearses programs on a model of the z80-fm10 machine class: processor, 64 x 16 screen, keyboard
// matrix, cassette port and FM floppy controller, all on one clock.
//
// The processor runs 1.774 million T-states a second; a byte passes the disk head every 64 us, or 113.5 T-states, and
// a program that polls the controller must come round in that time or lose data. The cassette port has one input bit:
// a latch that a pulse from the tape sets and any output to the port clears. Nothing here is faster or more forgiving
// than the class: a rehearsal that works is a claim about a real machine, so far as the facts (z80-fm10, marked 'from
// memory') are right. Worked example: polling with IN A,(FF) / RLCA / JR NC costs 11 + 4 + 12 = 27 T-states or 15.2 us
// a turn, so a pulse is placed no better than that.
//
// No original program of the class is included: the read-only memory here holds a small loader of our own that does
// what the class's tape loader does, bit for bit at the port.
package computer

import (
	"strings"

	"remanence/z80"
)

// Memory map of the class.
const (
	ioPage      = 0x37
	keyboard    = 0x3800
	keyboardEnd = 0x3BFF
	Screen      = 0x3C00 // 16 rows of 64 characters
	ScreenEnd   = 0x3FFF
	RAMStart    = 0x4000
	romEnd      = 0x2FFF
	heartbeatHz = 40
)

// Tape is what the cassette input hears. Pulse reports whether the input circuit delivers a pulse in the half-open
// span of playing time (from, to], in seconds.
type Tape interface{ Pulse(from, to float64) bool }

// Level is one change of the cassette output: 0 V, 0.46 V or 0.85 V.
type Level struct {
	At    float64
	Volts float64
}

// Computer is one machine. Make it with New.
type Computer struct {
	z80.CPU
	Controller Controller
	Tape       Tape
	DeckMotor  bool    // the motor relay stops and starts the tape (a deck); else it runs by itself
	Output     []Level // what the cassette output did, where KeepOutput is set
	KeepOutput bool

	latch      bool
	motor      bool
	tapeAt     float64 // playing time up to which the input has been heard
	motorSince float64 // machine time when the tape last started
	keys       [8]byte
	nextBeat   float64
	beat       bool
	lastVolts  float64
}

// New is a machine with 16, 32 or 48 KiB of RAM and four empty drives.
func New(ramKiB int) *Computer {
	c := &Computer{}
	c.Bus = (*bus)(c)
	c.Reset()
	for p := range c.Pages {
		a := p << 8
		switch {
		case a <= romEnd:
			c.Pages[p] = z80.ROM
		case p == ioPage || a >= keyboard && a <= keyboardEnd:
			c.Pages[p] = z80.Device
		case a >= Screen && a < RAMStart+ramKiB<<10:
			c.Pages[p] = z80.RAM
		default:
			c.Pages[p] = z80.ROM // nothing there
		}
	}
	for a := romEnd + 1; a < Screen; a++ {
		c.Memory[a] = 0xFF
	}
	for a := RAMStart + ramKiB<<10; a < 0x10000; a++ {
		c.Memory[a] = 0xFF
	}
	c.Controller.Reset()
	for i := range c.Controller.Drives {
		c.Controller.Drives[i] = &Drive{}
	}
	c.nextBeat = 1.0 / heartbeatHz
	return c
}

// Now is the machine's time in seconds since Reset.
func (c *Computer) Now() float64 { return float64(c.Clock) / ClockHz }

// RunFor runs for a span of machine time, or until stop (asked every instruction) returns true.
func (c *Computer) RunFor(seconds float64, stop func() bool) (stopped bool) {
	limit := c.Clock + uint64(seconds*ClockHz)
	for c.Clock < limit {
		if stop != nil && stop() {
			return true
		}
		c.Tick()
	}
	return false
}

// Tick is one instruction, with the interrupt line as heartbeat and controller drive it.
func (c *Computer) Tick() {
	if c.IFF1 {
		now := c.Now()
		if now >= c.nextBeat {
			c.beat = true
		}
		c.Interrupt(c.beat || c.Controller.Interrupt(now), 0xFF)
	}
	c.Step()
}

// bus is the machine as the processor sees it.
type bus Computer

func (b *bus) now() float64 { return float64(b.Clock) / ClockHz }

func (b *bus) ReadDevice(a uint16) byte {
	switch {
	case a >= keyboard && a <= keyboardEnd:
		var v byte
		for row := range 8 {
			if a&(1<<row) != 0 {
				v |= b.keys[row]
			}
		}
		return v
	case a >= 0x37EC && a <= 0x37EF:
		return b.Controller.Read(b.now(), int(a&3))
	case a >= 0x37E0 && a <= 0x37E3:
		now := b.now()
		var v byte
		if b.beat || now >= b.nextBeat {
			v |= 0x80
			b.beat = false
			for b.nextBeat <= now {
				b.nextBeat += 1.0 / heartbeatHz
			}
		}
		if b.Controller.Interrupt(now) {
			v |= 0x40
		}
		return v
	}
	return 0xFF
}

func (b *bus) WriteDevice(a uint16, v byte) {
	switch {
	case a >= 0x37EC && a <= 0x37EF:
		b.Controller.Write(b.now(), int(a&3), v)
	case a >= 0x37E0 && a <= 0x37E3:
		b.Controller.Select(b.now(), v)
	}
}

// tapePosition is how far the tape has played.
func (b *bus) tapePosition() float64 {
	if !b.DeckMotor {
		return b.now()
	}
	if !b.motor {
		return b.tapeAt
	}
	return b.tapeAt + b.now() - b.motorSince
}

// hear takes the tape's pulses up to now into the latch.
func (b *bus) hear() {
	to := b.tapePosition()
	if b.Tape != nil && to > b.tapeAt && b.Tape.Pulse(b.tapeAt, to) {
		b.latch = true
	}
	b.tapeAt, b.motorSince = to, b.now()
}

func (b *bus) In(port uint16) byte {
	if port&0xFF != 0xFF {
		return 0xFF
	}
	b.hear()
	if b.latch {
		return 0xFF
	}
	return 0x7F
}

// volts of the cassette output by its two low bits; 11 is not used by the class and taken as idle.
var volts = [4]float64{0.46, 0.85, 0, 0.46}

func (b *bus) Out(port uint16, v byte) {
	if port&0xFF != 0xFF {
		return
	}
	b.hear()
	b.latch = false
	b.motor = v&4 != 0
	if u := volts[v&3]; b.KeepOutput && (u != b.lastVolts || len(b.Output) == 0) {
		b.Output = append(b.Output, Level{b.now(), u})
		b.lastVolts = u
	}
}

// MotorOn reports the state of the relay.
func (c *Computer) MotorOn() bool { return c.motor }

// Text is what the screen shows, row by row without trailing blanks. Codes below 20h and above 7Eh show as a dot.
func (c *Computer) Text() string {
	var s strings.Builder
	for row := range 16 {
		line := make([]byte, 64)
		for i := range line {
			ch := c.Memory[Screen+row*64+i] & 0x7F
			if ch < 0x20 || ch > 0x7E {
				ch = '.'
			}
			line[i] = ch
		}
		s.WriteString(strings.TrimRight(string(line), " "))
		s.WriteByte('\n')
	}
	return s.String()
}

// keyRows is the keyboard matrix: row by row, bit 0 first (from memory). Control keys have names of their own.
var keyRows = [8]string{"@ABCDEFG", "HIJKLMNO", "PQRSTUVW", "XYZ", "01234567", "89:;,-./", "\r\x0C\x03\x0B\n\b\t ", ""}

// Keys of the bottom row that have no character.
const (
	KeyEnter = '\r'
	KeyClear = '\x0C'
	KeyBreak = '\x03'
)

// Press holds a key down, Release lets all go.
func (c *Computer) Press(key rune) {
	for row, keys := range keyRows {
		if i := strings.IndexRune(keys, key); i >= 0 {
			c.keys[row] |= 1 << i
		}
	}
}

// Release lets all keys go.
func (c *Computer) Release() { c.keys = [8]byte{} }

// Line is one row of the screen without trailing blanks.
func (c *Computer) Line(row int) string { return strings.Split(c.Text(), "\n")[row] }
