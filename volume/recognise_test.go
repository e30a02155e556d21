package volume

import (
	"bytes"
	"fmt"
	"math/rand"
	"testing"

	"remanence/disk"
)

// same demands that a volume was found again with every file as it was.
func same(t *testing.T, what string, want, got Volume, said []string) {
	t.Helper()
	if f := got.Check(); len(f) > 0 || len(got.Files()) != len(want.Files()) {
		t.Errorf("%s: %d files of %d, faults %v; %q", what, len(got.Files()), len(want.Files()), f, said)
		return
	}
	for _, f := range want.Files() {
		a, _, err1 := want.Get(f.Name)
		b, _, err2 := got.Get(f.Name)
		if err1 != nil || err2 != nil || !bytes.Equal(a, b) {
			t.Errorf("%s: %s differs; %q", what, f.Name, said)
			return
		}
	}
}

// work fills a volume with files of random sizes and deletes some.
func work(v Volume, r *rand.Rand, files, most int) {
	for k := range files {
		d := make([]byte, r.Intn(most))
		r.Read(d)
		name, _ := NameFor(v.Kind(), fmt.Sprintf("f%d.dat", k), nil)
		_ = v.Put(name, d, PutOptions{}) // a full disk is as good
		if r.Intn(4) == 0 {
			gone, _ := NameFor(v.Kind(), fmt.Sprintf("f%d.dat", r.Intn(k+1)), nil)
			_ = v.Delete(gone) // or is not there
		}
	}
}

// Granule volumes of every shape, the directory anywhere, are recognised from their bytes alone.
func TestGranuleRecognition(t *testing.T) {
	r := rand.New(rand.NewSource(7))
	recordings := []*disk.Recording{fm10(40, 1), mfm18(40, 1), fmBoot(40, 1), mfm(9, 40, 2), fm26}
	for i := range 120 {
		cyls, sides := []int{35, 36, 40, 42, 77, 80}[r.Intn(6)], 1+r.Intn(2)
		rec := []*disk.Recording{fm10(cyls, sides), mfm18(cyls, sides), fmBoot(cyls, sides)}[r.Intn(3)]
		o := NewOptions{Directory: []int{17, 1 + r.Intn(cyls-1)}[r.Intn(2)], Rounding: []string{"up", "down"}[r.Intn(2)]}
		v := mustNew(t, "granule", rec, o)
		work(v, r, 4+r.Intn(30), 9000)
		w, said, err := Open(bytes.Clone(v.Image().Data), Options{Recordings: recordings})
		what := fmt.Sprintf("%d: %s, directory %d, rounded %s", i, rec.Reference(), o.Directory, o.Rounding)
		if err != nil {
			t.Errorf("%s: %v", what, err)
			continue
		}
		g, ok := w.(*granule)
		if !ok || g.cyls != cyls || g.geometry.Heads != sides || g.dir != o.Directory || g.recording != rec.Name {
			t.Errorf("%s: %q", what, said)
			continue
		}
		same(t, what, v, w, said)
	}
}

// Parameter blocks of many disks, with and without a skew, are worked out from the directory.
func TestExtentRecognition(t *testing.T) {
	r := rand.New(rand.NewSource(9))
	shapes := []extentShape{{80, 2, 9, 512, 1}, {40, 2, 9, 512, 1}, {40, 1, 9, 512, 1}, {77, 1, 26, 128, 1}, {40, 2, 8, 512, 1}, {40, 2, 10, 512, 1},
		{80, 2, 5, 1024, 1}, {40, 1, 16, 256, 1}, {40, 1, 18, 128, 1}}
	tried := 0
	for i := range 60 {
		s := shapes[r.Intn(len(shapes))]
		bsh, off, dirBlocks := 3+r.Intn(3), r.Intn(4), 1+r.Intn(2)
		p := &Parameters{Name: "random", Source: "test", Cylinders: s.cyls, Sides: s.sides, Sectors: s.sectors, SectorSize: s.size, FirstSector: s.first,
			SPT: s.sectors * s.size / 128, BSH: bsh, BLM: 1<<bsh - 1, OFF: off, AL0: 0xFF << (8 - dirBlocks) & 0xFF}
		p.DSM = (s.cyls*s.sides-off)*p.SPT>>bsh - 1
		p.EXM = 1<<bsh>>3 - 1
		if p.DSM > 255 {
			p.EXM = max(1<<bsh>>4-1, 0)
		}
		p.DRM = dirBlocks*p.BlockBytes()/32 - 1
		if s.size == 128 || r.Intn(3) == 0 {
			p.Skew = SkewTable(s.sectors, 2+r.Intn(s.sectors-3), s.first)
		}
		if p.Validate() != nil {
			continue // a block of 1 KiB cannot number a large disk
		}
		tried++
		v := mustNew(t, "extent", p.testRecording(), NewOptions{Parameters: p})
		work(v, r, 4+r.Intn(40), 12000)
		w, said, err := Open(bytes.Clone(v.Image().Data), Options{})
		what := fmt.Sprintf("%d: %v %s skew %v", i, s, p, p.Skew)
		if err != nil {
			t.Errorf("%s: %v", what, err)
			continue
		}
		same(t, what, v, w, said)
	}
	if tried < 40 {
		t.Errorf("only %d disks tried", tried)
	}
}
