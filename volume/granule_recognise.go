package volume

import (
	"bytes"
	"fmt"

	"remanence/disk"
)

// granuleForms are the two track shapes of the class.
var granuleForms = []disk.TrackShape{
	{Sectors: 10, Size: granuleSectorBytes, FirstID: 0, Encoding: disk.FM},
	{Sectors: 18, Size: granuleSectorBytes, FirstID: 0, Encoding: disk.MFM},
}

// granuleGeometries are the disks that an image of n bytes may be.
func granuleGeometries(n int, o *Options) (out []candidateShape) {
	add := func(g disk.Geometry, name string) {
		if g.Size() != int64(n) {
			return
		}
		for _, c := range out {
			if sameShape(c.g, g) {
				return
			}
		}
		out = append(out, candidateShape{g, name})
	}
	if o.Recording != nil {
		return []candidateShape{{o.Recording.Geometry(), o.Recording.Name}}
	}
	if sc := o.Sidecar; sc != nil && sc.Recording != "" && sc.Cylinders > 0 {
		for _, r := range o.Recordings {
			if r.Name == sc.Recording {
				add(r.With(sc.Cylinders, sc.Heads).Geometry(), r.Name)
			}
		}
		if len(out) > 0 {
			return out
		}
	}
	for _, r := range o.Recordings {
		f := r.Track
		if f.Size != granuleSectorBytes || f.Sectors != 10 && f.Sectors != 18 {
			continue
		}
		for _, sides := range []int{1, 2} {
			per := int64(f.Sectors * f.Size * sides)
			c := int((int64(n) + per - 1) / per)
			for _, cyls := range []int{c, c + 1} { // one more where a track is shorter
				if cyls >= minGranuleCyls && cyls <= granuleTable {
					add(r.With(cyls, sides).Geometry(), r.Name)
				}
			}
		}
	}
	for _, t := range granuleForms {
		for _, sides := range []int{1, 2} {
			per := t.Bytes() * sides
			if n%per == 0 && n/per >= minGranuleCyls && n/per <= granuleTable {
				add(disk.NewGeometry(n/per, sides, t), "")
			}
		}
	}
	return out
}

type candidateShape struct {
	g    disk.Geometry
	name string
}

func sameShape(a, b disk.Geometry) bool {
	if a.Cylinders != b.Cylinders || a.Heads != b.Heads {
		return false
	}
	for c := range a.Cylinders {
		for h := range a.Heads {
			if a.Shape(c, h) != b.Shape(c, h) {
				return false
			}
		}
	}
	return true
}

// shortGeometries are usual disks that an image cut short may be.
func shortGeometries(n int) (out []candidateShape) {
	for _, t := range granuleForms {
		for _, sides := range []int{1, 2} {
			for _, cyls := range []int{35, 40, 80} {
				if g := disk.NewGeometry(cyls, sides, t); g.Size() > int64(n) && int64(n) > int64((usualDirectory+1)*t.Bytes()*sides) {
					out = append(out, candidateShape{g, ""})
				}
			}
		}
	}
	return out
}

// granuleClaims looks for a directory cylinder in every geometry that the length allows.
func granuleClaims(data []byte, o *Options, _ int) []claim {
	if len(data) < minGranuleCyls*2560 {
		return nil
	}
	best, found := granuleBest(data, granuleGeometries(len(data), o), o.Kind == "granule")
	short := false
	if !found && o.Recording == nil {
		if best, found = granuleBest(data, shortGeometries(len(data)), o.Kind == "granule"); found {
			short = true
		}
	}
	if !found {
		if o.Kind != "granule" || best.s == nil {
			return nil
		}
		best.score = 1 // asked for: read what can be read
	}
	return []claim{best.claim(data, o, short)}
}

type granuleGuess struct {
	s     *granuleShape
	dir   int
	score int
}

const granuleEnough = 60 // BOOT/SYS and DIR/SYS with their hashes are 80, a file with its hash 10

func granuleBest(data []byte, shapes []candidateShape, asked bool) (best granuleGuess, found bool) {
	named := int(data[2])
	for _, c := range shapes {
		s, err := shapeOf(c.g, c.name)
		if err != nil {
			continue
		}
		for _, d := range []int{named, usualDirectory} {
			if g := (granuleGuess{s, d, s.score(data, d, asked)}); best.s == nil && d < s.cyls && d > 0 || g.score > best.score {
				best = g
			}
		}
	}
	if best.score < granuleEnough { // neither where the boot sector says nor where it usually is
		for _, c := range shapes {
			s, err := shapeOf(c.g, c.name)
			if err != nil {
				continue
			}
			for d := 1; d < s.cyls; d++ {
				if g := (granuleGuess{s, d, s.score(data, d, asked)}); g.score > best.score {
					best = g
				}
			}
		}
	}
	return best, best.score >= granuleEnough
}

// score is how much speaks for a directory on cylinder d. Where a granule volume was asked for, a directory without
// its first two entries will do.
func (s *granuleShape) score(data []byte, d int, asked bool) int {
	if d < 1 || d >= s.cyls {
		return 0
	}
	base := s.offsets[d*s.perCyl]
	end := base + int64(2+s.dirSectors())*granuleSectorBytes
	if base < 0 || end > int64(len(data)) {
		return 0
	}
	b := data[base:end]
	score := 0
	for _, f := range []struct {
		code int
		name string
	}{{codeBoot, "BOOT    SYS"}, {codeDir, "DIR     SYS"}} {
		if e := b[512+256*f.code:]; string(e[5:16]) == f.name {
			score += 20
			if b[256+f.code] == nameHash(e[5:16]) {
				score += 20
			}
		}
	}
	if score == 0 && !asked {
		return 0 // neither of the two entries that every volume has
	}
	for code := range 256 {
		if code&31 >= s.dirSectors() {
			continue
		}
		e := entry(b[512+256*(code&31)+32*(code>>5):][:32])
		if e.used() && !e.extension() && code > codeDir {
			if e.plainName() && b[256+code] == e.hash() {
				score += 10
			} else {
				score -= 5
			}
		}
	}
	// The tables tell the number of granules a cylinder, and of cylinders, apart.
	fit := 0
	for c := range granuleTable {
		want := s.absent(c)
		if c >= s.cyls {
			want = 0xFF
		}
		if b[c]&want == want && b[granuleTable+c] == want {
			fit++
		}
	}
	if score > 0 {
		score += fit / 2
		if int(data[2]) == d {
			score += 10
		}
		if e := b[512+256*codeDir:]; int(e[22]) == d && int(e[23]) == s.perCyl-1 {
			score += 20
		}
		if (b[0xCB] != 0 || b[0xCD] != 0) && int(int8(b[0xCC]))+35 == s.cyls && int(b[0xCD]&7)+1 == s.perCyl {
			score += 20
		}
	}
	return max(score, 0)
}

// claim says what was found and opens it.
func (g granuleGuess) claim(data []byte, o *Options, short bool) claim {
	s, d := g.s, g.dir
	enc := "FM"
	if s.mfm {
		enc = "MFM"
	}
	sides := "1 side"
	if s.geometry.Heads == 2 {
		sides = "2 sides"
	}
	said := []string{fmt.Sprintf("Geometry: %d cylinders, %s, %s, %d granules a cylinder: the length fits and the directory on cylinder %d agrees.", s.cyls, sides, enc, s.perCyl, d)}
	if short {
		said[0] = fmt.Sprintf("The image is %d bytes short of %d cylinders, %s, %s; the end is missing.", s.geometry.Size()-int64(len(data)), s.cyls, sides, enc)
	}
	if int(data[2]) != d {
		said = append(said, fmt.Sprintf("Directory: found on cylinder %d; the boot sector names %d.", d, data[2]))
	}
	open := func() (Volume, []string, error) {
		im, err := disk.ImageOf(s.recording, s.geometry, data)
		if err != nil {
			return nil, said, err
		}
		v, err := s.volume(im, d)
		if err != nil {
			return nil, said, err
		}
		if o.Sidecar != nil {
			if err := im.Apply(o.Sidecar); err != nil { // what fits was taken
				said = append(said, fmt.Sprintf("The sidecar does not fit the image in full: %v.", err))
			}
			v.marked = true
		} else {
			mark := directoryMark(0, s.mfm)
			for _, p := range v.dirPlaces() {
				im.SetMark(p, mark)
			}
			said = append(said, fmt.Sprintf("Marks: the image does not tell them; the directory's sectors are given the mark %02X.", mark))
		}
		switch o.Rounding {
		case "":
			up, down := v.roundingVotes()
			v.down = down > up
			switch {
			case v.down:
				said = append(said, fmt.Sprintf("Sectors are rounded down: %d files fit only so, %d only the other way.", down, up))
			case up > 0:
				said = append(said, fmt.Sprintf("Sectors are rounded up: %d files fit only so, %d only the other way.", up, down))
			default:
				said = append(said, "Sectors are taken as rounded up, as is usual; no file decides it.")
			}
		case "up", "down":
			v.down = o.Rounding == "down"
		default:
			return nil, said, fmt.Errorf("rounding %q: want up or down", o.Rounding)
		}
		return v, said, nil
	}
	return claim{score: g.score, open: open}
}

// roundingVotes counts the files that fit their granules only if a partial last sector is counted, and those that fit
// only if it is not. Where sizes decide nothing, the slack does: what follows the last byte of a file in its sector is
// padding, and the sector before is not.
func (v *granule) roundingVotes() (up, down int) {
	var softUp, softDown int
	codes, _ := v.primaries()
	for _, code := range codes {
		e := v.entry(code)
		n, last := e.count(), e.lastBytes()
		if last == 0 {
			continue
		}
		list, faults := v.granulesOf(code)
		if len(faults) > 0 || len(list) == 0 {
			continue
		}
		held := len(list) * v.sectors
		switch n {
		case held:
			up++
			continue
		case held - v.sectors:
			down++
			continue
		}
		if n == 0 || n >= held {
			continue
		}
		a, b := v.slack(list, n-1, last), v.slack(list, n, last)
		if a && !b {
			softUp++
		} else if b && !a {
			softDown++
		}
	}
	if up == down {
		return up + softUp, down + softDown
	}
	return up, down
}

// slack reports whether sector n of a file is padding (one byte throughout) from byte last on, and not before. A tail
// of a few bytes proves little; then the sector behind it, where the file holds one, must be padding as well.
func (v *granule) slack(list []int, n, last int) bool {
	s := v.fileSector(list, n)
	if s == nil || !uniform(s[last:]) || s[last-1] == s[len(s)-1] {
		return false
	}
	if len(s)-last >= 4 || n+1 >= len(list)*v.sectors {
		return true
	}
	next := v.fileSector(list, n+1)
	return next != nil && uniform(next)
}

// fileSector is sector n of a file; nil where it cannot be read.
func (v *granule) fileSector(list []int, n int) []byte {
	g := list[n/v.sectors]
	if g < 0 {
		return nil
	}
	o := v.offsets[g] + int64(n%v.sectors)*granuleSectorBytes
	return v.im.Data[o : o+granuleSectorBytes]
}

// uniform reports whether b is one byte throughout.
func uniform(b []byte) bool { return len(b) < 2 || bytes.Equal(b[1:], b[:len(b)-1]) }
