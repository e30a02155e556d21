package tape

import (
	"bytes"
	"fmt"
	"math"
	"sort"

	"remanence/tape/audio"
	"remanence/tape/linecode"
)

// result turns what was heard into programs, faults and a diagnosis.
func (l *listener) result(f audio.Format, o ReadOptions) *Result {
	res := &Result{Programs: []*Program{}, Faults: []Fault{}, Notes: append([]string{}, l.notes...), Polarity: "unknown", LevelDBFS: -200, rate: l.rate}
	tracks := l.choose()
	if o.Keep {
		res.runs, res.mixes = tracks, l.mixes
	}
	for _, e := range l.ears {
		res.refused = append(res.refused, e.refused...)
	}
	if o.Raw {
		for _, t := range tracks {
			for _, b := range t.bytes {
				res.Raw = append(res.Raw, b.Value)
			}
			res.RawSoft = append(res.RawSoft, t.bytes...)
		}
	}
	for i, t := range tracks {
		t.index = i
		for _, s := range t.segments() {
			res.programs(t, s, o)
		}
	}
	res.cutOff(float64(l.frames) / l.rate)
	res.joinText()
	res.summary(tracks)
	res.Diagnosis = l.diagnose(f, res, tracks)
	res.explain(tracks)
	res.mergeCopies(o)
	sort.SliceStable(res.Faults, func(i, j int) bool { return res.Faults[i].AtS < res.Faults[j].AtS })
	res.Verdict = res.verdict()
	return res
}

// segment is a stretch of bytes that belong together: what follows one leader.
type segment struct {
	bytes []linecode.Byte
	split bool // found behind another program, by the leader inside the run
}

// Limits of what counts as a leader in the middle of a run, in bits, and as a pause between framed bytes, in seconds.
const (
	innerLeaderBits = 800
	innerPauseS     = 0.8
)

// segments cuts a run into what stands behind its leaders. A tape without pauses is one run: its bytes are looked
// through for leaders, at any bit.
func (t *track) segments() []segment {
	b := t.bytes
	c := t.best.Code
	if len(c.Framing.Start) > 0 {
		var out []segment
		from := 0
		for i := 1; i <= len(b); i++ {
			if i == len(b) || b[i].At-b[i-1].At-float64(b[i-1].Length) > innerPauseS*t.best.ear.rate {
				out = append(out, segment{bytes: b[from:i], split: from > 0})
				from = i
			}
		}
		return out
	}
	if len(c.Sync.Bytes) == 0 || !steadyZero(c.Leader.Pattern) || c.Framing.Bits != 8 {
		return []segment{{bytes: b}}
	}
	sync := c.Sync.Bytes
	high := c.Framing.Order == linecode.HighFirst
	bit := func(i int) int {
		k := i & 7
		if high {
			k = 7 - k
		}
		return int(b[i>>3].Value>>k) & 1
	}
	n := len(b) * 8
	var out []segment
	from := 0 // bit
	zeros := 0
	for i := 0; i < n; i++ {
		if bit(i) == 0 {
			zeros++
			continue
		}
		if zeros >= innerLeaderBits {
			// The sync byte begins with up to seven zeros that are part of it: try each place.
			for lead := 0; lead < 8; lead++ {
				at := i - lead
				if at >= 0 && matches(bit, at, n, sync, high) {
					if at-innerLeaderBits > from {
						// The zeros at the end of the program's last byte look like leader: some of it stays with the program.
						out = append(out, segment{bytes: rebyte(b, from, min(at, at-zeros+lead+24), high), split: from > 0})
					}
					from = at + 8*len(sync)
					i = from - 1
					break
				}
			}
		}
		zeros = 0
	}
	if from == 0 {
		return append(out, segment{bytes: b})
	}
	return append(out, segment{bytes: rebyte(b, from, n, high), split: true})
}

func steadyZero(pattern []int) bool {
	for _, b := range pattern {
		if b != 0 {
			return false
		}
	}
	return len(pattern) > 0
}

func matches(bit func(int) int, at, n int, sync []int, high bool) bool {
	if at+8*len(sync) > n {
		return false
	}
	for k, s := range sync {
		for i := range 8 {
			w := i
			if high {
				w = 7 - i
			}
			if bit(at+8*k+i) != s>>w&1 {
				return false
			}
		}
	}
	return true
}

// rebyte gives the whole bytes that begin at bit from, where bytes began elsewhere before.
func rebyte(b []linecode.Byte, from, to int, high bool) []linecode.Byte {
	var out []linecode.Byte
	for ; from+8 <= to; from += 8 {
		i, k := from>>3, from&7
		if k == 0 {
			out = append(out, b[i])
			continue
		}
		n := b[i]
		n.At += float64(n.Length) * float64(k) / 8
		n.Value = 0
		for j := range 8 {
			src, w := j, j
			p := k + j
			x := &b[i]
			if p >= 8 {
				x, p = &b[i+1], p-8
			}
			src = p
			if high {
				src, w = 7-p, 7-j
			}
			n.LLR[w] = x.LLR[src]
			n.Value |= x.Value >> src & 1 << w
		}
		out = append(out, n)
	}
	return out
}

func values(s []linecode.Byte) []byte {
	b := make([]byte, len(s))
	for i := range s {
		b[i] = s[i].Value
	}
	return b
}

// programs finds the programs in one segment. After the end of one another may follow, where the class allows it; a few
// bytes of the motor running down are not one.
func (r *Result) programs(t *track, s segment, o ReadOptions) {
	soft := s.bytes
	if len(soft) == 0 {
		return
	}
	pulse := t.best.Code.Pulses != nil
	data := values(soft)
	kind := ""
	if pulse {
		kind = kindNear(data)
	} else if k := kindOf(data); k == MachineTape && sumsUp(data) {
		kind = k // the class's blocks in another code, as on a calibration tape
	}
	var headless *parsed
	if kind == "" && pulse {
		soft, headless = t.headless(soft)
		if headless != nil {
			kind, data = MachineTape, values(soft)
		}
	}
	if kind == "" {
		kind = kindOfText(data)
	}
	p := &Program{Kind: kind, Code: t.best.Code.Name, Channel: t.best.ear.name, Passes: 1, soft: soft}
	p.LevelDBFS = round(audio.DB(t.best.Level), 1)
	p.SNRDB = round(math.Min(70, audio.DB(t.best.Level)-audio.DB(t.best.Noise)), 1)
	p.SpeedPercent, p.Inverted = round(100*(t.best.Speed-1), 2), t.best.Polar && t.best.Inverted
	at := func(i int) float64 {
		if i >= len(soft) {
			last := &soft[len(soft)-1]
			return t.best.seconds(last.At + float64(last.Length))
		}
		return t.best.seconds(soft[i].At)
	}
	var q *parsed
	switch kind {
	case MachineTape:
		if q = headless; q == nil {
			q = parse(kind, data)
		}
		if !o.NoRepair && headless == nil {
			data, q = r.repairBlocks(p, soft, data, q, at)
		}
		p.Checked = "checksums"
	case BASICTape:
		q = parse(kind, data)
		p.Checked = "line structure"
	case Text:
		if pulse {
			q = parse(kind, data)
		} else {
			q = &parsed{kind: Text, end: len(data), done: true, entry: -1}
		}
		p.Checked = "nothing"
	case IntelHex, SRecord:
		q = checkHex(kind, data)
		p.Checked = "checksums"
	default:
		q = &parsed{kind: Unknown, end: len(data), done: true, entry: -1}
		p.Checked = "nothing"
	}
	p.Name = q.name
	p.Data = data[q.from:q.end]
	p.soft = soft[q.from:q.end]
	p.spans = []span{t.span(q.end - q.from)}
	p.Bytes = len(p.Data)
	p.FromS, p.ToS = at(q.from), at(q.end)
	if q.note != "" {
		r.Notes = append(r.Notes, fmt.Sprintf("%.1f s: %s", p.FromS, q.note))
	}
	doubtful := p.doubt()
	p.Whole = q.whole() && p.Bytes > 0
	for _, f := range q.faults {
		r.Faults = append(r.Faults, Fault{at(f.at), f.what})
	}
	if p.Checked == "nothing" && len(doubtful) > 0 {
		// Nothing else would tell: bits that may as well be the other way are faults here.
		p.Whole, p.Doubtful = false, len(doubtful)
		r.doubts(p, doubtful, at)
	}
	r.Programs = append(r.Programs, p)
	if rest := len(soft) - q.end; rest > 0 && q.done && pulse {
		r.rest(t, soft[q.end:], at(q.end))
	}
}

// span is the place of n bytes of the track. The combination of two channels comes maxSkew samples late.
func (t *track) span(n int) span {
	s := span{n: n, base: float64(t.best.base), rate: t.best.ear.rate, run: t.index}
	if t.best.ear.name == "both" {
		s.base -= maxSkew
	}
	return s
}

// sumsUp says whether the first machine-code block in data has a right sum.
func sumsUp(data []byte) bool {
	if len(data) < 9 || data[7] != blockMark {
		return false
	}
	n := blockLen(data[7:])
	return n > 0 && 7+n <= len(data) && sumRight(data[7:7+n])
}

// cutOff marks a program that still sounds when the recording ends, where nothing in its form says that it is complete.
func (r *Result) cutOff(endS float64) {
	if len(r.Programs) == 0 {
		return
	}
	p := r.Programs[len(r.Programs)-1]
	if p.Checked == "nothing" && p.Bytes > 0 && endS-p.ToS < 2*(p.ToS-p.FromS)/float64(p.Bytes) {
		p.Whole, p.cut = false, true
		r.Faults = append(r.Faults, Fault{p.ToS, "the recording ends while the program still sounds; what follows is missing, or cannot be told; record some silence after it"})
	}
}

// headless looks for the blocks of a machine-code tape at each of the eight places of a bit in a byte, where a run makes no
// sense as it stands: the sync was missed, and something like it taken for it. It gives the bytes at the right place.
func (t *track) headless(soft []linecode.Byte) ([]linecode.Byte, *parsed) {
	if len(t.best.Code.Framing.Start) > 0 || t.best.Code.Framing.Bits != 8 {
		return soft, nil
	}
	high := t.best.Code.Framing.Order == linecode.HighFirst
	for k := range 8 {
		moved := rebyte(soft, k, 8*len(soft), high)
		if p := parseHeadless(values(moved)); p != nil {
			return moved, p
		}
	}
	return soft, nil
}

// certain is the odds (ln) from which a bit is taken as read: it is wrong once in 150.
const certain = 5

// doubt finds the bytes in which a bit is less than certain, and the least odds.
func (p *Program) doubt() []int {
	p.Doubt = math.Inf(1)
	var out []int
	for i := range p.soft {
		_, d := p.soft[i].Doubt(8)
		p.Doubt = math.Min(p.Doubt, float64(d))
		if d < certain {
			out = append(out, i)
		}
	}
	if math.IsInf(p.Doubt, 0) || p.Doubt > 1000 {
		p.Doubt = 1000
	}
	p.Doubt = math.Round(p.Doubt*10) / 10
	return out
}

// doubts reports doubtful bytes, neighbours together.
func (r *Result) doubts(p *Program, list []int, at func(int) float64) {
	for i := 0; i < len(list); {
		j := i
		for j+1 < len(list) && list[j+1]-list[j] <= 8 {
			j++
		}
		n := j - i + 1
		what := fmt.Sprintf("byte %d is doubtful; nothing in this form tells whether it is right", list[i])
		if n > 1 {
			what = fmt.Sprintf("%d of the bytes %d to %d are doubtful; nothing in this form tells whether they are right", n, list[i], list[j])
		}
		r.Faults = append(r.Faults, Fault{at(list[i]), what})
		i = j + 1
		if len(r.Faults) > maxFaults {
			return
		}
	}
}

// rest looks at what follows the end of a program in the same run.
func (r *Result) rest(t *track, soft []linecode.Byte, atS float64) {
	n := 0
	for i := range soft {
		if _, d := soft[i].Doubt(8); soft[i].Value != 0 && d >= certain {
			n++
		}
	}
	if len(soft) > 16 && n > len(soft)/2 {
		r.Faults = append(r.Faults, Fault{atS, fmt.Sprintf("%d bytes follow the end of the program without a leader; they are left out (say --raw to store them)", len(soft))})
	}
}

// kindOfText tells hex files and text from other bytes, where no block form applies.
func kindOfText(b []byte) string {
	good := 0
	for _, c := range b {
		if c >= ' ' && c < 0x7F || c == '\r' || c == '\n' || c == '\t' {
			good++
		}
	}
	if len(b) < 4 || good < len(b)*9/10 {
		return Unknown
	}
	var colon, s, lines int
	for _, line := range bytes.FieldsFunc(b, func(c rune) bool { return c == '\r' || c == '\n' || c == 0 }) {
		lines++
		switch {
		case line[0] == ':':
			colon++
		case line[0] == 'S' && len(line) > 1 && line[1] >= '0' && line[1] <= '9':
			s++
		}
	}
	switch {
	case colon*2 > lines:
		return IntelHex
	case s*2 > lines:
		return SRecord
	case good == len(b):
		return Text
	}
	return Unknown
}

// joinText makes one program of the blocks of a text that follow each other closely.
func (r *Result) joinText() {
	var out []*Program
	for _, p := range r.Programs {
		if n := len(out); n > 0 && p.Kind == Text && out[n-1].Kind == Text && p.Code == out[n-1].Code && p.FromS-out[n-1].ToS < textJoinS {
			q := out[n-1]
			q.Data = append(q.Data[:len(q.Data):len(q.Data)], p.Data...)
			q.soft = append(q.soft[:len(q.soft):len(q.soft)], p.soft...)
			q.spans = append(q.spans, p.spans...)
			q.Bytes, q.ToS = len(q.Data), p.ToS
			q.Whole, q.cut = q.Whole && p.Whole, q.cut || p.cut
			q.Doubtful += p.Doubtful
			q.Doubt = math.Min(q.Doubt, p.Doubt)
			continue
		}
		out = append(out, p)
	}
	r.Programs = out
	if out == nil {
		r.Programs = []*Program{}
	}
}

// textJoinS is the longest time from the end of one text block to the first byte of the next of the same text: a leader
// of the slower code, and a motor.
const textJoinS = 14

// summary fills in what concerns the whole recording.
func (r *Result) summary(tracks []*track) {
	if len(tracks) == 0 {
		return
	}
	r.LineCode = tracks[0].best.Code.Name
	if len(r.Programs) > 0 {
		r.LineCode = r.Programs[0].Code
	}
	var speed, level, weight float64
	normal, inverted := 0, 0
	for _, t := range tracks {
		w := t.best.toS() - t.best.fromS()
		speed += w * t.best.Speed
		level += w * t.best.Level * t.best.Level
		weight += w
		if t.best.Polar {
			if t.best.Inverted {
				inverted++
			} else {
				normal++
			}
		}
	}
	if weight > 0 {
		r.SpeedPercent = math.Round(1e4*(speed/weight-1))/100 + 0 // no -0
		r.LevelDBFS = math.Round(10*audio.DB(math.Sqrt(level/weight))) / 10
	}
	switch {
	case normal > 0 && inverted > 0:
		r.Polarity = "mixed"
	case inverted > 0:
		r.Polarity = "inverted"
	case normal > 0:
		r.Polarity = "normal"
	default:
		r.Polarity = "indifferent"
	}
}
