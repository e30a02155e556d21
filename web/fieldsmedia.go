package web

import (
	"bytes"
	"encoding/binary"
	"fmt"

	"remanence/program"
	"remanence/volume"
)

// mediaFields names the fields of what holds media: sectors of an image, chunks of a WAV, header and body of captures.
func (s *Server) mediaFields(k program.Kind, data []byte) []Field {
	f := fielder{data: data}
	switch k {
	case program.SectorImage:
		v, _, err := volume.Open(data, volume.Options{Recordings: s.o.Set.Recordings(), ParameterSets: s.o.Set.ParameterSets()})
		if err != nil || v.Image() == nil || len(v.Image().Data) != len(data) {
			return nil
		}
		im := v.Image()
		for p := range im.Places() { // the raw image has them in this order
			n := len(im.Bytes(p))
			if !f.take(n, fmt.Sprintf("cylinder %d, head %d, sector %d", p.Cylinder, p.Head, p.Sector), "%d bytes", n) {
				break
			}
		}
	case program.Audio:
		f.riff()
	case program.Captures:
		f.capture()
	}
	return f.out
}

// riff walks the chunks of a WAV: four letters, a length, so many bytes and one more where it is odd. Other sound files
// have no fields here.
func (f *fielder) riff() {
	if len(f.data) < 12 || string(f.data[:4]) != "RIFF" || string(f.data[8:12]) != "WAVE" {
		return
	}
	f.take(4, "form", "RIFF")
	f.take(4, "form length", "%d bytes follow", binary.LittleEndian.Uint32(f.data[4:]))
	f.take(4, "form type", "WAVE")
	for f.left() >= 8 {
		name, n := fmt.Sprintf("%q", f.data[f.pos:f.pos+4]), int(binary.LittleEndian.Uint32(f.data[f.pos+4:]))
		f.take(4, "chunk "+name, "begins a chunk")
		f.take(4, "chunk "+name+", length", "%d bytes", n)
		if !f.take(min(n+n&1, f.left()), "chunk "+name+", contents", "%d bytes", n) {
			return
		}
	}
	f.take(f.left(), "after the last chunk", "not a chunk")
}

// capture walks an interval capture: header lines, an empty line, the intervals, the check line.
func (f *fielder) capture() {
	for f.left() > 0 {
		_, all := f.line()
		line := bytes.TrimRight(f.data[f.pos:f.pos+all], "\r\n")
		if len(line) == 0 {
			f.take(all, "end of the header", "an empty line")
			break
		}
		key, _, _ := bytes.Cut(line, []byte(" "))
		if !f.take(all, fmt.Sprintf("header, %.20q", key), "%d characters", len(line)) {
			return
		}
	}
	if i := bytes.LastIndex(f.data[f.pos:], []byte("\ncrc32 ")); i >= 0 {
		f.take(i, "intervals", "%d bytes of LEB128 numbers: ticks from one transition to the next", i)
		f.take(f.left(), "check", "CRC-32 of header and intervals, in hex")
		return
	}
	f.take(f.left(), "intervals", "no check line follows: the file is cut short")
}
