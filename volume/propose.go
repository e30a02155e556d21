package volume

import (
	"bytes"
	"fmt"
	"slices"

	"remanence/disk"
)

// Proposal is one way to read sector-level bytes of unknown origin as a disk, with what speaks for it.
type Proposal struct {
	Kind      string   `json:"kind"`
	Header    int      `json:"header-bytes"`  // before the first sector
	Trailer   int      `json:"trailer-bytes"` // behind the last
	Cylinders int      `json:"cylinders"`
	Sides     int      `json:"sides"`
	Sectors   int      `json:"sectors"` // a track
	Size      int      `json:"sector-bytes"`
	First     int      `json:"first-sector"`
	SideOrder string   `json:"side-order"`   // cylinders: side 0 then 1 of each; sides: all of side 0, then 1; back: side 1 from the last cylinder back
	Order     []int    `json:"sector-order"` // sector numbers as they stand in the file; empty: ascending
	Inverted  bool     `json:"inverted,omitempty"`
	Files     int      `json:"files"`
	Faults    int      `json:"faults"`
	Why       []string `json:"why"`
	Image     []byte   `json:"-"` // the sectors in numeric order, cylinder by cylinder: what Open reads
	score     int
	recording *disk.Recording
	params    *Parameters
}

const (
	maxHeader    = 1 << 16
	maxTrailer   = 4096 // behind a disk whose parameter block is not known
	maxProposals = 8
	maxTried     = 4000 // readings that are looked at; what is left over would be told apart by nothing
)

// arrangement is how sectors stand in a file.
type arrangement struct {
	cyls, sides, sectors, size, first int
	enc                               disk.Encoding
	header                            int
	sideOrder                         string
	order                             []int // sector index at each place of the track; nil: ascending
}

func (a *arrangement) trackBytes() int { return a.sectors * a.size }

// track is the number of a track in the file.
func (a *arrangement) track(cyl, head int) int {
	switch {
	case a.sides == 1 || a.sideOrder == "cylinders":
		return cyl*a.sides + head
	case head == 0:
		return cyl
	case a.sideOrder == "sides":
		return a.cyls + cyl
	}
	return 2*a.cyls - 1 - cyl // back
}

// image puts the sectors of the file in numeric order. What the file does not have is left zero; missing says how
// many bytes that are.
func (a *arrangement) image(data []byte) (out []byte, missing int) {
	tb := a.trackBytes()
	out = make([]byte, a.cyls*a.sides*tb)
	for c := range a.cyls {
		for h := range a.sides {
			from, to := a.header+a.track(c, h)*tb, (c*a.sides+h)*tb
			for i := range a.sectors {
				n := i
				if a.order != nil {
					n = a.order[i]
				}
				src := from + i*a.size
				if src+a.size > len(data) {
					missing += a.size
					continue
				}
				copy(out[to+n*a.size:], data[src:src+a.size])
			}
		}
	}
	return out, missing
}

// orders are the ways in which the sectors of a track may stand in a file: ascending, and every interleave, as the
// numbers pass the head or as a table of them.
func orders(n int) [][]int {
	out := [][]int{nil}
	seen := map[string]bool{}
	asc := make([]int, n)
	for i := range asc {
		asc[i] = i
	}
	var inverses [][]int
	keep := func(to *[][]int, o []int) {
		b := make([]byte, n)
		for i, s := range o {
			b[i] = byte(s)
		}
		if !seen[string(b)] {
			seen[string(b)] = true
			*to = append(*to, o)
		}
	}
	keep(&inverses, asc)
	inverses = nil
	for k := 2; k < n; k++ {
		t := SkewTable(n, k, 0)
		keep(&out, t)
		inverse := make([]int, n)
		for i, s := range t {
			inverse[s] = i
		}
		keep(&inverses, inverse)
	}
	return append(out, inverses...)
}

func sideOrders(sides int) []string {
	if sides == 1 {
		return []string{"cylinders"}
	}
	return []string{"cylinders", "sides", "back"}
}

// place is where sector index n stands in a track of this order.
func place(order []int, n int) int {
	if order == nil {
		return n
	}
	return slices.Index(order, n)
}

// Propose looks for volumes in bytes of unknown origin: at every offset where the books of one can be seen, and with
// every interleave and side order. The best readings come first. A reading is proposed only where a volume opens and
// more of it is right than wrong.
func Propose(data []byte, o Options) []Proposal {
	if len(data) > disk.MaxImageBytes || len(data) < 16384 {
		return nil
	}
	out := propose(data, &o)
	if len(out) == 0 {
		turned := bytes.Clone(data)
		invert(turned)
		out = propose(turned, &o)
		for i := range out {
			out[i].Inverted = true
			out[i].Why = append(out[i].Why, "Every byte is stored complemented.")
		}
	}
	slices.SortStableFunc(out, func(a, b Proposal) int { return b.score - a.score })
	for i := range out { // far worse readings say nothing
		if out[i].score*10 < out[0].score*6 {
			out = out[:i]
			break
		}
	}
	if len(out) > 1 && out[0].Kind == out[1].Kind && out[0].score/1000 == out[1].score/1000 && out[0].score-out[1].score < 10 {
		out[0].Why = append(out[0].Why, "The next proposal explains the bytes as well; only the content of a file can decide.")
	}
	return out[:min(len(out), maxProposals)]
}

func propose(data []byte, o *Options) (out []Proposal) {
	p := proposer{data: data, o: o, seen: map[string]bool{}}
	p.granules()
	p.fats()
	p.extents()
	return p.out
}

type proposer struct {
	data  []byte
	o     *Options
	out   []Proposal
	seen  map[string]bool
	tried int
}

// try opens one arrangement and keeps it where it holds a volume. more is what led to it.
func (p *proposer) try(a arrangement, kind string, params *Parameters, more string) {
	if p.tried++; p.tried > maxTried {
		return
	}
	im, missing := a.image(p.data)
	if missing > len(im)/2 {
		return
	}
	opt := Options{Kind: kind, Recordings: p.o.Recordings, Rounding: p.o.Rounding, Parameters: params,
		Recording: &disk.Recording{Cylinders: a.cyls, Sides: a.sides,
			Track: disk.TrackFormat{Encoding: a.enc, Sectors: a.sectors, Size: a.size, FirstID: a.first}}}
	for _, r := range p.o.Recordings {
		if r.Track.Sectors == a.sectors && r.Track.Size == a.size && r.Track.FirstID == a.first && r.Track.Encoding == a.enc && len(r.Zones) == 0 {
			opt.Recording = r.With(a.cyls, a.sides)
			break
		}
	}
	v, said, err := Open(im, opt)
	if err != nil {
		return
	}
	files, faults := v.Files(), v.Check()
	whole := 0
	for _, f := range files {
		if len(f.Faults) == 0 {
			whole++
		}
	}
	score := 10*whole - 4*len(faults) + 5
	if whole == 0 && len(faults) > 0 || score <= 0 {
		return
	}
	agree := blankness(v)
	score = score*1000 + int(agree*1000)
	if a.order == nil { // what is usual wins where nothing else decides
		score += 2
	}
	if a.sideOrder == "cylinders" {
		score++
	}
	key := fmt.Sprint(kind, a)
	if p.seen[key] {
		return
	}
	p.seen[key] = true
	x := Proposal{Kind: kind, Header: a.header, Trailer: max(0, len(p.data)-a.header-len(im)), Cylinders: a.cyls, Sides: a.sides, Sectors: a.sectors,
		Size: a.size, First: a.first, SideOrder: a.sideOrder, Files: len(files), Faults: len(faults), Image: im, score: score, recording: opt.Recording, params: params}
	for _, n := range a.order {
		x.Order = append(x.Order, n+a.first)
	}
	x.Why = append(x.Why, more, fmt.Sprintf("Read so, %d of %d files are whole and the check finds %d faults.", whole, len(files), len(faults)))
	if agree > 0 {
		x.Why = append(x.Why, fmt.Sprintf("Where no file lies the disk is blank, and where one lies it is not: %.1f %% of the disk agree.", 100*agree))
	}
	if missing > 0 {
		x.Why = append(x.Why, fmt.Sprintf("%d bytes at the end are missing.", missing))
	}
	x.Why = append(x.Why, said...)
	p.out = append(p.out, x)
}

// blankness is how well a reading tells files from blank space, 0 to 1: a directory alone does not show in which order
// the second side stands, but space that was never written holds one byte throughout, and files do not.
func blankness(v Volume) float64 {
	const chunk = 128
	what := areas(v)
	data := v.Image().Data
	agree, total := 0, 0
	for o := 0; o+chunk <= len(data); o += chunk {
		x := what[o]
		if x == areaSystem || what[o+chunk-1] != x {
			continue
		}
		c := data[o : o+chunk]
		blank := uniform(c)
		total++
		if blank == (x == areaSlack) {
			agree++
		}
	}
	if total == 0 {
		return 0
	}
	return float64(agree) / float64(total)
}

// Volume opens what is proposed.
func (x *Proposal) Volume(o Options) (Volume, []string, error) {
	o.Kind, o.Recording = x.Kind, x.recording
	if x.params != nil {
		o.Parameters = x.params
	}
	return Open(bytes.Clone(x.Image), o)
}
