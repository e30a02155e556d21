package web

import (
	"archive/zip"
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"net/http"
	"os"
	"path"
	"slices"
	"strconv"
	"strings"
	"sync"

	"remanence/internal/progress"
	"remanence/internal/saltmarsh"
	"remanence/internal/words"
	"remanence/plan"
	"remanence/program"
)

// gatherer knows the files of the working folder.
type gatherer struct {
	mu    sync.Mutex
	files map[string]*program.FileReport // by id
	paths []string                       // sorted, below files/
	sums  map[string]string              // contents to the first path that has them
}

func (s *Server) inspectOptions() program.Options {
	return program.Options{Targets: s.o.Set.Targets(), Recognizers: []program.Recognizer{plan.ImageRecognizer(s.o.Set)}}
}

// start looks at what an earlier session left.
func (g *gatherer) start(s *Server) error {
	g.files, g.sums = map[string]*program.FileReport{}, map[string]string{}
	var full []string
	err := fs.WalkDir(s.root.FS(), "files", func(p string, d fs.DirEntry, err error) error {
		if err == nil && d.Type().IsRegular() {
			full = append(full, s.path(p))
		}
		return err
	})
	if err != nil {
		return err
	}
	return program.InspectEach(s.ctx, full, s.inspectOptions(), progress.Nothing{}, func(r *program.FileReport) error {
		rel := strings.TrimPrefix(strings.ReplaceAll(r.Path[len(s.path("files")):], `\`, "/"), "/")
		r.Path, r.DuplicateOf = rel, ""
		g.keep(r)
		return nil
	})
}

// keep files a report; g.mu is held, or nobody else is there yet.
func (g *gatherer) keep(r *program.FileReport) {
	if first, ok := g.sums[r.SHA256]; ok && first != r.Path {
		r.DuplicateOf = first
	} else {
		g.sums[r.SHA256] = r.Path
	}
	g.files[idOf(r.Path)] = r
	if i, ok := slices.BinarySearch(g.paths, r.Path); !ok {
		g.paths = slices.Insert(g.paths, i, r.Path)
	}
}

// add inspects one file and keeps it. The same file twice is one.
func (s *Server) add(ctx context.Context, name string, data []byte) (*program.FileReport, error) {
	rel := cleanPath(name)
	if rel == "" {
		return nil, fmt.Errorf("%q: is not a name for a file", name)
	}
	r, err := program.InspectReader(ctx, bytes.NewReader(data), rel, s.inspectOptions())
	if err != nil {
		return nil, err
	}
	g := &s.gather
	g.mu.Lock()
	defer g.mu.Unlock()
	if len(g.paths) >= MaxFiles {
		return nil, fmt.Errorf("%s: there are %d files already, which is the most one working folder takes; begin another with --work", rel, MaxFiles)
	}
	ext := path.Ext(rel)
	for n := 2; ; n++ { // an original is never replaced
		old := g.files[idOf(r.Path)]
		if old == nil {
			break
		}
		if old.SHA256 == r.SHA256 {
			return old, nil
		}
		r.Path = fmt.Sprintf("%s (%d)%s", strings.TrimSuffix(rel, ext), n, ext)
	}
	if dir := path.Dir("files/" + r.Path); dir != "files" {
		if err := s.root.MkdirAll(dir, 0o700); err != nil {
			return nil, fmt.Errorf("%s: %w", rel, bare(err))
		}
	}
	f, err := s.root.OpenFile("files/"+r.Path, os.O_CREATE|os.O_EXCL|os.O_WRONLY, 0o600)
	if err != nil {
		return nil, fmt.Errorf("%s: %w", rel, bare(err))
	}
	_, err = f.Write(data)
	if err = errors.Join(err, f.Close()); err != nil {
		s.root.Remove("files/" + r.Path)
		return nil, fmt.Errorf("%s: %w", rel, bare(err))
	}
	g.keep(r)
	s.arrange.forget()
	return r, nil
}

// bare takes paths of this machine out of an error.
func bare(err error) error {
	var p *fs.PathError
	if errors.As(err, &p) {
		return p.Err
	}
	return err
}

// notTaken is said of hidden files of a system.
const notTaken = "a hidden file of an operating system, not taken; choose it by itself to add it"

// addZip adds what is in a zip; faults of single files do not stop the others. Hidden files of a system are not taken.
func (s *Server) addZip(ctx context.Context, name string, data []byte) (added, hidden int, faults []string) {
	z, err := zip.NewReader(bytes.NewReader(data), int64(len(data)))
	if err != nil {
		return 0, 0, []string{fmt.Sprintf("%s: the zip cannot be read: %v", name, err)}
	}
	if len(z.File) > MaxZipFiles {
		return 0, 0, []string{fmt.Sprintf("%s: has %d files; a zip may have %d: divide it", name, len(z.File), MaxZipFiles)}
	}
	total := int64(0)
	for _, f := range z.File {
		if ctx.Err() != nil {
			return added, hidden, append(faults, name+": stopped")
		}
		if f.FileInfo().IsDir() || !f.Mode().IsRegular() {
			continue
		}
		if ofSystem(f.Name) {
			hidden++
			continue
		}
		b, err := readZipped(f)
		total += int64(len(b))
		if total > MaxZipBytes {
			return added, hidden, append(faults, fmt.Sprintf("%s: unpacks to more than %s; what came before %s was added", name, size(MaxZipBytes), f.Name))
		}
		if err == nil {
			_, err = s.add(ctx, f.Name, b)
		}
		if err != nil {
			if len(faults) < 50 {
				faults = append(faults, fmt.Sprintf("%s in %s: %v", f.Name, name, err))
			}
			continue
		}
		added++
	}
	return added, hidden, faults
}

// hiddenOf says how many files of a zip were not taken; "" for none.
func hiddenOf(name string, n int) string {
	if n == 0 {
		return ""
	}
	return fmt.Sprintf("%s: %s of an operating system not taken.", name, words.Count(n, "hidden file"))
}

func readZipped(f *zip.File) ([]byte, error) {
	r, err := f.Open()
	if err != nil {
		return nil, err
	}
	defer r.Close()
	b, err := io.ReadAll(io.LimitReader(r, MaxFileBytes+1))
	if err == nil && len(b) > MaxFileBytes {
		err = fmt.Errorf("is larger than %s", size(MaxFileBytes))
	}
	return b, err
}

// isZip goes by the name: a zip that does not begin like one is a broken zip, which is told, not a file of no known kind.
func isZip(name string) bool { return strings.EqualFold(path.Ext(name), ".zip") }

func (s *Server) gatherRoutes(mux *http.ServeMux) {
	mux.HandleFunc("GET /{$}", s.gatherPage)
	mux.HandleFunc("GET /file/{id}", s.filePage)
	mux.HandleFunc("POST /gather/add", s.addForm)
	mux.HandleFunc("POST /gather/put", s.send(MaxFileBytes, s.putFile))
	mux.HandleFunc("POST /gather/example", s.post(s.addExample))
	mux.HandleFunc("POST /gather/remove", s.post(s.removeFile))
}

// fileRow is one file in the list.
type fileRow struct {
	ID string
	*program.FileReport
}

type gatherData struct {
	Rows                           []fileRow
	Total, Whole, Damaged, Unknown int
	Query                          string
	From, To, Matches, Next, Prev  int
	Faults, Notes                  []string
	MaxFile, MaxUnzipped           string
	MaxInZip                       int
}

const rowsOnPage = 100

func (s *Server) gatherPage(w http.ResponseWriter, r *http.Request) { s.gatherShow(w, r, nil, nil) }

func (s *Server) gatherShow(w http.ResponseWriter, r *http.Request, faults, notes []string) {
	d := gatherData{Query: strings.TrimSpace(r.FormValue("q")), Faults: faults, Notes: notes, MaxFile: size(MaxFileBytes), MaxUnzipped: size(MaxZipBytes), MaxInZip: MaxZipFiles}
	d.From, _ = strconv.Atoi(r.FormValue("from"))
	d.From = max(0, d.From)
	g := &s.gather
	g.mu.Lock()
	for _, p := range g.paths {
		id := idOf(p)
		f := g.files[id]
		d.Total++
		switch state(f.Report) {
		case "whole":
			d.Whole++
		case "damaged":
			d.Damaged++
		default:
			d.Unknown++
		}
		if q := strings.ToLower(d.Query); q != "" && !strings.Contains(strings.ToLower(p+" "+kindWords(f.Kind)+" "+state(f.Report)+" "+f.Name), q) {
			continue
		}
		if d.Matches >= d.From && len(d.Rows) < rowsOnPage {
			d.Rows = append(d.Rows, fileRow{id, f})
		}
		d.Matches++
	}
	g.mu.Unlock()
	d.To, d.Next, d.Prev = d.From+len(d.Rows), -1, -1
	if d.To < d.Matches {
		d.Next = d.To
	}
	if d.From > 0 {
		d.Prev = max(0, d.From-rowsOnPage)
	}
	s.show(w, "gather", "Gather", "Gather", d)
}

// addForm is the way without script: a form with files; the token is its first part.
func (s *Server) addForm(w http.ResponseWriter, r *http.Request) {
	r.Body = http.MaxBytesReader(w, r.Body, MaxZipBytes)
	mr, err := r.MultipartReader()
	if err != nil {
		s.fail(w, r, http.StatusBadRequest, "The form could not be read.")
		return
	}
	var faults, notes []string
	trusted := false
	for {
		p, err := mr.NextPart()
		if err == io.EOF {
			break
		}
		if err != nil {
			faults = append(faults, "The form stopped: "+err.Error())
			break
		}
		b, err := io.ReadAll(io.LimitReader(p, MaxFileBytes+1))
		switch {
		case p.FormName() == "token":
			trusted = s.hasToken(string(b))
		case !trusted:
			s.refuseToken(w, r)
			return
		case err != nil:
			faults = append(faults, err.Error())
		case p.FileName() == "":
		case len(b) > MaxFileBytes:
			faults = append(faults, fmt.Sprintf("%s: is larger than %s. A recording or a set of captures belongs to Prove.", p.FileName(), size(MaxFileBytes)))
		case isZip(p.FileName()):
			_, hidden, more := s.addZip(r.Context(), p.FileName(), b)
			faults = append(faults, more...)
			if said := hiddenOf(p.FileName(), hidden); said != "" {
				notes = append(notes, said)
			}
		default:
			if _, err := s.add(r.Context(), p.FileName(), b); err != nil {
				faults = append(faults, err.Error())
			}
		}
	}
	if len(faults)+len(notes) == 0 && trusted {
		http.Redirect(w, r, "/", http.StatusSeeOther)
		return
	}
	s.gatherShow(w, r, faults, notes)
}

// putFile takes one file from the script and says in a line what it is.
func (s *Server) putFile(w http.ResponseWriter, r *http.Request) {
	name := r.URL.Query().Get("path")
	data, err := io.ReadAll(r.Body)
	if err != nil {
		http.Error(w, fmt.Sprintf("%s: is larger than %s. A recording or a set of captures belongs to Prove.", cleanPath(name), size(MaxFileBytes)), http.StatusRequestEntityTooLarge)
		return
	}
	w.Header().Set("Content-Type", "text/plain; charset=utf-8")
	if strings.ContainsAny(name, `/\`) && ofSystem(name) { // of a folder that was dropped
		w.Header().Set("X-Added", "0")
		fmt.Fprintf(w, "%s: %s", cleanPath(name), notTaken)
		return
	}
	if isZip(name) {
		n, hidden, faults := s.addZip(r.Context(), cleanPath(name), data)
		w.Header().Set("X-Added", strconv.Itoa(n)) // for the script, which counts files and not zips
		w.Header().Set("X-Refused", strconv.Itoa(len(faults)))
		if len(faults) > 0 {
			w.WriteHeader(http.StatusUnprocessableEntity)
		}
		if n > 0 || len(faults) == 0 {
			fmt.Fprintf(w, "%s: %s added. %s\n", cleanPath(name), words.Count(n, "file"), hiddenOf(cleanPath(name), hidden))
		}
		for _, f := range faults { // a line each
			fmt.Fprintln(w, strings.ReplaceAll(f, "\n", " "))
		}
		return
	}
	rep, err := s.add(r.Context(), name, data)
	if err != nil {
		http.Error(w, err.Error(), http.StatusUnprocessableEntity)
		return
	}
	fmt.Fprintf(w, "%s: %s, %s", rep.Path, kindWords(rep.Kind), state(rep.Report))
}

func (s *Server) addExample(w http.ResponseWriter, r *http.Request) {
	files, err := saltmarsh.Files(s.o.Set)
	if err != nil {
		s.fail(w, r, http.StatusInternalServerError, err.Error())
		return
	}
	for _, f := range files {
		if _, err := s.add(r.Context(), "saltmarsh/"+f.Name, f.Data); err != nil {
			s.fail(w, r, http.StatusInternalServerError, err.Error())
			return
		}
	}
	http.Redirect(w, r, "/", http.StatusSeeOther)
}

// removeFile takes a copy out of the working folder; what the person has elsewhere is not touched.
func (s *Server) removeFile(w http.ResponseWriter, r *http.Request) {
	g := &s.gather
	g.mu.Lock()
	id := r.PostForm.Get("id")
	if f := g.files[id]; f != nil {
		if err := s.root.Remove("files/" + f.Path); err != nil && !errors.Is(err, fs.ErrNotExist) {
			g.mu.Unlock()
			s.fail(w, r, http.StatusInternalServerError, fmt.Sprintf("%s: %v", f.Path, bare(err)))
			return
		}
		delete(g.files, id)
		g.paths = slices.DeleteFunc(g.paths, func(p string) bool { return p == f.Path })
		g.recount()
		s.arrange.forget()
	}
	g.mu.Unlock()
	http.Redirect(w, r, "/", http.StatusSeeOther)
}

// recount finds duplicates again after a file went.
func (g *gatherer) recount() {
	g.sums = map[string]string{}
	for _, p := range g.paths {
		r := *g.files[idOf(p)] // a page may be reading the old one
		r.DuplicateOf = ""
		if first, ok := g.sums[r.SHA256]; ok {
			r.DuplicateOf = first
		} else {
			g.sums[r.SHA256] = p
		}
		g.files[idOf(p)] = &r
	}
}

func (s *Server) report(id string) *program.FileReport {
	s.gather.mu.Lock()
	defer s.gather.mu.Unlock()
	return s.gather.files[id]
}
