package tape

import "bytes"

// Field is what a byte is in the form it belongs to.
type Field uint8

const (
	FieldNone Field = iota // not known
	FieldSync
	FieldNameMark
	FieldName
	FieldBlockMark
	FieldCount
	FieldAddress
	FieldData
	FieldSum
	FieldEntryMark
	FieldEntry
	FieldLink
	FieldLine
	FieldText
	FieldEnd
	FieldRecordMark
	FieldType
	fields
)

var fieldNames = [fields]string{"", "sync", "name mark", "name", "block mark", "count", "address", "data", "checksum", "entry mark", "entry",
	"link", "line number", "text", "end", "record mark", "type"}

func (f Field) String() string {
	if f < fields {
		return fieldNames[f]
	}
	return ""
}

// byteField is a byte's field, the number of the block or line it stands in (0: none), and the memory address a byte of
// data goes to (-1: none).
type byteField struct {
	field Field
	block int
	addr  int
}

// fieldsOf names every byte of a program by its form; sources of the forms are named where they are parsed.
func (p *Program) fieldsOf() []byteField {
	out := make([]byteField, len(p.Data))
	for i := range out {
		out[i].addr = -1
	}
	set := func(from, to int, f Field, block int) {
		for i := max(from, 0); i < to && i < len(out); i++ {
			out[i].field, out[i].block = f, block
		}
	}
	switch p.Kind {
	case MachineTape:
		q := p.parse()
		if len(q.blocks) > 0 && q.blocks[0].from == 7 {
			set(0, 1, FieldNameMark, 0)
			set(1, 7, FieldName, 0)
		}
		for _, b := range q.blocks {
			set(b.from, b.from+1, FieldBlockMark, b.n)
			set(b.from+1, b.from+2, FieldCount, b.n)
			set(b.from+2, b.from+4, FieldAddress, b.n)
			set(b.from+4, b.to, FieldData, b.n)
			if b.to-b.from > 5 {
				set(b.to-1, b.to, FieldSum, b.n)
				load := int(p.Data[b.from+2]) | int(p.Data[b.from+3])<<8
				for i := b.from + 4; i < b.to-1 && b.good; i++ {
					out[i].addr = (load + i - b.from - 4) & 0xFFFF
				}
			}
		}
		if n := len(q.blocks); n > 0 && q.done {
			set(q.blocks[n-1].to, q.blocks[n-1].to+1, FieldEntryMark, 0)
			set(q.blocks[n-1].to+1, q.end, FieldEntry, 0)
		}
	case BASICTape:
		set(0, 3, FieldNameMark, 0)
		set(3, 4, FieldName, 0)
		for pos := 4; pos+4 <= len(p.Data) && (p.Data[pos] != 0 || p.Data[pos+1] != 0); {
			line := int(p.Data[pos+2]) | int(p.Data[pos+3])<<8
			n := bytes.IndexByte(p.Data[pos+4:], 0)
			if n < 0 {
				set(pos, len(p.Data), FieldNone, line)
				return out
			}
			set(pos, pos+2, FieldLink, line)
			set(pos+2, pos+4, FieldLine, line)
			set(pos+4, pos+4+n, FieldText, line)
			set(pos+4+n, pos+5+n, FieldEnd, line)
			pos += 5 + n
		}
		set(len(p.Data)-2, len(p.Data), FieldEnd, 0)
	case Text:
		set(0, len(p.Data), FieldText, 0)
		for i, c := range p.Data {
			if c == '\r' || c == '\n' {
				out[i].field = FieldEnd
			}
		}
	case IntelHex, SRecord:
		p.hexFields(set)
	}
	return out
}

// hexFields names the characters of hex records; sheets E1 and E2.
func (p *Program) hexFields(set func(from, to int, f Field, block int)) {
	n := 0
	for pos := 0; pos < len(p.Data); {
		end := pos
		for end < len(p.Data) && p.Data[end] != '\r' && p.Data[end] != '\n' {
			end++
		}
		if end > pos {
			n++
			at := pos
			put := func(k int, f Field) {
				set(at, min(at+k, end), f, n)
				at = min(at+k, end)
			}
			put(1, FieldRecordMark)
			if p.Kind == SRecord {
				address := 4
				if pos+1 < end {
					switch p.Data[pos+1] {
					case '2', '6', '8':
						address = 6
					case '3', '7':
						address = 8
					}
				}
				put(1, FieldType)
				put(2, FieldCount)
				put(address, FieldAddress)
			} else {
				put(2, FieldCount)
				put(4, FieldAddress)
				put(2, FieldType)
			}
			put(max(0, end-2-at), FieldData)
			put(end-at, FieldSum)
		}
		set(end, end+1, FieldEnd, n)
		pos = end + 1
	}
}
