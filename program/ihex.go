package program

import (
	"fmt"
)

// hexDigit is the value of a hex digit, -1 for any other byte.
var hexDigit = func() (t [256]int8) {
	for i := range t {
		t[i] = -1
	}
	for i := range 10 {
		t['0'+i] = int8(i)
	}
	for i := range 6 {
		t['A'+i], t['a'+i] = int8(10+i), int8(10+i)
	}
	return t
}()

// hexLine is one line of a HEX or S-record file.
type hexLine struct {
	offset int // of the first character
	text   []byte
	last   bool // no line end follows: the end of the file
}

// nextLine takes the next line that is not blank. Lines end in CR, LF or both; blanks and tabs around are dropped.
func nextLine(data []byte, pos int) (line hexLine, next int) {
	for pos < len(data) && (data[pos] == '\r' || data[pos] == '\n' || data[pos] == ' ' || data[pos] == '\t') {
		pos++
	}
	end := pos
	for end < len(data) && data[end] != '\r' && data[end] != '\n' {
		end++
	}
	text := data[pos:end]
	for len(text) > 0 && (text[len(text)-1] == ' ' || text[len(text)-1] == '\t') {
		text = text[:len(text)-1]
	}
	return hexLine{pos, text, end == len(data)}, end
}

// hexBytes decodes as many pairs of digits as there are and says where the first character is that is no digit
// (-1: none). Such a digit counts as 0.
func hexBytes(dst []byte, text []byte) (out []byte, bad int) {
	bad = -1
	for i := 0; i+1 < len(text); i += 2 {
		hi, lo := hexDigit[text[i]], hexDigit[text[i+1]]
		if hi|lo < 0 {
			if bad < 0 {
				bad = i
				if hi >= 0 {
					bad = i + 1
				}
			}
			hi, lo = max(hi, 0), max(lo, 0)
		}
		dst = append(dst, byte(hi)<<4|byte(lo))
	}
	if n := len(text); n%2 == 1 && bad < 0 && hexDigit[text[n-1]] < 0 {
		bad = n - 1
	}
	return dst, bad
}

// padding says whether the rest after an end record is nothing but line ends, blanks and the fill of an old text file.
func padding(rest []byte) (only bool, fill int) {
	for _, c := range rest {
		switch c {
		case '\r', '\n', ' ', '\t':
		case 0x1A, 0:
			fill++
		default:
			return false, 0
		}
	}
	return true, fill
}

// hexForm is what differs between the two forms of lines of hex digits.
type hexForm struct {
	kind     Kind
	lead     string // what a line begins with
	leadLen  int    // characters before the digits
	minBytes int    // in the shortest record, count to checksum
	overhead int    // bytes of a record beyond what its count byte counts
	sum      byte   // what all bytes of a record sum to
	isLead   func(text []byte) bool
	// take interprets a record whose bytes are count to checksum; sound says that its sum is right.
	take func(h *hexState, offset int, text, rec []byte, sound bool)
}

// hexState is what one reading of a file of hex lines knows.
type hexState struct {
	*builder
	emit    func(address int, body []byte)
	base    int64 // of HEX types 02 and 04
	ended   bool
	entryAt int
	lines   int     // lines read, for messages
	records int     // S1, S2 and S3 records
	kinds   [10]int // records of each type
	entry01 *int
	expect  int64 // S-records: the address after the last data record
	last    byte  // and its type
}

// inspectHexLines walks data line by line. A line that is damaged is reported and used as far as it can be read, so
// that the load ranges stay those of the program.
func inspectHexLines(data []byte, f *hexForm, emit func(int, []byte)) *hexState {
	h := &hexState{builder: &builder{r: Report{Kind: f.kind}}, emit: emit}
	buf := make([]byte, 0, 300)
	pos := 0
	for pos < len(data) && !h.ended {
		line, next := nextLine(data, pos)
		if len(line.text) == 0 {
			pos = next
			if next >= len(data) {
				break
			}
			continue
		}
		if only, _ := padding(data[line.offset:min(line.offset+64, len(data))]); only {
			if all, _ := padding(data[line.offset:]); all {
				pos = line.offset
				break
			}
		}
		h.lines++
		pos = h.line(f, line, next, &buf)
		if h.lines == 64 && h.bits < 0 { // plainly something else
			break
		}
	}
	h.end(data, pos, f)
	return h
}

// line reads one line and gives the offset where reading goes on.
func (h *hexState) line(f *hexForm, line hexLine, next int, buf *[]byte) int {
	text := line.text
	if !f.isLead(text) {
		// one altered character must not lose the record: does the line sum up behind its first character?
		if len(text) > f.leadLen {
			rec, bad := hexBytes((*buf)[:0], text[f.leadLen:])
			*buf = rec[:0]
			if bad < 0 && len(rec) >= f.minBytes && len(rec) == int(rec[0])+f.overhead && sumOf(rec) == f.sum {
				h.fault(BadRecord, line.offset, "line %d begins with %s, %s expected; the rest of the line is a whole record and is used",
					h.lines, quote(text[:f.leadLen]), f.lead)
				h.bits += 3 * len(text)
				f.take(h, line.offset, text, rec, true)
				return next
			}
		}
		h.fault(BadRecord, line.offset, "line %d is no record: it begins with %s, %s expected; it is left out", h.lines, quote(text[:1]), f.lead)
		h.bits -= 3 * len(text)
		return next
	}
	digits := text[f.leadLen:]
	rec, bad := hexBytes((*buf)[:0], digits[:min(len(digits), 2*(255+f.overhead))])
	*buf = rec[:0]
	if len(rec) == 0 {
		h.short(f, line, 0)
		return next
	}
	want := int(rec[0]) + f.overhead
	if len(rec) > want && want >= f.minBytes && sumOf(rec[:want]) == f.sum && (bad < 0 || bad >= 2*want) {
		// whole, but something follows on the line
		at := line.offset + f.leadLen + 2*want
		h.bits += 3 * 2 * want
		f.take(h, line.offset, text[:f.leadLen+2*want], rec[:want], true)
		rest := text[f.leadLen+2*want:]
		for skip := 0; skip <= 1 && skip < len(rest); skip++ {
			if f.isLead(rest[skip:]) {
				h.fault(BadRecord, at, "line %d: no line end after the record; another record follows", h.lines)
				return at + skip
			}
		}
		h.fault(BadRecord, at, "line %d: %d characters too many after the record; they are left out", h.lines, len(rest))
		return next
	}
	if bad >= 0 {
		h.fault(BadRecord, line.offset+f.leadLen+bad, "line %d: %s where a hex digit is expected; the record at offset %d cannot be checked",
			h.lines, quote(digits[bad:bad+1]), line.offset)
		if hexShare(digits) < 90 {
			h.bits -= 3 * len(text)
			return next
		}
	}
	if len(rec) < want && line.last || len(rec) < f.minBytes {
		h.short(f, line, want)
		h.bits += 2 * len(text)
		return next
	}
	if len(rec) != want || len(digits)%2 == 1 {
		h.fault(BadRecord, line.offset, "line %d: its count byte asks for %d hex digits, %d are there", h.lines, 2*want, len(digits))
		h.bits += 2 * len(text)
		f.take(h, line.offset, text, rec, false)
		return next
	}
	if got := sumOf(rec); got != f.sum && bad < 0 {
		ck := rec[len(rec)-1]
		h.fault(Checksum, line.offset, "line %d: checksum is %02Xh, the bytes before it ask for %02Xh; at least one digit is wrong", h.lines, ck, ck+f.sum-got)
	}
	h.bits += 3 * len(text)
	f.take(h, line.offset, text, rec, bad < 0 && sumOf(rec) == f.sum)
	return next
}

func (h *hexState) short(f *hexForm, line hexLine, want int) {
	have := len(line.text) - min(f.leadLen, len(line.text))
	if line.last {
		if want > 0 {
			h.fault(Truncated, line.offset+len(line.text), "file ends inside line %d, which begins at offset %d: %d of %d hex digits are there", h.lines, line.offset, have, 2*want)
		} else {
			h.fault(Truncated, line.offset+len(line.text), "file ends inside line %d, which begins at offset %d", h.lines, line.offset)
		}
		return
	}
	h.fault(BadRecord, line.offset, "line %d is too short for a record: %d hex digits", h.lines, have)
}

// maxHexAddress keeps addresses in an int of 32 bits; no program of a machine served here comes near.
const maxHexAddress = 1<<31 - 1<<16

// data loads the bytes of a data record.
func (h *hexState) data(address int64, offset int, body []byte) {
	if address > maxHexAddress {
		h.fault(BadRecord, offset, "line %d: address %Xh is beyond the 2 GiB that are read; the record is left out", h.lines, address)
		return
	}
	h.loadBytes(int(address), offset, body)
}

func (h *hexState) loadBytes(address, offset int, body []byte) {
	if h.emit != nil {
		h.emit(address, body)
	}
	h.load(address, len(body), offset)
}

func (h *hexState) entry(address int64, offset int) {
	if address > maxHexAddress {
		h.fault(BadRecord, offset, "line %d: entry %Xh is beyond the 2 GiB that are read; it is left out", h.lines, address)
		return
	}
	e := int(address)
	h.r.Entry, h.entryAt = &e, offset
}

func be16(b []byte) int { return int(b[0])<<8 | int(b[1]) }

func (h *hexState) end(data []byte, pos int, f *hexForm) {
	rest := data[pos:]
	switch only, fill := padding(rest); {
	case !h.ended && !(len(h.r.Faults) > 0 && h.r.Faults[len(h.r.Faults)-1].Class == Truncated):
		h.fault(NoEnd, pos, "no end record: the file ends after line %d; later lines may be missing", h.lines)
	case !h.ended:
	case only && fill > 0:
		h.note("%d bytes of fill (00h or 1Ah) after the end record", fill)
	case !only:
		skip := 0
		for rest[skip] == '\r' || rest[skip] == '\n' {
			skip++
		}
		h.trailing(pos+skip, rest[skip:], "the end record")
	}
	if h.r.Entry == nil && h.entry01 != nil {
		h.r.Entry = h.entry01
	}
	h.memory(h.entryAt)
	if n := len(h.r.LoadRanges); n > 0 && h.r.LoadRanges[n-1][1] > addressSpace {
		h.note("loads beyond FFFFh, which no machine of 64 KiB has")
	}
	h.r.Lines = h.lines
}

func sumOf(b []byte) (s byte) {
	for _, c := range b {
		s += c
	}
	return s
}

// hexShare is the share of hex digits in percent.
func hexShare(text []byte) int {
	n := 0
	for _, c := range text {
		if hexDigit[c] >= 0 {
			n++
		}
	}
	return n * 100 / max(len(text), 1)
}

// quote shows characters of a damaged file in a message.
func quote(b []byte) string {
	if isPrintable(b) {
		return "'" + string(b) + "'"
	}
	return fmt.Sprintf("% Xh", b)
}

// intelHex: `:` count, address (high byte first), type, data, checksum. Source: tape-and-volume-standards E1 (S29).
var intelHex = &hexForm{
	kind: IntelHex, lead: "':'", leadLen: 1, minBytes: 5, overhead: 5, sum: 0,
	isLead: func(text []byte) bool { return len(text) > 0 && text[0] == ':' },
	take:   takeIntelHex,
}

// Types of HEX records.
const (
	hexData         = 0
	hexEnd          = 1
	hexSegment      = 2 // x16
	hexStartSegment = 3
	hexUpper        = 4 // x65536
	hexStartLinear  = 5
)

// hexBodies are the lengths of what stands in each type of record but data.
var hexBodies = [6]int{hexSegment: 2, hexStartSegment: 4, hexUpper: 2, hexStartLinear: 4}

func takeIntelHex(h *hexState, offset int, text, rec []byte, sound bool) {
	body := rec[4 : len(rec)-1]
	address, kind := int(rec[1])<<8|int(rec[2]), rec[3]
	if known := int(kind) < len(hexBodies); !known || kind != hexData && hexBodies[kind] != len(body) {
		switch {
		case sound && !known:
			h.fault(BadRecord, offset, "line %d: type %02X does not exist (00 to 05 do); the record is left out", h.lines, kind)
			return
		case sound:
			h.fault(BadRecord, offset, "line %d: a record of type %02X has %d bytes, %d are here; the record is left out", h.lines, kind, hexBodies[kind], len(body))
			return
		}
		kind = hexData // the damage is in the type, more likely than not: the bytes still have their place
	}
	switch kind {
	case hexData:
		if len(body) > 0 {
			h.data(h.base+int64(address), offset, body)
		}
	case hexEnd:
		h.ended = true
		if address != 0 {
			e := address // a copy, so that not every record's address goes to the heap
			h.entry01, h.entryAt = &e, offset
		}
	case hexSegment:
		h.base = int64(be16(body)) * 16
	case hexUpper:
		h.base = int64(be16(body)) << 16
	case hexStartSegment:
		if h.kinds[hexStartLinear] == 0 {
			h.entry(int64(be16(body))*16+int64(be16(body[2:])), offset)
		}
	case hexStartLinear:
		h.entry(int64(be16(body))<<16|int64(be16(body[2:])), offset)
	}
	h.kinds[kind]++
}

func inspectIntelHex(data []byte, emit func(int, []byte)) *builder {
	h := inspectHexLines(data, intelHex, emit)
	return h.builder
}
