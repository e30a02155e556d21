package web

import (
	"bytes"
	"context"
	"fmt"
	"net/http"
	"strconv"
	"strings"
	"sync"

	"remanence/internal/progress"
	"remanence/label"
	"remanence/picture"
	"remanence/shelf"
)

// keeper opens the shelf when it is first asked for.
type keeper struct {
	mu sync.Mutex
	s  *shelf.Shelf
}

func (k *keeper) close() error {
	k.mu.Lock()
	defer k.mu.Unlock()
	if k.s == nil {
		return nil
	}
	return k.s.Close()
}

func (s *Server) shelf() (*shelf.Shelf, error) {
	k := &s.keep
	k.mu.Lock()
	defer k.mu.Unlock()
	if k.s == nil {
		sh, err := shelf.Open(s.ctx, s.o.Shelf, shelf.Options{})
		if err != nil {
			return nil, err
		}
		k.s = sh
	}
	return k.s, nil
}

func (s *Server) keepRoutes(mux *http.ServeMux) {
	mux.HandleFunc("GET /keep", s.keepPage)
	mux.HandleFunc("GET /keep/search", s.keepSearch)
	mux.HandleFunc("GET /keep/show", s.keepShow)
	mux.HandleFunc("POST /keep/add", s.post(s.keepAdd))
	mux.HandleFunc("GET /labels", s.labelsPage)
	mux.HandleFunc("GET /labels.pdf", s.labelsPDF)
}

type keepData struct {
	Query  string
	Hits   []shelf.Hit
	More   bool
	Media  []shelf.Medium
	Risks  *shelf.Risks
	Runs   []madeRun
	Detail *shelf.Detail
	Fault  string
}

const hitsShown = 50

func (s *Server) keepPage(w http.ResponseWriter, r *http.Request) {
	d := keepData{Query: cut(r.FormValue("q"), 200)}
	sh, err := s.shelf()
	if err == nil && d.Query != "" {
		d.Hits, d.More, err = sh.Search(r.Context(), d.Query, hitsShown)
	}
	if err == nil {
		d.Media, err = sh.Media(r.Context())
	}
	if err == nil {
		d.Risks, err = sh.AtRisk(r.Context())
	}
	if err != nil {
		d.Fault = err.Error()
	}
	d.Media = d.Media[:min(len(d.Media), 200)]
	d.Runs = s.runs()
	s.show(w, "keep", "Keep", "Keep", d)
}

// keepSearch gives the hits alone, for the search as one types.
func (s *Server) keepSearch(w http.ResponseWriter, r *http.Request) {
	d := keepData{Query: cut(r.FormValue("q"), 200)}
	sh, err := s.shelf()
	if err == nil && d.Query != "" {
		d.Hits, d.More, err = sh.Search(r.Context(), d.Query, hitsShown)
	}
	if err != nil {
		d.Fault = err.Error()
	}
	w.Header().Set("Content-Type", "text/html; charset=utf-8")
	var b bytes.Buffer
	if err := s.pages["keep"].ExecuteTemplate(&b, "hits", d); err != nil {
		http.Error(w, "the hits could not be written", http.StatusInternalServerError)
		return
	}
	w.Write(b.Bytes())
}

func (s *Server) keepShow(w http.ResponseWriter, r *http.Request) {
	sh, err := s.shelf()
	var det *shelf.Detail
	if err == nil {
		det, err = sh.Show(r.Context(), r.FormValue("what"))
	}
	if err != nil {
		s.fail(w, r, http.StatusNotFound, err.Error())
		return
	}
	s.show(w, "subject", "On the shelf", "Keep", det)
}

// keepAdd puts the files and the masters of one result on the shelf.
func (s *Server) keepAdd(w http.ResponseWriter, r *http.Request) {
	run := cleanPath(r.PostForm.Get("run"))
	if _, err := s.run(run); err != nil {
		s.fail(w, r, http.StatusNotFound, "There is no such result.")
		return
	}
	sh, err := s.shelf()
	if err == nil {
		_, err = sh.AddPaths(context.WithoutCancel(r.Context()), []string{s.path("files"), s.path("out", run)}, progress.Nothing{})
	}
	if err != nil {
		s.fail(w, r, http.StatusInternalServerError, err.Error())
		return
	}
	http.Redirect(w, r, "/keep", http.StatusSeeOther)
}

type labelsData struct {
	Runs   []madeRun
	Run    string
	Sheets []*label.Sheet
	Sheet  string
	Start  int
	Most   int
	Notes  []string
	Fault  string
	Pages  int
}

// labelChoice reads what a person chose: result, sheet, first label.
func (s *Server) labelChoice(r *http.Request) (d labelsData, media []label.Medium) {
	d.Runs, d.Sheets, d.Start = s.runs(), s.o.Set.Sheets(), 1
	d.Run, d.Sheet = r.FormValue("run"), r.FormValue("sheet")
	if d.Run == "" && len(d.Runs) > 0 {
		d.Run = d.Runs[0].Name
	}
	for i := range d.Runs {
		if d.Runs[i].Name == d.Run {
			media = d.Runs[i].Manifest.Labels
		}
	}
	if d.Sheet == "" {
		d.Sheet = "insert-a4"
		for _, m := range media {
			if m.Type == "disk" {
				d.Sheet = "disk-5in-a4"
			}
		}
	}
	if n, err := strconv.Atoi(r.FormValue("start")); err == nil && n >= 1 {
		d.Start = n
	}
	return d, media
}

func (d *labelsData) draw(s *Server, media []label.Medium) []*picture.Canvas {
	sheet, err := s.o.Set.Sheet(d.Sheet)
	if err != nil {
		d.Fault = err.Error()
		return nil
	}
	d.Most = max(1, sheet.PerPage())
	d.Start = min(d.Start, d.Most)
	if len(media) == 0 {
		d.Fault = "There is nothing to label yet. Make something first."
		return nil
	}
	pages, notes, err := label.Pages(sheet, media, label.Options{Start: d.Start})
	if err != nil {
		d.Fault = err.Error()
	}
	d.Notes, d.Pages = notes, len(pages)
	return pages
}

func (s *Server) labelsPage(w http.ResponseWriter, r *http.Request) {
	d, media := s.labelChoice(r)
	d.draw(s, media)
	s.show(w, "labels", "Labels", "Keep", d)
}

// labelsPDF is the preview and the print: the same bytes.
func (s *Server) labelsPDF(w http.ResponseWriter, r *http.Request) {
	d, media := s.labelChoice(r)
	pages := d.draw(s, media)
	if len(pages) == 0 {
		s.fail(w, r, http.StatusNotFound, strings.TrimSpace("No labels. "+d.Fault+" "+strings.Join(d.Notes, " ")))
		return
	}
	var b bytes.Buffer
	if err := picture.PDF(&b, pages, picture.PDFMeta{Title: "Labels of " + d.Run, Creator: "remanence " + s.o.Version}); err != nil {
		s.fail(w, r, http.StatusInternalServerError, err.Error())
		return
	}
	h := w.Header()
	h.Set("Content-Type", "application/pdf")
	h.Set("Content-Security-Policy", pdfPolicy)
	h.Set("Content-Disposition", fmt.Sprintf("inline; filename=%q", "labels-"+d.Sheet+".pdf"))
	w.Write(b.Bytes())
}
