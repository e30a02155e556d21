package volume

import (
	"fmt"
	"slices"

	"remanence/disk"
)

// fat12Claims reads the parameter block; where there is none, the media byte of the table and the length decide.
func fat12Claims(data []byte, o *Options, _ int) []claim {
	var out []claim
	if len(data) < 512 {
		return nil
	}
	if s, err := fatParameters(data); err == nil && o.fits(s) {
		t := data[min(s.reserved*s.sectorBytes, len(data)-3):]
		score := 30
		why := "from the parameter block of the boot sector"
		if t[0] == s.media {
			score += 20
		}
		if t[1] == 0xFF && t[2] == 0xFF {
			score += 20
		}
		if len(data) == s.total*s.sectorBytes {
			score += 30
		}
		if score >= 70 || o.Kind == "fat12" {
			out = append(out, claim{score, openFAT(data, o, s, false, why)})
		}
	}
	for _, f := range fatFormats {
		s := f.fatShape
		if s.derive() != nil || len(data) != s.total*s.sectorBytes || !o.fits(s) {
			continue
		}
		t := data[s.reserved*s.sectorBytes:]
		if t[0] != s.media || t[1] != 0xFF || t[2] != 0xFF {
			if o.Kind != "fat12" || len(out) > 0 {
				continue
			}
		}
		score := 60
		if len(out) > 0 {
			continue // the block is good and says more
		}
		why := fmt.Sprintf("no usable parameter block; taken from the length and the media byte %02Xh (%s)", t[0], f.name)
		out = append(out, claim{score, openFAT(data, o, s, true, why)})
	}
	return out
}

// fits reports whether a FAT shape agrees with the recording that was named.
func (o *Options) fits(s fatShape) bool {
	if o.Recording == nil {
		return true
	}
	t := o.Recording.Track
	return t.Size == s.sectorBytes && t.Sectors == s.perTrack && o.Recording.Sides == s.heads
}

func openFAT(data []byte, o *Options, s fatShape, noBPB bool, why string) func() (Volume, []string, error) {
	return func() (Volume, []string, error) {
		said := []string{fmt.Sprintf("Parameters: %d sectors of %d bytes, %d clusters of %d, %s.", s.total, s.sectorBytes, s.clusters, s.clusterBytes(), why)}
		v := &fat12{fatShape: s, noBPB: noBPB}
		perTrack, heads := s.perTrack, s.heads
		if perTrack < 1 || perTrack > 64 || heads < 1 || heads > 2 {
			perTrack, heads = fatTracks(s)
			said = append(said, fmt.Sprintf("Geometry: the block says %d sectors a track and %d sides; taken as %d and %d.", s.perTrack, s.heads, perTrack, heads))
		}
		n := max(len(data), s.total*s.sectorBytes)
		per := perTrack * heads * s.sectorBytes
		cyls := (n + per - 1) / per
		if cyls > disk.MaxCylinders {
			return nil, said, fmt.Errorf("%d cylinders of %d sectors: no disk has as many", cyls, perTrack*heads)
		}
		enc := disk.MFM
		name := ""
		if r := o.recordingOf(cyls, heads, perTrack, s.sectorBytes); r != nil {
			name, enc = r.Name, r.Track.Encoding
		} else if s.sectorBytes == 128 {
			enc = disk.FM
		}
		g := disk.NewGeometry(cyls, heads, disk.TrackShape{Sectors: perTrack, Size: s.sectorBytes, FirstID: 1, Encoding: enc})
		v.trunc = len(data) < s.total*s.sectorBytes
		im, err := disk.ImageOf(name, g, data)
		if err != nil {
			return nil, said, err
		}
		if o.Sidecar != nil {
			if err := im.Apply(o.Sidecar); err != nil { // what fits was taken
				said = append(said, fmt.Sprintf("The sidecar does not fit the image in full: %v.", err))
			}
		}
		v.im = im
		return v, said, nil
	}
}

// fatTracks guesses the track shape of a volume whose block does not tell.
func fatTracks(s fatShape) (perTrack, heads int) {
	for _, f := range fatFormats {
		if f.total == s.total && f.sectorBytes == s.sectorBytes {
			return f.perTrack, f.heads
		}
	}
	for _, n := range []int{9, 8, 15, 18, 10, 36} {
		if s.total%(2*n) == 0 && s.total/(2*n) <= 85 {
			return n, 2
		}
	}
	return 9, 2
}

// recordingOf finds the recording with this geometry; one whose usual size it is comes first.
func (o *Options) recordingOf(cyls, heads, perTrack, size int) *disk.Recording {
	if o.Recording != nil {
		return o.Recording
	}
	var found *disk.Recording
	for _, r := range o.Recordings {
		if len(r.Zones) > 0 || r.Track.Sectors != perTrack || r.Track.Size != size {
			continue
		}
		c := append(slices.Clone(r.CylinderChoices), r.Cylinders)
		h := append(slices.Clone(r.SideChoices), r.Sides)
		if slices.Contains(c, cyls) && slices.Contains(h, heads) {
			if found == nil || r.Cylinders == cyls && r.Sides == heads && (found.Cylinders != cyls || found.Sides != heads) {
				found = r
			}
		}
	}
	return found
}
