package program

import (
	"cmp"
	"fmt"
	"slices"
)

// Limits of what one report holds, so that a hostile file cannot make it large.
const (
	maxFaults = 500
	maxNotes  = 50
	maxRanges = 4096
)

// addressSpace is what a Z80 reaches, in bytes.
const addressSpace = 0x10000

// builder collects a Report while a parser walks a file, and the evidence that the file is of the parser's kind.
//
// Evidence is counted in bits: how unlikely the bytes seen so far are in noise. A fixed byte in its place is worth 8,
// an address that continues the record before it 16. The kind with the most wins, and none wins below acceptBits.
type builder struct {
	r     Report
	bits  int
	more  int // faults beyond maxFaults
	spans []span
}

// acceptBits is the evidence below which a file stays unknown: noise gets there once in a million files.
const acceptBits = 22

// span is a stretch of addresses and the file offset of the record that fills it.
type span struct {
	first, end int
	offset     int64
}

func (b *builder) fault(class Class, offset int, format string, a ...any) {
	if len(b.r.Faults) >= maxFaults {
		b.more++
		return
	}
	b.r.Faults = append(b.r.Faults, Fault{int64(offset), class, fmt.Sprintf(format, a...)})
}

func (b *builder) note(format string, a ...any) {
	if len(b.r.Notes) < maxNotes {
		b.r.Notes = append(b.r.Notes, fmt.Sprintf(format, a...))
	}
}

// load says that the record at offset fills n addresses from first on.
func (b *builder) load(first, n, offset int) {
	if n > 0 {
		b.spans = append(b.spans, span{first, first + n, int64(offset)})
	}
}

// wrapped reports a record that runs past the end of a 64 KiB memory, and gives the bytes that fit.
func (b *builder) fit(first, n, offset int) int {
	if over := first + n - addressSpace; over > 0 {
		b.fault(BadRecord, offset, "record for %s runs %d bytes past FFFFh; they are left out", hex(first), over)
		return n - over
	}
	return n
}

// memory turns what was loaded into ranges, reports overlaps, the entry and the memory needed.
func (b *builder) memory(entryOffset int) {
	sorted := slices.Clone(b.spans)
	slices.SortStableFunc(sorted, func(x, y span) int {
		return cmp.Or(cmp.Compare(x.first, y.first), cmp.Compare(x.offset, y.offset))
	})
	var widest span // of those so far, the one that reaches furthest
	over := map[int64]overlapping{}
	dropped := 0
	for i, s := range sorted {
		if i > 0 && s.first < widest.end {
			early, late := widest, s
			if early.offset > late.offset {
				early, late = late, early
			}
			o := over[late.offset]
			end := min(s.end, widest.end)
			if o.bytes == 0 {
				o.first, o.earlier = s.first, early.offset
			}
			o.bytes += end - s.first
			over[late.offset] = o
		}
		if i == 0 || s.end > widest.end {
			widest = s
		}
		if n := len(b.r.LoadRanges); n > 0 && s.first <= b.r.LoadRanges[n-1][1] {
			b.r.LoadRanges[n-1][1] = max(b.r.LoadRanges[n-1][1], s.end)
		} else if n < maxRanges {
			b.r.LoadRanges = append(b.r.LoadRanges, [2]int{s.first, s.end})
		} else {
			dropped++
		}
	}
	if dropped > 0 {
		b.note("only the lowest %d load ranges are listed", maxRanges)
	}
	for _, s := range b.spans { // in file order; the map is only looked up
		if o, ok := over[s.offset]; ok {
			b.fault(Overlap, int(s.offset), "record loads %d %s from %s again, already filled by the record at offset %d; the later one wins",
				o.bytes, plural(o.bytes, "byte", "bytes"), hex(o.first), o.earlier)
			delete(over, s.offset)
		}
	}
	if b.r.Entry != nil && !b.r.Loaded(*b.r.Entry) && len(sorted) > 0 {
		b.fault(EntryOutside, entryOffset, "entry %s is not in loaded memory (%s); the program would start in bytes it did not bring",
			hex(*b.r.Entry), rangesText(b.r.LoadRanges))
	}
	if len(sorted) > 0 {
		b.r.RAMKiB = RAMNeeded(widest.end)
	}
}

type overlapping struct {
	first, bytes int
	earlier      int64
}

// finish sorts the faults and settles whether the file is whole.
func (b *builder) finish() *Report {
	slices.SortStableFunc(b.r.Faults, func(x, y Fault) int { return cmp.Compare(x.Offset, y.Offset) })
	if b.more > 0 {
		b.note("%d more faults are not listed", b.more)
	}
	b.r.Whole = len(b.r.Faults) == 0
	return &b.r
}

// RAMNeeded is the smallest of 16, 32 and 48 KiB of RAM from 4000h whose end is not below end; 0 where none is.
func RAMNeeded(end int) int {
	for _, k := range []int{16, 32, 48} {
		if end <= 0x4000+k<<10 {
			return k
		}
	}
	return 0
}

// Loaded says whether the file fills address.
func (r *Report) Loaded(address int) bool {
	for _, x := range r.LoadRanges {
		if address >= x[0] && address < x[1] {
			return true
		}
	}
	return false
}

// hex writes an address as the class's users do: 5200h, and 0A000h as A000h, at least four digits.
func hex(n int) string { return fmt.Sprintf("%04Xh", n) }

func plural(n int, one, many string) string {
	if n == 1 {
		return one
	}
	return many
}

// rangesText writes ranges with the last address inclusive, as people read them.
func rangesText(rs [][2]int) string {
	if len(rs) == 0 {
		return "nothing is loaded"
	}
	s := ""
	for i, r := range rs {
		if i == 3 && len(rs) > 4 {
			return s + fmt.Sprintf(" and %d more", len(rs)-i)
		}
		if i > 0 {
			s += ", "
		}
		s += hex(r[0]) + "-" + hex(r[1]-1)
	}
	return s
}

func le16(b []byte) int { return int(b[0]) | int(b[1])<<8 }
