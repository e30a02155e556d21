package track

import (
	"fmt"
	"math"
	"strings"

	"remanence/disk"
	"remanence/disk/cell"
)

// rebuild makes a sector of reads none of which has a right CRC.
func (res *Result) rebuild(c *cluster, s *disk.Sector, extent func(*read), o Options) bool {
	s.Status = disk.Bad
	var best *read
	soft := mergeable(c.reads)
	for _, r := range c.reads {
		if !r.dataAt.ok || len(r.data) == 0 {
			continue
		}
		if best == nil || len(r.data) > len(best.data) || len(r.data) == len(best.data) && r.rms < best.rms {
			best = r
		}
	}
	if best == nil {
		s.Why = "no data field behind the identifier"
		return true
	}
	s.Mark, s.Margin = best.mark, best.margin
	extent(best)
	n := s.ID.Size()
	s.Data = best.data[:min(n, len(best.data))]
	if best.cut && len(soft) < 2 {
		s.Why = "the capture ends inside the data field"
		return true
	}
	if len(soft) == 0 {
		s.Why = "data CRC wrong"
		return true
	}
	m := merge(soft)
	if m.crc() == 0 {
		s.Mark, s.Data = m.mark, m.data[:len(m.data)-2]
		s.Status = disk.Good
		if m.likely <= leastLikely {
			s.Status, s.Why = disk.Doubtful, fmt.Sprintf("the CRC is right, but so many bits are uncertain that it may be by chance (likelihood %.1g)", m.likely)
		}
		return true
	}
	if o.trials() > 0 && !m.unreliable && c.known {
		res.Repair.Tried++
		fix := m.repair(o.trials())
		res.Repair.Trials += fix.trials
		res.Repair.Acceptable += fix.acceptable
		if fix.found {
			res.Repair.Sectors++
			res.Repair.FalseChance += fix.falseChance
			s.Mark, s.Data, s.Status = fix.mark, fix.data[:len(fix.data)-2], disk.Repaired
			s.Why = fix.why(c)
			return true
		}
	}
	s.Mark, s.Data = m.mark, m.data[:len(m.data)-2]
	switch {
	case len(soft) > 1:
		s.Status = disk.Doubtful
		s.Why = fmt.Sprintf("no read has a right CRC; rebuilt from the surest bits of %d reads, whose CRC is wrong too", len(soft))
		if agree(soft) {
			s.Status, s.Why = disk.Bad, fmt.Sprintf("data CRC wrong; %d reads agree", len(soft))
		}
	default:
		s.Why = "data CRC wrong"
	}
	return true
}

// mergeable are the reads that say something about the same bits: weighed, of one length, and in step with the best
// of them. A read whose mark was taken a cell too early or late, or that slipped in a hole, contradicts about every
// other bit; a poor one about one in a hundred.
func mergeable(reads []*read) []*read {
	var best *read
	for _, r := range reads {
		if len(r.soft) > 0 && (best == nil || r.likely > best.likely || r.likely == best.likely && r.rms < best.rms) {
			best = r
		}
	}
	if best == nil {
		return nil
	}
	var out []*read
	for _, r := range reads {
		if len(r.soft) != len(best.soft) {
			continue
		}
		against := 0
		for i, v := range r.soft {
			if (v > 0) != (best.soft[i] > 0) {
				against++
			}
		}
		if against*8 < len(r.soft) {
			out = append(out, r)
		}
	}
	return out
}

// agree reports whether the reads differ nowhere that either is sure of: then the CRC was recorded wrong, or the fault
// is on the medium.
func agree(reads []*read) bool {
	for i := range reads[0].soft {
		plus, minus := false, false
		for _, r := range reads {
			plus = plus || r.soft[i] > 4
			minus = minus || r.soft[i] < -4
		}
		if plus && minus {
			return false
		}
	}
	return true
}

// merged is what several reads of one field say together.
type merged struct {
	enc        disk.Encoding
	soft       []float32
	data       []byte
	mark       byte
	marks      []byte    // that the times allow, likeliest first
	markCost   []float64 // of each, in nats, against the first
	likely     float64
	unreliable bool // long stretches of which nothing is known: a repair would be a guess
}

// merge adds up the odds that the reads give each bit. One read's say is bounded: a transition that was not seen makes
// a wrong bit look certain.
func merge(reads []*read) *merged {
	m := &merged{enc: reads[0].enc}
	if len(reads) == 1 {
		m.soft = reads[0].soft
	} else {
		m.soft = make([]float32, len(reads[0].soft))
		for _, r := range reads {
			for i, v := range r.soft {
				m.soft[i] += max(-clampSoft, min(clampSoft, v))
			}
		}
	}
	m.data = hard(m.soft)
	m.likely = likelihood(m.soft, m.enc)
	unknown := 0
	for _, v := range m.soft {
		if v == 0 {
			unknown++
		}
	}
	m.unreliable = unknown > 12
	m.chooseMark(reads)
	return m
}

func (m *merged) chooseMark(reads []*read) {
	var cost [len(cell.Marks)]float64
	seen := false
	for _, r := range reads {
		if f := r.dataAt.found; f != nil {
			seen = true
			sigma := max(0.05, r.rms*0.5)
			for i := range cost {
				cost[i] += min(clampSoft, (f.Costs[i]-f.Cost)/(2*sigma*sigma))
			}
		}
	}
	if !seen {
		m.mark, m.marks, m.markCost = reads[0].mark, []byte{reads[0].mark}, []float64{0}
		return
	}
	best := -1
	for i, mk := range cell.Marks {
		if isDataMark(mk) && (best < 0 || cost[i] < cost[best]) {
			best = i
		}
	}
	m.mark = cell.Marks[best]
	m.marks, m.markCost = []byte{m.mark}, []float64{0}
	for i, mk := range cell.Marks {
		if isDataMark(mk) && i != best && cost[i]-cost[best] < 8 {
			m.marks, m.markCost = append(m.marks, mk), append(m.markCost, cost[i]-cost[best])
		}
	}
}

func (m *merged) crc() uint16 {
	return cell.CRC(cell.CRC(preset(m.enc), []byte{m.mark}), m.data)
}

// likelihood is the chance that all bits are as decided, taking decisions as independent. In FM a transition that is
// taken for its neighbour's turns 10 into 01: two bits of equal odds that count once.
func likelihood(soft []float32, e disk.Encoding) float64 {
	log := 0.0
	for _, w := range events(soft, e, math.Inf(1)) {
		log -= math.Log1p(math.Exp(-float64(w.cost)))
	}
	return math.Exp(log)
}

// event is one way in which the decision may be wrong.
type event struct {
	cost float32 // odds against it, in nats
	bit  int     // the bit that would flip
	two  bool    // and the one after it
}

// events are the ways in which bits may be wrong, up to a cost.
func events(soft []float32, e disk.Encoding, limit float64) []event {
	var out []event
	for i := 0; i < len(soft); i++ {
		c := abs(soft[i])
		if float64(c) > limit || c > 20 {
			continue
		}
		if e == disk.FM && i+1 < len(soft) && (soft[i] > 0) != (soft[i+1] > 0) {
			if d := abs(soft[i+1]); abs(c-d) < 0.02*(c+d)+0.01 {
				out = append(out, event{max(c, d), i, true})
				i++
				continue
			}
		}
		out = append(out, event{c, i, false})
	}
	return out
}

func abs(v float32) float32 {
	if v < 0 {
		return -v
	}
	return v
}

func (f *fixed) why(c *cluster) string {
	bits := 0
	var at []string
	for _, e := range f.events {
		n := 1
		if e.two {
			n = 2
		}
		bits += n
		for k := range n {
			if b := (e.bit + k) / 8; len(at) < 6 {
				if s := fmt.Sprintf("%d", b); len(at) == 0 || at[len(at)-1] != s {
					at = append(at, s)
				}
			}
		}
	}
	what := fmt.Sprintf("%d uncertain bits changed, in bytes %s", bits, strings.Join(at, ", "))
	if bits == 0 {
		what = fmt.Sprintf("the mark taken as %02X", f.mark)
	}
	return fmt.Sprintf("CRC right after %s; %d combinations tried, chance of a random match %.1g", what, f.trials, f.falseChance)
}
