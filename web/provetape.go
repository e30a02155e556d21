package web

import (
	"cmp"
	"context"
	"fmt"
	"html/template"
	"net/http"
	"path"
	"strings"

	"remanence/tape"
	"remanence/tape/audio"
)

// tapeView is a recording that was read.
type tapeView struct {
	*tape.Result
	Names    []string
	Pictures []drawn
}

type drawn struct {
	Name string
	SVG  template.HTML
}

func (s *Server) readTape(ctx context.Context, j *job, names []string) (string, error) {
	var results []*tape.Result
	v := &tapeView{Names: names}
	o := tape.ReadOptions{Keep: len(names) == 1}
	for _, n := range names {
		f, err := audio.Open(s.path("read", n))
		if err != nil {
			return "", s.hidePath(err)
		}
		res, err := tape.Read(ctx, f, s.o.Set.LineCodes(), o, j)
		f.Close()
		if err != nil {
			return "", s.hidePath(err)
		}
		if res.Stopped {
			return "", context.Canceled
		}
		results = append(results, res)
	}
	v.Result = results[0]
	if len(results) > 1 {
		v.Result = tape.MergeResults(results, names, o)
	} else {
		f, err := audio.Open(s.path("read", names[0]))
		if err != nil {
			return "", s.hidePath(err)
		}
		pics, err := tape.Pictures(ctx, v.Result, f)
		f.Close()
		if err != nil {
			return "", s.hidePath(err)
		}
		for i, p := range pics[:min(len(pics), 24)] {
			v.Pictures = append(v.Pictures, drawn{p.Name, inline(p.Canvas, fmt.Sprintf("p%d", i))})
		}
	}
	s.jobs.mu.Lock()
	s.jobs.keepTape(names[0], v)
	s.jobs.mu.Unlock()
	return "/prove/tape/" + names[0], nil
}

func (s *Server) tapePage(w http.ResponseWriter, r *http.Request) {
	s.jobs.mu.Lock()
	v := s.jobs.tapes[r.PathValue("name")]
	s.jobs.mu.Unlock()
	if v == nil {
		s.fail(w, r, http.StatusNotFound, "This recording is not in memory any more. Read it back again under Prove.")
		return
	}
	s.show(w, "tape", "What was heard on "+strings.Join(v.Names, ", "), "Prove", v)
}

// gatherTape adds the programs of a recording to the files, as the bytes after the sync.
func (s *Server) gatherTape(w http.ResponseWriter, r *http.Request) {
	name := r.PathValue("name")
	s.jobs.mu.Lock()
	v := s.jobs.tapes[name]
	s.jobs.mu.Unlock()
	if v == nil {
		s.fail(w, r, http.StatusNotFound, "This recording is not in memory any more. Read it back again under Prove.")
		return
	}
	stem := strings.TrimSuffix(name, path.Ext(name))
	for i, p := range v.Programs {
		if len(p.Data) == 0 {
			continue
		}
		if _, err := s.add(r.Context(), fmt.Sprintf("%s/%02d-%s.cas", stem, i+1, strings.ReplaceAll(cmp.Or(strings.TrimSpace(p.Name), p.Kind), "/", "_")), p.Data); err != nil {
			s.fail(w, r, http.StatusUnprocessableEntity, err.Error())
			return
		}
	}
	http.Redirect(w, r, "/", http.StatusSeeOther)
}
