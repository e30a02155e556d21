package starter

import (
	"bytes"
	"context"
	_ "embed"
	"errors"
	"fmt"
	"io"
	"math"
	"strings"

	"remanence/disk/carve"
	"remanence/disk/cell"
	"remanence/internal/progress"
	"remanence/starter/computer"
	"remanence/tape"
	"remanence/tape/audio"
	"remanence/tape/linecode"
)

//go:generate z80asm -o reader.bin asm/reader.asm

//go:embed reader.bin
var reader []byte

// ReaderProgram is the reverse of the starter tape: a machine-code tape stream of the z80-fm10 class whose program sends
// the first tracks cylinders of a disk out through the cassette port. What it sends are the bytes that lie on the
// tracks, marks and CRCs included, in the class's own line code: tape read --raw stores them, and recover finds the
// sectors in them as in any dump of a track. A track takes about 53 s.
func ReaderProgram(tracks int) ([]byte, error) {
	if tracks < 1 || tracks > maxTracks {
		return nil, fmt.Errorf("%d tracks: want 1 to %d", tracks, maxTracks)
	}
	code := append([]byte(nil), reader...)
	code[tracksAt] = byte(tracks)
	return machineTape("READER", Stage1At, code), nil
}

// machineTape is code as a machine-code tape of the class.
func machineTape(name string, address int, code []byte) []byte {
	b := append([]byte{0x55}, fmt.Sprintf("%-6.6s", name)...)
	for at := 0; at < len(code); at += 256 {
		d := code[at:min(at+256, len(code))]
		a := address + at
		sum := byte(a) + byte(a>>8)
		for _, v := range d {
			sum += v
		}
		b = append(b, 0x3C, byte(len(d)), byte(a), byte(a>>8))
		b = append(append(b, d...), sum)
	}
	return append(b, 0x78, byte(address), byte(address>>8))
}

// WriteReader writes the reader as sound.
func WriteReader(ctx context.Context, sink audio.Sink, code *linecode.Code, tracks int, o tape.SideOptions) (*tape.Side, error) {
	b, err := ReaderProgram(tracks)
	if err != nil {
		return nil, err
	}
	it, err := tape.Encode(tape.FormPulse500, tape.MachineTape, "READER", b)
	if err != nil {
		return nil, err
	}
	o.Code = code
	return tape.WriteSide(ctx, sink, []tape.Item{it}, o, nil)
}

// RehearseReader plays the reader to a model of the machine with a disk in drive 0, and gives the sound that comes out
// of the cassette port, at rateHz.
func RehearseReader(ctx context.Context, code *linecode.Code, tracks, rateHz int, m *computer.Medium, p progress.Progress) (audio.Source, error) {
	p = progress.Or(p)
	var in audio.Collector
	if _, err := WriteReader(ctx, &in, code, tracks, tape.SideOptions{RateHz: 44100}); err != nil {
		return nil, err
	}
	c := computer.New(16)
	c.Controller.Drives[0] = &computer.Drive{Medium: m, Cylinders: max(tracks, 35)}
	circuit := computer.NewCircuit(audio.NewBuffer(44100, 1, in.Samples))
	circuit.Volume = 0.7 / audio.Amplitude(tape.DefaultLevelDB)
	c.Tape = circuit
	c.LoadTape()
	c.RunFor(float64(len(in.Samples))/44100+1, func() bool { return c.Halted })
	if _, whole := c.Loaded(); !whole {
		return nil, errors.New("the machine's loader did not take the reader")
	}
	c.Tape = nil
	c.KeepOutput = true
	began := c.Now()
	c.StartLoaded()
	p.Start("rehearsing", tracks)
	defer p.Done()
	person := newPerson(c, 1)
	seen := ""
	for c.Now()-began < 20+60*float64(tracks) {
		if err := ctx.Err(); err != nil {
			return nil, err
		}
		c.RunFor(0.2, func() bool { return c.Halted })
		if c.Halted && strings.Contains(c.Text(), "DONE") {
			return &levels{c.Output, float64(rateHz), began, c.Now() + 1, 0, 0, 0}, nil
		}
		person.act()
		if at := c.Line(4); at != seen {
			seen = at
			p.Step(1, at)
		}
	}
	return nil, fmt.Errorf("the reader did not finish; the screen says: %s", strings.Join(strings.Fields(c.Text()), " "))
}

// MediumOf is a disk with these tracks as a controller of the class leaves it, to be put in a drive of the model.
func MediumOf(tracks []Track) *computer.Medium {
	m := computer.NewMedium()
	for c, k := range tracks {
		var t computer.Track
		put := func(clock byte, bs ...byte) {
			for _, b := range bs {
				t = append(t, computer.TrackByte{Data: b, Clock: clock})
			}
		}
		field := func(b []byte) {
			sum := cell.CRC(0xFFFF, b)
			put(0xC7, b[0])
			put(0xFF, b[1:]...)
			put(0xFF, byte(sum>>8), byte(sum))
		}
		put(0xFF, bytes.Repeat([]byte{0xFF}, 16)...)
		for _, s := range []int{0, 5, 1, 6, 2, 7, 3, 8, 4, 9} {
			put(0xFF, make([]byte, 6)...)
			field([]byte{0xFE, byte(c), 0, byte(s), 1})
			put(0xFF, bytes.Repeat([]byte{0xFF}, 11)...)
			put(0xFF, make([]byte, 6)...)
			field(append([]byte{k.Mark}, k.Data[s*sectorBytes:(s+1)*sectorBytes]...))
			put(0xFF, bytes.Repeat([]byte{0xFF}, 12)...)
		}
		for len(t) < 3125 {
			put(0xFF, 0xFF)
		}
		m.SetTrack(c, 0, t)
	}
	return m
}

// levels is a cassette output as sound: what a recorder with a plain high pass hears.
type levels struct {
	changes  []computer.Level
	rate     float64
	from, to float64
	frame    int64
	next     int
	volts    float64
}

func (l *levels) Format() audio.Format {
	return audio.Format{RateHz: int(l.rate), Channels: 1, Bits: 16}
}

func (l *levels) Len() int64 { return int64((l.to - l.from) * l.rate) }

func (l *levels) Read(buf []float32) (int, error) {
	left := l.Len() - l.frame
	if left <= 0 {
		return 0, io.EOF
	}
	n := int(min(int64(len(buf)), left))
	for i := range n {
		// The mean of the output over the sample's own time.
		t0 := l.from + float64(l.frame)/l.rate
		t1 := t0 + 1/l.rate
		sum, at := 0.0, t0
		for l.next < len(l.changes) && l.changes[l.next].At < t1 {
			x := math.Max(l.changes[l.next].At, t0)
			sum += (x - at) * l.volts
			at, l.volts = x, l.changes[l.next].Volts-0.46
			l.next++
		}
		sum += (t1 - at) * l.volts
		buf[i] = float32(1.5 * sum * l.rate)
		l.frame++
	}
	return n, nil
}

// CompareSent reads the sound back, finds the sectors in it and holds them against the tracks.
func CompareSent(ctx context.Context, src audio.Source, code *linecode.Code, tracks []Track) error {
	res, err := tape.Read(ctx, src, []*linecode.Code{code}, tape.ReadOptions{Raw: true}, nil)
	if err != nil {
		return err
	}
	found, err := carve.Carve(ctx, res.Raw, nil)
	if err != nil {
		return err
	}
	good := map[[2]byte]bool{}
	for _, s := range found.Sectors() {
		c, i := int(s.ID.Cylinder), int(s.ID.Sector)
		if s.Status == 0 && c < len(tracks) && i < trackSectors && s.Mark == tracks[c].Mark && bytes.Equal(s.Data, tracks[c].Data[i*sectorBytes:(i+1)*sectorBytes]) {
			good[[2]byte{s.ID.Cylinder, s.ID.Sector}] = true
		}
	}
	if n := trackSectors * len(tracks); len(good) != n {
		return fmt.Errorf("%d of %d sectors came back from the sound", len(good), n)
	}
	return nil
}
