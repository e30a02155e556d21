package starter

import (
	"bytes"
	"os"
	"os/exec"
	"path/filepath"
	"testing"

	"remanence/disk"
	"remanence/disk/carve"
	"remanence/starter/computer"
	"remanence/tape"

	"remanence/machine"
	"remanence/tape/linecode"
)

func TestReaderIsAssembled(t *testing.T) {
	out := filepath.Join(t.TempDir(), "reader.bin")
	if b, err := exec.Command("z80asm", "-o", out, "asm/reader.asm").CombinedOutput(); err != nil {
		t.Fatalf("z80asm (Debian package z80asm): %v\n%s", err, b)
	}
	if b, _ := os.ReadFile(out); !bytes.Equal(b, reader) {
		t.Error("reader.bin is not what z80asm makes of asm/reader.asm: go generate ./starter")
	}
}

// TestReaderSendsADisk: what comes out of the port is sound that tape reading and carving turn back into the disk, a
// sector with a bad spot included, which must not come back as good.
func TestReaderSendsADisk(t *testing.T) {
	set, err := machine.Load("")
	if err != nil {
		t.Fatal(err)
	}
	code, err := set.LineCode("pulse500")
	if err != nil {
		t.Fatal(err)
	}
	tracks := testTracks(2, 0.7, 5)
	tracks[1].Mark = disk.MarkUserA
	m := MediumOf(tracks)
	m.Spots = []computer.Spot{{Cylinder: 1, From: 100, To: 101}} // in the first sector of the track, number 0
	src, err := RehearseReader(t.Context(), code, len(tracks), 22050, m, nil)
	if err != nil {
		t.Fatal(err)
	}
	res, err := tape.Read(t.Context(), src, []*linecode.Code{code}, tape.ReadOptions{Raw: true}, nil)
	if err != nil {
		t.Fatal(err)
	}
	found, err := carve.Carve(t.Context(), res.Raw, nil)
	if err != nil {
		t.Fatal(err)
	}
	good := map[disk.SectorID]bool{}
	for _, s := range found.Sectors() {
		if s.Status != disk.Good {
			continue
		}
		c, i := int(s.ID.Cylinder), int(s.ID.Sector)
		if c >= len(tracks) || i >= trackSectors || c == 1 && i == 0 {
			t.Errorf("identifier %v came back as good", s.ID)
			continue
		}
		if !bytes.Equal(s.Data, tracks[c].Data[i*sectorBytes:(i+1)*sectorBytes]) || s.Mark != tracks[c].Mark {
			t.Errorf("cylinder %d sector %d: wrong data or mark %02X", c, i, s.Mark)
		}
		good[s.ID] = true
	}
	if len(good) != 19 {
		t.Errorf("%d sectors came back, want 19 of 20 (%d bytes of sound, %s)", len(good), len(res.Raw), res.Verdict)
	}
}
