package tape

import (
	"fmt"
	"math"
	"strings"
)

// verdict is one sentence a person can act on: what is there, what is wrong with the recording, what it cost, what to do.
func (r *Result) verdict() string {
	d := r.Diagnosis
	if len(r.Programs) == 0 {
		return "nothing found here: " + r.nothing()
	}
	whole := 0
	for _, p := range r.Programs {
		if p.Whole {
			whole++
		}
	}
	head := fmt.Sprintf("%s, all whole", count(len(r.Programs), "program"))
	if len(r.Programs) == 1 {
		head = "one program, whole"
	}
	if whole < len(r.Programs) {
		head = fmt.Sprintf("%d of %s whole", whole, count(len(r.Programs), "program"))
		if len(r.Programs) == 1 {
			head = "one program, damaged"
			if p := r.Programs[0]; p.State() == Doubtful {
				head = fmt.Sprintf("one program, %d of its %d bytes doubtful", p.Doubtful, p.Bytes)
			}
		}
	}
	var why, todo []string
	louder := false
	for _, c := range d.Channels {
		if c.Inverted != nil && *c.Inverted && len(d.Channels) > 1 {
			why = append(why, c.Name+" channel is inverted")
		}
	}
	if r.Polarity == "inverted" && len(d.Channels) == 1 {
		why = append(why, "polarity is inverted (no harm here; a machine may want it turned)")
	}
	if r.LevelDBFS < lowLevel && r.LevelDBFS > -190 {
		why = append(why, fmt.Sprintf("level %.0f dB low", -18-r.LevelDBFS))
		louder = true
	}
	if d.Clipped >= clipWorth {
		why = append(why, fmt.Sprintf("%.1f %% of the samples are clipped", d.Clipped))
		todo = append(todo, "re-record with less level")
	}
	if !d.Synthetic && d.SNRDB > 0 && d.SNRDB < noiseWorth {
		why = append(why, fmt.Sprintf("noise only %.0f dB below the signal", d.SNRDB))
		if r.LevelDBFS < quietLevel {
			louder = true
		} else { // a greater level would bring up the tape's own noise as well
			todo = append(todo, "clean the head, play it again, and give both recordings to 'tape read'")
		}
	}
	if math.Abs(r.SpeedPercent) >= 2 {
		side := "fast"
		if r.SpeedPercent < 0 {
			side = "slow"
		}
		why = append(why, fmt.Sprintf("tape runs %.1f %% %s", math.Abs(r.SpeedPercent), side))
	}
	if d.WowFlutter >= wowWorth {
		why = append(why, fmt.Sprintf("wow and flutter %.1f %%", d.WowFlutter))
		todo = append(todo, "clean the pinch roller and try another deck")
	}
	if d.HumHz != 0 {
		why = append(why, fmt.Sprintf("%d Hz hum %.0f dB below the signal", d.HumHz, -d.HumRelDB))
		todo = append(todo, "feed deck and computer from one mains socket")
	}
	if d.TrebleDB <= trebleWorth {
		w := fmt.Sprintf("treble %.0f dB weak", -d.TrebleDB)
		if d.AzimuthMin > 0 {
			w += fmt.Sprintf(" (as of a head %.0f minutes of arc off)", d.AzimuthMin)
		}
		why = append(why, w)
		todo = append(todo, "clean the head and set its azimuth by ear for most treble")
	} else if d.AzimuthMin >= 8 && d.AzimuthBy == "delay between the channels" {
		why = append(why, fmt.Sprintf("head stands %.0f minutes of arc off", d.AzimuthMin))
	}
	for _, c := range d.Channels {
		if math.Abs(c.DC) > dcWorth {
			why = append(why, fmt.Sprintf("%s channel is offset by %.0f %% of full scale", c.Name, 100*c.DC))
			break
		}
	}
	if n := len(d.Splices); n > 0 {
		why = append(why, fmt.Sprintf("%s at %s", count(n, "splice"), places(d.Splices)))
	}
	why = append(why, r.dropWords()...)
	if n := r.repairs(); n > 0 {
		why = append(why, fmt.Sprintf("%s repaired by checksum", count(n, "block")))
	}
	if louder {
		todo = append([]string{"re-record louder"}, todo...)
	}
	if whole < len(r.Programs) {
		switch {
		case len(d.Channels) > 1 && len(todo) == 0:
			todo = append(todo, "clean the head and play it again; try the other channel")
		case len(todo) == 0 && r.lostToDropouts():
			todo = append(todo, "clean the head and play these stretches again, and give both recordings to 'tape read'")
		case len(todo) == 0:
			todo = append(todo, "record a second pass and give both to 'tape read'")
		}
	} else {
		todo = nil // it is whole: nothing needs doing
	}
	s := head
	if len(why) > 0 {
		s += ": " + strings.Join(why, "; ")
	}
	if len(todo) > 0 {
		s += "; " + strings.Join(todo, ", ")
	}
	return s
}

func (r *Result) repairs() int {
	n := 0
	for _, p := range r.Programs {
		n += len(p.Repairs)
	}
	return n
}

func (r *Result) lostToDropouts() bool {
	for _, e := range r.Diagnosis.Dropouts {
		if e.Lost != "" {
			return true
		}
	}
	return false
}

// dropWords says how many dropouts there were and what they cost.
func (r *Result) dropWords() []string {
	d := r.Diagnosis
	var cost []Event
	for _, e := range d.Dropouts {
		if e.Lost != "" {
			cost = append(cost, e)
		}
	}
	n := len(d.Dropouts) + d.MoreDropouts
	switch {
	case n == 0:
		return nil
	case len(cost) == 0:
		return []string{fmt.Sprintf("%s, at no cost", count(n, "dropout"))}
	}
	var lost []string
	seen := map[string]bool{}
	for _, e := range cost {
		if !seen[e.Lost] && len(lost) < 4 {
			lost = append(lost, e.Lost)
		}
		seen[e.Lost] = true
	}
	more := ""
	if len(seen) > len(lost) {
		more = fmt.Sprintf(" and %d more", len(seen)-len(lost))
	}
	return []string{fmt.Sprintf("%s at %s cost %s%s", count(len(cost), "dropout"), places(cost), blocks(lost), more)}
}

// blocks puts "block 14", "block 17" as "blocks 14 and 17".
func blocks(list []string) string {
	var n []string
	for _, s := range list {
		if !strings.HasPrefix(s, "block ") {
			return join(list)
		}
		n = append(n, strings.TrimPrefix(s, "block "))
	}
	if len(n) == 1 {
		return "block " + n[0]
	}
	return "blocks " + join(n)
}

func join(list []string) string {
	if len(list) < 2 {
		return strings.Join(list, "")
	}
	return strings.Join(list[:len(list)-1], ", ") + " and " + list[len(list)-1]
}

func places(e []Event) string {
	var s []string
	for i := range e {
		if i == 4 && len(e) > 5 {
			s = append(s, fmt.Sprintf("%d other places", len(e)-4))
			break
		}
		s = append(s, fmt.Sprintf("%.1f s", e[i].AtS))
	}
	return join(s)
}

var numbers = []string{"no", "one", "two", "three", "four", "five", "six", "seven", "eight", "nine", "ten", "eleven", "twelve"}

func count(n int, thing string) string {
	if stem, y := strings.CutSuffix(thing, "y"); y && n != 1 {
		thing = stem + "ies"
	} else if n != 1 {
		thing += "s"
	}
	if n < len(numbers) {
		return numbers[n] + " " + thing
	}
	return fmt.Sprintf("%d %s", n, thing)
}

// shortS: a recording that ends so soon after a leader holds too little to tell one code from another.
const shortS = 10

// nothing says why nothing was found.
func (r *Result) nothing() string {
	d := r.Diagnosis
	level, peak := -200.0, -200.0
	for _, c := range d.Channels {
		level, peak = math.Max(level, c.LevelDBFS), math.Max(peak, c.PeakDBFS)
	}
	switch {
	case peak < -90:
		return fmt.Sprintf("%.0f s of silence; check that the deck plays, and which input is recorded", d.DurationS)
	case peak < -60:
		return fmt.Sprintf("only noise at %.0f dBFS; check leads and level, and record again", level)
	case len(r.refused) > 0:
		f := r.refused[0]
		if d.DurationS-f.atS < shortS {
			return fmt.Sprintf("sound at %.0f dBFS, but the recording ends %.1f s after something that begins like %s; is the file cut short?", level, d.DurationS-f.atS, f.code)
		}
		return fmt.Sprintf("sound at %.0f dBFS; at %.1f s something begins like %s but is not (%s); is it another code, or another speed?", level, f.atS, f.code, f.why)
	}
	return fmt.Sprintf("sound at %.0f dBFS, but no leader of any code asked for; it may be speech, music or a code that is not declared", level)
}
