package web

import (
	"errors"
	"fmt"
	"io/fs"
	"net/http"
	"net/url"
	"path"
	"slices"
	"strings"

	"remanence/disk"
)

// provenResult is what came of reading back.
type provenResult struct {
	Name    string // for the button that removes it: kind-key of a result, the image's where it belongs to none
	Title   string
	Page    string
	Image   string // name in images/, "" where there is none
	Sectors string // what the image cannot say, "" where there is nothing
}

// proven lists results of reading back, and images that belong to none any more.
func (s *Server) proven() (out []provenResult) {
	held := map[string]bool{}
	for _, a := range s.results.list() {
		if len(a.Files) == 0 { // of making: it stands there
			continue
		}
		p := provenResult{Name: a.Kind + "-" + a.Key, Title: a.Title, Page: "/disk/" + a.Key}
		if a.Kind == "tape" {
			p.Page = "/prove/tape/" + url.PathEscape(a.Key)
		}
		s.beside(&p, a.Save)
		held[a.Save] = true
		out = append(out, p)
	}
	entries, _ := fs.ReadDir(s.root.FS(), images) // none: an empty list
	for _, e := range entries {
		if n := e.Name(); e.Type().IsRegular() && !held[n] && !strings.HasSuffix(n, ".sectors.json") {
			p := provenResult{Name: n, Title: n + ", of an earlier reading"}
			s.beside(&p, n)
			out = append(out, p)
		}
	}
	return out
}

// beside adds what of an image is there.
func (s *Server) beside(p *provenResult, image string) {
	if image == "" {
		return
	}
	if _, err := s.root.Stat(images + "/" + image); err == nil {
		p.Image = image
	}
	if _, err := s.root.Stat(images + "/" + disk.SidecarPath(image)); err == nil {
		p.Sectors = disk.SidecarPath(image)
	}
}

// proveRemove removes a file that was added, with what was read of it alone, or a result with its image. What the person
// has elsewhere is not touched; a result of several files stays, and says that one of them is gone.
func (s *Server) proveRemove(w http.ResponseWriter, r *http.Request) {
	if j := s.jobStatus(); j != nil && j.State == "working" {
		s.proveShow(w, http.StatusConflict, j.What+" is still going on; wait for it or cancel it before removing anything.")
		return
	}
	var err error
	if n := r.PostForm.Get("result"); n != "" {
		err = s.removeResult(n)
	} else {
		err = s.removeSource(r.PostForm.Get("file"))
	}
	if err != nil {
		s.proveShow(w, http.StatusUnprocessableEntity, err.Error())
		return
	}
	http.Redirect(w, r, "/prove", http.StatusSeeOther)
}

// holds reports whether a recording of that name is under way.
func (l *listening) holds(name string) bool {
	l.mu.Lock()
	defer l.mu.Unlock()
	for _, r := range l.byID {
		r.mu.Lock()
		on := r.name == name && !r.ended
		r.mu.Unlock()
		if on {
			return true
		}
	}
	return false
}

func (s *Server) removeSource(name string) error {
	if name == "" || checkNames(name) != nil {
		return errors.New("say which file is to be removed")
	}
	if s.listen.holds(name) {
		return fmt.Errorf("%s is being recorded; stop the recording first", name)
	}
	errs := []error{s.unlink("read/" + name), s.unlink(lookName(name)), s.unlink(wavName(name))}
	for _, a := range s.results.list() {
		if slices.Equal(a.Files, []string{name}) {
			errs = append(errs, s.removeKept(a))
		}
	}
	s.jobs.mu.Lock()
	delete(s.jobs.tapes, name)
	s.jobs.mu.Unlock()
	return errors.Join(errs...)
}

func (s *Server) removeResult(name string) error {
	for _, a := range s.results.list() {
		if len(a.Files) > 0 && a.Kind+"-"+a.Key == name {
			return s.removeKept(a)
		}
	}
	if checkNames(name) != nil {
		return errors.New("say which result is to be removed")
	}
	return s.removeImage(name)
}

// removeKept removes a result and its image.
func (s *Server) removeKept(a *about) error {
	s.jobs.mu.Lock()
	if a.Kind == "tape" {
		delete(s.jobs.tapes, a.Key)
	}
	s.jobs.mu.Unlock()
	return errors.Join(s.results.remove(a.Kind, a.Key), s.removeImage(a.Save))
}

func (s *Server) removeImage(name string) error {
	if name == "" || path.Base(name) != name {
		return nil
	}
	return errors.Join(s.unlink(images+"/"+name), s.unlink(images+"/"+disk.SidecarPath(name)))
}

// unlink removes a file below the working folder; one that is not there is removed already.
func (s *Server) unlink(name string) error {
	if err := s.root.Remove(name); err != nil && !errors.Is(err, fs.ErrNotExist) {
		return fmt.Errorf("%s: %w", name, bare(err))
	}
	return nil
}
