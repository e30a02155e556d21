package web

import (
	"bytes"
	"fmt"
	"regexp"
	"strings"
	"testing"

	"remanence/disk"
)

// The byte view of a disk by its links alone, without script: a sector leads to its file's chain, the chain to its
// sectors, and what belongs to the file is marked. Places as doc/volumes.md works them out.
func TestDiskBytesByLinks(t *testing.T) {
	s, h := bench(t)
	if _, err := s.add(t.Context(), "tides.img", tides(t, s)); err != nil {
		t.Fatal(err)
	}
	page := h.URL + "/file/" + idOf("tides.img")
	_, body := get(t, page+"?at=1400h") // cylinder 2
	m := regexp.MustCompile(`href="(/file/[^"]*field=\d+[^"]*)"[^>]*><b>cylinder 2, head 0, sector 0</b>`).FindStringSubmatch(body)
	if m == nil {
		t.Fatal("the first sector of cylinder 2 is not a field")
	}
	_, body = get(t, h.URL+strings.ReplaceAll(m[1], "&amp;", "&"))
	named := regexp.MustCompile(`(?s)<p id="named".*?</p>`).FindString(body)
	if !strings.Contains(named, "bytes 5120 to 5375: LOG/TXT, granule 3 of 5 (cylinder 2 granule 0): bytes 2560 to 2815") || !strings.Contains(named, "chain=LOG%2fTXT#chain") {
		t.Fatalf("named: %s", named)
	}
	if n := strings.Count(body, `class="on"`); n != 17 { // sixteen rows and the field itself
		t.Errorf("%d places are marked, want 17", n)
	}
	_, body = get(t, page+"?chain=LOG/TXT")
	chain := regexp.MustCompile(`(?s)<ol class="chain">.*?</ol>`).FindString(body)
	for i, want := range []string{"cylinder 1 granule 0</a>: 1280 bytes <span class=\"soft\">cylinder 1, head 0, sectors 0 to 4", "cylinder 1 granule 1</a>", "cylinder 2 granule 0</a>", "cylinder 2 granule 1</a>", "cylinder 3 granule 0</a>: 580 bytes"} {
		if !strings.Contains(chain, want) {
			t.Errorf("link %d: %q is missing in %s", i+1, want, chain)
		}
	}
	if !strings.Contains(chain, "at=2560#bytes") || !strings.Contains(body, `class="of"`) || !strings.Contains(body, "Where LOG/TXT lies") {
		t.Error("the chain does not lead to its sectors, or they are not marked")
	}
	if _, body := get(t, page+"?chain=NONE"); !strings.Contains(body, "no such file") {
		t.Error("a chain that is not there is not told")
	}
	for _, q := range []string{"at=99999999999", "at=-1", "at=x", "field=99999999", "field=-3", "chain=" + strings.Repeat("A", 3000), "at=18FFFh"} {
		if status, body := get(t, page+"?"+q); status != 200 || !strings.Contains(body, `id="hex"`) {
			t.Errorf("%.40s: status %d", q, status)
		}
	}
}

// A page of a large file is small, wherever in it: 8 MiB of lines.
func TestBytesOfALargeFile(t *testing.T) {
	s, h := bench(t)
	if _, err := s.add(t.Context(), "long.txt", bytes.Repeat([]byte("HIGH WATER AT NOON\r"), 8<<20/19)); err != nil {
		t.Fatal(err)
	}
	for _, at := range []int{0, 4 << 20, 8<<20 - 500} {
		status, body := get(t, fmt.Sprintf("%s/file/%s?at=%d", h.URL, idOf("long.txt"), at))
		line := at/bytesOnPage*bytesOnPage/19 + 1
		if status != 200 || len(body) > 200<<10 || !strings.Contains(body, fmt.Sprintf("<b>line %d</b>", line)) {
			t.Errorf("byte %d: status %d, %d bytes, line %d", at, status, len(body), line)
		}
	}
}

func TestSectorsText(t *testing.T) {
	p := func(c int, sectors ...int) (out []disk.Place) {
		for _, n := range sectors {
			out = append(out, disk.Place{Cylinder: c, Sector: n})
		}
		return out
	}
	for _, tt := range []struct {
		list []disk.Place
		want string
	}{
		{nil, ""},
		{p(3, 7), "cylinder 3, head 0, sector 7"},
		{p(3, 5, 6, 7, 8), "cylinder 3, head 0, sectors 5 to 8"},
		{p(3, 5, 6, 1, 7, 13), "cylinder 3, head 0, sectors 5, 6, 1, 7, 13"},
		{append(p(1, 8, 9), p(2, 0)...), "cylinder 1, head 0, sectors 8, 9; cylinder 2, head 0, sector 0"},
	} {
		if got := sectorsText(tt.list); got != tt.want {
			t.Errorf("%v: %q, want %q", tt.list, got, tt.want)
		}
	}
}
