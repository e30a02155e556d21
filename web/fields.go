package web

import (
	"bytes"
	"fmt"
	"slices"

	"remanence/picture"
	"remanence/program"
)

// Field is a stretch of a file and what it is: bytes From up to To, exclusive.
type Field struct {
	From, To int
	Name     string // "data record 3"
	What     string // "4 bytes to 5200h to 5203h"
}

// maxFields bounds what is worked out of one file.
const maxFields = 100_000

// FieldsOf names the fields of a file of a kind, ascending and without overlap; nil for kinds whose bytes have no
// structure of their own. What can't be read as the kind says stays without a name.
func FieldsOf(k program.Kind, data []byte) []Field {
	if len(data) > program.MaxProgramBytes {
		return nil
	}
	f := fielder{data: data}
	switch k {
	case program.LoadModule:
		f.module()
	case program.MachineTape:
		f.tape()
	case program.IntelHex, program.SRecord:
		f.hexLines(k)
	case program.BASICDisk, program.BASICTape:
		f.basic(k)
	case program.Text:
		f.lines("line")
	}
	return f.out
}

func fieldAt(fields []Field, offset int) int {
	i, ok := slices.BinarySearchFunc(fields, offset, func(f Field, o int) int {
		switch {
		case f.To <= o:
			return -1
		case f.From > o:
			return 1
		}
		return 0
	})
	if !ok {
		return -1
	}
	return i
}

type fielder struct {
	data []byte
	pos  int
	out  []Field
}

func (f *fielder) left() int { return len(f.data) - f.pos }

// take names the next n bytes, as far as there are any.
func (f *fielder) take(n int, name, format string, a ...any) bool {
	end := min(f.pos+n, len(f.data))
	if end > f.pos && len(f.out) < maxFields {
		what := fmt.Sprintf(format, a...)
		if end < f.pos+n {
			what += fmt.Sprintf("; the file ends %d bytes early", f.pos+n-end)
		}
		f.out = append(f.out, Field{f.pos, end, name, what})
	}
	f.pos = end
	return len(f.out) < maxFields
}

func word(b []byte) int { return int(b[0]) | int(b[1])<<8 }

// module walks the records of a load module: type, length, body (z80-home-machine sheet; a maker's disk-system
// reference manual of 1979, p. 292). In a data record lengths 0, 1 and 2 stand for 256, 257 and 258.
func (f *fielder) module() {
	for n := 1; f.left() >= 2; n++ {
		t, length := f.data[f.pos], int(f.data[f.pos+1])
		if t == 3 { // the end without an entry; what follows is no record
			f.take(min(2, f.left()), "end record", "the program ends here, without an entry")
			break
		}
		if t == 0 || t > 0x1F {
			break
		}
		body := length
		if t == 1 && length < 3 || length == 0 {
			body += 256
		}
		name := fmt.Sprintf("record %d", n)
		f.take(1, name+", type", "%02Xh: %s", t, recordNames(t))
		f.take(1, name+", length", "%02Xh: %d bytes follow", length, body)
		switch {
		case t == 1 && f.left() >= 2:
			a := word(f.data[f.pos:])
			f.take(2, name+", load address", "%04Xh, low byte first", a)
			f.take(body-2, name+", data", "%d bytes, to %04Xh-%04Xh", body-2, a, a+body-3)
		case t == 2 && f.left() >= 2:
			f.take(2, name+", entry", "execution begins at %04Xh", word(f.data[f.pos:]))
			f.take(f.left(), "after the end", "nothing loads this")
			return
		case t == 5:
			f.take(body, name+", name", "the program's name")
		default:
			f.take(body, name+", body", "%s", recordNames(t))
		}
	}
	f.take(f.left(), "after the end", "nothing loads this")
}

func recordNames(t byte) string {
	switch t {
	case 1:
		return "data for memory"
	case 2:
		return "transfer: where to begin"
	case 5:
		return "header: the name"
	case 7:
		return "patch name"
	case 0x1F:
		return "copyright text"
	}
	return "a remark that loaders pass over"
}

// leader takes leader and sync of an archived tape stream.
func (f *fielder) leader() {
	n := 0
	for n < len(f.data) && f.data[n] == 0 {
		n++
	}
	if n > 0 {
		f.take(n, "leader", "%d bytes of 00, on which the player settles", n)
	}
	if f.left() > 0 && f.data[f.pos] == 0xA5 {
		f.take(1, "sync", "A5h: bytes begin after it")
	}
}

// tape walks a machine-code tape: 55h and a name of six, then blocks 3Ch count address data sum, then 78h entry
// (z80-home-machine sheet, line code pulse500).
func (f *fielder) tape() {
	f.leader()
	if f.left() >= 7 && f.data[f.pos] == 0x55 {
		f.take(1, "header mark", "55h: a machine-code program")
		f.take(6, "name", "%q, six characters", picture.Printable(string(f.data[f.pos:f.pos+6])))
	}
	for n := 1; f.left() >= 4 && f.data[f.pos] == 0x3C; n++ {
		name := fmt.Sprintf("block %d", n)
		count := int(f.data[f.pos+1])
		if count == 0 {
			count = 256
		}
		a := word(f.data[f.pos+2:])
		f.take(1, name+", mark", "3Ch: a block of data")
		f.take(1, name+", count", "%d bytes (0 stands for 256)", count)
		f.take(2, name+", load address", "%04Xh, low byte first", a)
		sum := byte(a) + byte(a>>8)
		for _, b := range f.data[f.pos:min(f.pos+count, len(f.data))] {
			sum += b
		}
		f.take(count, name+", data", "%d bytes, to %04Xh-%04Xh", count, a, a+count-1)
		if f.left() > 0 {
			said := "right"
			if f.data[f.pos] != sum {
				said = fmt.Sprintf("WRONG: address and data sum to %02Xh", sum)
			}
			f.take(1, name+", checksum", "%02Xh, %s", f.data[f.pos], said)
		}
	}
	if f.left() >= 3 && f.data[f.pos] == 0x78 {
		f.take(1, "entry mark", "78h: the end of the program")
		f.take(2, "entry", "execution begins at %04Xh", word(f.data[f.pos:]))
	}
	f.take(f.left(), "after the end", "nothing loads this")
}

// line gives the length of the next line without and with its end.
func (f *fielder) line() (text, all int) {
	rest := f.data[f.pos:]
	i := bytes.IndexAny(rest, "\r\n")
	if i < 0 {
		return len(rest), len(rest)
	}
	if bytes.HasPrefix(rest[i:], []byte("\r\n")) {
		return i, i + 2
	}
	return i, i + 1
}

func (f *fielder) lines(name string) {
	for n := 1; f.left() > 0; n++ {
		text, all := f.line()
		if !f.take(all, fmt.Sprintf("%s %d", name, n), "%d characters", text) {
			return
		}
	}
}

// hexLines walks Intel HEX (:LLAAAATT data CC) or S-records (St LL address data CC), digit by digit.
func (f *fielder) hexLines(k program.Kind) {
	for n := 1; f.left() > 0; n++ {
		text, all := f.line()
		if k == program.IntelHex {
			f.intelLine(n, text)
		} else {
			f.sLine(n, text)
		}
		if !f.take(all-text, fmt.Sprintf("line %d, end", n), "line end") && f.left() > 0 {
			return
		}
	}
}

var intelTypes = map[string]string{"00": "data", "01": "end of file", "02": "segment address", "03": "segment start", "04": "upper address", "05": "entry"}

func (f *fielder) intelLine(n, text int) {
	name, end := fmt.Sprintf("line %d", n), f.pos+text
	s := string(f.data[f.pos:end])
	if text < 11 || s[0] != ':' {
		f.take(text, name, "not a record")
		return
	}
	t := intelTypes[s[7:9]]
	f.take(1, name+", mark", "a colon begins a record")
	f.take(2, name+", length", "%sh data bytes", s[1:3])
	f.take(4, name+", address", "%sh", s[3:7])
	f.take(2, name+", type", "%s: %s", s[7:9], t)
	f.take(end-f.pos-2, name+", data", "%s", map[bool]string{true: t, false: "data"}[t != ""])
	f.take(end-f.pos, name+", checksum", "%sh; all bytes of the line sum to 0", s[text-2:])
}

func (f *fielder) sLine(n, text int) {
	name, end := fmt.Sprintf("line %d", n), f.pos+text
	s := string(f.data[f.pos:end])
	if text < 10 || s[0] != 'S' && s[0] != 's' || s[1] < '0' || s[1] > '9' {
		f.take(text, name, "not a record")
		return
	}
	address := map[byte]int{'2': 6, '3': 8, '6': 6, '7': 8, '8': 6}[s[1]]
	if address == 0 {
		address = 4
	}
	if text < 6+address {
		f.take(text, name, "a record that is cut short")
		return
	}
	what := map[byte]string{'0': "header", '1': "data", '2': "data", '3': "data", '5': "count", '6': "count", '7': "entry", '8': "entry", '9': "entry"}[s[1]]
	f.take(2, name+", type", "%s: %s", s[:2], what)
	f.take(2, name+", length", "%sh bytes follow", s[2:4])
	f.take(address, name+", address", "%sh", s[4:4+address])
	f.take(end-f.pos-2, name+", data", "%s", what)
	f.take(end-f.pos, name+", checksum", "%sh; all bytes of the line sum to FFh", s[text-2:])
}

// basic walks a tokenised program: link word, number word, tokens, 00; a link of 0000 ends it (z80-home-machine sheet).
func (f *fielder) basic(k program.Kind) {
	if k == program.BASICTape {
		f.leader()
		f.take(3, "header mark", "D3 D3 D3: a BASIC program")
		f.take(1, "name", "one character")
	} else {
		f.take(1, "header mark", "FFh: a BASIC program, disk form")
	}
	for f.left() >= 2 {
		if word(f.data[f.pos:]) == 0 {
			f.take(2, "end", "a link of 0000 ends the program")
			break
		}
		if f.left() < 5 {
			break
		}
		n := word(f.data[f.pos+2:])
		name := fmt.Sprintf("line %d", n)
		f.take(2, name+", link", "the next line was at %04Xh", word(f.data[f.pos:]))
		f.take(2, name+", number", "%d", n)
		i := bytes.IndexByte(f.data[f.pos:], 0)
		if i < 0 {
			f.take(f.left(), name+", tokens", "the file ends inside this line")
			return
		}
		f.take(i, name+", tokens", "%d bytes", i)
		f.take(1, name+", end", "00 ends a line")
	}
	f.take(f.left(), "after the end", "nothing loads this")
}

// memoryMap draws where a program loads; nil where it has no addresses.
func memoryMap(s *Server, r *program.FileReport) *picture.Canvas {
	if len(r.LoadRanges) == 0 || r.LoadRanges[len(r.LoadRanges)-1][1] > 1<<16 {
		return nil
	}
	m := picture.MemoryMap{Title: "Where it loads", Desc: "Memory from 0000h to FFFFh; above the line what the machine keeps, below it what the program fills.", To: 1 << 16, Entry: -1}
	if r.Entry != nil {
		m.Entry = *r.Entry
	}
	for i, l := range r.LoadRanges {
		if i == 64 {
			break
		}
		m.Program = append(m.Program, picture.Range{From: l[0], To: l[1], Name: fmt.Sprintf("%04Xh-%04Xh", l[0], l[1]-1)})
	}
	mc, err := s.o.Set.Machine(s.arrange.machine())
	if err == nil {
		t := mc.Target()
		if t.ROMEnd > 0 {
			m.Machine = append(m.Machine, picture.Range{To: t.ROMEnd, Name: "ROM", Kind: picture.Reserved})
		}
		if t.SystemEnd > 0 {
			m.Machine = append(m.Machine, picture.Range{From: t.SystemFirst, To: t.SystemEnd, Name: "disk system", Kind: picture.Reserved})
		}
	}
	return m.Draw()
}
