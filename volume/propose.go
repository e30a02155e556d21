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

// granules start from the entry of DIR/SYS: it stands in sector 3 of the directory cylinder and names that cylinder
// and its granules.
func (p *proposer) granules() {
	for at := 0; ; {
		i := bytes.Index(p.data[at:], []byte("DIR     SYS"))
		if i < 0 {
			return
		}
		d := at + i - 5
		at += i + 1
		if d < 0 || d+entryBytes > len(p.data) {
			continue
		}
		cyl, per := int(p.data[d+22]), int(p.data[d+23]&31)+1
		for _, f := range granuleForms {
			for sides := 1; sides <= 2; sides++ {
				perSide := 2
				if f.Encoding == disk.MFM {
					perSide = 3
				}
				if per != perSide*sides {
					continue
				}
				for _, so := range sideOrders(sides) {
					for _, order := range orders(f.Sectors) {
						a := arrangement{sides: sides, sectors: f.Sectors, size: f.Size, first: f.FirstID, enc: f.Encoding, sideOrder: so, order: order}
						t := cyl
						if so == "cylinders" {
							t *= sides
						}
						a.header = d - t*a.trackBytes() - place(order, 3)*a.size
						if a.header < 0 || a.header > maxHeader {
							continue
						}
						a.cyls = p.granuleCylinders(&a, d)
						if a.cyls <= cyl || a.cyls < minGranuleCyls {
							continue
						}
						p.try(a, "granule", nil, fmt.Sprintf("The entry of DIR/SYS stands at byte %d and names cylinder %d.", d, cyl))
					}
				}
			}
		}
	}
}

// granuleCylinders is how many cylinders there are: as the lock-out table says, whose absent cylinders are FF, else
// what the length gives.
func (p *proposer) granuleCylinders(a *arrangement, d int) int {
	byLength := min((len(p.data)-a.header)/(a.trackBytes()*a.sides), granuleTable)
	table := d - place(a.order, 3)*a.size + place(a.order, 0)*a.size
	if table < 0 || table+2*granuleTable > len(p.data) {
		return byLength
	}
	lock := p.data[table+granuleTable : table+2*granuleTable]
	n := granuleTable
	for n > 0 && lock[n-1] == 0xFF {
		n--
	}
	for _, usual := range []int{35, 40, 80} { // the last cylinders may be locked out rather than absent
		if n <= usual && byLength >= usual && n > usual-5 {
			return usual
		}
	}
	if n >= minGranuleCyls && n <= byLength {
		return n
	}
	return byLength
}

// fats start from a parameter block, wherever one stands.
func (p *proposer) fats() {
	for at := 0; at+512 <= len(p.data) && at <= maxHeader; at++ {
		b := p.data[at:]
		if b[0] != 0xEB && b[0] != 0xE9 {
			continue
		}
		s, err := fatParameters(b)
		if err != nil || s.perTrack < 1 || s.perTrack > 64 || s.heads < 1 || s.heads > 2 {
			continue
		}
		cyls := (s.total + s.perTrack*s.heads - 1) / (s.perTrack * s.heads)
		if cyls > disk.MaxCylinders {
			continue
		}
		for _, so := range sideOrders(s.heads) {
			for _, order := range orders(s.perTrack) {
				a := arrangement{cyls: cyls, sides: s.heads, sectors: s.perTrack, size: s.sectorBytes, first: 1, enc: disk.MFM, header: at, sideOrder: so, order: order}
				// The first table must begin with the media byte.
				if t := at + place(order, s.reserved%s.perTrack)*s.sectorBytes; s.reserved < s.perTrack && (t+3 > len(p.data) || p.data[t] != s.media || p.data[t+1] != 0xFF) {
					continue
				}
				p.try(a, "fat12", nil, fmt.Sprintf("A parameter block stands at byte %d.", at))
			}
		}
	}
}

// extents try the known parameter blocks with what is longer than the disk as a header or a trailer, and where
// entries can be seen to begin.
func (p *proposer) extents() {
	sets := append(slices.Clone(p.o.ParameterSets), eightInch)
	begins := p.entryRuns()
	if len(begins) == 0 {
		return
	}
	for _, s := range sets {
		if s.Validate() != nil || s.imageBytes() > len(p.data)+s.imageBytes()/4 {
			continue
		}
		enc := disk.MFM
		if s.SectorSize == 128 {
			enc = disk.FM
		}
		for _, so := range sideOrders(s.Sides) {
			for _, order := range orders(s.Sectors) {
				a := arrangement{cyls: s.Cylinders, sides: s.Sides, sectors: s.Sectors, size: s.SectorSize, first: s.FirstSector, enc: enc, sideOrder: so, order: order}
				v := extentOn(s, &disk.Image{})
				first := v.offset(0)
				n, t := first%a.trackBytes()/a.size, first/a.trackBytes()
				for _, b := range begins {
					a.header = b - a.track(t/s.Sides, t%s.Sides)*a.trackBytes() - place(order, n)*a.size
					if a.header < 0 || a.header > maxHeader || !p.secondSector(v, &a, b) {
						continue
					}
					p.try(a, "extent", s, fmt.Sprintf("Directory entries begin at byte %d; parameter block %s.", b, s.Name))
				}
			}
		}
	}
	p.unknownExtents(begins)
}

// unknownExtents works parameter blocks out for every usual disk that the bytes are long enough for, with the header
// that puts the start of the directory where entries begin.
func (p *proposer) unknownExtents(begins []int) {
	tried := map[string]bool{}
	for _, s := range p.shapesBelow() {
		enc := disk.MFM
		if s.size == 128 {
			enc = disk.FM
		}
		for _, so := range sideOrders(s.sides) {
			a := arrangement{cyls: s.cyls, sides: s.sides, sectors: s.sectors, size: s.size, first: s.first, enc: enc, sideOrder: so}
			size := s.cyls * s.sides * a.trackBytes()
			for off := range 9 {
				for _, b := range begins {
					a.header = b - a.track(off/s.sides, off%s.sides)*a.trackBytes()
					key := fmt.Sprint(s, so, a.header)
					if a.header < 0 || a.header > maxHeader || a.header+size > len(p.data) || a.header+size+maxTrailer < len(p.data) || tried[key] {
						continue
					}
					tried[key] = true
					im, _ := a.image(p.data)
					for _, g := range guessParameters(im, &Options{Recording: &disk.Recording{Cylinders: s.cyls, Sides: s.sides,
						Track: disk.TrackFormat{Encoding: enc, Sectors: s.sectors, Size: s.size, FirstID: s.first}}}) {
						p.try(a, "extent", g.p, g.said[0]+" "+g.said[1])
					}
				}
			}
		}
	}
}

// secondSector reports whether the directory goes on where this order says it does.
func (p *proposer) secondSector(v *extentVolume, a *arrangement, begin int) bool {
	per := v.p.SectorSize / recordBytes
	if v.p.DRM/4 < per {
		return true
	}
	off := v.offset(per)
	t, n := off/a.trackBytes(), off%a.trackBytes()/a.size
	at := a.header + a.track(t/a.sides, t%a.sides)*a.trackBytes() + place(a.order, n)*a.size
	if at+a.size > len(p.data) || at == begin {
		return false
	}
	for i := 0; i+entryBytes <= a.size; i += entryBytes {
		if e := dirEntry(p.data[at+i : at+i+entryBytes]); !e.free() && !e.other() && !plausibleEntry(e) {
			return false
		}
	}
	return true
}

// entryRuns are the places where four entries in a row begin, the first of them a file's, after something else.
func (p *proposer) entryRuns() (out []int) {
	for at := 0; at+4*entryBytes <= len(p.data) && len(out) < 16; at++ {
		e := dirEntry(p.data[at : at+entryBytes])
		if e[0] >= extentUsers || e[15] > recordBytes || e[13] != 0 || !plausibleEntry(e) || extentNameFault(e[1:12]) != "" {
			continue
		}
		files := 0
		for i := range 4 {
			x := dirEntry(p.data[at+i*entryBytes : at+(i+1)*entryBytes])
			if x.free() {
				continue
			}
			if x[0] >= extentUsers || x[15] > recordBytes || x[14] > 15 || !plausibleEntry(x) || extentNameFault(x[1:12]) != "" {
				files = 0
				break
			}
			files++
		}
		if files > 0 {
			out = append(out, at)
			at += 4*entryBytes - 1
		}
	}
	return out
}

// shapesBelow are the usual disks that the bytes are long enough for, with at most a header's length to spare.
func (p *proposer) shapesBelow() (out []extentShape) {
	for _, t := range []extentShape{{0, 0, 26, 128, 1}, {0, 0, 9, 512, 1}, {0, 0, 8, 512, 1}, {0, 0, 10, 512, 1}, {0, 0, 5, 1024, 1}, {0, 0, 16, 256, 1}, {0, 0, 10, 256, 0}, {0, 0, 18, 256, 0}} {
		for _, sides := range []int{1, 2} {
			for _, c := range []int{35, 40, 77, 80} {
				t.cyls, t.sides = c, sides
				if n := c * sides * t.sectors * t.size; n <= len(p.data) && len(p.data)-n <= maxHeader+maxTrailer {
					out = append(out, t)
				}
			}
		}
	}
	return out
}
