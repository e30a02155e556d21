package kernel

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"math"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strings"
	"testing"

	"remanence/bench"
	"remanence/disk"
	"remanence/machine"
)

// fakePort is a driver and a controller that keep what they are told and fail as they are asked to.
type fakePort struct {
	raw       bool
	noFM      bool
	protected bool
	empty     bool
	tracks    map[[2]int]map[uint8]*field // by place, by number
	fault     func(c *Command) string     // what goes wrong with this command: "" nothing
	calls     int
	cached    []byte
	blocks    []byte
	cooked    *Params
	killed    bool
}

type field struct {
	id   disk.SectorID
	data []byte
	mark byte
	crc  bool // spoilt
}

func (f *fakePort) Name() string { return "fake" }
func (f *fakePort) Close() error { return nil }

func status(st0, st1, st2 byte) []byte { return []byte{st0, st1, st2, 0, 0, 0, 0} }

// Raw is FDRAWCMD: the ioctl succeeds even when the controller does not.
func (f *fakePort) Raw(c *Command) error {
	f.calls++
	if f.killed {
		return context.Canceled
	}
	if !f.raw {
		return ErrNoRaw
	}
	if c.Bytes[0] == 0x04 {
		c.Reply = []byte{0x28}
		return nil
	}
	what := ""
	if f.fault != nil {
		what = f.fault(c)
	}
	switch what {
	case "eintr":
		return ErrInterrupted
	case "eio":
		return ErrIO
	case "killed":
		f.killed = true
		return context.Canceled
	case "door":
		c.Flags |= rawFailure | rawHardFailure
		return bench.ErrNoDisk
	case "index", "mark":
		c.Reply = status(0x40, 0x01, 0)
		return nil
	case "crc":
		c.Reply = status(0x40, 0x20, 0x20)
		return nil
	case "nodata":
		c.Reply = status(0x40, 0x04, 0)
		return nil
	case "overrun":
		c.Reply = status(0x40, 0x10, 0)
		return nil
	case "short":
		c.Reply = status(0, 0, 0)[:2]
		return nil
	}
	if f.noFM && c.Bytes[0]&0x40 == 0 {
		c.Reply = status(0x40, 0x01, 0)
		return nil
	}
	at := [2]int{int(c.Track), int(c.Bytes[1] >> 2 & 1)}
	switch c.Bytes[0] & 0x1F {
	case 0x0D:
		if f.protected {
			c.Reply = status(0x40, 0x02, 0)
			return nil
		}
		t := map[uint8]*field{}
		for i := 0; i+3 < len(c.Data); i += 4 {
			id := disk.SectorID{Cylinder: c.Data[i], Head: c.Data[i+1], Sector: c.Data[i+2], SizeCode: c.Data[i+3]}
			t[id.Sector] = &field{id: id, data: bytes.Repeat([]byte{c.Bytes[5]}, id.Size()), mark: 0xFB}
		}
		f.tracks[at] = t
	case 0x05, 0x09, 0x06, 0x0C:
		op := c.Bytes[0] & 0x1F
		mark := byte(0xFB)
		if op == 0x09 || op == 0x0C {
			mark = 0xF8
		}
		pos, st2 := 0, byte(0)
		for r := int(c.Bytes[4]); r <= int(c.Bytes[6]); r++ {
			s := f.tracks[at][uint8(r)]
			if s == nil || s.id.Cylinder != c.Bytes[2] || s.id.SizeCode != c.Bytes[5] {
				c.Reply = status(0x40, 0x04, 0)
				return nil
			}
			n := s.id.Size()
			if pos+n > len(c.Data) {
				break
			}
			if op == 0x05 || op == 0x09 {
				if f.protected {
					c.Reply = status(0x40, 0x02, 0)
					return nil
				}
				copy(s.data, c.Data[pos:])
				s.mark, s.crc = mark, what == "spoil"
				if what == "lost-write" { // the controller says it was written, and it was not
					s.data[0] ^= 0xFF
				}
			} else {
				if s.crc {
					c.Reply = status(0x40, 0x20, 0x20)
					return nil
				}
				copy(c.Data[pos:], s.data)
				if s.mark != mark {
					st2 |= 0x40
				}
			}
			pos += n
		}
		c.Residue = len(c.Data) - pos
		c.Reply = status(0, 0, st2)
		return nil
	case 0x0A:
		for _, s := range f.tracks[at] {
			c.Reply = []byte{0, 0, 0, s.id.Cylinder, s.id.Head, s.id.Sector, s.id.SizeCode}
			return nil
		}
		c.Reply = status(0x40, 0x01, 0)
		return nil
	default:
		return fmt.Errorf("fake: command %02x", c.Bytes[0])
	}
	c.Reply = status(0, 0, 0)
	return nil
}

func (f *fakePort) SetParams(p *Params) error {
	q := *p
	f.cooked = &q
	if f.blocks == nil {
		f.blocks = make([]byte, p.Size*512)
	}
	return nil
}
func (f *fakePort) FormatBegin() error {
	if f.protected || f.empty {
		return bench.ErrWriteProtected
	}
	return nil
}
func (f *fakePort) FormatTrack(head, track uint32) error { return nil }
func (f *fakePort) FormatEnd() error                     { return nil }
func (f *fakePort) Flush() error                         { f.cached = nil; return nil }
func (f *fakePort) Reset() error                         { return nil }
func (f *fakePort) Poll() (State, error) {
	return State{Changed: f.empty, Writable: !f.protected, Known: true}, nil
}
func (f *fakePort) ReadAt(b []byte, off int64) (int, error) {
	if f.cached == nil {
		f.cached = bytes.Clone(f.blocks)
	}
	return copy(b, f.cached[off:]), nil
}
func (f *fakePort) WriteAt(b []byte, off int64) (int, error) { return copy(f.blocks[off:], b), nil }
func (f *fakePort) Sync() error {
	if f.protected {
		return ErrIO
	}
	return nil
}

func setup(t testing.TB, ref string) (*disk.Image,
	*disk.Recording, *bench.Combination) {
	t.Helper()
	s, err := machine.Load("")
	if err != nil {
		t.Fatal(err)
	}
	rec, err := s.Recording(ref)
	if err != nil {
		t.Fatal(err)
	}
	im := disk.NewImage(rec)
	for i := range im.Data {
		im.Data[i] = byte(i>>8 ^ i*5)
	}
	return im, rec, &bench.Combination{Steps: 1, Settings: bench.Settings{RPM: rec.RPM}}
}

func newFake() *fakePort { return &fakePort{raw: true, tracks: map[[2]int]map[uint8]*field{}} }

// same reports whether the fake's disk holds exactly the track of the image.
func (f *fakePort) same(t *bench.Track) bool {
	d := f.tracks[[2]int{t.Physical, t.Head}]
	if len(d) != len(t.Sectors) {
		return false
	}
	for i := range t.Sectors {
		s := &t.Sectors[i]
		g := d[s.ID.Sector]
		if g == nil || g.crc || g.mark != s.Mark || !bytes.Equal(g.data, s.Data) {
			return false
		}
	}
	return true
}

// A thousand faults, one job each, the line to a remote bench cut at any byte among them: whatever fails, a track called
// verified is on the disk as it should be, and every verdict is in the log. Status bytes: 765 data sheet; that the ioctl succeeds all the same: kernel notes, section 4.
func TestThousandFaults(t *testing.T) {
	im, rec, c := setup(t, "fm10x256:4x1")
	im.SetMark(disk.Place{Cylinder: 2, Sector: 3}, disk.MarkDeleted)
	kinds := []string{"eintr", "eio", "killed", "door", "index", "mark", "crc", "nodata", "overrun", "short", "spoil", "lost-write", "protect", "torn-log", "link"}
	dir, err := os.MkdirTemp("/dev/shm", "faults") // 20,000 log lines are synced; memory does it faster
	if err != nil {
		dir = t.TempDir()
	}
	defer os.RemoveAll(dir)
	far := newFarBench(t, func(p *fakePort) *Drive { return New(p, 0, rec, 1) })
	rng := rand.New(rand.NewPCG(1, 2))
	verified, failed, mended := 0, 0, 0
	for n := range 1000 {
		f := newFake()
		kind := kinds[n%len(kinds)]
		at := 1 + rng.IntN(60)
		lasting := rng.IntN(2) == 0
		f.fault = func(*Command) string {
			if f.calls == at || lasting && f.calls > at && kind != "eintr" {
				if kind == "protect" {
					f.protected = true
					return ""
				}
				return kind
			}
			return ""
		}
		path := filepath.Join(dir, fmt.Sprintf("%d.jsonl", n))
		log, err := bench.OpenLog(path, nil)
		if err != nil {
			t.Fatal(err)
		}
		open := func() (bench.Device, func()) { return New(f, 0, rec, 1), func() {} }
		if kind == "link" { // cut at any byte of a job, which takes some 60,000 both ways
			f.fault = nil
			open = func() (bench.Device, func()) {
				far.line.arm(-1, false)
				return far.dial(t, f, rec.Reference())
			}
		}
		dev, done := open()
		if kind == "link" {
			far.line.arm(int64(rng.IntN(60_000)), lasting)
		}
		r, err := bench.WriteDisk(context.Background(), dev, im, rec, c, bench.WriteOptions{Log: log})
		done()
		log.Close()
		if kind == "link" && lasting && !r.Whole && !errors.Is(err, bench.ErrLinkLost) {
			t.Fatalf("link cut for good: %v, want that it is lost", err)
		}
		if r.Whole && (err != nil || r.Verified != 4) {
			t.Fatalf("%s at call %d: whole, but %d of 4 verified, %v", kind, at, r.Verified, err)
		}
		if err == nil && !r.Whole && len(r.Failed) == 0 {
			t.Fatalf("%s at call %d: not whole and no reason", kind, at)
		}
		last := lastStates(t, path)
		for cyl := range 4 {
			tr := bench.TrackOf(im, rec, cyl, 0, c)
			if last[cyl] == bench.StateVerified && !f.same(tr) {
				t.Fatalf("%s at call %d: cylinder %d is called verified and is not on the disk", kind, at, cyl)
			}
		}
		logged := 0
		for _, s := range last {
			if s == bench.StateVerified {
				logged++
			}
		}
		if logged != r.Verified {
			t.Fatalf("%s at call %d: %d tracks verified, %d in the log", kind, at, r.Verified, logged)
		}
		if r.Whole {
			verified++
			if kind == "link" && !lasting {
				mended++
			}
			continue
		}
		failed++
		// What stopped it is over: the next run takes up where it was, and comes to an end.
		if kind == "torn-log" || kind == "killed" {
			h, _ := os.OpenFile(path, os.O_APPEND|os.O_WRONLY, 0)
			fmt.Fprintf(h, `{"key":"x","state":"veri`)
			h.Close()
		}
		f.fault, f.protected, f.killed = nil, false, false
		if log, err = bench.OpenLog(path, nil); err != nil {
			t.Fatal(err)
		}
		dev, done = open()
		again, err := bench.WriteDisk(context.Background(), dev, im, rec, c, bench.WriteOptions{Log: log})
		done()
		log.Close()
		if err != nil || !again.Whole || again.Resumed != r.Verified {
			t.Fatalf("%s at call %d: resumed %d of %d, %v", kind, at, again.Resumed, r.Verified, err)
		}
		for cyl := range 4 {
			if tr := bench.TrackOf(im, rec, cyl, 0, c); !f.same(tr) {
				t.Fatalf("%s: cylinder %d is not on the disk after the second run", kind, cyl)
			}
		}
	}
	if verified < 300 || failed < 100 {
		t.Errorf("%d jobs came through, %d did not: the faults do not test both", verified, failed)
	}
	t.Logf("%d jobs came through, %d did not; the line was cut %d times, %d jobs mended it", verified, failed, far.line.cuts, mended)
	if far.line.cuts < 40 || mended < 10 {
		t.Errorf("the line was cut %d times, %d jobs mended it: the cuts do not test both", far.line.cuts, mended)
	}
}

// lastStates is the last word of a log on each cylinder; a line that cannot be read is lost only if it is the last.
func lastStates(t *testing.T, path string) map[int]string {
	t.Helper()
	b, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	out := map[int]string{}
	for _, l := range strings.Split(strings.TrimSpace(string(b)), "\n") {
		if l == "" {
			continue
		}
		var e bench.Entry
		if err := json.Unmarshal([]byte(l), &e); err != nil {
			t.Fatalf("log line %q: %v", l, err)
		}
		out[e.Cylinder] = e.State
	}
	return out
}

// turning is a drive with a clock: the disk turns, the head steps, and a command takes until its sectors have passed.
type turning struct {
	*fakePort
	rev, step, settle float64 // seconds
	now               float64
	at                int32
	order             map[int32][]byte // numbers as they lie on a track
}

func (f *turning) Raw(c *Command) error {
	if c.Bytes[0] == 0x04 {
		return f.fakePort.Raw(c)
	}
	if c.Track != f.at {
		f.now += f.step*math.Abs(float64(c.Track-f.at)) + f.settle
		f.at = c.Track
	}
	turn := func() float64 { return f.now/f.rev - math.Floor(f.now/f.rev) }
	switch op := c.Bytes[0] & 0x1F; op {
	case 0x0D: // from one index pulse to the next
		f.now += (1-turn())*f.rev + f.rev
		f.order[c.Track] = nil
		for i := 2; i < len(c.Data); i += 4 {
			f.order[c.Track] = append(f.order[c.Track], c.Data[i])
		}
	default: // each sector in turn, when it comes by; a sector takes its part of the revolution
		n := float64(len(f.order[c.Track]))
		for r := int(c.Bytes[4]); r <= int(c.Bytes[6]); r++ {
			begin := float64(bytes.IndexByte(f.order[c.Track], byte(r))) / n * 0.97
			wait := begin - turn()
			if wait < -1e-6 {
				wait++
			}
			f.now += (wait + 0.96/n) * f.rev
		}
	}
	return f.fakePort.Raw(c)
}

// Forty cylinders written and verified take at most 1.2 times what rotation and stepping allow (issue 6), in the clock
// of a drive that turns.
func TestTimeOfADisk(t *testing.T) {
	s, err := machine.Load("")
	if err != nil {
		t.Fatal(err)
	}
	own, err := s.Drive("dd48")
	if err != nil {
		t.Fatal(err)
	}
	for _, ref := range []string{"fm10x256:40x1", "mfm9x512:40x1", "mfm9x512:40x2"} {
		im, rec, c := setup(t, ref)
		f := &turning{fakePort: newFake(), rev: 0.2, step: own.StepMS / 1000, settle: own.SettleMS / 1000, order: map[int32][]byte{}}
		f.now = own.MotorMS / 1000
		r, err := bench.WriteDisk(context.Background(), New(f, 0, rec, 1), im, rec, c, bench.WriteOptions{})
		if err != nil || !r.Whole {
			t.Fatalf("%s: %v %+v", ref, err, r)
		}
		allowed := bench.JobTime(rec, own, 300).Seconds()
		t.Logf("%s: %.1f s, rotation and stepping allow %.1f s (%.2f)", ref, f.now, allowed, f.now/allowed)
		if f.now > 1.2*allowed || f.now < 0.6*allowed {
			t.Errorf("%s: %.1f s, rotation and stepping allow %.1f s", ref, f.now, allowed)
		}
	}
}

// A controller whose board does no FM fails, it does not write something else.
func TestBoardWithoutFM(t *testing.T) {
	im, rec, c := setup(t, "fm10x256:1x1")
	f := newFake()
	f.noFM = true
	r, err := bench.WriteDisk(context.Background(), New(f, 0, rec, 1), im, rec, c, bench.WriteOptions{})
	if err != nil || r.Whole || !strings.Contains(r.Failed[0].Why, "no address mark") {
		t.Errorf("%v %+v", err, r)
	}
}

// Marks that the controller does not have are refused, or replaced where that was agreed; F8 comes back as F8.
func TestMarks(t *testing.T) {
	im, rec, c := setup(t, "fm10x256:2x1")
	im.SetMark(disk.Place{Cylinder: 1, Sector: 4}, disk.MarkUserA)
	f := newFake()
	if _, err := bench.WriteDisk(context.Background(), New(f, 0, rec, 1), im, rec, c, bench.WriteOptions{}); !errors.Is(err, bench.ErrUnable) || len(f.tracks) > 0 {
		t.Errorf("mark FA: %v, %d tracks touched", err, len(f.tracks))
	}
	r, err := bench.WriteDisk(context.Background(), New(f, 0, rec, 1), im, rec, c, bench.WriteOptions{ReplaceMark: disk.MarkDeleted})
	if err != nil || !r.Whole || r.Replaced != 1 || f.tracks[[2]int{1, 0}][4].mark != 0xF8 {
		t.Fatalf("replaced: %v %+v", err, r)
	}
	back, lost, err := bench.ReadDisk(context.Background(), New(f, 0, rec, 1), rec, c, nil, nil)
	if err != nil || lost != 0 || !bytes.Equal(back.Data, im.Data) {
		t.Fatalf("read: %v, %d lost", err, lost)
	}
	if s, _ := back.Sector(disk.Place{Cylinder: 1, Sector: 4}); s.Mark != 0xF8 {
		t.Errorf("mark %02X came back, want F8", s.Mark)
	}
}

// Without raw commands plain formats go through the driver, others are refused with what they need.
func TestDegrades(t *testing.T) {
	im, rec, c := setup(t, "mfm9x512:3x2")
	f := newFake()
	f.raw = false
	d := New(f, 0, rec, 1)
	r, err := bench.WriteDisk(context.Background(), d, im, rec, c, bench.WriteOptions{})
	if err != nil || !r.Whole || !bytes.Equal(f.blocks, im.Data) || len(d.Degraded()) == 0 {
		t.Errorf("plain: %v %+v", err, r)
	}
	// linux/fd.h and the driver (kernel notes, section 6): 9 x 512 at 250 kbit/s is rate 2, size bits 0, first id 1 is 0.
	if p := f.cooked; p.Sect != 9 || p.Head != 2 || p.Rate != 2 || p.Stretch != 0 || p.FmtGap < 0x22 {
		t.Errorf("floppy_struct %+v", p)
	}
	im, rec, c = setup(t, "fm10x256:3x1")
	f = newFake()
	f.raw = false
	// zero-based FM 10 x 256: sect 5 (in 512s), first id 0 is 4, N=1 is 38h, FM is 80h, rate 250 is 2.
	if r, err = bench.WriteDisk(context.Background(), New(f, 0, rec, 1), im, rec, c, bench.WriteOptions{}); err != nil || !r.Whole {
		t.Errorf("FM through the driver: %v %+v", err, r)
	} else if p := f.cooked; p.Sect != 5 || p.Stretch != 4 || p.Rate != 0x80|0x38|2 {
		t.Errorf("floppy_struct %+v", p)
	}
	im, rec, c = setup(t, "fm16x128:3x1")
	f = newFake()
	f.raw = false
	if _, err = bench.WriteDisk(context.Background(), New(f, 0, rec, 1), im, rec, c, bench.WriteOptions{}); !errors.Is(err, bench.ErrUnable) || !strings.Contains(err.Error(), "CONFIG_BLK_DEV_FD_RAWCMD") {
		t.Errorf("128-byte sectors: %v", err)
	}
	f.protected = true
	im, rec, c = setup(t, "mfm9x512:3x2")
	if r, err = bench.WriteDisk(context.Background(), New(f, 0, rec, 1), im, rec, c, bench.WriteOptions{}); !errors.Is(err, bench.ErrWriteProtected) || r.Verified != 0 {
		t.Errorf("protected: %v %+v", err, r)
	}
	f.protected, f.empty = false, true
	if r, err = bench.WriteDisk(context.Background(), New(f, 0, rec, 1), im, rec, c, bench.WriteOptions{}); err == nil || r.Verified != 0 {
		t.Errorf("empty: %v %+v", err, r)
	}
}

// Command bytes as the 765 data sheet has them.
func TestCommandBytes(t *testing.T) {
	im, rec, c := setup(t, "fm10x256:20x1")
	var seen [][]byte
	var tables [][]byte
	f := newFake()
	f.fault = func(c *Command) string {
		seen = append(seen, bytes.Clone(c.Bytes))
		tables = append(tables, bytes.Clone(c.Data))
		return ""
	}
	c.Steps, c.Settings.RPM = 2, 360
	tr := bench.TrackOf(im, rec, 17, 0, c)
	d := New(f, 1, rec, 2)
	if err := errors.Join(d.Format(context.Background(), tr), d.Write(context.Background(), tr)); err != nil {
		t.Fatal(err)
	}
	if _, err := d.Read(context.Background(), tr); err != nil {
		t.Fatal(err)
	}
	for i, want := range []string{"0d01010a0ce5", "050111000001090 7ff", "060111000001090 7ff"} {
		if got := fmt.Sprintf("%x", seen[i]); got != strings.ReplaceAll(want, " ", "") {
			t.Errorf("command %d: %s, want %s", i, got, want)
		}
	}
	if got := fmt.Sprintf("%x", tables[0][:16]); got != "11000001110005011100010111000601" {
		t.Errorf("identifier table %s", got)
	}
	if tr.RateKbit != 300 || tr.Physical != 34 {
		t.Errorf("select %g at step %d, want 300 at 34", tr.RateKbit, tr.Physical)
	}
}

// Layouts and numbers against linux/fd.h as gcc compiles it, for both word sizes.
func TestABIAgainstGCC(t *testing.T) {
	src := `#include <linux/fd.h>
#define V(n, v) asm("->" n " %c0" :: "i"((int)(v)));
#define O(s, f) V(#f, __builtin_offsetof(struct s, f))
void x(void) {
V("params", sizeof(struct floppy_struct)) V("state", sizeof(struct floppy_drive_struct)) V("raw", sizeof(struct floppy_raw_cmd))
O(floppy_raw_cmd, data) O(floppy_raw_cmd, length) O(floppy_raw_cmd, rate) O(floppy_raw_cmd, cmd_count) O(floppy_raw_cmd, cmd)
O(floppy_raw_cmd, reply_count) O(floppy_raw_cmd, reply) O(floppy_raw_cmd, track)
V("FDSETPRM", FDSETPRM) V("FDPOLLDRVSTAT", FDPOLLDRVSTAT) V("FDCLRPRM", FDCLRPRM) V("FDFMTBEG", FDFMTBEG) V("FDFMTTRK", FDFMTTRK)
V("FDFMTEND", FDFMTEND) V("FDFLUSH", FDFLUSH) V("FDRESET", FDRESET) V("FDRAWCMD", FDRAWCMD) V("FDGETDRVTYP", FDGETDRVTYP)
V("name", __builtin_offsetof(struct floppy_struct, fmt_gap))
V("flags", FD_RAW_READ|FD_RAW_WRITE<<8|FD_RAW_INTR<<16|FD_RAW_SPIN<<24) V("need", FD_RAW_NEED_DISK|FD_RAW_NEED_SEEK<<8)
V("failure", FD_RAW_FAILURE) V("hard", FD_RAW_HARDFAILURE) V("change", FD_RAW_DISK_CHANGE) V("changed", FD_DISK_CHANGED_BIT) V("writable", FD_DISK_WRITABLE_BIT)
}`
	path := filepath.Join(t.TempDir(), "l.c")
	if err := os.WriteFile(path, []byte(src), 0o644); err != nil {
		t.Fatal(err)
	}
	for _, c := range []struct {
		flag string
		l    layout
	}{{"-m64", layout64}, {"-m32", layout32}} {
		out, err := exec.Command("gcc", c.flag, "-I/usr/include/x86_64-linux-gnu", "-O1", "-S", "-o", "-", path).CombinedOutput()
		if err != nil {
			t.Fatalf("gcc %s (Debian packages gcc, linux-libc-dev): %v\n%s", c.flag, err, out)
		}
		got := map[string]int64{}
		for _, m := range regexp.MustCompile(`->(\w+) (-?\d+)`).FindAllStringSubmatch(string(out), -1) {
			var v int64
			fmt.Sscan(m[2], &v)
			got[m[1]] = v & 0xFFFFFFFF
		}
		l := c.l
		for name, want := range map[string]int64{"params": int64(l.params), "state": int64(l.state), "raw": int64(l.raw), "data": int64(l.rawData), "length": int64(l.rawLength),
			"rate": int64(l.rawRate), "cmd_count": int64(l.rawCmdCount), "cmd": int64(l.rawCmd), "reply_count": int64(l.rawReplyCount), "reply": int64(l.rawReply), "track": int64(l.rawTrack),
			"FDSETPRM": int64(l.setParams()), "FDPOLLDRVSTAT": int64(l.pollState()), "FDCLRPRM": fdCLRPRM, "FDFMTBEG": fdFMTBEG, "FDFMTTRK": fdFMTTRK,
			"FDFMTEND": fdFMTEND, "FDFLUSH": fdFLUSH, "FDRESET": fdRESET, "FDRAWCMD": fdRAWCMD, "FDGETDRVTYP": fdGETTYP, "name": 23,
			"flags": rawRead | rawWrite<<8 | rawIntr<<16 | rawSpin<<24, "need": rawNeedDisk | rawNeedSeek<<8, "failure": rawFailure, "hard": rawHardFailure,
			"change": rawDiskChanged, "changed": 4, "writable": 5} {
			if v, ok := got[name]; !ok || v != want {
				t.Errorf("%s %s: %#x, gcc says %#x (found %v)", c.flag, name, want, v, ok)
			}
		}
	}
}
