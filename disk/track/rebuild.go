package track

import (
	"remanence/disk"
)

// rebuild makes a sector of reads none of which has a right CRC.
func (res *Result) rebuild(c *cluster, s *disk.Sector, extent func(*read), o Options) bool {
	var best *read
	for _, r := range c.reads {
		if !r.dataAt.ok || len(r.data) == 0 {
			continue
		}
		if best == nil || len(r.data) > len(best.data) || len(r.data) == len(best.data) && r.rms < best.rms {
			best = r
		}
	}
	s.Status = disk.Bad
	if best == nil {
		s.Why = "no data field behind the identifier"
		return true
	}
	s.Mark, s.Margin = best.mark, best.margin
	extent(best)
	n := s.ID.Size()
	s.Data = best.data[:min(n, len(best.data))]
	if best.cut {
		s.Why = "the capture ends inside the data field"
	} else {
		s.Why = "data CRC wrong"
	}
	return true
}
