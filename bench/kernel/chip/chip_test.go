package chip

import (
	"bytes"
	"context"
	"math"
	"testing"

	"remanence/bench/kernel"
	"remanence/disk"
	"remanence/disk/flux"
	"remanence/disk/track"
)

// What the model formats and writes reads as a controller's track to other eyes: the project's decoder, which shares no
// code with it. Where the first mark comes: 80 + 12 + 4 + 50 + 12 bytes in MFM, 40 + 6 + 1 + 26 + 6 in FM (765 data sheet).
func TestTracksAsOthersReadThem(t *testing.T) {
	for _, c := range []struct {
		op, n, sectors, gap byte
		enc                 disk.Encoding
		byteUS              float64
		first, sector       int // bytes
	}{
		{0x4D, 2, 9, 80, disk.MFM, 32, 158, 62 + 512 + 80},
		{0x0D, 1, 10, 12, disk.FM, 64, 79, 33 + 256 + 12},
	} {
		p := New(300)
		p.Wander = 0
		format := &kernel.Command{Rate: 2, Bytes: []byte{c.op, 0, c.n, c.sectors, c.gap, 0xE5}}
		for r := range c.sectors {
			format.Data = append(format.Data, 7, 0, r, c.n)
		}
		write := &kernel.Command{Rate: 2, Bytes: []byte{c.op&0x40 | 0x05, 0, 7, 0, 3, c.n, 3, 7, 0xFF}, Data: bytes.Repeat([]byte{0x5A}, 128<<c.n)}
		for _, cmd := range []*kernel.Command{format, write} {
			if err := p.Raw(cmd); err != nil || cmd.Reply[0] != 0 {
				t.Fatalf("% x: %v, answer % x", cmd.Bytes, err, cmd.Reply)
			}
		}
		res, err := track.Scan(context.Background(), []*flux.Capture{p.Capture(0, 0, 2)}, track.Options{})
		if err != nil {
			t.Fatal(err)
		}
		if len(res.Sectors) != int(c.sectors) {
			t.Fatalf("%s: %d sectors, want %d", c.enc, len(res.Sectors), c.sectors)
		}
		for i, s := range res.Sectors {
			fill := byte(0xE5)
			if i == 3 {
				fill = 0x5A
			}
			if s.Status != disk.Good || s.Encoding != c.enc || s.ID != (disk.SectorID{Cylinder: 7, Sector: uint8(i), SizeCode: c.n}) || !bytes.Equal(s.Data, bytes.Repeat([]byte{fill}, 128<<c.n)) {
				t.Errorf("%s: sector %d: %s %s mark %02X", c.enc, i, s.ID, s.Status, s.Mark)
			}
			want := float64(c.first+i*c.sector) * c.byteUS / 200_000
			if math.Abs(s.Angle-want)*200_000 > c.byteUS/2 {
				t.Errorf("%s: sector %d at %.0f us, want %.0f", c.enc, i, s.Angle*200_000, want*200_000)
			}
		}
	}
}
