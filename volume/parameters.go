package volume

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
