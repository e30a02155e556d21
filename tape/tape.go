// Package tape writes programs on cassettes as sound, and reads cassettes back, well or damaged.
//
// A tape is sound, sound is bits (package linecode), and bits are blocks. Before each block stands a leader, on which
// the player's level and the reader's timing settle, and a sync mark; what follows the mark is the block. For the class
// of the 500-bit/s pulse cassette there are three forms of it:
//
//	machine code   55 'H' 'E' 'R' 'O' 'N' ' '   3C 02 00 52 3E 05 97   78 00 52
//	               name, six letters            block: 2 bytes for     entry at
//	                                            5200h, sum 97h         5200h
//	BASIC          D3 D3 D3 'A'   lines: link, number, text, 00   ...   00 00
//	text           characters, 0D at the end; every line has a leader and a sync of its own
//
// The sum of the machine-code block is the two address bytes and the data, mod 256: 00 + 52 + 3E + 05 = 95h for the
// bytes 3E 05 at 5200h. (The 97h above is wrong, and a reader that does not notice loads a program that crashes.)
//
// Reading is the other half of the room. Each bit comes from the line code with its odds. Where a sum is wrong, the
// least certain bits are tried; where the same program was recorded twice, or lies on both channels, the odds are added
// bit by bit; and of everything that stays wrong the result says where on the tape it is, what happened there and what
// a person can do about it.
package tape

import (
	"fmt"

	"remanence/tape/audio"
	"remanence/tape/linecode"
)

// The kinds of program on a tape; the names are those of 'remanence inspect'.
const (
	MachineTape = "machine-tape"
	BASICTape   = "basic-tape"
	Text        = "text"
	IntelHex    = "intel-hex"
	SRecord     = "s-record"
	Unknown     = "unknown" // bytes of which nothing can be checked
)

// The block forms of a machine class.
const (
	FormPulse500 = "pulse500" // the class of the pulse cassette: machine code, BASIC, text
	FormRaw      = "raw"      // one leader, then the bytes as they are: the class of the single-board computer
)

// Item is one program to be written.
type Item struct {
	Name   string         // for the index
	Kind   string         // one of the kinds above
	Blocks [][]byte       // what follows each sync
	Code   *linecode.Code // nil: the code of the side
}

// Bytes is the length of all blocks together.
func (it Item) Bytes() int {
	n := 0
	for _, b := range it.Blocks {
		n += len(b)
	}
	return n
}

// Mastering is how the sound is made for one kind of recorder. The zero value is a good start.
type Mastering struct {
	LevelDB       float64 `toml:"level-db,omitempty" json:"level-db"`               // peak, dB under full scale, 0 to -40; 0 stands for -3
	Invert        bool    `toml:"invert,omitempty" json:"invert"`                   // upside down
	RiseUS        float64 `toml:"rise-us,omitempty" json:"rise-us"`                 // edges as ramps of this length
	PreEmphasisUS float64 `toml:"pre-emphasis-us,omitempty" json:"pre-emphasis-us"` // lifts treble that a recorder loses
	LeaderS       float64 `toml:"leader-s,omitempty" json:"leader-s"`               // 0: as the code declares
	Speed         float64 `toml:"speed,omitempty" json:"speed"`                     // 1 or 0: nominal; 1.02 makes up for a player that is 2 % slow
}

// DefaultLevelDB is the peak level where none is asked for: full, but with room for the overshoot of a sound card.
const DefaultLevelDB = -3

func (m Mastering) shape() linecode.Shape {
	db := m.LevelDB
	if db == 0 {
		db = DefaultLevelDB
	}
	return linecode.Shape{Level: audio.Amplitude(db), Invert: m.Invert, RiseUS: m.RiseUS, PreEmphasisUS: m.PreEmphasisUS, Speed: m.Speed}
}

// Validate says what is impossible about m.
func (m Mastering) Validate() error {
	for _, f := range []struct {
		name      string
		v, lo, hi float64
	}{{"level", m.LevelDB, -40, 0}, {"rise time (us)", m.RiseUS, 0, 1000}, {"pre-emphasis (us)", m.PreEmphasisUS, 0, 500}, {"leader (s)", m.LeaderS, 0, 600}} {
		if !(f.v >= f.lo && f.v <= f.hi) {
			return fmt.Errorf("%s: want %v to %v, found %v", f.name, f.lo, f.hi, f.v)
		}
	}
	if m.Speed != 0 && !(m.Speed >= 0.8 && m.Speed <= 1.25) {
		return fmt.Errorf("speed: want 0.8 to 1.25, found %v", m.Speed)
	}
	return nil
}

// Fault is one thing that went wrong on a tape.
type Fault struct {
	AtS  float64 `json:"at-s"` // seconds from the start of the recording
	What string  `json:"what"`
}

func (f Fault) String() string { return fmt.Sprintf("%.1f s: %s", f.AtS, f.What) }

// Repair is one block made whole by turning its least certain bits.
type Repair struct {
	AtS         float64 `json:"at-s"`
	Bits        int     `json:"bits"`         // turned
	Tried       int     `json:"tried"`        // combinations tried until the sum was right
	FalseChance float64 `json:"false-chance"` // that a wrong combination fitted by chance
	What        string  `json:"what"`
}

// Program is one program found on a tape.
type Program struct {
	Name    string   `json:"name"`
	Kind    string   `json:"kind"`
	Bytes   int      `json:"bytes"`
	Whole   bool     `json:"whole"`
	FromS   float64  `json:"from-s"` // first byte
	ToS     float64  `json:"to-s"`
	File    string   `json:"file"` // where the caller stored it, "" if it did not
	Code    string   `json:"line-code"`
	Channel string   `json:"channel,omitempty"`
	Repairs []Repair `json:"repairs,omitempty"`
	Doubt   float64  `json:"least-certain"` // odds (ln) of its least certain bit
	Checked string   `json:"checked-by"`    // what says that it is whole: "checksums", "line structure", "nothing"
	Passes  int      `json:"passes"`        // recordings or copies that went into it
	// Doubtful counts bytes that nothing checks and of which a bit may as well be the other way.
	Doubtful int `json:"doubtful-bytes,omitempty"`

	LevelDBFS    float64 `json:"level-dbfs"` // rms while it sounded
	SNRDB        float64 `json:"snr-db"`
	SpeedPercent float64 `json:"speed-percent"`
	Inverted     bool    `json:"inverted"` // false where the code has no polarity

	Data   []byte          `json:"-"`
	soft   []linecode.Byte // as heard, for merging
	spans  []span          // where on the recording soft was heard
	group  []*Program      // what it was merged of
	tried  map[int]bool    // blocks that repair was tried on
	where  string
	merged bool
	cut    bool // the recording ended while it still sounded
}

// State is good, repaired, doubtful (every byte was heard, some may be wrong) or lost in part.
func (p *Program) State() string {
	switch {
	case p.Whole && len(p.Repairs) > 0:
		return Repaired
	case p.Whole:
		return Good
	case p.Doubtful > 0 && !p.cut:
		return Doubtful
	}
	return LostInPart
}

// span says where n bytes of a program were heard.
type span struct {
	n    int
	base float64 // sample at which their positions begin
	rate float64
	run  int // number of the run among those of the recording, by time
}

func (s span) seconds(sample float64) float64 { return (sample + s.base) / s.rate }
