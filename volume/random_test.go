package volume

import (
	"bytes"
	"errors"
	"fmt"
	"math/rand"
	"testing"

	"remanence/disk"
)

// churned are the volumes that random work is done on.
var churned = []struct {
	name string
	kind string
	rec  *disk.Recording
	o    NewOptions
	size int // of the large files
	seed int64
}{
	{"granule", "granule", fm10(40, 1), NewOptions{}, 60000, 1},
	{"granule MFM two sides", "granule", mfm18(40, 2), NewOptions{Rounding: "down", LockedOut: []int{9}}, 60000, 2},
	{"fat12", "fat12", mfm(9, 40, 2), NewOptions{Name: "CHURN"}, 60000, 3},
	{"extent 8-inch", "extent", fm26, NewOptions{}, 60000, 4},
	{"extent two-byte", "extent", wide.testRecording(), NewOptions{Parameters: wide}, 150000, 5},
}

// 10,000 random operations on each kind: the volume always holds what a map of names holds, stays clean under the
// strict check throughout, and FAT12 under fsck.fat at the end.
func TestRandomOperations(t *testing.T) {
	const operations = 10_000
	for _, c := range churned {
		t.Run(c.name, func(t *testing.T) {
			r := rand.New(rand.NewSource(c.seed))
			v := mustNew(t, c.kind, c.rec, c.o)
			model := map[string][]byte{}
			var names []string
			name := func() string {
				n := r.Intn(60)
				switch c.kind {
				case "granule":
					return fmt.Sprintf("N%d/DAT", n)
				case "fat12":
					return []string{"", "A/", "A/B/"}[n%3] + fmt.Sprintf("N%d.DAT", n)
				}
				return fmt.Sprintf("%d:N%d.DAT", n%3, n)
			}
			forget := func(n string) {
				delete(model, n)
				for i, m := range names {
					if m == n {
						names = append(names[:i], names[i+1:]...)
						break
					}
				}
			}
			full := 0
			for op := range operations {
				switch k := r.Intn(10); {
				case k < 5 || len(names) == 0:
					n := name()
					size := r.Intn(6000)
					if r.Intn(8) == 0 {
						size = r.Intn(c.size)
					}
					data := make([]byte, size)
					r.Read(data)
					err := v.Put(n, data, PutOptions{Replace: true})
					switch {
					case errors.Is(err, ErrFull):
						full++
					case err != nil:
						t.Fatalf("operation %d: %v", op, err)
					default:
						if model[n] == nil {
							names = append(names, n)
						}
						model[n] = data
					}
				case k < 8:
					n := names[r.Intn(len(names))]
					if err := v.Delete(n); err != nil {
						t.Fatalf("operation %d: %v", op, err)
					}
					forget(n)
				default:
					from, to := names[r.Intn(len(names))], name()
					err := v.Rename(from, to)
					switch _, there := model[to]; {
					case there && from != to:
						if !errors.Is(err, ErrFileExists) {
							t.Fatalf("operation %d: rename onto a file: %v", op, err)
						}
					case errors.Is(err, ErrFull): // no cluster left for a directory
						full++
					case err != nil:
						t.Fatalf("operation %d: rename %s to %s: %v", op, from, to, err)
					case from != to:
						model[to] = model[from]
						forget(from)
						names = append(names, to)
					}
				}
				if op%100 == 99 {
					if f := v.Check(); len(f) > 0 {
						t.Fatalf("after %d operations: %v", op+1, f)
					}
				}
			}
			if full == 0 {
				t.Error("the volume was never full: the test is too easy")
			}
			w := reopen2(t, v, c.o.Parameters)
			mustClean(t, w)
			if len(w.Files()) != len(model) {
				t.Errorf("%d files, want %d", len(w.Files()), len(model))
			}
			for n, want := range model {
				got := mustGet(t, w, n)
				if c.kind == "extent" {
					got = got[:len(want)]
				}
				if !bytes.Equal(got, want) {
					t.Errorf("%s: content differs", n)
				}
			}
			if c.kind == "fat12" {
				sameAs7z(t, w)
			}
		})
	}
}

func reopen2(t *testing.T, v Volume, p *Parameters) Volume {
	t.Helper()
	w, _, err := Open(bytes.Clone(v.Image().Data), Options{Kind: v.Kind(), Parameters: p})
	if err != nil {
		t.Fatal(err)
	}
	return w
}

// fuzzVolume is the oracle of the fuzz targets: whatever the bytes are, every listed file can be had within the size
// of the disk, under names that differ and paths that stay inside; checking, mapping and repairing come to an end;
// and a repaired volume is clean and holds what could be read.
func fuzzVolume(t *testing.T, kind string, data []byte, o Options) {
	if len(data) > 400_000 {
		return
	}
	o.Kind = kind
	v, _, err := Open(data, o)
	if err != nil {
		return
	}
	faults := v.Check()
	seen, paths := map[string]bool{}, map[string]bool{}
	for i, f := range v.Files() {
		if seen[f.Name] {
			t.Fatalf("two files are listed as %q", f.Name)
		}
		seen[f.Name] = true
		p := SafePath(kind, f.Name, func(s string) bool { return paths[s] })
		checkSafe(t, p)
		paths[p] = true
		if i > 40 {
			continue // a directory of noise has hundreds
		}
		got, bad, err := v.Get(f.Name)
		if err != nil {
			t.Fatalf("%q is listed, but Get says %v", f.Name, err)
		}
		if len(got) > 2*len(v.Image().Data)+65536 {
			t.Fatalf("%q: %d bytes from a disk of %d", f.Name, len(got), len(v.Image().Data))
		}
		if len(bad) > 0 && len(faults) == 0 {
			t.Fatalf("%q: %v, but the check finds nothing", f.Name, bad)
		}
	}
	v.Map()
	v.Info()
	before := bytes.Clone(v.Image().Data)
	to, _, err := Repair(v)
	if err != nil {
		return
	}
	if !bytes.Equal(before, v.Image().Data) {
		t.Fatal("repair changed the volume it reads")
	}
	if f := to.Check(); len(f) > 0 && v.Image().Sidecar() == nil {
		t.Fatalf("after repair: %v", f)
	}
	_ = v.Put(map[string]string{"granule": "NEW/DAT", "fat12": "NEW.DAT", "extent": "0:NEW.DAT"}[kind], make([]byte, 3000), PutOptions{Replace: true})
	for n := range seen {
		_ = v.Delete(n)
	}
}

func checkSafe(t *testing.T, p string) {
	t.Helper()
	if p == "" || p[0] == '/' {
		t.Fatalf("path %q", p)
	}
	for _, part := range bytes.Split([]byte(p), []byte("/")) {
		if len(part) == 0 || part[0] == '.' || bytes.ContainsAny(part, "\\:*?\"<>|\x00") || len(part) > 120 {
			t.Fatalf("path %q is not safe", p)
		}
	}
}

// seed is a volume with a few files and one big one, cut to what matters for a fuzzer.
func seed(f *testing.F, kind string, rec *disk.Recording, o NewOptions) []byte {
	v := mustNew(f, kind, rec, o)
	for i, n := range []int{0, 100, 5000, 20000} {
		name, _ := NameFor(kind, fmt.Sprintf("file%d.dat", i), nil)
		mustPut(f, v, name, bytes.Repeat([]byte{byte(i)}, n))
	}
	return v.Image().Data
}

// The fuzz targets change bytes where a volume keeps its books: each three bytes of the input are a place and a value.
// A blind change of a whole disk would hit file data, where it says nothing, and whole disks are slow to mutate.

func FuzzGranule(f *testing.F) {
	disks := [][]byte{seed(f, "granule", fm10(35, 1), NewOptions{}), seed(f, "granule", mfm18(35, 2), NewOptions{Rounding: "down"}), seed(f, "granule", fmBoot(35, 1), NewOptions{})}
	shapes := []*disk.Recording{fm10(35, 1), mfm18(35, 2), fmBoot(35, 1)}
	f.Add(byte(0), []byte{0, 2, 20})
	f.Add(byte(0), []byte{3, 0x14, 0x90, 3, 0x15, 1, 4, 0, 0xFE})
	f.Add(byte(1), []byte{3, 0, 0, 3, 1, 0})
	f.Add(byte(2), []byte{1, 0, 0, 1, 1, 0, 5, 0x14, 255, 5, 0x15, 255})
	f.Fuzz(func(t *testing.T, which byte, edits []byte) {
		n := int(which) % len(disks)
		g := shapes[n].Geometry()
		dir, _ := g.Offset(17, 0, 0)
		fuzzVolume(t, "granule", edit(disks[n], edits, []int{0, int(dir)}, []int{256, 18 * 256}), Options{Recording: shapes[n]})
	})
}

func FuzzFAT12(f *testing.F) {
	v := mustNew(f, "fat12", mfm(8, 40, 1), NewOptions{Name: "FUZZ"})
	for i := range 6 {
		mustPut(f, v, fmt.Sprintf("SUB/F%d", i), noise(int64(i), 300*i))
		mustPut(f, v, fmt.Sprintf("F%d", i), noise(int64(i), 700*i))
	}
	d := v.Image().Data
	f.Add([]byte{2, 3, 2})
	f.Add([]byte{6, 0x3A, 2, 0, 0x0D, 4})
	f.Add([]byte{0, 0x16, 9, 0, 0x17, 0, 0, 0x18, 0})
	f.Fuzz(func(t *testing.T, edits []byte) {
		fuzzVolume(t, "fat12", edit(d, edits, []int{0}, []int{9 * 512}), Options{})
	})
}

func FuzzExtent(f *testing.F) {
	disks := [][]byte{seed(f, "extent", fm26, NewOptions{}), seed(f, "extent", mid.testRecording(), NewOptions{Parameters: mid}), seed(f, "extent", wide.testRecording(), NewOptions{Parameters: wide})}
	sets := []*Parameters{eightInch, mid, wide}
	f.Add(byte(0), true, []byte{0, 16, 250})
	f.Add(byte(1), false, []byte{0, 12, 9, 0, 15, 200, 0, 32, 29})
	f.Add(byte(2), true, []byte{0, 14, 60, 0, 64, 0x21})
	f.Fuzz(func(t *testing.T, which byte, told bool, edits []byte) {
		n := int(which) % len(disks)
		o := Options{}
		if told {
			o.Parameters = sets[n]
		}
		p := sets[n]
		fuzzVolume(t, "extent", edit(disks[n], edits, []int{p.OFF * p.SPT * 128}, []int{2048}), o)
	})
}

// edit applies the changes to a copy; places count through the areas one after the other.
func edit(data, edits []byte, areas, sizes []int) []byte {
	data = bytes.Clone(data)
	total := 0
	for _, n := range sizes {
		total += n
	}
	for ; len(edits) >= 3; edits = edits[3:] {
		at := (int(edits[0])<<8 | int(edits[1])) % total
		for i, n := range sizes {
			if at < n {
				data[areas[i]+at] = edits[2]
				break
			}
			at -= n
		}
	}
	return data
}

// Directories of noise: the structure around them is right, every entry is random.
func TestDirectoriesOfNoise(t *testing.T) {
	for s := range int64(16) {
		g := mustNew(t, "granule", fm10(40, 1), NewOptions{}).(*granule)
		mustPut(t, g, "KEEP/DAT", noise(1, 3000))
		for i := 3; i < 10; i++ {
			copy(g.sector(i)[64:], noise(s*10+int64(i), 192))
		}
		fuzzVolume(t, "granule", g.im.Data, Options{})

		a := mustNew(t, "fat12", mfm(8, 40, 1), NewOptions{}).(*fat12)
		mustPut(t, a, "KEEP.DAT", noise(1, 3000))
		copy(a.im.Data[a.root*512+32:], noise(s, 2000))
		copy(a.im.Data[520:1000], noise(s+1, 480))
		fuzzVolume(t, "fat12", a.im.Data, Options{})

		e := mustNew(t, "extent", fm26, NewOptions{}).(*extentVolume)
		mustPut(t, e, "KEEP.DAT", noise(1, 3000))
		for i := 2; i < 64; i++ {
			copy(e.entry(i), noise(s*100+int64(i), 32))
			e.entry(i)[0] &= 15
		}
		fuzzVolume(t, "extent", e.im.Data, Options{Parameters: eightInch})
	}
}

func BenchmarkCheck(b *testing.B) {
	for _, c := range churned {
		v := mustNew(b, c.kind, c.rec, c.o)
		for i := 0; ; i++ { // half full, several sizes
			name, _ := NameFor(c.kind, fmt.Sprintf("file%d.dat", i), nil)
			if v.Info().Free < v.Info().Units/2 || v.Put(name, noise(int64(i), 500+i*400), PutOptions{}) != nil {
				break
			}
		}
		data := v.Image().Data
		b.Run(c.name, func(b *testing.B) {
			b.SetBytes(int64(len(data)))
			o := Options{}
			if c.o.Parameters != nil {
				o.ParameterSets = []*Parameters{c.o.Parameters}
			}
			for b.Loop() {
				w, _, err := Open(data, o)
				if err != nil {
					b.Fatal(err)
				}
				if f := w.Check(); len(f) > 0 {
					b.Fatal(f)
				}
			}
			b.ReportMetric(float64(b.N)/b.Elapsed().Seconds(), "images/s")
		})
		if c.o.Parameters == nil {
			continue
		}
		b.Run(c.name+", block worked out", func(b *testing.B) {
			b.SetBytes(int64(len(data)))
			for b.Loop() {
				w, _, err := Open(data, Options{})
				if err != nil {
					b.Fatal(err)
				}
				if f := w.Check(); len(f) > 0 {
					b.Fatal(f)
				}
			}
			b.ReportMetric(float64(b.N)/b.Elapsed().Seconds(), "images/s")
		})
	}
}

// BenchmarkRoundTrip fills an empty volume with files and reads them back.
func BenchmarkRoundTrip(b *testing.B) {
	for _, c := range churned {
		b.Run(c.name, func(b *testing.B) {
			data := noise(1, 3000)
			var names []string
			for i := range 20 {
				n, _ := NameFor(c.kind, fmt.Sprintf("file%d.dat", i), nil)
				names = append(names, n)
			}
			b.SetBytes(int64(2 * len(names) * len(data)))
			for b.Loop() {
				v := mustNew(b, c.kind, c.rec, c.o)
				for _, n := range names {
					mustPut(b, v, n, data)
				}
				for _, n := range names {
					mustGet(b, v, n)
				}
			}
		})
	}
}
