package bench

import (
	"bytes"
	"context"
	"encoding/binary"
	"encoding/json"
	"errors"
	"fmt"
	"hash/crc32"
	"io"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"testing"

	"remanence/disk"
)

// childEnv says to the test binary that it is a process that writes a disk and is killed: the folder of disk and log.
const childEnv = "REMANENCE_BENCH_CHILD"

func TestMain(m *testing.M) {
	if dir := os.Getenv(childEnv); dir != "" {
		if err := killedJob(dir, leave{os.Stdin, os.Stdout}); err != nil {
			fmt.Fprintln(os.Stderr, err)
			os.Exit(1)
		}
		os.Exit(0)
	}
	os.Exit(m.Run())
}

// leave tells of each piece of work, and takes leave for the next one, so that a process does not run away from the one
// that is to kill it.
type leave struct {
	in  io.Reader
	out io.Writer
}

func (l leave) Write(b []byte) (int, error) {
	n, err := l.out.Write(b)
	if err == nil {
		_, err = io.ReadFull(l.in, make([]byte, n))
	}
	return n, err
}

// fileDisk is a drive whose disk is a file, so that it outlives the process. A sector is its identifier, mark, data and
// a sum over all of them, written piece by piece: a process killed between two pieces leaves a sector that does not
// read, as a drive does. Each piece is told by a byte to tick.
type fileDisk struct {
	f    *os.File
	rec  *disk.Recording
	tick io.Writer
}

var _ Device = (*fileDisk)(nil)

func (d *fileDisk) Name() string        { return "file" }
func (d *fileDisk) Unable(*Track) error { return nil }
func (d *fileDisk) Close() error        { return d.f.Close() }

func (d *fileDisk) at(t *Track, i int) int64 {
	slot := int64(5 + t.Format.Size + 4)
	return (int64(t.Physical*d.rec.Sides+t.Head)*int64(t.Format.Sectors) + int64(i)) * slot
}

func sectorBytes(s *disk.Sector, data []byte) []byte {
	b := append([]byte{s.ID.Cylinder, s.ID.Head, s.ID.Sector, s.ID.SizeCode, s.Mark}, data...)
	return binary.BigEndian.AppendUint32(b, crc32.ChecksumIEEE(b))
}

func (d *fileDisk) put(b []byte, off int64) error {
	_, err := d.f.WriteAt(b, off)
	if err == nil {
		_, err = d.tick.Write([]byte{'.'})
	}
	return err
}

func (d *fileDisk) Format(_ context.Context, t *Track) error {
	for i := range t.Sectors {
		if err := d.put(sectorBytes(&t.Sectors[i], bytes.Repeat([]byte{0xE5}, t.Format.Size)), d.at(t, i)); err != nil {
			return err
		}
	}
	return nil
}

func (d *fileDisk) Write(_ context.Context, t *Track) error {
	for i := range t.Sectors {
		b := sectorBytes(&t.Sectors[i], t.Sectors[i].Data)
		for from := 0; from < len(b); from += 100 {
			if err := d.put(b[from:min(from+100, len(b))], d.at(t, i)+int64(from)); err != nil {
				return err
			}
		}
	}
	return nil
}

func (d *fileDisk) Read(_ context.Context, t *Track) ([]disk.Sector, error) {
	out := slices.Clone(t.Sectors)
	for i := range out {
		s := &out[i]
		b := make([]byte, 5+t.Format.Size+4)
		s.Data, s.Status, s.Why = nil, disk.Bad, "not there"
		if _, err := d.f.ReadAt(b, d.at(t, i)); err != nil {
			continue
		}
		if n := len(b) - 4; crc32.ChecksumIEEE(b[:n]) == binary.BigEndian.Uint32(b[n:]) {
			s.ID, s.Mark = disk.SectorID{Cylinder: b[0], Head: b[1], Sector: b[2], SizeCode: b[3]}, b[4]
			s.Data, s.Status, s.Why = b[5:n], disk.Good, ""
		} else {
			s.Why = "torn"
		}
	}
	_, err := d.tick.Write([]byte{'.'})
	return out, err
}

// killable is the job: what is to be on the disk. It is made here because a child that loads every profile spends its
// life on that.
func killable() (*disk.Image,
	*disk.Recording, *Combination) {
	rec := &disk.Recording{Name: "fm10x256", Source: "as the profile", SizeInches: 5.25, TPI: 48, RPM: 300, Cylinders: 6, Sides: 1,
		Track: disk.TrackFormat{Encoding: disk.FM, RateKbit: 125, Sectors: 10, Size: 256, Order: []int{0, 5, 1, 6, 2, 7, 3, 8, 4, 9},
			IndexMark: true, Gap0: 40, Gap1: 26, Gap2: 11, Gap3: 12, Sync: 6, GapByte: 0xFF, Fill: 0xE5}}
	return pattern(rec), rec, &Combination{Steps: 1, Settings: Settings{RPM: rec.RPM}}
}

func openFileDisk(dir string, rec *disk.Recording, tick io.Writer) (*fileDisk, error) {
	f, err := os.OpenFile(filepath.Join(dir, "disk"), os.O_RDWR|os.O_CREATE, 0o644)
	return &fileDisk{f, rec, tick}, err
}

func writeKillable(dir string, tick io.Writer) (*WriteReport, error) {
	im, rec, c := killable()
	d, err := openFileDisk(dir, rec, tick)
	if err != nil {
		return nil, err
	}
	defer d.Close()
	log, err := OpenLog(filepath.Join(dir, "log.jsonl"), nil)
	if err != nil {
		return nil, err
	}
	defer log.Close()
	return WriteDisk(context.Background(), d, im, rec, c, WriteOptions{Log: log})
}

// killedJob is what the child does until it is killed or the disk is whole.
func killedJob(dir string, tick io.Writer) error {
	r, err := writeKillable(dir, tick)
	if err == nil && !r.Whole {
		err = fmt.Errorf("not whole: %+v", r.Failed)
	}
	return err
}

// TestKilledWriter kills processes that write disks at moments left to chance (seeded), each in the middle of a piece of
// work, and starts them again until every disk is whole. After every kill the lines that were in the log before are
// there unchanged, and no track is called verified that is not on the disk as it should be.
func TestKilledWriter(t *testing.T) {
	const disks = 12
	im, rec, c := killable()
	root, err := os.MkdirTemp("/dev/shm", "killed") // every log line is synced; memory does it faster
	if err != nil {
		root = t.TempDir()
	}
	defer os.RemoveAll(root)
	exe, err := os.Executable()
	if err != nil {
		t.Fatal(err)
	}
	rng := rand.New(rand.NewPCG(11, 11))
	kills, torn := 0, 0
	verified := map[int]int{} // kills by number of tracks verified before
	for n := range disks {
		dir := filepath.Join(root, fmt.Sprint(n))
		if err := os.Mkdir(dir, 0o777); err != nil {
			t.Fatal(err)
		}
		for whole := false; !whole; {
			child := exec.Command(exe)
			child.Env = append(os.Environ(), childEnv+"="+dir)
			var said bytes.Buffer
			child.Stderr = &said
			ticks, e1 := child.StdoutPipe()
			leaves, e2 := child.StdinPipe()
			if err := errors.Join(e1, e2); err != nil {
				t.Fatal(err)
			}
			if err := child.Start(); err != nil {
				t.Fatal(err)
			}
			// A track is 10 pieces to format, 30 to write, 1 to read. The kill comes after so many of them, while up to three more
			// may be done.
			pieces := 1 + rng.IntN(120)
			if _, err := leaves.Write(make([]byte, pieces+rng.IntN(4))); err != nil {
				t.Fatal(err)
			}
			_, err := io.CopyN(io.Discard, ticks, int64(pieces))
			before, lerr := os.ReadFile(filepath.Join(dir, "log.jsonl"))
			if lerr != nil {
				t.Fatal(lerr)
			}
			if err == nil {
				if err := child.Process.Kill(); err != nil { // SIGKILL
					t.Fatal(err)
				}
			}
			_, _ = io.Copy(io.Discard, ticks)
			werr := child.Wait()
			if werr == nil {
				whole = true
			} else if said.Len() > 0 {
				t.Fatalf("disk %d: %v: %s", n, werr, said.String())
			} else {
				kills++
			}
			done, bad := checkKilled(t, dir, before, im, rec, c)
			if !whole {
				verified[done]++
				torn += bad
			} else if done != rec.Cylinders {
				t.Fatalf("disk %d: the job ended well with %d of %d tracks verified", n, done, rec.Cylinders)
			}
		}
	}
	t.Logf("%d kills, %d in the middle of a sector; by tracks verified before: %v", kills, torn, verified)
	if kills < 2*disks || torn < disks/4 || len(verified) < rec.Cylinders-1 {
		t.Errorf("%d kills, %d in the middle of a sector, %v: they test too little", kills, torn, verified)
	}
	// What is spoilt between two runs is found and written anew, whatever the log says.
	dir := filepath.Join(root, "0")
	d, err := openFileDisk(dir, rec, io.Discard)
	if err != nil {
		t.Fatal(err)
	}
	defer d.Close()
	for _, cyl := range []int{1, 4} {
		if _, err := d.f.WriteAt([]byte{0xAA, 0x55}, d.at(TrackOf(im, rec, cyl, 0, c), 3)+50); err != nil {
			t.Fatal(err)
		}
	}
	if r, err := writeKillable(dir, io.Discard); err != nil || !r.Whole || r.Resumed != rec.Cylinders-2 {
		t.Errorf("two tracks spoilt: %v %+v", err, r)
	}
}

// checkKilled holds log and disk against each other. done is how many tracks are called verified, torn how many sectors
// are half written.
func checkKilled(t *testing.T, dir string, before []byte, im *disk.Image, rec *disk.Recording, c *Combination) (done, torn int) {
	t.Helper()
	log, err := os.ReadFile(filepath.Join(dir, "log.jsonl"))
	if err != nil {
		t.Fatal(err)
	}
	if !bytes.HasPrefix(log, before) {
		t.Fatalf("%s: the log was %q and is %q", dir, before, log)
	}
	last := map[int]string{}
	lines := bytes.SplitAfter(log, []byte("\n"))
	for i, l := range lines {
		var e Entry
		if err := json.Unmarshal(l, &e); err != nil {
			if i == len(lines)-1 { // no line end: the entry that was under way
				continue
			}
			t.Fatalf("%s: line %d %q: %v", dir, i+1, l, err)
		}
		last[e.Cylinder] = e.State
	}
	d, err := openFileDisk(dir, rec, io.Discard)
	if err != nil {
		t.Fatal(err)
	}
	defer d.Close()
	for cyl := range rec.Cylinders {
		tr := TrackOf(im, rec, cyl, 0, c)
		got, err := d.Read(context.Background(), tr)
		if err != nil {
			t.Fatal(err)
		}
		right := true
		for i := range got {
			if got[i].Why == "torn" {
				torn++
			}
			right = right && got[i].Status == disk.Good && got[i].ID == tr.Sectors[i].ID && got[i].Mark == tr.Sectors[i].Mark && bytes.Equal(got[i].Data, tr.Sectors[i].Data)
		}
		if last[cyl] == StateVerified {
			done++
			if !right {
				t.Fatalf("%s: cylinder %d is called verified and is not on the disk", dir, cyl)
			}
		}
	}
	return done, torn
}
