package carve

import (
	"bytes"
	"context"
	"fmt"
	"math/rand/v2"
	"strings"
	"testing"

	"remanence/disk"
)

// score counts the sectors found right, those missed, and false claims: good ones that were not written so.
func score(res *Result, ts []truth) (right, want int, wrong []string) {
	key := func(c, h int, id disk.SectorID) string { return fmt.Sprint(c, h, id) }
	have := map[string][]disk.Sector{}
	for _, s := range res.Sectors() {
		have[key(s.Cylinder, s.Head, s.ID)] = append(have[key(s.Cylinder, s.Head, s.ID)], s)
	}
	written := map[string]truth{}
	for _, t := range ts {
		written[key(t.c, t.h, t.id)] = t
		if !t.good {
			continue
		}
		want++
		ok := false
		for _, s := range have[key(t.c, t.h, t.id)] {
			ok = ok || s.Status == disk.Good && bytes.Equal(s.Data, t.data) && s.Mark == t.mark
		}
		if ok {
			right++
		} else {
			wrong = append(wrong, fmt.Sprintf("missed cylinder %d head %d %v", t.c, t.h, t.id))
		}
	}
	for _, s := range res.Sectors() {
		if s.Status != disk.Good {
			continue
		}
		t, ok := written[key(s.Cylinder, s.Head, s.ID)]
		if !ok || !t.good || !bytes.Equal(t.data, s.Data) {
			wrong = append(wrong, fmt.Sprintf("FALSE cylinder %d head %d %v at %s", s.Cylinder, s.Head, s.ID, s.From))
		}
	}
	return right, want, wrong
}

func carve(t testing.TB, data []byte) *Result {
	t.Helper()
	res, err := Carve(context.Background(), data, nil)
	if err != nil {
		t.Fatal(err)
	}
	return res
}

func TestInventedLayouts(t *testing.T) {
	fm := layout{enc: disk.FM, cyls: 4, heads: 1, sectors: 10, n: 1, trackBytes: 3125}
	mfm := layout{enc: disk.MFM, cyls: 3, heads: 2, sectors: 9, n: 2, first: 1, trackBytes: 6250}
	small := layout{enc: disk.MFM, cyls: 3, heads: 2, sectors: 16, n: 1, first: 1, trackBytes: 6250}
	with := func(l layout, f func(*layout)) layout { f(&l); return l }
	for name, l := range map[string]layout{
		"fm plain":                  fm,
		"fm doubled, odd headers":   with(fm, func(l *layout) { l.doubled, l.trackHeader, l.trackJunk = true, 5, 90 }),
		"fm with clock bytes":       with(fm, func(l *layout) { l.how = 8 }),
		"fm half-cells":             with(fm, func(l *layout) { l.how = 4 }),
		"fm half-cells twice":       with(fm, func(l *layout) { l.how = 7 }),
		"fm rotated, each its own":  with(fm, func(l *layout) { l.rotate, l.trackHeader = 1, 12; l.cyls = 8 }),
		"fm rotated, random header": with(fm, func(l *layout) { l.rotate, l.trackJunk = 1, 200; l.cyls = 8 }),
		"fm doubled rotated":        with(fm, func(l *layout) { l.rotate, l.doubled, l.trackJunk = 1, true, 99; l.cyls = 8 }),
		"fm 128":                    with(fm, func(l *layout) { l.sectors, l.n, l.first = 16, 0, 1 }),
		"mfm plain":                 mfm,
		"mfm padded, side by side":  with(mfm, func(l *layout) { l.pad, l.sideOrder = 6400, 2 }),
		"mfm head 1 first":          with(mfm, func(l *layout) { l.sideOrder = 1 }),
		"mfm side 1 whole first":    with(mfm, func(l *layout) { l.sideOrder = 3 }),
		"mfm heads named 0":         with(mfm, func(l *layout) { l.headZero = true }),
		"mfm heads named 0, apart":  with(mfm, func(l *layout) { l.headZero, l.sideOrder = true, 2 }),
		"mfm clocks lost":           with(mfm, func(l *layout) { l.lostClocks = true }),
		"mfm no A1 left":            with(mfm, func(l *layout) { l.lostClocks, l.noA1 = true, true }),
		"mfm shuffled, text":        with(mfm, func(l *layout) { l.shuffle, l.textHeader, l.trackJunk = true, true, 300 }),
		"mfm hostile headers":       with(mfm, func(l *layout) { l.hostile, l.trackHeader, l.fakes = true, 40, true }),
		"mfm damaged":               with(small, func(l *layout) { l.damage, l.fakes = 8, true }),
		"mfm rotated":               with(mfm, func(l *layout) { l.rotate = 1; l.cyls = 4 }),
		"mfm rotated alike":         with(mfm, func(l *layout) { l.rotate, l.fileHeader = 2, 37 }),
		"mfm lowest bit first":      with(mfm, func(l *layout) { l.how = 1 }),
		"mfm inverted":              with(mfm, func(l *layout) { l.how = 2 }),
		"mfm shifted bits":          with(mfm, func(l *layout) { l.how = 3 }),
		"mfm half-cells":            with(mfm, func(l *layout) { l.how = 4 }),
		"mfm half-cells, low first": with(mfm, func(l *layout) { l.how = 5 }),
		"mfm hexadecimal":           with(mfm, func(l *layout) { l.how, l.textHeader = 6, true }),
		"mfm odd track":             with(mfm, func(l *layout) { l.odd = true; l.cyls = 6 }),
		"mfm tracks repeated":       with(mfm, func(l *layout) { l.repeatTracks = true }),
		"fm and mfm":                with(small, func(l *layout) { l.fm0, l.doubled, l.trackJunk = true, true, 77 }),
		"mfm 1024":                  with(mfm, func(l *layout) { l.sectors, l.n = 5, 3 }),
	} {
		t.Run(name, func(t *testing.T) {
			for seed := range uint64(6) {
				r := rand.New(rand.NewPCG(seed, 1))
				data, ts := l.build(r)
				res := carve(t, data)
				right, want, wrong := score(res, ts)
				if right != want || len(wrong) > 0 {
					t.Errorf("seed %d: %d of %d right\n%s\n%s", seed, right, want, strings.Join(wrong[:min(len(wrong), 12)], "\n"), strings.Join(res.Assumed, "\n"))
				}
			}
		})
	}
}
