package starter

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"strings"

	"remanence/internal/progress"
	"remanence/starter/computer"
	"remanence/tape/audio"
)

// Rehearsal says how a tape is tried out.
type Rehearsal struct {
	RAMKiB    int                                           // 0: 32
	Path      func(src audio.Source, pass int) audio.Source // what the sound goes through; nil: nothing
	Medium    *computer.Medium                              // nil: a blank disk
	Speed     float64                                       // of the drive: 0.01 turns 1 % fast
	Volume    float64                                       // of the player; 0: so that the latch sets at half of the peak, as the sheet tells a person to find
	MaxPlays  int                                           // how often the tape is played from the start; 0: 3
	AnswerS   float64                                       // how long a person thinks before each key; 0: 1 s
	JoinS     float64                                       // where in the tape the first play begins after the loader; 0: at once
	KeepTexts bool
	Attend    func(screen string, c *computer.Computer) // sees the screen ten times a second: a person who changes disks

	watch func(*computer.Computer) // for tests: sees every instruction
}

// Outcome is what a rehearsal found.
type Outcome struct {
	TimeS    float64 // from the first sound to DONE
	Plays    int
	Repeated int  // tracks that had to come again
	Verified bool // the finished medium holds every sector and mark of the image
	Lost     int  // bytes for which the processor was late
	Why      string
	Screen   string   // at the end
	Texts    []string // state lines as they came, where asked for
	Heard    []int    // calibration: good blocks by rate
}

// Addresses of stage 2 that a rehearsal looks at.
const (
	heardAt  = 0x5430
	stateRow = 5
)

// Rehearse plays the tape to a model of the machine and looks at what is on the disk in the end. An error means that
// the rehearsal could not be done; a machine that did not finish is an Outcome with Why.
func (t *Tape) Rehearse(ctx context.Context, r Rehearsal, p progress.Progress) (*Outcome, error) {
	p = progress.Or(p)
	if r.RAMKiB == 0 {
		r.RAMKiB = 32
	}
	if r.MaxPlays == 0 {
		r.MaxPlays = 3
	}
	if r.AnswerS == 0 {
		r.AnswerS = 1
	}
	if r.Volume == 0 {
		r.Volume = 0.7 / audio.Amplitude(t.o.LevelDB)
	}
	if r.Medium == nil {
		r.Medium = computer.NewMedium()
	}
	c := computer.New(r.RAMKiB)
	c.Controller.Drives[0] = &computer.Drive{Medium: r.Medium, Cylinders: max(len(t.Tracks), 35), Speed: r.Speed}
	out := &Outcome{}
	p.Start("rehearsing", int(t.Seconds))
	defer p.Done()

	play := func(from float64) {
		src := t.Source(from)
		if r.Path != nil {
			src = r.Path(src, out.Plays)
		}
		circuit := computer.NewCircuit(src)
		circuit.Volume = r.Volume
		length := t.Seconds * 1.05 // a player may be slow
		if r.Path == nil {
			length = t.Seconds
		}
		c.Tape = &delayed{circuit, c.Now(), length - from}
		out.Plays++
	}
	play(0)
	began := 0.0
	for {
		c.LoadTape()
		d := c.Tape.(*delayed)
		c.RunFor(0.1, nil)
		for heard := false; !c.Halted && c.Now()-began < t.LoaderS*1.05; {
			c.RunFor(0.02, nil)
			quiet := d.circuit.Quiet() > 0.2
			if heard && quiet { // the copy is over, and the loader has not noticed
				break
			}
			heard = heard || !quiet
		}
		if _, whole := c.Loaded(); whole {
			break
		}
		if c.Now()-began >= t.LoaderS {
			if out.Plays < r.MaxPlays { // none of the copies: rewind
				play(0)
				began = c.Now()
				continue
			}
			out.Why = "the machine's loader did not take stage 1"
			out.TimeS = c.Now()
			return out, nil
		}
		c.RunFor(0.4, nil) // a quick person who sees it fail, or hears silence, starts the loader again for the next copy
	}
	c.RunFor(1.0, nil) // the person starts it
	c.StartLoaded()
	if r.JoinS > 0 {
		play(t.LoaderS + r.JoinS)
	}

	person := newPerson(c, r.AnswerS)
	steps, lastState, said := 0, "", ""
	for {
		if steps++; steps%50 == 0 {
			if err := ctx.Err(); err != nil {
				return out, err
			}
		}
		if c.RunFor(0.1, func() bool {
			if r.watch != nil {
				r.watch(c)
			}
			return c.PC == 0
		}) {
			break
		}
		if steps%10 == 0 {
			p.Step(1, strings.TrimSpace(c.Line(4)))
		}
		state := c.Line(stateRow)
		if state != "" { // it is blank for a moment while the program writes it anew
			said = state
		}
		if state != lastState {
			lastState = state
			if r.KeepTexts && state != "" {
				out.Texts = append(out.Texts, fmt.Sprintf("%7.1f s  %s  %s  %s", c.Now(), c.Line(4), state, c.Line(7)))
			}
		}
		if r.Attend != nil {
			r.Attend(c.Text(), c)
		}
		person.act()
		if d := c.Tape.(*delayed); c.Now()-d.start > d.lengthS+1 && !strings.HasPrefix(said, "CHECKING") && !strings.HasPrefix(said, "DONE") {
			if t.o.Calibration && len(t.Tracks) == 0 {
				break
			}
			if out.Plays >= r.MaxPlays {
				out.Why = fmt.Sprintf("the tape was played %d times and tracks are left", out.Plays)
				break
			}
			play(0)
		}
	}
	out.TimeS = c.Now()
	out.Lost = c.Controller.Lost
	out.Screen = c.Text()
	for i := range Rates {
		out.Heard = append(out.Heard, int(c.Memory[heardAt+i]))
	}
	out.Repeated = person.number("REPEATED ")
	if out.Why == "" && len(t.Tracks) > 0 {
		if err := t.Compare(c.Controller.Drives[0].Medium); err != nil {
			out.Why = err.Error()
		}
	}
	out.Verified = out.Why == "" && len(t.Tracks) > 0
	return out, nil
}

// Compare holds a medium against the tape's image: every sector, every mark, nothing else.
func (t *Tape) Compare(m *computer.Medium) error {
	var errs []error
	for n, want := range t.Tracks {
		found := map[byte]bool{}
		for _, s := range m.Sectors(n, 0) {
			i := int(s.ID.Sector)
			switch {
			case int(s.ID.Cylinder) != n || s.ID.Head != 0 || i >= trackSectors || s.ID.SizeCode != 1 || found[s.ID.Sector]:
				errs = append(errs, fmt.Errorf("cylinder %d: an identifier %v that was not asked for", n, s.ID))
			case s.Status != 0:
				errs = append(errs, fmt.Errorf("cylinder %d sector %d: %s", n, i, s.Why))
			case s.Mark != want.Mark:
				errs = append(errs, fmt.Errorf("cylinder %d sector %d: data mark %02X, want %02X", n, i, s.Mark, want.Mark))
			case !bytes.Equal(s.Data, want.Data[i*sectorBytes:(i+1)*sectorBytes]):
				errs = append(errs, fmt.Errorf("cylinder %d sector %d: wrong data with a good CRC", n, i))
			}
			found[s.ID.Sector] = true
		}
		if len(found) != trackSectors {
			errs = append(errs, fmt.Errorf("cylinder %d: %d of %d sectors", n, len(found), trackSectors))
		}
	}
	return errors.Join(errs...)
}

// delayed is a circuit whose tape begins to play at a machine time.
type delayed struct {
	circuit *computer.Circuit
	start   float64
	lengthS float64
}

func (d *delayed) Pulse(from, to float64) bool { return d.circuit.Pulse(from-d.start, to-d.start) }

// person reads the screen and presses keys as a patient person would.
type person struct {
	c      *computer.Computer
	think  float64
	asked  string
	since  float64
	holdTo float64
	seen   string
}

func newPerson(c *computer.Computer, think float64) *person { return &person{c: c, think: think} }

// questions and the key that answers each.
var questions = []struct {
	text string
	key  rune
}{
	{"WHICH DRIVE", '0'}, {"Y = GO ON", 'Y'}, {"PRESS ENTER", computer.KeyEnter}, {"ENTER = START", computer.KeyEnter},
}

func (p *person) act() {
	now := p.c.Now()
	if p.holdTo > 0 {
		if now >= p.holdTo {
			p.c.Release()
			p.holdTo, p.asked = 0, ""
		}
		return
	}
	screen := p.c.Text()
	p.seen = screen
	for _, q := range questions {
		if !strings.Contains(screen, q.text) {
			continue
		}
		if p.asked != q.text {
			p.asked, p.since = q.text, now
		} else if now-p.since >= p.think {
			p.c.Press(q.key)
			p.holdTo = now + 0.3
		}
		return
	}
	p.asked = ""
}

// number reads a figure off the screen.
func (p *person) number(after string) int {
	_, rest, ok := strings.Cut(p.c.Text(), after)
	n := 0
	for i := 0; ok && i < len(rest) && rest[i] >= '0' && rest[i] <= '9'; i++ {
		n = n*10 + int(rest[i]-'0')
	}
	return n
}
