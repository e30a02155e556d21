package shelf

import (
	"bufio"
	"bytes"
	"context"
	"database/sql"
	"encoding/csv"
	"encoding/json"
	"fmt"
	"io"
	"os"
	"strconv"
	"time"

	"remanence/internal/bag"
	"remanence/internal/outcome"
	"remanence/internal/progress"
)

// record is one line of an export: exactly one of its parts is set.
type record struct {
	Shelf  *int    `json:"remanence-shelf,omitempty"` // first line: the version of this form, 1
	File   *File   `json:"file,omitempty"`
	Master *Master `json:"master,omitempty"`
	Medium *Medium `json:"medium,omitempty"`
	Run    *Run    `json:"run,omitempty"`
	Note   *Note   `json:"note,omitempty"`
	Tag    *tag    `json:"tag,omitempty"`
}

type tag struct {
	Subject string `json:"subject"`
	Tag     string `json:"tag"`
}

const exportVersion = 1

// each calls f for all records, in an order in which nothing is named before it was told. It is one snapshot: what
// other processes change meanwhile is not in it.
func (s *Shelf) each(ctx context.Context, f func(*record) error) error {
	tx, err := s.db.BeginTx(ctx, &sql.TxOptions{ReadOnly: true})
	if err != nil {
		return s.wrap(err)
	}
	defer tx.Rollback()
	version := exportVersion
	if err := f(&record{Shelf: &version}); err != nil {
		return err
	}
	walk := func(text string, scan func(interface{ Scan(...any) error }) (*record, error)) error {
		rows, err := tx.QueryContext(ctx, text)
		if err != nil {
			return s.wrap(err)
		}
		defer rows.Close()
		for rows.Next() {
			r, err := scan(rows)
			if err != nil {
				return s.wrap(err)
			}
			if err := f(r); err != nil {
				return err
			}
		}
		return s.wrap(rows.Err())
	}
	type scanner = interface{ Scan(...any) error }
	if err := walk("SELECT "+fileColumns+", coalesce((SELECT json_group_array(path) FROM (SELECT path FROM paths WHERE file = f.id ORDER BY path)), '[]'), f.sketch FROM files f ORDER BY f.sha256",
		func(r scanner) (*record, error) {
			var x File
			var paths string
			if err := r.Scan(&x.SHA256, &x.Size, &x.Kind, &x.Name, &x.Whole, &x.About, &x.Added, &paths, &x.Sketch); err != nil {
				return nil, err
			}
			return &record{File: &x}, json.Unmarshal([]byte(paths), &x.Paths)
		}); err != nil {
		return err
	}
	if err := walk("SELECT "+masterColumns+`, (SELECT json_group_array(json_object('side', side, 'name', name, 'at', at, 'size', size, 'path', path, 'sha256', sha256,
		'damaged', json(iif(damaged, 'true', 'false')))) FROM (SELECT * FROM items WHERE master = m.id ORDER BY place)) FROM masters m ORDER BY m.number, m.sha256`,
		func(r scanner) (*record, error) {
			var m Master
			var items string
			if err := r.Scan(&m.ID, &m.Type, &m.Number, &m.Title, &m.Machine, &m.Recording, &m.SHA256, &m.Verified, &m.Path, &m.Added, &items); err != nil {
				return nil, err
			}
			return &record{Master: &m}, json.Unmarshal([]byte(items), &m.Items)
		}); err != nil {
		return err
	}
	if err := walk("SELECT "+mediumColumns+" FROM media m ORDER BY m.number", func(r scanner) (*record, error) {
		m, err := scanMedium(r)
		return &record{Medium: &m}, err
	}); err != nil {
		return err
	}
	if err := walk("SELECT r.uid, m.number, r.at, r.kind, r.equipment, r.outcome, r.margin, r.detail FROM runs r JOIN media m ON m.id = r.medium ORDER BY r.at, r.uid", func(r scanner) (*record, error) {
		x, err := scanRun(r)
		return &record{Run: &x}, err
	}); err != nil {
		return err
	}
	if err := walk("SELECT uid, subject, at, text FROM notes ORDER BY at, uid", func(r scanner) (*record, error) {
		n, err := scanNote(r)
		return &record{Note: &n}, err
	}); err != nil {
		return err
	}
	return walk("SELECT subject, tag FROM tags ORDER BY subject, tag", func(r scanner) (*record, error) {
		var t tag
		err := r.Scan(&t.Subject, &t.Tag)
		return &record{Tag: &t}, err
	})
}

// ExportJSONL writes the whole shelf as JSON Lines: a first line {"remanence-shelf":1}, then one object a line with one
// member, "file", "master", "medium", "run", "note" or "tag". The same shelf gives the same bytes.
func (s *Shelf) ExportJSONL(ctx context.Context, w io.Writer) error {
	b := bufio.NewWriter(w)
	enc := json.NewEncoder(b)
	enc.SetEscapeHTML(false)
	if err := s.each(ctx, func(r *record) error { return outcome.As(outcome.Output, enc.Encode(r)) }); err != nil {
		return err
	}
	return outcome.As(outcome.Output, b.Flush())
}

// Tables are the names of the CSV tables.
var Tables = []string{"files", "items", "masters", "media", "runs", "notes", "tags"}

// ExportCSV gives the whole shelf as CSV tables (RFC 4180, UTF-8, with a heading line) by name.
func (s *Shelf) ExportCSV(ctx context.Context) (map[string][]byte, error) {
	bufs := map[string]*bytes.Buffer{}
	ws := map[string]*csv.Writer{}
	for _, t := range Tables {
		bufs[t] = &bytes.Buffer{}
		ws[t] = csv.NewWriter(bufs[t])
		ws[t].UseCRLF = true
	}
	var firstErr error
	put := func(t string, fields ...string) {
		if err := ws[t].Write(fields); err != nil && firstErr == nil {
			firstErr = err
		}
	}
	put("files", "sha256", "size", "kind", "name", "whole", "about", "added", "path")
	put("items", "master", "master-sha256", "side", "place", "name", "at", "size", "path", "sha256", "damaged")
	put("masters", "number", "type", "title", "machine", "recording", "sha256", "verified", "path", "added")
	put("media", "number", "type", "title", "place", "state", "master", "added", "last-read")
	put("runs", "uid", "medium", "at", "kind", "equipment", "outcome", "margin", "detail")
	put("notes", "uid", "subject", "at", "text")
	put("tags", "subject", "tag")
	err := s.each(ctx, func(r *record) error {
		switch {
		case r.File != nil:
			f := r.File
			paths := f.Paths
			if len(paths) == 0 {
				paths = []string{""}
			}
			for _, p := range paths {
				put("files", f.SHA256, fmt.Sprint(f.Size), f.Kind, f.Name, fmt.Sprint(f.Whole), f.About, f.Added, p)
			}
		case r.Master != nil:
			m := r.Master
			put("masters", m.Number, m.Type, m.Title, m.Machine, m.Recording, m.SHA256, fmt.Sprint(m.Verified), m.Path, m.Added)
			for i, it := range m.Items {
				put("items", m.Number, m.SHA256, it.Side, strconv.Itoa(i+1), it.Name, it.At, it.Size, it.Path, it.SHA256, fmt.Sprint(it.Damaged))
			}
		case r.Medium != nil:
			m := r.Medium
			put("media", m.Number, m.Type, m.Title, m.Place, string(m.State), m.Master, m.Added, m.LastRead)
		case r.Run != nil:
			x := r.Run
			margin := ""
			if x.Margin != nil {
				margin = strconv.FormatFloat(*x.Margin, 'g', -1, 64)
			}
			put("runs", x.UID, x.Medium, x.At.Format(time.RFC3339), string(x.Kind), x.Equipment, string(x.Outcome), margin, x.Detail)
		case r.Note != nil:
			put("notes", r.Note.UID, r.Note.Subject, r.Note.At, r.Note.Text)
		case r.Tag != nil:
			put("tags", r.Tag.Subject, r.Tag.Tag)
		}
		return nil
	})
	if err != nil || firstErr != nil {
		return nil, s.wrap(firstOf(err, firstErr))
	}
	out := map[string][]byte{}
	for t, w := range ws {
		if w.Flush(); w.Error() != nil {
			return nil, w.Error()
		}
		out[t] = bufs[t].Bytes()
	}
	return out, nil
}

func firstOf(a, b error) error {
	if a != nil {
		return a
	}
	return b
}

// BagOptions say what goes into an exported bag.
type BagOptions struct {
	Files bool   // the files themselves, from the first path at which the content is still the same
	Date  string // Bagging-Date; "": none
	Force bool
}

// ExportBag writes the shelf as a BagIt bag (RFC 8493): the catalogue as JSON Lines and CSV, and on wish the files.
// missing lists the contents that are at none of their paths any more.
func (s *Shelf) ExportBag(ctx context.Context, dir string, o BagOptions, p progress.Progress) (missing []string, err error) {
	p = progress.Or(p)
	var lines bytes.Buffer
	if err := s.ExportJSONL(ctx, &lines); err != nil {
		return nil, err
	}
	tables, err := s.ExportCSV(ctx)
	if err != nil {
		return nil, err
	}
	b := bag.Bag{Info: []bag.Info{{Label: "External-Description", Value: "Catalogue and log of a collection, exported from a remanence shelf"}}}
	if o.Date != "" {
		b.Info = append(b.Info, bag.Info{Label: "Bagging-Date", Value: o.Date})
	}
	b.Payload = append(b.Payload, bag.Entry{Path: "shelf.jsonl", Data: lines.Bytes()})
	for _, t := range Tables {
		b.Payload = append(b.Payload, bag.Entry{Path: "csv/" + t + ".csv", Data: tables[t]})
	}
	if o.Files {
		files, err := s.Files(ctx, 0, 1<<30)
		if err != nil {
			return nil, err
		}
		p.Start("collecting files", len(files))
		for _, f := range files {
			if err := ctx.Err(); err != nil {
				return nil, err
			}
			p.Step(1, f.Name)
			path, err := s.stillThere(ctx, f)
			if err != nil {
				return nil, err
			}
			if path == "" {
				missing = append(missing, f.SHA256)
				continue
			}
			b.Payload = append(b.Payload, bag.Entry{Path: "files/" + f.SHA256[:2] + "/" + f.SHA256, File: path})
		}
		p.Done()
	}
	return missing, b.Write(dir, o.Force)
}

// stillThere is the first path of a file at which its content is the same as ever; "" where there is none.
func (s *Shelf) stillThere(ctx context.Context, f File) (string, error) {
	paths, err := s.pathsOf(ctx, f.SHA256)
	if err != nil {
		return "", err
	}
	for _, p := range paths {
		if st, err := os.Stat(p); err != nil || st.Size() != f.Size || !st.Mode().IsRegular() {
			continue
		}
		if sum, err := hashFile(p); err == nil && sum == f.SHA256 {
			return p, nil
		}
	}
	return "", nil
}
