package volume

import (
	"bytes"
	"context"
	"math/rand"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"remanence/disk"
)

// Recordings of the tests: geometry is all that a volume looks at.

func recording(name string, enc disk.Encoding, sectors, size, first, cyls, sides int) *disk.Recording {
	return &disk.Recording{Name: name, Cylinders: cyls, Sides: sides, RPM: 300,
		Track: disk.TrackFormat{Encoding: enc, Sectors: sectors, Size: size, FirstID: first, Fill: 0xE5}}
}

func fm10(cyls, sides int) *disk.Recording {
	return recording("fm10x256", disk.FM, 10, 256, 0, cyls, sides)
}

func mfm18(cyls, sides int) *disk.Recording {
	return recording("mfm18x256", disk.MFM, 18, 256, 0, cyls, sides)
}

func fmBoot(cyls, sides int) *disk.Recording {
	r := mfm18(cyls, sides)
	r.Name = "mfm18x256-fmboot"
	r.Zones = []disk.Zone{{Cylinders: []int{0, 0}, Track: fm10(1, 1).Track}}
	return r
}

func mfm(sectors, cyls, sides int) *disk.Recording {
	return recording("mfm", disk.MFM, sectors, 512, 1, cyls, sides)
}

var fm26 = recording("fm26x128", disk.FM, 26, 128, 1, 77, 1)

func mustNew(t testing.TB, kind string, rec *disk.Recording, o NewOptions) Volume {
	t.Helper()
	v, err := New(kind, rec, o)
	if err != nil {
		t.Fatalf("New(%s, %s): %v", kind, rec.Reference(), err)
	}
	return v
}

func mustPut(t testing.TB, v Volume, name string, data []byte) {
	t.Helper()
	if err := v.Put(name, data, PutOptions{}); err != nil {
		t.Fatalf("Put(%s, %d bytes): %v", name, len(data), err)
	}
}

func mustGet(t testing.TB, v Volume, name string) []byte {
	t.Helper()
	data, faults, err := v.Get(name)
	if err != nil || len(faults) > 0 {
		t.Fatalf("Get(%s): %v %v", name, faults, err)
	}
	return data
}

func mustClean(t testing.TB, v Volume) {
	t.Helper()
	if f := v.Check(); len(f) > 0 {
		t.Fatalf("faults on a volume that should be whole: %v", f)
	}
}

// reopen finds the volume again in its own bytes, with nothing said beforehand.
func reopen(t testing.TB, v Volume) Volume {
	t.Helper()
	im := v.Image()
	w, said, err := Open(bytes.Clone(im.Data), Options{Sidecar: im.Sidecar()})
	if err != nil {
		t.Fatalf("Open: %v (%q)", err, said)
	}
	if w.Kind() != v.Kind() {
		t.Fatalf("reopened as %s, was %s (%q)", w.Kind(), v.Kind(), said)
	}
	return w
}

func noise(seed int64, n int) []byte {
	b := make([]byte, n)
	rand.New(rand.NewSource(seed)).Read(b)
	return b
}

// tool runs an outside program. It must be there: `make test` installs it.
func tool(t testing.TB, name string, args ...string) string {
	t.Helper()
	return toolInput(t, "", name, args...)
}

func toolInput(t testing.TB, input, name string, args ...string) string {
	t.Helper()
	p, err := exec.LookPath(name)
	if err != nil {
		t.Fatalf("%s is not installed; 'make tools' installs what the outside checks need", name)
	}
	ctx, cancel := context.WithTimeout(context.Background(), time.Minute)
	defer cancel()
	c := exec.CommandContext(ctx, p, args...)
	c.Stdin = strings.NewReader(input)
	out, err := c.CombinedOutput()
	if err != nil {
		t.Fatalf("%s %v: %v\n%s", name, args, err, out)
	}
	return string(out)
}

func writeTemp(t testing.TB, data []byte) string {
	t.Helper()
	p := filepath.Join(t.TempDir(), "disk.img")
	if err := os.WriteFile(p, data, 0o666); err != nil {
		t.Fatal(err)
	}
	return p
}

// fsck is the verdict of fsck.fat -n.
func fsck(t testing.TB, data []byte) error {
	t.Helper()
	p, err := exec.LookPath("fsck.fat")
	if err != nil {
		t.Fatal("fsck.fat is not installed; 'make tools' installs what the outside checks need")
	}
	return exec.Command(p, "-n", writeTemp(t, data)).Run()
}
