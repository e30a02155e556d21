package program

import (
	"bytes"
	"fmt"
	"slices"
)

// Where BASIC program text lies. Source: z80-home-machine sheet.
const (
	tapeBASICStart = 0x42E9 // the text of a tape BASIC program
	diskBASICStart = 0x68BA // links that we write in a disk file are computed for this address; loaders relink
	diskMark       = 0xFF   // first byte of the disk form
	tapeMark       = 0xD3   // three of them begin the tape form
	maxLineNumber  = 65529  // from memory: the highest the class's BASIC accepts
	maxLineBytes   = 255    // of tokenised text in one line, from memory: the length of its input buffer
)

// basicLine is one line of a tokenised program.
type basicLine struct {
	offset int // of the link word in the file
	link   int // as stored
	number int
	text   []byte // tokens and characters, without the 00
}

// basicProgram is a tokenised program as it stands in a file.
type basicProgram struct {
	kind   Kind
	name   string // one character, tape form
	start  int    // offset of the first link word
	end    int    // offset after the closing 0000, or where reading stopped
	base   int    // address of the first link word, by what most links say
	lines  []basicLine
	closed bool // the closing 0000 is there
}

// basicStart tells the two forms apart and says where their first line is.
func basicStart(data []byte) (p basicProgram, head tapeHead, ok bool) {
	if len(data) >= 1 && data[0] == diskMark {
		return basicProgram{kind: BASICDisk, start: 1}, tapeHead{bits: 8}, true
	}
	head = tapeStart(data)
	mark := []byte{tapeMark, tapeMark, tapeMark}
	if !bytes.HasPrefix(data[min(head.start, len(data)):], mark) || len(data) < head.start+4 {
		return p, head, false
	}
	name := data[head.start+3 : head.start+4]
	head.bits += 24
	return basicProgram{kind: BASICTape, start: head.start + 4, name: printable(name)}, head, true
}

// inspectBASIC walks data as a tokenised program.
func inspectBASIC(data []byte) (*builder, *basicProgram) {
	p, head, ok := basicStart(data)
	b := &builder{r: Report{Kind: p.kind, Form: head.form, Name: p.name}, bits: head.bits}
	if !ok {
		b.bits = 0
		return b, nil
	}
	if head.fault != "" {
		b.fault(BadRecord, head.at, "%s", head.fault)
	}
	p.vote(data)
	b.walkBASIC(data, &p)
	b.r.Lines = len(p.lines)
	end := min(p.base+p.end-p.start, addressSpace)
	if end > p.base && len(p.lines) > 0 {
		b.r.LoadRanges = [][2]int{{p.base, end}}
		b.r.RAMKiB = RAMNeeded(end)
	}
	return b, &p
}

// lineEnd is the offset of the 00 that ends the line at pos, -1 if there is none.
func lineEnd(data []byte, pos int) int {
	if pos+4 > len(data) {
		return -1
	}
	i := bytes.IndexByte(data[pos+4:min(pos+4+addressSpace, len(data))], 0) // bounded: called for every link
	if i < 0 {
		return -1
	}
	return pos + 4 + i
}

// vote finds the address that the first line was linked for: the one that most links agree on with the line ends.
// Link words are addresses, and a program moved since may hold stale ones.
func (p *basicProgram) vote(data []byte) {
	counts := map[int]int{}
	best := -1
	for pos := p.start; pos+2 <= len(data) && pos-p.start < addressSpace; {
		link := le16(data[pos:])
		end := lineEnd(data, pos)
		if link == 0 || end < 0 {
			break
		}
		base := link - (end + 1 - p.start)
		counts[base]++
		if best < 0 || counts[base] > counts[best] {
			best = base
		}
		pos = end + 1
	}
	usual := tapeBASICStart
	if p.kind == BASICDisk {
		usual = diskBASICStart
	}
	p.base = best
	if best < 0 || best >= addressSpace || counts[usual] == counts[best] {
		p.base = usual
	}
}

// agrees says whether the link of the line at pos leads to the end of that line.
func (p *basicProgram) agrees(data []byte, pos int) bool {
	if pos < p.start || pos+2 > len(data) {
		return false
	}
	link := le16(data[pos:])
	if link == 0 {
		return true
	}
	end := lineEnd(data, pos)
	return end >= 0 && link-p.base+p.start == end+1
}

func (b *builder) walkBASIC(data []byte, p *basicProgram) {
	pos, last, wrong, odd := p.start, -1, 0, 0
	for {
		p.end = min(pos, len(data))
		if pos-p.start >= addressSpace {
			b.fault(BadRecord, pos, "the program is longer than the 64 KiB that a machine addresses; %d bytes from here are not read", len(data)-pos)
			b.bits -= 16
			break
		}
		if pos+2 > len(data) {
			b.fault(Truncated, len(data), "the closing 0000 is missing: the file ends after line %d; later lines may be missing", last)
			break
		}
		link := le16(data[pos:])
		if link == 0 {
			p.closed = true
			p.end = pos + 2
			break
		}
		end := lineEnd(data, pos)
		if end < 0 {
			b.fault(Truncated, len(data), "file ends inside %s, which begins at offset %d; no 00 ends it", lineName(data, pos), pos)
			b.bits += textEvidence(data[min(pos+4, len(data)):])
			break
		}
		line := basicLine{pos, link, le16(data[pos+2:]), data[pos+4 : end]}
		next := end + 1
		by := link - p.base + p.start
		switch {
		case by == next:
			b.bits += 16
		case by > next && by <= len(data)-2 && data[by-1] == 0 && p.agrees(data, by) && !p.agrees(data, next):
			b.fault(Links, end, "line %d: a 00 stands inside it, %d bytes before the line's end as its link gives it; all of it is taken as one line", line.number, by-1-end)
			line.text, next = data[pos+4:by-1], by
			wrong++
		default:
			b.fault(Links, pos, "line %d: its link is %s, its end asks for %s; the line ends are followed", line.number, hex(link), hex(next-p.start+p.base))
			wrong++
		}
		if line.number <= last {
			odd++
			if odd <= 3 {
				b.note("line %d stands after line %d: numbers do not rise", line.number, last)
			}
		} else {
			b.bits++
		}
		if line.number > maxLineNumber {
			b.note("line number %d is above %d, the highest the class accepts", line.number, maxLineNumber)
		}
		b.bits += textEvidence(line.text)
		last = line.number
		p.lines = append(p.lines, line)
		pos = next
	}
	if len(p.lines) > 0 {
		b.bits -= 16 // the first link that agrees sets the base, and proves nothing
	}
	if p.base < 0x4000 {
		b.bits -= 8 // no RAM there in the class
	}
	if wrong > 0 {
		b.note("%d of %d links disagree with the line ends; loading repairs them", wrong, len(p.lines))
	}
	if p.kind == BASICTape && len(p.lines) > 0 && p.base != tapeBASICStart {
		b.note("the links are for a program at %s, tape BASIC puts it at %s; loading repairs them", hex(p.base), hex(tapeBASICStart))
	}
	if !p.closed {
		return
	}
	if rest := data[p.end:]; len(rest) > 0 {
		b.trailing(p.end, rest, "the closing 0000")
		if len(rest) > p.end {
			b.bits -= 8
		}
	} else {
		b.bits += 24
	}
	if len(p.lines) == 0 {
		b.note("the program has no lines")
		b.bits -= 16
	}
}

func lineName(data []byte, pos int) string {
	if pos+4 > len(data) {
		return "the head of a line"
	}
	return fmt.Sprintf("line %d", le16(data[pos+2:]))
}

// textEvidence weighs the text of one line: three quarters of a program are plain characters, of noise a third; noise
// has control characters and bytes above the tokens, a program has not.
func textEvidence(text []byte) int {
	plain, high, odd := 0, 0, 0
	for _, c := range text {
		switch {
		case c < 0x20 && c != '\n' || c >= 0xFC:
			odd++
		case c >= 0x80:
			high++
		default:
			plain++
		}
	}
	return max(min(max(len(text)/8, plain-high), 24)-10*odd, -200)
}

// ParseBASIC reads the lines of a tokenised program of either form, and what is wrong with it.
func ParseBASIC(data []byte) (*BASIC, []Fault) {
	b, p := inspectBASIC(data)
	if p == nil {
		b.fault(NotAProgram, 0, "neither FFh (disk form) nor D3h three times (tape form) at its start")
		return nil, b.finish().Faults
	}
	out := &BASIC{Name: p.name, Base: p.base, Lines: make([]Line, len(p.lines))}
	for i, l := range p.lines {
		out.Lines[i] = Line{l.number, slices.Clone(l.text)}
	}
	return out, b.finish().Faults
}

// BASIC is a tokenised program without its form.
type BASIC struct {
	Name  string // one character, of the tape form
	Base  int    // address of the first line that the links were made for
	Lines []Line
}

// Line is one line: its number and its text in tokens.
type Line struct {
	Number int
	Text   []byte
}

// check refuses what no file of either form can hold.
func (p *BASIC) check(base int) error {
	size := 2
	for _, l := range p.Lines {
		if l.Number < 0 || l.Number > 65535 {
			return fmt.Errorf("line number %d is not between 0 and %d", l.Number, maxLineNumber)
		}
		if i := bytes.IndexByte(l.Text, 0); i >= 0 {
			return fmt.Errorf("line %d: byte 00 in its text, which would end it", l.Number)
		}
		size += 5 + len(l.Text)
	}
	if base+size > addressSpace {
		return fmt.Errorf("the program takes %d bytes, more than fit from %s to FFFFh", size, hex(base))
	}
	return nil
}

// linked appends the lines with link words for a program at base, and the closing 0000.
func (p *BASIC) linked(out []byte, base int) []byte {
	at := base
	for _, l := range p.Lines {
		at += 5 + len(l.Text)
		out = append(out, byte(at), byte(at>>8), byte(l.Number), byte(l.Number>>8))
		out = append(append(out, l.Text...), 0)
	}
	return append(out, 0, 0)
}

// baseOr is the address that links are made for: the one asked for, else the usual one of the form.
func baseOr(asked *int, usual int) int {
	if asked != nil {
		return *asked
	}
	return usual
}

// BuildBASICDisk writes the disk form, linked for 68BAh.
//
//	FF  C5 68  0A 00  B2 20 22 48 49 22 00  00 00
//	    next   10     PRINT "HI"            end
func BuildBASICDisk(p *BASIC) ([]byte, error) { return buildBASICDisk(p, diskBASICStart) }

func buildBASICDisk(p *BASIC, base int) ([]byte, error) {
	if err := p.check(base); err != nil {
		return nil, fmt.Errorf("disk BASIC: %w", err)
	}
	return p.linked([]byte{diskMark}, base), nil
}

// BuildBASICTape writes the tape form, linked for 42E9h. The name is one character; an empty one becomes A.
func BuildBASICTape(p *BASIC, o TapeOptions) ([]byte, error) {
	return buildBASICTape(p, o, tapeBASICStart)
}

func buildBASICTape(p *BASIC, o TapeOptions, base int) ([]byte, error) {
	if err := p.check(base); err != nil {
		return nil, fmt.Errorf("tape BASIC: %w", err)
	}
	name := byte('A')
	if p.Name != "" {
		name = p.Name[0]
	}
	out := append(o.prefix(), tapeMark, tapeMark, tapeMark, name)
	return p.linked(out, base), nil
}
