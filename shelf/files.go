package shelf

import (
	"bytes"
	"context"
	"crypto/sha256"
	"database/sql"
	"encoding/hex"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"strings"

	"remanence/internal/outcome"
	"remanence/internal/progress"
	"remanence/program"
)

// File is one content, known by its SHA-256.
type File struct {
	SHA256 string   `json:"sha256"`
	Size   int64    `json:"size"`
	Kind   string   `json:"kind"`
	Name   string   `json:"name"`
	Whole  bool     `json:"whole"`
	About  string   `json:"about,omitempty"`
	Added  string   `json:"added"`
	Paths  []string `json:"paths,omitempty"`
	Sketch []byte   `json:"sketch,omitempty"` // in exports: least hashes of the content's pieces, see near.go
}

// Examine says of a file's content what the shelf keeps.
func Examine(path string, data []byte) File {
	sum := sha256.Sum256(data)
	f := told(path, int64(len(data)), program.Inspect(data))
	f.SHA256, f.Sketch = hex.EncodeToString(sum[:]), sketch(data)
	return f
}

// examine is Examine with the forms that the shelf was told of.
func (s *Shelf) examine(ctx context.Context, path string, data []byte) (File, error) {
	r, err := program.InspectReader(ctx, bytes.NewReader(data), path, program.Options{Recognizers: s.o.Recognizers})
	if err != nil {
		return File{}, err
	}
	f := told(path, int64(len(data)), &r.Report)
	f.SHA256, f.Sketch = r.SHA256, sketch(data)
	return f, nil
}

// examineFile is examine of a file. One too large for a program is hashed in pieces, known by its head, and gets no
// sketch: memory stays bounded.
func (s *Shelf) examineFile(ctx context.Context, path string) (File, error) {
	st, err := os.Stat(path)
	if err != nil {
		return File{}, err
	}
	if st.Size() <= program.MaxProgramBytes {
		data, err := os.ReadFile(path)
		if err != nil {
			return File{}, err
		}
		return s.examine(ctx, path, data)
	}
	r, err := program.InspectFile(ctx, path, program.Options{Recognizers: s.o.Recognizers})
	if err != nil {
		return File{}, err
	}
	f := told(path, r.Size, &r.Report)
	f.SHA256 = r.SHA256
	return f, nil
}

// told is what a report tells of a file.
func told(path string, size int64, r *program.Report) File {
	f := File{Size: size, Kind: string(r.Kind), Name: filepath.Base(path), Whole: r.Whole}
	switch {
	case len(r.Faults) > 0 && r.Damaged():
		f.About = fmt.Sprintf("byte %d: %s", r.Faults[0].Offset, r.Faults[0].What)
	case len(r.LoadRanges) > 0:
		f.About = fmt.Sprintf("loads at %04Xh", r.LoadRanges[0][0])
		if r.Name != "" {
			f.About = r.Name + ", " + f.About
		}
	case r.Kind == program.SectorImage:
		f.About = strings.TrimPrefix(r.Name+", "+r.Form, ", ")
	case r.Name != "":
		f.About = r.Name
	}
	return f
}

// Added counts what AddPaths did.
type Added struct {
	Files   int      `json:"files"`   // contents that were new
	Known   int      `json:"known"`   // contents that were there already
	Masters int      `json:"masters"` // from manifests
	Skipped []string `json:"skipped"` // what could not be read, and why
}

// AddFile puts one file on the shelf; known is true where its content was there already.
func (s *Shelf) AddFile(ctx context.Context, path string, data []byte) (f File, known bool, err error) {
	if f, err = s.examine(ctx, path, data); err != nil {
		return f, false, err
	}
	err = s.change(ctx, func(tx *sql.Tx) error {
		known, err = s.putFile(ctx, tx, &f, []string{path})
		return err
	})
	return f, known, err
}

// putFile keeps a file and its paths, and what can be searched of it.
func (s *Shelf) putFile(ctx context.Context, tx *sql.Tx, f *File, paths []string) (known bool, err error) {
	var id int64
	err = tx.QueryRowContext(ctx, "SELECT id FROM files WHERE sha256 = ?", f.SHA256).Scan(&id)
	switch {
	case err == nil:
		known = true
	case !errors.Is(err, sql.ErrNoRows):
		return false, err
	default:
		if f.Added == "" {
			f.Added = s.stamp()
		}
		var sk any
		if len(f.Sketch) > 0 {
			sk = f.Sketch
		}
		r, err := tx.ExecContext(ctx, "INSERT INTO files(sha256, size, kind, name, whole, about, added, sketch) VALUES(?,?,?,?,?,?,?,?)",
			f.SHA256, f.Size, f.Kind, f.Name, f.Whole, f.About, f.Added, sk)
		if err != nil {
			return false, err
		}
		if id, err = r.LastInsertId(); err != nil {
			return false, err
		}
		for _, b := range bands(f.Sketch) {
			if _, err := tx.ExecContext(ctx, "INSERT OR IGNORE INTO bands(band, file) VALUES(?, ?)", b, id); err != nil {
				return false, err
			}
		}
	}
	news := int64(0)
	for _, p := range paths {
		r, err := tx.ExecContext(ctx, "INSERT OR IGNORE INTO paths(file, path, added) VALUES(?,?,?)", id, p, s.stamp())
		if err != nil {
			return known, err
		}
		n, err := r.RowsAffected()
		if err != nil {
			return known, err
		}
		news += n
	}
	if known && f.Added == "" && f.Kind != string(program.Unknown) { // looked at again, not imported: what was of no known kind may be known now
		r, err := tx.ExecContext(ctx, "UPDATE files SET kind = ?, whole = ?, about = ? WHERE id = ? AND kind = ?", f.Kind, f.Whole, f.About, id, program.Unknown)
		if err != nil {
			return known, err
		}
		n, err := r.RowsAffected()
		if err != nil {
			return known, err
		}
		news += n
	}
	if known && news == 0 {
		return known, nil
	}
	return known, s.index(ctx, tx, FileRef(f.SHA256))
}

// AddPaths puts files and folders (with all below them) on the shelf, and the masters of every manifest.json that
// make wrote. What can't be read is noted and the rest goes on. Contents are committed in lots, so that a stop in
// the middle keeps what was done.
func (s *Shelf) AddPaths(ctx context.Context, paths []string, p progress.Progress) (*Added, error) {
	p = progress.Or(p)
	a := &Added{Skipped: []string{}}
	list, err := walk(ctx, paths, a)
	if err != nil {
		return a, err
	}
	list, err = s.addManifests(ctx, list, a)
	if err != nil {
		return a, err
	}
	p.Start("adding", len(list))
	defer p.Done()
	type known struct {
		f    File
		path string
	}
	var lot []known
	flush := func() error {
		if len(lot) == 0 {
			return nil
		}
		keep := context.WithoutCancel(ctx) // a stop keeps what was read
		err := s.change(keep, func(tx *sql.Tx) error {
			for i := range lot {
				was, err := s.putFile(keep, tx, &lot[i].f, []string{lot[i].path})
				if err != nil {
					return err
				}
				if was {
					a.Known++
				} else {
					a.Files++
				}
			}
			return nil
		})
		lot = lot[:0]
		return err
	}
	for _, path := range list {
		if err := ctx.Err(); err != nil {
			return a, errors.Join(err, flush())
		}
		p.Step(1, filepath.Base(path))
		f, err := s.examineFile(ctx, path)
		if err != nil {
			if ctx.Err() == nil {
				a.Skipped = append(a.Skipped, err.Error())
			}
			continue
		}
		lot = append(lot, known{f, path})
		if len(lot) == 500 {
			if err := flush(); err != nil {
				return a, err
			}
		}
	}
	return a, flush()
}

// maxManifest bounds what is read as a manifest, in bytes.
const maxManifest = 64 << 20

// addManifests keeps the masters of the manifests in the list, and gives back the list without the manifests and what
// they say was made: images and sound are masters, not files of the archive.
func (s *Shelf) addManifests(ctx context.Context, list []string, a *Added) ([]string, error) {
	made := map[string]bool{}
	for _, path := range list {
		if filepath.Base(path) != "manifest.json" {
			continue
		}
		if st, err := os.Stat(path); err != nil || st.Size() > maxManifest {
			continue // told when the list is worked through
		}
		data, err := os.ReadFile(path)
		if err != nil {
			continue
		}
		n, outputs, err := s.addManifest(ctx, path, data)
		if err != nil {
			return nil, err
		}
		a.Masters += n
		for _, o := range outputs {
			made[o] = true
		}
	}
	return slices.DeleteFunc(list, func(p string) bool { return made[p] }), nil
}

// walk lists regular files, in order; hidden ones and links to folders are left out.
func walk(ctx context.Context, paths []string, a *Added) ([]string, error) {
	var list []string
	for _, top := range paths {
		abs, err := filepath.Abs(top)
		if err != nil {
			return nil, outcome.As(outcome.Input, err)
		}
		if _, err := os.Stat(abs); err != nil {
			return nil, outcome.As(outcome.Input, err)
		}
		err = filepath.WalkDir(abs, func(path string, d fs.DirEntry, err error) error {
			if ctx.Err() != nil {
				return ctx.Err()
			}
			if err != nil {
				a.Skipped = append(a.Skipped, err.Error())
				if d != nil && d.IsDir() {
					return fs.SkipDir
				}
				return nil
			}
			if path != abs && strings.HasPrefix(d.Name(), ".") {
				if d.IsDir() {
					return fs.SkipDir
				}
				return nil
			}
			if d.Type().IsRegular() {
				list = append(list, path)
			}
			return nil
		})
		if err != nil {
			return nil, err
		}
	}
	return list, nil
}

const fileColumns = "f.sha256, f.size, f.kind, f.name, f.whole, f.about, f.added"

func scanFile(r interface{ Scan(...any) error }) (f File, err error) {
	err = r.Scan(&f.SHA256, &f.Size, &f.Kind, &f.Name, &f.Whole, &f.About, &f.Added)
	return f, err
}

// Files lists files by name, from the given place on; paths are left out.
func (s *Shelf) Files(ctx context.Context, offset, limit int) ([]File, error) {
	return query(ctx, s, scanFile, "SELECT "+fileColumns+" FROM files f ORDER BY f.name, f.sha256 LIMIT ? OFFSET ?", limit, offset)
}

// pathsOf are the places at which a content was seen.
func (s *Shelf) pathsOf(ctx context.Context, sha string) ([]string, error) {
	return query(ctx, s, scanString, "SELECT p.path FROM paths p JOIN files f ON f.id = p.file WHERE f.sha256 = ? ORDER BY p.path", sha)
}

func scanString(r interface{ Scan(...any) error }) (t string, err error) {
	err = r.Scan(&t)
	return t, err
}

// query reads all rows of a statement.
func query[T any](ctx context.Context, s *Shelf, scan func(interface{ Scan(...any) error }) (T, error), text string, args ...any) ([]T, error) {
	rows, err := s.db.QueryContext(ctx, text, args...)
	if err != nil {
		return nil, s.wrap(err)
	}
	defer rows.Close()
	out := []T{}
	for rows.Next() {
		v, err := scan(rows)
		if err != nil {
			return nil, s.wrap(err)
		}
		out = append(out, v)
	}
	return out, s.wrap(rows.Err())
}
