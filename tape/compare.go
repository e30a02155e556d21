package tape

import (
	"fmt"
	"math"
	"slices"
	"strings"

	"remanence/picture"
)

// Comparison lays the copies of a program, from several recordings or from one, beside what was made of them, byte by
// byte.
type Comparison struct {
	Name   string
	Kind   string
	Bytes  int
	Whole  bool
	How    string // where the result comes from, in words
	Copies []CompareCopy
	// Differ are the stretches in which the copies are not all of one mind, at most maxDiffer; More is how many there are
	// beside them.
	Differ []Difference
	More   int

	value  []byte
	fields []byteField
	state  []byte // picture.State of each byte of the result
	margin []byte // 0..100
	from   []byte // who has it so: a set of copies, bit 0 the first; 0: none, only the sum says so
}

// CompareCopy is one copy of a program.
type CompareCopy struct {
	Recording int // among those that were merged
	Program   int // among the programs of that recording
	Taken     bool
	Same      int // bytes as in the result
	Other     int // bytes that are not
	Missing   int // bytes that were not heard

	pairs  []stretch
	state  []byte // of each byte of the result: as it, other, missing
	margin []byte
	heard  []byte // values, by byte of the result
}

const (
	copySame = iota
	copyOther
	copyMissing
)

// Difference is a stretch of bytes on which copies disagree.
type Difference struct {
	From, To int    // of the result
	What     string // field and block
	Value    string // in hex
	Copies   []DifferenceCopy
}

// DifferenceCopy is what one copy has there.
type DifferenceCopy struct {
	Value string // in hex; "" where nothing was heard
	Same  bool
	Byte  int // of the copy's program; -1: none
}

const (
	maxDiffer  = 60
	joinDiffer = 8 // bytes that agree between two disagreements are shown with them
	maxCopies  = 8 // drawn
)

// Compare tells, for each program of merged, what the copies in results say of it. merged is results[0] itself, or was
// made by MergeResults of them.
func Compare(merged *Result, results []*Result) []*Comparison {
	type place struct{ recording, program int }
	where := map[*Program]place{}
	for i, r := range results {
		for k, p := range r.Programs {
			where[p] = place{i, k}
		}
	}
	var out []*Comparison
	for _, p := range merged.Programs {
		group := p.group
		if len(group) == 0 {
			if len(results) == 1 {
				continue // one recording, one copy: nothing to compare
			}
			group = []*Program{p}
		}
		c := &Comparison{Name: p.Name, Kind: p.Kind, Bytes: len(p.Data), Whole: p.Whole, value: p.Data, fields: p.fieldsOf()}
		c.from = make([]byte, len(p.Data))
		for _, m := range group[:min(len(group), maxCopies)] {
			at, ok := where[m]
			if !ok {
				continue
			}
			c.add(p, m, at.recording, at.program)
		}
		if len(c.Copies) == 0 || len(p.soft) < len(p.Data) {
			continue
		}
		c.result(p)
		c.differ()
		c.words(p)
		out = append(out, c)
	}
	return out
}

func (c *Comparison) add(p, m *Program, recording, program int) {
	x := CompareCopy{Recording: recording, Program: program, Taken: m == p, pairs: alignBytes(p.soft, m.soft)}
	x.state, x.margin, x.heard = make([]byte, len(p.Data)), make([]byte, len(p.Data)), make([]byte, len(p.Data))
	for i := range x.state {
		x.state[i] = copyMissing
	}
	bit := byte(1) << len(c.Copies)
	for _, q := range x.pairs {
		for k := range q.n {
			i, j := q.a+k, q.b+k
			if i >= len(p.Data) || j >= len(m.soft) {
				continue
			}
			_, odds := m.soft[j].Doubt(8)
			x.margin[i] = byte(100 * margin(float64(odds)))
			x.heard[i] = m.soft[j].Value
			x.state[i] = copyOther
			if m.soft[j].Value == p.Data[i] {
				x.state[i] = copySame
				c.from[i] |= bit
			}
		}
	}
	for _, s := range x.state {
		switch s {
		case copySame:
			x.Same++
		case copyOther:
			x.Other++
		default:
			x.Missing++
		}
	}
	c.Copies = append(c.Copies, x)
}

// result is the state of each byte of the program as it came out.
func (c *Comparison) result(p *Program) {
	c.state, c.margin = make([]byte, len(p.Data)), make([]byte, len(p.Data))
	for i := range p.Data {
		_, odds := p.soft[i].Doubt(8)
		c.margin[i] = byte(100 * margin(float64(odds)))
		if p.soft[i].Value != p.Data[i] {
			c.state[i] = byte(picture.Repaired)
		}
	}
	for _, x := range p.parts(0) {
		if x.State == picture.Lost || x.State == picture.Doubtful {
			for i := x.from; i < min(x.to, len(c.state)); i++ {
				c.state[i] = byte(x.State)
			}
		}
	}
}

func (c *Comparison) agree(i int) bool {
	for k := range c.Copies {
		if c.Copies[k].state[i] != copySame {
			return false
		}
	}
	return true
}

func (c *Comparison) differ() {
	for i := 0; i < len(c.value); i++ {
		if c.agree(i) {
			continue
		}
		last := i
		for j := i + 1; j < len(c.value) && j-last <= joinDiffer; j++ {
			if !c.agree(j) {
				last = j
			}
		}
		if len(c.Differ) < maxDiffer {
			c.Differ = append(c.Differ, c.difference(i, last+1))
		} else {
			c.More++
		}
		i = last
	}
}

func (c *Comparison) difference(from, to int) Difference {
	d := Difference{From: from, To: to, Value: hexOf(c.value[from:to])}
	f := c.fields[from]
	d.What = f.field.String()
	if f.block > 0 {
		what := "line"
		if c.Kind == MachineTape {
			what = "block"
		}
		d.What = strings.TrimPrefix(fmt.Sprintf("%s, %s %d", d.What, what, f.block), ", ")
	}
	for k := range c.Copies {
		x := &c.Copies[k]
		dc := DifferenceCopy{Byte: -1, Same: true}
		for i := from; i < to; i++ {
			dc.Same = dc.Same && x.state[i] == copySame
		}
		if !slices.Contains(x.state[from:to], copySame) && !slices.Contains(x.state[from:to], copyOther) {
			dc.Value = ""
		} else {
			dc.Value = hexOf(x.heard[from:to])
		}
		for _, q := range x.pairs {
			if from < q.a+q.n {
				dc.Byte = max(q.b, q.b+from-q.a)
				break
			}
		}
		d.Copies = append(d.Copies, dc)
	}
	return d
}

// hexOf is at most eight bytes in hex.
func hexOf(b []byte) string {
	if len(b) > 8 {
		return fmt.Sprintf("% X ...", b[:8])
	}
	return fmt.Sprintf("% X", b)
}

func (c *Comparison) words(p *Program) {
	switch {
	case p.where != "":
		c.How = fmt.Sprintf("added up bit by bit from %s", count(max(len(p.group), len(c.Copies)), "copy"))
	case len(c.Copies) == 1:
		c.How = "heard on one recording alone"
	default:
		for k := range c.Copies {
			if c.Copies[k].Taken {
				c.How = fmt.Sprintf("taken whole from copy %d", k+1)
				if !p.Whole {
					c.How = fmt.Sprintf("taken from copy %d, the best of them; adding them up made nothing better", k+1)
				}
			}
		}
	}
}

// Draw lays the copies, the result, and whose bytes they are below each other. names are the recordings.
func (c *Comparison) Draw(names []string, width int) *picture.Canvas {
	w := float64(min(max(width, 280), 1600))
	if width == 0 {
		w = 960
	}
	s := picture.Stack{Title: "Before and after: " + c.Name, Desc: fmt.Sprintf("%d bytes, %s", c.Bytes, c.How), Width: w, Height: 18, Gap: 6, NameEvery: 1, Legend: true,
		Axis: picture.Axis{To: float64(max(c.Bytes, 1)), Unit: "byte"}}
	for k := range c.Copies {
		x := &c.Copies[k]
		name := fmt.Sprintf("copy %d", k+1)
		if x.Recording < len(names) && w >= 640 {
			name += ": " + picture.ShortenMiddle(names[x.Recording], 130, 11, picture.Sans)
		}
		s.Ribbons = append(s.Ribbons, picture.Ribbon{Name: name, Stretches: columnsOf(len(x.state), w, func(i int) (picture.State, byte) {
			return []picture.State{picture.Good, picture.Doubtful, picture.Lost}[x.state[i]], x.margin[i]
		}, name)})
	}
	s.Ribbons = append(s.Ribbons, picture.Ribbon{Name: "result", Stretches: columnsOf(len(c.state), w, func(i int) (picture.State, byte) {
		return picture.State(c.state[i]), c.margin[i]
	}, "result")})
	s.Ribbons = append(s.Ribbons, picture.Ribbon{Name: "taken from", Stretches: c.sources(w)})
	d := s.Draw()
	d.Background = picture.None
	return d
}

// columnsOf joins bytes into columns of at least 2 px and neighbours that look alike into stretches.
func columnsOf(n int, w float64, at func(i int) (picture.State, byte), name string) []picture.Stretch {
	step := max(1, int(math.Ceil(2*float64(n)/w)))
	var out []picture.Stretch
	for i := 0; i < n; i += step {
		st, least := at(i)
		for k := i + 1; k < min(i+step, n); k++ {
			s, m := at(k)
			st, least = max(st, s), min(least, m)
		}
		t := picture.Stretch{From: float64(i), To: float64(min(i+step, n)), State: st, Margin: math.Floor(float64(least)*6.99/100) / 7}
		if k := len(out); k > 0 && out[k-1].State == t.State && (out[k-1].Margin == t.Margin || st == picture.Lost) {
			out[k-1].To = t.To
			continue
		}
		out = append(out, t)
	}
	for i := range out {
		out[i].Title = fmt.Sprintf("%s, bytes %.0f to %.0f", name, out[i].From, out[i].To-1)
	}
	return out
}

// sources are the stretches by the copies that have the bytes so.
func (c *Comparison) sources(w float64) []picture.Stretch {
	all := byte(1<<len(c.Copies) - 1)
	n := len(c.from)
	step := max(1, int(math.Ceil(2*float64(n)/w)))
	taken := -1
	for k := range c.Copies {
		if c.Copies[k].Taken {
			taken = k
		}
	}
	if taken >= 0 {
		return []picture.Stretch{{To: float64(n), Margin: -1, Label: fmt.Sprintf("copy %d", taken+1), Title: fmt.Sprintf("all of it from copy %d", taken+1)}}
	}
	var out []picture.Stretch
	for i := 0; i < n; i += step {
		set := all
		for k := i; k < min(i+step, n); k++ {
			set &= c.from[k]
		}
		t := picture.Stretch{From: float64(i), To: float64(min(i+step, n)), Margin: -1, Label: c.whose(set)}
		if k := len(out); k > 0 && out[k-1].Label == t.Label {
			out[k-1].To = t.To
			continue
		}
		out = append(out, t)
	}
	least := 3 * float64(n) / w
	for i := range out {
		out[i].Title = fmt.Sprintf("bytes %.0f to %.0f: %s", out[i].From, out[i].To-1, out[i].Label)
		if out[i].Label == allAgree { // the bare lane
			out[i].State = picture.Free
			continue
		}
		x := part{Stretch: out[i]}
		x.widen(least)
		out[i] = x.Stretch
	}
	return out
}

const allAgree = "all agree"

func (c *Comparison) whose(set byte) string {
	if set == byte(1<<len(c.Copies)-1) {
		return allAgree
	}
	var n []string
	for k := range c.Copies {
		if set>>k&1 == 1 {
			n = append(n, fmt.Sprint(k+1))
		}
	}
	switch len(n) {
	case 0:
		return "the sum alone"
	case 1:
		return "copy " + n[0]
	}
	return "copies " + join(n)
}

// Slim lets go of what pictures and merging needed: decisions, runs. Bytes and words stay.
func (r *Result) Slim() {
	r.runs, r.mixes, r.refused, r.RawSoft = nil, nil, nil, nil
	if r.Diagnosis != nil {
		r.Diagnosis.Timeline = nil
	}
	for _, p := range r.Programs {
		p.soft, p.spans, p.group, p.tried = nil, nil, nil, nil
	}
}
