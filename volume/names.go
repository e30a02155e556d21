package volume

import (
	"fmt"
	"strings"
	"unicode"

	"golang.org/x/text/unicode/norm"

	"remanence/disk"
)

// Names as they are listed. A byte that is not a printable character is shown as its hex code in angle brackets,
// which no kind of volume allows in a name; the second file of one name is listed as NAME<2>. So every entry of a
// damaged directory has a name of its own by which it can be had.

// joinName takes name and extension, padded with blanks, as the directory has them.
func joinName(name, ext []byte, separator string) string {
	n, e := printable(name), printable(ext)
	if e == "" {
		return n
	}
	return n + separator + e
}

// printable is text padded with blanks, without the padding.
func printable(b []byte) string {
	plain := true
	for len(b) > 0 && b[len(b)-1] == ' ' {
		b = b[:len(b)-1]
	}
	for _, c := range b {
		if c < ' ' || c > '~' {
			plain = false
		}
	}
	if plain {
		return string(b)
	}
	var s strings.Builder
	for _, c := range b {
		if c < ' ' || c > '~' {
			fmt.Fprintf(&s, "<%02X>", c)
		} else {
			s.WriteByte(c)
		}
	}
	return s.String()
}

// nameList numbers names that come more than once.
type nameList struct{ seen map[string]int }

func (l *nameList) add(name string) string {
	if l.seen == nil {
		l.seen = make(map[string]int)
	}
	l.seen[name]++
	if n := l.seen[name]; n > 1 {
		return fmt.Sprintf("%s<%d>", name, n)
	}
	return name
}

// badSectors reports the sectors of a stretch of the image that are known to be damaged.
func badSectors(im *disk.Image, where string, offset, length int64) []Fault {
	var faults []Fault
	for at := offset; at < offset+length; {
		c, h, n, ok := im.Geometry.Locate(at)
		if !ok {
			break
		}
		p := disk.Place{Cylinder: c, Head: h, Sector: n}
		s, _ := im.Sector(p)
		if s.Status == disk.Bad || s.Status == disk.Doubtful {
			why := s.Why
			if why == "" {
				why = "no reason given"
			}
			faults = append(faults, Fault{where, fmt.Sprintf("%s is %s: %s", p, s.Status, why)})
		}
		start, _ := im.Geometry.Offset(c, h, n)
		at = start + int64(im.Geometry.Shape(c, h).Size)
	}
	return faults
}

// nameRules are what the short names of a kind allow.
type nameRules struct {
	separator   string
	name, ext   int             // most characters
	allowed     func(byte) bool // after capitals
	letterFirst bool
}

// split takes the last dot (or slash, colon) as the border of the extension.
func (r *nameRules) split(archive string) (string, string) {
	if i := strings.LastIndexAny(archive, "\\"); i >= 0 {
		archive = archive[i+1:]
	}
	i := strings.LastIndexAny(archive, "./")
	if i < 0 {
		return archive, ""
	}
	if archive[i] == '/' && len(archive)-i-1 > r.ext { // a folder, not an extension
		return archive[i+1:], ""
	}
	return archive[:i], archive[i+1:]
}

// plainLetters stands for letters that no accent makes: they have no decomposition in Unicode.
var plainLetters = strings.NewReplacer("ß", "SS", "ẞ", "SS", "æ", "AE", "Æ", "AE", "œ", "OE", "Œ", "OE", "ø", "O", "Ø", "O", "đ", "D", "Đ", "D", "ð", "D", "Ð", "D", "ł", "L", "Ł", "L", "þ", "TH", "Þ", "TH", "ı", "I")

// unaccented takes the accents off letters: what Unicode decomposes (UAX #15, form NFD) loses its marks.
func unaccented(s string) string {
	return strings.Map(func(c rune) rune {
		if unicode.Is(unicode.Mn, c) {
			return -1
		}
		return c
	}, norm.NFD.String(plainLetters.Replace(s)))
}

func (r *nameRules) clean(s string) (out string, dropped bool) {
	var b strings.Builder
	for _, c := range s {
		c = unicode.ToUpper(c)
		if c < 128 && r.allowed(byte(c)) {
			b.WriteByte(byte(c))
		} else {
			dropped = true
		}
	}
	return b.String(), dropped
}

// nameFor makes the name of an archived file fit the rules.
func (r *nameRules) nameFor(archive string, taken func(string) bool) (string, string) {
	n, e := r.split(archive)
	if i := strings.LastIndexByte(n, '/'); i >= 0 {
		n = n[i+1:]
	}
	var whys []string
	if a, b := unaccented(n), unaccented(e); a != n || b != e {
		n, e = a, b
		whys = append(whys, "letters are written without their accents")
	}
	n, d1 := r.clean(n)
	e, d2 := r.clean(e)
	if d1 || d2 {
		whys = append(whys, "characters that the volume does not allow were left out")
	}
	if n == "" {
		n = "FILE"
		whys = append(whys, "nothing of the name was left")
	} else if r.letterFirst && (n[0] < 'A' || n[0] > 'Z') {
		n = "F" + n
		whys = append(whys, "a name starts with a letter here")
	}
	if len(n) > r.name || len(e) > r.ext {
		n, e = n[:min(len(n), r.name)], e[:min(len(e), r.ext)]
		whys = append(whys, fmt.Sprintf("shortened to %d and %d characters", r.name, r.ext))
	}
	join := func(n string) string {
		if e == "" {
			return n
		}
		return n + r.separator + e
	}
	name := join(n)
	if taken(name) {
		for i := 2; ; i++ {
			d := fmt.Sprint(i)
			if len(d) >= r.name {
				break
			}
			name = join(n[:min(len(n), r.name-len(d))] + d)
			if !taken(name) {
				whys = append(whys, "numbered, because the name is there already")
				break
			}
		}
	}
	return name, strings.Join(whys, "; ")
}

func alphanumeric(c byte) bool { return c >= 'A' && c <= 'Z' || c >= '0' && c <= '9' }

// checkName is what is wrong with a name of this form; "" if nothing.
func (r *nameRules) checkName(name string) string {
	n, e, ext := strings.Cut(name, r.separator)
	switch {
	case len(n) < 1 || len(n) > r.name:
		return fmt.Sprintf("want 1 to %d characters", r.name)
	case ext && (len(e) < 1 || len(e) > r.ext):
		return fmt.Sprintf("want an extension of 1 to %d characters after %q", r.ext, r.separator)
	case r.letterFirst && (n[0] < 'A' || n[0] > 'Z'):
		return "want a capital letter first"
	}
	for _, s := range []string{n, e} {
		for i := range len(s) {
			if !r.allowed(s[i]) {
				return fmt.Sprintf("%q cannot stand in a name", s[i])
			}
		}
	}
	return ""
}
