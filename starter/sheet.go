package starter

import (
	"fmt"
	"io"
	"strings"

	"remanence/picture"
)

// SheetOptions are what the sheet says beside what the tape knows.
type SheetOptions struct {
	Title      string // of the disk
	Files      []string
	Sides      int
	RehearsedS *float64 // how long a rehearsal took; nil: none
}

// step is one row of the sheet's table: what the screen says, what that means, what to do when it stays.
type step struct{ screen, means, stuck string }

// steps follow the texts of stage 1 and 2.
var steps = []step{
	{"STARTER: PARTS LEFT n", "The link is heard when n falls. The rest of the program comes three times.", "n stays: set the volume (page 1). Parts left when the tones change to a slow staircase: rewind to just after the first 25 s."},
	{"WHICH DRIVE?", "Press 0, 1, 2 or 3: the drive with the blank disk. 0 is the drive the machine starts from.", ""},
	{"ALL ON ITS DISK WILL BE LOST", "Y goes on, N asks again. Take your time: what you miss comes again.", ""},
	{"NO DISK, OR THE DOOR IS OPEN", "Nothing was written.", "Put the disk in, close the door, press ENTER."},
	{"THE DISK IS WRITE PROTECTED", "Nothing was written.", "Take the tab off the notch, or use another disk; press ENTER."},
	{"GOOD BY RATE 0-8: n n n ...", "How many test blocks of each speed were taken.", "A 0 under the tape's rate: set the volume; if it stays, make the tape with the last rate that is not 0."},
	{"WAITING FOR THE TAPE", "Blocks of a track are coming in. This is most of the time.", "LEFT does not change for a minute: the player stopped, or the volume is wrong. Nothing is lost: set it and play on, or rewind."},
	{"WRITING, READING BACK", "A track is formatted, written and compared. A star appears in the row of dots.", ""},
	{"NOT WHOLE. IT COMES AGAIN", "More was lost of a track than could be rebuilt. REPEATED counts these.", "Play on to the end, rewind, play again: only what is left is taken. Press no key."},
	{"THIS TRACK DOES NOT HOLD", "Three tries did not read back. The track is the one named above: the disk has a bad spot there.", "Put in another disk, press ENTER, answer again, rewind the tape. The program need not be loaded again."},
	{"CHECKING THE WHOLE DISK", "Every track is read once more and compared with the tape.", ""},
	{"DONE. STOP THE TAPE", "The disk is whole. ENTER starts the machine from it.", "It does not start: it must be in drive 0. If it starts elsewhere but not here, the older systems of the class want --mark FA."},
}

// sheetPage is where a sheet is being set.
type sheetPage struct {
	pages  []*picture.Canvas
	c      *picture.Canvas
	y      float64
	x0, x1 float64
}

const (
	sheetW, sheetH, sheetEdge = 210.0, 297.0, 17.0
	sheetText                 = 3.3
	sheetLine                 = 4.7
)

func (s *sheetPage) newPage() {
	s.c = picture.New(sheetW, sheetH, picture.MM)
	s.c.Background = picture.White
	s.pages = append(s.pages, s.c)
	s.x0, s.x1, s.y = sheetEdge, sheetW-sheetEdge, sheetEdge
}

// room begins a new page where h does not fit.
func (s *sheetPage) room(h float64) {
	if s.y+h > sheetH-sheetEdge-10 {
		s.newPage()
	}
}

func wrapText(text string, width, size float64, f picture.Face) []string {
	var out []string
	line := ""
	for _, w := range strings.Fields(text) {
		if line != "" && picture.TextWidth(line+" "+w, size, f) > width {
			out, line = append(out, line), ""
		}
		if line != "" {
			line += " "
		}
		line += w
	}
	if line != "" {
		out = append(out, line)
	}
	return out
}

func black(size float64, f picture.Face) picture.TextStyle {
	return picture.TextStyle{Size: size, Face: f, Colour: picture.Black}
}

func (s *sheetPage) heading(text string) {
	s.room(22)
	s.y += 9
	s.c.Text(s.x0, s.y, text, black(4.6, picture.Bold))
	s.y += 1.8
	s.c.Line(s.x0, s.y, s.x1, s.y, picture.Style{Stroke: picture.Black, Width: 0.25})
	s.y += 1.4
}

func (s *sheetPage) paragraph(indent float64, mark, text string) {
	lines := wrapText(text, s.x1-s.x0-indent, sheetText, picture.Sans)
	s.room(float64(len(lines)) * sheetLine)
	for i, l := range lines {
		s.y += sheetLine
		if i == 0 && mark != "" {
			s.c.Text(s.x0, s.y, mark, black(sheetText, picture.Bold))
		}
		s.c.Text(s.x0+indent, s.y, l, black(sheetText, picture.Sans))
	}
	s.y += 0.9
}

// WriteSheet writes what a person takes to the machine: cautions, what to type, the volume, what the screen says at
// each step and what to do when it does not.
func (t *Tape) WriteSheet(w io.Writer, o SheetOptions) error {
	s := &sheetPage{}
	s.newPage()
	s.y += 6
	s.c.Text(s.x0, s.y, "Starter tape", black(8, picture.Bold))
	s.y += 7
	s.c.Text(s.x0, s.y, picture.Shorten(o.Title, s.x1-s.x0, 4.6, picture.Sans), black(4.6, picture.Sans))
	s.y += 2
	facts := fmt.Sprintf("%s of sound, rate %d: %.0f bit/s. ", minutes(t.Seconds), t.o.Rate, t.rate.BitRate())
	if len(t.Tracks) > 0 {
		facts = fmt.Sprintf("%d tracks. ", len(t.Tracks)) + facts
	}
	if o.RehearsedS != nil {
		facts += fmt.Sprintf("Rehearsed on a model of the machine: done after %s. ", minutes(*o.RehearsedS))
	}
	if o.Sides > 1 {
		facts += fmt.Sprintf("%d sides, in order: %s. At the end of a side put in the next; the machine waits.", o.Sides, strings.Join(o.Files, ", "))
	} else if len(o.Files) == 1 {
		facts += o.Files[0] + "."
	}
	s.paragraph(0, "", facts)

	s.heading("Before you begin")
	s.paragraph(5, "!", "The tones are piercing. Unplug or turn down every loudspeaker, and use no headphones.")
	s.paragraph(5, "!", "Connect a line or earphone output to the machine's cassette input, never a loudspeaker output of an amplifier: its voltage can damage the input. Begin with the volume low.")
	s.paragraph(5, "!", "The disk in the drive you choose is erased. Take every other disk out of its drive. Use a blank disk without a write-protect tab, erased in bulk if another kind of machine wrote it.")
	s.paragraph(5, "!", "Leave covers closed. Follow your local rules; leave mains work to qualified people.")

	s.heading("At the machine")
	n := 1
	for _, l := range t.o.Class.Load {
		s.paragraph(5, fmt.Sprint(n), l)
		n++
	}
	s.paragraph(5, fmt.Sprint(n), t.o.Class.Start+". The screen clears and counts PARTS LEFT. Let the player run from now on to the end.")
	s.paragraph(5, fmt.Sprint(n+1), "Put the blank disk in and answer the two questions. The rest goes by itself.")
	s.paragraph(0, "", "If the loader reports a fault or hangs: "+t.o.Class.Again)

	s.heading("Volume")
	s.paragraph(0, "", "Turn off tone controls, equalisers, noise reduction, automatic level and every enhancement; a phone or computer: one channel, no notifications, no lossy wireless link. Raise the volume slowly from low until PARTS LEFT falls (or a track is taken), note the place, raise it until things go wrong or the knob ends, and set it half way between. Too low loses pulses, too high hears noise as pulses; both show as a LEFT that falls slowly. If no setting works, swap the two wires of the lead's plug or set the player to the other polarity, clean head and pinch roller, or make a tape with a lower --rate.")

	s.newPage()
	s.y -= 5
	s.heading("What the screen says")
	col := []float64{s.x0, s.x0 + 51, s.x0 + 110}
	width := []float64{48, 56, s.x1 - s.x0 - 110}
	const size, line = 2.75, 3.9
	for i, h := range []string{"on the screen", "what it means", "when it stays, or goes wrong"} {
		s.c.Text(col[i], s.y+line, h, black(2.4, picture.Bold))
	}
	s.y += line + 1.5
	for _, k := range steps {
		cells := [][]string{wrapText(k.screen, width[0], size, picture.Mono), wrapText(k.means, width[1], size, picture.Sans), wrapText(k.stuck, width[2], size, picture.Sans)}
		h := 0
		for _, c := range cells {
			h = max(h, len(c))
		}
		s.room(float64(h)*line + 2)
		for i, c := range cells {
			f := picture.Sans
			if i == 0 {
				f = picture.Mono
			}
			for j, l := range c {
				s.c.Text(col[i], s.y+float64(j+1)*line, l, black(size, f))
			}
		}
		s.y += float64(h)*line + 1.4
		s.c.Line(s.x0, s.y, s.x1, s.y, picture.Style{Stroke: picture.Black, Width: 0.1})
	}
	s.paragraph(0, "", "BREAK goes back to the question of the drive; all that is on the disk is then written anew. The row of dots is the disk, a star a track that is good. TRACK, LEFT and REPEATED are numbers of tracks.")

	for i, c := range s.pages {
		t := black(2.3, picture.Sans)
		t.Anchor = picture.End
		c.Text(sheetW-sheetEdge, sheetH-sheetEdge+4, fmt.Sprintf("page %d of %d", i+1, len(s.pages)), t)
		// 100 mm, so that a print can be checked
		y := sheetH - sheetEdge + 3
		for x := 0.0; x <= 100; x += 10 {
			c.Line(sheetEdge+x, y-1.2, sheetEdge+x, y, picture.Style{Stroke: picture.Black, Width: 0.15})
		}
		c.Line(sheetEdge, y, sheetEdge+100, y, picture.Style{Stroke: picture.Black, Width: 0.15})
		c.Text(sheetEdge+102, y, "100 mm", black(2.3, picture.Sans))
	}
	return picture.PDF(w, s.pages, picture.PDFMeta{Title: "Starter tape: " + o.Title, Creator: "remanence"})
}

func minutes(s float64) string {
	n := int(s + 0.5)
	return fmt.Sprintf("%d:%02d min", n/60, n%60)
}
