package recover

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"pgregory.net/rapid"

	"remanence/disk"
	"remanence/disk/track"
	"remanence/internal/bag"
)

func TestTwoPoorReadsMakeOneWhole(t *testing.T) {
	dir := t.TempDir()
	im := filled(2, 1)
	a, b := filepath.Join(dir, "first"), filepath.Join(dir, "second")
	spoilt(t, a, im, 3)
	spoilt(t, b, im, 7)
	o := Options{Recordings: []*disk.Recording{rec(40)}}
	alone := run(t, o, a)
	if alone.Good != 18 || alone.Whole() {
		t.Errorf("one read alone: %d good of %d, want 18 of 20: the test spoils nothing", alone.Good, alone.Expected)
	}
	for _, p := range alone.Bad {
		if p.Sector != 3 {
			t.Errorf("one read alone: %+v is bad, want only sectors 3", p)
		}
	}
	both := run(t, o, a, b)
	if !both.Whole() || !bytes.Equal(both.Best.Data, im.Data) {
		t.Errorf("both: %d of %d good, %+v", both.Good, both.Expected, both.Bad)
	}
	if both.Summary.Reference() != "fm10x256:2x1" {
		t.Errorf("recording %q", both.Summary.Recording)
	}
	before, after := both.Map("x", true), both.Map("x", false)
	if before.Good != 18 || after.Good != 20 || !after.Angles {
		t.Errorf("map before %+d good, after %d good, angles %v", before.Good, after.Good, after.Angles)
	}
}

func TestAllKindsOfSourceTogether(t *testing.T) {
	dir := t.TempDir()
	im := filled(3, 2)
	// The dump lacks sector 2 everywhere, the captures sector 5, the image, by its sidecar, sector 8.
	d := filepath.Join(dir, "old-dump.bin")
	if err := os.WriteFile(d, dump(im, func(_, n int) bool { return n == 2 || n == 5 || n == 8 }), 0o600); err != nil {
		t.Fatal(err)
	}
	caps := filepath.Join(dir, "captures")
	spoilt(t, caps, im, 5)
	part := im.Clone()
	part.Recording = "fm10x256"
	for c := range 3 {
		p := disk.Place{Cylinder: c, Sector: 8}
		s, _ := part.Sector(p)
		s.Data, s.Status, s.Why = make([]byte, 256), disk.Bad, "CRC"
		if err := part.Put(p, s); err != nil {
			t.Fatal(err)
		}
	}
	img := save(t, filepath.Join(dir, "archive.img"), part)
	res := run(t, Options{Recordings: []*disk.Recording{rec(40)}}, d, caps, img)
	if !res.Whole() || !bytes.Equal(res.Best.Data, im.Data) {
		t.Fatalf("%d of %d good: %+v; problems %q", res.Good, res.Expected, res.Bad, res.Problems)
	}
	kinds := []string{}
	for _, s := range res.Sources {
		kinds = append(kinds, s.Kind)
	}
	if fmt.Sprint(kinds) != "[captures dump image]" {
		t.Errorf("sources are %v", kinds)
	}
	for _, r := range res.Tracks {
		for _, s := range r.Sectors {
			if s.ID.Sector == 5 && !strings.Contains(s.From, "archive.img") {
				t.Errorf("sector 5 comes from %q, want the image", s.From)
			}
			if s.ID.Sector == 2 && s.Reads < 2 {
				t.Errorf("sector 2 has %d reads", s.Reads)
			}
		}
	}
	if len(res.Conflicts) != 0 {
		t.Errorf("conflicts %+v", res.Conflicts)
	}
}

func TestGoodReadsThatDifferAreDoubtful(t *testing.T) {
	dir := t.TempDir()
	im := filled(2, 3)
	im.Recording = "fm10x256"
	other := im.Clone()
	other.Bytes(disk.Place{Cylinder: 1, Sector: 4})[10] ^= 1
	a, b := save(t, filepath.Join(dir, "a.img"), im), save(t, filepath.Join(dir, "b.img"), other)
	res := run(t, Options{Recording: rec(2), Sized: true}, a, b)
	if res.Doubtful != 1 || len(res.Conflicts) != 1 || res.Conflicts[0].Cylinder != 1 || res.Conflicts[0].Sector != 4 {
		t.Fatalf("doubtful %d, conflicts %+v", res.Doubtful, res.Conflicts)
	}
	if w := res.Conflicts[0].What; !strings.Contains(w, "1 byte:") || !strings.Contains(w, "a.img") || !strings.Contains(w, "b.img") {
		t.Errorf("conflict says %q", w)
	}
	if res.Whole() {
		t.Error("a disk with a conflict is called whole")
	}
}

func TestMixedDiskGetsItsZones(t *testing.T) {
	// Cylinders 0 and 1 hold FM 256-byte sectors, 2 to 4 FM 10 x 128: the second has its own shape.
	results := []*track.Result{}
	for c := range 5 {
		size, code := 256, uint8(1)
		if c >= 3 {
			size, code = 128, 0
		}
		r := &track.Result{Cylinder: c, Encodings: []track.Recognised{{Encoding: disk.FM, CellNS: 4000, Sectors: 10}}, CellNS: 4000, RevolutionNS: 200e6}
		for n := range 10 {
			r.Sectors = append(r.Sectors, disk.Sector{Cylinder: c, ID: disk.SectorID{Cylinder: uint8(c), Sector: uint8(n), SizeCode: code}, Encoding: disk.FM,
				Mark: disk.MarkData, Data: bytes.Repeat([]byte{byte(c*16 + n)}, size), Margin: -1, Angle: -1})
		}
		results = append(results, r)
	}
	res := &Result{Tracks: results}
	if err := res.build(&Options{Recordings: []*disk.Recording{rec(40)}}); err != nil {
		t.Fatal(err)
	}
	if res.Good != 50 || res.Extra != 0 || len(res.Best.Data) != 3*2560+2*1280 {
		t.Errorf("%d good, %d extra, %d bytes; assumed %q", res.Good, res.Extra, len(res.Best.Data), res.Assumed)
	}
}

func TestBadInputIsToldAndTheRestUsed(t *testing.T) {
	dir := t.TempDir()
	im := filled(2, 4)
	caps := filepath.Join(dir, "captures")
	spoilt(t, caps, im, -1)
	file := func(name string, b []byte) string {
		p := filepath.Join(dir, name)
		if err := os.WriteFile(p, b, 0o600); err != nil {
			t.Fatal(err)
		}
		return p
	}
	c, _ := os.ReadFile(filepath.Join(caps, "c00h0.ivl"))
	cut := file("cut.ivl", c[:len(c)/3])
	lying := file("lying.ivl", bytes.Replace(c, []byte("transitions "), []byte("transitions 9"), 1))
	empty := file("empty.bin", nil)
	noise := make([]byte, 5000)
	for i := range noise {
		noise[i] = byte(rand.N(256))
	}
	junk := file("junk.bin", noise)
	res := run(t, Options{Recordings: []*disk.Recording{rec(40)}}, cut, lying, empty, junk, caps)
	if !res.Whole() || !bytes.Equal(res.Best.Data, im.Data) {
		t.Errorf("%d of %d good", res.Good, res.Expected)
	}
	all := strings.Join(res.Problems, "\n")
	for _, want := range []string{"cut.ivl: byte ", "lying.ivl: byte ", "empty.bin: the file is empty", "junk.bin: 5000 bytes: no sectors found"} {
		if !strings.Contains(all, want) {
			t.Errorf("no problem says %q:\n%s", want, all)
		}
	}
	if _, err := Run(context.Background(), []string{empty, junk}, Options{}); err == nil || !strings.Contains(err.Error(), "empty.bin") {
		t.Errorf("nothing usable: %v", err)
	}
	if _, err := Run(context.Background(), []string{filepath.Join(dir, "none")}, Options{}); err == nil || !errors.Is(err, os.ErrNotExist) {
		t.Errorf("no such file: %v", err)
	}
	ctx, stop := context.WithCancel(context.Background())
	stop()
	if _, err := Run(ctx, []string{caps}, Options{}); !errors.Is(err, context.Canceled) {
		t.Errorf("cancelled: %v", err)
	}
}

// A dump may lie in one file a track; a track may begin in the middle of a sector.
func TestFolderOfTracks(t *testing.T) {
	dir := t.TempDir()
	im := filled(6, 11)
	d := dump(im, func(c, n int) bool { return c == 2 && n == 7 })
	for c := range 6 {
		track := d[c*3130+5 : (c+1)*3130]
		k := 500 + 311*c
		if err := os.WriteFile(filepath.Join(dir, fmt.Sprintf("t%02d.raw", c)), append(slices.Clone(track[k:]), track[:k]...), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	res := run(t, Options{Recordings: []*disk.Recording{rec(40)}}, dir)
	if res.Good != 59 || len(res.Bad) != 1 || res.Bad[0].Cylinder != 2 || res.Bad[0].Sector != 7 {
		t.Errorf("%d good, bad %+v; assumed %q", res.Good, res.Bad, res.Sources[0].Assumed)
	}
	if !bytes.Equal(res.Best.Data, im.Data) {
		t.Error("wrong data")
	}
	for _, s := range res.Tracks[4].Sectors {
		if !strings.Contains(s.From, "t04.raw byte ") {
			t.Errorf("sector of cylinder 4 comes from %q", s.From)
		}
	}
}

// An image without sidecar does not know the marks: the capture's FA stays, and is no conflict.
func TestImagesDoNotKnowMarks(t *testing.T) {
	data := bytes.Repeat([]byte{7}, 256)
	s := &seat{id: disk.SectorID{Sector: 1, SizeCode: 1}}
	s.votes = []vote{
		{disk.Sector{ID: s.id, Mark: disk.MarkData, Data: data, Margin: -1, Angle: -1, From: "image"}, false, 0},
		{disk.Sector{ID: s.id, Mark: disk.MarkUserA, Data: data, Margin: 0.5, Angle: 0.1, From: "capture"}, true, 1},
	}
	got, conflict := s.decide()
	if got.Mark != disk.MarkUserA || got.Status != disk.Good || conflict != "" || got.Reads != 2 {
		t.Errorf("mark %02X, status %s, conflict %q, %d reads", got.Mark, got.Status, conflict, got.Reads)
	}
	s.votes[0].proven = true
	if got, conflict = s.decide(); got.Status != disk.Doubtful || !strings.Contains(conflict, "data mark") {
		t.Errorf("two proven marks: status %s, conflict %q", got.Status, conflict)
	}
}

// Votes: a sector is good only where a good vote has its data and no other good vote differs; its data is always
// some vote's, or put together byte by byte from votes.
func TestVotes(t *testing.T) {
	rapid.Check(t, func(rt *rapid.T) {
		n := rapid.IntRange(1, 6).Draw(rt, "votes")
		s := &seat{id: disk.SectorID{Sector: 1}}
		good := map[byte]bool{}
		for i := range n {
			v := vote{proven: rapid.Bool().Draw(rt, "proven"), source: i}
			v.s = disk.Sector{ID: s.id, Mark: disk.MarkData, Status: disk.Status(rapid.IntRange(0, 3).Draw(rt, "status")),
				Margin: rapid.Float64Range(-1, 1).Draw(rt, "margin"), Angle: -1, Reads: 1, From: fmt.Sprint("source ", i)}
			fill := byte(rapid.IntRange(0, 2).Draw(rt, "data"))
			v.s.Data = bytes.Repeat([]byte{fill}, 128)
			if v.s.Status == disk.Good {
				good[fill] = true
			}
			s.votes = append(s.votes, v)
		}
		got, conflict := s.decide()
		switch {
		case len(good) > 1 && (got.Status != disk.Doubtful || conflict == ""):
			rt.Fatalf("good votes for %v: status %s, conflict %q", good, got.Status, conflict)
		case len(good) == 1 && (got.Status != disk.Good || !good[got.Data[0]]):
			rt.Fatalf("one good opinion %v: status %s, data %d", good, got.Status, got.Data[0])
		case len(good) == 0 && got.Status == disk.Good:
			rt.Fatal("good without a good vote")
		}
		if got.Status != disk.Good && got.Why == "" && got.Status != disk.Repaired && len(good) > 0 {
			rt.Fatalf("status %s without a reason", got.Status)
		}
	})
}

func TestBagIsValidAndSame(t *testing.T) {
	dir := t.TempDir()
	im := filled(2, 6)
	a := filepath.Join(dir, "a")
	spoilt(t, a, im, 4)
	res := run(t, Options{Recordings: []*disk.Recording{rec(40)}}, a)
	var first []byte
	for _, name := range []string{"bag1", "bag2"} {
		b, err := res.Bag(Keeping{Originals: []string{a}, Name: "heron.img", Agent: "remanence test", Date: "1983-07-14"})
		if err != nil {
			t.Fatal(err)
		}
		out := filepath.Join(dir, name)
		if err := b.Write(out, false); err != nil {
			t.Fatal(err)
		}
		if _, err := bag.Validate(context.Background(), out, nil); err != nil {
			t.Errorf("RFC 8493: %v", err)
		}
		program, err := exec.LookPath("sha512sum")
		if err != nil {
			t.Fatal("sha512sum is missing: it comes with GNU coreutils, which these tests need")
		}
		for _, m := range []string{"manifest-sha512.txt", "tagmanifest-sha512.txt"} {
			cmd := exec.Command(program, "-c", "--strict", "--quiet", m)
			cmd.Dir = out
			if said, err := cmd.CombinedOutput(); err != nil {
				t.Errorf("sha512sum -c --strict %s: %v\n%s", m, err, said)
			}
		}
		tags, _ := os.ReadFile(filepath.Join(out, "tagmanifest-sha256.txt"))
		if first != nil && !bytes.Equal(first, tags) {
			t.Error("two bags of one result differ")
		}
		first = tags
	}
	orig, _ := os.ReadFile(filepath.Join(a, "c00h0.ivl"))
	kept, err := os.ReadFile(filepath.Join(dir, "bag1/data/originals/a/c00h0.ivl"))
	if err != nil || !bytes.Equal(orig, kept) {
		t.Errorf("the original is not kept as it is: %v", err)
	}
	for _, d := range []string{"14.7.1983", "1983-13-01", "x"} {
		if CheckDate(d) == nil {
			t.Errorf("date %q was taken", d)
		}
	}
}

func FuzzUnknownFile(f *testing.F) {
	f.Add(dump(filled(1, 7), func(_, n int) bool { return n == 3 })[:1500])
	f.Add([]byte("remanence-intervals 1\ntick-ns 25\n"))
	f.Add([]byte("PK\x03\x04"))
	f.Fuzz(func(t *testing.T, b []byte) {
		if len(b) > 1<<14 {
			return
		}
		p := filepath.Join(t.TempDir(), "x.bin")
		if err := os.WriteFile(p, b, 0o600); err != nil {
			t.Fatal(err)
		}
		res, err := Run(context.Background(), []string{p}, Options{Recordings: []*disk.Recording{rec(40)}})
		if err != nil {
			return
		}
		if res.Good+res.Damaged+res.Missing != res.Expected {
			t.Fatalf("%d + %d + %d sectors are not %d", res.Good, res.Damaged, res.Missing, res.Expected)
		}
	})
}

func BenchmarkMerge(b *testing.B) {
	im := filled(40, 8)
	r := rec(40)
	rd := reading{&Source{proven: true}, fromImage("a", im, r)}
	b.SetBytes(int64(len(im.Data)))
	for b.Loop() {
		res := &Result{}
		res.merge([]reading{rd, rd, rd})
		if len(res.Tracks) != 40 {
			b.Fatal("tracks lost")
		}
	}
}
