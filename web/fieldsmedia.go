package web

import (
	"archive/zip"
	"bytes"
	"encoding/binary"
	"fmt"
	"strconv"
	"strings"

	"remanence/program"
	"remanence/volume"
)

// openVolume is the volume that an image holds; nil where none can be found any more.
func (s *Server) openVolume(data []byte) volume.Volume {
	v, _, err := volume.Open(data, volume.Options{Recordings: s.o.Set.Recordings(), ParameterSets: s.o.Set.ParameterSets()})
	if err != nil {
		return nil
	}
	return v
}

// fields names the fields of a file of any kind; v is the volume of an image.
func fields(k program.Kind, data []byte, v volume.Volume, w window) []Field {
	if k == program.SectorImage && v != nil {
		return volumeFields(v, data, w)
	}
	return fieldsOf(k, data, w)
}

// volumeFields are the parts of a volume. An image that ends before its volume does is filled up in the volume; what is
// not in the file is left out.
func volumeFields(v volume.Volume, data []byte, w window) []Field {
	var out []Field
	end, n := 0, 0
	for _, p := range volume.Parts(v) {
		if p.At >= len(data) {
			break
		}
		end = min(p.At+p.Len, len(data))
		if p.At < w.To && end > w.From || n == w.Number {
			out = append(out, Field{n, p.At, end, p.Name, p.What, p.File})
		}
		n++
	}
	if end < len(data) && (len(data) > w.From || n == w.Number) {
		out = append(out, Field{n, end, len(data), "rest", "behind the end of the volume", ""})
	}
	return out
}

// captures walks interval captures, one or a zip of them.
func (f *fielder) captures() {
	if bytes.HasPrefix(f.data, []byte("PK")) {
		f.zipped()
		return
	}
	tick := f.captureHead()
	end := len(f.data)
	i := bytes.LastIndex(f.data[f.pos:], []byte("\ncrc32 "))
	if i >= 0 {
		end = f.pos + i
	}
	var at uint64
	for n := 1; f.pos < end; n++ {
		v, k := binary.Uvarint(f.data[f.pos:end])
		if k <= 0 {
			f.take(end-f.pos, one("intervals, rest"), "not a number: cut short, or too large")
			break
		}
		at += v
		if !f.shows(k) {
			f.skip(k)
			continue
		}
		f.take(k, nth("interval", n, ""), "%d ticks, %.3f µs; ends %.3f ms after the start", v, float64(v)*tick/1e3, float64(at)*tick/1e6)
	}
	if i < 0 {
		return
	}
	f.take(1, one("end of the intervals"), "a line end")
	f.take(f.left(), one("check"), "CRC-32 of header and intervals, in hex")
}

// captureHead walks the lines of the header and gives the length of a tick in nanoseconds, 0 where it is not told.
func (f *fielder) captureHead() (tick float64) {
	for f.left() > 0 {
		text, all := f.line()
		line := string(f.data[f.pos : f.pos+text])
		if text == 0 {
			f.take(all, one("end of the header"), "an empty line")
			break
		}
		key, value, _ := strings.Cut(line, " ")
		if key == "tick-ns" {
			tick, _ = strconv.ParseFloat(value, 64)
		}
		about := map[string]string{"remanence-intervals": "the version of this form", "tick-ns": "the length of a tick in nanoseconds", "cylinder": "where the head stood", "head": "which side",
			"index": "ticks from the start to each index pulse", "transitions": "how many intervals follow", "note": "a remark"}[key]
		if about == "" {
			about = "kept and passed on"
		}
		f.take(all, one(fmt.Sprintf("header, %.20q", key)), "%s", about)
	}
	return tick
}

// zipped walks a zip: members with their local headers, the central directory, its end. Source: the published
// specification of the form, 4.3.7 (local header), 4.3.9 (data descriptor), 4.3.12 (central directory), 4.3.16 (end).
func (f *fielder) zipped() {
	packed := map[int64]*zip.File{} // by where the data of a member begin
	if z, err := zip.NewReader(bytes.NewReader(f.data), int64(len(f.data))); err == nil {
		for _, m := range z.File {
			if at, err := m.DataOffset(); err == nil {
				packed[at] = m
			}
		}
	}
	le := binary.LittleEndian
	for f.left() >= 4 {
		rest := f.data[f.pos:]
		switch {
		case bytes.HasPrefix(rest, []byte("PK\x03\x04")) && len(rest) >= 30:
			names, extra := int(le.Uint16(rest[26:])), int(le.Uint16(rest[28:]))
			name := fmt.Sprintf("%.60q", rest[min(30, len(rest)):min(30+names, len(rest))])
			m := packed[int64(f.pos+30+names+extra)]
			f.parts(name, zipLocal)
			f.take(names, one(name+", name"), "the name of the member")
			f.take(extra, one(name+", extra"), "fields of other programs")
			if m == nil {
				return // its length is not known; the caller names the rest
			}
			how := "as it is"
			if m.Method != 0 {
				how = "deflated"
			}
			f.take(int(min(m.CompressedSize64, uint64(f.left()))), one(name+", contents"), "%d bytes, %s", m.UncompressedSize64, how)
		case bytes.HasPrefix(rest, []byte("PK\x07\x08")):
			f.take(16, one("data descriptor"), "CRC-32 and lengths of the member before it")
		case bytes.HasPrefix(rest, []byte("PK\x01\x02")) && len(rest) >= 46:
			names := int(le.Uint16(rest[28:]))
			name := fmt.Sprintf("directory, %.60q", rest[46:min(46+names, len(rest))])
			all := names + int(le.Uint16(rest[30:])) + int(le.Uint16(rest[32:]))
			f.take(42, one(name+", facts"), "times, CRC-32, lengths, attributes")
			f.take(4, one(name+", place"), "its local header is at byte %d", le.Uint32(rest[42:]))
			f.take(all, one(name+", name"), "name, extra fields, remark")
		case bytes.HasPrefix(rest, []byte("PK\x05\x06")) && len(rest) >= 22:
			f.take(22, one("end of the directory"), "%d members", le.Uint16(rest[10:]))
			f.take(f.left(), one("remark"), "about the whole zip")
		default:
			return
		}
	}
}

// part of a header: its length, its name, and how its value is told (nil: as a number, low byte first).
type headerPart struct {
	n    int
	name string
	tell func(b []byte) string
}

var zipLocal = []headerPart{
	{4, "mark", func([]byte) string { return "PK 03 04: a member begins" }}, {2, "version", nil}, {2, "flags", nil},
	{2, "method", func(b []byte) string {
		return map[byte]string{0: "0: as it is", 8: "8: deflated"}[b[0]]
	}},
	{2, "time", nil}, {2, "date", nil}, {4, "CRC-32", func(b []byte) string { return fmt.Sprintf("%08X", binary.LittleEndian.Uint32(b)) }},
	{4, "length, packed", nil}, {4, "length", nil}, {2, "length of the name", nil}, {2, "length of the extra fields", nil},
}

// parts takes a header apart.
func (f *fielder) parts(name string, list []headerPart) {
	for _, p := range list {
		b := f.data[f.pos:min(f.pos+p.n, len(f.data))]
		if !f.shows(len(b)) || len(b) < p.n {
			f.take(p.n, one(name+", "+p.name), "cut short")
			continue
		}
		what := ""
		if p.tell != nil {
			what = p.tell(b)
		}
		if what == "" {
			v := uint64(0)
			for i, x := range b {
				v |= uint64(x) << (8 * i)
			}
			what = fmt.Sprint(v)
		}
		f.take(p.n, one(name+", "+p.name), "%s", what)
	}
}
