package program

import (
	"bytes"
	"fmt"
	"strconv"
	"strings"
)

// tokenWords are the words of tokens 80 to FB. Source: z80-home-machine sheet, "Tokenised BASIC", from memory.
var tokenWords = strings.Fields(`
END FOR RESET SET CLS CMD RANDOM NEXT DATA INPUT DIM READ LET GOTO RUN IF
RESTORE GOSUB RETURN REM STOP ELSE TRON TROFF DEFSTR DEFINT DEFSNG DEFDBL LINE EDIT ERROR RESUME
OUT ON OPEN FIELD GET PUT CLOSE LOAD MERGE NAME KILL LSET RSET SAVE SYSTEM LPRINT
DEF POKE PRINT CONT LIST LLIST DELETE AUTO CLEAR CLOAD CSAVE NEW TAB( TO FN USING
VARPTR USR ERL ERR STRING$ INSTR POINT TIME$ MEM INKEY$ THEN NOT STEP + - *
/ [ AND OR > = < SGN INT ABS FRE INP POS SQR RND LOG
EXP COS SIN TAN ATN PEEK CVI CVS CVD EOF LOC LOF MKI$ MKS$ MKD$ CINT
CSNG CDBL FIX LEN STR$ VAL ASC CHR$ LEFT$ RIGHT$ MID$ '`)

// Tokens with a meaning for reading the rest of a line.
const (
	tokenFirst = 0x80
	tokenLast  = 0xFB
	tokenDATA  = 0x88
	tokenREM   = 0x93
	tokenELSE  = 0x95
	tokenQuote = 0xFB // ' for a remark, stored as 3A 93 FB
	upArrow    = 0x5B // the class's character for "to the power of"
)

// tokenWord is the word of a token, "" for bytes that are none.
func tokenWord(c byte) string {
	if c < tokenFirst || c > tokenLast {
		return ""
	}
	return tokenWords[c-tokenFirst]
}

// tokensByLetter finds the words that begin with a character, in the order of their tokens, in which a longer word
// always comes before one that begins it (INPUT before INP, ERROR before ERR).
var tokensByLetter = func() (t [256][]byte) {
	for i, w := range tokenWords {
		t[w[0]] = append(t[w[0]], byte(tokenFirst+i))
	}
	return t
}()

// lineState is where the reader of a line stands: words become tokens in code only.
type lineState uint8

const (
	inCode lineState = iota
	inString
	inData
	inDataString
	inRemark
)

// after is the state after a character or token; ELSE and the remark sign count as the token they are.
func (s lineState) after(c byte) lineState {
	switch s {
	case inCode:
		switch c {
		case '"':
			return inString
		case tokenDATA:
			return inData
		case tokenREM, tokenQuote:
			return inRemark
		}
	case inString:
		if c == '"' {
			return inCode
		}
	case inData:
		switch c {
		case '"':
			return inDataString
		case ':':
			return inCode
		}
	case inDataString:
		if c == '"' {
			return inData
		}
	}
	return s
}

// Listing writes the program as lines of text in the class's own characters, each ended by lineEnd. It is exact:
// Tokenise gives the same program back. What a listing cannot say otherwise stands as an escape, two hex digits in
// braces: a token that no word of the class has, a control character, a keyword that was never turned into its token.
//
//	B2 20 22 48 49 22 3A 3A 95 FE    PRINT "HI"::ELSE would be read as 3A 3A 3A 95, so: PRINT "HI"::{95}{FE}
func (p *BASIC) Listing(lineEnd string) []byte {
	var out []byte
	for _, l := range p.Lines {
		out = strconv.AppendInt(out, int64(l.Number), 10)
		out = append(out, ' ')
		out = append(out, listLine(l.Text)...)
		out = append(out, lineEnd...)
	}
	return out
}

// listLine writes one line and makes sure that it reads back: where it would not, the byte at fault is escaped.
func listLine(text []byte) []byte {
	var escape []bool
	if len(text) > 4*maxLineBytes { // no machine wrote this; escape all of it at once instead of byte by byte
		escape = make([]bool, len(text))
		for i := range escape {
			escape[i] = true
		}
	}
	for {
		out := spell(text, escape)
		back := tokeniseLine(out)
		if bytes.Equal(back, text) {
			return out
		}
		if escape == nil {
			escape = make([]bool, len(text))
		}
		at := min(common(back, text), len(text)-1)
		for at > 0 && escape[at] { // the byte before it ran into it
			at--
		}
		for escape[at] {
			at++
		}
		escape[at] = true
	}
}

// spell writes tokens as words. Bytes that are marked, and those that no text line can hold, become escapes.
func spell(text []byte, escape []bool) []byte {
	out := make([]byte, 0, len(text)*2+8)
	state := inCode
	for i := 0; i < len(text); i++ {
		c := text[i]
		marked := escape != nil && escape[i]
		switch {
		case marked || c < 0x20 || c == 0x7F || isEscape(text[i:]):
			out = appendEscape(out, c)
		case state == inCode && c == ':' && i+1 < len(text) && text[i+1] == tokenELSE && (escape == nil || !escape[i+1]):
			out = append(out, "ELSE"...)
			i++
		case state == inCode && c == ':' && i+2 < len(text) && text[i+1] == tokenREM && text[i+2] == tokenQuote &&
			(escape == nil || !escape[i+1] && !escape[i+2]):
			out = append(out, '\'')
			i += 2
			state = inRemark
		case state == inCode && c >= tokenFirst:
			if w := tokenWord(c); w != "" && c != tokenQuote {
				out = append(out, w...)
				state = state.after(c)
			} else {
				out = appendEscape(out, c)
			}
		default:
			out = append(out, c)
			state = state.after(c)
		}
	}
	return out
}

func appendEscape(out []byte, c byte) []byte {
	const digits = "0123456789ABCDEF"
	return append(out, '{', digits[c>>4], digits[c&15], '}')
}

// isEscape says whether b begins with an escape: two hex digits in capitals between braces.
func isEscape(b []byte) bool {
	return len(b) >= 4 && b[0] == '{' && b[3] == '}' && upperHex(b[1]) && upperHex(b[2])
}

func upperHex(c byte) bool { return c >= '0' && c <= '9' || c >= 'A' && c <= 'F' }

// tokeniseLine turns the text of one line, without its number, into tokens. An escape stands for its byte and changes
// nothing in how the rest is read.
func tokeniseLine(line []byte) []byte {
	out := make([]byte, 0, len(line))
	state := inCode
	for i := 0; i < len(line); {
		c := line[i]
		if isEscape(line[i:]) {
			out = append(out, byte(hexDigit[line[i+1]])<<4|byte(hexDigit[line[i+2]]))
			i += 4
			continue
		}
		if state != inCode {
			out = append(out, c)
			state = state.after(c)
			i++
			continue
		}
		token, n := tokenAt(line[i:])
		switch {
		case n == 0:
			out = append(out, c)
			state = state.after(c)
			i++
			continue
		case token == tokenELSE:
			out = append(out, ':')
		case token == tokenQuote:
			out = append(out, ':', tokenREM)
		}
		out = append(out, token)
		state = state.after(token)
		i += n
	}
	return out
}

// tokenAt finds the token of the word that b begins with; n is its length, 0 if there is none. The class's BASIC reads
// a question mark as PRINT (from memory). Words are in capitals; small letters are kept as characters.
func tokenAt(b []byte) (token byte, n int) {
	if b[0] == '?' {
		return 0xB2, 1
	}
	for _, t := range tokensByLetter[b[0]] {
		if w := tokenWords[t-tokenFirst]; len(b) >= len(w) && string(b[:len(w)]) == w {
			return t, len(w)
		}
	}
	return 0, 0
}

// TextLineError says which line of a listing cannot stand in a program.
type TextLineError struct {
	Line int // counted from 1
	What string
}

func (e *TextLineError) Error() string { return fmt.Sprintf("line %d of the text: %s", e.Line, e.What) }

// Tokenise reads a listing in the class's characters. Lines may end in CR, LF or both; blank lines are passed over;
// one blank after the line number is not stored. Limits: numbers 0 to 65529, rising; 255 bytes of tokens a line.
func Tokenise(listing []byte) (*BASIC, error) {
	p := &BASIC{Base: diskBASICStart}
	listing = bytes.TrimRight(listing, "\x1a\x00")
	last := -1
	for i, line := range splitLines(listing) {
		if len(bytes.TrimLeft(line, " ")) == 0 {
			continue
		}
		fail := func(format string, a ...any) (*BASIC, error) {
			return nil, &TextLineError{i + 1, fmt.Sprintf(format, a...)}
		}
		line = bytes.TrimLeft(line, " ")
		digits := 0
		for digits < len(line) && line[digits] >= '0' && line[digits] <= '9' {
			digits++
		}
		if digits == 0 {
			return fail("a line number is expected, it begins %s", clip(line[:min(len(line), 12)]))
		}
		n, err := strconv.Atoi(string(line[:digits]))
		if err != nil || n > maxLineNumber {
			return fail("line number %s is above %d, the highest the class accepts", clip(line[:digits]), maxLineNumber)
		}
		if n <= last {
			return fail("line number %d after %d; a program's numbers rise, and the machine would sort or replace lines", n, last)
		}
		last = n
		text := line[digits:]
		if len(text) > 0 && text[0] == ' ' {
			text = text[1:]
		}
		for j, c := range text {
			if c < 0x20 {
				return fail("control character %02Xh at column %d; write it as {%02X} if it belongs there", c, digits+j+2, c)
			}
		}
		tokens := tokeniseLine(text)
		if len(tokens) > maxLineBytes {
			return fail("line %d takes %d bytes in tokens, %d are the limit; divide it", n, len(tokens), maxLineBytes)
		}
		if k := bytes.IndexByte(tokens, 0); k >= 0 {
			return fail("line %d has the escape {00}, which would end it", n)
		}
		p.Lines = append(p.Lines, Line{n, tokens})
	}
	if len(p.Lines) == 0 {
		return nil, fmt.Errorf("the text has no lines with numbers")
	}
	return p, nil
}
