package volume

import (
	"bytes"
	"fmt"
	"slices"

	"remanence/disk"
)

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
