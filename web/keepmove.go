package web

import (
	"archive/zip"
	"bufio"
	"bytes"
	"context"
	"crypto/sha256"
	"crypto/sha512"
	"encoding/hex"
	"errors"
	"fmt"
	"hash"
	"io"
	"io/fs"
	"log"
	"net/http"
	"os"
	"path"
	"path/filepath"
	"strings"

	"remanence/internal/outcome"
	"remanence/internal/progress"
	"remanence/shelf"
)

// Limits of what goes in and out of the shelf through the page; the command line has none for exports.
const (
	MaxShelfBytes = 512 << 20 // an import, packed and unpacked
	MaxBagBytes   = 2 << 30   // files in an exported bag
)

func (s *Server) keepMoveRoutes(mux *http.ServeMux) {
	mux.HandleFunc("POST /keep/export", s.post(s.keepExport))
	mux.HandleFunc("POST /keep/import", s.keepImport)
}

// clearMoved removes what an export or import left that was killed.
func (s *Server) clearMoved() {
	for _, pattern := range []string{".export-*", ".upload-*"} {
		left, err := filepath.Glob(filepath.Join(s.o.Work, pattern))
		for _, p := range left {
			err = errors.Join(err, os.RemoveAll(p))
		}
		if err != nil {
			log.Printf("left over from an earlier start: %v", bare(err))
		}
	}
}

// moving gets the right to export or import, one at a time; false where another is at it, which was then told.
func (s *Server) moving(w http.ResponseWriter, r *http.Request) bool {
	if s.keep.moving.TryLock() {
		return true
	}
	s.fail(w, r, http.StatusConflict, "Another export or import is running. Try again when it is done.")
	return false
}

// keepExport sends the whole shelf. It is made whole first: what cannot be made is told on the page, not found out in
// a download that stops.
func (s *Server) keepExport(w http.ResponseWriter, r *http.Request) {
	if !s.moving(w, r) {
		return
	}
	defer s.keep.moving.Unlock()
	sh, err := s.shelf()
	if err != nil {
		s.fail(w, r, http.StatusInternalServerError, err.Error())
		return
	}
	dir, err := os.MkdirTemp(s.o.Work, ".export-*")
	if err != nil {
		s.fail(w, r, http.StatusInternalServerError, bare(err).Error())
		return
	}
	defer os.RemoveAll(dir)
	name, kind := "", "application/zip"
	file := filepath.Join(dir, "export")
	switch r.PostForm.Get("as") {
	case "jsonl":
		name, kind = "shelf.jsonl", "application/jsonl"
		err = written(file, func(f io.Writer) error { return sh.ExportJSONL(r.Context(), f) })
	case "csv":
		name = "shelf-csv.zip"
		err = written(file, func(f io.Writer) error { return csvZip(r.Context(), sh, f) })
	case "bag":
		name = "shelf-bag.zip"
		err = s.bagZip(r.Context(), sh, dir, file, r.PostForm.Get("files") != "")
	default:
		err = outcome.As(outcome.Usage, fmt.Errorf("export as %q: want jsonl, csv or bag", r.PostForm.Get("as")))
	}
	if err != nil {
		status := http.StatusInternalServerError
		if outcome.Status(err) == int(outcome.Usage) {
			status = http.StatusUnprocessableEntity
		}
		s.keepStatus(w, r, status, keepData{Fault: err.Error()})
		return
	}
	f, err := os.Open(file)
	if err != nil {
		s.fail(w, r, http.StatusInternalServerError, bare(err).Error())
		return
	}
	defer f.Close()
	h := w.Header()
	h.Set("Content-Type", kind)
	h.Set("Content-Disposition", fmt.Sprintf("attachment; filename=%q", name))
	if st, err := f.Stat(); err == nil {
		h.Set("Content-Length", fmt.Sprint(st.Size()))
	}
	if _, err := io.Copy(w, f); err != nil {
		log.Printf("export: %v", err)
	}
}

// written makes a file of what f writes.
func written(name string, f func(io.Writer) error) error {
	out, err := os.Create(name)
	if err != nil {
		return outcome.As(outcome.Output, bare(err))
	}
	b := bufio.NewWriterSize(out, 1<<16)
	return errors.Join(f(b), b.Flush(), out.Close())
}

// csvZip packs the tables. No times go in: the same shelf gives the same bytes.
func csvZip(ctx context.Context, sh *shelf.Shelf, w io.Writer) error {
	tables, err := sh.ExportCSV(ctx)
	if err != nil {
		return err
	}
	z := zip.NewWriter(w)
	for _, t := range shelf.Tables {
		f, err := z.Create(t + ".csv")
		if err != nil {
			return err
		}
		if _, err := f.Write(tables[t]); err != nil {
			return err
		}
	}
	return z.Close()
}

// bagZip makes a bag in a folder below dir and packs it into file.
func (s *Server) bagZip(ctx context.Context, sh *shelf.Shelf, dir, file string, files bool) error {
	if files {
		total, err := sh.Bytes(ctx)
		if err != nil {
			return err
		}
		if total > MaxBagBytes {
			return outcome.As(outcome.Usage, fmt.Errorf("the files are %s together, and a download takes %s; use the command line: remanence shelf export --as bag --files -o FOLDER", size(total), size(MaxBagBytes)))
		}
	}
	bag := filepath.Join(dir, "shelf-bag")
	missing, err := sh.ExportBag(ctx, bag, shelf.BagOptions{Files: files}, progress.Nothing{})
	if err != nil {
		return err
	}
	return written(file, func(w io.Writer) error {
		z := zip.NewWriter(w)
		err := filepath.WalkDir(bag, func(p string, d fs.DirEntry, err error) error {
			if err != nil || d.IsDir() {
				return err
			}
			rel, err := filepath.Rel(dir, p)
			if err != nil {
				return err
			}
			return pack(ctx, z, filepath.ToSlash(rel), p)
		})
		if err != nil {
			return err
		}
		if len(missing) > 0 { // beside the bag: it is about what is not in it
			f, err := z.Create("not-in-the-bag.txt")
			if err != nil {
				return err
			}
			if _, err := fmt.Fprintf(f, "Not found at any of their places any more, or changed (SHA-256):\n%s\n", strings.Join(missing, "\n")); err != nil {
				return err
			}
		}
		return z.Close()
	})
}

func pack(ctx context.Context, z *zip.Writer, name, from string) error {
	if err := ctx.Err(); err != nil {
		return err
	}
	in, err := os.Open(from)
	if err != nil {
		return err
	}
	defer in.Close()
	f, err := z.Create(name)
	if err != nil {
		return err
	}
	_, err = io.Copy(f, in)
	return err
}

// keepImport takes in an export: JSON Lines, a zipped bag, or a CSV table of media. The form is multipart, its first
// part the token. The upload is stored first, so that a slow sender does not hold the shelf.
func (s *Server) keepImport(w http.ResponseWriter, r *http.Request) {
	r.Body = http.MaxBytesReader(w, r.Body, MaxShelfBytes)
	name, file, err := s.upload(r, "token", "file")
	if file != "" {
		defer os.Remove(file)
	}
	switch {
	case errors.Is(err, errToken):
		s.refuseToken(w, r)
		return
	case err != nil:
		status := http.StatusBadRequest
		if tooLarge := (*http.MaxBytesError)(nil); errors.As(err, &tooLarge) {
			status, err = http.StatusRequestEntityTooLarge, fmt.Errorf("%s is larger than %s; use the command line: remanence shelf import FILE", name, size(MaxShelfBytes))
		}
		s.keepStatus(w, r, status, keepData{Fault: err.Error()})
		return
	}
	if !s.moving(w, r) {
		return
	}
	defer s.keep.moving.Unlock()
	sh, err := s.shelf()
	var in *shelf.Imported
	if err == nil {
		in, err = takeIn(r.Context(), sh, name, file)
	}
	if err != nil {
		s.keepStatus(w, r, http.StatusUnprocessableEntity, keepData{Fault: err.Error() + ". Nothing of it was taken in."})
		return
	}
	s.keepStatus(w, r, http.StatusOK, keepData{Said: fmt.Sprintf("Taken in from %s, as far as it was new: %d files, %d masters, %d media, %d runs, %d notes, %d tags.",
		name, in.Files, in.Masters, in.Media, in.Runs, in.Notes, in.Tags)})
}

var errToken = errors.New("the form has no token")

// upload stores the one file of a multipart form in the working folder; the caller removes it.
func (s *Server) upload(r *http.Request, token, field string) (name, file string, err error) {
	mr, err := r.MultipartReader()
	if err != nil {
		return "", "", errors.New("the form could not be read")
	}
	trusted := false
	for {
		p, err := mr.NextPart()
		if err == io.EOF {
			if !trusted {
				return "", "", errToken
			}
			return "", "", errors.New("no file was chosen")
		}
		if err != nil {
			return name, "", err
		}
		switch {
		case p.FormName() == token:
			b, err := io.ReadAll(io.LimitReader(p, 200))
			if err != nil {
				return name, "", err
			}
			trusted = s.hasToken(string(b))
		case !trusted:
			return "", "", errToken
		case p.FormName() == field && p.FileName() != "":
			name = path.Base(cleanPath(p.FileName()))
			f, err := os.CreateTemp(s.o.Work, ".upload-*")
			if err != nil {
				return name, "", bare(err)
			}
			_, err = io.Copy(f, p)
			return name, f.Name(), errors.Join(err, f.Close())
		}
	}
}

// takeIn tells the three forms apart by how they begin, and takes them in.
func takeIn(ctx context.Context, sh *shelf.Shelf, name, file string) (*shelf.Imported, error) {
	f, err := os.Open(file)
	if err != nil {
		return nil, bare(err)
	}
	defer f.Close()
	head := make([]byte, 4)
	n, err := io.ReadFull(f, head)
	if err != nil && !errors.Is(err, io.ErrUnexpectedEOF) && !errors.Is(err, io.EOF) {
		return nil, bare(err)
	}
	if _, err := f.Seek(0, io.SeekStart); err != nil {
		return nil, bare(err)
	}
	switch head = head[:n]; {
	case bytes.HasPrefix(head, []byte("PK")):
		return takeBag(ctx, sh, name, f)
	case bytes.HasPrefix(bytes.TrimLeft(head, "\ufeff \t\r\n"), []byte("{")):
		return sh.ImportJSONL(ctx, name, f)
	}
	return sh.ImportCSV(ctx, name, f)
}

// takeBag takes the catalogue out of a zipped bag, after it was proven against the bag's manifest (RFC 8493, 3).
func takeBag(ctx context.Context, sh *shelf.Shelf, name string, f *os.File) (*shelf.Imported, error) {
	st, err := f.Stat()
	if err != nil {
		return nil, bare(err)
	}
	z, err := zip.NewReader(f, st.Size())
	if err != nil {
		return nil, fmt.Errorf("%s: the zip cannot be read: %w", name, err)
	}
	const lines = "data/shelf.jsonl"
	for _, e := range z.File {
		root, ok := strings.CutSuffix(e.Name, lines)
		if !ok || strings.Count(root, "/") > 1 || root != "" && !strings.HasSuffix(root, "/") {
			continue
		}
		data, err := unzipped(e)
		if err != nil {
			return nil, fmt.Errorf("%s: %s: %w", name, e.Name, err)
		}
		if err := proven(z, root, lines, data); err != nil {
			return nil, fmt.Errorf("%s: %w", name, err)
		}
		return sh.ImportJSONL(ctx, name+": "+e.Name, bytes.NewReader(data))
	}
	return nil, fmt.Errorf("%s: no %s in it: want a zipped bag that an export wrote", name, lines)
}

func unzipped(e *zip.File) ([]byte, error) {
	r, err := e.Open()
	if err != nil {
		return nil, err
	}
	defer r.Close()
	b, err := io.ReadAll(io.LimitReader(r, MaxShelfBytes+1))
	if err == nil && len(b) > MaxShelfBytes {
		err = fmt.Errorf("unpacks to more than %s", size(MaxShelfBytes))
	}
	return b, err
}

// proven compares one payload file with the manifest of the bag at root.
func proven(z *zip.Reader, root, name string, data []byte) error {
	for _, a := range []struct {
		file string
		new  func() hash.Hash
	}{{"manifest-sha512.txt", sha512.New}, {"manifest-sha256.txt", sha256.New}} {
		m, err := z.Open(root + a.file)
		if err != nil {
			continue
		}
		defer m.Close()
		sc := bufio.NewScanner(io.LimitReader(m, 64<<20))
		for sc.Scan() {
			sum, of, ok := strings.Cut(sc.Text(), " ")
			if !ok || strings.TrimLeft(of, " *") != name {
				continue
			}
			h := a.new()
			h.Write(data)
			if got := hex.EncodeToString(h.Sum(nil)); !strings.EqualFold(sum, got) {
				return fmt.Errorf("%s: is not as %s has it: want %.16s…, got %.16s…", name, a.file, sum, got)
			}
			return nil
		}
	}
	return fmt.Errorf("no manifest-sha512.txt or manifest-sha256.txt that names %s", name)
}
