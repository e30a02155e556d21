package shelf

import (
	"context"
	"crypto/sha256"
	"database/sql"
	"encoding/hex"
	"errors"
	"fmt"
	"strings"
	"time"

	"remanence/internal/outcome"
)

// Medium is one physical disk or cassette.
type Medium struct {
	Number   string `json:"number"` // on its label
	Type     string `json:"type"`
	Title    string `json:"title"`
	Place    string `json:"place"` // where it is kept
	State    State  `json:"state"`
	Master   string `json:"master,omitempty"` // Ref of what was written to it
	Added    string `json:"added"`
	LastRead string `json:"last-read,omitempty"`

	id, master int64
}

// State is what a medium is fit for.
type State string

const (
	Blank   State = "blank"
	Made    State = "made"    // written, not read back
	Proven  State = "proven"  // read back and equal
	Failing State = "failing" // last reading was not whole
)

// RunKind is what was attempted.
type RunKind string

const (
	Write  RunKind = "write"
	Read   RunKind = "read"
	Verify RunKind = "verify" // read and compared with the master
)

// Outcome is what came of a run, in the words of the look.
type Outcome string

const (
	Good     Outcome = "good"
	Repaired Outcome = "repaired"
	Doubtful Outcome = "doubtful"
	Lost     Outcome = "lost"
)

// Run is one attempt to write, read or verify a medium.
type Run struct {
	UID       string    `json:"uid"` // given by Log where empty
	Medium    string    `json:"medium"`
	At        time.Time `json:"at"` // zero: now
	Kind      RunKind   `json:"kind"`
	Equipment string    `json:"equipment"`
	Outcome   Outcome   `json:"outcome"`
	Margin    *float64  `json:"margin,omitempty"` // least margin, 0..1; nil: not measured
	Detail    string    `json:"detail,omitempty"`

	// Of a medium that is not on the shelf yet, or is written anew:
	Master string `json:"-"` // what was written: D01, D01:3fa9
	Image  string `json:"-"` // instead: SHA-256 of what was written; where it is no master here, the medium carries none any more
	Type   string `json:"-"` // disk or tape; "": the master's
	Title  string `json:"-"` // "": the master's
	Place  string `json:"-"` // where it is kept; "": as it was
}

const maxText = 100_000 // bytes of a note or detail

func (r *Run) check() error {
	bad := func(format string, a ...any) error {
		return outcome.As(outcome.Usage, fmt.Errorf("medium %s: %s", r.Medium, fmt.Sprintf(format, a...)))
	}
	if err := CheckNumber(r.Medium); err != nil {
		return err
	}
	switch r.Kind {
	case Write, Read, Verify:
	default:
		return bad("run %q: want write, read or verify", r.Kind)
	}
	switch r.Outcome {
	case Good, Repaired, Doubtful, Lost:
	default:
		return bad("outcome %q: want good, repaired, doubtful or lost", r.Outcome)
	}
	if r.Margin != nil && !(*r.Margin >= 0 && *r.Margin <= 1) {
		return bad("margin %g: want 0 to 1", *r.Margin)
	}
	if len(r.Detail) > maxText || len(r.Equipment) > 1000 {
		return bad("detail or equipment is too long")
	}
	if r.Master+r.Image != "" && r.Kind != Write {
		return bad("a master belongs to a write, not to a %s", r.Kind)
	}
	if r.Master != "" && r.Image != "" {
		return bad("a master and an image: want one of them")
	}
	if b, err := hex.DecodeString(r.Image); r.Image != "" && (err != nil || len(b) != sha256.Size) {
		return bad("image %q: want the 64 hexadecimal digits of a SHA-256", r.Image)
	}
	return nil
}

// CheckNumber holds a medium's number to what a label can show.
func CheckNumber(n string) error {
	if n == "" || len(n) > 24 || strings.ContainsFunc(n, func(r rune) bool { return r <= ' ' || r > '~' || r == ':' }) {
		return outcome.As(outcome.Usage, fmt.Errorf("medium number %q: want 1 to 24 letters, digits and signs of ASCII without spaces and colons", n))
	}
	return nil
}

// Log keeps a run. A medium that is not known yet comes on the shelf with its first run. Its state follows: a write
// makes it made, a good reading proven, any other reading failing.
func (s *Shelf) Log(ctx context.Context, r Run) (*Run, error) {
	if r.At.IsZero() {
		r.At = s.now()
	}
	r.At = r.At.UTC().Truncate(time.Second)
	if err := r.check(); err != nil {
		return nil, err
	}
	var master *Master
	var err error
	switch {
	case r.Master != "":
		master, err = s.masterFor(ctx, r.Master)
	case r.Image != "":
		master, err = s.masterOf(ctx, r.Image)
	}
	if err != nil {
		return nil, err
	}
	err = s.change(ctx, func(tx *sql.Tx) error { return s.putRun(ctx, tx, &r, master) })
	return &r, err
}

func (s *Shelf) putRun(ctx context.Context, tx *sql.Tx, r *Run, master *Master) error {
	var m Medium
	err := tx.QueryRowContext(ctx, "SELECT id, type, title, place, state FROM media WHERE number = ?", r.Medium).Scan(&m.id, &m.Type, &m.Title, &m.Place, &m.State)
	if errors.Is(err, sql.ErrNoRows) {
		m = Medium{Number: r.Medium, Type: r.Type, Title: r.Title, Place: r.Place, State: Blank, Added: s.stamp()}
		if master != nil {
			if m.Type == "" {
				m.Type = master.Type
			}
			if m.Title == "" {
				m.Title = master.Title
			}
		}
		if m.Type == "" {
			return outcome.Hint(outcome.Usage, fmt.Errorf("medium %s: not on the shelf yet, and neither its master nor its type was given", r.Medium), "say --master D01, or --type disk or tape")
		}
		if err := putMedium(ctx, tx, &m); err != nil {
			return err
		}
	} else if err != nil {
		return err
	}
	if master != nil && master.Type != m.Type {
		return outcome.As(outcome.Usage, fmt.Errorf("medium %s is a %s; master %s is for a %s", r.Medium, m.Type, master.Number, master.Type))
	}
	if r.UID == "" { // the same attempt told twice in one second is told once
		margin := ""
		if r.Margin != nil {
			margin = fmt.Sprint(*r.Margin)
		}
		r.UID = uid("run", r.Medium, r.At.Format(time.RFC3339), string(r.Kind), r.Equipment, string(r.Outcome), margin, r.Detail)
	}
	var margin any
	if r.Margin != nil {
		margin = *r.Margin
	}
	res, err := tx.ExecContext(ctx, "INSERT OR IGNORE INTO runs(uid, medium, at, kind, equipment, outcome, margin, detail) VALUES(?,?,?,?,?,?,?,?)",
		r.UID, m.id, r.At.UTC().Format(time.RFC3339), r.Kind, r.Equipment, r.Outcome, margin, r.Detail)
	if err != nil {
		return err
	}
	if n, err := res.RowsAffected(); err != nil || n == 0 {
		return err
	}
	if r.Master+r.Image != "" {
		var id any
		if master != nil {
			id = master.ID
		}
		if _, err := tx.ExecContext(ctx, "UPDATE media SET master = ? WHERE id = ?", id, m.id); err != nil {
			return err
		}
	}
	for column, v := range map[string]string{"place": r.Place, "title": r.Title} {
		if v == "" {
			continue
		}
		if _, err := tx.ExecContext(ctx, "UPDATE media SET "+column+" = ? WHERE id = ?", v, m.id); err != nil {
			return err
		}
	}
	// the state is that of the latest run, which need not be the one told last
	if _, err := tx.ExecContext(ctx, `UPDATE media SET state = (SELECT CASE
		WHEN outcome NOT IN ('good', 'repaired') THEN 'failing' WHEN kind = 'write' THEN 'made' ELSE 'proven' END
		FROM runs WHERE medium = media.id ORDER BY at DESC, id DESC LIMIT 1) WHERE id = ?`, m.id); err != nil {
		return err
	}
	return s.index(ctx, tx, MediumRef(r.Medium))
}

func putMedium(ctx context.Context, tx *sql.Tx, m *Medium) error {
	var master any
	if m.master != 0 {
		master = m.master
	}
	r, err := tx.ExecContext(ctx, "INSERT INTO media(number, type, title, place, state, master, added) VALUES(?,?,?,?,?,?,?)",
		m.Number, m.Type, m.Title, m.Place, m.State, master, m.Added)
	if err != nil {
		return err
	}
	m.id, err = r.LastInsertId()
	return err
}

// uid is a name for a record made of its parts, the same on every shelf.
func uid(parts ...string) string {
	h := sha256.New()
	for _, p := range parts {
		fmt.Fprintf(h, "%d:%s", len(p), p)
	}
	return hex.EncodeToString(h.Sum(nil)[:16])
}

const mediumColumns = `m.id, m.number, m.type, m.title, m.place, m.state, coalesce(m.master, 0),
	coalesce((SELECT 'master:' || x.number || ':' || x.sha256 FROM masters x WHERE x.id = m.master), ''), m.added,
	coalesce((SELECT max(at) FROM runs WHERE medium = m.id AND kind IN ('read', 'verify') AND outcome IN ('good', 'repaired')), '')`

func scanMedium(r interface{ Scan(...any) error }) (m Medium, err error) {
	err = r.Scan(&m.id, &m.Number, &m.Type, &m.Title, &m.Place, &m.State, &m.master, &m.Master, &m.Added, &m.LastRead)
	return m, err
}

// Media lists all media by number.
func (s *Shelf) Media(ctx context.Context) ([]Medium, error) {
	return query(ctx, s, scanMedium, "SELECT "+mediumColumns+" FROM media m ORDER BY m.number")
}

func scanRun(r interface{ Scan(...any) error }) (x Run, err error) {
	var at string
	var margin sql.NullFloat64
	if err = r.Scan(&x.UID, &x.Medium, &at, &x.Kind, &x.Equipment, &x.Outcome, &margin, &x.Detail); err != nil {
		return x, err
	}
	if margin.Valid {
		x.Margin = &margin.Float64
	}
	x.At, err = time.Parse(time.RFC3339, at)
	return x, err
}

// Runs lists the runs of a medium, or of all media where number is "", the latest first.
func (s *Shelf) Runs(ctx context.Context, number string, limit int) ([]Run, error) {
	return query(ctx, s, scanRun, `SELECT r.uid, m.number, r.at, r.kind, r.equipment, r.outcome, r.margin, r.detail FROM runs r JOIN media m ON m.id = r.medium
		WHERE ? IN ('', m.number) ORDER BY r.at DESC, r.id DESC LIMIT ?`, number, limit)
}

// Note is a free remark about a file, a master or a medium.
type Note struct {
	UID     string `json:"uid"`
	Subject string `json:"subject"`
	At      string `json:"at"`
	Text    string `json:"text"`
}

// AddNote keeps a remark; subject is a Ref.
func (s *Shelf) AddNote(ctx context.Context, subject, text string) error {
	if text == "" || len(text) > maxText {
		return outcome.As(outcome.Usage, fmt.Errorf("note on %s: %d bytes, want 1 to %d", subject, len(text), maxText))
	}
	n := Note{Subject: subject, At: s.stamp(), Text: text}
	n.UID = uid("note", n.Subject, n.At, n.Text)
	return s.change(ctx, func(tx *sql.Tx) error {
		if err := s.exists(ctx, tx, subject); err != nil {
			return err
		}
		return s.putNote(ctx, tx, n)
	})
}

func (s *Shelf) putNote(ctx context.Context, tx *sql.Tx, n Note) error {
	if _, err := tx.ExecContext(ctx, "INSERT OR IGNORE INTO notes(uid, subject, at, text) VALUES(?,?,?,?)", n.UID, n.Subject, n.At, n.Text); err != nil {
		return err
	}
	return s.index(ctx, tx, n.Subject)
}

// Tag puts tags on a file, master or medium; a tag that begins with - is taken off.
func (s *Shelf) Tag(ctx context.Context, subject string, tags ...string) error {
	return s.change(ctx, func(tx *sql.Tx) error {
		if err := s.exists(ctx, tx, subject); err != nil {
			return err
		}
		for _, t := range tags {
			off := strings.HasPrefix(t, "-")
			t = strings.TrimPrefix(t, "-")
			if t == "" || len(t) > 100 || strings.ContainsAny(t, "\n\r,") {
				return outcome.As(outcome.Usage, fmt.Errorf("tag %q: want 1 to 100 bytes without commas and line ends", t))
			}
			text := "INSERT OR IGNORE INTO tags(subject, tag) VALUES(?, ?)"
			if off {
				text = "DELETE FROM tags WHERE subject = ? AND tag = ?"
			}
			if _, err := tx.ExecContext(ctx, text, subject, t); err != nil {
				return err
			}
		}
		return s.index(ctx, tx, subject)
	})
}

// exists makes sure that a Ref names something.
func (s *Shelf) exists(ctx context.Context, tx *sql.Tx, subject string) error {
	kind, rest, _ := strings.Cut(subject, ":")
	var n int
	var err error
	switch kind {
	case "file":
		err = tx.QueryRowContext(ctx, "SELECT count(*) FROM files WHERE sha256 = ?", rest).Scan(&n)
	case "medium":
		err = tx.QueryRowContext(ctx, "SELECT count(*) FROM media WHERE number = ?", rest).Scan(&n)
	case "master":
		err = tx.QueryRowContext(ctx, "SELECT count(*) FROM masters WHERE number || ':' || sha256 = ?", rest).Scan(&n)
	}
	if err != nil {
		return err
	}
	if n == 0 {
		return outcome.As(outcome.Usage, fmt.Errorf("%s: nothing of that name is on the shelf", subject))
	}
	return nil
}

// notesOf and tagsOf are what was said of a subject.
func (s *Shelf) notesOf(ctx context.Context, subject string) ([]Note, error) {
	return query(ctx, s, scanNote, "SELECT uid, subject, at, text FROM notes WHERE subject = ? ORDER BY at, id", subject)
}

func scanNote(r interface{ Scan(...any) error }) (n Note, err error) {
	err = r.Scan(&n.UID, &n.Subject, &n.At, &n.Text)
	return n, err
}

func (s *Shelf) tagsOf(ctx context.Context, subject string) ([]string, error) {
	return query(ctx, s, scanString, "SELECT tag FROM tags WHERE subject = ? ORDER BY tag", subject)
}
