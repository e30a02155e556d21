package starter

import (
	"bytes"
	"context"
	"errors"
	"fmt"

	"remanence/disk"
	"remanence/tape"
	"remanence/tape/audio"
	"remanence/tape/linecode"
)

// Options say how a starter tape is made. The zero value of each field stands for what is named.
type Options struct {
	Class       *Class         // nil: the first of Classes
	Code        *linecode.Code // the class's line code, from the machine profiles
	Rate        int            // index into Rates; -1: DefaultRate
	Parity      int            // parity blocks a track, 0 to 7; -1: DefaultParity
	Rounds      int            // times that the disk comes round; 0: once
	RateHz      int            // sample rate; 0: 44,100
	PauseS      float64        // quiet after each track's blocks, in seconds; 0: 1.2
	LevelDB     float64        // peak under full scale; 0: -3
	Calibration bool           // a tape that only measures: every rate, four blocks each
}

// DefaultParity makes up for six lost blocks in a track of some 25: with a 20 ms dropout every 10 s on average, at
// random, one track in 5,000 has more.
const DefaultParity = 6

// Times of the tape outside the blocks, in seconds.
const (
	startPauseS  = 5.0 // to start stage 1 by hand after it has loaded
	answerPauseS = 6.0 // to answer which drive and whether to erase it; the calibration after it gives some seconds more
	groupPauseS  = 1.2 // after a group: most of the machine's work, so that a late start on one group does not cost the next
	endPauseS    = 3.0
	loaderGapS   = 0.3 // after each copy of stage 1
)

// loaderCopies: the class's own loader mends nothing, so stage 1 comes three times; who has it starts it at once. The
// later copies have a short leader: the level has settled by then.
const (
	loaderCopies = 3
	againLeaderS = 0.9
	firstLeaderS = 3.2
)

// programCopies of stage 2 make it whole: stage 1 is too small to mend, and takes each part from whichever copy has it
// right. With a dropout in each copy, two copies lose the same part once in ten tapes, three once in a hundred.
const programCopies = 3

// Tape is a starter tape ready to be played or written.
type Tape struct {
	Tracks  []Track
	Disk    byte // check value that keeps two tapes apart
	LoaderS float64
	Seconds float64
	Blocks  int // of the disk, parity included, one round
	Packed  int // bytes of all tracks, packed

	o      Options
	rate   Rate
	loader []float32
	items  []item
	ends   []float64 // where each track's blocks and pause end, in seconds
}

// item is a block or a pause.
type item struct {
	block *Block
	rate  Rate
	quiet float64 // after it
	ends  bool    // the last of a track: a side may be turned here
}

// TracksOf takes the tracks from an image; it must be one side of 10 x 256 FM sectors numbered from 0, whole, with
// marks the controller can write.
func TracksOf(im *disk.Image) ([]Track, error) {
	g := &im.Geometry
	if g.Heads != 1 || g.Cylinders > maxTracks || g.Cylinders < 1 {
		return nil, fmt.Errorf("%d cylinders and %d sides: a starter tape writes one side of at most %d cylinders", g.Cylinders, g.Heads, maxTracks)
	}
	var out []Track
	for c := range g.Cylinders {
		if s := g.Shape(c, 0); s.Sectors != trackSectors || s.Size != sectorBytes || s.FirstID != 0 || s.Encoding != disk.FM {
			return nil, fmt.Errorf("cylinder %d: %d sectors of %d bytes from %d in %v: want %d of %d from 0 in fm", c, s.Sectors, s.Size, s.FirstID, s.Encoding, trackSectors, sectorBytes)
		}
		t := Track{Mark: disk.MarkData}
		for i, s := range im.Track(c, 0) {
			if i >= trackSectors {
				return nil, fmt.Errorf("cylinder %d: %d extra sectors, which a plain format has no place for", c, len(im.Track(c, 0))-trackSectors)
			}
			if s.Status == disk.Bad || len(s.Data) != sectorBytes {
				return nil, fmt.Errorf("cylinder %d sector %d: bad in the image (%s); a starter tape wants a whole disk", c, i, s.Why)
			}
			if int(s.ID.Cylinder) != c || s.ID.Head != 0 || int(s.ID.Sector) != i || s.ID.SizeCode != 1 {
				return nil, fmt.Errorf("cylinder %d sector %d: its identifier reads %v; the machine formats plain ones", c, i, s.ID)
			}
			if i == 0 {
				t.Mark = s.Mark
			} else if s.Mark != t.Mark {
				return nil, fmt.Errorf("cylinder %d: data marks %02X and %02X on one track; the tape carries one a track", c, t.Mark, s.Mark)
			}
			t.Data = append(t.Data, s.Data...)
		}
		out = append(out, t)
	}
	return out, nil
}

// New lays out a tape. tracks may be nil for a calibration tape.
func New(ctx context.Context, tracks []Track, o Options) (*Tape, error) {
	if o.Class == nil {
		o.Class = Classes[0]
	}
	if o.Rate < 0 {
		o.Rate = DefaultRate
	}
	if o.Parity < 0 {
		o.Parity = DefaultParity
	}
	if o.Rounds == 0 {
		o.Rounds = 1
	}
	if o.PauseS == 0 {
		o.PauseS = groupPauseS
	}
	if o.RateHz == 0 {
		o.RateHz = 44100
	}
	if o.LevelDB == 0 {
		o.LevelDB = -3
	}
	switch {
	case o.Rate >= len(Rates):
		return nil, fmt.Errorf("rate %d: want 0 to %d", o.Rate, len(Rates)-1)
	case o.Rounds < 1 || o.Rounds > 20:
		return nil, fmt.Errorf("%d rounds: want 1 to 20", o.Rounds)
	case !(o.PauseS >= 0.1 && o.PauseS <= 10):
		return nil, fmt.Errorf("pause of %v s: want 0.1 to 10", o.PauseS)
	case o.LevelDB > 0 || o.LevelDB < -40:
		return nil, fmt.Errorf("level %v dB: want -40 to 0", o.LevelDB)
	case len(tracks) > maxTracks || len(tracks) == 0 && !o.Calibration:
		return nil, fmt.Errorf("%d tracks: want 1 to %d", len(tracks), maxTracks)
	}
	t := &Tape{Tracks: tracks, o: o, rate: Rates[o.Rate]}
	var all []byte
	for _, k := range tracks {
		all = append(append(all, k.Data...), k.Mark)
	}
	sum := crc(all)
	t.Disk = byte(sum) ^ byte(sum>>8)
	if err := t.loaderAudio(ctx); err != nil {
		return nil, err
	}
	if err := t.schedule(ctx); err != nil {
		return nil, err
	}
	t.Seconds = t.LoaderS
	for _, it := range t.items {
		t.Seconds += it.quiet
		if it.block != nil {
			t.Seconds += it.rate.Seconds(it.block)
		}
		if it.ends {
			t.ends = append(t.ends, t.Seconds)
		}
	}
	return t, nil
}

// LoaderProgram is stage 1 as a machine-code tape stream of the class: what its own loader takes.
func (k *Class) LoaderProgram() []byte { return machineTape("STARTE", k.Stage1At, k.Stage1) }

func (t *Tape) loaderAudio(ctx context.Context) error {
	if t.o.Code == nil {
		return errors.New("no line code given for the machine's own loader")
	}
	it, err := tape.Encode(t.o.Class.Form, tape.MachineTape, "STARTE", t.o.Class.LoaderProgram())
	if err != nil {
		return err
	}
	for copy := range loaderCopies {
		m := tape.Mastering{LevelDB: t.o.LevelDB, LeaderS: firstLeaderS}
		if copy > 0 {
			m.LeaderS = againLeaderS
		}
		var c audio.Collector
		if _, err = tape.WriteSide(ctx, &c, []tape.Item{it}, tape.SideOptions{Code: t.o.Code, RateHz: t.o.RateHz, Mastering: m}, nil); err != nil {
			return err
		}
		t.loader = append(append(t.loader, c.Samples...), make([]float32, int(loaderGapS*float64(t.o.RateHz)))...)
	}
	t.LoaderS = float64(len(t.loader)) / float64(t.o.RateHz)
	return nil
}

// schedule lays the blocks out: stage 2 three times, a pause for the person's answers, calibration, then the rounds.
func (t *Tape) schedule(ctx context.Context) error {
	add := func(r Rate, bs ...*Block) {
		for _, b := range bs {
			t.items = append(t.items, item{block: b, rate: r})
		}
	}
	pause := func(s float64) { t.items = append(t.items, item{quiet: s}) }
	pause(startPauseS)
	tracks := max(len(t.Tracks), 1)
	for range programCopies {
		bs, err := programBlocks(t.o.Class, t.Disk, tracks, 0)
		if err != nil {
			return err
		}
		add(t.rate, bs...)
	}
	pause(answerPauseS)
	first, copies := 2, 2
	if t.o.Calibration {
		first, copies = 0, 4
	}
	for i := first; i < len(Rates); i++ {
		for range copies {
			test := bytes.Repeat([]byte{0x5A, 0xC3, byte(i), 0x0F}, blockData/4)
			add(Rates[i], newBlock(t.Disk, calibration, byte(i), byte(copies), 0, 0, 0, 0, test))
		}
	}
	pause(0.5)
	for round := range t.o.Rounds {
		if round > 0 { // a machine that joins late finds stage 2 again
			bs, err := programBlocks(t.o.Class, t.Disk, tracks, byte(round))
			if err != nil {
				return err
			}
			add(t.rate, bs...)
			pause(t.o.PauseS)
		}
		for n, k := range t.Tracks {
			if err := ctx.Err(); err != nil {
				return err
			}
			g, err := NewGroup(t.Disk, n, k, t.o.Parity, byte(round))
			if err != nil {
				return err
			}
			if round == 0 {
				t.Blocks += len(g.Blocks)
				t.Packed += g.Packed
			}
			add(t.rate, g.Blocks...)
			t.items = append(t.items, item{quiet: t.o.PauseS, ends: true})
		}
	}
	pause(endPauseS)
	return nil
}
