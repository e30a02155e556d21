package program

import (
	"bytes"
	"fmt"
)

// Record types of a load module. Source: z80-home-machine sheet, "Load module"; 01, 02, 03, 05 and the length rule
// also a maker's disk-system reference manual of 1979, p. 292.
const (
	recData      = 0x01
	recTransfer  = 0x02
	recEnd       = 0x03
	recHeader    = 0x05
	recPatch     = 0x07
	recCopyright = 0x1F
	recLast      = 0x1F // types above are not of a load module
)

// moduleRecord is one record: type, length byte, body.
type moduleRecord struct {
	kind   byte
	offset int // of the type byte
	body   []byte
}

// bodyLength is the length that a length byte stands for. In data records the two address bytes count, and 0, 1 and 2
// stand for 256, 257 and 258; elsewhere only 0 stands for 256.
func bodyLength(kind, length byte) int {
	n := int(length)
	if kind == recData && n < 3 || n == 0 {
		n += 256
	}
	return n
}

// nextRecord reads the record at pos. ok is false where it is cut off; body then holds what is there.
func nextRecord(data []byte, pos int) (rec moduleRecord, next int, ok bool) {
	rec = moduleRecord{kind: data[pos], offset: pos}
	if pos+2 > len(data) {
		return rec, len(data), false
	}
	n := bodyLength(rec.kind, data[pos+1])
	end := pos + 2 + n
	if end > len(data) {
		rec.body = data[pos+2:]
		return rec, len(data), false
	}
	rec.body = data[pos+2 : end]
	return rec, end, true
}

// moduleFirst says whether a module can begin with this type: the types that makers' linkers put there.
func moduleFirst(t byte) bool {
	return t == recData || t == recHeader || t == recPatch || t == recCopyright
}

// inspectModule walks data as a load module. emit, if not nil, gets every data record that is whole.
func inspectModule(data []byte, emit func(address int, body []byte)) *builder {
	b := &builder{r: Report{Kind: LoadModule}}
	if len(data) < 4 || data[0] > recLast || data[0] == 0 {
		return b
	}
	if moduleFirst(data[0]) && data[0] != recData { // a data record is weighed below
		b.bits += 4
	}
	pos, expect, entryAt := 0, -1, 0
	records, ended, firstCut := 0, false, false
	var skipped [recLast + 1]int
	for pos < len(data) && !ended {
		t := data[pos]
		if t > recLast {
			b.fault(BadRecord, pos, "record type %02Xh is not of a load module; %d bytes from here are not read", t, len(data)-pos)
			b.bits -= 6
			break
		}
		if t == recEnd { // some systems write no length, so it must not decide what is whole
			pos = b.endWithoutEntry(data, pos)
			ended = true
			continue
		}
		rec, next, ok := nextRecord(data, pos)
		if !ok {
			b.fault(Truncated, len(data), "file ends inside the record that begins at offset %d (type %02Xh): %s", pos, t, recordShort(data[pos:]))
			b.cutRecord(rec, expect)
			firstCut = records == 0 && t == recData && len(rec.body) >= 2
			pos = len(data)
			break
		}
		switch t {
		case recData:
			address, n := le16(rec.body), len(rec.body)-2
			b.bits += 8
			if address == expect {
				b.bits += 16
			} else if records == 0 {
				b.bits += plausibleStart(data[pos+1], address)
			}
			if emit != nil {
				emit(address, rec.body[2:])
			}
			b.load(address, b.fit(address, n, pos), pos)
			expect = address + n
			records++
		case recTransfer:
			ended, entryAt = true, pos
			switch len(rec.body) {
			case 2:
				b.bits += 16
			case 1:
				b.fault(BadRecord, pos, "transfer record of 1 byte, 2 expected; there is no entry to be read")
				pos = next
				continue
			default:
				b.fault(BadRecord, pos, "transfer record of %d bytes, 2 expected; its first two are taken as the entry", len(rec.body))
			}
			e := le16(rec.body)
			b.r.Entry = &e
		case recHeader:
			if b.r.Name == "" {
				b.r.Name = printable(rec.body)
				b.bits += 4 + 2*min(len(b.r.Name), 8)*boolInt(isPrintable(rec.body))
			}
		default:
			skipped[t]++
			b.bits += 2
		}
		pos = next
	}
	b.moduleEnd(data, pos, ended, records)
	for t, n := range skipped {
		if n > 0 {
			b.note("%d %s of type %02Xh skipped%s", n, plural(n, "record", "records"), t, skippedMeaning(byte(t)))
		}
	}
	b.memory(entryAt)
	if records == 0 && !firstCut {
		b.bits = 0 // nothing is loaded: not a program, whatever else it looks like
	}
	return b
}

// cutRecord weighs a record that the end of the file cuts.
func (b *builder) cutRecord(rec moduleRecord, expect int) {
	if rec.kind != recData || len(rec.body) < 2 {
		return
	}
	switch a := le16(rec.body); {
	case a == expect:
		b.bits += 24
	case expect < 0:
		b.bits += 8
		if len(b.spans) == 0 && a >= 0x4000 && a&0xFF == 0 {
			b.bits += 8
		}
	}
}

// plausibleStart weighs the first data record: a length that linkers use and a round address in RAM.
func plausibleStart(length byte, address int) (bits int) {
	if length < 3 {
		bits += 5
	}
	if address >= 0x4000 && address&0xFF == 0 {
		bits += 8
	}
	return bits
}

// endWithoutEntry reads record 03 at pos and gives the offset after it. Its length is believed only where it leads
// exactly to the end of the file or is a plain one.
func (b *builder) endWithoutEntry(data []byte, pos int) int {
	b.bits += 8
	rest := data[pos+1:]
	if len(rest) == 0 {
		return len(data)
	}
	n := int(rest[0])
	if len(rest) >= 1+n && n <= 2 {
		return pos + 2 + n
	}
	if len(rest) == 1 { // a length without a body, as some systems write it
		return len(data)
	}
	return pos + 1
}

// moduleEnd reports what is missing after the last record, or too much.
func (b *builder) moduleEnd(data []byte, pos int, ended bool, records int) {
	rest := data[pos:]
	switch {
	case len(b.r.Faults) > 0 && !ended:
		// cut or a bad record: said already
	case !ended:
		b.fault(NoEnd, len(data), "no transfer record (02h) and no end record (03h): the file ends after a whole record; the last records may be missing")
		b.bits += 8
	case len(rest) == 0:
		b.bits += 8
	default:
		b.trailing(pos, rest, "the transfer record")
		if len(rest) > pos && records < 4 {
			b.bits -= 12
		}
	}
}

// trailing reports bytes after the end of a program.
func (b *builder) trailing(pos int, rest []byte, after string) {
	what := "they are not loaded"
	if v, same := allSame(rest); same && len(rest) > 1 {
		what = fmt.Sprintf("all %02Xh, as sector padding is; convert --strip takes them off", v)
	}
	b.fault(Trailing, pos, "%d %s after %s: %s", len(rest), plural(len(rest), "byte", "bytes"), after, what)
}

func recordShort(rest []byte) string {
	if len(rest) < 2 {
		return "its length byte is missing"
	}
	want := bodyLength(rest[0], rest[1])
	return fmt.Sprintf("%d of %d bytes are there", len(rest)-2, want)
}

func skippedMeaning(t byte) string {
	switch t {
	case recPatch:
		return " (patch name)"
	case recCopyright:
		return " (copyright text)"
	}
	return ""
}

// ParseModule reads the memory that a load module fills and its entry. What precedes a fault is given; the faults say
// whether it is all.
func ParseModule(data []byte) (Memory, []Fault) {
	var m Memory
	b := inspectModule(data, func(address int, body []byte) { m.add(address, body) })
	r := b.finish()
	m.Name, m.Entry = r.Name, r.Entry
	return m, r.Faults
}

// BuildModule writes a load module: a header record if there is a name, data records of up to 256 bytes, then the
// transfer record, or the end record 03 where there is no entry.
//
//	05 04 "TIDE"  01 05 00 52 3E 05 C9  02 02 00 52
//	header        3 bytes to 5200h      begin at 5200h
func BuildModule(m Memory) ([]byte, error) {
	if err := m.fits(); err != nil {
		return nil, fmt.Errorf("load module: %w", err)
	}
	var out []byte
	if m.Name != "" {
		name := m.Name[:min(len(m.Name), 255)]
		out = append(out, recHeader, byte(len(name)))
		out = append(out, name...)
	}
	for _, s := range m.Segments {
		for at := 0; at < len(s.Data); at += 256 {
			part := s.Data[at:min(at+256, len(s.Data))]
			a := s.Address + at
			out = append(out, recData, byte(len(part)+2), byte(a), byte(a>>8))
			out = append(out, part...)
		}
	}
	if m.Entry == nil {
		return append(out, recEnd, 2, 0, 0), nil
	}
	return append(out, recTransfer, 2, byte(*m.Entry), byte(*m.Entry>>8)), nil
}

// printable turns header text into a name: what can be printed, trailing blanks off.
func printable(b []byte) string {
	out := make([]byte, 0, min(len(b), 64))
	for _, c := range b[:min(len(b), 64)] {
		if c < 0x20 || c > 0x7E {
			c = '.'
		}
		out = append(out, c)
	}
	return string(bytes.TrimRight(out, " "))
}

func isPrintable(b []byte) bool {
	for _, c := range b {
		if c < 0x20 || c > 0x7E {
			return false
		}
	}
	return len(b) > 0
}

func allSame(b []byte) (byte, bool) {
	for _, c := range b {
		if c != b[0] {
			return 0, false
		}
	}
	return b[0], true
}

func boolInt(b bool) int {
	if b {
		return 1
	}
	return 0
}
