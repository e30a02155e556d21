package bench

import (
	"slices"

	"remanence/disk"
)

// gapRow is a row of the tables that the makers of 765-class controllers give: the gap length to say when reading and
// writing, for a track that was formatted with another.
type gapRow struct {
	inches         float64 // of the disk: 8, 5.25, 3.5
	encoding       disk.Encoding
	bytes, sectors int
	kbit           float64 // rate to select, where the row is for one alone; else 0
	rw, format     int     // both without the sync bytes (8272 data sheet, symbol table)
}

// gapTable is, row by row: 8272 data sheet, table 5, and 765A data sheet, table 7 (8 inch); data sheets FDC37B72x table
// 29, FDC37N769 table 44, LPC47M102S table 24 (5.25 and 3.5 inch); and, where said, the media table of the Linux driver
// (drivers/block/floppy.c). Rows that these sources leave blank or print wrongly are not here.
var gapTable = []gapRow{
	{8, disk.FM, 128, 26, 0, 0x07, 0x1B},
	{8, disk.FM, 256, 15, 0, 0x0E, 0x2A},
	{8, disk.FM, 512, 8, 0, 0x1B, 0x3A},
	{8, disk.MFM, 256, 26, 0, 0x0E, 0x36},
	{8, disk.MFM, 512, 15, 0, 0x1B, 0x54},
	{8, disk.MFM, 1024, 8, 0, 0x35, 0x74},
	{5.25, disk.FM, 128, 18, 0, 0x07, 0x09},
	{5.25, disk.FM, 128, 16, 0, 0x10, 0x19},
	{5.25, disk.MFM, 256, 18, 0, 0x0A, 0x0C},
	{5.25, disk.MFM, 256, 16, 0, 0x20, 0x32},
	{5.25, disk.MFM, 512, 9, 300, 0x23, 0x50}, // Linux: in a 360 rpm drive
	{5.25, disk.MFM, 512, 9, 0, 0x2A, 0x50},
	{5.25, disk.MFM, 1024, 4, 0, 0x80, 0xF0},
	{5.25, disk.MFM, 2048, 2, 0, 0xC8, 0xFF},
	{5.25, disk.MFM, 4096, 1, 0, 0xC8, 0xFF},
	{5.25, disk.MFM, 512, 15, 500, 0x1B, 0x54}, // Linux
	{3.5, disk.FM, 128, 15, 0, 0x07, 0x1B},
	{3.5, disk.FM, 256, 9, 0, 0x0F, 0x2A},
	{3.5, disk.FM, 512, 5, 0, 0x1B, 0x3A},
	{3.5, disk.MFM, 256, 15, 0, 0x0E, 0x36},
	{3.5, disk.MFM, 512, 9, 0, 0x1B, 0x54},
	{3.5, disk.MFM, 1024, 5, 0, 0x35, 0x74},
	{3.5, disk.MFM, 512, 18, 500, 0x1B, 0x6C}, // Linux
}

// gapRW is the gap length for reading and writing a track of f on a disk of this size, at the rate to select: the
// table's for this encoding, size of sector and gap 3, of the same size of disk and number of sectors where it has that.
// It is the gap 3 on the disk that the value must fit, so a row for another gap does not count. Without a row it is half
// of gap 3, as the rows have it about, and at least 7, their least (derived for this project).
func gapRW(f disk.TrackFormat, inches, kbit float64) int {
	like := func(n int) int {
		return slices.IndexFunc(gapTable, func(r gapRow) bool {
			return r.encoding == f.Encoding && r.bytes == f.Size && r.format == f.Gap3 && (r.kbit == 0 || near(kbit, r.kbit, 0.01)) &&
				(n < 2 || near(inches, r.inches, 0.1)) && (n < 3 || r.sectors == f.Sectors)
		})
	}
	for n := 3; n > 0; n-- {
		if i := like(n); i >= 0 {
			return gapTable[i].rw
		}
	}
	return max(7, f.Gap3/2)
}
