package tape

import (
	"bytes"
	"fmt"
	"math"
	"slices"
	"strings"

	"remanence/tape/linecode"
)

// States of a block, and of a program, as they are heard.
const (
	Hearing    = "hearing" // its end is still to come
	Good       = "good"
	Repaired   = "repaired"
	Doubtful   = "doubtful"
	Lost       = "lost"
	LostInPart = "lost in part" // of a program
)

// HeardBlock is one block of a program: what has a checksum of its own or, where nothing has one, a stretch of 256 bytes.
type HeardBlock struct {
	Number    int     `json:"number"` // in its program, from 1
	What      string  `json:"what"`
	FromS     float64 `json:"from-s"`
	ToS       float64 `json:"to-s"` // of the last byte heard
	Bytes     int     `json:"bytes"`
	Of        int     `json:"of"` // bytes it will have; 0: not known
	State     string  `json:"state"`
	Why       string  `json:"why,omitempty"`
	Certainty float64 `json:"certainty"` // share of its bits that are certain
	Settled   bool    `json:"settled"`   // more sound will not change it

	from, to int // bytes of its program
	rev      int // when it last changed
}

// HeardProgram is one program with its blocks.
type HeardProgram struct {
	Number  int          `json:"number"` // on the recording, from 1
	Code    string       `json:"line-code"`
	Kind    string       `json:"kind"` // "": not known yet
	Name    string       `json:"name"`
	LeaderS float64      `json:"leader-s"` // from where it must be played to be heard again
	FromS   float64      `json:"from-s"`
	ToS     float64      `json:"to-s"`
	Bytes   int          `json:"bytes"`
	State   string       `json:"state"`
	Why     string       `json:"why,omitempty"` // what is wrong beside its blocks
	Checked string       `json:"checked-by"`
	Good    int          `json:"good"`   // blocks
	Count   int          `json:"blocks"` // in all
	Blocks  []HeardBlock `json:"changed"`
	Fresh   bool         `json:"fresh"` // nothing told of it before holds

	rev   int
	parts []*HeardProgram // of a text: its lines, each heard as a program of its own
}

// hearer turns the bytes after one sync into a program.
type hearer struct {
	l      *Live
	code   *linecode.Code
	soft   []linecode.Byte
	data   []byte
	ended  bool                // no byte will follow
	paused bool                // none has for a while
	was    []HeardBlock        // blocks as they were heard before
	parsed *parsed             // of a tape whose beginning is lost, where its blocks begin was looked for
	place  func(i int) float64 // where byte i begins, in seconds; nil: where soft says, of the one run there is
	stands float64
}

func (h *hearer) at(i int) float64 {
	if h.place != nil {
		return h.place(i)
	}
	if i >= len(h.soft) {
		last := &h.soft[len(h.soft)-1]
		return (last.At + float64(last.Length)) / h.l.rate
	}
	return h.soft[i].At / h.l.rate
}

func (h *hearer) settled(to int) bool {
	b := &h.soft[to-1]
	return b.At+float64(b.Length)/2 <= h.stands
}

// hear fills in p, and marks what is not as it was.
func (h *hearer) hear(p *HeardProgram, leaderS float64) {
	was, blocks := *p, p.Blocks
	p.LeaderS = leaderS
	var q *parsed
	p.Kind, q = h.kind()
	h.parsed, h.was = q, nil
	if p.Kind == was.Kind {
		h.was = blocks
	}
	h.fill(p)
	for i := range p.Blocks {
		b := &p.Blocks[i]
		b.rev = h.l.rev
		if i < len(blocks) && blocks[i].same(b) {
			b.rev = blocks[i].rev
		}
	}
	if !sameProgram(&was, p, blocks) {
		p.rev = h.l.rev
	}
}

// fill lists the blocks of a program whose kind is known.
func (h *hearer) fill(p *HeardProgram) {
	p.FromS, p.Why, p.Checked = h.at(0), "", "nothing"
	var q *parsed
	switch p.Kind {
	case MachineTape:
		q = h.machine(p)
	case IntelHex, SRecord:
		q = h.hex(p)
	default:
		q = h.stretches(p)
	}
	p.Name = q.name
	p.Bytes, p.ToS = q.end-q.from, h.at(q.end)
	p.Good, p.Count = 0, len(p.Blocks)
	lost, doubtful := 0, 0
	for i := range p.Blocks {
		switch p.Blocks[i].State {
		case Good:
			p.Good++
		case Lost:
			lost++
		case Doubtful:
			doubtful++
		}
	}
	switch {
	case !h.ended && !q.done:
		p.State = Hearing
	case (lost > 0 || p.Why != "") && p.Good > 0:
		p.State = LostInPart
	case lost > 0 || p.Why != "" || p.Count == 0:
		p.State = Lost
	case doubtful > 0:
		p.State = Doubtful
	default:
		p.State = Good
	}
}

// same says whether nothing of a block has changed.
func (b HeardBlock) same(c *HeardBlock) bool {
	b.rev = c.rev
	return b == *c
}

// sameProgram says whether nothing of a program has changed, blocks included.
func sameProgram(a, b *HeardProgram, blocks []HeardBlock) bool {
	return a.Kind == b.Kind && a.Name == b.Name && a.LeaderS == b.LeaderS && a.FromS == b.FromS && a.ToS == b.ToS && a.Bytes == b.Bytes &&
		a.State == b.State && a.Why == b.Why && a.Count == b.Count && slices.Equal(blocks, b.Blocks)
}

// kind is what the bytes are, by the rules Read has, "" while too few are there to say.
func (h *hearer) kind() (string, *parsed) {
	guess := h.data
	if !h.ended {
		guess = h.data[:min(len(h.data), guessBytes)]
		if i := bytes.LastIndexAny(guess, "\r\n"); i > 0 { // a line half heard is like nothing
			guess = guess[:i]
		}
	}
	kind := ""
	if h.code.Pulses != nil {
		kind = kindNear(guess)
		switch {
		case kind != "":
		case h.ended:
			t := &track{best: heard{Run: &linecode.Run{Code: h.code}}}
			if soft, q := t.headless(h.soft); q != nil {
				h.soft, h.data = soft, values(soft)
				return MachineTape, q
			}
		case len(guess) < 8 && (guess[0] == nameMark || guess[0] == basicMark):
			return "", nil // a name begins like this
		case len(guess) < maxTextLine && printable(guess):
			return Text, nil
		}
	} else if k := kindOf(guess); k == MachineTape && (sumsUp(guess) || !h.ended && len(guess) < 7+blockLen(guess[7:])) {
		kind = k
	}
	if kind == "" {
		kind = kindOfText(guess)
	}
	return kind, nil
}

// machine lists the blocks of a machine-code tape.
func (h *hearer) machine(p *HeardProgram) *parsed {
	p.Checked = "checksums"
	q := h.parsed
	switch {
	case q != nil:
	case h.data[0] == blockMark: // its beginning was lost
		q = (&parsed{kind: MachineTape, entry: -1}).walkBlocks(h.data, 0)
		p.Why = "the beginning of the tape is lost"
	default:
		q = parse(MachineTape, h.data)
	}
	p.Blocks = make([]HeardBlock, 0, len(q.blocks))
	for _, b := range q.blocks {
		d := h.data[b.from:b.to]
		x := HeardBlock{Number: len(p.Blocks) + 1, Bytes: max(0, len(d)-5), from: b.from, to: b.to}
		if len(d) >= 4 && d[0] == blockMark {
			x.What = fmt.Sprintf("load address %04Xh", int(d[2])|int(d[3])<<8)
			x.Of = blockLen(d) - 5
			x.Bytes = max(0, min(len(d)-4, x.Of))
		}
		whole := blockLen(d) == len(d)
		switch {
		case b.good:
		case d[0] != blockMark:
			x.Why = fmt.Sprintf("the mark of the block is lost, %02Xh stands there", d[0])
		case whole || b.to < len(h.data):
			x.Why = "checksum wrong"
		case h.ended:
			x.Why = "the recording ends inside it"
		}
		h.judge(&x, b.good, !b.good && !h.ended && !q.done && b.to == len(h.data) && !whole)
		p.Blocks = append(p.Blocks, x)
	}
	for _, f := range q.faults {
		if p.Why == "" && !slices.ContainsFunc(q.blocks, func(b blockAt) bool { return b.from == f.at }) && (h.ended || q.done || f.at < q.end && !endsEarly(f)) {
			p.Why = f.what
			break
		}
	}
	return q
}

// endsEarly says whether a fault is that bytes are missing at the end: while the tape runs, they are still to come.
func endsEarly(f blockFault) bool {
	return strings.Contains(f.what, "the recording ends")
}

// hex lists the records of a hex file. Those that stand are not looked at again.
func (h *hearer) hex(p *HeardProgram) *parsed {
	p.Checked = "checksums"
	q := &parsed{kind: p.Kind, end: len(h.data), entry: -1}
	var blocks []HeardBlock
	pos := 0
	for pos < len(h.data) {
		if i := len(blocks); i < len(p.Blocks) && h.lineStands(p.Blocks[i], pos) {
			blocks = append(blocks, p.Blocks[i])
			pos = p.Blocks[i].to + 1
			q.done = q.done || p.Blocks[i].What == endRecord
			continue
		}
		end := pos
		for end < len(h.data) && h.data[end] != '\r' && h.data[end] != '\n' {
			end++
		}
		if line := h.data[pos:end]; len(line) > 0 {
			one := &parsed{}
			one.hexLine(p.Kind, line, pos, 1)
			x := HeardBlock{Number: len(blocks) + 1, What: recordName(p.Kind, line, one.done), Bytes: len(line), from: pos, to: end}
			if len(one.faults) > 0 {
				x.Why = bareFault(one.faults[0].what)
			}
			good := len(one.faults) == 0
			h.judge(&x, good, !good && !h.ended && end == len(h.data))
			q.done = q.done || one.done
			blocks = append(blocks, x)
		}
		pos = end + 1
	}
	p.Blocks = blocks
	if h.ended && !q.done {
		p.Why = "the end record is missing"
	}
	return q
}

// lineStands says whether a line from pos on is known already: its bytes and its end will not change.
func (h *hearer) lineStands(b HeardBlock, pos int) bool {
	return b.Settled && b.State != Hearing && b.from >= pos && b.to < len(h.data) && (h.data[b.to] == '\r' || h.data[b.to] == '\n')
}

const endRecord = "end record"

// recordName says which record of a hex file a line is, by its address.
func recordName(kind string, line []byte, last bool) string {
	switch {
	case last:
		return endRecord
	case kind == IntelHex && len(line) >= 7:
		return fmt.Sprintf("record at %sh", cleanName(line[3:7]))
	case kind == SRecord && len(line) >= 8 && line[1] == '0':
		return "header record"
	case kind == SRecord && len(line) >= 8 && line[1] >= '1' && line[1] <= '3':
		n := 4 + 2*int(line[1]-'1')
		return fmt.Sprintf("record at %sh", cleanName(line[4:min(4+n, len(line))]))
	}
	return "record"
}

// bareFault takes the place off a fault that stands beside its place anyway.
func bareFault(what string) string {
	if _, after, ok := strings.Cut(what, ": "); ok {
		return after
	}
	return what
}

// stretches lists what has no blocks in stretches of 256 bytes.
func (h *hearer) stretches(p *HeardProgram) *parsed {
	q := &parsed{kind: p.Kind, end: len(h.data), entry: -1}
	switch {
	case p.Kind == BASICTape:
		q = parse(BASICTape, h.data)
		p.Checked = "line structure"
	case p.Kind == Text && h.code.Pulses != nil:
		q = parse(Text, h.data)
	}
	p.Blocks = nil
	if p.Kind == "" {
		return q
	}
	for from, to := 0, 0; from < q.end; from = to {
		to = min(from+stretchBytes, q.end)
		if i := bytes.IndexByte(h.data[from:to], textEnd); p.Kind == Text && h.code.Pulses != nil && i >= 0 {
			to = from + i + 1
		}
		x := HeardBlock{Number: len(p.Blocks) + 1, What: fmt.Sprintf("bytes %d to %d", from, to-1), Bytes: to - from, from: from, to: to}
		if p.Kind == Text {
			x.What = fmt.Sprintf("%q", cleanName(h.data[from:min(to, from+24)]))
		}
		good := true
		for _, f := range q.faults {
			if f.at >= from && f.at < to && (h.ended || q.done || !endsEarly(f)) {
				good, x.Why = false, f.what
				break
			}
		}
		h.judge(&x, good, !h.ended && !h.paused && !q.done && to == len(h.data) && to-from < stretchBytes)
		if x.State == Good && p.Kind != BASICTape && x.Certainty < 1 {
			x.State, x.Why = Doubtful, "a bit is uncertain, and nothing in this form tells whether it is right"
		}
		p.Blocks = append(p.Blocks, x)
	}
	if h.ended && !q.done && (p.Kind == BASICTape || p.Kind == Text && h.code.Pulses != nil) {
		p.Why = "its end is missing"
	}
	return q
}

// judge gives a block its state. A right sum counts while bits may still change only if each of them is certain.
func (h *hearer) judge(b *HeardBlock, right, running bool) {
	if i := b.Number - 1; right && !running && i < len(h.was) && h.was[i].from == b.from && h.was[i].to == b.to && h.was[i].Settled && h.was[i].State == Good {
		*b = h.was[i]
		return
	}
	b.FromS, b.ToS = h.at(b.from), h.at(b.to)
	b.Settled = h.settled(b.to)
	bits, sure := 0, 0
	for i := b.from; i < b.to; i++ {
		for k := range h.code.Framing.Bits {
			bits++
			if v := h.soft[i].LLR[k]; v >= certain || v <= -certain {
				sure++
			}
		}
	}
	b.Certainty = math.Floor(1000*float64(sure)/float64(max(bits, 1))) / 1000
	switch {
	case running:
		b.State, b.Why = Hearing, ""
	case !right:
		b.State = Lost
	case sure < bits && !b.Settled:
		b.State, b.Why = Doubtful, "bits are uncertain; more sound will decide them"
	default:
		b.State = Good
	}
}

// Heard lists the programs of a result, with their blocks, as Live tells of them; this is what stands in the end. codes
// are those that were listened for.
func (r *Result) Heard(codes []*linecode.Code) []HeardProgram {
	out := []HeardProgram{}
	for _, p := range r.Programs {
		i := slices.IndexFunc(codes, func(c *linecode.Code) bool { return c.Name == p.Code })
		if i < 0 || len(p.Data) == 0 || len(p.soft) < len(p.Data) {
			continue
		}
		h := &hearer{l: &Live{rate: r.rate}, code: codes[i], soft: p.soft, data: p.Data, ended: true, stands: math.Inf(1)}
		shift := p.FromS - p.at(0) // FromS has the delay of the combined channels in it
		h.place = func(i int) float64 { return p.at(i) + shift }
		x := HeardProgram{Number: len(out) + 1, Code: p.Code, Kind: p.Kind, Name: p.Name, Fresh: true}
		h.fill(&x)
		x.LeaderS = math.Max(0, p.FromS-codes[i].LeaderSeconds())
		if x.State = p.State(); x.State == LostInPart && x.Good == 0 {
			x.State = Lost
		}
		for k := range x.Blocks {
			b := &x.Blocks[k]
			for _, f := range p.Repairs {
				if b.State == Good && math.Abs(f.AtS-b.FromS) < 1e-6 {
					b.State, b.Why = Repaired, f.What
					x.Good--
				}
			}
		}
		out = append(out, x)
	}
	return out
}
