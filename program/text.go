package program

import (
	"unicode/utf8"
)

// textClass sorts bytes of a text of the class.
type textClass uint8

const (
	textPlain   textClass = iota // 20-7E
	textBreak                    // CR, LF
	textLayout                   // TAB, FF, the 1A and 00 that fill an old file
	textGraphic                  // 80-BF block graphics
	textForeign                  // controls, C0-FF, 7F
)

var textClasses = func() (t [256]textClass) {
	for i := range t {
		switch {
		case i >= 0x20 && i < 0x7F:
		case i == '\r' || i == '\n':
			t[i] = textBreak
		case i == '\t' || i == 0x0C || i == 0x1A || i == 0:
			t[i] = textLayout
		case i >= 0x80 && i < 0xC0:
			t[i] = textGraphic
		default:
			t[i] = textForeign
		}
	}
	return t
}()

// maxTextProbe is how much of a file is looked at before it is called no text.
const maxTextProbe = 1 << 16

// inspectText takes data as text of the class: characters, lines that end in CR.
func inspectText(data []byte) *builder {
	b := &builder{r: Report{Kind: Text}}
	content := data
	for n := len(content); n > 0 && (content[n-1] == 0 || content[n-1] == 0x1A); n = len(content) {
		content = content[:n-1]
	}
	if len(content) == 0 || !likeText(content[:min(len(content), maxTextProbe)]) {
		return b
	}
	t := scanText(content)
	if !t.utf8 && t.counts[textForeign]+t.inner > len(content)/20 || t.counts[textGraphic] > len(content)/2 && !t.utf8 {
		return b
	}
	b.bits = len(content) * 7 / 5
	if len(content) < 16 && t.counts[textPlain]+t.counts[textBreak] == len(content) {
		b.bits = max(b.bits, acceptBits) // short, but nothing else than text
	}
	if t.utf8 {
		b.bits += 5 * t.high // every character beyond ASCII keeps a rule that noise breaks
	}
	b.lineEnds(t)
	switch {
	case t.utf8 && t.high > 0:
		b.note("%d characters beyond ASCII in UTF-8; the class has other codes (convert --encoding)", t.high)
	default:
		if t.counts[textGraphic] > 0 {
			b.note("%d block graphic characters (80h-BFh)", t.counts[textGraphic])
		}
		if t.foreign >= 0 {
			b.bits = min(b.bits, acceptBits) // tokens and controls: any other form that fits is more likely
			b.fault(BadCharacters, t.foreign, "byte %02Xh is no character of a text; %d such in the file", content[t.foreign], t.counts[textForeign]+t.inner)
		}
	}
	if n := len(data) - len(content); n > 0 {
		b.note("%d bytes of fill (00h or 1Ah) at the end", n)
	}
	if last := content[len(content)-1]; last != '\r' && last != '\n' {
		b.note("the last line has no line end")
	}
	b.r.Lines = t.lines
	b.r.Form = "prose"
	if t.numbered > 0 && t.numbered*10 >= t.filled*8 && t.rising {
		b.r.Form = "BASIC listing"
	}
	return b
}

// likeText is a quick look: are nearly all bytes characters?
func likeText(b []byte) bool {
	odd := 0
	for _, c := range b {
		if textClasses[c] == textForeign {
			odd++
		}
	}
	return odd <= len(b)/20 || utf8.Valid(trimRune(b)) && odd <= len(b)/2
}

// trimRune takes off a character that a cut may have halved.
func trimRune(b []byte) []byte {
	for i := 1; i < utf8.UTFMax && i <= len(b); i++ {
		if utf8.RuneStart(b[len(b)-i]) {
			if !utf8.FullRune(b[len(b)-i:]) {
				return b[:len(b)-i]
			}
			break
		}
	}
	return b
}

type textScan struct {
	counts        [textForeign + 1]int
	cr, lf, crlf  int
	firstLF       int // offset of the first line end that is not CR alone, -1: none
	secondKind    int // offset of the first line end unlike the first of the file, -1: none
	foreign       int // offset of the first byte that is no character, -1: none
	inner         int // NULs inside the text
	utf8          bool
	high          int // characters beyond ASCII, in UTF-8
	lines, filled int
	numbered      int
	rising        bool
	lastNumber    int
}

func scanText(b []byte) *textScan {
	t := &textScan{firstLF: -1, secondKind: -1, foreign: -1, rising: true, lastNumber: -1}
	lineStart, first := 0, 0
	breakAt := func(i, kind int) {
		if first == 0 {
			first = kind
		} else if kind != first && t.secondKind < 0 {
			t.secondKind = i
		}
		if kind != 1 && t.firstLF < 0 {
			t.firstLF = i
		}
		t.line(b[lineStart:i])
	}
	for i := 0; i < len(b); i++ {
		c := b[i]
		k := textClasses[c]
		t.counts[k]++
		switch {
		case c == '\r' && i+1 < len(b) && b[i+1] == '\n':
			breakAt(i, 3)
			t.crlf++
			t.counts[textBreak]++
			i++
			lineStart = i + 1
		case c == '\r':
			breakAt(i, 1)
			t.cr++
			lineStart = i + 1
		case c == '\n':
			breakAt(i, 2)
			t.lf++
			lineStart = i + 1
		case c == 0:
			t.inner++
			fallthrough
		case k == textForeign:
			if t.foreign < 0 {
				t.foreign = i
			}
		}
	}
	if lineStart < len(b) {
		t.line(b[lineStart:])
	}
	if t.counts[textForeign]+t.counts[textGraphic] > 0 && utf8.Valid(b) {
		t.utf8 = true
		t.high = utf8.RuneCount(b) - (len(b) - t.counts[textForeign] - t.counts[textGraphic])
		for i, c := range b { // controls are foreign in UTF-8 too
			if c < 0x80 && textClasses[c] == textForeign {
				t.utf8, t.foreign = false, i
				break
			}
		}
	}
	return t
}

// line counts one line and looks for a line number that rises.
func (t *textScan) line(b []byte) {
	t.lines++
	i := 0
	for i < len(b) && b[i] == ' ' {
		i++
	}
	if i == len(b) {
		return
	}
	t.filled++
	n, digits := 0, 0
	for i < len(b) && digits < 6 && b[i] >= '0' && b[i] <= '9' {
		n, digits, i = n*10+int(b[i]-'0'), digits+1, i+1
	}
	if digits == 0 || digits > 5 {
		return
	}
	t.numbered++
	if n <= t.lastNumber {
		t.rising = false
	}
	t.lastNumber = n
}

// lineEnds reports lines that end in another way than the class's own CR.
func (b *builder) lineEnds(t *textScan) {
	kinds := boolInt(t.cr > 0) + boolInt(t.lf > 0) + boolInt(t.crlf > 0)
	const advice = "the class ends lines in CR; convert --line-ends cr sets them right"
	switch {
	case kinds > 1:
		b.fault(LineEnds, t.secondKind, "line ends are mixed (%d CR, %d LF, %d CR LF): here they change; %s", t.cr, t.lf, t.crlf, advice)
	case t.lf > 0:
		b.fault(LineEnds, t.firstLF, "%d lines end in LF: %s", t.lf, advice)
	case t.crlf > 0:
		b.fault(LineEnds, t.firstLF, "%d lines end in CR LF: %s", t.crlf, advice)
	}
}
