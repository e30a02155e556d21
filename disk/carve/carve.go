// Package carve finds sectors in a file of track-level bytes whose container nobody knows any more.
//
// The makers of early controllers gave every sector two fences that survive any container: an identifier field
// (mark FE, cylinder, head, sector number, length code, CRC) and a data field (mark FB, FA, F9 or F8, the data, CRC).
// The CRC is x^16+x^12+x^5+1, preset to ones; in FM it starts at the mark, in MFM at three A1 before it, so that the
// same bytes have two different CRCs and the CRC itself tells FM from MFM, even where a dump has lost the clock bits
// or the A1. An identifier and the data field behind it, both with a right CRC, are 32 bits of proof; a window of a
// hundred bytes between them costs seven bits of it. Nothing else is asked of a file: no name, no header, no table.
//
// Worked example: in
//
//	00 00 00 00 00 00 FE 00 00 01 00 D2 C3  FF x 11  00 x 6  FB  E5 x 128  5D 30
//
// FE 00 00 01 00 has the FM CRC D2C3 and FB with 128 bytes E5 has 5D30: sector 1 of cylinder 0, head 0, good. The
// same identifier in MFM would end in EA2D. (Values: FD179x data sheet and an independent calculation.)
//
// The bytes may be stored once or twice (FM dumped at the MFM rate), in either bit order, inverted, shifted by any
// number of bits, as raw half-cells, packed or one to a byte, or as hexadecimal text. Each such reading is a view; all are searched, and a
// find in one view that lies inside the data of a sound sector of another is not believed: data may hold anything,
// whole sectors included.
//
// Grouping to tracks goes by the identifiers, by the position in the file and by repetition, in that order of trust,
// and the result says which was used. A sector that runs past the end of its track's dump goes on at the start of
// it; where that start lies follows from the CRC, and is believed where two tracks agree or the length is a usual one.
package carve

import (
	"context"
	"fmt"
	"runtime"
	"sort"
	"sync"

	"remanence/disk"
	"remanence/internal/progress"
)

// MaxBytes bounds a dump: 2 sides of 256 cylinders with 25,000 bytes as half-cells are 26 MB.
const MaxBytes = 32 << 20

// maxFound bounds what is kept of a hostile file.
const maxFound = 1 << 14

// windowBytes is how far behind an identifier a data field may begin. Controllers give up after 28 (FD1771) to 43
// bytes (FD179x in MFM); dumps with filler in the gap get some more.
const windowBytes = 100

// Find is one sector as found in the file.
type Find struct {
	disk.Sector       // Cylinder and Head are the place that Carve settled on
	Offset      int64 // of the identifier's mark, in bytes of the file
	End         int64 // behind the data field (or the identifier, where there is none)
	View        string
}

// Track is the finds of one track of the dump, in the order of the file.
type Track struct {
	Cylinder, Head int
	Start, End     int64 // bytes of the file
	Bytes          int   // length of a revolution in track bytes, 0 where nothing shows it
	Copy           int   // 0, or which repetition of the place this is
	Placed         string
	Finds          []Find
}

// Result is what a file holds.
type Result struct {
	Tracks  []Track
	Assumed []string // how the views, places and wraps were settled
	Ghosts  int      // sectors inside the data of other sectors, not believed
}

// Sectors are all finds as sectors, track by track.
func (r *Result) Sectors() []disk.Sector {
	var out []disk.Sector
	for _, t := range r.Tracks {
		for _, f := range t.Finds {
			out = append(out, f.Sector)
		}
	}
	return out
}

// Carve searches data, which is all of one file. It never fails on contents: what holds no sector gives none. The
// error is the context's, or says that the file is too long.
func Carve(ctx context.Context, data []byte, p progress.Progress) (*Result, error) {
	if len(data) > MaxBytes {
		return nil, fmt.Errorf("%d bytes: more than %d; no dump of one disk is that long", len(data), MaxBytes)
	}
	p = progress.Or(p)
	views := viewsOf(data)
	p.Start("looking for sectors", len(views))
	defer p.Done()
	finds, complete := make([][]*found, len(views)), true
	whole := make([]bool, len(views))
	var wg sync.WaitGroup
	turn := make(chan struct{}, runtime.GOMAXPROCS(0))
	for i, v := range views {
		turn <- struct{}{}
		wg.Go(func() {
			finds[i], whole[i] = search(ctx, v)
			p.Step(1, v.name())
			<-turn
		})
	}
	wg.Wait()
	var all []*found
	for i, fs := range finds {
		complete = complete && whole[i]
		if n := maxFound - len(all); len(fs) > n {
			fs, complete = fs[:n], false
		}
		all = append(all, fs...)
	}
	if err := ctx.Err(); err != nil {
		return nil, err
	}
	kept, ghosts := settle(all)
	res := &Result{Ghosts: ghosts}
	if !complete {
		res.Assumed = append(res.Assumed, "the file has so many address marks that not all were tried; cut it in parts and carve each")
	}
	if len(kept) == 0 {
		return res, nil
	}
	groups := group(kept)
	groups, wrapped := wrap(groups, int64(len(data)))
	res.Assumed = append(res.Assumed, describeViews(kept)...)
	res.Assumed = append(res.Assumed, wrapped...)
	if ghosts > 0 {
		res.Assumed = append(res.Assumed, fmt.Sprintf("%d sector(s) inside the data of other sectors are taken for data, not for sectors", ghosts))
	}
	var notes []string
	res.Tracks, notes = place(groups)
	res.Assumed = append(res.Assumed, notes...)
	return res, nil
}

// describeViews says in which views the kept sectors were found.
func describeViews(fs []*found) []string {
	n := map[string]int{}
	for _, f := range fs {
		n[f.enc.String()+" "+f.v.name()]++
	}
	names := make([]string, 0, len(n))
	for k := range n {
		names = append(names, k)
	}
	sort.Strings(names)
	out := make([]string, len(names))
	for i, k := range names {
		out[i] = fmt.Sprintf("%d sector(s) as %s", n[k], k)
	}
	return out
}
