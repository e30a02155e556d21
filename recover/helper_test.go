package recover

import (
	"bytes"
	"context"
	"fmt"
	"math/rand/v2"
	"os"
	"path/filepath"
	"slices"
	"testing"

	"remanence/disk"
	"remanence/disk/flux"
	"remanence/disk/track"
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
