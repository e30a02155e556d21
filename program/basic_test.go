package program

import (
	"bytes"
	"slices"
	"strings"
	"testing"

	"pgregory.net/rapid"
)

// TestTokens holds the table to single tokens of the reference sheet, counted off by hand in its rows.
func TestTokens(t *testing.T) {
	if n := len(tokenWords); n != tokenLast-tokenFirst+1 {
		t.Fatalf("%d words, want %d", n, tokenLast-tokenFirst+1)
	}
	for token, word := range map[byte]string{0x80: "END", 0x81: "FOR", 0x8D: "GOTO", 0x8F: "IF", 0x90: "RESTORE", 0x93: "REM", 0x95: "ELSE", 0x9F: "RESUME",
		0xA0: "OUT", 0xAF: "LPRINT", 0xB0: "DEF", 0xB2: "PRINT", 0xBC: "TAB(", 0xBF: "USING", 0xC0: "VARPTR", 0xCA: "THEN", 0xCD: "+", 0xCF: "*",
		0xD0: "/", 0xD1: "[", 0xD5: "=", 0xDF: "LOG", 0xE0: "EXP", 0xE5: "PEEK", 0xEF: "CINT", 0xF0: "CSNG", 0xF7: "CHR$", 0xFA: "MID$", 0xFB: "'"} {
		if got := tokenWord(token); got != word {
			t.Errorf("token %02X is %q, want %q", token, got, word)
		}
	}
	// a longer word must be found before one that begins it
	for i, w := range tokenWords {
		if token, n := tokenAt([]byte(w)); w != "?" && (n != len(w) || int(token) != tokenFirst+i) {
			t.Errorf("%q reads as token %02X of %d characters", w, token, n)
		}
	}
}

// TestListing: tokens by hand, from the sheet's table and its rules for ELSE, remarks, quotes and DATA.
func TestListing(t *testing.T) {
	for _, c := range []struct{ tokens, text, src string }{
		{"\xB2 \"HI\"", `PRINT "HI"`, "token B2"},
		{"\x81 I\xD51 \xBD 10:\x87 I", "FOR I=1 TO 10:NEXT I", "tokens 81 D5 BD 87"},
		{"\x8F A\xD41 \xCA 20 :\x95 30", "IF A>1 THEN 20 ELSE 30", "ELSE is written 3A 95"},
		{"A\xD51::\x95 30", "A=1:ELSE 30", "a colon before ELSE stays"},
		{":\x93\xFB NOTE: PRINT", "' NOTE: PRINT", "' is written 3A 93 FB"},
		{"\x93 PRINT 'X", "REM PRINT 'X", "after REM nothing is tokenised"},
		{"\x88 FOR,\"A:B\",TO:\xB2 1", `DATA FOR,"A:B",TO:PRINT 1`, "DATA ends at a colon outside quotes"},
		{"A$\xD5\"FOR TO", `A$="FOR TO`, "an open string goes to the end of the line"},
		{"A\xD52\xD13", "A=2[3", "arrow up is 5B"},
		{"\xB2\xBC5);A$", "PRINTTAB(5);A$", "words need no blanks"},
		{"  \xB2", "  PRINT", "blanks stay"},
		{"print", "print", "small letters are characters"},
		// what only an escape can say
		{"PRINT", "{50}R{49}NT", "a keyword that was never turned into a token"},
		{"\xFE\xB2", "{FE}PRINT", "no such token"},
		{"A\x0AB", "A{0A}B", "line feed in a line"},
		{"\x95 30", "{95} 30", "ELSE without its colon"},
		{"A\xFB", "A{FB}", "remark sign without 3A 93"},
		{"{41}", "{7B}41}", "what looks like an escape"},
		{"\xDBUT", "{DB}UT", "INP before UT, which would read as INPUT"},
		{"S\xBDP", "{53}TOP", "S, TO, P, which would read as STOP"},
		{"?", "{3F}", "the machine reads a question mark as PRINT"},
		{"", "", "an empty line"},
	} {
		if got := string(listLine([]byte(c.tokens))); got != c.text {
			t.Errorf("% X lists as %q, want %q (%s)", c.tokens, got, c.text, c.src)
		}
		if got := tokeniseLine([]byte(c.text)); string(got) != c.tokens {
			t.Errorf("%q reads as % X, want % X (%s)", c.text, got, c.tokens, c.src)
		}
	}
	if got := tokeniseLine([]byte("?A")); string(got) != "\xB2A" {
		t.Errorf("?A reads as % X", got)
	}
}

func TestTokeniseRefuses(t *testing.T) {
	for _, c := range []struct{ text, want string }{
		{"PRINT 1\r", "line 1 of the text: a line number is expected"},
		{"10 A=1\r\r20 B=2\r20 C=3\r", "line 4 of the text: line number 20 after 20"},
		{"20 A\r10 B\r", "line number 10 after 20"},
		{"65530 A\r", "above 65529"},
		{"99999999999999999999 A\r", "above 65529"},
		{"10 A{00}B\r", "escape {00}"},
		{"10 A\tB\r", "control character 09h"},
		{"10 " + strings.Repeat("A", 256) + "\r", "takes 256 bytes in tokens, 255 are the limit"},
		{" \r\r", "no lines with numbers"},
	} {
		if _, err := Tokenise([]byte(c.text)); err == nil || !strings.Contains(err.Error(), c.want) {
			t.Errorf("%.30q: %v, want %q", c.text, err, c.want)
		}
	}
	for _, ok := range []string{"0 A\r", "65529 A\n", "  10A=1\r\n20 B", "10 " + strings.Repeat("A", 255) + "\r\x1a\x1a\x00"} {
		if _, err := Tokenise([]byte(ok)); err != nil {
			t.Errorf("%.30q: %v", ok, err)
		}
	}
}

// anyText draws the text of a line: mostly what programs hold, sometimes any byte but 00.
func anyText(t *rapid.T) []byte {
	b := rapid.SliceOfN(rapid.OneOf(rapid.ByteRange(0x20, 0x7E), rapid.ByteRange(0x80, 0xFF), rapid.SampledFrom([]byte(":\"'{}0F?\x93\x88\x95\xFB\xBD[")), rapid.ByteRange(1, 255)), 0, 60).Draw(t, "text")
	return b
}

// TestListingIsExact: any program, however odd, comes back from its listing, in class codes and in Unicode, and from
// both tokenised forms.
func TestListingIsExact(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		p := &BASIC{Name: "T", Base: diskBASICStart}
		n := -1
		for range rapid.IntRange(1, 8).Draw(t, "lines") {
			n += rapid.IntRange(1, 6000).Draw(t, "step")
			p.Lines = append(p.Lines, Line{n, anyText(t)})
		}
		same := func(what string, q *BASIC) {
			if !slices.EqualFunc(p.Lines, q.Lines, func(a, b Line) bool { return a.Number == b.Number && bytes.Equal(a.Text, b.Text) }) {
				t.Fatalf("%s: %v, want %v", what, q.Lines, p.Lines)
			}
		}
		text := p.Listing("\r")
		q, err := Tokenise(text)
		if err != nil {
			t.Fatalf("%q: %v", text, err)
		}
		same("listing", q)
		back, aliases, err := FromUnicode(ToUnicode(text, true), true)
		if err != nil || aliases > 0 {
			t.Fatalf("unicode: %v, %d", err, aliases)
		}
		if q, err = Tokenise(back); err != nil {
			t.Fatalf("unicode: %q: %v", back, err)
		}
		same("unicode", q)
		for _, build := range []func() ([]byte, error){
			func() ([]byte, error) { return BuildBASICDisk(p) },
			func() ([]byte, error) { return BuildBASICTape(p, TapeOptions{Leader: true}) },
		} {
			file, err := build()
			if err != nil {
				t.Fatal(err)
			}
			q, faults := ParseBASIC(file)
			if len(faults) > 0 {
				t.Fatalf("% X: %v", file, faults)
			}
			same("file", q)
		}
	})
}

// TestUnicodeNames holds the graphics to the names of the Unicode charts (version 13, "Symbols for Legacy Computing":
// the digits name the dots that are set, 1 the upper left, 2 the upper right, to 6; "Block Elements").
func TestUnicodeNames(t *testing.T) {
	named := map[rune]string{0x1FB00: "1", 0x1FB01: "2", 0x1FB02: "12", 0x1FB03: "3", 0x1FB07: "4", 0x1FB0E: "1234", 0x1FB0F: "5", 0x1FB13: "35",
		0x1FB14: "235", 0x1FB15: "1235", 0x1FB1E: "6", 0x1FB26: "46", 0x1FB27: "146", 0x1FB28: "1246", 0x1FB3B: "23456",
		0x258C: "135", 0x2590: "246", 0x2588: "123456"}
	for r, dots := range named {
		c := byte(0x80)
		for _, d := range dots {
			c |= 1 << (d - '1')
		}
		if got, ok := Rune(c); !ok || got != r {
			t.Errorf("dots %s (%02Xh) are %U, want %U", dots, c, got, r)
		}
	}
	seen := map[rune]byte{}
	for c := range 256 {
		r, ok := Rune(byte(c))
		if want := c >= 0x20 && c < 0xC0 && c != 0x7F; ok != want {
			t.Errorf("%02Xh has a character: %v, want %v", c, ok, want)
		}
		if other, twice := seen[r]; ok && twice {
			t.Errorf("%02Xh and %02Xh are both %U", c, other, r)
		}
		if ok {
			seen[r] = byte(c)
			if back, exact, ok := Code(r); back != byte(c) || !exact || !ok {
				t.Errorf("%U gives %02Xh, want %02Xh", r, back, c)
			}
		}
	}
}

// TestTextRoundTrip: any bytes survive the way to Unicode and back, and Unicode that the class lacks is named.
func TestTextRoundTrip(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		text := rapid.SliceOfN(rapid.OneOf(rapid.Byte(), rapid.SampledFrom([]byte("{}41AF\r\n"))), 0, 200).Draw(t, "text")
		u := ToUnicode(text, false)
		back, aliases, err := FromUnicode(u, false)
		if err != nil || aliases > 0 || !bytes.Equal(back, text) {
			t.Fatalf("%q by way of %q: %q, %v", text, u, back, err)
		}
	})
	for _, c := range []struct{ text, want string }{
		{"ok\nprice: 5 €\n", "line 2, column 10 (offset 12): the class has no character for '€' (U+20AC)"},
		{"a\xffb", "byte FFh is not UTF-8"},
	} {
		if _, _, err := FromUnicode([]byte(c.text), false); err == nil || !strings.Contains(err.Error(), c.want) {
			t.Errorf("%q: %v, want %q", c.text, err, c.want)
		}
	}
	if got, n, err := FromUnicode([]byte("\uFEFF2^[\\]"), false); string(got) != "2[[\\]" || n != 4 || err != nil {
		t.Errorf("aliases: %q, %d, %v", got, n, err)
	}
}
