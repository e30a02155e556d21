package web

import (
	"bytes"
	"cmp"
	"fmt"
	"slices"

	"remanence/picture"
	"remanence/program"
)

// Field is a stretch of a file and what it is: bytes From up to To, exclusive.
type Field struct {
	Number   int // from 0, in the order of the file
	From, To int
	Name     string // "data record 3"
	What     string // "4 bytes to 5200h to 5203h"
	File     string // of a volume: the file on it whose content, entry or link this is
}

// MaxFieldBytes is how much of a file is taken apart; what lies behind is one field that says so.
const MaxFieldBytes = 64 << 20

// window says which fields are wanted: those that touch the bytes From to To, and one by its number (-1: none). A file of
// a hundred thousand records is walked through for a page, but only what is shown is put into words.
type window struct{ From, To, Number int }

// everything is the window of a whole file.
var everything = window{0, MaxFieldBytes, -1}

// fieldsOf names the fields of a file of a kind, ascending, without overlap and without gaps: what cannot be read as the
// kind says is named as that. Disks and what has no kind are handled by their own.
func fieldsOf(k program.Kind, data []byte, w window) []Field {
	f := fielder{data: data, w: w}
	if len(data) > MaxFieldBytes {
		f.data = data[:MaxFieldBytes]
	}
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
		f.lines()
	case program.Audio:
		f.sound()
	case program.Captures:
		f.captures()
	default:
		f.plain()
	}
	f.take(f.left(), one("rest"), "cannot be read as %s", kindWords(k))
	if n := len(data); n > len(f.data) {
		f.data = data
		f.take(f.left(), one("rest"), "only the first %s are taken apart", size(MaxFieldBytes))
	}
	return f.out
}

// fieldAt finds the field of a byte, by its index in fields.
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

// fielder walks through a file.
type fielder struct {
	data []byte
	pos  int
	n    int // fields so far
	w    window
	out  []Field
}

func (f *fielder) left() int { return len(f.data) - f.pos }

// naming is the name of a field, put into words only where it is shown.
type naming struct {
	base string
	n    int    // -1: none
	part string // "": the whole
}

// nth is the naming of a part of the n-th thing of its kind.
func nth(base string, n int, part string) naming { return naming{base, n, part} }

// one is the naming of what there is one of.
func one(name string) naming { return naming{name, -1, ""} }

func (l naming) String() string {
	s := l.base
	if l.n >= 0 {
		s = fmt.Sprintf("%s %d", s, l.n)
	}
	if l.part != "" {
		s += ", " + l.part
	}
	return s
}

// shows reports whether a field of n bytes from here on would be kept.
func (f *fielder) shows(n int) bool {
	return f.pos < f.w.To && f.pos+n > f.w.From || f.n == f.w.Number
}

// skip passes over a field that is not shown.
func (f *fielder) skip(n int) { f.pos, f.n = f.pos+n, f.n+1 }

// take names the next n bytes, as far as there are any.
func (f *fielder) take(n int, name naming, format string, a ...any) {
	end := min(f.pos+n, len(f.data))
	if end <= f.pos {
		return
	}
	if f.shows(end - f.pos) {
		what := fmt.Sprintf(format, a...)
		if end < f.pos+n {
			what += fmt.Sprintf("; the file ends %d bytes early", f.pos+n-end)
		}
		f.out = append(f.out, Field{f.n, f.pos, end, name.String(), what, ""})
	}
	f.pos, f.n = end, f.n+1
}

func word(b []byte) int { return int(b[0]) | int(b[1])<<8 }

// module walks the records of a load module: type, length, body (z80-home-machine sheet; a maker's disk-system
// reference manual of 1979, p. 292). In a data record lengths 0, 1 and 2 stand for 256, 257 and 258.
func (f *fielder) module() {
	for n := 1; f.left() >= 2; n++ {
		t, length := f.data[f.pos], int(f.data[f.pos+1])
		if t == 3 { // the end without an entry; what follows is no record
			f.take(min(2, f.left()), one("end record"), "the program ends here, without an entry")
			break
		}
		if t == 0 || t > 0x1F {
			break
		}
		body := length
		if t == 1 && length < 3 || length == 0 {
			body += 256
		}
		part := func(p string) naming { return nth("record", n, p) }
		f.take(1, part("type"), "%02Xh: %s", t, recordNames(t))
		f.take(1, part("length"), "%02Xh: %d bytes follow", length, body)
		switch {
		case t == 1 && f.left() >= 2:
			a := word(f.data[f.pos:])
			f.take(2, part("load address"), "%04Xh, low byte first", a)
			f.take(body-2, part("data"), "%d bytes, to %04Xh-%04Xh", body-2, a, a+body-3)
		case t == 2 && f.left() >= 2:
			f.take(2, part("entry"), "execution begins at %04Xh", word(f.data[f.pos:]))
			f.take(f.left(), one("after the end"), "nothing loads this")
			return
		case t == 5:
			f.take(body, part("name"), "the program's name")
		default:
			f.take(body, part("body"), "%s", recordNames(t))
		}
	}
	f.take(f.left(), one("after the end"), "nothing loads this")
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
		f.take(n, one("leader"), "%d bytes of 00, on which the player settles", n)
	}
	if f.left() > 0 && f.data[f.pos] == 0xA5 {
		f.take(1, one("sync"), "A5h: bytes begin after it")
	}
}

// tape walks a machine-code tape: 55h and a name of six, then blocks 3Ch count address data sum, then 78h entry
// (z80-home-machine sheet, line code pulse500).
func (f *fielder) tape() {
	f.leader()
	if f.left() >= 7 && f.data[f.pos] == 0x55 {
		f.take(1, one("header mark"), "55h: a machine-code program")
		f.take(6, one("name"), "%q, six characters", picture.Printable(string(f.data[f.pos:f.pos+6])))
	}
	for n := 1; f.left() >= 4 && f.data[f.pos] == 0x3C; n++ {
		part := func(p string) naming { return nth("block", n, p) }
		count := int(f.data[f.pos+1])
		if count == 0 {
			count = 256
		}
		a := word(f.data[f.pos+2:])
		f.take(1, part("mark"), "3Ch: a block of data")
		f.take(1, part("count"), "%d bytes (0 stands for 256)", count)
		f.take(2, part("load address"), "%04Xh, low byte first", a)
		sum := byte(a) + byte(a>>8)
		for _, b := range f.data[f.pos:min(f.pos+count, len(f.data))] {
			sum += b
		}
		f.take(count, part("data"), "%d bytes, to %04Xh-%04Xh", count, a, a+count-1)
		if f.left() > 0 {
			said := "right"
			if f.data[f.pos] != sum {
				said = fmt.Sprintf("WRONG: address and data sum to %02Xh", sum)
			}
			f.take(1, part("checksum"), "%02Xh, %s", f.data[f.pos], said)
		}
	}
	if f.left() >= 3 && f.data[f.pos] == 0x78 {
		f.take(1, one("entry mark"), "78h: the end of the program")
		f.take(2, one("entry"), "execution begins at %04Xh", word(f.data[f.pos:]))
	}
	f.take(f.left(), one("after the end"), "nothing loads this")
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

func (f *fielder) lines() {
	for n := 1; f.left() > 0; n++ {
		text, all := f.line()
		if !f.shows(all) {
			f.skip(all)
			continue
		}
		f.take(all, nth("line", n, ""), "%d characters", text)
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
		f.take(all-text, nth("line", n, "end"), "line end")
	}
}

var intelTypes = map[string]string{"00": "data", "01": "end of file", "02": "segment address", "03": "segment start", "04": "upper address", "05": "entry"}

func (f *fielder) intelLine(n, text int) {
	part := func(p string) naming { return nth("line", n, p) }
	end := f.pos + text
	s := string(f.data[f.pos:end])
	if text < 11 || s[0] != ':' {
		f.take(text, part(""), "not a record")
		return
	}
	t := intelTypes[s[7:9]]
	f.take(1, part("mark"), "a colon begins a record")
	f.take(2, part("length"), "%sh data bytes", s[1:3])
	f.take(4, part("address"), "%sh", s[3:7])
	f.take(2, part("type"), "%s: %s", s[7:9], t)
	f.take(end-f.pos-2, part("data"), "%s", cmp.Or(t, "data"))
	f.take(end-f.pos, part("checksum"), "%sh; all bytes of the line sum to 0", s[text-2:])
}

func (f *fielder) sLine(n, text int) {
	part := func(p string) naming { return nth("line", n, p) }
	end := f.pos + text
	s := string(f.data[f.pos:end])
	if text < 10 || s[0] != 'S' && s[0] != 's' || s[1] < '0' || s[1] > '9' {
		f.take(text, part(""), "not a record")
		return
	}
	address := map[byte]int{'2': 6, '3': 8, '6': 6, '7': 8, '8': 6}[s[1]]
	if address == 0 {
		address = 4
	}
	if text < 6+address {
		f.take(text, part(""), "a record that is cut short")
		return
	}
	what := map[byte]string{'0': "header", '1': "data", '2': "data", '3': "data", '5': "count", '6': "count", '7': "entry", '8': "entry", '9': "entry"}[s[1]]
	f.take(2, part("type"), "%s: %s", s[:2], what)
	f.take(2, part("length"), "%sh bytes follow", s[2:4])
	f.take(address, part("address"), "%sh", s[4:4+address])
	f.take(end-f.pos-2, part("data"), "%s", what)
	f.take(end-f.pos, part("checksum"), "%sh; all bytes of the line sum to FFh", s[text-2:])
}

// basic walks a tokenised program: link word, number word, tokens, 00; a link of 0000 ends it (z80-home-machine sheet).
func (f *fielder) basic(k program.Kind) {
	if k == program.BASICTape {
		f.leader()
		f.take(3, one("header mark"), "D3 D3 D3: a BASIC program")
		f.take(1, one("name"), "one character")
	} else {
		f.take(1, one("header mark"), "FFh: a BASIC program, disk form")
	}
	for f.left() >= 2 {
		if word(f.data[f.pos:]) == 0 {
			f.take(2, one("end"), "a link of 0000 ends the program")
			break
		}
		if f.left() < 5 {
			break
		}
		n := word(f.data[f.pos+2:])
		part := func(p string) naming { return nth("line", n, p) }
		f.take(2, part("link"), "the next line was at %04Xh", word(f.data[f.pos:]))
		f.take(2, part("number"), "%d", n)
		i := bytes.IndexByte(f.data[f.pos:], 0)
		if i < 0 {
			f.take(f.left(), part("tokens"), "the file ends inside this line")
			return
		}
		f.take(i, part("tokens"), "%d bytes", i)
		f.take(1, part("end"), "00 ends a line")
	}
	f.take(f.left(), one("after the end"), "nothing loads this")
}

// plain takes apart what has no kind: runs of one byte, text, and the rest.
func (f *fielder) plain() {
	const run, text = 16, 8 // shorter ones say nothing
	mark := f.pos
	rest := func(to int) {
		f.pos, to = mark, to-mark
		f.take(to, one("data"), "%d bytes of no known kind", to)
	}
	for i := 0; i < len(f.data); {
		j := i + 1
		for j < len(f.data) && f.data[j] == f.data[i] {
			j++
		}
		if j-i >= run { // before a text is looked for: run after run of letters would be gone through again and again
			rest(i)
			f.take(j-i, one("run"), "%d bytes of %02Xh", j-i, f.data[i])
			mark, i = j, j
			continue
		}
		k := i
		for k < len(f.data) && f.data[k] >= 0x20 && f.data[k] < 0x7F {
			k++
		}
		if k-i >= text {
			rest(i)
			f.take(k-i, one("text"), "%.60q", f.data[i:k])
			mark, i = k, k
			continue
		}
		i = max(j, k)
	}
	rest(len(f.data))
}
