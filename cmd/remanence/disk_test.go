package main

import (
	"archive/zip"
	"bufio"
	"bytes"
	"encoding/hex"
	"encoding/json"
	"math/rand/v2"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"remanence/disk"
)

func callDisk(t *testing.T, want int, args ...string) (stdout, stderr string) {
	t.Helper()
	var out, errs bytes.Buffer
	if got := run(append([]string{"disk"}, args...), &out, &errs); got != want {
		t.Fatalf("disk %s: exit %d, want %d\n%s%s", strings.Join(args, " "), got, want, out.String(), errs.String())
	}
	return out.String(), errs.String()
}

// randomImage writes an image of random bytes.
func randomImage(t *testing.T, path string, size int) []byte {
	t.Helper()
	rng := rand.New(rand.NewPCG(1, uint64(size)))
	b := make([]byte, size)
	for i := range b {
		b[i] = byte(rng.Uint32())
	}
	if err := os.WriteFile(path, b, 0o666); err != nil {
		t.Fatal(err)
	}
	return b
}

type decodeJSON struct {
	Recording string `json:"recording"`
	Cylinders int    `json:"cylinders"`
	Sides     int    `json:"sides"`
	Expected  int    `json:"sectors-expected"`
	Good      int    `json:"sectors-good"`
	Damaged   int    `json:"sectors-damaged"`
	Missing   int    `json:"sectors-missing"`
	Bad       []struct {
		Cylinder, Head, Sector int
		Why                    string
	} `json:"bad"`
}

// Image to captures and back, recognised and named, for FM, MFM and a disk that has both.
func TestDiskThereAndBack(t *testing.T) {
	for _, tt := range []struct {
		recording string
		bytes     int // capacities: fact sheet 9.51, 4.3, 9.50 and arithmetic
	}{
		{"fm16x128:40x1", 81_920}, {"fm10x256:35x1", 89_600}, {"mfm9x512:40x2", 368_640}, {"mfm16x256:40x2", 325_632},
	} {
		dir := t.TempDir()
		at := func(n string) string { return filepath.Join(dir, n) }
		want := randomImage(t, at("a.img"), tt.bytes)
		callDisk(t, 0, "encode", at("a.img"), "--recording", tt.recording, "-o", at("captures"), "-q")
		for _, named := range [][]string{nil, {"--recording", tt.recording}} {
			out, errs := callDisk(t, 0, append([]string{"decode", at("captures"), "-o", at("b.img"), "--force", "--json"}, named...)...)
			var got decodeJSON
			if err := json.Unmarshal([]byte(out), &got); err != nil {
				t.Fatalf("%v in %s", err, out)
			}
			name, cylinders, sides, _ := disk.ParseReference(tt.recording)
			if got.Recording != name || got.Cylinders != cylinders || got.Sides != sides || got.Good != got.Expected || got.Bad == nil || len(got.Bad) != 0 || got.Damaged+got.Missing != 0 {
				t.Errorf("%s %v: %+v", tt.recording, named, got)
			}
			if named == nil && !strings.Contains(errs, tt.recording) {
				t.Errorf("%s: what was assumed is not told: %q", tt.recording, errs)
			}
			if b, err := os.ReadFile(at("b.img")); err != nil || !bytes.Equal(b, want) {
				t.Errorf("%s %v: the image that came back differs (%v)", tt.recording, named, err)
			}
			if _, err := os.Stat(disk.SidecarPath(at("b.img"))); err == nil {
				t.Errorf("%s: a plain disk got a sidecar", tt.recording)
			}
		}
		if _, errs := callDisk(t, 4, "encode", at("a.img"), "--recording", tt.recording, "-o", at("captures"), "-q"); !strings.Contains(errs, "exists already") {
			t.Errorf("captures were overwritten without --force: %s", errs)
		}
	}
}

// Damage is told by place and exit status, and everything else is used: one capture cut short, one missing.
func TestDiskDecodeDamaged(t *testing.T) {
	dir := t.TempDir()
	at := func(n string) string { return filepath.Join(dir, n) }
	want := randomImage(t, at("a.img"), 81_920)
	callDisk(t, 0, "encode", at("a.img"), "--recording", "fm16x128", "-o", at("c"), "-q")
	b, err := os.ReadFile(at("c/c07h0.ivl"))
	if err != nil {
		t.Fatal(err)
	}
	os.WriteFile(at("c/c07h0.ivl"), b[:len(b)/2], 0o666)
	os.Remove(at("c/c20h0.ivl"))
	out, errs := callDisk(t, 1, "decode", at("c"), "-o", at("b.img"), "--json", "--sectors", at("s.jsonl"))
	var got decodeJSON
	if err := json.Unmarshal([]byte(out), &got); err != nil {
		t.Fatal(err)
	}
	if got.Expected != 39*16 || got.Good+got.Damaged+got.Missing != got.Expected || len(got.Bad) != got.Damaged+got.Missing || len(got.Bad) < 6 || len(got.Bad) > 10 {
		t.Errorf("report %+v", got)
	}
	for _, x := range got.Bad {
		if x.Cylinder != 7 || x.Why == "" {
			t.Errorf("bad sector %+v: want cylinder 7 alone", x)
		}
	}
	if !strings.Contains(errs, "c07h0.ivl: byte ") {
		t.Errorf("the damage is not told by its byte: %q", errs)
	}
	img, _ := os.ReadFile(at("b.img"))
	f, err := os.Open(at("s.jsonl"))
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	n := 0
	for sc := bufio.NewScanner(f); sc.Scan(); {
		var s struct {
			Cylinder, Head, Size int
			Sector               int `json:"id-sector"`
			Mark, Status, Data   string
		}
		if err := json.Unmarshal(sc.Bytes(), &s); err != nil {
			t.Fatal(err)
		}
		if s.Status != "good" {
			continue
		}
		n++
		d, _ := hex.DecodeString(s.Data)
		off := (s.Cylinder*16 + s.Sector - 1) * 128
		if s.Size != 128 || s.Mark != "FB" || !bytes.Equal(d, want[off:off+128]) || !bytes.Equal(d, img[off:off+128]) {
			t.Errorf("cylinder %d sector %d: wrong in --sectors or in the image", s.Cylinder, s.Sector)
		}
	}
	if n != got.Good {
		t.Errorf("%d good sectors in --sectors, %d in the report", n, got.Good)
	}
	// The sidecar keeps the places that were not read.
	if _, sc, err := disk.ReadRaw(at("b.img")); err != nil || sc == nil || len(sc.Sectors) < 16+len(got.Bad) {
		t.Errorf("sidecar %v, %v", sc, err)
	}
}

// The directory cylinder of a granule volume gets the mark its machine looks for, and the command says so.
func TestDiskEncodeMarksDirectory(t *testing.T) {
	dir := t.TempDir()
	at := func(n string) string { return filepath.Join(dir, n) }
	volumeOK(t, "new", "--recording", "fm10x256:40x1", "-o", at("a.img"))
	os.Remove(disk.SidecarPath(at("a.img"))) // as if the image came from elsewhere
	out, errs := callDisk(t, 0, "encode", at("a.img"), "-o", at("c"))
	if !strings.Contains(errs, "fm10x256:40x1") || !strings.Contains(errs, "FA") {
		t.Errorf("recording and mark that were assumed are not told: %q %q", out, errs)
	}
	callDisk(t, 0, "decode", at("c"), "-o", at("b.img"), "--sectors", at("s.jsonl"), "-q")
	b, err := os.ReadFile(at("s.jsonl"))
	if err != nil {
		t.Fatal(err)
	}
	if n := bytes.Count(b, []byte(`"mark":"FA"`)); n != 10 {
		t.Errorf("%d sectors with the mark FA, want the 10 of the directory cylinder", n)
	}
}

// A zip of captures, and several captures of one track, are one disk.
func TestDiskDecodeZipAndCopies(t *testing.T) {
	dir := t.TempDir()
	at := func(n string) string { return filepath.Join(dir, n) }
	want := randomImage(t, at("a.img"), 81_920)
	callDisk(t, 0, "encode", at("a.img"), "--recording", "fm16x128", "-o", at("c"), "-q")
	names, _ := filepath.Glob(at("c/*.ivl"))
	var z bytes.Buffer
	w := zip.NewWriter(&z)
	for i, n := range names {
		b, err := os.ReadFile(n)
		if err != nil {
			t.Fatal(err)
		}
		f, _ := w.Create("disk/" + filepath.Base(n))
		f.Write(b)
		if i%2 == 0 { // every other one is broken in the folder, whole in the zip
			os.WriteFile(n, b[:len(b)*2/3], 0o666)
		}
	}
	w.Close()
	os.WriteFile(at("c.zip"), z.Bytes(), 0o666)
	callDisk(t, 0, "decode", at("c"), at("c.zip"), "-o", at("b.img"), "-q")
	if b, _ := os.ReadFile(at("b.img")); !bytes.Equal(b, want) {
		t.Error("folder and zip together do not give the image")
	}
}

func TestDiskUsage(t *testing.T) {
	dir := t.TempDir()
	os.WriteFile(filepath.Join(dir, "x.img"), make([]byte, 1000), 0o666)
	out := filepath.Join(dir, "out")
	callDisk(t, 2, "encode", filepath.Join(dir, "x.img"), "-o", out, "--recording", "fm16x128", "--tick-ns", "0")
	callDisk(t, 3, "encode", filepath.Join(dir, "x.img"), "-o", out, "--recording", "fm16x128")
	callDisk(t, 3, "decode", filepath.Join(dir, "x.img"), "-o", out)
	callDisk(t, 3, "decode", dir, "-o", out)
	callDisk(t, 2, "encode", filepath.Join(dir, "x.img"), "-o", out) // nothing tells the recording
}
