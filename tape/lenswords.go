package tape

import (
	"fmt"
	"math"
	"strings"

	"remanence/picture"
)

// FieldWords says what a byte is, "" where that is not known.
func (l *Look) FieldWords(b *LookByte) string {
	s := b.Field.String()
	if b.Field == FieldNone {
		return ""
	}
	if b.Block > 0 {
		what := "block"
		if i := l.h.Pieces[b.piece].Program; i >= 0 && l.h.Result.Programs[i].Kind != MachineTape {
			what = "line"
		}
		s += fmt.Sprintf(", %s %d", what, b.Block)
	}
	if b.Address >= 0 {
		s += fmt.Sprintf(", at %04Xh", b.Address)
	}
	return s
}

// ByteWords names a byte: program, number, value, field, odds.
func (l *Look) byteWords(b *LookByte) string {
	s := fmt.Sprintf("%s, byte %d: %02Xh", l.programOf(b), b.Index, b.Value)
	if b.Heard != b.Value {
		s += fmt.Sprintf(" (heard as %02Xh, repaired)", b.Heard)
	}
	if f := l.FieldWords(b); f != "" {
		s += ", " + f
	}
	return s + fmt.Sprintf(", least certain bit %s", OddsWords(b.Least(l.codeOf(b).Framing.Bits)))
}

// OddsWords puts odds (ln) as people say them: "20 to 1".
func OddsWords(ln float64) string {
	ln = math.Abs(ln)
	switch {
	case ln < 0.7:
		return "as good as even"
	case ln < math.Log(1000):
		return fmt.Sprintf("%.0f to 1", math.Exp(ln))
	case ln < math.Log(1e6):
		return fmt.Sprintf("%.0f thousand to 1", math.Exp(ln)/1e3)
	case ln < math.Log(1e9):
		return fmt.Sprintf("%.0f million to 1", math.Exp(ln)/1e6)
	}
	return "over a thousand million to 1"
}

// clockS puts seconds as h:mm:ss or m:ss.
func clockS(s float64) string {
	n := int(math.Round(s))
	if n < 3600 {
		return fmt.Sprintf("%d:%02d", n/60, n%60)
	}
	return fmt.Sprintf("%d:%02d:%02d", n/3600, n/60%60, n%60)
}

// SpanWords puts a length of time in the unit a person would choose.
func SpanWords(s float64) string {
	switch {
	case s >= 120:
		return clockS(s)
	case s >= 1:
		return fmt.Sprintf("%.3g s", s)
	case s >= 1e-3:
		return fmt.Sprintf("%.3g ms", s*1e3)
	}
	return fmt.Sprintf("%.3g us", s*1e6)
}

func stretchWords(from, to float64) string {
	if to-from >= 120 {
		return clockS(from) + " to " + clockS(to)
	}
	digits := max(1, min(6, int(math.Ceil(1-math.Log10(to-from)))+1))
	return fmt.Sprintf("%.*f to %.*f s", digits, from, digits, to)
}

// says is what the lens shows, in a sentence.
func (d *drawer) says(b []LookByte, near bool, bits []lensBit) string {
	s := fmt.Sprintf("%s, %s long", stretchWords(d.from, d.to), SpanWords(d.to-d.from))
	var in []lensBit
	for _, x := range bits {
		if seen := math.Min(x.to, d.to) - math.Max(x.from, d.from); seen > 0.02*(x.to-x.from) && x.kind == "" {
			in = append(in, x)
		}
	}
	switch {
	case len(in) > 0 && len(in) <= 2:
		for _, x := range in {
			s += fmt.Sprintf("; bit %d = %d, %s, of %s", x.bit, x.value, OddsWords(x.odds), d.l.byteWords(x.b))
		}
	case near && len(b) > 0:
		bad, fixed := 0, 0
		for i := range b {
			switch d.l.stateOf(&b[i]) {
			case picture.Doubtful:
				bad++
			case picture.Repaired:
				fixed++
			}
		}
		first, last := &b[0], &b[len(b)-1]
		if first.piece == last.piece || d.l.programOf(first) == d.l.programOf(last) {
			s += fmt.Sprintf("; %s, bytes %d to %d", d.l.programOf(first), first.Index, last.Index)
		} else {
			s += fmt.Sprintf("; from %s, byte %d, to %s, byte %d", d.l.programOf(first), first.Index, d.l.programOf(last), last.Index)
		}
		if fixed > 0 {
			s += fmt.Sprintf("; %d repaired", fixed)
		}
		if bad > 0 {
			s += fmt.Sprintf("; %d doubtful", bad)
		}
	default:
		n := 0
		var names []string
		for i, p := range d.l.h.Result.Programs {
			if p.FromS < d.to && p.ToS > d.from && !d.l.sums[i] {
				if n++; n <= 3 && p.Name != "" {
					names = append(names, p.Name)
				}
			}
		}
		leader := false
		for _, r := range d.l.h.Runs {
			leader = leader || r.LeaderS < d.to && r.FromS > d.from
		}
		switch {
		case n == 0 && leader:
			s += "; leader"
		case n == 0:
			s += "; no bytes here"
		case n <= 3 && len(names) == n:
			s += "; " + strings.Join(names, ", ")
		default:
			s += "; " + count(n, "program")
		}
	}
	faults := 0
	for _, m := range d.l.h.Marks {
		if m.AtS >= d.from && m.AtS <= d.to {
			faults++
		}
	}
	if faults > 0 {
		s += "; " + count(faults, "fault") + " here"
	}
	return s
}
