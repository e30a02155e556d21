package web

import (
	"bytes"
	"fmt"
	"os"
	"path"
	"regexp"
	"slices"
	"strings"
	"testing"

	"remanence/disk/flux"
	"remanence/disk/track"
	"remanence/recover"
)

// Every sector of a poor disk, each pass of the head: cells that are shown decode to the bytes that are shown, as fact
// sheet 1.1 says: of each pair of cells the second is the bit; and of those passes whose CRC is right they are the bytes
// that were recorded.
func TestCellsAreTheBytes(t *testing.T) {
	s, h := bench(t)
	rec := recordingOf(t, s, "mfm9x512:2x2")
	im := noise(rec, 2)
	bring(t, s, h, map[string][]byte{"poor.zip": zipOf(t, poor(t, rec, im, 1, 2, 0.26, 1))})
	key := path.Base(readBack(t, s, h, "poor.zip"))
	v, err := s.lens.view(s, key)
	if err != nil {
		t.Fatal(err)
	}
	right, wrong, weighed := 0, 0, 0
	for _, tr := range v.Map.Tracks {
		for i := range tr.Sectors {
			x := &tr.Sectors[i]
			k, _, err := s.look(t.Context(), v, tr.Cylinder, tr.Head, wanted(x), -1)
			if err != nil {
				t.Fatal(err)
			}
			for n := range k.Reads {
				seen := &k.Reads[n]
				if seen.Weighed {
					weighed++
				}
				for _, p := range seen.Parts {
					for b, want := range p.Bytes {
						got := byte(0)
						for bit := range 8 {
							if c := p.From + 16*b + 2*bit + 1; c < p.From+p.Cells {
								got |= seen.Cells[c].Value << (7 - bit)
							}
						}
						if 16*b+16 <= p.Cells && got != want {
							t.Fatalf("%d/%d sector %d pass %d: %s byte %d is shown as %02X, its cells are %02X", tr.Cylinder, tr.Head, x.Sector, n+1, p.Name, b, want, got)
						}
					}
				}
				if seen.Good {
					if !bytes.Equal(seen.Data, hexOf(im, tr.Cylinder, tr.Head, x.Sector)) {
						t.Errorf("%d/%d sector %d pass %d: the CRC is right, the bytes are not those recorded", tr.Cylinder, tr.Head, x.Sector, n+1)
					}
					right++
				} else {
					wrong++
				}
			}
		}
	}
	t.Logf("%d passes right, %d wrong, %d weighed", right, wrong, weighed)
	if right < 36 || wrong == 0 || weighed < 10 {
		t.Errorf("%d passes right, %d wrong, %d weighed: the test must see all three", right, wrong, weighed)
	}
}

// published is a capture of an 8-inch FM track of 26 sectors of 128 bytes E5, written here bit by bit from the rules of
// the layout (FD179x data sheet: clock FF, marks under clock C7; gaps 40, 26, 11, 27 bytes FF, sync 6 bytes 00). The CRC
// is a serial register; it must give the published values: 00 00 01 00 D2C3, 00 00 1A 00 0D4A, 128 x E5 5D30 (fact sheet,
// section 3).
func published(t testing.TB) []byte {
	crc := func(b ...byte) []byte {
		r := uint16(0xFFFF)
		for _, x := range b {
			for bit := 7; bit >= 0; bit-- {
				top := r>>15 ^ uint16(x>>bit&1)
				r <<= 1
				if top == 1 {
					r ^= 0x1021
				}
			}
		}
		return []byte{byte(r >> 8), byte(r)}
	}
	data := bytes.Repeat([]byte{0xE5}, 128)
	for _, x := range []struct {
		got  []byte
		want uint16
	}{{crc(0xFE, 0, 0, 1, 0), 0xD2C3}, {crc(0xFE, 0, 0, 0x1A, 0), 0x0D4A}, {crc(append([]byte{0xFB}, data...)...), 0x5D30}} {
		if uint16(x.got[0])<<8|uint16(x.got[1]) != x.want {
			t.Fatalf("CRC % X, published is %04X", x.got, x.want)
		}
	}
	var times []float64
	at := 0.0
	put := func(b, clock byte) {
		for bit := 7; bit >= 0; bit-- {
			if clock>>bit&1 == 1 {
				times = append(times, at)
			}
			if b>>bit&1 == 1 {
				times = append(times, at+2000) // cells of 2 us at 250 kbit/s
			}
			at += 4000
		}
	}
	run := func(b ...byte) {
		for _, x := range b {
			put(x, 0xFF)
		}
	}
	gap := func(n int) { run(bytes.Repeat([]byte{0xFF}, n)...) }
	gap(73)
	for n := byte(1); n <= 26; n++ {
		run(make([]byte, 6)...)
		put(0xFE, 0xC7)
		run(0, 0, n, 0)
		run(crc(0xFE, 0, 0, n, 0)...)
		gap(11)
		run(make([]byte, 6)...)
		put(0xFB, 0xC7)
		run(data...)
		run(crc(append([]byte{0xFB}, data...)...)...)
		gap(27)
	}
	for at < 60e9/360 {
		gap(1)
	}
	c := flux.FromTimes(times, 25)
	c.Index = []uint64{0, uint64(at / 25)}
	b, err := c.Append(nil)
	if err != nil {
		t.Fatal(err)
	}
	return b
}

var figureRow = regexp.MustCompile(`(?s)<tr><th scope="row">(\d+)</th><td>([^<]*)</td><td>(\w*)</td><td class="num">([01])</td>`)

// On the page of a sector that was written by hand: the cells of the ID mark are F57E (FE under clock C7, FD1771 data
// sheet), those of the data bytes FEBB (E5; fact sheet 9.17), and the fields are the published CRCs.
func TestPublishedCellsOnThePage(t *testing.T) {
	s, h := bench(t)
	bring(t, s, h, map[string][]byte{"c00h0.ivl": published(t)})
	at := readBack(t, s, h, "c00h0.ivl")
	code, page := get(t, h.URL+at+"/0/0/26")
	if code != 200 {
		t.Fatalf("status %d\n%.800s", code, page)
	}
	for _, want := range []string{"<code>0D 4A</code>", "<code>5D 30</code>", "<code>1A</code>", "<code>E5 E5 E5 E5 E5 E5 E5 E5 ... (128 bytes)</code>", "fast separator"} {
		if !strings.Contains(page, want) {
			t.Errorf("the page lacks %s", want)
		}
	}
	words := func(part string, from int) (word uint16) {
		_, page := get(t, fmt.Sprintf("%s%s/0/0/26?from=%d&cells=16", h.URL, at, from))
		rows := figureRow.FindAllStringSubmatch(page, -1)
		if len(rows) != 16 {
			t.Fatalf("%d cells listed, want 16", len(rows))
		}
		for i, r := range rows {
			if !strings.HasPrefix(r[2], part) || r[3] != []string{"clock", "data"}[i%2] {
				t.Errorf("cell %s belongs to %q as %s, want %s", r[1], r[2], r[3], part)
			}
			word = word<<1 | uint16(r[4][0]-'0')
		}
		return word
	}
	v, err := s.lens.view(s, path.Base(at))
	if err != nil {
		t.Fatal(err)
	}
	i := slices.IndexFunc(v.Map.Tracks[0].Sectors, func(x recover.MapSector) bool { return x.Sector == 26 })
	k, _, err := s.look(t.Context(), v, 0, 0, wanted(&v.Map.Tracks[0].Sectors[i]), 0)
	if err != nil {
		t.Fatal(err)
	}
	for _, p := range k.Reads[0].Parts {
		switch p.Name {
		case track.PartIDMark:
			if got := words(p.Name, p.From); got != 0xF57E {
				t.Errorf("ID mark %04X, want F57E", got)
			}
		case track.PartData:
			if got := words(p.Name, p.From+16*77); got != 0xFEBB {
				t.Errorf("E5 has cells %04X, want FEBB", got)
			}
			_, page := get(t, fmt.Sprintf("%s%s/0/0/26?cell=%d", h.URL, at, p.From+16*77+5))
			if !strings.Contains(page, "data byte 77 is E5") {
				t.Error("a cell does not name its byte")
			}
		}
	}
}

// What a page is asked for may be anything: the answer is a page, never more than there is.
func TestHostileLens(t *testing.T) {
	s, h := bench(t)
	bring(t, s, h, map[string][]byte{"c00h0.ivl": published(t)})
	at := readBack(t, s, h, "c00h0.ivl")
	for _, tt := range []struct {
		path string
		want int
	}{
		{"/disk/none", 404}, {"/disk/..%2f..%2fetc", 404}, {"/disk/" + strings.Repeat("x", 5000), 404},
		{at + "?reads=99999", 200}, {at + "?reads=-1", 200}, {at + "?reads=all", 200}, {at + "?reads=%00", 200},
		{at + "/0", 404}, {at + "/0/9", 404}, {at + "/-1/0", 404}, {at + "/x/y", 404}, {at + "/99999999999999999999/0", 404},
		{at + "/go?cylinder=0&side=0", 200}, {at + "/go?cylinder=x&side=0", 400}, {at + "/go", 400}, {at + "/go?cylinder=7&side=0", 404},
		{at + "/0/0/0", 404}, {at + "/0/0/27", 404}, {at + "/0/0/x", 404},
		{at + "/0/0/3?read=99", 404}, {at + "/0/0/3?read=0", 200}, {at + "/0/0/3?read=-5", 200}, {at + "/0/0/3?read=x", 200},
		{at + "/0/0/3?from=-9&cells=-9", 200}, {at + "/0/0/3?from=99999999&cells=1", 200}, {at + "/0/0/3?cells=99999999999999999999", 200},
		{at + "/0/0/3?byte=128", 200}, {at + "/0/0/3?byte=-2&cell=-2", 200}, {at + "/0/0/3?cell=1000000000", 200},
		{at + `/0/0/3?byte="><script>alert(1)</script>`, 200},
	} {
		code, page := get(t, h.URL+tt.path)
		if code != tt.want || len(page) > 300_000 || strings.Contains(page, "<script>alert") {
			t.Errorf("%.80s: status %d, want %d; %d bytes", tt.path, code, tt.want, len(page))
		}
	}
}

// placed is a capture of another cylinder.
func placed(t testing.TB, b []byte, cylinder int) []byte {
	t.Helper()
	c, err := flux.ParseCapture(b)
	if err != nil {
		t.Fatal(err)
	}
	c.Cylinder = cylinder
	out, err := c.Append(nil)
	if err != nil {
		t.Fatal(err)
	}
	return out
}

// A made disk is looked into as one that was read: the cells are those of its proof, made once more, also after a new
// start; and the sectors are those of the image that was made.
func TestMadeDiskIsLookedInto(t *testing.T) {
	s, h := bench(t)
	if _, err := s.add(t.Context(), "tide.cmd", module); err != nil {
		t.Fatal(err)
	}
	if code, body, _ := submit(t, s, h.URL, "/make/start"); code != 200 {
		t.Fatalf("make: status %d\n%.300s", code, body)
	}
	if st := ended(t, s); st.State != "done" {
		t.Fatalf("make: %+v", st)
	}
	n, g := again(t, s)
	if _, page := get(t, g.URL+"/make"); !strings.Contains(page, `href="/disk/made-1-D01"`) {
		t.Error("Make does not lead to the disk after a new start")
	}
	image, err := s.root.ReadFile("out/made-1/D01.img")
	if err != nil {
		t.Fatal(err)
	}
	v, err := n.lens.view(n, "made-1-D01")
	if err != nil {
		t.Fatal(err)
	}
	if !bytes.Equal(v.Data, image) || len(v.Map.Reads) != 2 {
		t.Errorf("what came back is the image: %v; %d reads, want the drive's 2 turns", bytes.Equal(v.Data, image), len(v.Map.Reads))
	}
	for _, tr := range []*recover.MapTrack{&v.Map.Tracks[0], &v.Map.Tracks[17]} {
		x := &tr.Sectors[3]
		k, notes, err := n.look(t.Context(), v, tr.Cylinder, tr.Head, wanted(x), -1)
		if err != nil || len(k.Reads) != x.Reads || x.Margin == nil || k.Sector.Margin != *x.Margin {
			t.Fatalf("cylinder %d: %+v, %v, %v; the map says %d reads, margin %v", tr.Cylinder, k, notes, err, x.Reads, x.Margin)
		}
		code, page := get(t, fmt.Sprintf("%s/disk/made-1-D01/%d/0/%d?byte=0", g.URL, tr.Cylinder, x.Sector))
		if code != 200 || !strings.Contains(page, "transitions of the proof") || !strings.Contains(page, "data byte 0 is") {
			t.Errorf("cylinder %d: status %d\n%.800s", tr.Cylinder, code, page)
		}
	}
	if err := os.RemoveAll(s.path("out", "made-1")); err != nil {
		t.Fatal(err)
	}
	if code, page := get(t, g.URL+"/disk/made-1-D01/5/0/1"); code != 200 || !strings.Contains(page, "cannot be made again") {
		t.Errorf("without its image: status %d", code)
	}
}

// A track that has a number twice: the sector that the image has no room for can be looked at too, and is not the other.
func TestExtraSectorIsLookedAt(t *testing.T) {
	s, h := bench(t)
	rec := recordingOf(t, s, "fm10x256:1x1")
	im := noise(rec, 6)
	sectors := im.Track(0, 0)
	sectors[2].ID.Sector = 3
	cells, err := track.Build(rec, 0, 0, sectors)
	if err != nil {
		t.Fatal(err)
	}
	b, err := cells.Capture(0, 0, track.EncodeOptions{Revolutions: 2}).Append(nil)
	if err != nil {
		t.Fatal(err)
	}
	bring(t, s, h, map[string][]byte{"c00h0.ivl": b})
	at := readBack(t, s, h, "c00h0.ivl") + "/0/0"
	if _, page := get(t, h.URL+at); !strings.Contains(page, `href="`+at+`/x1"`) {
		t.Fatal("the track does not lead to its extra sector")
	}
	v, err := s.lens.view(s, path.Base(path.Dir(path.Dir(at))))
	if err != nil {
		t.Fatal(err)
	}
	placed, other := hexOf(im, 0, 0, 3), hexOf(im, 0, 0, 2)
	if bytes.Equal(v.bytes(0, 3), other) { // which of the two is the image's is the merging's to say
		placed, other = other, placed
	}
	for p, want := range map[string][]byte{"/3": placed, "/x1": other} {
		code, page := get(t, h.URL+at+p+"?byte=9")
		if code != 200 || !strings.Contains(page, fmt.Sprintf("data byte 9 is %02X", want[9])) || !strings.Contains(page, "256 of 256") {
			t.Errorf("%s: status %d\n%.900s", p, code, page)
		}
	}
	if code, _ := get(t, h.URL+at+"/x2"); code != 404 {
		t.Errorf("an extra sector that is none: status %d", code)
	}
}
