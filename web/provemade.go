package web

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"io/fs"
	"net/http"
	"net/url"
	"os"
	"path"
)

// lookMade reads the sound of a made tape side back, as a recording under Prove, and goes to what was heard. Where it was
// read before and is the same still, it goes there at once.
func (s *Server) lookMade(w http.ResponseWriter, r *http.Request) {
	d, missing := s.side(r)
	if d == nil {
		s.fail(w, r, http.StatusNotFound, missing)
		return
	}
	name, err := s.bringMade(d.Run, path.Base(d.Audio))
	if err != nil {
		s.fail(w, r, http.StatusUnprocessableEntity, err.Error())
		return
	}
	if _, err := s.openLook(name); err == nil {
		http.Redirect(w, r, "/prove/tape/"+url.PathEscape(name), http.StatusSeeOther)
		return
	}
	if err := s.begin("read "+name, func(ctx context.Context, j *job) (string, error) { return s.readTape(ctx, j, []string{name}) }); err != nil {
		s.proveShow(w, http.StatusConflict, err.Error())
		return
	}
	http.Redirect(w, r, "/prove", http.StatusSeeOther)
}

// bringMade puts the sound of a result among what can be read back: as another name of the same file where the file system
// has that, or else as a copy. It gives the name there.
func (s *Server) bringMade(run, sound string) (string, error) {
	from, name := "out/"+run+"/"+sound, run+"-"+sound
	made, err := s.root.Stat(from)
	if err != nil {
		return "", fmt.Errorf("%s: %w", sound, bare(err))
	}
	switch there, err := s.root.Lstat("read/" + name); {
	case err == nil && os.SameFile(there, made), err == nil && there.Mode().IsRegular() && there.Size() == made.Size() && !there.ModTime().Before(made.ModTime()):
		return name, nil
	case err == nil || !errors.Is(err, fs.ErrNotExist):
		return "", fmt.Errorf("%s: %w; remove it under Prove first", name, cmp.Or(err, errors.New("another file of this name is there")))
	}
	if s.root.Link(from, "read/"+name) == nil {
		return name, nil
	}
	f, err := s.root.Open(from)
	if err != nil {
		return "", fmt.Errorf("%s: %w", sound, bare(err))
	}
	defer f.Close()
	return s.take(name, f)
}
