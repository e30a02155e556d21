package kernel

import (
	"fmt"

	"remanence/bench"
	"remanence/disk"
)

// gaps finds the least gap 3 at which sectors survive what is written beside them, in each encoding; the larger counts.
func (c *check) gaps() error {
	if !c.ready("gap 3") {
		return nil
	}
	encodings := []disk.Encoding{disk.MFM}
	if c.f.FM == "yes" {
		encodings = append(encodings, disk.FM)
	}
	least := 0
	for _, e := range encodings {
		g, err := c.gap(e)
		if err != nil {
			return err
		}
		if g == 0 {
			return nil // of one nothing is known: then neither is what both need
		}
		least = max(least, g)
	}
	c.f.LeastGap3 = least
	return nil
}

// gap halves its way to the least gap 3 of an encoding, 0 where nothing can be told. A gap counts as enough when every
// sector came back twice; one failure is enough against it.
func (c *check) gap(e disk.Encoding) (int, error) {
	name := "gap 3 in " + title(e)
	bad, good := 0, trial(e, c.place, c.rate, 0).Format.Gap3
	var why error
	for range 2 { // a lost sector here may be chance
		var err error
		if why, err = c.survives(e, good); err != nil {
			return 0, err
		}
		if why == nil {
			break
		}
	}
	if why != nil {
		c.unknown(name, "not measurable: sectors are lost even with %d bytes: %s", good, words(why))
		return 0, nil
	}
	pace := good // least gap at which the next sector is still caught in the same turn
	for good-bad > 1 {
		try := bad + (good-bad)/2
		var err error
		for range 2 {
			if why, err = c.survives(e, try); err != nil {
				return 0, err
			}
			if why != nil {
				break
			}
		}
		if why != nil {
			bad = try
			continue
		}
		good = try
		if c.keepsPace(e, try) {
			pace = min(pace, try)
		}
	}
	text := fmt.Sprintf("from %d bytes on every sector survives what is written beside it", good)
	if bad > 0 {
		text += fmt.Sprintf(", with %d not", bad)
	}
	if pace > good {
		text += fmt.Sprintf("; with less than %d it does not always catch the next sector in the same turn", pace)
	}
	c.say(name, true, "%s", text)
	return good, nil
}

// survives lays down a track with a gap 3, writes its sectors in sequence by one command, then one by one out of order,
// and reads them all after each. why is the first loss.
func (c *check) survives(e disk.Encoding, gap int) (why, fatal error) {
	t := trial(e, c.place, c.rate, byte(gap))
	setGap(t, gap)
	step := func(err error) bool {
		if err != nil && bench.Fatal(err) {
			fatal = err
		} else {
			why = err
		}
		return err == nil
	}
	if !step(c.proof(t)) {
		return
	}
	fill(t, byte(gap)^0x55)
	for _, i := range []int{3, 1, 4, 0, 2} {
		one := *t
		one.Sectors = t.Sectors[i : i+1]
		if !step(c.d.Write(c.ctx, &one)) {
			return
		}
	}
	step(c.comesBack(t))
	return
}

// keepsPace reports whether the sectors of the track that survives left there are read in one go: at most a turn until
// the first comes by, and the part of a turn that they take. One that is missed costs another turn.
func (c *check) keepsPace(e disk.Encoding, gap int) bool {
	t := trial(e, c.place, c.rate, 0)
	setGap(t, gap)
	begin := c.o.Now()
	_, err := c.d.Read(c.ctx, t)
	f := t.Format
	part := float64(f.Sectors*f.SectorBytes()) * 8 / (f.RateKbit * 1000) / c.turn
	return err == nil && c.o.Now().Sub(begin).Seconds() < (1.5+part)*c.turn
}
