package kernel

import (
	"errors"
	"fmt"
	"strings"

	"remanence/bench"
	"remanence/disk"
)

// title is the encoding as it is written in words.
func title(e disk.Encoding) string { return strings.ToUpper(e.String()) }

// marks tries what data marks the controller writes. FB is that of every other test.
func (c *check) marks() error {
	encodings := []disk.Encoding{disk.MFM}
	if c.f.FM == "yes" {
		encodings = append(encodings, disk.FM)
	}
	if c.d.Raw && c.rate > 0 {
		for _, e := range encodings {
			t := trial(e, c.place, c.rate, 4)
			for i := range t.Sectors {
				t.Sectors[i].Mark = disk.MarkDeleted
			}
			if err := c.verdict("mark F8 in "+title(e), c.tries(t)); err != nil {
				return err
			}
		}
	} else {
		c.unknown("mark F8", "not tried: %s", map[bool]string{true: "no track came back", false: needRaw}[c.d.Raw])
	}
	for _, m := range []byte{disk.MarkUserA, disk.MarkUser9} {
		c.say(fmt.Sprintf("mark %02X", m), false, "no controller of this class has a command for it: WRITE DATA writes FB, WRITE DELETED DATA F8")
	}
	return c.foreignMarks()
}

// foreignMarks reads sectors with each of the four FM marks, as other controllers write them, laid down with a ladder's
// trick (see stream). A sector whose mark the chip does not take must be refused, not given with wrong data.
func (c *check) foreignMarks() error {
	if c.f.FM != "yes" || c.turn == 0 {
		return nil // nothing to be told: MFM has no other marks, or the marks cannot be laid down
	}
	a := c.anchor()
	if err := a.format(); err != nil {
		return c.verdict("marks of disks made elsewhere", err)
	}
	marks := []byte{disk.MarkData, disk.MarkDeleted, disk.MarkUserA, disk.MarkUser9}
	const field, spacing = 128, 176 // FM bytes: 163 of a sector with its gap 2, the rest gap 3
	s := newStream()
	for i, m := range marks {
		if at := s.at() * 2; at > a.toIndex-2*spacing && at < a.toIndex+200 {
			s.gap((a.toIndex + 200 - at) / 2) // none from just before the index to 100 FM bytes after it
		}
		end := s.at() + spacing
		s.id(byte(a.cylinder), byte(0xA0+i), 0)
		s.gap(11)
		data := make([]byte, field)
		for k := range data {
			data[k] = byte(k) ^ m
		}
		s.field(m, data)
		s.gap(end - s.at())
	}
	if err := a.write(s); err != nil {
		return c.verdict("marks of disks made elsewhere", err)
	}
	var reads, tells []int
	known := true
	for i, m := range marks {
		cmd := a.fm(0x06, rawRead, byte(0xA0+i))
		cmd.Data = make([]byte, field)
		err := c.do(cmd)
		if err != nil && bench.Fatal(err) {
			return err
		}
		right := err == nil
		for k, v := range cmd.Data {
			right = right && v == byte(k)^m
		}
		told := m == disk.MarkData || right && cmd.Reply[2]&0x40 != 0 // the control mark bit: not what READ DATA expects
		name := fmt.Sprintf("mark %02X of a disk made elsewhere, in FM", m)
		switch {
		case i == 0 && !right:
			c.unknown("marks of disks made elsewhere", "FM sectors that were laid down as MFM data do not come back, so that nothing can be told: %s", words(err))
			return nil
		case right && told:
			c.say(name, true, "")
		case right:
			c.say(name, true, "read as if it were FB")
		case err == nil:
			c.say(name, false, "other data come back")
		default:
			c.say(name, false, "such a sector is refused: %s", words(err))
		}
		if right {
			reads = append(reads, int(m))
			if told {
				tells = append(tells, int(m))
			}
		}
		known = known && (right || errors.Is(err, errNoDataMark)) // anything else may be the disk's fault
	}
	if known {
		c.f.ReadsMarks, c.f.TellsMarks = reads, tells
	}
	return nil
}
