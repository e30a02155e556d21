package shelf

import (
	"context"
	"fmt"
	"time"
)

// Risk is one thing that may be lost, and what to do about it.
type Risk struct {
	Subject string `json:"subject"`
	Kind    string `json:"kind"` // failing, margin, unread, never-read, one-copy
	What    string `json:"what"`
	Do      string `json:"do"`
}

// Risks is what is at risk. Counts are of all; the list is bounded.
type Risks struct {
	Failing int    `json:"failing"`    // media whose last reading was not whole
	Margin  int    `json:"margin"`     // media whose margin falls
	Unread  int    `json:"unread"`     // media not read whole for two years, or never
	Never   int    `json:"never-read"` // of these, the media never read back
	OneCopy int    `json:"one-copy"`   // files with no second copy
	List    []Risk `json:"list"`
}

// Old is how many media were read once, but not for two years.
func (r *Risks) Old() int { return r.Unread - r.Never }

// Total is how many risks there are, listed or not.
func (r *Risks) Total() int { return r.Failing + r.Margin + r.Unread + r.OneCopy }

// Rules of AtRisk.
const (
	unreadAfter = 2 * 365 * 24 * time.Hour // "last read over two years ago"
	marginFall  = 0.10                     // of the half window, against the best reading before
	listed      = 500                      // risks of a kind that AtRisk lists
)

// AtRisk says what may be lost, the most urgent first: media whose last reading was not whole; media whose latest
// margin is at least ten points of the half window under the best one before; media that were not read whole for two
// years; media that were never read back; files that are in fewer than two places. The archive is one place, whatever the number of paths in it; each
// medium that is made or proven is another.
func (s *Shelf) AtRisk(ctx context.Context) (*Risks, error) { return s.AtRiskUpTo(ctx, listed) }

// AtRiskUpTo is AtRisk with a list of up to most risks of each kind.
func (s *Shelf) AtRiskUpTo(ctx context.Context, most int) (*Risks, error) {
	out := &Risks{List: []Risk{}}
	media, err := s.Media(ctx)
	if err != nil {
		return nil, err
	}
	add := func(n *int, r Risk) {
		if *n++; *n <= most {
			out.List = append(out.List, r)
		}
	}
	for _, m := range media {
		if m.State == Failing {
			add(&out.Failing, Risk{MediumRef(m.Number), "failing", m.Number + ": the last reading was not whole",
				"clean the heads, read it again on another drive or deck, and write a new copy from the master"})
		}
	}
	for _, m := range media {
		if m.State == Blank {
			continue
		}
		last, best, at, err := s.margins(ctx, m.id)
		if err != nil {
			return nil, err
		}
		if last >= 0 && best-last >= marginFall-1e-9 {
			add(&out.Margin, Risk{MediumRef(m.Number), "margin", fmt.Sprintf("%s: margin fell from %.0f %% to %.0f %% (%s)", m.Number, 100*best, 100*last, at),
				"read it again after cleaning the heads; if it stays low, write a new copy"})
		}
	}
	limit := s.now().Add(-unreadAfter)
	old := 0
	for _, m := range media {
		t, err := time.Parse(time.RFC3339, m.LastRead)
		if m.State != Blank && m.State != Failing && err == nil && t.Before(limit) {
			add(&old, Risk{MediumRef(m.Number), "unread", fmt.Sprintf("%s: last read whole on %s", m.Number, t.Format("2006-01-02")), "read it back and log it"})
		}
	}
	for _, m := range media {
		if m.State != Blank && m.State != Failing && m.LastRead == "" {
			add(&out.Never, Risk{MediumRef(m.Number), "never-read", m.Number + ": never read back", "read it back and log it"})
		}
	}
	out.Unread = old + out.Never
	// held: on how many media each content is; the archive counts as one place more
	const places = `WITH held AS MATERIALIZED (SELECT i.sha256 AS sha, count(DISTINCT m.id) AS n FROM media m JOIN items i ON i.master = m.master
			WHERE m.state IN ('made', 'proven') GROUP BY i.sha256)
		SELECT %s FROM files f NOT INDEXED LEFT JOIN held ON held.sha = f.sha256
		WHERE coalesce(held.n, 0) < 2 AND coalesce(held.n, 0) + (EXISTS(SELECT 1 FROM paths p WHERE p.file = f.id)) < 2`
	if err := s.db.QueryRowContext(ctx, fmt.Sprintf(places, "count(*)")).Scan(&out.OneCopy); err != nil {
		return nil, s.wrap(err)
	}
	files, err := query(ctx, s, scanFile, fmt.Sprintf(places, fileColumns)+" ORDER BY f.name, f.sha256 LIMIT ?", most)
	if err != nil {
		return nil, err
	}
	for _, f := range files {
		out.List = append(out.List, Risk{FileRef(f.SHA256), "one-copy", f.Name + ": no second copy", "put it on a medium, and prove that"})
	}
	return out, nil
}

// margins gives the latest margin measured on a medium since it was last written, the best one before it, and when the
// latest was; -1 where there are none.
func (s *Shelf) margins(ctx context.Context, medium int64) (last, best float64, at string, err error) {
	type point struct {
		margin float64
		at     string
	}
	points, err := query(ctx, s, func(r interface{ Scan(...any) error }) (p point, err error) {
		err = r.Scan(&p.margin, &p.at)
		return p, err
	}, `SELECT margin, at FROM runs WHERE medium = ?1 AND margin IS NOT NULL AND kind IN ('read', 'verify') AND
		at >= coalesce((SELECT max(at) FROM runs WHERE medium = ?1 AND kind = 'write'), '') ORDER BY at, id`, medium)
	if err != nil || len(points) < 2 {
		return -1, -1, "", err
	}
	p := points[len(points)-1]
	for _, q := range points[:len(points)-1] {
		best = max(best, q.margin)
	}
	return p.margin, best, p.at[:min(10, len(p.at))], nil
}
