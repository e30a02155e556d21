package computer

import (
	"remanence/disk"
	"remanence/disk/cell"
)

// TrackByte is one byte as an FM controller writes it: eight data bits with eight clock bits between them. Ordinary
// bytes have all clocks (FF); marks leave some out (C7, the index mark D7).
type TrackByte struct{ Data, Clock byte }

// Track is what lies on one cylinder of one side, from the index on; nil: never recorded.
type Track []TrackByte

// Medium is a disk in a drive: tracks by cylinder and head.
type Medium struct {
	WriteProtected bool
	tracks         map[[2]int]Track
	Spots          []Spot // places that do not hold what is written
}

// Spot is a defect of the coating: the bytes From..To (of 3,125) of one track read back with changed bits.
type Spot struct{ Cylinder, Head, From, To int }

// NewMedium is a blank disk.
func NewMedium() *Medium { return &Medium{tracks: map[[2]int]Track{}} }

// Track is what is recorded at a place.
func (m *Medium) Track(cylinder, head int) Track { return m.tracks[[2]int{cylinder, head}] }

// SetTrack replaces what is recorded at a place.
func (m *Medium) SetTrack(cylinder, head int, t Track) { m.tracks[[2]int{cylinder, head}] = t }

// read is one byte of a track as the head hears it.
func (m *Medium) read(cylinder, head, i int) (TrackByte, bool) {
	t := m.tracks[[2]int{cylinder, head}]
	if len(t) == 0 {
		return TrackByte{}, false
	}
	b := t[i%len(t)]
	for _, s := range m.Spots {
		if s.Cylinder == cylinder && s.Head == head && i >= s.From && i <= s.To {
			b.Data ^= 0x10
		}
	}
	return b, true
}

// write puts one byte at position i of a track of n bytes; what was there before the track had this length is kept
// as far as it goes.
func (m *Medium) write(cylinder, head, i, n int, b TrackByte) {
	k := [2]int{cylinder, head}
	t := m.tracks[k]
	if len(t) != n {
		grown := make(Track, n)
		copy(grown, t)
		t = grown
		m.tracks[k] = t
	}
	t[i%n] = b
}

// Sectors reads back every sector of a track as a patient reader would: any identifier with a right CRC, and the data
// field behind it. It uses no controller and is the proof that what a controller wrote is right.
func (m *Medium) Sectors(cylinder, head int) []disk.Sector {
	t := m.Track(cylinder, head)
	at := func(i int) TrackByte { b, _ := m.read(cylinder, head, i%len(t)); return b }
	var out []disk.Sector
	for i := range t {
		if b := at(i); b != (TrackByte{0xFE, markClock}) {
			continue
		}
		field := make([]byte, 7)
		for k := range field {
			field[k] = at(i + k).Data
		}
		if cell.CRC(0xFFFF, field) != 0 {
			continue
		}
		s := disk.Sector{Cylinder: cylinder, Head: head, Encoding: disk.FM, Margin: -1, Angle: float64(i) / float64(len(t)),
			ID: disk.SectorID{Cylinder: field[1], Head: field[2], Sector: field[3], SizeCode: field[4]}, Status: disk.Bad, Why: "no data field follows"}
		for k := 7; k < 7+dataWindow; k++ {
			b := at(i + k)
			if b.Clock != markClock || b.Data&0xFC != 0xF8 {
				continue
			}
			n := s.ID.Size()
			f := make([]byte, 1+n+2)
			for j := range f {
				f[j] = at(i + k + j).Data
			}
			s.Mark, s.Data, s.Why = b.Data, f[1:1+n], "data CRC is wrong"
			if cell.CRC(0xFFFF, f) == 0 {
				s.Status, s.Why = disk.Good, ""
			}
			break
		}
		out = append(out, s)
	}
	return out
}
