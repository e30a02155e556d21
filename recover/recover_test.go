package recover

import (
	"bytes"
	"context"
	"encoding/json"
	"encoding/xml"
	"errors"
	"fmt"
	"image/png"
	"io"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"pgregory.net/rapid"

	"remanence/disk"
	"remanence/disk/flux"
	"remanence/disk/track"
	"remanence/internal/bag"
	"remanence/picture"
)

// rec is the recording of these tests: layout of the fact sheet, 4.3, FM 10 x 256.
func rec(cylinders int) *disk.Recording {
	return &disk.Recording{
		Name: "fm10x256", Title: "test", Source: "fact sheet 4.3", SizeInches: 5.25, TPI: 48, RPM: 300, Cylinders: cylinders, Sides: 1,
		Track: disk.TrackFormat{Encoding: disk.FM, RateKbit: 125, Sectors: 10, Size: 256, FirstID: 0, Gap1: 16, Gap2: 11, Gap3: 12, Sync: 6, GapByte: 0xFF, Fill: 0xE5},
	}
}

// filled is an image whose every sector is different.
func filled(cylinders int, seed uint64) *disk.Image {
	im := disk.NewImage(rec(cylinders))
	r := rand.New(rand.NewPCG(seed, 9))
	for i := range im.Data {
		im.Data[i] = byte(r.Uint32())
	}
	return im
}

// spoilt are captures of an image in which one sector of each track, counted from first, is unreadable. It is
// spoilt in the times: a stretch of the capture becomes one long silence.
func spoilt(t testing.TB, dir string, im *disk.Image, first int) {
	t.Helper()
	if err := os.MkdirAll(dir, 0o777); err != nil {
		t.Fatal(err)
	}
	r := rec(im.Geometry.Cylinders)
	for c, err := range track.EncodeDisk(context.Background(), im, r, track.EncodeOptions{TickNS: 25}) {
		if err != nil {
			t.Fatal(err)
		}
		if first >= 0 {
			silence(c, (16+float64(first)*(33+256+12)+60)*64000, 100*64000)
		}
		b, err := c.Append(nil)
		if err != nil {
			t.Fatal(err)
		}
		if err := os.WriteFile(filepath.Join(dir, flux.FileName(c.Cylinder, c.Head, 1)), b, 0o600); err != nil {
			t.Fatal(err)
		}
	}
}

// silence joins the intervals of a stretch, in every revolution.
func silence(c *flux.Capture, fromNS, lengthNS float64) {
	var out []uint32
	now, held := 0.0, uint32(0)
	for _, d := range c.Intervals {
		now += float64(d) * c.TickNS
		at := now
		for at > 200e6 {
			at -= 200e6
		}
		if held += d; at > fromNS && at < fromNS+lengthNS {
			continue
		}
		out = append(out, held)
		held = 0
	}
	c.Intervals = out
}

func run(t testing.TB, o Options, paths ...string) *Result {
	t.Helper()
	res, err := Run(context.Background(), paths, o)
	if err != nil {
		t.Fatal(err)
	}
	return res
}

func save(t testing.TB, path string, im *disk.Image) string {
	t.Helper()
	if err := im.Save(path, true); err != nil {
		t.Fatal(err)
	}
	return path
}

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

// dump puts tracks of FM bytes one after the other, each behind a header that no program knows.
func dump(im *disk.Image, skip func(c, n int) bool) []byte {
	crc := func(p []byte) uint16 { // bit by bit: not the code under test
		c := uint16(0xFFFF)
		for _, b := range p {
			for i := 7; i >= 0; i-- {
				top := c>>15 ^ uint16(b>>i&1)
				if c <<= 1; top != 0 {
					c ^= 0x1021
				}
			}
		}
		return c
	}
	var out []byte
	put := func(p ...byte) { out = append(out, p...) }
	field := func(p []byte, wrong uint16) {
		c := crc(p) ^ wrong
		put(append(slices.Clone(p), byte(c>>8), byte(c))...)
	}
	for c := range im.Geometry.Cylinders {
		put([]byte(fmt.Sprintf("[%03d]", c))...)
		start := len(out)
		put(bytes.Repeat([]byte{0xFF}, 16)...)
		for n := range 10 {
			put(make([]byte, 6)...)
			field([]byte{0xFE, byte(c), 0, byte(n), 1}, 0)
			put(append(bytes.Repeat([]byte{0xFF}, 11), make([]byte, 6)...)...)
			wrong := uint16(0)
			if skip(c, n) {
				wrong = 1
			}
			field(append([]byte{0xFB}, im.Bytes(disk.Place{Cylinder: c, Sector: n})...), wrong)
			put(bytes.Repeat([]byte{0xFF}, 12)...)
		}
		put(bytes.Repeat([]byte{0xFF}, 3125-(len(out)-start))...)
	}
	return out
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

func TestMapTableAndPictures(t *testing.T) {
	dir := t.TempDir()
	im := filled(3, 5)
	a := filepath.Join(dir, "a")
	spoilt(t, a, im, 4)
	res := run(t, Options{Recordings: []*disk.Recording{rec(40)}}, a)
	m := res.Map("heron.img", false)
	n := 0
	for _, tr := range m.Tracks {
		last := -1.0
		for _, s := range tr.Sectors {
			n++
			if s.Drawn < last {
				t.Errorf("cylinder %d: sectors are not in order of angle", tr.Cylinder)
			}
			last = s.Drawn
			if s.State == "good" && (s.Angle == nil || s.Margin == nil) {
				t.Errorf("cylinder %d sector %d: good without angle or margin", s.Cylinder, s.Sector)
			}
		}
	}
	if n != 30 || m.Good+m.Repaired+m.Doubtful+m.Lost != 30 || m.Good != 27 {
		t.Errorf("%d sectors in the map, %d good", n, m.Good)
	}
	var table DamageMap
	b, err := RenderMap(m, "x.json")
	if err != nil || json.Unmarshal(b, &table) != nil || len(table.Tracks) != 3 || table.Good != 27 {
		t.Errorf("table: %v", err)
	}
	text, _ := RenderMap(m, "x.txt")
	if !strings.Contains(string(text), "fm10x256:3x1: 27 of 30 sectors good") || strings.Count(string(text), "\ncylinder ") != 3 {
		t.Errorf("text:\n%s", text)
	}
	for _, c := range []string{"map", "quality"} {
		canvas := m.Draw()
		if c == "quality" {
			canvas = res.Quality("heron.img")
		}
		svg, err := Render(canvas, "x.svg")
		if err != nil {
			t.Fatal(err)
		}
		again, _ := Render(canvas, "x.svg")
		if !bytes.Equal(svg, again) {
			t.Errorf("%s: two drawings differ", c)
		}
		d := xml.NewDecoder(bytes.NewReader(svg))
		for {
			if _, err := d.Token(); err == io.EOF {
				break
			} else if err != nil {
				t.Fatalf("%s: %v", c, err)
			}
		}
		p, err := Render(canvas, "x.png")
		if err != nil {
			t.Fatal(err)
		}
		if img, err := png.Decode(bytes.NewReader(p)); err != nil || img.Bounds().Dx() < 1000 {
			t.Errorf("%s: %v", c, err)
		}
	}
	// Nothing says damage by colour: no red anywhere (look.md).
	if svg, _ := Render(m.Draw(), "x.svg"); bytes.Contains(bytes.ToLower(svg), []byte("red")) && !bytes.Contains(svg, []byte("measured")) {
		t.Error("the map is drawn with red")
	}
	if _, err := RenderMap(m, "x.gif"); err == nil {
		t.Error("a .gif was promised")
	}
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

func BenchmarkMapPNG(b *testing.B) {
	im := filled(80, 9)
	res := &Result{Rec: rec(80), Best: im, Tracks: fromImage("a", im, rec(80))}
	b.SetBytes(int64(len(im.Data)))
	for b.Loop() {
		if _, err := RenderMap(res.Map("x", false), "x.png"); err != nil {
			b.Fatal(err)
		}
	}
}

// What each read gives alone, against what they give together. The sectors that are spoilt are the test's own: number 3
// of each track in the first captures, 7 in the second, so that each alone has 18 of 20 and both together have all.
func TestEachReadAlone(t *testing.T) {
	dir := t.TempDir()
	im := filled(2, 1)
	a, b := filepath.Join(dir, "first"), filepath.Join(dir, "second")
	spoilt(t, a, im, 3)
	spoilt(t, b, im, 7)
	raw := save(t, filepath.Join(dir, "old.img"), im)
	res := run(t, Options{Recordings: []*disk.Recording{rec(40)}, Recording: rec(2)}, a, b, raw)
	m := res.Map("heron", false)
	m.AddReads(res.Tracks)
	want := []DiskRead{{"capture 1", 2, 18, 0, 2}, {"capture 2", 2, 18, 0, 2}, {"old.img", 2, 20, 0, 0}}
	if !slices.Equal(m.Reads, want) || m.MoreReads != 0 {
		t.Fatalf("reads %+v, want %+v", m.Reads, want)
	}
	for _, tr := range m.Tracks {
		if len(tr.Reads) != 3 {
			t.Fatalf("cylinder %d: %d reads, want 3", tr.Cylinder, len(tr.Reads))
		}
		for i, s := range tr.Sectors {
			for k, spoiltOne := range []int{3, 7, -1} {
				want := picture.Good
				if s.Sector == spoiltOne {
					want = picture.Lost
				}
				if got := tr.Reads[k].State(i); got != want {
					t.Errorf("cylinder %d sector %d, %s: %v, want %v", tr.Cylinder, s.Sector, m.Reads[k].Name, got, want)
				}
			}
		}
	}
	if len(res.Captured) != 2 || len(res.Captured[0].Sources) != 2 || res.Captured[0].Sources[0].Path != filepath.Join(a, "c00h0.ivl") {
		t.Errorf("captured: %+v", res.Captured)
	}
}

// A number that a track has twice: each of the two sectors is drawn where it lies.
func TestSameNumberTwiceOnTheMap(t *testing.T) {
	r := rec(1)
	im := filled(1, 4)
	sectors := im.Track(0, 0)
	sectors[2].ID.Sector = 3 // it passes first; the one before 4 is the image's
	cells, err := track.Build(r, 0, 0, sectors)
	if err != nil {
		t.Fatal(err)
	}
	c := cells.Capture(0, 0, track.EncodeOptions{Revolutions: 2})
	res, err := track.Scan(context.Background(), []*flux.Capture{c}, track.Options{})
	if err != nil {
		t.Fatal(err)
	}
	best, _ := track.ToImage([]*track.Result{res}, r)
	m := NewMap("twice", r, best, []*track.Result{res})
	at := map[bool]float64{}
	for _, s := range m.Tracks[0].Sectors {
		if s.Sector == 3 && s.Angle != nil {
			at[s.Extra] = *s.Angle
		}
	}
	if len(at) != 2 || at[true] == at[false] {
		t.Fatalf("sectors 3, the extra one apart, lie at %v: want two places", at)
	}
	for _, q := range res.Sectors {
		if q.ID.Sector == 3 && bytes.Equal(q.Data, best.Bytes(disk.Place{Sector: 3})) && q.Angle != at[false] {
			t.Errorf("the sector in the image lies at %.3f, the map has it at %.3f", q.Angle, at[false])
		}
	}
}
