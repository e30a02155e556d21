package web

import (
	"bytes"
	"go/ast"
	"go/parser"
	"go/token"
	"hash/crc32"
	"maps"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"testing"

	"remanence/internal/saltmarsh"
	"remanence/machine"
	"remanence/program"
	"remanence/volume"
)

// The fields of the two worked examples of package program, which come from the reference sheet, and of other kinds
// after their published forms: Intel HEX, S-records.
func TestFields(t *testing.T) {
	for _, tt := range []struct {
		kind program.Kind
		data []byte
		at   int
		want string
	}{
		{program.LoadModule, module, 0, "record 1, type"},
		{program.LoadModule, module, 2, "record 1, name"},
		{program.LoadModule, module, 8, "record 2, load address"},
		{program.LoadModule, module, 12, "record 2, data"},
		{program.LoadModule, module, 16, "record 3, entry"},
		{program.MachineTape, []byte("\xA5\x55TIDE  \x3C\x03\x00\x52\x3E\x05\xC9\x5E\x78\x00\x52"), 0, "sync"},
		{program.MachineTape, []byte("\xA5\x55TIDE  \x3C\x03\x00\x52\x3E\x05\xC9\x5E\x78\x00\x52"), 15, "block 1, checksum"},
		{program.IntelHex, []byte(":00000001FF\n"), 7, "line 1, type"},
		{program.SRecord, []byte("S9030100FB\n"), 5, "line 1, address"},
		{program.BASICDisk, []byte{0xFF, 0xC5, 0x68, 10, 0, 0xB2, 0, 0, 0}, 3, "line 10, number"},
		{program.BASICDisk, []byte{0xFF, 0xC5, 0x68, 0, 0, 0xB2, 0, 0, 0}, 3, "line 0, number"},
		{program.Text, []byte("A\rB\r"), 2, "line 2"},
		{program.Unknown, append(bytes.Repeat([]byte{0xE5}, 40), "\x01HIGH WATER\x02"...), 41, "text"},
		{program.Unknown, append(bytes.Repeat([]byte{0xE5}, 40), "\x01HIGH WATER\x02"...), 39, "run"},
		{program.Unknown, append(bytes.Repeat([]byte{0xE5}, 40), "\x01HIGH WATER\x02"...), 51, "data"},
	} {
		f := fieldsOf(tt.kind, tt.data, everything)
		i := fieldAt(f, tt.at)
		if i < 0 || f[i].Name != tt.want {
			t.Errorf("%s byte %d: field %d of %v, want %s", tt.kind, tt.at, i, f, tt.want)
		}
	}
}

// Chunks of RIFF WAVE as the reference sheet has them; lines of a capture as in the design's interval form; the first
// sectors of an image of 40 x 10 x 256 bytes lie at 0, 256, ... in numeric order.
func TestFieldsOfMedia(t *testing.T) {
	s, _ := bench(t)
	wav := append([]byte("RIFF\x2c\x00\x00\x00WAVEfmt \x10\x00\x00\x00\x01\x00\x01\x00\x40\x1F\x00\x00\x40\x1F\x00\x00\x01\x00\x08\x00"), "data\x03\x00\x00\x00abc\x00"...)
	capture := []byte("remanence-intervals 1\ntick-ns 25\n\n\x05\xA0\x01\ncrc32 00000000\n")
	for _, tt := range []struct {
		kind       program.Kind
		data       []byte
		at         int
		name, what string
	}{
		{program.Audio, wav, 17, `chunk "fmt ", length`, "16 bytes"},
		{program.Audio, wav, 24, `chunk "fmt ", samples a second`, "8000"},
		{program.Audio, wav, 46, `chunk "data", sound`, "0.0 s to 0.0 s"},
		{program.Audio, wav, 47, `chunk "data", fill`, "even"},
		{program.Captures, capture, 25, `header, "tick-ns"`, "nanoseconds"},
		{program.Captures, capture, 34, "interval 1", "5 ticks, 0.125 µs"},
		{program.Captures, capture, 36, "interval 2", "160 ticks, 4.000 µs"}, // A0 01: 20h + 1 << 7
		{program.Captures, capture, 40, "check", "CRC-32"},
		{program.SectorImage, emptyDisk(t, s), 2560 + 257, "cylinder 1, head 0, sector 1", "free (cylinder 1 granule 0)"},
		{program.SectorImage, emptyDisk(t, s), 17*2560 + 17, "allocation table, cylinder 17", "the directory"},
	} {
		var v volume.Volume
		if tt.kind == program.SectorImage {
			v = s.openVolume(tt.data)
		}
		f := fields(tt.kind, tt.data, v, everything)
		i := fieldAt(f, tt.at)
		if i < 0 || f[i].Name != tt.name || !strings.Contains(f[i].What, tt.what) {
			t.Errorf("%s byte %d: field %d of %v, want %s: %s", tt.kind, tt.at, i, f, tt.name, tt.what)
		}
	}
}

func emptyDisk(t testing.TB, s *Server) []byte {
	t.Helper()
	rec, err := s.o.Set.Recording("fm10x256")
	if err != nil {
		t.Fatal(err)
	}
	v, err := volume.New("granule", rec, volume.NewOptions{})
	if err != nil {
		t.Fatal(err)
	}
	return v.Image().Data
}

// kindsKnown reads the kinds out of package program's source, so that a new one is missed here.
func kindsKnown(t *testing.T) map[string]program.Kind {
	t.Helper()
	f, err := parser.ParseFile(token.NewFileSet(), filepath.Join("..", "program", "program.go"), nil, 0)
	if err != nil {
		t.Fatal(err)
	}
	out := map[string]program.Kind{}
	for _, d := range f.Decls {
		g, ok := d.(*ast.GenDecl)
		if !ok || g.Tok != token.CONST {
			continue
		}
		for _, spec := range g.Specs {
			v := spec.(*ast.ValueSpec)
			if id, ok := v.Type.(*ast.Ident); !ok || id.Name != "Kind" {
				continue
			}
			text, err := strconv.Unquote(v.Values[0].(*ast.BasicLit).Value)
			if err != nil {
				t.Fatal(err)
			}
			out[v.Names[0].Name] = program.Kind(text)
		}
	}
	return out
}

// wantCovered holds fields to naming every byte once, in order, and to saying something.
func wantCovered(t testing.TB, what string, fields []Field, size int) {
	t.Helper()
	at := 0
	for i, f := range fields {
		if f.From != at || f.To <= f.From || f.Number != i || f.Name == "" || f.What == "" {
			t.Fatalf("%s: after byte %d: field %d is %+v", what, at, i, f)
		}
		at = f.To
	}
	if at != size {
		t.Fatalf("%s: fields end at byte %d of %d", what, at, size)
	}
}

// samples are files of every kind, by kind: the example collection, and what outside programs write.
func samples(t testing.TB, s *Server) map[program.Kind][][]byte {
	t.Helper()
	out := map[program.Kind][][]byte{}
	add := func(data []byte) {
		r, err := program.InspectReader(t.Context(), bytes.NewReader(data), "sample", s.inspectOptions())
		if err != nil {
			t.Fatal(err)
		}
		out[r.Kind] = append(out[r.Kind], data)
	}
	files, err := saltmarsh.Files(s.o.Set)
	if err != nil {
		t.Fatal(err)
	}
	for _, f := range files {
		add(f.Data)
	}
	add(module)
	add(tideTape)
	add([]byte("\xD3\xD3\xD3T\xC5\x68\x0A\x00\xB2\x00\x00\x00"))
	add([]byte("\xFF\xC5\x68\x0A\x00\xB2\x00\x00\x00"))
	add([]byte("S1130000285F245F2212226A000424290008237C2A\r\nS9030000FC\r\n"))
	add([]byte(":10010000214601360121470136007EFE09D2190140\r\n:00000001FF\r\n"))
	add([]byte("10 PRINT \"HIGH WATER\"\r20 END\r"))
	add([]byte{1, 2, 3, 0xFE, 0xE5, 9})
	add(emptyDisk(t, s))
	for kind, o := range map[string]string{"fat12": "mfm9x512", "extent": "fm26x128"} {
		rec, err := s.o.Set.Recording(o)
		if err != nil {
			t.Fatal(err)
		}
		v, err := volume.New(kind, rec, volume.NewOptions{})
		if err != nil {
			t.Fatal(err)
		}
		if err := v.Put("TIDE.CMD", module, volume.PutOptions{}); err != nil {
			t.Fatal(err)
		}
		add(v.Image().Data)
	}
	body := []byte("remanence-intervals 1\ntick-ns 25\ncylinder 0\nhead 0\nindex\ntransitions 2\n\n\x05\xA0\x01")
	capture := append(body, "\ncrc32 "+crc(body)+"\n"...)
	add(capture)
	add(zipOf(t, map[string][]byte{"c00h0.ivl": capture, "c01h0.ivl": capture}))
	for _, b := range sounds(t) {
		add(b)
	}
	return out
}

func crc(b []byte) string {
	const hex = "0123456789abcdef"
	v, out := crc32.ChecksumIEEE(b), ""
	for i := 28; i >= 0; i -= 4 {
		out += string(hex[v>>i&15])
	}
	return out
}

// sounds is half a second of a tone as sox, flac, oggenc and lame write it.
func sounds(t testing.TB) map[string][]byte {
	t.Helper()
	dir := t.TempDir()
	run := func(name string, args ...string) {
		c := exec.Command(name, args...)
		c.Dir = dir
		if out, err := c.CombinedOutput(); err != nil {
			t.Fatalf("%s %v ('make tools' installs what outside checks need): %v\n%s", name, args, err, out)
		}
	}
	run("sox", "-R", "-n", "-r", "22050", "-b", "16", "-c", "1", "a.wav", "synth", "0.5", "sine", "1200", "vol", "0.8")
	run("flac", "-s", "a.wav")
	run("oggenc", "-Q", "-s", "1", "-o", "a.ogg", "a.wav")
	run("lame", "--quiet", "-b", "64", "a.wav", "a.mp3")
	out := map[string][]byte{}
	for _, n := range []string{"a.wav", "a.flac", "a.ogg", "a.mp3"} {
		b, err := os.ReadFile(filepath.Join(dir, n))
		if err != nil {
			t.Fatal(err)
		}
		out[n] = b
	}
	return out
}

// Every kind that inspect knows has fields that name every byte, whole or cut short anywhere; and a page of a file names
// its bytes as the whole does.
func TestEveryKindHasFields(t *testing.T) {
	s, _ := bench(t)
	all := samples(t, s)
	for name, k := range kindsKnown(t) {
		if len(all[k]) == 0 {
			t.Errorf("%s: no sample of this kind", name)
		}
		for _, data := range all[k] {
			var v volume.Volume
			if k == program.SectorImage {
				v = s.openVolume(data)
			}
			whole := fields(k, data, v, everything)
			wantCovered(t, name, whole, len(data))
			if len(whole) < 2 && len(data) > 8 && k != program.Unknown {
				t.Errorf("%s: %v is all that is said of %d bytes", name, whole, len(data))
			}
			for i := range 7 { // windows
				at := i * len(data) / 7
				part := fields(k, data, v, window{at, at + 100, -1})
				want := slices.DeleteFunc(slices.Clone(whole), func(f Field) bool { return f.To <= at || f.From >= at+100 })
				if !slices.Equal(part, want) {
					t.Errorf("%s: bytes %d to %d have other fields on their page: %v, want %v", name, at, at+100, part, want)
				}
				n := i * len(whole) / 7
				if one := fields(k, data, v, window{0, 0, n}); len(one) != 1 || one[0] != whole[n] {
					t.Errorf("%s: field %d by its number: %v", name, n, one)
				}
			}
			for i := range 40 { // cut short
				cut := data[:i*len(data)/40]
				wantCovered(t, name+", cut", fields(k, cut, v, everything), len(cut))
			}
		}
	}
}

// Where flac says its frames are (flac --analyze, of the reference implementation), they are.
func TestFieldsOfFLAC(t *testing.T) {
	dir := t.TempDir()
	b := sounds(t)["a.flac"]
	file := filepath.Join(dir, "a.flac")
	if err := os.WriteFile(file, b, 0o600); err != nil {
		t.Fatal(err)
	}
	if out, err := exec.Command("flac", "-s", "-a", file).CombinedOutput(); err != nil {
		t.Fatalf("%v\n%s", err, out)
	}
	said, err := os.ReadFile(filepath.Join(dir, "a.ana"))
	if err != nil {
		t.Fatal(err)
	}
	var want, got []string
	for _, m := range regexp.MustCompile(`frame=(\d+)\s+offset=(\d+)`).FindAllSubmatch(said, -1) {
		want = append(want, string(m[1])+" at "+string(m[2]))
	}
	for _, f := range fieldsOf(program.Audio, b, everything) {
		if n, ok := strings.CutPrefix(f.Name, "frame "); ok && strings.HasSuffix(n, ", header") {
			got = append(got, strings.TrimSuffix(n, ", header")+" at "+strconv.Itoa(f.From))
		}
	}
	if len(want) < 2 || !slices.Equal(got, want) {
		t.Errorf("frames %v, flac says %v", got, want)
	}
}

func FuzzFields(f *testing.F) {
	set, err := machine.Load("")
	if err != nil {
		f.Fatal(err)
	}
	s := &Server{o: Options{Set: set}}
	all := samples(f, s)
	kinds := slices.Sorted(maps.Keys(all))
	for i, k := range kinds {
		for _, data := range all[k] {
			if k != program.SectorImage && len(data) < 40_000 {
				f.Add(uint8(i), data)
			}
		}
	}
	f.Fuzz(func(t *testing.T, k uint8, data []byte) {
		kind := kinds[int(k)%len(kinds)]
		if kind == program.SectorImage { // fuzzed in the volume room
			kind = program.Unknown
		}
		wantCovered(t, string(kind), fieldsOf(kind, data, everything), len(data))
	})
}

// BenchmarkFields is what a page of a large file costs: 16 MiB of text, and of a capture.
func BenchmarkFields(b *testing.B) {
	text := bytes.Repeat([]byte("10 REM HIGH WATER AT NOON\r"), 16<<20/26)
	capture := append([]byte("remanence-intervals 1\ntick-ns 25\n\n"), bytes.Repeat([]byte{0xA0, 1, 0x78}, 16<<20/3)...)
	for name, x := range map[string]struct {
		kind program.Kind
		data []byte
	}{"text": {program.Text, text}, "capture": {program.Captures, capture}} {
		b.Run(name, func(b *testing.B) {
			b.SetBytes(int64(len(x.data)))
			for b.Loop() {
				if len(fieldsOf(x.kind, x.data, window{8 << 20, 8<<20 + 1024, -1})) == 0 {
					b.Fatal("no fields")
				}
			}
		})
	}
}
