package recover

import (
	"bytes"
	"cmp"
	"encoding/hex"
	"fmt"
	"math"
	"path/filepath"
	"slices"
	"strings"

	"remanence/disk"
	"remanence/disk/track"
	"remanence/picture"
)

// MaxReads of a disk are kept apart, shared out fairly among the sources; a disk of two captures of three turns has six.
const MaxReads = 16

// DiskRead is what one read of a disk gives by itself, before anything is merged: one revolution of one capture of each
// track, or one other source. Sectors are those that the map has, where the read covers their track.
type DiskRead struct {
	Name     string `json:"name"` // pass-a.zip, capture 1, turn 2; or the name of the source
	Tracks   int    `json:"tracks"`
	Good     int    `json:"sectors-good"`
	Doubtful int    `json:"sectors-doubtful"`
	Lost     int    `json:"sectors-lost"`
}

// TrackRead is one read of one track.
type TrackRead struct {
	Read    int    `json:"read"` // index to DamageMap.Reads
	From    string `json:"from"`
	States  string `json:"states"`  // for each of the map's sectors g good, d doubtful, l lost, - extra
	Margins []byte `json:"margins"` // for each percent of the half window; 255 not measured
}

// State is what the read gives of sector i of the map's track.
func (r *TrackRead) State(i int) picture.State {
	if i < 0 || i >= len(r.States) {
		return picture.Lost
	}
	switch r.States[i] {
	case 'g':
		return picture.Good
	case 'd':
		return picture.Doubtful
	}
	return picture.Lost
}

// Margin is that of sector i, 0..1; -1 not measured.
func (r *TrackRead) Margin(i int) float64 {
	if i < 0 || i >= len(r.Margins) || r.Margins[i] > 100 {
		return -1
	}
	return float64(r.Margins[i]) / 100
}

// Count is how many sectors of the track are good, doubtful and lost in the read.
func (r *TrackRead) Count() (good, doubtful, lost int) {
	for _, st := range r.States {
		switch st {
		case 'g':
			good++
		case 'd':
			doubtful++
		case 'l':
			lost++
		}
	}
	return good, doubtful, lost
}

// eachAlone gives sources that are no captures a turn of their own, so that what they give alone is known too.
func eachAlone(readings []reading) {
	for _, rd := range readings {
		if rd.source.Kind == "captures" {
			continue
		}
		for _, r := range rd.results {
			if r.Turns != nil {
				continue
			}
			t := track.Turn{From: filepath.Base(rd.source.Path), Capture: -1}
			for i := range r.Sectors {
				s := &r.Sectors[i]
				st := s.Status
				if st == disk.Repaired {
					st = disk.Good
				}
				t.Sectors = append(t.Sectors, track.TurnSector{ID: s.ID, Encoding: s.Encoding, Angle: s.Angle, Margin: s.Margin, Status: st})
			}
			r.Turns = []track.Turn{t}
		}
	}
}

// readKey tells reads of a disk apart.
type readKey struct {
	source  string // zip, image or dump; "" for captures that are files of their own
	capture int    // of the source, on this track; -1: no capture
	turn    int
}

// keysOf tells the turns of a track apart.
func keysOf(r *track.Result) []readKey {
	out := make([]readKey, len(r.Turns))
	seen := map[string][]int{}
	for i := range r.Turns {
		t := &r.Turns[i]
		if t.Capture < 0 {
			out[i] = readKey{t.From, -1, 0}
			continue
		}
		source := ""
		if n := strings.LastIndexByte(t.From, '/'); n >= 0 { // see shortNames
			source = t.From[:n]
		}
		n := slices.Index(seen[source], t.Capture)
		if n < 0 {
			n = len(seen[source])
			seen[source] = append(seen[source], t.Capture)
		}
		out[i] = readKey{source, n, t.Number}
	}
	return out
}

// name is what a read is called, where there are several captures, or turns, to be told apart.
func (k readKey) name(captures, turns bool) string {
	var parts []string
	if k.source != "" {
		parts = append(parts, k.source)
	}
	if k.capture >= 0 && captures || k.source == "" && !turns {
		parts = append(parts, fmt.Sprintf("capture %d", k.capture+1))
	}
	if k.capture >= 0 && turns {
		parts = append(parts, fmt.Sprintf("turn %d", k.turn+1))
	}
	return strings.Join(parts, ", ")
}

// shareOut leaves at most n reads, in their order: the first of each source, then the second of each, and so on. Captures
// that are files of their own are sources each.
func shareOut(keys []readKey, n int) []readKey {
	type ranked struct{ at, rank int }
	next := map[readKey]int{}
	var all []ranked
	for i, k := range keys {
		of := readKey{source: k.source}
		if k.source == "" {
			of.capture = k.capture
		}
		all = append(all, ranked{i, next[of]})
		next[of]++
	}
	slices.SortStableFunc(all, func(a, b ranked) int { return cmp.Compare(a.rank, b.rank) })
	all = all[:min(n, len(all))]
	slices.SortFunc(all, func(a, b ranked) int { return cmp.Compare(a.at, b.at) })
	out := make([]readKey, len(all))
	for i, r := range all {
		out[i] = keys[r.at]
	}
	return out
}

// AddReads adds to the map what each read of the tracks gives alone, for comparing it with what they give together.
func (m *DamageMap) AddReads(results []*track.Result) {
	read := map[[2]int]*track.Result{}
	number := map[[2]int][]readKey{} // of each turn of a track
	first := map[string]int{}        // capture that a source begins with: the order of sources
	captures := map[string]int{}     // of a source, on any track
	turns := 0
	var keys []readKey
	for _, r := range results {
		at := [2]int{r.Cylinder, r.Head}
		read[at], number[at] = r, keysOf(r)
		for i, k := range number[at] {
			t := &r.Turns[i]
			order := t.Capture
			if order < 0 {
				order = math.MaxInt
			}
			if n, ok := first[k.source]; !ok || order < n {
				first[k.source] = order
			}
			captures[k.source], turns = max(captures[k.source], k.capture), max(turns, t.Number)
			if !slices.Contains(keys, k) {
				keys = append(keys, k)
			}
		}
	}
	slices.SortFunc(keys, func(a, b readKey) int {
		return cmp.Or(cmp.Compare(first[a.source], first[b.source]), cmp.Compare(a.source, b.source), cmp.Compare(a.capture, b.capture), cmp.Compare(a.turn, b.turn))
	})
	m.MoreReads = max(0, len(keys)-MaxReads)
	keys = shareOut(keys, MaxReads)
	m.Reads = nil
	at := map[readKey]int{}
	for i, k := range keys {
		at[k] = i
		m.Reads = append(m.Reads, DiskRead{Name: k.name(captures[k.source] > 0, turns > 0)})
	}
	for i := range m.Tracks {
		t := &m.Tracks[i]
		t.Reads = nil
		r := read[[2]int{t.Cylinder, t.Head}]
		if r == nil {
			continue
		}
		for k, key := range number[[2]int{t.Cylinder, t.Head}] {
			n, ok := at[key]
			if !ok {
				continue
			}
			tr := t.alone(&r.Turns[k], n)
			d := &m.Reads[n]
			d.Tracks++
			good, doubtful, lost := tr.Count()
			d.Good, d.Doubtful, d.Lost = d.Good+good, d.Doubtful+doubtful, d.Lost+lost
			t.Reads = append(t.Reads, tr)
		}
	}
}

// alone is what a turn gives of each sector that the image has room for; what is extra counts nowhere.
func (t *MapTrack) alone(turn *track.Turn, number int) TrackRead {
	out := TrackRead{Read: number, From: turn.From, Margins: make([]byte, len(t.Sectors))}
	states := make([]byte, len(t.Sectors))
	for i := range t.Sectors {
		states[i], out.Margins[i] = 'l', 255
		s := &t.Sectors[i]
		if s.Extra {
			states[i] = '-'
			continue
		}
		best := findIn(turn, s)
		if best == nil {
			continue
		}
		switch best.Status {
		case disk.Good:
			states[i] = 'g'
		case disk.Doubtful:
			states[i] = 'd'
		}
		if best.Margin >= 0 {
			out.Margins[i] = byte(100*min(best.Margin, 1) + 0.5)
		}
	}
	out.States = string(states)
	return out
}

// findIn is the sector of a turn that a sector of the map was made of: of those with its identifier the nearest.
func findIn(t *track.Turn, s *MapSector) *track.TurnSector {
	var best *track.TurnSector
	away := 0.0
	id, _ := hex.DecodeString(s.ID) // none: nothing has it
	for i := range t.Sectors {
		q := &t.Sectors[i]
		if q.Encoding.String() != s.Encoding || !bytes.Equal(id, []byte{q.ID.Cylinder, q.ID.Head, q.ID.Sector, q.ID.SizeCode}) {
			continue
		}
		d := math.Abs(q.Angle - s.Drawn)
		if d = min(d, 1-d); best == nil || d < away {
			best, away = q, d
		}
	}
	return best
}
