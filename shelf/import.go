package shelf

import (
	"bufio"
	"bytes"
	"context"
	"crypto/sha256"
	"database/sql"
	"encoding/csv"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"os"
	"strconv"
	"strings"
	"time"

	"remanence/internal/outcome"
)

// Limits of an import: a line, and the lines of a table.
const (
	maxLine  = 16 << 20
	maxLines = 20_000_000
)

// Imported counts what an import brought that was not there before.
type Imported struct {
	Files   int `json:"files"`
	Masters int `json:"masters"`
	Media   int `json:"media"`
	Runs    int `json:"runs"`
	Notes   int `json:"notes"`
	Tags    int `json:"tags"`
}

// ImportJSONL takes in what ExportJSONL wrote. What is there already stays as it is: the same import twice changes
// nothing. A fault names the line, and nothing of the import is kept.
func (s *Shelf) ImportJSONL(ctx context.Context, name string, r io.Reader) (*Imported, error) {
	in := &Imported{}
	sc := bufio.NewScanner(r)
	sc.Buffer(nil, maxLine)
	line := 0
	err := s.change(ctx, func(tx *sql.Tx) error {
		for sc.Scan() {
			line++
			if err := ctx.Err(); err != nil {
				return err
			}
			if line > maxLines {
				return inputAt(name, line, "more than %d lines", maxLines)
			}
			b := bytes.TrimSpace(sc.Bytes())
			if len(b) == 0 {
				continue
			}
			var rec record
			d := json.NewDecoder(bytes.NewReader(b))
			d.DisallowUnknownFields()
			if err := d.Decode(&rec); err != nil {
				return inputAt(name, line, "%v", err)
			}
			if line == 1 && (rec.Shelf == nil || *rec.Shelf != exportVersion) {
				return inputAt(name, line, `want {"remanence-shelf":%d}`, exportVersion)
			}
			if err := s.take(ctx, tx, &rec, in); err != nil {
				return inputAt(name, line, "%v", err)
			}
		}
		if err := sc.Err(); err != nil {
			return inputAt(name, line+1, "%v", err)
		}
		if line == 0 {
			return inputAt(name, 1, `empty: want {"remanence-shelf":%d}`, exportVersion)
		}
		return nil
	})
	if err != nil {
		return &Imported{}, err
	}
	return in, nil
}

func inputAt(name string, line int, format string, a ...any) error {
	return outcome.As(outcome.Input, fmt.Errorf("%s: line %d: %s", name, line, fmt.Sprintf(format, a...)))
}

// take puts one record on the shelf, after looking at it as at anything from outside.
func (s *Shelf) take(ctx context.Context, tx *sql.Tx, r *record, in *Imported) error {
	count := func(n *int, known bool, err error) error {
		if err == nil && !known {
			*n++
		}
		return err
	}
	switch {
	case r.File != nil:
		f := r.File
		if !isSum(f.SHA256) || f.Size < 0 || len(f.Name) > 4096 || len(f.About) > maxText || len(f.Paths) > 100_000 || !isTime(f.Added) ||
			(len(f.Sketch) != 0 && len(f.Sketch) != sketchBytes) {
			return errors.New("file: sha256, size, name or date is not possible")
		}
		known, err := s.putFile(ctx, tx, f, f.Paths)
		return count(&in.Files, known, err)
	case r.Master != nil:
		m := r.Master
		if !isSum(m.SHA256) || m.Number == "" || len(m.Number) > 24 || strings.Contains(m.Number, ":") || (m.Type != "disk" && m.Type != "tape") || len(m.Items) > 100_000 || !isTime(m.Added) {
			return errors.New("master: sha256, number, type or date is not possible")
		}
		for _, it := range m.Items {
			if it.SHA256 != "" && !isSum(it.SHA256) {
				return errors.New("master: sha256 of an item is not possible")
			}
		}
		known, err := s.putMaster(ctx, tx, m)
		return count(&in.Masters, known, err)
	case r.Medium != nil:
		return s.takeMedium(ctx, tx, r.Medium, in)
	case r.Run != nil:
		if err := r.Run.check(); err != nil {
			return err
		}
		if r.Run.UID == "" || len(r.Run.UID) > 100 || !(r.Run.At.Year() >= 1900 && r.Run.At.Year() <= 9999) {
			return errors.New("run: uid or date is not possible")
		}
		var n int
		if err := tx.QueryRowContext(ctx, "SELECT count(*) FROM runs WHERE uid = ?", r.Run.UID).Scan(&n); err != nil {
			return err
		}
		return count(&in.Runs, n > 0, s.putRun(ctx, tx, r.Run, nil))
	case r.Note != nil:
		n := r.Note
		if n.UID == "" || len(n.UID) > 100 || len(n.Text) > maxText || !isTime(n.At) {
			return errors.New("note: uid, text or date is not possible")
		}
		if err := s.exists(ctx, tx, n.Subject); err != nil {
			return err
		}
		var was int
		if err := tx.QueryRowContext(ctx, "SELECT count(*) FROM notes WHERE uid = ?", n.UID).Scan(&was); err != nil {
			return err
		}
		return count(&in.Notes, was > 0, s.putNote(ctx, tx, *n))
	case r.Tag != nil:
		t := r.Tag
		if t.Tag == "" || len(t.Tag) > 100 {
			return errors.New("tag: empty or too long")
		}
		if err := s.exists(ctx, tx, t.Subject); err != nil {
			return err
		}
		res, err := tx.ExecContext(ctx, "INSERT OR IGNORE INTO tags(subject, tag) VALUES(?, ?)", t.Subject, t.Tag)
		if err != nil {
			return err
		}
		n, err := res.RowsAffected()
		if err == nil && n > 0 {
			in.Tags++
			err = s.index(ctx, tx, t.Subject)
		}
		return err
	case r.Shelf != nil:
		return nil
	}
	return errors.New("no file, master, medium, run, note or tag")
}

func (s *Shelf) takeMedium(ctx context.Context, tx *sql.Tx, m *Medium, in *Imported) error {
	if err := CheckNumber(m.Number); err != nil {
		return err
	}
	switch m.State {
	case Blank, Made, Proven, Failing:
	default:
		return fmt.Errorf("medium %s: state %q, want blank, made, proven or failing", m.Number, m.State)
	}
	if (m.Type != "disk" && m.Type != "tape") || !isTime(m.Added) {
		return fmt.Errorf("medium %s: type or date is not possible", m.Number)
	}
	var n int
	if err := tx.QueryRowContext(ctx, "SELECT count(*) FROM media WHERE number = ?", m.Number).Scan(&n); err != nil || n > 0 {
		return err
	}
	if m.Master != "" {
		number, sha, _ := strings.Cut(strings.TrimPrefix(m.Master, "master:"), ":")
		if err := tx.QueryRowContext(ctx, "SELECT id FROM masters WHERE number = ? AND sha256 = ?", number, sha).Scan(&m.master); err != nil {
			return fmt.Errorf("medium %s: its master %s was not told before it", m.Number, m.Master)
		}
	}
	if err := putMedium(ctx, tx, m); err != nil {
		return err
	}
	in.Media++
	return s.index(ctx, tx, MediumRef(m.Number))
}

func isSum(s string) bool {
	if len(s) != 64 {
		return false
	}
	for _, c := range s {
		if !(c >= '0' && c <= '9' || c >= 'a' && c <= 'f') {
			return false
		}
	}
	return true
}

func isTime(s string) bool {
	_, err := time.Parse(time.RFC3339, s)
	return err == nil
}

// ImportCSV takes in a table of media: a heading line with at least number and type, and any of title, place, state,
// master and added. It is the way in for a list kept in a spreadsheet.
func (s *Shelf) ImportCSV(ctx context.Context, name string, r io.Reader) (*Imported, error) {
	in := &Imported{}
	c := csv.NewReader(io.LimitReader(r, 1<<30))
	c.TrimLeadingSpace = true
	head, err := c.Read()
	if err != nil {
		return in, inputAt(name, 1, "no heading line: %v", err)
	}
	col := map[string]int{}
	for i, h := range head {
		h = strings.ToLower(strings.TrimSpace(strings.TrimPrefix(h, "\ufeff")))
		switch h {
		case "number", "type", "title", "place", "state", "master", "added", "last-read":
		default:
			return in, inputAt(name, 1, "column %q: want number, type, title, place, state, master, added", h)
		}
		col[h] = i
	}
	for _, h := range []string{"number", "type"} {
		if _, ok := col[h]; !ok {
			return in, inputAt(name, 1, "no column %q", h)
		}
	}
	err = s.change(ctx, func(tx *sql.Tx) error {
		for {
			row, err := c.Read()
			if errors.Is(err, io.EOF) {
				return nil
			}
			if err != nil {
				return outcome.As(outcome.Input, fmt.Errorf("%s: %w", name, err))
			}
			line, _ := c.FieldPos(0)
			get := func(h, otherwise string) string {
				if i, ok := col[h]; ok && strings.TrimSpace(row[i]) != "" {
					return strings.TrimSpace(row[i])
				}
				return otherwise
			}
			m := Medium{Number: get("number", ""), Type: get("type", ""), Title: get("title", ""), Place: get("place", ""), State: State(get("state", string(Blank))),
				Master: get("master", ""), Added: get("added", s.stamp())}
			if err := s.takeMedium(ctx, tx, &m, in); err != nil {
				return inputAt(name, line, "%v", err)
			}
		}
	})
	if err != nil {
		return &Imported{}, err
	}
	return in, nil
}

// hashFile is the SHA-256 of a file, read in pieces.
func hashFile(path string) (string, error) {
	f, err := os.Open(path)
	if err != nil {
		return "", err
	}
	defer f.Close()
	h := sha256.New()
	if _, err := io.Copy(h, f); err != nil {
		return "", err
	}
	return hex.EncodeToString(h.Sum(nil)), nil
}

// ParsePercent reads a margin in per cent: 31 or 31 %. It gives 0..1.
func ParsePercent(t string) (float64, error) {
	v, err := strconv.ParseFloat(strings.TrimSpace(strings.TrimSuffix(strings.TrimSpace(t), "%")), 64)
	if err != nil || !(v >= 0 && v <= 100) {
		return 0, fmt.Errorf("margin %q: want per cent, 0 to 100", t)
	}
	return v / 100, nil
}
