package tape

import (
	"bytes"
	"errors"
	"fmt"
	"slices"
)

// Marks of the pulse-cassette class. Source: sheet z80-home-machine, from memory.
const (
	syncByte   = 0xA5
	nameMark   = 0x55
	blockMark  = 0x3C
	entryMark  = 0x78
	basicMark  = 0xD3
	textEnd    = 0x0D
	leaderByte = 0x00

	// maxTextLine is the longest block of a text tape: the class reads it into a buffer of 256 characters (from memory).
	maxTextLine = 255
)

// Encode makes an item of an archived file. form is the block form of the machine class; kind what the file is. An
// archived tape stream may come with leader and sync, with sync only, or bare.
func Encode(form, kind, name string, data []byte) (Item, error) {
	it := Item{Name: name, Kind: kind}
	if form == FormRaw {
		it.Blocks = [][]byte{data}
		if len(data) == 0 {
			return it, errors.New("the file is empty: nothing to write")
		}
		return it, nil
	}
	if form != FormPulse500 {
		return it, fmt.Errorf("block form %q: want %s or %s", form, FormPulse500, FormRaw)
	}
	switch kind {
	case MachineTape, BASICTape:
		body := StripLeader(data)
		if len(body) == 0 {
			return it, errors.New("the file holds a leader and nothing after it")
		}
		if p := parse(kind, body); p.end > 0 && p.end < len(body) {
			body = body[:p.end] // what stands after the end is not the program's
		}
		it.Blocks = [][]byte{body}
	case Text:
		lines, err := textLines(data)
		if err != nil {
			return it, err
		}
		it.Blocks = lines
	default:
		return it, fmt.Errorf("kind %s has no form on a pulse tape: want machine-tape, basic-tape or text; convert it first, or write its bytes as they are with --raw", kind)
	}
	return it, nil
}

// StripLeader takes leader and sync off an archived tape stream, where it has them.
func StripLeader(data []byte) []byte {
	n := 0
	for n < len(data) && data[n] == leaderByte {
		n++
	}
	if n < len(data) && data[n] == syncByte {
		return data[n+1:]
	}
	return data
}

// textLines cuts text into blocks that end with CR; any of CR, LF and CR LF ends a line of the file.
func textLines(data []byte) ([][]byte, error) {
	data = bytes.TrimRight(data, "\x00\x1a")
	if len(data) == 0 {
		return nil, errors.New("the text is empty: nothing to write")
	}
	data = bytes.ReplaceAll(bytes.ReplaceAll(data, []byte("\r\n"), []byte("\r")), []byte("\n"), []byte("\r"))
	if data[len(data)-1] != textEnd {
		data = append(data, textEnd)
	}
	var out [][]byte
	for line := 1; len(data) > 0; line++ {
		n := bytes.IndexByte(data, textEnd) + 1
		if n > maxTextLine {
			return nil, fmt.Errorf("line %d: want at most %d characters in a block of a text tape, found %d; break the line", line, maxTextLine-1, n-1)
		}
		out = append(out, data[:n:n])
		data = data[n:]
	}
	return out, nil
}

// parsed is what the bytes after a sync turned out to be.
type parsed struct {
	kind   string
	name   string
	from   int  // where the first block begins, in a tape without its beginning
	end    int  // bytes used; what follows is not part of it
	done   bool // the end mark of the form was found
	faults []blockFault
	blocks []blockAt // checked stretches, in order
	entry  int       // -1 none
	note   string
}

// blockAt is a stretch with a sum of its own.
type blockAt struct {
	from, to int // bytes of the run, mark and sum included
	n        int // number, from 1
	good     bool
}

type blockFault struct {
	at   int // byte
	what string
}

func (p *parsed) whole() bool { return p.done && len(p.faults) == 0 }

func (p *parsed) fault(at int, format string, a ...any) {
	p.faults = append(p.faults, blockFault{at, fmt.Sprintf(format, a...)})
}

// kindOf says what a run of bytes of the pulse-cassette class begins like, "" if like nothing.
func kindOf(b []byte) string {
	switch {
	case len(b) >= 3 && b[0] == basicMark && b[1] == basicMark && b[2] == basicMark:
		return BASICTape
	case len(b) >= 8 && b[0] == nameMark && (b[7] == blockMark || b[7] == entryMark) && printable(b[1:7]):
		return MachineTape
	}
	if n := bytes.IndexByte(b, textEnd); n >= 0 && n < maxTextLine && printable(b[:n]) && n > 0 {
		return Text
	}
	return ""
}

// kindNear is kindOf for a run in which some bytes may be wrong.
func kindNear(b []byte) string {
	if k := kindOf(b); k != "" {
		return k
	}
	marks := 0
	for i := 0; i < 3 && i < len(b); i++ {
		if b[i] == basicMark {
			marks++
		}
	}
	if marks >= 2 {
		return BASICTape
	}
	if len(b) > 12 {
		hits := 0
		if b[0] == nameMark {
			hits++
		}
		if b[7] == blockMark {
			hits++
		}
		good := 0
		for _, c := range b[1:7] {
			if c >= ' ' && c < 0x7F {
				good++
			}
		}
		// name mark and block mark, or one of them, a name, and a block that sums up somewhere
		if hits == 2 && good >= 3 || hits >= 1 && good >= 4 && anyBlock(b) {
			return MachineTape
		}
	}
	return ""
}

// anyBlock says whether some whole block with a right sum stands in b.
func anyBlock(b []byte) bool {
	for i := 0; i+5 <= len(b); i++ {
		if b[i] == blockMark {
			if n := blockLen(b[i:]); n > 0 && n <= len(b)-i && sumRight(b[i:i+n]) && (i+n == len(b) || b[i+n] == blockMark || b[i+n] == entryMark) {
				return true
			}
		}
	}
	return false
}

func printable(b []byte) bool {
	for _, c := range b {
		if (c < ' ' || c >= 0x7F) && c != '\t' && c != '\n' {
			return false
		}
	}
	return true
}

// blockLen is the length of the machine-code block that begins b: mark, count, address, data, sum. 0: too short to say.
func blockLen(b []byte) int {
	if len(b) < 2 {
		return 0
	}
	n := int(b[1])
	if n == 0 {
		n = 256
	}
	return n + 5
}

// sumRight checks a whole block.
func sumRight(b []byte) bool {
	var sum byte
	for _, c := range b[2 : len(b)-1] {
		sum += c
	}
	return sum == b[len(b)-1]
}

// parse walks the bytes after a sync by the rules of kind.
func parse(kind string, b []byte) *parsed {
	switch kind {
	case MachineTape:
		return parseMachine(b)
	case BASICTape:
		return parseBASIC(b)
	case Text:
		return parseText(b)
	}
	return &parsed{kind: Unknown, end: len(b), done: true, entry: -1}
}

// maxFaults of one program are listed; a tape of noise has as many as bytes.
const maxFaults = 200

func parseMachine(b []byte) *parsed {
	p := &parsed{kind: MachineTape, entry: -1}
	if len(b) < 7 {
		p.end = len(b)
		p.fault(len(b), "the recording ends inside the name")
		return p
	}
	p.name = cleanName(b[1:7])
	if b[0] != nameMark {
		p.fault(0, "name mark: want 55h, found %02Xh", b[0])
	}
	if !printable(b[1:7]) {
		p.fault(1, "name: want six characters, found % X", b[1:7])
	}
	return p.walkBlocks(b, 7)
}

// parseHeadless is parseMachine for a tape whose sync or name is lost: it takes up at the first block with a right sum that
// another block, or the entry, follows. nil where there is none.
func parseHeadless(b []byte) *parsed {
	for i := 0; i+5 <= len(b); i++ {
		if b[i] != blockMark {
			continue
		}
		n := blockLen(b[i:])
		if n < 20 || i+n+3 > len(b) || !sumRight(b[i:i+n]) || b[i+n] != blockMark && b[i+n] != entryMark {
			continue
		}
		p := &parsed{kind: MachineTape, entry: -1, from: i}
		p.fault(i, "the beginning of the tape (sync, name and what came before this block) is lost")
		return p.walkBlocks(b, i)
	}
	return nil
}

// walkBlocks walks the blocks from pos on, up to the entry.
func (p *parsed) walkBlocks(b []byte, pos int) *parsed {
	next := -1 // the address that would continue the block before
	for n := 1; len(p.faults) < maxFaults; n++ {
		if pos >= len(b) {
			p.end = len(b)
			p.fault(pos, "the recording ends after block %d; the entry address is missing", n-1)
			return p
		}
		if b[pos] == entryMark && !mustBeBlock(b, pos, next) {
			if pos+3 > len(b) {
				p.end = len(b)
				p.fault(pos, "the recording ends inside the entry address")
				return p
			}
			p.entry = int(b[pos+1]) | int(b[pos+2])<<8
			p.end, p.done = pos+3, true
			return p
		}
		l := blockLen(b[pos:])
		if b[pos] == blockMark && l > 0 && pos+l <= len(b) {
			blk := blockAt{pos, pos + l, n, sumRight(b[pos : pos+l])}
			if !blk.good {
				// A wrong count byte would lead everything after it astray: see whether another length fits better.
				if alt := nextBlock(b, pos, next); alt > 0 && alt != pos+l && !startsRight(b, pos+l) {
					blk.to = alt
				}
				p.fault(pos, "block %d (load address %04Xh, %d bytes): checksum wrong", n, int(b[pos+2])|int(b[pos+3])<<8, max(blk.to-pos-5, 0))
			}
			p.blocks = append(p.blocks, blk)
			next = -1
			if blk.good {
				next = (int(b[pos+2]) | int(b[pos+3])<<8) + l - 5
			}
			pos = blk.to
			continue
		}
		if b[pos] == blockMark && (l == 0 || pos+l > len(b)) && nextBlock(b, pos, next) < 0 {
			p.end = len(b)
			p.blocks = append(p.blocks, blockAt{pos, len(b), n, false})
			p.fault(pos, "block %d: the recording ends inside it, %d of %d bytes are there", n, len(b)-pos, max(l, 5))
			return p
		}
		to := nextBlock(b, pos, next)
		if to < 0 {
			p.end = len(b)
			p.blocks = append(p.blocks, blockAt{pos, len(b), n, false})
			p.fault(pos, "block %d: want mark 3Ch or 78h, found %02Xh; no further block is found in the %d bytes that follow", n, b[pos], len(b)-pos)
			return p
		}
		p.blocks = append(p.blocks, blockAt{pos, to, n, false})
		p.fault(pos, "block %d: want mark 3Ch, found %02Xh; taken up again %d bytes on", n, b[pos], to-pos)
		pos = to
	}
	p.end = len(b)
	return p
}

// mustBeBlock says whether the 78h at pos is more likely a damaged block mark: a block with a right sum begins there or
// the entry it would make leaves far too much behind it.
func mustBeBlock(b []byte, pos, next int) bool {
	if pos+4 >= len(b) {
		return false
	}
	c := bytes.Clone(b[pos:min(len(b), pos+261)])
	c[0] = blockMark
	l := blockLen(c)
	if l == 0 || l > len(c) || !sumRight(c[:l]) {
		return false
	}
	addr := int(c[2]) | int(c[3])<<8
	return addr == next && pos+l < len(b) && (b[pos+l] == blockMark || b[pos+l] == entryMark)
}

// startsRight says whether a block, or the entry, begins at pos.
func startsRight(b []byte, pos int) bool {
	if pos >= len(b) {
		return pos == len(b)
	}
	if b[pos] == entryMark && pos+3 <= len(b) {
		return true
	}
	if b[pos] != blockMark {
		return false
	}
	l := blockLen(b[pos:])
	return l > 0 && (pos+l > len(b) || sumRight(b[pos:pos+l]))
}

// nextBlock looks for the first place after pos at which a block with a right sum begins, or the entry ends the tape.
func nextBlock(b []byte, pos, _ int) int {
	for i := pos + 1; i < len(b) && i < pos+2*261; i++ {
		if b[i] == blockMark {
			if l := blockLen(b[i:]); l > 0 && i+l <= len(b) && sumRight(b[i:i+l]) && (i+l == len(b) || b[i+l] == blockMark || b[i+l] == entryMark) {
				return i
			}
		}
		if b[i] == entryMark && len(b)-i >= 3 && len(b)-i <= 8 {
			return i
		}
	}
	return -1
}

func cleanName(b []byte) string {
	out := make([]byte, 0, len(b))
	for _, c := range b {
		if c < ' ' || c >= 0x7F {
			c = '?'
		}
		out = append(out, c)
	}
	return string(bytes.TrimRight(out, " "))
}

// maxBASICLine is the longest line believed: the class keeps a line in a buffer of 256 bytes (from memory).
const maxBASICLine = 260

// parseBASIC checks a BASIC tape, which has no sum, by the structure of its lines: a link that grows by the length of
// the line, a line number that grows, text that ends with 00, and 0000 at the end.
func parseBASIC(b []byte) *parsed {
	p := &parsed{kind: BASICTape, entry: -1}
	if len(b) < 4 {
		p.end = len(b)
		p.fault(len(b), "the recording ends inside the name")
		return p
	}
	for i, c := range b[:3] {
		if c != basicMark {
			p.fault(i, "BASIC mark: want D3h, found %02Xh", c)
		}
	}
	p.name = cleanName(b[3:4])
	pos, line, link := 4, -1, 0
	before, at := -1, 0 // the number before line, and where line's own stands
	lines := 0
	var stale []blockFault // disagreements of links
	defer func() {
		// Links that are wrong nearly everywhere were so when the program was saved; the loader makes them anew.
		if len(stale) <= lines/2 {
			p.faults = append(p.faults, stale...)
		} else {
			p.note = "link words do not fit the lines, as in a program moved in memory; checked by line ends and numbers alone"
		}
		slices.SortStableFunc(p.faults, func(a, b blockFault) int { return a.at - b.at })
	}()
	for len(p.faults)+len(stale) < maxFaults {
		lines++
		if pos+2 > len(b) {
			p.end = len(b)
			p.fault(pos, "the recording ends after line %d; the end mark 0000 is missing", max(line, 0))
			return p
		}
		next := int(b[pos]) | int(b[pos+1])<<8
		if next == 0 {
			p.end, p.done = pos+2, true
			return p
		}
		if pos+4 > len(b) {
			p.end = len(b)
			p.fault(pos, "the recording ends inside a line")
			return p
		}
		number := int(b[pos+2]) | int(b[pos+3])<<8
		length := bytes.IndexByte(b[pos+4:], 0)
		if length < 0 {
			p.end = len(b)
			p.fault(pos, "line %d: the recording ends before the 00 that ends the line", number)
			return p
		}
		// Where two links in a row are known, the second is the first plus the length of the line.
		end := pos + 4 + length + 1
		if link != 0 && next-link != end-pos {
			if want := next - link; want > 5 && want < maxBASICLine && pos+want <= len(b) && b[pos+want-1] == 0 && want > end-pos {
				stale = append(stale, blockFault{pos + 4 + length, fmt.Sprintf("line %d: 00h in the middle of the line, which its link makes %d bytes long", number, want)})
				end = pos + want
			} else {
				stale = append(stale, blockFault{pos, fmt.Sprintf("line %d: link says the line is %d bytes long, it is %d", number, want, end-pos)})
			}
		}
		switch { // one wrong number is one fault: without it the others rise
		case number <= line && number > before:
			p.fault(at, "line number %d stands before %d", line, number)
			line, at = number, pos+2
		case number <= line:
			p.fault(pos+2, "line number %d follows %d", number, line)
		default:
			before, line, at = line, number, pos+2
		}
		if number > 65529 {
			p.fault(pos+2, "line number %d: want at most 65529", number)
		}
		if length > maxBASICLine {
			p.fault(pos+4, "line %d: %d bytes long, want at most %d", number, length, maxBASICLine)
		}
		link, pos = next, end
	}
	p.end = len(b)
	return p
}

func parseText(b []byte) *parsed {
	p := &parsed{kind: Text, entry: -1}
	n := bytes.IndexByte(b, textEnd)
	if n < 0 {
		p.end = len(b)
		p.fault(len(b), "the recording ends before the 0D that ends the text")
		return p
	}
	p.end, p.done = n+1, true
	bad := 0
	for i, c := range b[:n] {
		if c < ' ' && c != '\t' && c != '\n' || c >= 0x7F {
			if bad++; bad <= 5 {
				p.fault(i, "character %02Xh in text", c)
			}
		}
	}
	return p
}
