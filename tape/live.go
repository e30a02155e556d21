package tape

import (
	"fmt"
	"math"
	"slices"

	"remanence/tape/linecode"
)

// LiveUpdate is what has changed since the last one.
type LiveUpdate struct {
	Programs int            `json:"programs"` // there are now; any beyond are withdrawn
	Changed  []HeardProgram `json:"programs-changed"`
	Again    []string       `json:"again"` // what to play again, all of it
}

// Live hears a recording while it is made. Feed it sound as it comes, in chunks of some 50 ms; Update tells of every
// block as soon as its sound has come. What is not settled is corrected by a later update where later sound decides
// otherwise. Read has the last word: it hears the whole recording, repairs blocks and merges copies.
//
// With several codes all are listened for at once, and of what overlaps the one is told that explains the sound best.
type Live struct {
	Counter *Counter // of the player, set to 0 at the start: places are told by it as well; nil: nobody knows

	rate    float64
	ears    []*liveEar
	runs    []*liveRun // by where their leaders begin
	n       int64
	rev     int
	sent    []sentProgram
	again   []string
	counted *Counter // again was made with
}

type liveEar struct {
	code *linecode.Code
	dem  *linecode.Demodulator
	open *liveRun
}

// liveRun is a run as far as it is heard.
type liveRun struct {
	ear      *liveEar
	leaderAt float64
	to       float64 // end of the last byte
	soft     []linecode.Byte
	settled  int // bytes of soft that stand
	closed   bool
	final    bool // no other run can take its place
	score    float64
	quality  float64
	counted  int // bytes the following sums are over
	sum      softSum
	parts    []*HeardProgram
}

type softSum struct {
	bits, certain, bad, frames int
	level                      float64
}

type sentProgram struct {
	key           *HeardProgram
	rev           int
	parts, blocks int
}

// Live bounds.
const (
	stretchBytes   = 256  // a block of what has no blocks
	guessBytes     = 2048 // from which the kind is told while it sounds
	maxAgain       = 100
	maxContest     = 100 // runs that may still compete
	liveQuality    = 0.8 // of a run still under way, where several codes are listened for
	liveBytes      = 4
	pauseS         = 0.1 // and two bytes, after which a stretch that nothing ends is taken to have ended
	rewindS        = 1.0 // to the leader, and a little more
	certainOverall = 0.4 // share of bits, below which a run asked for by name is no run
)

// NewLive listens for codes at a rate. Codes for which the rate is too low are left out; that none is left is an error.
func NewLive(codes []*linecode.Code, rateHz float64) (*Live, error) {
	l := &Live{rate: rateHz, again: []string{}}
	var last error
	for _, c := range codes {
		d, err := linecode.NewDemodulator(c, rateHz, linecode.Options{})
		if err != nil {
			last = err
			continue
		}
		l.ears = append(l.ears, &liveEar{code: c, dem: d})
	}
	if len(l.ears) == 0 {
		if last == nil {
			last = fmt.Errorf("line codes: want at least one, found none")
		}
		return nil, last
	}
	return l, nil
}

// Feed takes the next samples.
func (l *Live) Feed(s []float32) {
	l.n += int64(len(s))
	l.rev++
	for _, e := range l.ears {
		e.dem.Feed(s)
		l.take(e)
	}
	l.contest()
}

// Close says that the recording ends here.
func (l *Live) Close() {
	l.rev++
	for _, e := range l.ears {
		e.dem.Close()
		l.take(e)
	}
	l.contest()
}

// Seconds is how much was fed.
func (l *Live) Seconds() float64 { return float64(l.n) / l.rate }

// take follows one demodulator: runs that ended, and the one under way.
func (l *Live) take(e *liveEar) {
	for _, r := range e.dem.Take() {
		u := e.open
		e.open = nil
		if u == nil || u.leaderAt != r.LeaderAt {
			l.drop(u)
			u = l.begin(e, r.LeaderAt)
		}
		u.soft, u.settled, u.closed, u.counted, u.sum = append(u.soft[:0], r.Bytes...), len(r.Bytes), true, 0, softSum{}
		u.weigh(r.Noise)
		if len(r.Bytes) == 0 || !r.Synced || r.Fit < 0.4 || len(l.ears) > 1 && (r.Fit < 0.6 || quality(r) < 0.25) {
			l.drop(u)
			continue
		}
		l.parse(u)
		u.soft = nil // blocks are known; four hours of bytes with their odds would not fit
	}
	e.dem.Refusals()
	v := e.dem.Live()
	if u := e.open; u != nil && (v == nil || v.LeaderAt != u.leaderAt) {
		l.drop(u)
		e.open = nil
	}
	if v == nil {
		return
	}
	if e.open == nil {
		e.open = l.begin(e, v.LeaderAt)
	}
	u := e.open
	if k := len(v.Settled); k < u.settled || k < u.counted { // what came after the signal was taken back
		u.settled, u.counted, u.sum = 0, 0, softSum{}
	}
	u.soft = append(append(u.soft[:u.settled], v.Settled[u.settled:]...), v.Open...)
	u.settled = len(v.Settled)
	u.weigh(v.Noise)
	l.parse(u)
}

func (l *Live) begin(e *liveEar, at float64) *liveRun {
	u := &liveRun{ear: e, leaderAt: at, to: at}
	i := len(l.runs)
	for i > 0 && l.runs[i-1].leaderAt > at {
		i--
	}
	l.runs = slices.Insert(l.runs, i, u)
	return u
}

func (l *Live) drop(u *liveRun) {
	if i := slices.Index(l.runs, u); i >= 0 {
		l.runs = slices.Delete(l.runs, i, i+1)
	}
}

// weigh scores the run as Read scores finished ones. What is settled is counted once.
func (u *liveRun) weigh(noise float64) {
	bits := u.ear.code.Framing.Bits
	u.sum.add(u.soft[u.counted:u.settled], bits)
	u.counted = u.settled
	s := u.sum
	s.add(u.soft[u.settled:], bits)
	if s.frames == 0 {
		u.score, u.quality = 0, 0
		return
	}
	n := float64(s.frames)
	r := linecode.Run{Certainty: float64(s.certain) / float64(s.bits), Fit: 1 - float64(s.bad)/n, Level: s.level / n, Noise: noise}
	u.quality = quality(&r)
	u.score = u.quality * explained(&r) * (1 + math.Log1p(n)/20)
	last := &u.soft[len(u.soft)-1]
	u.to = last.At + float64(last.Length)
}

func (s *softSum) add(b []linecode.Byte, bits int) {
	for i := range b {
		s.frames++
		s.bits += bits
		for k := range bits {
			if b[i].LLR[k] >= certain || b[i].LLR[k] <= -certain {
				s.certain++
			}
		}
		if b[i].Frame < 0 && b[i].Level > 0 {
			s.bad++
		}
		s.level += float64(b[i].Level)
	}
}

// contest drops, of runs in different codes that have ended and lie over each other, those that explain the sound worse.
// What no run under way can lie over any more is final.
func (l *Live) contest() {
	if len(l.ears) < 2 {
		return
	}
	for i := len(l.runs) - 1; i >= max(0, len(l.runs)-maxContest); i-- {
		u := l.runs[i]
		switch {
		case !u.closed || u.final:
		case l.beaten(u, true):
			l.drop(u)
		default:
			u.final = !slices.ContainsFunc(l.ears, func(e *liveEar) bool { return e.open != nil && e.open.leaderAt < u.to })
		}
	}
}

// beaten says whether another run over the same stretch explains it better.
func (l *Live) beaten(u *liveRun, ended bool) bool {
	for _, v := range l.runs[max(0, len(l.runs)-maxContest):] {
		if v.ear == u.ear || v.score <= u.score || ended && !v.closed {
			continue
		}
		lo, hi := math.Max(u.leaderAt, v.leaderAt), math.Min(u.to, v.to)
		if hi-lo > 0.2*math.Min(u.to-u.leaderAt, v.to-v.leaderAt) {
			return true
		}
	}
	return false
}

// listed gives the programs that are told of, in order. The lines of a text, each with a leader of its own, are one.
func (l *Live) listed() []*HeardProgram {
	var out []*HeardProgram
	for _, u := range l.runs {
		if len(u.parts) == 0 || l.unlikely(u) {
			continue
		}
		for _, p := range u.parts {
			if n := len(out); n > 0 && p.Kind == Text && out[n-1].Kind == Text && p.Code == out[n-1].Code && p.FromS-out[n-1].ToS < textJoinS {
				if len(out[n-1].parts) == 0 {
					out[n-1] = textOf(out[n-1])
				}
				out[n-1].addLine(p)
				continue
			}
			out = append(out, p)
		}
	}
	return out
}

// unlikely keeps a run aside while it is not known to be one of its code.
func (l *Live) unlikely(u *liveRun) bool {
	if len(l.ears) == 1 {
		return u.quality < certainOverall && !u.closed
	}
	if u.final {
		return false
	}
	return !u.closed && (u.quality < liveQuality || len(u.soft) < liveBytes) || l.beaten(u, false)
}

// textOf begins a text with its first line.
func textOf(line *HeardProgram) *HeardProgram {
	t := *line
	t.Blocks, t.parts = slices.Clone(line.Blocks), []*HeardProgram{line}
	return &t
}

func (t *HeardProgram) addLine(line *HeardProgram) {
	t.parts = append(t.parts, line)
	for _, b := range line.Blocks {
		b.Number = len(t.Blocks) + 1
		t.Blocks = append(t.Blocks, b)
	}
	t.ToS, t.Bytes, t.Good, t.Count = line.ToS, t.Bytes+line.Bytes, t.Good+line.Good, len(t.Blocks)
	t.rev = max(t.rev, line.rev)
	if t.State == Good || line.State == Hearing {
		t.State = line.State
	}
}

// key is what a program is known by from one update to the next.
func (p *HeardProgram) key() *HeardProgram {
	if len(p.parts) > 0 {
		return p.parts[0]
	}
	return p
}

// Update gives what has changed since the last call.
func (l *Live) Update() LiveUpdate {
	list := l.listed()
	up := LiveUpdate{Programs: len(list), Changed: []HeardProgram{}}
	for i, p := range list {
		told := sentProgram{}
		if i < len(l.sent) {
			told = l.sent[i]
		}
		fresh := told.key != p.key() || told.parts > len(p.parts)
		if !fresh && told.rev == p.rev && told.parts == len(p.parts) {
			continue
		}
		c := *p
		c.Number, c.Fresh, c.Blocks, c.parts = i+1, fresh, []HeardBlock{}, nil
		for _, b := range p.Blocks {
			if fresh || b.rev > told.rev || len(p.parts) > told.parts && b.Number > told.blocks {
				c.Blocks = append(c.Blocks, b)
			}
		}
		up.Changed = append(up.Changed, c)
	}
	if len(up.Changed) > 0 || len(list) != len(l.sent) || l.counted != l.Counter {
		l.counted = l.Counter
		all := make([]HeardProgram, len(list))
		for i, p := range list {
			all[i] = *p
		}
		l.again = PlayAgain(all, l.Counter)
	}
	l.sent = l.sent[:0]
	for _, p := range list {
		l.sent = append(l.sent, sentProgram{p.key(), p.rev, len(p.parts), len(p.Blocks)})
	}
	up.Again = l.again
	return up
}

// PlayAgain lists what was lost and has not been heard well since, with the place to play from: the leader of its
// program, without which no reader finds the beginning. c is the player's counter, nil if it is not known.
func PlayAgain(list []HeardProgram, c *Counter) []string {
	out := []string{}
	for i := range list {
		p := &list[i]
		of := ""
		if p.Name != "" {
			of = " of " + p.Name
		}
		from := max(0, p.LeaderS-rewindS)
		back := "wind back to before " + minutes(from)
		if c != nil {
			back += fmt.Sprintf(" (counter %d)", c.At(from))
		}
		for _, b := range p.Blocks {
			if b.State != Lost && (b.State != Doubtful || !b.Settled) || heardSince(list[i+1:], p, b) {
				continue
			}
			if len(out) == maxAgain {
				return out
			}
			out = append(out, fmt.Sprintf("Block %d%s, %s: %s; %s and play again", b.Number, of, minutes(b.FromS), b.Why, back))
		}
		if p.State == Lost && len(p.Blocks) == 0 && len(out) < maxAgain {
			out = append(out, fmt.Sprintf("Program %d%s, %s: %s; %s and play again", i+1, of, minutes(p.FromS), p.Why, back))
		}
	}
	return out
}

// heardSince says whether the same block of the same program was good in a later pass.
func heardSince(later []HeardProgram, p *HeardProgram, b HeardBlock) bool {
	for i := range later {
		q := &later[i]
		if q.Kind == p.Kind && q.Name == p.Name && b.Number <= len(q.Blocks) {
			if c := q.Blocks[b.Number-1]; (c.State == Good || c.State == Repaired) && (c.What == b.What || b.State == Lost) {
				return true
			}
		}
	}
	return false
}

// minutes is a place on a recording as a player's clock shows it.
func minutes(s float64) string {
	return fmt.Sprintf("%d:%04.1f", int(s)/60, math.Mod(math.Floor(s*10)/10, 60))
}

// parse finds the programs of a run and their blocks.
func (l *Live) parse(u *liveRun) {
	t := &track{best: heard{Run: &linecode.Run{Code: u.ear.code}, ear: &ear{rate: l.rate}}, bytes: u.soft}
	if len(u.ear.code.Framing.Start) > 0 && standAlone(t.bytes, strayPauseS*l.rate) {
		t.dropStrays()
	}
	stands := math.Inf(1) // sample up to which bytes stand
	if !u.closed {
		stands = u.leaderAt
		if u.settled > 0 {
			b := &u.soft[u.settled-1]
			stands = b.At + float64(b.Length)
		}
	}
	segments := []segment{{bytes: t.bytes}}
	if len(u.ear.code.Framing.Start) > 0 || u.closed || longZeros(t.bytes) {
		segments = t.segments()
	}
	n := 0
	from := u.leaderAt
	for i, s := range segments {
		if len(s.bytes) == 0 {
			continue
		}
		if n == len(u.parts) {
			u.parts = append(u.parts, &HeardProgram{Code: u.ear.code.Name})
		}
		h := &hearer{l: l, code: u.ear.code, soft: s.bytes, data: values(s.bytes), ended: u.closed || i+1 < len(segments), stands: stands}
		last := &s.bytes[len(s.bytes)-1]
		h.paused = float64(l.n) > last.At+3*float64(last.Length)+pauseS*l.rate
		h.hear(u.parts[n], from/l.rate)
		from = last.At + float64(last.Length)
		n++
	}
	u.parts = u.parts[:n]
}

// standAlone says whether one or two bytes stand alone between pauses: they may be strays. This is asked all the time, and
// the answer is nearly always no.
func standAlone(b []linecode.Byte, pause float64) bool {
	from := 0
	for i := 1; i <= len(b); i++ {
		if i < len(b) && b[i].At-b[i-1].At-float64(b[i-1].Length) < pause {
			continue
		}
		if i-from <= 2 {
			return true
		}
		from = i
	}
	return false
}

// longZeros says whether there may be a leader in the middle of a run.
func longZeros(b []linecode.Byte) bool {
	zeros := 0
	for i := range b {
		if b[i].Value != 0 {
			zeros = 0
		} else if zeros++; zeros >= innerLeaderBits/8-1 {
			return true
		}
	}
	return false
}
