package computer

import (
	"math"

	"remanence/disk/cell"
)

// seek begins a search at the next byte of the track.
func (c *Controller) seek(d *Drive) {
	t := d.recorded(c.head)
	if len(t) == 0 { // nothing but noise: give up after the allowed revolutions
		c.at = c.from + searchRevs*d.period()
		c.phase = searching
		return
	}
	bt := d.byteTime(len(t))
	c.position = int(math.Ceil(d.phase(c.at)/bt)) % len(t)
	c.phase = searching
	c.at += math.Mod(float64(c.position)*bt-d.phase(c.at)+d.period(), d.period())
}

// search looks at the byte at hand for an identifier, and either takes it or goes on to the next mark.
func (c *Controller) search(d *Drive) {
	t := d.recorded(c.head)
	if len(t) == 0 || c.at-c.from >= searchRevs*d.period() {
		c.end(c.status&statusCRC | statusNotFound)
		return
	}
	bt := d.byteTime(len(t))
	read := func(i int) TrackByte { b, _ := d.Medium.read(d.cylinder, c.head, i%len(t)); return b }
	n := 0
	for ; n < len(t); n++ {
		if t[(c.position+n)%len(t)] == (TrackByte{0xFE, markClock}) {
			break
		}
	}
	if n == len(t) {
		c.at = c.from + searchRevs*d.period()
		return
	}
	id := (c.position + n) % len(t)
	start := c.at + float64(n)*bt
	c.seen = c.seen[:0]
	for i := range 7 {
		c.seen = append(c.seen, read(id+i).Data)
	}
	good := cell.CRC(0xFFFF, c.seen) == 0
	match := good && c.seen[1] == c.track
	if c.kind == transferCommand && c.command < 0xC0 {
		match = match && c.seen[3] == c.sector
	}
	if c.command>>4 == 0xC { // read address takes any identifier
		match = true
	}
	c.position = (id + 7) % len(t)
	c.at = start + 7*bt
	if c.at-c.from >= searchRevs*d.period() {
		return
	}
	if !match {
		if !good {
			c.status |= statusCRC
		}
		return
	}
	c.take(d, good, read, bt, start)
}

// take acts on the identifier that was sought; position is the byte behind it.
func (c *Controller) take(d *Drive, good bool, read func(int) TrackByte, bt, start float64) {
	t := d.recorded(c.head)
	switch {
	case c.kind == headCommand:
		c.status &^= statusCRC
		c.end(0)
	case c.command>>4 == 0xC:
		if good {
			c.status &^= statusCRC
		} else {
			c.status |= statusCRC
		}
		c.left, c.phase, c.at = 0, readingID, start+2*bt
		c.sector = c.seen[1] // the track address goes to the sector register
	case c.command>>5 == 5:
		c.status &^= statusCRC
		c.left = c.length()
		c.request, c.loaded = true, false
		c.phase, c.at = awaitingGate, c.at+gap2Bytes*bt
		c.position += gap2Bytes
	default:
		c.status &^= statusCRC
		n := c.length()
		for i := range dataWindow {
			b := read(c.position + i)
			if b.Clock != markClock || b.Data&0xFC != 0xF8 {
				continue
			}
			c.status = c.status&^statusMark | (3-b.Data&3)<<5
			c.seen = append(c.seen[:0], b.Data)
			c.position = (c.position + i + 1) % len(t)
			c.at += float64(i+2) * bt // a byte is there once its last bit has passed
			c.left = n
			c.field = 1 + n + 2
			c.phase = reading
			return
		}
	}
}

// length is the data field's length by the length code and flag b.
func (c *Controller) length() int {
	code := c.seen[4]
	if c.command&sectorLengthFlag != 0 {
		return 128 << (code & 3)
	}
	if code == 0 {
		return 4096
	}
	return int(code) * 16
}

// deliver hands a byte to the data register; one that was not fetched in time is lost.
func (c *Controller) deliver(b byte) {
	if c.request {
		c.status |= statusLost
		c.Lost++
	}
	c.reg, c.request = b, true
}

func (c *Controller) readByte(d *Drive) {
	t := d.recorded(c.head)
	bt := d.byteTime(len(t))
	b, _ := d.Medium.read(d.cylinder, c.head, c.position)
	c.seen = append(c.seen, b.Data)
	c.position = (c.position + 1) % len(t)
	if c.left > 0 {
		c.left--
		c.deliver(b.Data)
		c.at += bt
		return
	}
	if len(c.seen) < c.field {
		c.at += bt
		return
	}
	if cell.CRC(0xFFFF, c.seen) != 0 {
		c.finish(statusCRC)
		return
	}
	if c.multiple {
		c.sector++
		c.from = c.at
		c.phase = searching
		return
	}
	c.finish(0)
}

// finish ends a read; its last byte may still be fetched.
func (c *Controller) finish(bits byte) {
	request := c.request
	c.end(bits)
	c.request = request
}

// readIDByte delivers the six bytes of an identifier to Read Address.
func (c *Controller) readIDByte(d *Drive) {
	c.deliver(c.seen[1+c.left])
	c.left++
	if c.left == 6 {
		c.finish(0)
		return
	}
	c.at += d.byteTime(len(d.recorded(c.head)))
}

// gate is where a write begins, unless the first byte is not there yet.
func (c *Controller) gate() {
	if !c.loaded {
		c.Lost++
		c.end(statusLost)
		return
	}
	c.lead, c.tail, c.marked = writeLead, 0, false
	c.phase = writing
}

// writeLead is the zeros before a data mark; writeTail the CRC and the turn-off byte FF (FD1771 data sheet).
const (
	writeLead = 6
	writeTail = 3
)

// put writes one byte where the head is.
func (c *Controller) put(d *Drive, n int, b TrackByte) {
	d.Medium.write(d.cylinder, c.head, c.position, n, b)
	c.position = (c.position + 1) % n
	c.at += byteS
}

// next takes the byte the processor has supplied and asks for another; a late one becomes 00.
func (c *Controller) next(more bool) byte {
	b := c.reg
	if !c.loaded {
		c.status |= statusLost
		c.Lost++
		b = 0
	}
	c.loaded, c.request = false, more
	return b
}

func (c *Controller) writeByte(d *Drive) {
	n := len(d.recorded(c.head))
	switch {
	case c.lead > 0:
		c.lead--
		c.put(d, n, TrackByte{0, 0xFF})
	case !c.marked:
		mark := byte(0xFB) - c.command&3
		c.crc = cell.CRC(0xFFFF, []byte{mark})
		c.marked = true
		c.put(d, n, TrackByte{mark, markClock})
	case c.left > 0:
		c.left--
		b := c.next(c.left > 0)
		c.crc = cell.CRC(c.crc, []byte{b})
		c.put(d, n, TrackByte{b, 0xFF})
	case c.tail < writeTail:
		b := [writeTail]byte{byte(c.crc >> 8), byte(c.crc), 0xFF}[c.tail]
		c.tail++
		c.put(d, n, TrackByte{b, 0xFF})
	case c.multiple:
		c.sector++
		c.from = c.at
		c.phase = searching
	default:
		c.end(0)
	}
}

// indexCame begins Write Track or Read Track at the index pulse.
func (c *Controller) indexCame(d *Drive) {
	c.position = 0
	if c.command>>4 == 0xF {
		if !c.loaded {
			c.Lost++
			c.end(statusLost)
			return
		}
		d.Medium.SetTrack(d.cylinder, c.head, nil)
		c.left, c.tail = d.length(), 0
		c.phase = writingTrack
		return
	}
	c.left = len(d.recorded(c.head))
	c.phase = readingTrack
	if c.left == 0 {
		c.end(0)
	}
}

// writeTrackByte writes what the processor supplies until the next index pulse: F7 makes two CRC bytes, F8-FB and FE
// are marks and preset the CRC, FC is the index mark (FD1771 data sheet).
func (c *Controller) writeTrackByte(d *Drive) {
	n := d.length()
	if c.left == 0 {
		c.end(0)
		return
	}
	c.left--
	if c.tail > 0 {
		c.tail = 0
		c.put(d, n, TrackByte{byte(c.crc), 0xFF})
		return
	}
	late := !c.loaded
	b := c.next(true)
	switch {
	case b == 0xF7 && !late:
		c.tail = 1
		c.put(d, n, TrackByte{byte(c.crc >> 8), 0xFF})
	case b >= 0xF8 && b <= 0xFB || b == 0xFE:
		c.crc = cell.CRC(0xFFFF, []byte{b})
		c.put(d, n, TrackByte{b, markClock})
	case b == 0xFC:
		c.crc = cell.CRC(0xFFFF, []byte{b})
		c.put(d, n, TrackByte{b, indexClock})
	default:
		c.crc = cell.CRC(c.crc, []byte{b})
		c.put(d, n, TrackByte{b, 0xFF})
	}
}

func (c *Controller) readTrackByte(d *Drive) {
	t := d.recorded(c.head)
	if c.left == 0 || len(t) == 0 {
		c.finish(0)
		return
	}
	b, _ := d.Medium.read(d.cylinder, c.head, c.position)
	c.position = (c.position + 1) % len(t)
	c.left--
	c.deliver(b.Data)
	c.at += d.byteTime(len(t))
}
