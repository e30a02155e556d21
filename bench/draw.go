package bench

import (
	"fmt"

	"remanence/picture"
)

// Draw is head, track and residue to scale for one combination: as the disk is, and, where it is to be erased first, after
// that.
func (c *Combination) Draw() *picture.Canvas {
	const width, row, scale = 760.0, 110.0, 900.0 // px a millimetre
	erased := c.Before.OldMM > c.Profile.OldMM
	rows := 1.0
	if erased {
		rows = 2
	}
	top := 64.0
	cv := picture.New(width, top+rows*row+40, picture.Px)
	cv.Title = c.recording + ": head, track and what is left of the old one"
	cv.Desc = fmt.Sprintf("%s written by %s on %s on disk %s, across the track, to scale", c.recording, c.Drive, c.Controller, c.Medium)
	cv.Background = picture.Paper
	head, size := c.recording+" by "+c.Drive+", "+c.Controller+" on "+c.Medium, 15.0
	size *= min(1, (width-32)/picture.TextWidth(head, size, picture.Bold)) // names of one's own may be long
	cv.Text(16, 26, head, picture.TextStyle{Size: size, Face: picture.Bold})
	cv.Text(16, 44, "across the track, to scale; the head is that of the drive that must read it", picture.TextStyle{Size: 12, Colour: picture.Soft})
	mid := 450.0
	draw := func(y float64, p Profile, what string) {
		cv.Text(16, y+30, what, picture.TextStyle{Size: 13})
		cv.Text(16, y+48, fmt.Sprintf("hears %.0f %% new, %.0f %% old", 100*p.Wanted, 100*p.Residue), picture.TextStyle{Size: 12, Colour: picture.Soft})
		bar := func(mm, dy, h float64, s picture.Style) {
			cv.Rect(mid-mm/2*scale, y+dy, mm*scale, h, s)
		}
		if p.OldMM > p.EraseMM {
			bar(p.OldMM, 40, 36, picture.Style{Fill: picture.Card, Stroke: picture.Ink, Width: 1, Pattern: picture.Hatch})
			cv.Text(mid+p.OldMM/2*scale+6, y+62, fmt.Sprintf("old %.3f mm", p.OldMM), picture.TextStyle{Size: 11})
		}
		if from, to := p.between(); to > from {
			to = min(to, 0.28) // what has room
			for _, x := range []float64{-to, from} {
				cv.Rect(mid+x*scale, y+40, (to-from)*scale, 36, picture.Style{Fill: picture.Card, Stroke: picture.Ink, Width: 1, Pattern: picture.Hatch})
			}
			cv.Text(mid+to*scale+6, y+62, "old", picture.TextStyle{Size: 11})
		}
		bar(max(p.EraseMM, p.TrackMM), 40, 36, picture.Style{Fill: picture.Paper})
		bar(p.TrackMM, 40, 36, picture.Style{Fill: picture.Hue(p.Wanted)})
		bar(p.HeadMM, 14, 16, picture.Style{Fill: picture.None, Stroke: picture.Oxide, Width: 2})
		cv.Text(mid+p.HeadMM/2*scale+6, y+27, fmt.Sprintf("head %.2f mm", p.HeadMM), picture.TextStyle{Size: 11})
		cv.Text(mid, y+92, fmt.Sprintf("track %.3f mm", p.TrackMM), picture.TextStyle{Size: 11, Anchor: picture.Middle})
	}
	switch {
	case erased:
		draw(top, c.Before, "on the disk as it is")
		draw(top+row, c.Profile, "bulk-erased first")
	case c.Before.OldMM > 0:
		draw(top, c.Before, "over the old track")
	default:
		draw(top, c.Before, "as written")
	}
	y := top + rows*row + 14
	cv.Line(mid-0.05*scale, y, mid+0.05*scale, y, picture.Style{Stroke: picture.Ink, Width: 2})
	cv.Text(mid, y+16, "0.1 mm", picture.TextStyle{Size: 11, Anchor: picture.Middle})
	return cv
}
