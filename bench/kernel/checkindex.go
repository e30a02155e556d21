package kernel

import (
	"errors"
	"fmt"
	"math"
	"slices"

	"remanence/bench"
	"remanence/disk"
	"remanence/disk/cell"
)

// How the blind time after the index is measured.
//
// A 765's FORMAT begins at the index with 146 bytes of gap and index mark (73 in FM), so the first identifier it lays
// down comes some 5 ms after the index at 250 kbit/s, far behind any blind time; no gap length moves it nearer. Nor does
// a field that runs over the index help by itself: MFM data never hold the A1 with the missing clock that an identifier
// begins with.
//
// But they can hold FM. A 1 of MFM is a flux change in the middle of its cell, and a 0 beside a 1 is none; only between
// two zeros comes a clock. So MFM data without two zeros in a row put down a change or none for each bit, one MFM bit
// apart: and that is a half-cell of FM at half the rate, which is what the chip's FM runs at. FM never has two empty
// half-cells in a row, its marks with their missing clocks included (FE with clock C7 is 1111 0101 0111 1110). The
// sixteen half-cells of an FM byte, F57E for an identifier mark, are two bytes of MFM data, to the chip's own crystal.
//
// The identifiers on a formatted track carry what size the table says, whatever was laid down. So the last sector of a
// track of 512-byte sectors is given an identifier of 2048 bytes; writing it runs past the index, as the chip heeds the
// index only while it looks for an identifier. What is written is a ladder: FM identifiers 16 bytes apart, each with a
// number of its own. Asked for one of them, the chip answers "missing data mark" if it sees it (there is no data field),
// "no data" if not; both need no luck with timing. Ladders shifted by single bytes then halve the distance between the
// latest identifier that is not seen and the earliest that is.
//
// Where the ladder lies is timed: a search for a number that is not there ends at the second index pulse, a READ ID ends
// with its identifier, and both answers take the same way to this program. The computed place must agree.
//
// Without FM the blind time cannot be measured with such a controller; that the first identifier of its own FORMAT is
// seen is then an upper bound.
//
// Sources: 765 data sheet (FORMAT, size codes, search up to the second index pulse, status bits MD and ND); FD179x data
// sheet (marks and clocks). That a data field may run over the index is practitioners' experience with over-long
// sectors. Proven on the model of package chip alone, on no real drive.

const (
	rungSpacing = 16 // FM bytes from one identifier to the next: 6 of sync, 7 of identifier, 3 of gap
	fieldBytes  = 2048
)

// stream is FM half-cells, in the bytes of an MFM data field: two for each FM byte.
type stream []byte

func newStream() *stream { return &stream{} }

// at is the length in FM bytes.
func (s *stream) at() int { return len(*s) / 2 }

func (s *stream) put(data, clock byte) {
	v := cell.FM(data, clock)
	*s = append(*s, byte(v>>8), byte(v))
}

func (s *stream) gap(n int) {
	for range n {
		s.put(0xFF, 0xFF)
	}
}

// field is sync, a mark with clock C7, data and CRC.
func (s *stream) field(mark byte, data []byte) {
	for range 6 {
		s.put(0, 0xFF)
	}
	s.put(mark, 0xC7)
	crc := cell.CRC(cell.CRC(0xFFFF, []byte{mark}), data)
	for _, v := range append(slices.Clone(data), byte(crc>>8), byte(crc)) {
		s.put(v, 0xFF)
	}
}

func (s *stream) id(cylinder, sector, size byte) { s.field(0xFE, []byte{cylinder, 0, sector, size}) }

// anchor is an MFM track whose last sector is written over the index.
type anchor struct {
	c        *check
	cylinder int
	sectors  int
	toIndex  int     // MFM bytes from the first of the long field to the index, at the measured speed
	fmByteUS float64 // time of an FM byte
	mfm, low *bench.Track
}

func (c *check) anchor() *anchor {
	a := &anchor{c: c, cylinder: c.place, fmByteUS: 16000 / c.rate, mfm: trial(disk.MFM, c.place, c.rate, 0), low: trial(disk.FM, c.place, c.rate, 0)}
	f := a.mfm.Format
	track := c.rate * 1000 / 8 * c.turn
	a.sectors = int((track*0.98 - float64(f.PreambleBytes())) / float64(f.SectorBytes()))
	// To the field: preamble, whole sectors, then sync, mark, identifier, CRC, gap 2, sync and mark of the last one.
	field := f.PreambleBytes() + (a.sectors-1)*f.SectorBytes() + 2*(f.Sync+f.MarkBytes()) + 6 + f.Gap2
	a.toIndex = int(track) - field
	return a
}

// format lays down the track, the last identifier with the size of the long field.
func (a *anchor) format() error {
	cmd := a.c.d.command(a.mfm, 0x0D, rawWrite)
	cmd.Bytes = append(cmd.Bytes, 2, uint8(a.sectors), uint8(a.mfm.Format.Gap3), uint8(a.mfm.Format.Fill))
	for r := 1; r <= a.sectors; r++ {
		size := byte(2)
		if r == a.sectors {
			size = 4
		}
		cmd.Data = append(cmd.Data, byte(a.cylinder), 0, byte(r), size)
	}
	return a.c.do(cmd)
}

// write puts a stream into the long field.
func (a *anchor) write(s *stream) error {
	s.gap(fieldBytes/2 - s.at())
	cmd := a.c.d.command(a.mfm, 0x05, rawWrite)
	r := byte(a.sectors)
	cmd.Bytes = append(cmd.Bytes, byte(a.cylinder), 0, r, 4, r, byte(a.mfm.GapRW), 0xFF)
	cmd.Data = *s
	return a.c.do(cmd)
}

// fm is a command for an FM sector of 128 bytes on that track.
func (a *anchor) fm(op byte, flags uint32, sector byte) *Command {
	cmd := a.c.d.command(a.low, op, flags)
	cmd.Bytes = append(cmd.Bytes, byte(a.cylinder), 0, sector, 0, sector, byte(a.low.GapRW), 128)
	return cmd
}

// sees asks for a rung by its number.
func (a *anchor) sees(rung int) (bool, error) {
	var err error
	for range 2 { // a miss counts only twice
		cmd := a.fm(0x06, rawRead, byte(rung))
		cmd.Data = make([]byte, 128)
		err = a.c.do(cmd)
		if err == nil || errors.Is(err, errNoDataMark) {
			return true, nil
		}
		if !errors.Is(err, errNoSector) && !errors.Is(err, errNoMark) {
			return false, err
		}
	}
	return false, nil
}

// ladder is a field of rungs that was written and timed.
type ladder struct {
	*anchor
	shift   int
	rungs   int     // numbers 1 to that
	startUS float64 // of the field's first byte, after the index
	errUS   float64
}

// after is when the mark of a rung comes, in microseconds after the index.
func (l *ladder) after(rung int) float64 {
	return l.startUS + float64(l.shift+(rung-1)*rungSpacing+6)*l.fmByteUS
}

// near is the rung that comes nearest to a time after the index.
func (l *ladder) near(us float64) int {
	r := 1 + int(math.Round((us-l.after(1))/(rungSpacing*l.fmByteUS)))
	return max(1, min(r, l.rungs))
}

var errUneven = errors.New("this computer's answers come too unevenly")

// ladder writes rungs, the first after so many FM bytes, and times where they lie.
func (a *anchor) ladder(shift int) (*ladder, error) {
	s := newStream()
	s.gap(shift)
	l := &ladder{anchor: a, shift: shift}
	for s.at()+rungSpacing <= fieldBytes/2 {
		l.rungs++
		s.id(byte(a.cylinder), byte(l.rungs), 0)
		s.gap(shift + l.rungs*rungSpacing - s.at())
	}
	if err := a.write(s); err != nil {
		return nil, err
	}
	const samples, none = 9, 0xFE
	turnUS := a.c.turn * 1e6
	var starts []float64
	var why error
	for try := 0; try < 2*samples && len(starts) < samples; try++ {
		cmd := a.fm(0x06, rawRead, none)
		cmd.Data = make([]byte, 128)
		err := a.c.do(cmd)
		index := a.c.o.Now()
		if !errors.Is(err, errNoSector) { // then it did not end at an index pulse
			if why = err; err != nil && bench.Fatal(err) {
				return nil, err
			}
			continue
		}
		id, err := a.c.readID(a.low)
		us := float64(a.c.o.Now().Sub(index).Nanoseconds()) / 1000
		if err != nil {
			if why = err; bench.Fatal(err) {
				return nil, err
			}
			continue
		}
		if r := int(id.Sector); r >= 1 && r <= l.rungs && us < turnUS/2 {
			starts = append(starts, us-float64(shift+(r-1)*rungSpacing+13)*a.fmByteUS) // a READ ID ends 13 bytes into its rung
		}
	}
	switch {
	case len(starts) < samples && why != nil:
		return nil, fmt.Errorf("the identifiers laid down over the index cannot be timed: %w", why)
	case len(starts) < samples:
		return nil, fmt.Errorf("%w: %d of %d times could be used", errUneven, len(starts), samples)
	}
	slices.Sort(starts)
	l.startUS = starts[samples/2]
	for i, v := range starts {
		starts[i] = math.Abs(v - l.startUS)
	}
	slices.Sort(starts)
	l.errUS = 1.48 * starts[samples/2] // the standard deviation, were it a normal distribution
	computed := -float64(a.toIndex) * a.fmByteUS / 2
	switch off := l.startUS - computed; {
	case l.errUS > 200:
		return nil, fmt.Errorf("%w: ±%.0f us", errUneven, l.errUS)
	case math.Abs(off) > 0.02*turnUS:
		return nil, fmt.Errorf("the identifiers come %.0f us from where they were written", off)
	}
	return l, nil
}

// index measures how long after the index identifiers are not seen.
func (c *check) index() error {
	const name = "index gap"
	if !c.ready(name) {
		return nil
	}
	f := trial(disk.MFM, c.place, c.rate, 0).Format
	c.f.FirstUS = math.Ceil(float64(f.PreambleBytes()+f.Sync) * 8000 / c.rate)
	bound := fmt.Sprintf("the first identifier of its own FORMAT is seen, %.0f us after the index at %g kbit/s", c.f.FirstUS, c.rate)
	if c.f.FM != "yes" {
		c.unknown(name, "not measurable with this controller: only one that does FM can be shown a nearer one; %s", bound)
		return nil
	}
	least, err := c.blind()
	switch {
	case err != nil && bench.Fatal(err):
		return err
	case err != nil:
		c.unknown(name, "not measurable: %s; %s", words(err), bound)
	case least > 0:
		c.say(name, true, "at %g kbit/s sees identifiers from %.0f us after the index on, at %.0f us not yet (±%.0f us)", c.rate, c.f.BlindUS, c.f.BlindAboveUS, c.f.BlindErrUS)
	default:
		c.say(name, true, "at %g kbit/s sees identifiers from %.0f us after the index on, the earliest that was tried (±%.0f us)", c.rate, c.f.BlindUS, c.f.BlindErrUS)
	}
	return nil
}

// blind climbs ladders. least is the time of the latest rung not seen, 0 if all were.
func (c *check) blind() (least float64, err error) {
	a := c.anchor()
	if err := a.format(); err != nil {
		return 0, err
	}
	l, err := a.ladder(0)
	if err != nil {
		return 0, err
	}
	most, errUS := math.Inf(1), l.errUS
	narrow := func(r int, at float64) error {
		seen, err := l.sees(r)
		switch {
		case err != nil:
			return err
		case seen:
			most = at
		default:
			least = at
		}
		return nil
	}
	for r := l.near(0); r <= l.rungs && math.IsInf(most, 1); r++ {
		at := l.after(r)
		if at < 0 {
			continue // before the index
		}
		if err := narrow(r, at); err != nil {
			return 0, err
		}
	}
	if math.IsInf(most, 1) {
		return 0, fmt.Errorf("no identifier within %.0f us after the index is seen", least)
	}
	for range 6 {
		if most-least < 2*a.fmByteUS {
			break
		}
		middle := (least + most) / 2
		shift := int(math.Round((middle-l.after(1))/a.fmByteUS)) + l.shift
		if l, err = a.ladder(((shift % rungSpacing) + rungSpacing) % rungSpacing); err != nil {
			return 0, err
		}
		errUS = max(errUS, l.errUS)
		r := l.near(middle)
		at := l.after(r)
		if at <= least || at >= most {
			break // no rung lies between
		}
		if err := narrow(r, at); err != nil {
			return 0, err
		}
	}
	c.f.BlindUS, c.f.BlindAboveUS, c.f.BlindErrUS = math.Ceil(most), math.Floor(least), math.Ceil(errUS)
	return least, nil
}
