package bench

import (
	"fmt"

	"remanence/picture"
)

// Draw is head, track and residue to scale for one combination, before and after what is to be done first.
func (c *Combination) Draw() *picture.Canvas {
	const width, row, scale, left = 760.0, 110.0, 900.0, 250.0 // px a millimetre
	cv := picture.New(width, 60+2*row+40, picture.Px)
	cv.Title = "Head, track and what is left of the old one"
	cv.Desc = fmt.Sprintf("%s on %s with %s, to scale", c.Drive, c.Controller, c.Medium)
	cv.Background = picture.Paper
	cv.Text(16, 26, c.Drive+" / "+c.Controller+" / "+c.Medium, picture.TextStyle{Size: 15, Face: picture.Bold})
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
		bar(max(p.EraseMM, p.TrackMM), 40, 36, picture.Style{Fill: picture.Paper})
		bar(p.TrackMM, 40, 36, picture.Style{Fill: picture.Hue(p.Wanted)})
		bar(p.HeadMM, 14, 16, picture.Style{Fill: picture.None, Stroke: picture.Oxide, Width: 2})
		cv.Text(mid+p.HeadMM/2*scale+6, y+27, fmt.Sprintf("head %.2f mm", p.HeadMM), picture.TextStyle{Size: 11})
		cv.Text(mid, y+92, fmt.Sprintf("track %.3f mm", p.TrackMM), picture.TextStyle{Size: 11, Anchor: picture.Middle})
	}
	draw(60, c.Before, "as the disk is now")
	draw(60+row, c.Profile, "after what is done first")
	y := 60 + 2*row + 20.0
	cv.Line(mid-0.05*scale, y, mid+0.05*scale, y, picture.Style{Stroke: picture.Ink, Width: 2})
	cv.Text(mid, y+16, "0.1 mm", picture.TextStyle{Size: 11, Anchor: picture.Middle})
	return cv
}
