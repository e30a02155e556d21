package carve

import (
	"slices"

	"remanence/disk"
)

// frames finds the frames of all tracks where those that are exact stand at a constant distance, and parts the finds
// anew by them: an identifier at the end of one dump must not be paired with the data at the start of the next. n is
// the length of a revolution in track bytes.
func frames(runs []*run, k kind, n int) []*run {
	var exact []*run
	for _, r := range runs {
		if r.kind() == k && r.frame.known && !r.frame.loose {
			exact = append(exact, r)
		}
	}
	pitch, base := pitchOf(runs, exact)
	if pitch == 0 {
		return runs
	}
	v := exact[0].fs[0].v
	length := n * v.advance(0, 1)
	var out []*run
	at := map[int]*run{}
	for _, r := range runs {
		if r.kind() != k {
			out = append(out, r)
			continue
		}
		for _, f := range r.fs {
			k := -1
			if f.v == v && f.pos >= base && (f.pos-base)%pitch < length {
				k = (f.pos - base) / pitch
			}
			if k < 0 { // outside all frames, or in another view
				if len(out) == 0 || len(out[len(out)-1].fs) > 0 && out[len(out)-1].kind() != r.kind() {
					out = append(out, &run{})
				}
				out[len(out)-1].fs = append(out[len(out)-1].fs, f)
				continue
			}
			if at[k] == nil {
				start := base + k*pitch
				at[k] = &run{frame: frame{known: true, start: start, end: start + length}}
				out = append(out, at[k])
			}
			at[k].fs = append(at[k].fs, f)
		}
	}
	for _, r := range out {
		r.vote()
	}
	return out
}

// pitchOf is the distance of one dump's start to the next and the start that most share by it; 0 where there is no
// constant one. A start may be wrong by chance (one in a hundred), and a track may be missing or in two parts, so the distance is what
// most pairs of neighbours agree on.
func pitchOf(runs, exact []*run) (pitch, base int) {
	if len(exact) < 2 {
		return 0, 0
	}
	votes := map[int]int{}
	length := exact[0].frame.end - exact[0].frame.start
	for k := 1; k < len(exact); k++ {
		a, b := exact[k-1], exact[k]
		d := b.frame.start - a.frame.start
		n := slices.Index(runs, b) - slices.Index(runs, a)
		for m := max(n-1, 1); m <= n+1; m++ {
			if a.fs[0].v == b.fs[0].v && d > 0 && d%m == 0 && d/m >= length {
				votes[d/m] += 2
				if m == n {
					votes[d/m]++
				}
			}
		}
	}
	pitch = common(votes)
	if pitch == 0 {
		return 0, 0
	}
	at := map[int]int{}
	for _, r := range exact {
		at[r.frame.start%pitch]++
	}
	base = common(at)
	if at[base] < 2 || at[base]*10 < len(exact)*9 {
		return 0, 0
	}
	return pitch, base
}

// alike handles dumps without a byte between the tracks, all cut alike between an identifier and its data field: the
// file then ends with an identifier, and every pair across a border would be wrong. It marks the frames of the tracks
// that show it and gives the length of a revolution in track bytes, 0 where the file is not so.
func alike(all []*run, k kind) int {
	runs := slices.DeleteFunc(slices.Clone(all), func(r *run) bool { return r.kind() != k })
	if len(runs) < 2 {
		return 0
	}
	last := runs[len(runs)-1].tail()
	v, ok := k.v.(*byteView)
	if !ok || last.orphan || last.dataPos >= 0 || last.v != k.v {
		return 0
	}
	// The last identifiers of most tracks stand one revolution apart.
	apart, gaps := map[int]int{}, map[int]int{}
	for i := 1; i < len(runs); i++ {
		apart[runs[i].tail().pos-runs[i-1].tail().pos]++
		if f := runs[i-1].tail(); f.good {
			gaps[f.dataPos-f.behind]++
		}
	}
	length, gap := common(apart), common(gaps)
	if length <= 0 || gap == 0 || apart[length]*2 < len(runs)-1 {
		return 0
	}
	// Then the data of each is one revolution before where it would follow.
	var sure []*run
	tried := 0
	field := make([]byte, 1+size(last.id)+2)
	for _, r := range runs {
		f := r.tail()
		if f.orphan || (last.pos-f.pos)%length != 0 || size(f.id) != size(last.id) {
			continue
		}
		tried++
		at := f.behind + gap - length
		if at >= 0 && v.read(at, field) == len(field) && field[0] >= disk.MarkDeleted && field[0] <= disk.MarkData && crcBytes(preset(f.enc), field) == 0 {
			start := max(at-2*v.step, 0)
			r.frame = frame{known: true, start: start, end: start + length}
			sure = append(sure, r)
		}
	}
	if len(sure) < 2 || len(sure)*2 < tried {
		for _, r := range sure {
			r.frame = frame{}
		}
		return 0
	}
	return length / v.step
}
