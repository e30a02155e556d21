package tape

import (
	"strings"
	"testing"
)

// Of a program whose numbers rise but for one, that one is the fault, whether it is too high or too low, and nothing else.
// The form of the lines is that of the tape BASIC: link, number, text, 00; a link of 0000 ends the program.
func TestOneWrongLineNumber(t *testing.T) {
	for _, tt := range []struct {
		at, number int
		want       string
	}{{7, 23142, "line number 23142 stands before 90"}, {7, 5, "line number 5 follows 70"}, {0, 23142, "line number 23142 stands before 20"}, {7, 80, ""}} {
		b := []byte{0xD3, 0xD3, 0xD3, 'A'}
		link, bad := 0x42E9, 0
		for i := range 20 {
			n := 10 * (i + 1)
			if i == tt.at {
				n, bad = tt.number, len(b)+2
			}
			link += 6
			b = append(b, byte(link), byte(link>>8), byte(n), byte(n>>8), 'X', 0)
		}
		p := parseBASIC(append(b, 0, 0))
		switch {
		case tt.want == "" && len(p.faults) > 0:
			t.Errorf("no number is wrong, faults %v", p.faults)
		case tt.want != "" && (len(p.faults) != 1 || p.faults[0].at != bad || !strings.Contains(p.faults[0].what, tt.want)):
			t.Errorf("number %d in place of %d: %v; want one fault at byte %d: %s", tt.number, 10*(tt.at+1), p.faults, bad, tt.want)
		}
	}
}
