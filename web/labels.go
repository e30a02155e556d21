package web

import (
	"bytes"
	"fmt"
	"net/http"
	"strconv"
	"strings"

	"remanence/label"
	"remanence/picture"
)

func (s *Server) labelRoutes(mux *http.ServeMux) {
	mux.HandleFunc("GET /labels", s.labelsPage)
	mux.HandleFunc("GET /labels.pdf", s.labelsPDF)
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
