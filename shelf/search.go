package shelf

import (
	"cmp"
	"context"
	"database/sql"
	"fmt"
	"slices"
	"strings"
	"unicode"

	"remanence/internal/outcome"
)

// Rows of the search table are numbered by what they tell of, so that media come first, then masters, then files.
const (
	mediumRow int64 = 1_000_000_000_000
	masterRow int64 = 2_000_000_000_000
	fileRow   int64 = 3_000_000_000_000
)

// index writes what can be found of a subject; it reads all that is known of it, so it is called after every change.
func (s *Shelf) index(ctx context.Context, tx *sql.Tx, subject string) error {
	kind, rest, _ := strings.Cut(subject, ":")
	var row int64
	var title, body string
	var err error
	switch kind {
	case "medium":
		err = tx.QueryRowContext(ctx, `SELECT ? + id, number || ' ' || title, type || ' ' || state || ' ' || place || ' ' ||
			coalesce((SELECT group_concat(DISTINCT equipment) || ' ' || group_concat(DISTINCT detail) FROM runs WHERE medium = media.id), '') FROM media WHERE number = ?`, mediumRow, rest).Scan(&row, &title, &body)
	case "master":
		err = tx.QueryRowContext(ctx, `SELECT ? + m.id, number || ' ' || title, type || ' ' || machine || ' ' || recording || ' ' ||
			coalesce((SELECT group_concat(name, ' ') FROM items WHERE master = m.id), '') FROM masters m WHERE number || ':' || sha256 = ?`, masterRow, rest).Scan(&row, &title, &body)
	case "file":
		err = tx.QueryRowContext(ctx, `SELECT ? + f.id, name, kind || ' ' || about || ' ' || sha256 || ' ' ||
			coalesce((SELECT group_concat(path, ' ') FROM paths WHERE file = f.id), '') FROM files f WHERE sha256 = ?`, fileRow, rest).Scan(&row, &title, &body)
	default:
		return fmt.Errorf("subject %q is of no known kind", subject)
	}
	if err != nil {
		return err
	}
	var said sql.NullString
	if err := tx.QueryRowContext(ctx, `SELECT group_concat(t, ' ') FROM (SELECT text AS t FROM notes WHERE subject = ?1 UNION ALL SELECT tag FROM tags WHERE subject = ?1)`, subject).Scan(&said); err != nil {
		return err
	}
	if said.String != "" {
		body += " " + said.String
	}
	if _, err := tx.ExecContext(ctx, "DELETE FROM search WHERE rowid = ?", row); err != nil {
		return err
	}
	_, err = tx.ExecContext(ctx, "INSERT INTO search(rowid, title, body, subject) VALUES(?,?,?,?)", row, title, body, subject)
	return err
}

// Hit is one thing found.
type Hit struct {
	Subject string `json:"subject"` // a Ref
	Kind    string `json:"kind"`    // file, master, medium
	Title   string `json:"title"`
	About   string `json:"about"`           // of a file and a master it begins with Where; state, kind of file, path
	Where   string `json:"where,omitempty"` // the media that carry a file or a master, the most readable first
}

// maxHits bounds an answer: more could not be read while typing.
const maxHits = 200

// searchQuery answers in the order of the rows: ranking would read every match.
const searchQuery = "SELECT rowid, subject, title, body FROM search WHERE search MATCH ? LIMIT ?"

// Search finds media, masters and files by anything known of them, as one types: every word may be the beginning of
// one, and all must be there. more is true where there is more than was given.
func (s *Shelf) Search(ctx context.Context, text string, limit int) (hits []Hit, more bool, err error) {
	if limit < 1 || limit > maxHits {
		limit = maxHits
	}
	words := wordsOf(text)
	if len(words) == 0 {
		return []Hit{}, false, nil
	}
	var match []string
	for _, w := range words {
		match = append(match, `"`+w+`"*`)
	}
	type found struct {
		Hit
		row int64
	}
	all, err := query(ctx, s, func(r interface{ Scan(...any) error }) (h found, err error) {
		err = r.Scan(&h.row, &h.Subject, &h.Title, &h.About)
		h.Kind, _, _ = strings.Cut(h.Subject, ":")
		if len(h.About) > 300 {
			h.About = strings.ToValidUTF8(h.About[:300], "") + "…"
		}
		return h, err
	}, searchQuery, strings.Join(match, " "), maxHits+1)
	if err != nil {
		return nil, false, err
	}
	// what has all words in its title comes first; the order of SQLite's rows (media, masters, files) stays otherwise
	inTitle := func(h found) int {
		t := strings.ToLower(h.Title)
		n := 0
		for _, w := range words {
			if strings.HasPrefix(t, w) {
				n -= 2
			} else if strings.Contains(t, w) {
				n--
			}
		}
		return n
	}
	slices.SortStableFunc(all, func(a, b found) int { return cmp.Compare(inTitle(a), inTitle(b)) })
	more = len(all) > limit
	all = all[:min(len(all), limit)]
	hits, rows := make([]Hit, len(all)), make([]int64, len(all))
	for i, h := range all {
		hits[i], rows[i] = h.Hit, h.row
	}
	return hits, more, s.tellWhere(ctx, hits, rows)
}

// wordsOf takes text apart as the search table does: letters and digits, at most 16 words of 64 runes.
func wordsOf(text string) []string {
	w := strings.FieldsFunc(strings.ToLower(text), func(r rune) bool {
		return !unicode.IsLetter(r) && !unicode.IsDigit(r) && !unicode.Is(unicode.M, r) && !unicode.Is(unicode.Co, r)
	})
	if len(w) > 16 {
		w = w[:16]
	}
	for i := range w {
		if r := []rune(w[i]); len(r) > 64 {
			w[i] = string(r[:64])
		}
	}
	return w
}

// Detail is all that is known of one thing; the parts that do not apply are empty.
type Detail struct {
	Subject string   `json:"subject"`
	File    *File    `json:"file,omitempty"`
	Master  *Master  `json:"master,omitempty"`
	Medium  *Medium  `json:"medium,omitempty"`
	On      []Medium `json:"on,omitempty"`      // of a file: the media that carry it
	Masters []Master `json:"masters,omitempty"` // of a file: the masters that have it
	Near    []Alike  `json:"near,omitempty"`    // of a file: contents nearly the same
	Runs    []Run    `json:"runs,omitempty"`
	Notes   []Note   `json:"notes,omitempty"`
	Tags    []string `json:"tags,omitempty"`
}

// Find turns what a person says into a Ref: the number of a medium, the number of a master, the beginning of a SHA-256
// (six digits or more), a path, or a Ref itself.
func (s *Shelf) Find(ctx context.Context, say string) (string, error) {
	if kind, _, ok := strings.Cut(say, ":"); ok && (kind == "file" || kind == "medium" || kind == "master") && !strings.HasPrefix(say, "master:") {
		return say, nil
	}
	var n string
	err := s.db.QueryRowContext(ctx, "SELECT number FROM media WHERE number = ?", strings.TrimPrefix(say, "medium:")).Scan(&n)
	if err == nil {
		return MediumRef(n), nil
	}
	if m, err := s.masterFor(ctx, say); err == nil {
		return m.Ref(), nil
	} else if strings.HasPrefix(say, "master:") || strings.Contains(err.Error(), "several") {
		return "", err
	}
	shas, err := query(ctx, s, scanString, `SELECT sha256 FROM files WHERE length(?1) >= 6 AND sha256 >= lower(?1) AND sha256 < lower(?1) || 'g'
		UNION SELECT f.sha256 FROM files f JOIN paths p ON p.file = f.id WHERE p.path = ?1 UNION SELECT sha256 FROM files WHERE name = ?1 LIMIT 3`, say)
	if err != nil {
		return "", err
	}
	switch len(shas) {
	case 0:
		return "", outcome.Hint(outcome.Usage, fmt.Errorf("%s: nothing of that name is on the shelf", say), "say 'remanence shelf search WORD'")
	case 1:
		return FileRef(shas[0]), nil
	}
	return "", outcome.As(outcome.Usage, fmt.Errorf("%s: there are several; say one by its SHA-256: %.12s or %.12s", say, shas[0], shas[1]))
}

// Show gives all that is known of what say means; see Find.
func (s *Shelf) Show(ctx context.Context, say string) (*Detail, error) {
	ref, err := s.Find(ctx, say)
	if err != nil {
		return nil, err
	}
	d := &Detail{Subject: ref}
	kind, rest, _ := strings.Cut(ref, ":")
	none := outcome.As(outcome.Usage, fmt.Errorf("%s: nothing of that name is on the shelf", say))
	switch kind {
	case "file":
		f, err := query(ctx, s, scanFile, "SELECT "+fileColumns+" FROM files f WHERE f.sha256 = ?", rest)
		if err != nil || len(f) == 0 {
			return nil, cmp.Or(err, none)
		}
		d.File = &f[0]
		if d.File.Paths, err = s.pathsOf(ctx, rest); err != nil {
			return nil, err
		}
		if d.On, err = query(ctx, s, scanMedium, "SELECT "+mediumColumns+" FROM media m WHERE m.master IN (SELECT master FROM items WHERE sha256 = ?) ORDER BY m.number", rest); err != nil {
			return nil, err
		}
		sortByFitness(d.On)
		if d.Masters, err = query(ctx, s, scanMaster, "SELECT "+masterColumns+" FROM masters m WHERE m.id IN (SELECT master FROM items WHERE sha256 = ?) ORDER BY m.added DESC, m.number, m.id", rest); err != nil {
			return nil, err
		}
		if d.Near, err = s.NearTo(ctx, rest, 50); err != nil {
			return nil, err
		}
	case "medium":
		m, err := query(ctx, s, scanMedium, "SELECT "+mediumColumns+" FROM media m WHERE m.number = ?", rest)
		if err != nil || len(m) == 0 {
			return nil, cmp.Or(err, none)
		}
		d.Medium = &m[0]
		if m[0].Master != "" {
			if d.Master, err = s.masterFor(ctx, m[0].Master); err != nil {
				return nil, err
			}
		}
		if d.Runs, err = s.Runs(ctx, rest, 1000); err != nil {
			return nil, err
		}
	case "master":
		if d.Master, err = s.masterFor(ctx, ref); err != nil {
			return nil, err
		}
		if d.On, err = query(ctx, s, scanMedium, "SELECT "+mediumColumns+" FROM media m WHERE m.master = ? ORDER BY m.number", d.Master.ID); err != nil {
			return nil, err
		}
	}
	if d.Master != nil {
		if d.Master.Items, err = s.itemsOf(ctx, d.Master.ID); err != nil {
			return nil, err
		}
	}
	if d.Notes, err = s.notesOf(ctx, ref); err != nil {
		return nil, err
	}
	d.Tags, err = s.tagsOf(ctx, ref)
	return d, err
}
