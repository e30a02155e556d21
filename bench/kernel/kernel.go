// Package kernel is a floppy drive behind the Linux kernel's driver: /dev/fd0.
//
// The driver offers three ways down. Raw commands (FDRAWCMD) put the bytes of a controller command into the chip and
// give back its answer: with them any identifiers, sizes, marks and FM can be written that the chip can do. Many
// kernels are built without them; then the driver's own formatting (FDSETPRM, FDFMTTRK) and its block reads and writes
// are left, which know plain sectors alone. What a disk needs is compared with what the way at hand can do before the
// first track is touched.
//
// Worked example: FORMAT TRACK of 10 FM sectors of 256 bytes on cylinder 17, head 0, drive 0 is the command bytes
// 0D 00 01 0A 0C E5 (FM, head and unit, size code 1, ten sectors, gap 12, fill E5) and a table of four bytes a sector,
// in the order of the track: 11 00 00 01, 11 00 05 01, ... for numbers 0, 5, 1, 6, ... In a 360 rpm drive the rate is
// code 1 (300 kbit/s MFM, 150 FM). Source: 765 data sheet; linux/fd.h; rate codes: the kernel's driver.
package kernel

import (
	"context"
	"errors"
	"fmt"
	"strings"

	"remanence/bench"
	"remanence/disk"
)

// Errors of a port, as the driver gives them.
var (
	ErrNoRaw       = errors.New("this kernel's driver has no raw commands")
	ErrInterrupted = errors.New("interrupted")
	ErrIO          = errors.New("input/output error")
)

// What a search of the chip did not find. They come with ErrIO.
var (
	errNoMark     = errors.New("no address mark")
	errNoDataMark = errors.New("no data mark")
	errNoSector   = errors.New("no such sector")
)

// State is what the driver knows of the drive.
type State struct{ Changed, Writable, Known bool }

// Port is the driver as this package uses it: the ioctls of one open drive, and its blocks. Tests put faults in here.
type Port interface {
	Name() string
	Raw(c *Command) error
	SetParams(p *Params) error
	FormatBegin() error
	FormatTrack(head, track uint32) error
	FormatEnd() error
	Flush() error
	Reset() error
	Poll() (State, error)
	ReadAt(b []byte, off int64) (int, error)
	WriteAt(b []byte, off int64) (int, error)
	Sync() error
	Close() error
}

// Drive is a bench.Device over a port. Raw says whether raw commands work.
type Drive struct {
	Raw  bool
	port Port
	unit byte
	rec  *disk.Recording
	step int
	set  bool // FDSETPRM was done
}

var _ bench.Device = (*Drive)(nil)

// New tries whether the driver takes raw commands and gives a drive for disks of rec.
func New(p Port, unit int, rec *disk.Recording, steps int) *Drive {
	d := &Drive{port: p, unit: byte(unit & 3), rec: rec, step: max(steps, 1)}
	c := Command{Bytes: []byte{0x04, d.unit}} // SENSE DRIVE STATUS: no disk, no motor
	d.Raw = d.raw(&c) == nil && len(c.Reply) == 1
	return d
}

// Name is the device and the way it is driven.
func (d *Drive) Name() string {
	if d.Raw {
		return d.port.Name() + " (raw commands)"
	}
	return d.port.Name() + " (driver's own formatting)"
}

// Close closes the port.
func (d *Drive) Close() error { return d.port.Close() }

// raw gives a command, again where a signal came between.
func (d *Drive) raw(c *Command) error {
	was := *c
	for try := 0; ; try++ {
		err := d.port.Raw(c)
		if errors.Is(err, ErrInterrupted) && try < 20 {
			flags := was.Flags
			c.Flags, c.Residue = flags, 0
			continue
		}
		return err
	}
}

// again repeats what a signal interrupted: Go's own pre-emption signal can do it.
func again(f func() error) error {
	for try := 0; ; try++ {
		if err := f(); !errors.Is(err, ErrInterrupted) || try == 20 {
			return err
		}
	}
}

// rateCode is the kernel's code of an MFM data rate.
func rateCode(kbit float64) (uint8, bool) {
	for i, r := range []float64{500, 300, 250, 1000} {
		if kbit > r*0.99 && kbit < r*1.01 {
			return uint8(i), true
		}
	}
	return 0, false
}

// Unable says what of a track the driver or the chip cannot lay down.
func (d *Drive) Unable(t *bench.Track) error {
	if _, ok := rateCode(t.RateKbit); !ok {
		return fmt.Errorf("%g kbit/s: the controller has 250, 300, 500 and 1000", t.RateKbit)
	}
	if len(t.Sectors) == 0 || len(t.Sectors) > 255 {
		return fmt.Errorf("%d sectors: want 1 to 255", len(t.Sectors))
	}
	n := t.Sectors[0].ID.SizeCode
	for i := range t.Sectors {
		s := &t.Sectors[i]
		if s.Mark != disk.MarkData && s.Mark != disk.MarkDeleted {
			return fmt.Errorf("sector %d: mark %02X: a 765-class controller writes FB and F8 only", s.ID.Sector, s.Mark)
		}
		if s.ID.SizeCode != n {
			return fmt.Errorf("sector %d: size code %d among %d: one track has one size for this controller", s.ID.Sector, s.ID.SizeCode, n)
		}
		if s.Encoding != t.Format.Encoding {
			return fmt.Errorf("sector %d: %s on a track of %s", s.ID.Sector, s.Encoding, t.Format.Encoding)
		}
		if n == 0 && s.Encoding == disk.MFM {
			return fmt.Errorf("sectors of 128 bytes in MFM are not in the controller maker's tables")
		}
	}
	if d.Raw {
		return nil
	}
	return d.unablePlain(t)
}

const needRaw = "that needs a kernel with raw floppy commands (CONFIG_BLK_DEV_FD_RAWCMD)"

// unablePlain is what the driver's own formatting cannot do.
func (d *Drive) unablePlain(t *bench.Track) error {
	f := d.rec.Format(t.Cylinder, t.Head)
	var why []string
	if f.Size == 128 {
		why = append(why, "128-byte sectors")
	}
	if f.Sectors*f.Size%512 != 0 {
		why = append(why, fmt.Sprintf("%d x %d bytes is no whole number of 512-byte blocks", f.Sectors, f.Size))
	}
	if len(d.rec.Zones) > 0 {
		why = append(why, "tracks of different formats")
	}
	if d.step > 2 {
		why = append(why, fmt.Sprintf("%d steps a cylinder", d.step))
	}
	if len(t.Sectors) != f.Sectors {
		why = append(why, fmt.Sprintf("%d sectors instead of %d", len(t.Sectors), f.Sectors))
	}
	for i := range t.Sectors {
		if s := &t.Sectors[i]; !s.Plain(f) {
			why = append(why, fmt.Sprintf("sector %d with identifier %s and mark %02X", s.ID.Sector, s.ID, s.Mark))
			break
		}
	}
	if len(why) > 0 {
		return fmt.Errorf("%s: %s", strings.Join(why, "; "), needRaw)
	}
	return nil
}

// Degraded says what comes out otherwise than the recording has it, where raw commands are missing.
func (d *Drive) Degraded() []string {
	if d.Raw {
		return nil
	}
	return []string{"the driver lays sectors in its own order, skewed from track to track, and fills them with F6; every sector is there, some machines read them more slowly"}
}

// params is the recording as the driver's own formatting takes it.
func (d *Drive) params(t *bench.Track) *Params {
	f := t.Format
	code, _ := disk.SizeCodeOf(f.Size)
	rate, _ := rateCode(t.RateKbit)
	p := &Params{Sect: uint32(f.Sectors * f.Size / 512), Head: uint32(d.rec.Sides), Track: uint32(d.rec.Cylinders),
		Gap: uint8(t.GapRW), FmtGap: uint8(max(min(f.Gap3, 255), 0x22)), Spec1: 0xDF}
	p.Size = p.Sect * p.Head * p.Track
	p.Rate = rate | (code+6)&7<<3 // N = (code of the field + 2) & 7
	if f.Encoding == disk.FM {
		p.Rate |= 0x80 // not named in linux/fd.h, only in the driver
	}
	if d.step == 2 {
		p.Stretch |= 1
	}
	p.Stretch |= uint32(f.FirstID^1) << 2
	return p
}

// Format lays down the identifiers of a track.
func (d *Drive) Format(ctx context.Context, t *bench.Track) error {
	if err := ctx.Err(); err != nil {
		return err
	}
	if !d.Raw {
		if err := d.prepare(t); err != nil {
			return err
		}
		if err := again(d.port.FormatBegin); err != nil {
			return explain(err)
		}
		err := again(func() error { return d.port.FormatTrack(uint32(t.Head), uint32(t.Cylinder)) })
		return explain(errors.Join(err, again(d.port.FormatEnd)))
	}
	st, err := d.port.Poll()
	if err == nil && st.Known && !st.Writable {
		return bench.ErrWriteProtected
	}
	var table []byte
	for i := range t.Sectors {
		id := t.Sectors[i].ID
		table = append(table, id.Cylinder, id.Head, id.Sector, id.SizeCode)
	}
	c := d.command(t, 0x0D, rawWrite)
	c.Bytes = append(c.Bytes, t.Sectors[0].ID.SizeCode, uint8(len(t.Sectors)), uint8(min(t.Format.Gap3, 255)), uint8(t.Format.Fill))
	c.Data = table
	return d.do(c)
}

// prepare tells the driver what the disk is like.
func (d *Drive) prepare(t *bench.Track) error {
	if d.set {
		return nil
	}
	if err := again(func() error { return d.port.SetParams(d.params(t)) }); err != nil {
		return explain(err)
	}
	d.set = true
	return nil
}

// command begins a raw command: opcode with the MFM bit, head and unit.
func (d *Drive) command(t *bench.Track, op byte, flags uint32) *Command {
	if t.Format.Encoding == disk.MFM {
		op |= 0x40
	}
	rate, _ := rateCode(t.RateKbit)
	return &Command{Flags: flags | rawIntr | rawNeedDisk | rawNeedSeek | rawSpin, Rate: rate, Track: int32(t.Physical),
		Bytes: []byte{op, byte(t.Head)<<2 | d.unit}}
}

// do gives a command and turns the chip's answer into an error.
func (d *Drive) do(c *Command) error {
	if err := d.raw(c); err != nil {
		return explain(err)
	}
	return answer(c)
}

// answer reads the result bytes ST0, ST1, ST2 (765 data sheet, status registers). The ioctl succeeds even when the
// controller reports a failure, so every bit is looked at here.
func answer(c *Command) error {
	if c.Flags&rawHardFailure != 0 && len(c.Reply) == 0 {
		return bench.ErrNoDisk
	}
	if len(c.Reply) < 3 {
		return fmt.Errorf("the controller gave %d bytes of answer, want 7: %w", len(c.Reply), ErrIO)
	}
	st0, st1, st2 := c.Reply[0], c.Reply[1], c.Reply[2]
	switch {
	case st0&0xC0 == 0xC0:
		return fmt.Errorf("the drive became unready: %w", bench.ErrNoDisk)
	case st1&0x02 != 0:
		return bench.ErrWriteProtected
	case st0&0xC0 == 0 && st1 == 0 && st2&^0x40 == 0:
		return nil
	case st2&0x20 != 0:
		return fmt.Errorf("CRC error in the data: %w", ErrIO)
	case st1&0x20 != 0:
		return fmt.Errorf("CRC error in an identifier: %w", ErrIO)
	case st1&0x10 != 0:
		return fmt.Errorf("overrun: the computer was too slow for the controller: %w", ErrIO)
	case st2&0x01 != 0:
		return fmt.Errorf("%w: %w", errNoDataMark, ErrIO)
	case st1&0x01 != 0:
		return fmt.Errorf("%w in two turns (wrong rate or encoding, or not formatted; without index pulses the disk does not turn): %w", errNoMark, ErrIO)
	case st2&0x10 != 0:
		return fmt.Errorf("identifiers of another cylinder: %w", ErrIO)
	case st1&0x04 != 0:
		return fmt.Errorf("%w: %w", errNoSector, ErrIO)
	case st1&0x80 != 0:
		return fmt.Errorf("past the end of the cylinder: %w", ErrIO)
	case st0&0x10 != 0:
		return fmt.Errorf("track 0 was not reached, or the drive has a fault: %w", ErrIO)
	}
	return fmt.Errorf("status %02X %02X %02X: %w", st0, st1, st2, ErrIO)
}

// explain gives the driver's errors their meaning for a person.
func explain(err error) error {
	if err == nil || bench.Fatal(err) {
		return err
	}
	return err
}

// runs splits the sectors of a track, by number, into runs that one command moves: numbers that follow one another,
// one mark, one cylinder and head in the identifier. 765-class controllers count R up by themselves.
func runs(sectors []disk.Sector) [][]int {
	order := make([]int, len(sectors))
	for i := range order {
		order[i] = i
	}
	for i := 1; i < len(order); i++ { // few sectors; stable
		for k := i; k > 0 && less(&sectors[order[k]], &sectors[order[k-1]]); k-- {
			order[k], order[k-1] = order[k-1], order[k]
		}
	}
	var out [][]int
	for n, i := range order {
		if n > 0 {
			last := out[len(out)-1]
			p, s := &sectors[last[len(last)-1]], &sectors[i]
			// One transfer of the driver stays below 32 KiB; 128-byte fields go one by one, as DTL then counts.
			if p.ID.Cylinder == s.ID.Cylinder && p.ID.Head == s.ID.Head && int(p.ID.Sector)+1 == int(s.ID.Sector) &&
				p.Mark == s.Mark && s.ID.SizeCode > 0 && len(last)*s.ID.Size() < 32<<10-s.ID.Size() {
				out[len(out)-1] = append(last, i)
				continue
			}
		}
		out = append(out, []int{i})
	}
	return out
}

func less(a, b *disk.Sector) bool {
	switch {
	case a.ID.Cylinder != b.ID.Cylinder:
		return a.ID.Cylinder < b.ID.Cylinder
	case a.ID.Head != b.ID.Head:
		return a.ID.Head < b.ID.Head
	}
	return a.ID.Sector < b.ID.Sector
}

// transfer completes a read or write of a run of sectors.
func (c *Command) transfer(t *bench.Track, first, last *disk.Sector) {
	id, dtl := first.ID, byte(0xFF)
	if id.SizeCode == 0 {
		dtl = 128
	}
	c.Bytes = append(c.Bytes, id.Cylinder, id.Head, id.Sector, id.SizeCode, last.ID.Sector, byte(min(t.GapRW, 255)), dtl)
}
