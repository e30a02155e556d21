package program

import (
	"bytes"
	"fmt"
)

// Difference is one place where two files are not alike.
type Difference struct {
	// Where is the place in the terms of the kind: an address, a line number, a byte offset.
	Where string `json:"where"`
	What  string `json:"what"`
	// Address is the first differing address of a memory program, -1 elsewhere.
	Address int `json:"address"`
	Bytes   int `json:"bytes"` // how many bytes differ there
}

// Comparison is what Compare finds.
type Comparison struct {
	Same        bool         `json:"same"`         // byte for byte
	SameProgram bool         `json:"same-program"` // the same program in another wrapping: same memory and entry, same lines
	KindA       Kind         `json:"kind-a"`
	KindB       Kind         `json:"kind-b"`
	Differences []Difference `json:"differences"`
	More        int          `json:"more"` // differences beyond those listed
}

const maxDifferences = 200

func (c *Comparison) add(address, n int, where, what string, a ...any) {
	if len(c.Differences) >= maxDifferences {
		c.More++
		return
	}
	c.Differences = append(c.Differences, Difference{where, fmt.Sprintf(what, a...), address, n})
}

// Compare says where two program files differ, in the terms of what they are: two machine-code programs of whatever
// form by memory contents and entry, two BASIC programs by lines, texts by lines, all else by bytes.
func Compare(a, b []byte) *Comparison {
	ra, rb := Inspect(a), Inspect(b)
	c := &Comparison{Same: bytes.Equal(a, b), KindA: ra.Kind, KindB: rb.Kind, Differences: []Difference{}}
	if c.Same {
		c.SameProgram = true
		return c
	}
	ma, okA := MemoryOf(ra.Kind, a)
	mb, okB := MemoryOf(rb.Kind, b)
	switch {
	case okA && okB:
		c.memories(ma, mb)
		c.SameProgram = len(c.Differences) == 0
	case isBASIC(ra.Kind) && isBASIC(rb.Kind):
		pa, _ := ParseBASIC(a)
		pb, _ := ParseBASIC(b)
		c.programs(pa, pb)
		c.SameProgram = len(c.Differences) == 0
	case ra.Kind == Text && rb.Kind == Text:
		c.texts(a, b)
		c.SameProgram = len(c.Differences) == 0
	default:
		c.bytes(a, b)
	}
	if c.SameProgram {
		if ra.Kind == rb.Kind {
			c.add(-1, 0, "wrapping", "the program is the same; the files divide it differently or differ in names, links or what follows the end")
		} else {
			c.add(-1, 0, "wrapping", "the same program, once as %s, once as %s", ra.Kind, rb.Kind)
		}
	}
	return c
}

func isBASIC(k Kind) bool { return k == BASICDisk || k == BASICTape }

// MemoryOf reads the memory of a machine-code program of any form; ok is false for other kinds.
func MemoryOf(k Kind, data []byte) (m Memory, ok bool) {
	switch k {
	case LoadModule:
		m, _ = ParseModule(data)
	case MachineTape:
		m, _ = ParseTape(data)
	case IntelHex:
		m, _ = ParseIntelHex(data)
	case SRecord:
		m, _ = ParseSRecord(data)
	default:
		return m, false
	}
	return m, true
}

func (c *Comparison) memories(a, b Memory) {
	fa, fb := a.Flat(), b.Flat()
	switch {
	case fa.Entry != nil && fb.Entry == nil:
		c.add(*fa.Entry, 0, "entry", "the first begins at %s, the second has no entry", hex(*fa.Entry))
	case fa.Entry == nil && fb.Entry != nil:
		c.add(*fb.Entry, 0, "entry", "the first has no entry, the second begins at %s", hex(*fb.Entry))
	case fa.Entry != nil && *fa.Entry != *fb.Entry:
		c.add(*fa.Entry, 0, "entry", "the first begins at %s, the second at %s", hex(*fa.Entry), hex(*fb.Entry))
	}
	// walk both lists of segments over stretches in which neither begins nor ends
	at, i, j := 0, 0, 0
	for i < len(fa.Segments) || j < len(fb.Segments) {
		var sa, sb []byte
		next := int(^uint(0) >> 1)
		view := func(segs []Segment, i int) []byte {
			if i >= len(segs) {
				return nil
			}
			s := segs[i]
			if at < s.Address {
				next = min(next, s.Address)
				return nil
			}
			next = min(next, s.End())
			return s.Data[at-s.Address:]
		}
		sa, sb = view(fa.Segments, i), view(fb.Segments, j)
		n := next - at
		switch {
		case sa != nil && sb != nil:
			c.runs(at, sa[:n], sb[:n])
		case sa != nil:
			c.add(at, n, hex(at), "%d bytes, to %s, are in the first only", n, hex(at+n-1))
		case sb != nil:
			c.add(at, n, hex(at), "%d bytes, to %s, are in the second only", n, hex(at+n-1))
		}
		at = next
		if i < len(fa.Segments) && at >= fa.Segments[i].End() {
			i++
		}
		if j < len(fb.Segments) && at >= fb.Segments[j].End() {
			j++
		}
	}
}

// runs lists stretches of differing bytes; equal ones of up to three between them do not part a stretch.
func (c *Comparison) runs(address int, a, b []byte) {
	eachRun(a, b, func(i, n int) {
		c.add(address+i, n, hex(address+i), "%d %s: %s in the first, %s in the second", n, plural(n, "byte differs", "bytes differ"), shown(a[i:i+n]), shown(b[i:i+n]))
	})
}

func eachRun(a, b []byte, f func(i, n int)) {
	const join = 4
	for i := 0; i < len(a); i++ {
		if a[i] == b[i] {
			continue
		}
		last := i
		for k := i + 1; k < len(a) && k-last <= join; k++ {
			if a[k] != b[k] {
				last = k
			}
		}
		f(i, last+1-i)
		i = last
	}
}

func shown(b []byte) string {
	if len(b) > 8 {
		return fmt.Sprintf("% X ...", b[:8])
	}
	return fmt.Sprintf("% X", b)
}

// programs compares BASIC programs by line number. Both are walked in order; numbers that do not rise are compared as
// they come.
func (c *Comparison) programs(a, b *BASIC) {
	if a == nil || b == nil {
		return
	}
	if a.Name != b.Name && a.Name != "" && b.Name != "" {
		c.add(-1, 0, "name", "%q and %q", a.Name, b.Name)
	}
	i, j := 0, 0
	for i < len(a.Lines) || j < len(b.Lines) {
		switch {
		case j == len(b.Lines) || i < len(a.Lines) && a.Lines[i].Number < b.Lines[j].Number:
			c.add(-1, len(a.Lines[i].Text), fmt.Sprintf("line %d", a.Lines[i].Number), "in the first only")
			i++
		case i == len(a.Lines) || a.Lines[i].Number > b.Lines[j].Number:
			c.add(-1, len(b.Lines[j].Text), fmt.Sprintf("line %d", b.Lines[j].Number), "in the second only")
			j++
		default:
			if x, y := a.Lines[i].Text, b.Lines[j].Text; !bytes.Equal(x, y) {
				at := common(x, y)
				c.add(-1, max(len(x), len(y))-at, fmt.Sprintf("line %d", a.Lines[i].Number), "differs from byte %d on: %s in the first, %s in the second",
					at, shown(x[at:]), shown(y[at:]))
			}
			i, j = i+1, j+1
		}
	}
}

// common is the length of the common beginning.
func common(a, b []byte) int {
	n := 0
	for n < len(a) && n < len(b) && a[n] == b[n] {
		n++
	}
	return n
}

// texts compares lines one by one, whatever ends them. Lines that were put in or taken out shift the rest, so the
// common end is set aside first.
func (c *Comparison) texts(a, b []byte) {
	la, lb := splitLines(a), splitLines(b)
	head := 0
	for head < len(la) && head < len(lb) && bytes.Equal(la[head], lb[head]) {
		head++
	}
	tail := 0
	for tail < len(la)-head && tail < len(lb)-head && bytes.Equal(la[len(la)-1-tail], lb[len(lb)-1-tail]) {
		tail++
	}
	na, nb := len(la)-head-tail, len(lb)-head-tail
	for i := range max(na, nb) {
		where := fmt.Sprintf("line %d", head+i+1)
		switch {
		case i >= na:
			c.add(-1, len(lb[head+i]), where, "in the second only: %s", clip(lb[head+i]))
		case i >= nb:
			c.add(-1, len(la[head+i]), where, "in the first only: %s", clip(la[head+i]))
		case !bytes.Equal(la[head+i], lb[head+i]):
			at := common(la[head+i], lb[head+i])
			c.add(-1, max(len(la[head+i]), len(lb[head+i]))-at, where, "from character %d on: %s in the first, %s in the second",
				at+1, clip(la[head+i][at:]), clip(lb[head+i][at:]))
		}
	}
}

// splitLines cuts at CR, LF and CR LF; a line end at the very end begins no line.
func splitLines(b []byte) [][]byte {
	var out [][]byte
	start := 0
	for i := 0; i < len(b); i++ {
		if b[i] != '\r' && b[i] != '\n' {
			continue
		}
		out = append(out, b[start:i])
		if b[i] == '\r' && i+1 < len(b) && b[i+1] == '\n' {
			i++
		}
		start = i + 1
	}
	if start < len(b) {
		out = append(out, b[start:])
	}
	return out
}

func clip(b []byte) string {
	if len(b) > 40 {
		return fmt.Sprintf("%q...", b[:40])
	}
	return fmt.Sprintf("%q", b)
}

// bytes compares files of which nothing more is known.
func (c *Comparison) bytes(a, b []byte) {
	n := min(len(a), len(b))
	eachRun(a[:n], b[:n], func(i, k int) {
		c.add(-1, k, fmt.Sprintf("offset %d", i), "%d %s: %s in the first, %s in the second", k, plural(k, "byte differs", "bytes differ"), shown(a[i:i+k]), shown(b[i:i+k]))
	})
	if len(a) != len(b) {
		long, which := a, "first"
		if len(b) > len(a) {
			long, which = b, "second"
		}
		c.add(-1, len(long)-n, fmt.Sprintf("offset %d", n), "%d bytes more in the %s", len(long)-n, which)
	}
}
