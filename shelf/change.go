package shelf

import (
	"cmp"
	"context"
	"database/sql"
	"errors"
	"fmt"
	"slices"
	"strings"

	"remanence/internal/outcome"
)

// AddMedium puts a blank medium on the shelf: one that has a number and a place, but no run yet. Only Number, Type,
// Title and Place of m count.
func (s *Shelf) AddMedium(ctx context.Context, m Medium) error {
	if err := CheckNumber(m.Number); err != nil {
		return err
	}
	if m.Type != "disk" && m.Type != "tape" {
		return outcome.Hint(outcome.Usage, fmt.Errorf("medium %s: type %q, want disk or tape", m.Number, m.Type), "say --type disk or --type tape")
	}
	if err := checkWords(m.Number, m.Title, m.Place); err != nil {
		return err
	}
	return s.change(ctx, func(tx *sql.Tx) error {
		var n int
		if err := tx.QueryRowContext(ctx, "SELECT count(*) FROM media WHERE number = ?", m.Number).Scan(&n); err != nil {
			return err
		}
		if n > 0 {
			return outcome.As(outcome.Usage, fmt.Errorf("medium %s: is on the shelf already", m.Number))
		}
		m := Medium{Number: m.Number, Type: m.Type, Title: m.Title, Place: m.Place, State: Blank, Added: s.stamp()}
		if err := putMedium(ctx, tx, &m); err != nil {
			return err
		}
		return s.index(ctx, tx, MediumRef(m.Number))
	})
}

// ChangeMedium changes title and place of a medium; nil leaves one as it is. Type and state are not changed here: the
// state follows the runs.
func (s *Shelf) ChangeMedium(ctx context.Context, number string, title, place *string) error {
	for _, t := range []*string{title, place} {
		if t != nil {
			if err := checkWords(number, *t); err != nil {
				return err
			}
		}
	}
	return s.change(ctx, func(tx *sql.Tx) error {
		if err := s.exists(ctx, tx, MediumRef(number)); err != nil {
			return err
		}
		if _, err := tx.ExecContext(ctx, "UPDATE media SET title = coalesce(?, title), place = coalesce(?, place) WHERE number = ?", title, place, number); err != nil {
			return err
		}
		return s.index(ctx, tx, MediumRef(number))
	})
}

// checkWords holds title and place of a medium to what a list can show.
func checkWords(number string, texts ...string) error {
	for _, t := range texts {
		if len(t) > 1000 || strings.ContainsAny(t, "\r\n") {
			return outcome.As(outcome.Usage, fmt.Errorf("medium %s: title or place: want one line of at most 1000 bytes", number))
		}
	}
	return nil
}

// EditNote gives a note another text; uid is its UID or the beginning of it, four digits or more. Subject and time stay.
func (s *Shelf) EditNote(ctx context.Context, subject, uid, text string) error {
	if text == "" || len(text) > maxText {
		return outcome.As(outcome.Usage, fmt.Errorf("note on %s: %d bytes, want 1 to %d", subject, len(text), maxText))
	}
	return s.change(ctx, func(tx *sql.Tx) error {
		full, err := s.noteFor(ctx, tx, subject, uid)
		if err != nil {
			return err
		}
		if _, err := tx.ExecContext(ctx, "UPDATE notes SET text = ? WHERE uid = ?", text, full); err != nil {
			return err
		}
		return s.index(ctx, tx, subject)
	})
}

// RemoveNote takes a note off; uid is as for EditNote.
func (s *Shelf) RemoveNote(ctx context.Context, subject, uid string) error {
	return s.change(ctx, func(tx *sql.Tx) error {
		full, err := s.noteFor(ctx, tx, subject, uid)
		if err != nil {
			return err
		}
		if _, err := tx.ExecContext(ctx, "DELETE FROM notes WHERE uid = ?", full); err != nil {
			return err
		}
		return s.index(ctx, tx, subject)
	})
}

// noteFor finds the note of a subject whose UID begins with what was said.
func (s *Shelf) noteFor(ctx context.Context, tx *sql.Tx, subject, say string) (uid string, err error) {
	if len(say) < 4 {
		return "", outcome.As(outcome.Usage, fmt.Errorf("note %q of %s: want the first four digits of its mark, or more", say, subject))
	}
	var first sql.NullString
	var n int
	if err = tx.QueryRowContext(ctx, "SELECT min(uid), count(*) FROM notes WHERE subject = ?1 AND substr(uid, 1, length(?2)) = ?2", subject, say).Scan(&first, &n); err != nil {
		return "", err
	}
	switch n {
	case 1:
		return first.String, nil
	case 0:
		return "", outcome.Hint(outcome.Usage, fmt.Errorf("note %s of %s: there is none; it may have been removed", say, subject), "'remanence shelf show' lists notes with their marks")
	}
	return "", outcome.As(outcome.Usage, fmt.Errorf("note %s of %s: there are %d; say more digits of its mark", say, subject, n))
}

// Alike is a content that is nearly the same as another.
type Alike struct {
	File  File    `json:"file"`
	Alike float64 `json:"alike"` // estimate, 0..1, good to about ±0.06
}

const nearQuery = "SELECT " + fileColumns + ", f.sketch FROM bands b JOIN files f ON f.id = b.file WHERE b.band = ? LIMIT 51"

// NearTo lists the contents that are nearly the same as one, the most alike first. As in Near, a band that more than 50
// files share says nothing.
func (s *Shelf) NearTo(ctx context.Context, sha256 string, limit int) ([]Alike, error) {
	out := []Alike{}
	var mine []byte
	err := s.db.QueryRowContext(ctx, "SELECT sketch FROM files WHERE sha256 = ?", sha256).Scan(&mine)
	if errors.Is(err, sql.ErrNoRows) {
		return out, nil
	} else if err != nil {
		return nil, s.wrap(err)
	}
	type row struct {
		f      File
		sketch []byte
	}
	seen := map[string]bool{sha256: true}
	for _, b := range bands(mine) { // by the key of the table: no walk through all bands
		rows, err := query(ctx, s, func(r interface{ Scan(...any) error }) (x row, err error) {
			f := &x.f
			err = r.Scan(&f.SHA256, &f.Size, &f.Kind, &f.Name, &f.Whole, &f.About, &f.Added, &x.sketch)
			return x, err
		}, nearQuery, b)
		if err != nil {
			return nil, err
		}
		if len(rows) > 50 {
			continue
		}
		for _, x := range rows {
			if v := alike(mine, x.sketch); v >= nearEnough && !seen[x.f.SHA256] {
				seen[x.f.SHA256] = true
				out = append(out, Alike{x.f, v})
			}
		}
	}
	slices.SortFunc(out, func(a, b Alike) int {
		return cmp.Or(cmp.Compare(b.Alike, a.Alike), cmp.Compare(a.File.Name, b.File.Name), cmp.Compare(a.File.SHA256, b.File.SHA256))
	})
	return out[:min(len(out), limit)], nil
}

// Bytes is how much all files of the shelf are together.
func (s *Shelf) Bytes(ctx context.Context) (n int64, err error) {
	err = s.db.QueryRowContext(ctx, "SELECT coalesce(sum(size), 0) FROM files").Scan(&n)
	return n, s.wrap(err)
}
