package volume

import (
	"errors"
	"fmt"
	"math/bits"
	"slices"

	"remanence/disk"
)

// Parameters describe an extent volume: the disk parameter block and what stands around it. Source of the fields: the
// system's operating-system manual, 6.10 and 6.11 (disk parameter block), and common practice for the rest.
type Parameters struct {
	Name      string `toml:"name"`
	Title     string `toml:"title"`
	Source    string `toml:"source"`
	Recording string `toml:"recording,omitempty"` // NAME:CYLINDERSxSIDES it is meant for
	// Cylinders, Sides, Sectors, SectorSize and FirstSector are the disk, where no recording is named.
	Cylinders   int `toml:"cylinders"`
	Sides       int `toml:"sides"`
	Sectors     int `toml:"sectors"`      // a track
	SectorSize  int `toml:"sector-size"`  // bytes
	FirstSector int `toml:"first-sector"` // lowest sector number

	SPT  int   `toml:"spt"` // 128-byte records a (logical) track
	BSH  int   `toml:"bsh"` // log2(block size / 128)
	BLM  int   `toml:"blm"` // block size / 128 - 1
	EXM  int   `toml:"exm"` // extent mask
	DSM  int   `toml:"dsm"` // highest block number
	DRM  int   `toml:"drm"` // directory entries - 1
	AL0  int   `toml:"al0"` // directory blocks, from bit 7 down
	AL1  int   `toml:"al1"`
	CKS  int   `toml:"cks"`
	OFF  int   `toml:"off"`            // reserved tracks
	Skew []int `toml:"skew,omitempty"` // sector numbers in logical order; empty: ascending
	// SkewReserved: the skew table holds on the reserved tracks too.
	SkewReserved bool `toml:"skew-reserved,omitempty"`
	// Order is how logical tracks run over the sides: cylinders (default: side 0 then side 1 of each cylinder),
	// sides (all of side 0, then all of side 1), back (side 1 from the last cylinder back).
	Order string `toml:"order,omitempty"`
	// Inverted data: every byte is stored complemented.
	Inverted bool `toml:"inverted,omitempty"`
}

// eightInch is the published volume of the 8-inch single-density disk, 26 x 128: known without any profile.
// Source: a period BIOS listing and the operating-system manual, 6.10.
var eightInch = &Parameters{
	Name: "fm26x128-1k", Title: "8-inch single density", Source: "operating-system manual 6.10; a period BIOS listing",
	Cylinders: 77, Sides: 1, Sectors: 26, SectorSize: 128, FirstSector: 1,
	SPT: 26, BSH: 3, BLM: 7, EXM: 0, DSM: 242, DRM: 63, AL0: 0xC0, AL1: 0, CKS: 16, OFF: 2,
	Skew: SkewTable(26, 6, 1),
}

// SkewTable is the order in which sectors of a track are used: start with the first, add skew modulo n, and where that
// is taken, the next free one. Published for 26 sectors and skew 6: 1 7 13 19 25 5 ...
func SkewTable(n, skew, first int) []int {
	taken := make([]bool, n)
	t := make([]int, 0, n)
	for at := 0; len(t) < n; at = (at + skew) % n {
		for taken[at] {
			at = (at + 1) % n
		}
		taken[at] = true
		t = append(t, first+at)
	}
	return t
}

// BlockBytes is the size of an allocation block.
func (p *Parameters) BlockBytes() int { return 128 << p.BSH }

// directoryBlocks is how many blocks AL0 and AL1 give to the directory.
func (p *Parameters) directoryBlocks() int { return bits.OnesCount16(uint16(p.AL0)<<8 | uint16(p.AL1)) }

// pointers is how many block numbers a directory entry has, and how many bytes each takes.
func (p *Parameters) pointers() (n, width int) {
	if p.DSM > 255 {
		return 8, 2
	}
	return 16, 1
}

// capacity is how many records one directory entry reaches.
func (p *Parameters) capacity() int { return (p.EXM + 1) * 128 }

// Validate says what is impossible about p, nil if nothing. Rules: operating-system manual, tables 6-8 to 6-10.
func (p *Parameters) Validate() error {
	var errs []error
	bad := func(format string, a ...any) { errs = append(errs, fmt.Errorf(format, a...)) }
	for _, f := range []struct {
		name         string
		n, min, most int
	}{
		{"cylinders", p.Cylinders, 1, disk.MaxCylinders}, {"sides", p.Sides, 1, 2}, {"sectors", p.Sectors, 1, 128},
		{"first-sector", p.FirstSector, 0, 255 - max(0, min(p.Sectors, 128))}, {"spt", p.SPT, 1, 4096}, {"bsh", p.BSH, 3, 7}, {"exm", p.EXM, 0, 15},
		{"dsm", p.DSM, 1, 32767}, {"drm", p.DRM, 0, 8191}, {"al0", p.AL0, 0, 255}, {"al1", p.AL1, 0, 255}, {"cks", p.CKS, 0, 32768}, {"off", p.OFF, 0, 1024},
	} {
		if f.n < f.min || f.n > f.most {
			bad("%s %d: want %d..%d", f.name, f.n, f.min, f.most)
		}
	}
	if _, ok := disk.SizeCodeOf(p.SectorSize); !ok {
		bad("sector-size %d: want 128, 256, ... 8192", p.SectorSize)
	}
	if len(errs) > 0 {
		return errors.Join(errs...)
	}
	if p.BLM != 1<<p.BSH-1 {
		bad("blm %d: want %d with bsh %d", p.BLM, 1<<p.BSH-1, p.BSH)
	}
	if p.BSH == 3 && p.DSM > 255 {
		bad("dsm %d: with blocks of 1 KiB want at most 255", p.DSM)
	}
	if n, _ := p.pointers(); p.capacity()>>p.BSH > n {
		bad("exm %d: an entry has room for %d blocks of %d bytes, fewer than %d extents of 16 KiB", p.EXM, n, p.BlockBytes(), p.EXM+1)
	}
	if need := ((p.DRM+1)*32 + p.BlockBytes() - 1) / p.BlockBytes(); p.directoryBlocks() < need || need > p.DSM {
		bad("al0, al1: give the directory %d blocks; %d entries need %d", p.directoryBlocks(), p.DRM+1, need)
	}
	perSector := p.SectorSize / 128
	if p.SPT%perSector != 0 || (p.SPT/perSector != p.Sectors && p.SPT/perSector != p.Sectors*p.Sides) {
		bad("spt %d: want %d records, those of a track of %d sectors (or of a cylinder)", p.SPT, p.Sectors*perSector, p.Sectors)
		return errors.Join(errs...)
	}
	tracks := p.Cylinders * p.Sides * p.Sectors / (p.SPT / perSector)
	if have := (tracks - p.OFF) * p.SPT; p.OFF >= tracks || (p.DSM+1)<<p.BSH > have {
		bad("dsm %d: %d blocks of %d records do not fit the %d records behind %d reserved tracks", p.DSM, p.DSM+1, p.BLM+1, max(have, 0), p.OFF)
	}
	if n := len(p.Skew); n > 0 {
		seen := map[int]bool{}
		for _, s := range p.Skew {
			seen[s] = true
			if s < p.FirstSector || s >= p.FirstSector+p.SPT/perSector {
				bad("skew: sector %d is not on the track", s)
			}
		}
		if n != p.SPT/perSector || len(seen) != n {
			bad("skew: want each of the %d sectors once", p.SPT/perSector)
		}
	}
	switch p.Order {
	case "", "cylinders", "sides", "back":
	default:
		bad("order %q: want cylinders, sides or back", p.Order)
	}
	return errors.Join(errs...)
}

// geometry is the disk that p describes.
func (p *Parameters) geometry(enc disk.Encoding) disk.Geometry {
	return disk.NewGeometry(p.Cylinders, p.Sides, disk.TrackShape{Sectors: p.Sectors, Size: p.SectorSize, FirstID: p.FirstSector, Encoding: enc})
}

// imageBytes is the length of its raw image.
func (p *Parameters) imageBytes() int { return p.Cylinders * p.Sides * p.Sectors * p.SectorSize }

// fitsRecording reports whether p is for a disk of this recording.
func (p *Parameters) fitsRecording(r *disk.Recording) bool {
	t := r.Track
	return p.Cylinders == r.Cylinders && p.Sides == r.Sides && p.Sectors == t.Sectors && p.SectorSize == t.Size && p.FirstSector == t.FirstID && len(r.Zones) == 0
}

// ParametersFor finds the parameter block for a recording among sets and the built-in one; nil if there is none.
func ParametersFor(r *disk.Recording, sets []*Parameters) *Parameters {
	for _, p := range append(slices.Clone(sets), eightInch) {
		if p.fitsRecording(r) {
			return p
		}
	}
	return nil
}

// UsualKind is the kind of volume that a recording usually carries; "" where none is usual.
func UsualKind(r *disk.Recording) string {
	if _, err := shapeOf(r.Geometry(), r.Name); err == nil {
		return "granule"
	}
	if r.Track.Size == 512 && r.Track.FirstID == 1 && len(r.Zones) == 0 {
		return "fat12"
	}
	if ParametersFor(r, nil) != nil {
		return "extent"
	}
	return ""
}
