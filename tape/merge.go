package tape

import (
	"fmt"
	"math"

	"remanence/tape/linecode"
)

// mergeCopies adds up the odds of several copies of a program on one recording, where none of them is whole.
func (r *Result) mergeCopies(o ReadOptions) {
	for i, p := range r.Programs {
		if p.Whole || p.Kind == Unknown || p.merged {
			continue
		}
		var same []*Program
		for _, q := range r.Programs[i+1:] {
			if !q.merged && alike(p, q) {
				same = append(same, q)
			}
		}
		if len(same) == 0 {
			continue
		}
		anyWhole := false
		for _, q := range same {
			anyWhole = anyWhole || q.Whole
		}
		if anyWhole {
			continue
		}
		group := append([]*Program{p}, same...)
		best := mergeGroup(group, o)
		for _, q := range group {
			q.merged = true
		}
		if best != nil {
			best.merged = true
			r.Programs = append(r.Programs, best)
		}
	}
}

// Merge puts the results of several recordings of the same tape together: each program once, from the recording where
// it is whole, or, where it is whole on none, from the odds of all of them added up bit by bit.
func Merge(results []*Result, o ReadOptions) []*Program {
	var out []*Program
	used := map[*Program]bool{}
	for i, r := range results {
		for _, p := range r.Programs {
			if used[p] {
				continue
			}
			group := []*Program{p}
			for _, other := range results[i+1:] {
				for _, q := range other.Programs {
					if !used[q] && alike(p, q) {
						group = append(group, q)
						used[q] = true
						break
					}
				}
			}
			used[p] = true
			out = append(out, bestOf(group, o))
		}
	}
	return out
}

func bestOf(group []*Program, o ReadOptions) *Program {
	var best *Program
	for _, p := range group {
		if p.Whole && len(p.Repairs) == 0 && (best == nil || p.Doubt > best.Doubt) {
			best = p
		}
	}
	if best != nil {
		best.Passes = len(group)
		if len(group) > 1 {
			best.group = group
		}
		return best
	}
	if m := mergeGroup(group, o); m != nil {
		return m
	}
	best = group[0]
	for _, p := range group[1:] {
		if p.Whole && !best.Whole || p.Whole == best.Whole && p.Doubt > best.Doubt {
			best = p
		}
	}
	if len(group) > 1 {
		best.group = group
	}
	return best
}

// alike says whether two programs are recordings of the same one: kind, name, and most of the bytes.
func alike(p, q *Program) bool {
	if p.Kind != q.Kind && p.Kind != Unknown && q.Kind != Unknown {
		return false
	}
	a, b := p.Data, q.Data
	if len(a) == 0 || len(b) == 0 || math.Abs(float64(len(a)-len(b))) > 0.1*float64(max(len(a), len(b)))+16 {
		return false
	}
	n := min(len(a), len(b))
	same := 0
	for i := 0; i < n; i++ {
		if a[i] == b[i] {
			same++
		}
	}
	if same*10 >= n*7 {
		return true
	}
	// One of them slipped by some bytes: a run of 16 that both have speaks for the same program.
	seen := map[[16]byte]bool{}
	for i := 0; i+16 <= len(a); i++ {
		seen[[16]byte(a[i:i+16])] = true
	}
	hits := 0
	for i := 0; i+16 <= len(b); i++ {
		if seen[[16]byte(b[i:i+16])] {
			hits++
		}
	}
	return hits*3 > n
}

// mergeGroup adds the odds of all members to those of the longest, bytes laid beside each other where they agree best.
// It gives nil where that made nothing better.
func mergeGroup(group []*Program, o ReadOptions) *Program {
	base := group[0]
	for _, p := range group {
		if len(p.soft) > len(base.soft) {
			base = p
		}
	}
	soft := append([]linecode.Byte(nil), base.soft...)
	passes := 1
	for _, p := range group {
		if p == base {
			continue
		}
		for _, pair := range alignBytes(base.soft, p.soft) {
			for k := 0; k < pair.n; k++ {
				addOdds(&soft[pair.a+k], &p.soft[pair.b+k], 1)
			}
		}
		passes++
	}
	m := &Program{Name: base.Name, Kind: base.Kind, Code: base.Code, Channel: base.Channel, FromS: base.FromS, ToS: base.ToS, Checked: base.Checked, Passes: passes, soft: soft, spans: base.spans, group: group}
	data := values(soft)
	at := func(i int) float64 {
		if len(soft) == 0 {
			return base.FromS
		}
		return base.FromS + (base.ToS-base.FromS)*float64(i)/float64(len(soft))
	}
	r := &Result{}
	q := parse(m.Kind, data)
	switch m.Kind {
	case MachineTape:
		if !o.NoRepair {
			data, q = r.repairBlocks(m, soft, data, q, at)
		}
	case IntelHex, SRecord:
		q = checkHex(m.Kind, data)
	case Text, Unknown:
		q = &parsed{kind: m.Kind, end: len(data), done: true, entry: -1}
	}
	m.Data, m.Bytes, m.soft = data[:q.end], q.end, soft[:q.end]
	if q.name != "" {
		m.Name = q.name
	}
	weak := m.doubt()
	m.Whole = q.whole() && m.Bytes > 0 && (m.Checked != "nothing" || len(weak) == 0)
	if m.Checked == "nothing" {
		m.Doubtful = len(weak)
	}
	worst := math.MaxInt
	for _, p := range group {
		if p.Checked == "nothing" {
			worst = min(worst, len(p.doubt()))
		} else {
			worst = min(worst, len(parseAny(p.Kind, p.Data).faults))
		}
	}
	now := len(q.faults)
	if m.Checked == "nothing" {
		now = len(weak)
	}
	if !m.Whole && now >= worst {
		return nil
	}
	m.merged = true
	m.where = fmt.Sprintf("from %d passes, odds added bit by bit", passes)
	return m
}

func parseAny(kind string, data []byte) *parsed {
	switch kind {
	case IntelHex, SRecord:
		return checkHex(kind, data)
	}
	return parse(kind, data)
}

// stretch is n bytes of a from a on that belong to n bytes of b from b on.
type stretch struct{ a, b, n int }

// alignBytes lays two readings of the same bytes beside each other. It follows the offset between them: where eight
// bytes in a row disagree, it looks up to 64 bytes either way for the offset at which the next ones agree best.
func alignBytes(a, b []linecode.Byte) []stretch {
	const look, window = 64, 24
	var out []stretch
	agree := func(i, j, n int) int {
		c := 0
		for k := 0; k < n && i+k < len(a) && j+k < len(b); k++ {
			if i+k >= 0 && j+k >= 0 && a[i+k].Value == b[j+k].Value {
				c++
			}
		}
		return c
	}
	off, start, bad := 0, 0, 0
	cut := func(end int) {
		lo := max(start, -off)
		hi := min(end, len(b)-off)
		if hi > lo {
			out = append(out, stretch{lo, lo + off, hi - lo})
		}
	}
	for i := 0; i < len(a); i++ {
		j := i + off
		if j >= 0 && j < len(b) && a[i].Value == b[j].Value {
			bad = 0
			continue
		}
		if bad++; bad < 8 {
			continue
		}
		best, bestOff := agree(i, i+off, window)+2, off
		for d := -look; d <= look; d++ {
			if c := agree(i, i+off+d, window); c > best {
				best, bestOff = c, off+d
			}
		}
		bad = 0
		if bestOff != off && best >= window/2 {
			cut(i - 7)
			start, off = i, bestOff
		}
	}
	cut(len(a))
	return out
}

// MergeResults makes one result of several recordings of the same tape: programs merged, faults and notes with the name
// of their recording.
func MergeResults(results []*Result, names []string, o ReadOptions) *Result {
	out := &Result{Faults: []Fault{}, Notes: []string{}, Polarity: "unknown", LevelDBFS: -200}
	best := 0
	for i, r := range results {
		for _, f := range r.Faults {
			out.Faults = append(out.Faults, Fault{f.AtS, names[i] + ": " + f.What})
		}
		for _, n := range r.Notes {
			out.Notes = append(out.Notes, names[i]+": "+n)
		}
		out.Stopped = out.Stopped || r.Stopped
		if r.good() > results[best].good() {
			best = i
		}
		if len(r.RawSoft) > len(out.RawSoft) {
			out.RawSoft = r.RawSoft
		}
	}
	b := results[best]
	out.LineCode, out.Polarity, out.SpeedPercent, out.LevelDBFS, out.Diagnosis = b.LineCode, b.Polarity, b.SpeedPercent, b.LevelDBFS, b.Diagnosis
	out.Programs = Merge(results, o)
	if out.Programs == nil {
		out.Programs = []*Program{}
	}
	if o.Raw {
		soft := append([]linecode.Byte(nil), out.RawSoft...)
		for _, r := range results {
			if len(r.RawSoft) == 0 || len(soft) > 0 && len(out.RawSoft) > 0 && &r.RawSoft[0] == &out.RawSoft[0] {
				continue
			}
			for _, pair := range alignBytes(out.RawSoft, r.RawSoft) {
				for k := 0; k < pair.n; k++ {
					addOdds(&soft[pair.a+k], &r.RawSoft[pair.b+k], 1)
				}
			}
		}
		out.RawSoft, out.Raw = soft, values(soft)
	}
	out.Verdict = out.mergedVerdict(results, names)
	return out
}

// good counts whole programs, and those nearly so.
func (r *Result) good() float64 {
	n := 0.0
	for _, p := range r.Programs {
		if p.Whole {
			n += 1 + p.Doubt/1e4
		}
	}
	return n
}

func (r *Result) mergedVerdict(results []*Result, names []string) string {
	whole, added := 0, 0
	for _, p := range r.Programs {
		if p.Whole {
			whole++
		}
		if p.where != "" && p.Whole {
			added++
		}
	}
	if len(r.Programs) == 0 {
		return "nothing found in any of the recordings; of the first: " + results[0].Verdict
	}
	s := fmt.Sprintf("%d of %s whole from %s", whole, count(len(r.Programs), "program"), count(len(results), "recording"))
	if added > 0 {
		s += fmt.Sprintf(", %d of them only by adding the passes up bit by bit", added)
	}
	if whole < len(r.Programs) {
		s += fmt.Sprintf("; of %s alone: %s", names[0], results[0].Verdict)
	}
	return s
}
