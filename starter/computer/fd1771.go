package computer

import (
	"math"
)

// Status bits of the FD1771 (data sheet). The same bit means other things after other commands.
const (
	statusBusy       = 1 << 0
	statusIndex      = 1 << 1 // after a head command
	statusRequest    = 1 << 1 // after a transfer command: the data register wants service
	statusTrack0     = 1 << 2
	statusLost       = 1 << 2 // the processor came too late
	statusCRC        = 1 << 3
	statusNotFound   = 1 << 4 // no identifier matched; after a seek: not where it should be
	statusHead       = 1 << 5 // head engaged
	statusMark       = 3 << 5 // after a read: which data mark, FB 00, FA 01, F9 10, F8 11
	statusFault      = 1 << 5
	statusProtected  = 1 << 6
	statusNotReady   = 1 << 7
	headCommand      = 1
	transferCommand  = 2
	sectorLengthFlag = 0x08 // flag b: 1 = the length code counts 128 << code
	multipleFlag     = 0x10
	headLoadFlag     = 0x04 // flag E of read and write, bit 2
	verifyFlag       = 0x04 // flag V of head commands
	headLoadAtOnce   = 0x08 // flag h of head commands
	updateFlag       = 0x10 // flag u of a step
)

// phase is what the controller is doing until its next event.
type phase int

const (
	idle phase = iota
	stepping
	settling
	searching     // for an identifier
	reading       // the data field
	awaitingGate  // before the write gate opens
	writing       // a data field
	awaitingIndex // before a whole track is written or read
	writingTrack
	readingTrack
	readingID
)

// Controller is a single-density floppy controller of the FD1771 class at a 1 MHz clock, written from its data sheet.
// It works in events: every call tells it the time, and it first does all that has happened by then.
type Controller struct {
	Drives [4]*Drive
	Lost   int // bytes that the processor was late for, since Reset: a rehearsal wants none

	selected int // -1: none
	head     int

	status, command    byte
	track, sector, reg byte
	kind               int
	request, interrupt bool
	phase              phase
	now, at            float64 // time of the last call, and of the next event
	direction          int
	target             int // head steps left, or -1: until track 0
	steps              int
	from               float64 // where a search began
	position           int     // byte on the track at hand
	left               int
	crc                uint16
	seen               []byte // the field being read
	loaded             bool   // the data register holds a byte for writing
	lead, tail         int    // zeros before the mark still to write; CRC and turn-off bytes written
	marked             bool   // the data mark is written
	field              int    // bytes from the mark to the CRC
	multiple           bool
}

// Reset is the MASTER RESET pin.
func (c *Controller) Reset() {
	drives := c.Drives
	*c = Controller{Drives: drives, selected: -1, direction: 1}
}

// Select writes the drive select latch: bits 0-3 choose a drive (the lowest wins), bit 4 the side where the class has
// two. Selecting starts the motors.
func (c *Controller) Select(now float64, b byte) {
	c.advance(now)
	c.selected = -1
	for i := range 4 {
		if b&(1<<i) != 0 {
			c.selected = i
			break
		}
	}
	c.head = int(b >> 4 & 1)
	for _, d := range c.Drives {
		if d == nil || b&15 == 0 {
			continue
		}
		if d.motorAt == 0 || now > d.motorAt+motorHoldS {
			d.motorAt = now
		}
		d.keepRunning(now)
	}
}

// keepRunning prolongs the motor's run without losing the speed it has.
func (d *Drive) keepRunning(now float64) {
	if now-d.motorAt > spinUpS {
		d.motorAt = now - spinUpS
	}
}

// ready: a selected drive with a disk, up to speed.
func (c *Controller) ready(now float64) bool {
	d := c.drive()
	return d != nil && d.Medium != nil && d.motorAt != 0 && now >= d.motorAt+spinUpS && now-d.motorAt <= motorHoldS+spinUpS
}

func (c *Controller) drive() *Drive {
	if c.selected < 0 {
		return nil
	}
	return c.Drives[c.selected]
}

// Interrupt is the INTRQ pin: set when a command ends, cleared by reading the status or a new command.
func (c *Controller) Interrupt(now float64) bool { c.advance(now); return c.interrupt }

// Next is when the controller will do something by itself; infinite when idle.
func (c *Controller) Next() float64 {
	if c.phase == idle {
		return math.Inf(1)
	}
	return c.at
}

// Read reads register 0-3: status, track, sector, data.
func (c *Controller) Read(now float64, register int) byte {
	c.advance(now)
	switch register & 3 {
	case 0:
		c.interrupt = false
		return c.statusNow(now)
	case 1:
		return c.track
	case 2:
		return c.sector
	}
	c.request = false
	return c.reg
}

func (c *Controller) statusNow(now float64) byte {
	s := c.status &^ statusNotReady
	if !c.ready(now) {
		s |= statusNotReady
	}
	d := c.drive()
	if c.kind == transferCommand {
		if c.request {
			s |= statusRequest
		}
		return s
	}
	s &^= statusIndex | statusTrack0 | statusProtected
	if d == nil {
		return s
	}
	if d.Medium != nil && d.phase(now) < indexS {
		s |= statusIndex
	}
	if d.cylinder == 0 {
		s |= statusTrack0
	}
	if d.Medium != nil && d.Medium.WriteProtected {
		s |= statusProtected
	}
	return s
}

// Write writes register 0-3: command, track, sector, data.
func (c *Controller) Write(now float64, register int, b byte) {
	c.advance(now)
	switch register & 3 {
	case 0:
		c.start(now, b)
	case 1:
		if c.status&statusBusy == 0 {
			c.track = b
		}
	case 2:
		if c.status&statusBusy == 0 {
			c.sector = b
		}
	case 3:
		c.reg, c.loaded, c.request = b, true, false
	}
}

// start begins a command. While busy only Force Interrupt is taken.
func (c *Controller) start(now float64, b byte) {
	if b>>4 == 0xD {
		c.force(b)
		return
	}
	if c.status&statusBusy != 0 {
		return
	}
	if d := c.drive(); d != nil && d.motorAt != 0 {
		d.keepRunning(now)
	}
	c.command, c.interrupt, c.request, c.loaded = b, false, false, false
	c.status = statusBusy
	if b < 0x80 {
		c.kind = headCommand
		c.startHead(now)
		return
	}
	c.kind = transferCommand
	if !c.ready(now) {
		c.end(0)
		return
	}
	write := b>>5 == 5 || b>>4 == 0xF
	if write && c.drive().Medium.WriteProtected {
		c.end(statusProtected)
		return
	}
	c.phase, c.at = settling, now
	if b&headLoadFlag != 0 {
		c.at += settleS
	}
	c.multiple = b < 0xC0 && b&multipleFlag != 0
}

func (c *Controller) force(b byte) {
	if c.status&statusBusy == 0 {
		c.kind, c.status = headCommand, c.status&statusHead
	}
	c.status &^= statusBusy
	c.request, c.phase = false, idle
	if b&15 != 0 {
		c.interrupt = true
	}
}

// end finishes a command with status bits.
func (c *Controller) end(bits byte) {
	c.status = c.status&^statusBusy | bits
	c.phase, c.request, c.interrupt = idle, false, true
}

// startHead begins restore, seek and the steps.
func (c *Controller) startHead(now float64) {
	if c.command&headLoadAtOnce != 0 {
		c.status |= statusHead
	}
	c.steps = 0
	switch c.command >> 4 {
	case 0: // restore: up to 255 steps outwards
		c.target, c.direction = -1, -1
		c.track = 0xFF
	case 1: // seek: to the cylinder in the data register
		c.direction = 1
		if c.reg < c.track {
			c.direction = -1
		}
		c.target = int(c.reg) - int(c.track)
		if c.target < 0 {
			c.target = -c.target
		}
	case 2, 3:
		c.target = 1
	case 4, 5:
		c.direction, c.target = 1, 1
	case 6, 7:
		c.direction, c.target = -1, 1
	}
	c.phase, c.at = stepping, now
}

// step does one head step, or ends the moving.
func (c *Controller) step() {
	d := c.drive()
	restore := c.command>>4 == 0
	if restore && d != nil && d.cylinder == 0 {
		c.track = 0
		c.arrived()
		return
	}
	if !restore && c.target == 0 {
		c.arrived()
		return
	}
	if restore && c.steps == 255 {
		c.end(statusNotFound)
		return
	}
	if d != nil {
		d.cylinder = min(max(d.cylinder+c.direction, 0), d.limit())
	}
	c.steps++
	if !restore {
		c.target--
		if c.command>>4 == 1 || c.command&updateFlag != 0 {
			c.track = byte(int(c.track) + c.direction)
		}
	}
	c.at += stepS[c.command&3]
}

// arrived ends a head command, after looking for an identifier of this cylinder where the verify flag asks for it.
func (c *Controller) arrived() {
	if c.command&verifyFlag == 0 {
		c.end(0)
		return
	}
	c.status |= statusHead
	c.phase = settling
	c.at += settleS
}

// advance does everything that happens up to now.
func (c *Controller) advance(now float64) {
	for c.phase != idle && c.at <= now {
		c.event()
	}
	c.now = now
}

func (c *Controller) event() {
	d := c.drive()
	if d == nil || d.Medium == nil && c.phase != stepping {
		c.end(statusNotFound)
		return
	}
	switch c.phase {
	case stepping:
		c.step()
	case settling:
		c.settled(d)
	case searching:
		c.search(d)
	case reading:
		c.readByte(d)
	case readingID:
		c.readIDByte(d)
	case awaitingGate:
		c.gate()
	case writing:
		c.writeByte(d)
	case awaitingIndex:
		c.indexCame(d)
	case writingTrack:
		c.writeTrackByte(d)
	case readingTrack:
		c.readTrackByte(d)
	}
}

// settled is where the work of a command begins, the head down on the right cylinder.
func (c *Controller) settled(d *Drive) {
	c.from = c.at
	switch {
	case c.command>>4 == 0xE || c.command>>4 == 0xF:
		c.at += d.period() - d.phase(c.at) // the next index pulse
		if c.command>>4 == 0xF {
			c.request = true
		}
		c.phase = awaitingIndex
	default:
		c.seek(d)
	}
}
