package volume

import (
	"bytes"
	"cmp"
	"fmt"
	"slices"
	"strings"

	"remanence/disk"
)

// sure is a score that only a volume of the kind reaches.
const sure = 60

// extentClaims tries the parameter blocks that are known for an image of this length; where none explains the
// directory, it works one out.
func extentClaims(data []byte, o *Options, other int) []claim {
	if len(data) < 16384 {
		return nil
	}
	known := append(slices.Clone(o.ParameterSets), eightInch)
	if o.Parameters != nil {
		known = []*Parameters{o.Parameters}
	}
	var out []claim
	best := 0
	var nearest *Parameters // the known block that explains most of the directory
	var nearestEv evidence
	for _, p := range known {
		if p.Validate() != nil || o.Recording != nil && !p.fitsRecording(o.Recording) {
			continue
		}
		if n := p.imageBytes(); n != len(data) && (o.Parameters == nil || n < len(data)) {
			continue
		}
		ev := extentEvidence(p, data)
		score := ev.score()
		why := fmt.Sprintf("Parameter block %s: %s.", p.Name, ev)
		switch {
		case o.Parameters != nil:
			score, why = max(score, 1), fmt.Sprintf("Parameter block %s as asked for: %s.", p.Name, ev)
		case ev.entries == 0 && ev.wrong == 0 && blankVolume(p, data):
			score = 12
			why = fmt.Sprintf("Parameter block %s: the length fits, and the directory is empty (E5h throughout).", p.Name)
			if !uniform(data[p.OFF*p.SPT*recordBytes:]) {
				score = 3 // written to elsewhere: another reading may know the files
			}
		case o.Kind == "extent" && score <= 0 && ev.entries > 0:
			score = 1
		}
		// A block that explains most of the directory is not given up for one that was made to fit the damage.
		if ev.entries > 2*(ev.wrong+ev.disagree) && (nearest == nil || score > best) {
			nearest, nearestEv = p, ev
		}
		if score > 0 {
			best = max(best, score)
			out = append(out, claim{score, openExtent(data, o, p, []string{why, p.String() + "."})})
		}
	}
	if o.Parameters != nil || other >= sure || nearest != nil && nearestEv.wrong == 0 {
		return out
	}
	for _, g := range guessParameters(data, o) {
		score := g.ev.score() - 5
		if nearest != nil {
			// Some entries make no sense: damage, or another sector order? Where the files lie tells.
			if g.ev.entries < nearestEv.entries || fit(g.p, data) < fit(nearest, data)+0.02 {
				return out
			}
			score = max(score, best+1)
		}
		if score > best {
			best = score
			out = append(out, claim{score, openExtent(data, o, g.p, g.said)})
		}
	}
	return out
}

// fit is how well files and blank space lie where a parameter block says, 0 to 1: records of files hold something, all
// others are one byte throughout.
func fit(p *Parameters, data []byte) float64 {
	v := extentOn(p, &disk.Image{Data: data})
	held := make([]uint8, p.DSM+1) // records of each block that files reach
	n, _ := p.pointers()
	for i := 0; i <= p.DRM; i++ {
		e := v.entry(i)
		if e.free() || e.other() {
			continue
		}
		for j, left := 0, v.used(e); j < n && left > 0; j, left = j+1, left-p.BLM-1 {
			if b := v.block(e, j); b > 0 && b <= p.DSM {
				held[b] = max(held[b], uint8(min(left, p.BLM+1)))
			}
		}
	}
	agree := 0
	for b := p.directoryBlocks(); b <= p.DSM; b++ {
		for r := range p.BLM + 1 {
			if uniform(v.record(b<<p.BSH+r)) == (r >= int(held[b])) {
				agree++
			}
		}
	}
	return float64(agree) / float64((p.DSM+1-p.directoryBlocks())<<p.BSH)
}

// blankVolume reports whether the directory holds nothing but the filler of a fresh disk.
func blankVolume(p *Parameters, data []byte) bool {
	v := extentOn(p, &disk.Image{Geometry: p.geometry(disk.FM), Data: data})
	for i := 0; i <= p.DRM; i++ {
		if e := v.entry(i); len(bytes.Trim(e, "\xE5")) > 0 {
			return false
		}
	}
	return true
}

func openExtent(data []byte, o *Options, p *Parameters, said []string) func() (Volume, []string, error) {
	return func() (Volume, []string, error) {
		if err := p.Validate(); err != nil {
			return nil, said, fmt.Errorf("parameter block %s: %w", p.Name, err)
		}
		enc, name := disk.MFM, ""
		if p.SectorSize == 128 {
			enc = disk.FM
		}
		if r := o.extentRecording(p); r != nil {
			enc, name = r.Track.Encoding, r.Name
		}
		im, err := disk.ImageOf(name, p.geometry(enc), data)
		if err != nil {
			return nil, said, err
		}
		if o.Sidecar != nil {
			if err := im.Apply(o.Sidecar); err != nil { // what fits was taken
				said = append(said, fmt.Sprintf("The sidecar does not fit the image in full: %v.", err))
			}
		}
		if p.Inverted {
			im.Data = slices.Clone(im.Data)
			invert(im.Data)
		}
		v := extentOn(p, im)
		v.trunc = len(data) < p.imageBytes()
		return v, said, nil
	}
}

// extentRecording finds the recording that a parameter block is for.
func (o *Options) extentRecording(p *Parameters) *disk.Recording {
	if o.Recording != nil {
		return o.Recording
	}
	for _, r := range o.Recordings {
		if p.fitsRecording(r.With(p.Cylinders, p.Sides)) && (r.Sides == p.Sides || slices.Contains(r.SideChoices, p.Sides)) &&
			(r.Cylinders == p.Cylinders || slices.Contains(r.CylinderChoices, p.Cylinders)) {
			return r
		}
	}
	return nil
}

// evidence is how well a directory agrees with a parameter block.
type evidence struct {
	entries  int // look like entries, and their blocks agree with their records
	wrong    int // in use, but impossible
	disagree int // of the possible ones: blocks do not agree with records, lead outside, or are taken twice
	lowest   int // lowest block that a file holds
}

func (e evidence) score() int { return 10*e.entries - 15*e.wrong - 12*e.disagree }

func (e evidence) String() string {
	s := fmt.Sprintf("%d entries agree with it", e.entries)
	if e.disagree+e.wrong > 0 {
		s += fmt.Sprintf(", %d do not", e.disagree+e.wrong)
	}
	return s
}

// plausible reports whether 32 bytes may be an entry of a file: user, name, extent and record count.
func plausibleEntry(e dirEntry) bool {
	if e[0] >= 32 || e[12] > 31 || e[14] > 63 || e[1] == ' ' {
		return false
	}
	odd := 0
	for _, c := range e[1:12] {
		c &= 0x7F
		if c < ' ' || c == 0x7F {
			return false
		}
		if c >= 'a' && c <= 'z' {
			odd++
		}
	}
	return odd <= 2
}

// extentEvidence reads the directory as p says it lies.
func extentEvidence(p *Parameters, data []byte) evidence {
	if n := p.imageBytes(); len(data) < n {
		data = append(slices.Clone(data), make([]byte, n-len(data))...)
	}
	if p.Inverted {
		data = slices.Clone(data)
		invert(data)
	}
	v := extentOn(p, &disk.Image{Data: data})
	return v.evidence(false)
}

// evidence counts; strict gives up at the first entry that makes no sense.
func (v *extentVolume) evidence(strict bool) evidence {
	ev := evidence{lowest: v.p.DSM + 1}
	n, _ := v.p.pointers()
	taken := make([]bool, v.p.DSM+1)
	for i := 0; i <= v.p.DRM; i++ {
		e := v.entry(i)
		if e.free() || e.other() {
			continue
		}
		if !plausibleEntry(e) {
			if ev.wrong++; strict {
				return ev
			}
			continue
		}
		need := (v.used(e) + v.p.BLM) >> v.p.BSH
		ok := true
		for j := range n {
			b := v.block(e, j)
			if (b != 0) != (j < need) || b > v.p.DSM || b != 0 && b < v.p.directoryBlocks() {
				ok = false
				continue
			}
			if b != 0 {
				if taken[b] {
					ok = false
				}
				taken[b] = true
				ev.lowest = min(ev.lowest, b)
			}
		}
		if ok {
			ev.entries++
		} else {
			ev.disagree++
		}
	}
	return ev
}

// guess is a parameter block that was worked out, with what speaks for it.
type guess struct {
	p    *Parameters
	ev   evidence
	said []string
	// agree is how well files and blank space lie where they should, where that had to decide.
	agree float64
}

// extentShape is a physical disk that an image of this length may be.
type extentShape struct {
	cyls, sides, sectors, size, first int
}

// extentShapes lists them: the recordings that are known first, then what is common.
func extentShapes(n int, o *Options) (out []extentShape) {
	add := func(s extentShape) {
		if s.cyls >= 20 && s.cyls <= 96 && s.cyls*s.sides*s.sectors*s.size == n && !slices.Contains(out, s) {
			out = append(out, s)
		}
	}
	if r := o.Recording; r != nil {
		if len(r.Zones) == 0 {
			add(extentShape{r.Cylinders, r.Sides, r.Track.Sectors, r.Track.Size, r.Track.FirstID})
		}
		return out
	}
	for _, r := range o.Recordings {
		if len(r.Zones) > 0 {
			continue
		}
		for _, sides := range append([]int{r.Sides}, r.SideChoices...) {
			for _, c := range append([]int{r.Cylinders}, r.CylinderChoices...) {
				add(extentShape{c, sides, r.Track.Sectors, r.Track.Size, r.Track.FirstID})
			}
		}
	}
	for _, t := range []extentShape{{0, 0, 26, 128, 1}, {0, 0, 9, 512, 1}, {0, 0, 8, 512, 1}, {0, 0, 10, 512, 1}, {0, 0, 5, 1024, 1}, {0, 0, 16, 256, 1}, {0, 0, 18, 128, 1}, {0, 0, 16, 128, 1}, {0, 0, 10, 256, 0}, {0, 0, 18, 256, 0}, {0, 0, 15, 512, 1}, {0, 0, 18, 512, 1}, {0, 0, 26, 256, 1}} {
		for _, c := range []int{35, 40, 77, 80} {
			for sides := 1; sides <= 2; sides++ {
				add(extentShape{c, sides, t.sectors, t.size, t.first})
			}
		}
	}
	return out
}

// directoryStart reports whether a directory can begin with this sector: it has an entry, and whatever else it holds
// may be one.
func directoryStart(b []byte) bool {
	for i := 0; i+entryBytes <= len(b); i += entryBytes {
		if e := dirEntry(b[i : i+entryBytes]); e[0] < extentUsers && e[15] <= recordBytes && plausibleEntry(e) {
			return mayBeDirectory(b)
		}
	}
	return false
}

// mayBeDirectory reports whether all of a sector can be directory entries, free ones included.
func mayBeDirectory(b []byte) bool {
	for i := 0; i+entryBytes <= len(b); i += entryBytes {
		if e := dirEntry(b[i : i+entryBytes]); !e.free() && !e.other() && !plausibleEntry(e) {
			return false
		}
	}
	return true
}

// guessParameters works a parameter block out: the reserved tracks from where entries begin, the sector order from
// where they go on, block size and width of block numbers from how many blocks the record counts ask for, and the
// size of the directory from the lowest block that a file holds.
func guessParameters(data []byte, o *Options) (out []guess) {
	best := 0
	tried := map[int]bool{}
	for _, s := range extentShapes(len(data), o) {
		track := s.sectors * s.size
		for off := 0; off <= 8 && (off+1)*track < len(data); off++ {
			at := off * track
			if !directoryStart(data[at : at+min(s.size, 512)]) {
				continue
			}
			for i, order := range orders(s.sectors) {
				if i == 0 { // without a skew, disks of another shape read alike: one is enough
					if tried[at] {
						continue
					}
					tried[at] = true
				}
				if g, ok := s.guess(data, off, order); ok && g.ev.score() >= best {
					best = g.ev.score()
					out = append(out, g)
				}
			}
		}
	}
	out = slices.DeleteFunc(out, func(g guess) bool { return g.ev.score() < best })
	if len(out) < 2 {
		return out
	}
	// A short directory fits many sector orders. The right one is that in which files lie where something is written.
	for i := range out[:min(len(out), maxGuesses)] {
		out[i].agree = fit(out[i].p, data)
	}
	slices.SortStableFunc(out, func(a, b guess) int { return cmp.Compare(b.agree, a.agree) })
	out[0].said[0] += fmt.Sprintf(" Of %d orders that the directory allows, it is the one in which files and blank space lie where they should: in %.1f %% of the disk.", len(out), 100*out[0].agree)
	return out[:1]
}

// maxGuesses bounds how many readings are weighed against each other.
const maxGuesses = 100

// guess finds the block size and the rest for a disk whose directory begins after off tracks, with its sectors in the
// order given (nil: ascending).
func (s extentShape) guess(data []byte, off int, order []int) (best guess, ok bool) {
	spt := s.sectors * s.size / recordBytes
	p := &Parameters{Name: "worked-out", Title: "worked out from the directory", Source: "the image itself",
		Cylinders: s.cyls, Sides: s.sides, Sectors: s.sectors, SectorSize: s.size, FirstSector: s.first, SPT: spt, OFF: off}
	for _, n := range order {
		p.Skew = append(p.Skew, n+s.first)
	}
	v := extentOn(p, &disk.Image{Data: data})
	if s.sectors > 1 && !mayBeDirectory(data[v.offset(s.size/recordBytes):][:s.size]) && s.size < 1024 {
		return best, false // the smallest directory has 1,024 bytes
	}
	for bsh := 3; bsh <= 7; bsh++ {
		blocks := (s.cyls*s.sides - off) * spt >> bsh
		if blocks < 8 || bsh == 3 && blocks > 256 {
			continue
		}
		p.BSH, p.BLM, p.DSM, p.EXM = bsh, 1<<bsh-1, blocks-1, 1<<(bsh-3)-1
		if p.DSM > 255 {
			p.EXM = 1<<(bsh-4) - 1
		}
		// The directory takes whole blocks below the lowest one of a file: try each size, the largest that holds.
		for _, dirBlocks := range []int{1, 2, 3, 4, 6, 8, 16} {
			al := 0xFFFF << (16 - dirBlocks) & 0xFFFF
			p.AL0, p.AL1, p.DRM = al>>8, al&0xFF, dirBlocks*p.BlockBytes()/entryBytes-1
			p.CKS = (p.DRM + 1) / 4
			if p.DRM > 8191 || p.Validate() != nil {
				continue
			}
			ev := v.evidence(true)
			if ev.wrong > 0 {
				break // a larger directory holds the same
			}
			if ev.entries == 0 || ok && (ev.score() < best.ev.score() || ev.score() == best.ev.score() && (dirBlocks > 4 || ev.lowest < dirBlocks)) {
				continue
			}
			q := *p
			best, ok = guess{p: &q, ev: ev, said: []string{
				fmt.Sprintf("Parameter block worked out: the directory begins on track %d; its sectors follow each other %s.", off, orderWords(p.Skew)),
				fmt.Sprintf("Blocks of %d bytes with %s numbers: %s; the lowest block of a file is %d, so the directory has %d blocks (%d entries).",
					q.BlockBytes(), map[bool]string{true: "two-byte", false: "one-byte"}[q.DSM > 255], ev, ev.lowest, dirBlocks, q.DRM+1),
				q.String() + ".",
			}}, true
		}
	}
	return best, ok
}

func orderWords(skew []int) string {
	if skew == nil {
		return "ascending"
	}
	return "in the order " + strings.Trim(fmt.Sprint(skew), "[]")
}
