package program

import (
	"bytes"
	"fmt"
	"strings"
	"unicode/utf8"
)

// The characters of the class. 20h to 5Ah and 5Fh to 7Eh are ASCII; 5Bh to 5Eh are arrows up, down, left and right;
// 80h to BFh are block graphics of 2 x 3 dots, whose bits 0 to 5 are the dots from the top left to the bottom right.
// Source: from memory. Unicode has the same blocks as sextants (U+1FB00 to U+1FB3B, version 13), in the order of the
// same bits, without the four that were there before: none, left half, right half, full.
//
// The empty block 80h looks like a blank but is another code; it becomes a no-break space, so that it comes back.
const (
	emptyBlock = '\u00A0'
	leftHalf   = '\u258C'
	rightHalf  = '\u2590'
	fullBlock  = '\u2588'
	sextants   = '\U0001FB00'
)

var arrows = [4]rune{'↑', '↓', '←', '→'}

// Rune is the Unicode character of a code of the class; ok is false for controls and for C0h to FFh (which the class
// uses for runs of blanks), which have none and stand as escapes.
func Rune(c byte) (r rune, ok bool) {
	switch {
	case c >= 0x5B && c <= 0x5E:
		return arrows[c-0x5B], true
	case c >= 0x20 && c < 0x7F:
		return rune(c), true
	case c < 0x80 || c >= 0xC0:
		return 0, false
	}
	switch v := rune(c - 0x80); {
	case v == 0:
		return emptyBlock, true
	case v == 21: // dots 1, 3, 5
		return leftHalf, true
	case v == 42: // dots 2, 4, 6
		return rightHalf, true
	case v == 63:
		return fullBlock, true
	default:
		return sextants + v - 1 - rune(boolInt(v > 21)+boolInt(v > 42)), true
	}
}

var codes = func() map[rune]byte {
	m := make(map[rune]byte, 160)
	for c := range 256 {
		if r, ok := Rune(byte(c)); ok {
			m[r] = byte(c)
		}
	}
	return m
}()

// Code is the code of the class for a Unicode character. Exact is false for the ASCII characters in whose places the
// class has arrows: [ \ ] give the code of the same number, and ^, which programs write for "to the power of", the
// arrow up.
func Code(r rune) (c byte, exact, ok bool) {
	if c, ok = codes[r]; ok {
		return c, true, true
	}
	switch r {
	case '[', '\\', ']':
		return byte(r), false, true
	case '^':
		return upArrow, false, true
	}
	return 0, false, false
}

// ToUnicode writes text of the class in UTF-8, without loss: FromUnicode gives the same bytes. Codes that have no
// character become escapes, two hex digits in braces; where the text itself holds such a form, its brace is escaped.
// With escaped, the text holds escapes already, as Listing writes them, and they stay as they are. Line ends are kept.
func ToUnicode(text []byte, escaped bool) []byte {
	out := make([]byte, 0, len(text)+len(text)/8)
	for i := 0; i < len(text); i++ {
		c := text[i]
		r, ok := Rune(c)
		switch {
		case c == '\r' || c == '\n':
			out = append(out, c)
		case !ok || !escaped && isEscape(text[i:]):
			out = appendEscape(out, c)
		default:
			out = utf8.AppendRune(out, r)
		}
	}
	return out
}

// FromUnicode reads UTF-8 as text of the class. With escaped, escapes stay for Tokenise to read; else they become the
// bytes they stand for. aliases counts characters that were taken for others (see Code). A character that the class
// does not have is an error that says where.
func FromUnicode(text []byte, escaped bool) (out []byte, aliases int, err error) {
	text = bytes.TrimPrefix(text, []byte("\uFEFF")) // byte order mark
	out = make([]byte, 0, len(text))
	line, column := 1, 1
	for i := 0; i < len(text); {
		if isEscape(text[i:]) {
			if escaped {
				out = append(out, text[i:i+4]...)
			} else {
				out = append(out, byte(hexDigit[text[i+1]])<<4|byte(hexDigit[text[i+2]]))
			}
			i, column = i+4, column+4
			continue
		}
		r, n := utf8.DecodeRune(text[i:])
		switch {
		case r == '\r' || r == '\n':
			out = append(out, byte(r))
			if r == '\n' || i+1 >= len(text) || text[i+1] != '\n' {
				line, column = line+1, 0
			}
		case r == utf8.RuneError && n == 1:
			return nil, 0, fmt.Errorf("line %d, column %d (offset %d): byte %02Xh is not UTF-8", line, column, i, text[i])
		default:
			c, exact, ok := Code(r)
			switch {
			case r == '\t' || r == '\f' || r == 0x1A || r == 0:
				c, exact = byte(r), true
			case !ok:
				return nil, 0, fmt.Errorf("line %d, column %d (offset %d): the class has no character for %q (U+%04X)", line, column, i, r, r)
			}
			if !exact {
				aliases++
			}
			out = append(out, c)
		}
		i, column = i+n, column+1
	}
	return out, aliases, nil
}

// SetLineEnds ends every line in end. Lines may end in CR, LF or both before; a last line without an end stays so.
func SetLineEnds(text []byte, end string) []byte {
	out := make([]byte, 0, len(text)+strings.Count(string(text), "\r"))
	for i := 0; i < len(text); i++ {
		switch {
		case text[i] == '\r':
			if i+1 < len(text) && text[i+1] == '\n' {
				i++
			}
			fallthrough
		case text[i] == '\n':
			out = append(out, end...)
		default:
			out = append(out, text[i])
		}
	}
	return out
}
