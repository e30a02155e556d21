package shelf

import (
	"cmp"
	"context"
	"fmt"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
)

// Where says in a few words where a medium is, what it is fit for, when it was last read whole, and from which master
// it was written: "SCC-0013 (box 3, proven, read 2026-11-20, from D02)".
func (m *Medium) Where() string {
	var said []string
	if m.Place != "" {
		said = append(said, m.Place)
	}
	said = append(said, string(m.State), m.Read())
	if n := m.MasterNumber(); n != "" {
		said = append(said, "from "+n)
	}
	return fmt.Sprintf("%s (%s)", m.Number, strings.Join(said, ", "))
}

// Read says when a medium was last read whole.
func (m *Medium) Read() string {
	if m.LastRead == "" {
		return "never read back"
	}
	return "read " + m.LastRead[:min(10, len(m.LastRead))]
}

// MasterNumber is the number of the master a medium was written from, "" where none is known.
func (m *Medium) MasterNumber() string {
	n, _, _ := strings.Cut(strings.TrimPrefix(m.Master, "master:"), ":")
	return n
}

// Result is the folder a master lies in: the name of the result that made it.
func (m *Master) Result() string {
	d := filepath.Base(filepath.Dir(m.Path))
	if d == "." || d == string(filepath.Separator) {
		return ""
	}
	return d
}

// Origin tells masters of one number apart: "of tides-1, shelved 2026-11-20".
func (m *Master) Origin() string {
	var said []string
	if r := m.Result(); r != "" {
		said = append(said, "of "+r)
	}
	if len(m.Added) >= 10 {
		said = append(said, "shelved "+m.Added[:10])
	}
	return strings.Join(said, ", ")
}

// mediaNamed is how many media of a hit are named; the others are counted.
const mediaNamed = 3

// tellWhere puts before what is said of hits the answer to what a person asks who looks for a file: on which media it
// is, and whether they still read; of a master, what it came from and which media carry it. rows are the hits' rows in
// the search table.
func (s *Shelf) tellWhere(ctx context.Context, hits []Hit, rows []int64) error {
	var sums []any
	var ids []string
	for i, h := range hits {
		switch h.Kind {
		case "file":
			sums = append(sums, strings.TrimPrefix(h.Subject, "file:"))
		case "master":
			ids = append(ids, strconv.FormatInt(rows[i]-masterRow, 10))
		}
	}
	type pair struct {
		sum    string
		master int64
	}
	holds, err := query(ctx, s, func(r interface{ Scan(...any) error }) (p pair, err error) {
		err = r.Scan(&p.sum, &p.master)
		return p, err
	}, "SELECT DISTINCT sha256, master FROM items WHERE sha256 IN ("+strings.TrimSuffix(strings.Repeat("?,", len(sums)), ",")+")", sums...)
	if err != nil {
		return err
	}
	of := map[string][]int64{}
	for _, p := range holds {
		ids = append(ids, strconv.FormatInt(p.master, 10))
		of[p.sum] = append(of[p.sum], p.master)
	}
	in := strings.Join(ids, ",")
	masters, err := query(ctx, s, scanMaster, "SELECT "+masterColumns+" FROM masters m WHERE m.id IN ("+in+") ORDER BY m.added DESC, m.number, m.id")
	if err != nil {
		return err
	}
	media, err := query(ctx, s, scanMedium, "SELECT "+mediumColumns+" FROM media m WHERE m.master IN ("+in+") ORDER BY m.number")
	if err != nil {
		return err
	}
	sortByFitness(media)
	for i := range hits {
		h := &hits[i]
		carried := of[strings.TrimPrefix(h.Subject, "file:")]
		if h.Kind == "master" {
			carried = []int64{rows[i] - masterRow}
		}
		on := onMedia(media, carried)
		if k := slices.IndexFunc(masters, func(m Master) bool { return slices.Contains(carried, m.ID) }); k >= 0 {
			switch m := &masters[k]; {
			case h.Kind == "master":
				on = strings.TrimPrefix(m.Origin()+"; "+cmp.Or(on, "on no medium"), "; ")
			case on == "":
				on = strings.TrimSuffix(fmt.Sprintf("on no medium, on master %s %s", m.Number, m.Origin()), " ")
			}
		}
		h.say(cmp.Or(on, "on no medium"), "file", "master")
	}
	return nil
}

// say puts where a hit of these kinds is before what else is known of it.
func (h *Hit) say(where string, kinds ...string) {
	if slices.Contains(kinds, h.Kind) {
		h.Where = where
		h.About = where + "; " + h.About
	}
}

// onMedia names the media that were written from one of the masters: "on SCC-0013 (...), SCC-0014 (...) and 2 more".
func onMedia(media []Medium, masters []int64) string {
	var said []string
	more := 0
	for i := range media {
		switch m := &media[i]; {
		case !slices.Contains(masters, m.master):
		case len(said) == mediaNamed:
			more++
		default:
			said = append(said, m.Where())
		}
	}
	if len(said) == 0 {
		return ""
	}
	t := "on " + strings.Join(said, ", ")
	if more > 0 {
		t += fmt.Sprintf(" and %d more", more)
	}
	return t
}

// sortByFitness puts media first that are more likely to read: proven ones, the latest reading first, then made, failing
// and blank ones.
func sortByFitness(media []Medium) {
	rank := []State{Proven, Made, Failing, Blank}
	slices.SortStableFunc(media, func(a, b Medium) int {
		return cmp.Or(cmp.Compare(slices.Index(rank, a.State), slices.Index(rank, b.State)), cmp.Compare(b.LastRead, a.LastRead))
	})
}
