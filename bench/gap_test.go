package bench

import (
	"testing"

	"remanence/disk"
)

// The gap length for reading and writing is the one that the controllers' makers print; each row names where.
func TestGapReadWrite(t *testing.T) {
	s := load(t)
	for _, c := range []struct {
		ref   string
		kbit  float64 // rate to select
		rw    int
		where string
	}{
		{"fm26x128", 500, 0x07, "8272 data sheet, table 5: 128 bytes, 1A sectors, 07 / 1B"},
		{"fm15x256", 500, 0x0E, "8272 data sheet, table 5: 256 bytes, 0F sectors, 0E / 2A"},
		{"fm8x512", 500, 0x1B, "8272 data sheet, table 5: 512 bytes, 08 sectors, 1B / 3A"},
		{"mfm26x256-8in", 500, 0x0E, "8272 data sheet, table 5: 256 bytes, 1A sectors, 0E / 36"},
		{"mfm15x512-8in", 500, 0x1B, "8272 data sheet, table 5: 512 bytes, 0F sectors, 1B / 54"},
		{"mfm8x1024-8in", 500, 0x35, "8272 data sheet, table 5: 1024 bytes, 08 sectors, 35 / 74"},
		{"fm18x128", 250, 0x07, "FDC37B72x data sheet, table 29: 128 bytes, 12 sectors, 07 / 09"},
		{"mfm18x256", 250, 0x0A, "FDC37B72x data sheet, table 29: 256 bytes, 12 sectors, 0A / 0C"},
		{"mfm9x512", 250, 0x2A, "FDC37B72x data sheet, table 29: 512 bytes, 09 sectors, 2A / 50"},
		{"mfm9x512", 300, 0x23, "drivers/block/floppy.c: 360K in a 1.2M drive, 23 / 50"},
		{"mfm8x512", 250, 0x2A, "the same gap 3 as 9 x 512"},
		{"mfm15x512", 500, 0x1B, "drivers/block/floppy.c: 1.2M, 1B / 54"},
		{"mfm18x512", 500, 0x1B, "drivers/block/floppy.c: 1.44M, 1B / 6C"},
		{"mfm9x512-90mm", 250, 0x2A, "drivers/block/floppy.c: 720K, 2A / 50"},
		{"mfm26x256", 500, 0x0E, "as on 8-inch disks, of which its layout is"},
		{"mfm16x256", 250, 0x0E, "no row for 16 sectors with gap 36; the 8-inch one has it"},
		{"fm16x128", 250, 0x07, "no row for 16 sectors with gap 1B; the 8-inch one has it"},
		{"fm10x256", 250, 7, "in no table: at least 7"},
		{"fm9x256", 250, 13, "in no table: half of 27"},
	} {
		rec, err := s.Recording(c.ref)
		if err != nil {
			t.Fatal(err)
		}
		if got := gapRW(rec.Track, rec.SizeInches, c.kbit); got != c.rw {
			t.Errorf("%s at %g kbit/s: %#02x, want %#02x (%s)", c.ref, c.kbit, got, c.rw, c.where)
		}
	}
	// 16 sectors of 256 with the table's own gap 32, where no other recording is like it: FDC37B72x, table 29.
	if got := gapRW(disk.TrackFormat{Encoding: disk.MFM, Size: 256, Sectors: 16, Gap3: 0x32}, 5.25, 250); got != 0x20 {
		t.Errorf("16 x 256, gap 32: %#02x, want 20", got)
	}
	// The advice, the run sheet and the track that goes to the drive say the same; a zone has its own.
	if c := judgeFor(t, "mfm9x512", "x86-mfm9", "hd96", "c765-pc", "dd-new"); c.Settings.GapRW != 0x23 {
		t.Errorf("advice in a 360 rpm drive: %#02x, want 23", c.Settings.GapRW)
	}
	rec, _ := s.Recording("mfm18x256-fmboot")
	im, at := disk.NewImage(rec), &Combination{Steps: 1, Settings: Settings{RPM: 300}}
	if boot, rest := TrackOf(im, rec, 0, 0, at).GapRW, TrackOf(im, rec, 1, 0, at).GapRW; boot != 7 || rest != 0x0A {
		t.Errorf("tracks 0 and 1: %#02x and %#02x, want 07 and 0A", boot, rest)
	}
	for _, rec := range s.Recordings() {
		for _, f := range formats(rec) {
			if g := gapRW(f, rec.SizeInches, mfmRate(f, f.RateKbit)); g < 7 || g > f.Gap3 && f.Gap3 > 7 {
				t.Errorf("%s: %d for reading and writing of a gap 3 of %d", rec.Name, g, f.Gap3)
			}
		}
	}
}
