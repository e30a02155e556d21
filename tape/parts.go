package tape

import (
	"bytes"
	"fmt"
	"math"

	"remanence/picture"
	"remanence/tape/linecode"
)

// part is a stretch of a program on the tape: a block, a page of bytes, or, laid over those, what went wrong in them.
type part struct {
	picture.Stretch
	from, to int  // bytes of the program
	over     bool // lies over the parts before it
}

// widen makes a stretch at least least seconds long, around its middle, so that it is seen.
func (x *part) widen(least float64) {
	if short := least - (x.To - x.From); short > 0 {
		x.From, x.To = x.From-short/2, x.To+short/2
	}
}

// asOne is a whole program as one stretch.
func (p *Program) asOne() picture.Stretch {
	st := picture.Stretch{From: p.FromS, To: p.ToS, Margin: margin(p.Doubt), Label: p.Name, Title: fmt.Sprintf("%s %s, %d bytes", p.Kind, p.Name, p.Bytes)}
	switch p.State() {
	case Doubtful:
		st.State = picture.Doubtful
	case LostInPart:
		st.State = picture.Lost
	case Repaired:
		st.State = picture.Repaired
	}
	return st
}

// at is where byte i of the program begins, in seconds of the recording; past the last byte it is where that one ends.
func (p *Program) at(i int) float64 {
	n := 0
	for _, s := range p.spans {
		switch {
		case len(p.soft) > 0 && i >= len(p.soft) && n+s.n >= len(p.soft):
			b := &p.soft[len(p.soft)-1]
			return s.seconds(b.At + float64(b.Length))
		case i < n+s.n && i < len(p.soft):
			return s.seconds(p.soft[i].At)
		}
		n += s.n
	}
	return p.FromS + (p.ToS-p.FromS)*float64(i)/float64(max(len(p.Data), 1))
}

// least is the smallest odds (ln) of a bit in bytes from to to, and the byte it stands in.
func (p *Program) least(from, to int) (odds float64, at int) {
	odds, at = math.Inf(1), from
	for i := from; i < to && i < len(p.soft); i++ {
		if _, v := p.soft[i].Doubt(8); float64(v) < odds {
			odds, at = float64(v), i
		}
	}
	return odds, at
}

// parse walks the bytes of the program again.
func (p *Program) parse() *parsed {
	if p.Kind == MachineTape && len(p.Data) > 0 && p.Data[0] == blockMark {
		if q := parseHeadless(p.Data); q != nil && q.from == 0 {
			return q
		}
	}
	return parseAny(p.Kind, p.Data)
}

// parts cuts a program into its blocks, where it has any, else into pages of so many bytes (0: one page), and lays over
// them what is lost or doubtful: what is drawn as damaged is what is damaged.
func (p *Program) parts(page int) []part {
	if len(p.soft) == 0 || len(p.Data) == 0 {
		return []part{{Stretch: p.asOne(), to: len(p.Data)}}
	}
	q := p.parse()
	if p.Kind == MachineTape && len(q.blocks) > 0 {
		return p.blockParts(q)
	}
	var out []part
	if page == 0 {
		page = len(p.Data)
	}
	bad := p.badBytes(q)
	for from := 0; from < len(p.Data); from += page {
		to := min(from+page, len(p.Data))
		x := part{from: from, to: to}
		x.Stretch = picture.Stretch{From: p.at(from), To: p.at(to), Margin: margin(p.leastBut(from, to, bad)), Label: p.Name, Title: fmt.Sprintf("%s %s, %d bytes", p.Kind, p.Name, p.Bytes)}
		if page < len(p.Data) {
			x.Label = fmt.Sprint(from)
			x.Title = fmt.Sprintf("%s %s, bytes %d to %d", p.Kind, p.Name, from, to-1)
		}
		out = append(out, x)
	}
	return append(out, bad...)
}

// blockParts are name, blocks and entry of a machine-code tape. A lost block is lost as a whole: its sum tells no more.
func (p *Program) blockParts(q *parsed) []part {
	var out []part
	add := func(from, to int, label, title string, st picture.State) {
		if to <= from {
			return
		}
		odds, _ := p.least(from, to)
		out = append(out, part{from: from, to: to, Stretch: picture.Stretch{From: p.at(from), To: p.at(to), Margin: margin(odds), Label: label, Title: title, State: st}})
	}
	add(0, q.blocks[0].from, p.Name, "name of "+p.Name, picture.Good)
	for _, b := range q.blocks {
		st := picture.Good
		if !b.good {
			st = picture.Lost
		} else if p.repaired(b.from, b.to) {
			st = picture.Repaired
		}
		add(b.from, b.to, fmt.Sprint(b.n), fmt.Sprintf("%s, block %d", p.Name, b.n), st)
	}
	if last := q.blocks[len(q.blocks)-1]; q.done {
		add(last.to, q.end, "", "entry of "+p.Name, picture.Good)
	}
	return out
}

// repaired says whether any byte from from to to is stored other than it was heard.
func (p *Program) repaired(from, to int) bool {
	for i := from; i < to && i < len(p.soft) && i < len(p.Data); i++ {
		if p.soft[i].Value != p.Data[i] {
			return true
		}
	}
	return false
}

// maxBad bounds what is laid over one program.
const maxBad = 500

// badBytes are the places of a program without blocks at which its form is broken (lost), or bits may be wrong that
// nothing checks (doubtful).
func (p *Program) badBytes(q *parsed) []part {
	var out []part
	add := func(from, to int, st picture.State, title string) {
		odds, _ := p.least(from, to)
		out = append(out, part{from: from, to: to, over: true, Stretch: picture.Stretch{From: p.at(from), To: p.at(to), Margin: margin(odds), State: st, Title: title}})
	}
	for _, f := range q.faults {
		if len(out) == maxBad {
			return out
		}
		from := min(f.at, len(p.Data)-1)
		to := from + 1
		if n := bytes.IndexAny(p.Data[from:], "\x00\r\n"); n > 0 { // the line it stands in
			to = from + n
		}
		add(from, to, picture.Lost, f.what)
	}
	if p.Checked == "checksums" { // a doubtful bit under a right sum is right
		return out
	}
	for i := 0; i < len(p.soft) && len(out) < maxBad; i++ {
		if !doubtfulByte(&p.soft[i]) {
			continue
		}
		j := i
		for k := i + 1; k < len(p.soft) && k-j <= 2; k++ {
			if doubtfulByte(&p.soft[k]) {
				j = k
			}
		}
		what := fmt.Sprintf("byte %d is doubtful", i)
		if j > i {
			what = fmt.Sprintf("bytes %d to %d are doubtful", i, j)
		}
		add(i, j+1, picture.Doubtful, what)
		i = j
	}
	if len(out) == 0 && !p.Whole { // the recording ends while it sounds
		add(len(p.Data)-1, len(p.Data), picture.Doubtful, "the end of "+p.Name+" is not certain")
	}
	return out
}

func doubtfulByte(b *linecode.Byte) bool {
	_, odds := b.Doubt(8)
	return odds < certain
}

// leastBut is least without the bytes in bad.
func (p *Program) leastBut(from, to int, bad []part) float64 {
	odds := math.Inf(1)
	for i := from; i < to; {
		next := to
		in := false
		for _, x := range bad {
			if i >= x.from && i < x.to {
				in, i = true, x.to
				break
			}
			if x.from > i {
				next = min(next, x.from)
			}
		}
		if in {
			continue
		}
		v, _ := p.least(i, next)
		odds = math.Min(odds, v)
		i = next
	}
	if math.IsInf(odds, 1) { // nothing else
		odds, _ = p.least(from, to)
	}
	return odds
}
