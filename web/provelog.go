package web

import (
	"context"
	"fmt"
	"net/http"
	"net/url"
	"path"
	"strings"

	"remanence/internal/outcome"
	"remanence/internal/words"
	"remanence/shelf"
	"remanence/tape"
)

// readingLog is the form that puts a reading on the shelf as a run of a medium. Outcome, counts and margin are the program's.
type readingLog struct {
	Token  string
	Action string
	Run    shelf.Run // without medium and equipment
	Typed  url.Values
	Fault  string
	Logged string // medium it was logged for just now
}

func (f *readingLog) fill(s *Server, r *http.Request, action string) {
	f.Token, f.Action = s.token, action
	if n := r.URL.Query().Get("logged"); shelf.CheckNumber(n) == nil {
		f.Logged = n
	}
}

// runOfDisk is the attempt that reading a disk was, with the least margin of its sectors.
func runOfDisk(v *diskView) shelf.Run {
	m := v.Map
	x := shelf.Run{Kind: shelf.Read, Type: "disk", Outcome: outcomeOf(m.Lost, m.Doubtful, m.Repaired), Title: stemOf(v.Files),
		Detail: fmt.Sprintf("%s: %d sectors good, %d repaired, %d doubtful, %d lost; read of %s", v.Recording, m.Good, m.Repaired, m.Doubtful, m.Lost, strings.Join(v.Files, ", "))}
	for _, t := range m.Tracks {
		if t.Least != nil && (x.Margin == nil || *t.Least < *x.Margin) {
			least := max(0, min(*t.Least, 1))
			x.Margin = &least
		}
	}
	return x
}

// runOfTape is the attempt that reading a tape was. There is no margin: odds of bits are no part of a window.
func runOfTape(v *tapeView) shelf.Run {
	lost, doubtful, repaired := 0, 0, 0
	for _, p := range v.Programs {
		switch p.State() {
		case tape.Good:
		case tape.Repaired:
			repaired++
		case tape.Doubtful:
			doubtful++
		default:
			lost++
		}
	}
	x := shelf.Run{Kind: shelf.Read, Type: "tape", Outcome: outcomeOf(lost, doubtful, repaired), Title: stemOf(v.Names),
		Detail: fmt.Sprintf("%s of %s whole, %d of them repaired, %d doubtful, %d lost in part; heard on %s", words.Count(len(v.Programs)-lost-doubtful, "program"), words.Count(len(v.Programs), "program"), repaired, doubtful, lost, strings.Join(v.Names, ", "))}
	if len(v.Programs) == 0 {
		x.Outcome, x.Detail = shelf.Lost, "no program heard on "+strings.Join(v.Names, ", ")
	}
	return x
}

// outcomeOf is the worst of what there is.
func outcomeOf(lost, doubtful, repaired int) shelf.Outcome {
	switch {
	case lost > 0:
		return shelf.Lost
	case doubtful > 0:
		return shelf.Doubtful
	case repaired > 0:
		return shelf.Repaired
	}
	return shelf.Good
}

// stemOf is what a medium that is new to the shelf is called.
func stemOf(files []string) string {
	if len(files) == 0 {
		return ""
	}
	return strings.TrimSuffix(files[0], path.Ext(files[0]))
}

// logReading puts a run on the shelf with what a person typed; the fault is for that person.
func (s *Server) logReading(ctx context.Context, x shelf.Run, f url.Values) error {
	x.Medium, x.Equipment = text(f, "number"), text(f, "equipment")
	if note := text(f, "note"); note != "" {
		x.Detail += "; " + note
	}
	if err := shelf.CheckNumber(x.Medium); err != nil {
		return err
	}
	sh, err := s.shelf()
	if err != nil {
		return err
	}
	if d, err := sh.Show(ctx, shelf.MediumRef(x.Medium)); err == nil && d.Medium != nil {
		if d.Medium.Type != x.Type {
			return outcome.As(outcome.Usage, fmt.Errorf("medium %s: on the shelf that is a %s, and this is the reading of a %s", x.Medium, d.Medium.Type, x.Type))
		}
		x.Title = "" // it has one
	}
	_, err = sh.Log(context.WithoutCancel(ctx), x)
	return err
}

// logDisk logs the reading of a disk and goes back to its page.
func (s *Server) logDisk(w http.ResponseWriter, r *http.Request) {
	v := s.disk(w, r)
	if v == nil {
		return
	}
	if v.Made != nil {
		s.fail(w, r, http.StatusConflict, "This is a disk of the simulated drive: there is no medium to log.")
		return
	}
	if err := s.logReading(r.Context(), runOfDisk(v), r.PostForm); err != nil {
		s.diskShow(w, r, v, statusOf(err), readingLog{Typed: r.PostForm, Fault: withHint(err)})
		return
	}
	http.Redirect(w, r, "/disk/"+r.PathValue("key")+"?logged="+url.QueryEscape(text(r.PostForm, "number"))+"#log", http.StatusSeeOther)
}

// logTape logs the reading of a tape and goes back to its page.
func (s *Server) logTape(w http.ResponseWriter, r *http.Request) {
	v := s.tape(r.PathValue("name"))
	if v == nil {
		s.fail(w, r, http.StatusNotFound, "This recording was not read back, or it was changed since. Read it back again under Prove.")
		return
	}
	if err := s.logReading(r.Context(), runOfTape(v), r.PostForm); err != nil {
		s.tapeShow(w, r, v, statusOf(err), readingLog{Typed: r.PostForm, Fault: withHint(err)})
		return
	}
	http.Redirect(w, r, "/prove/tape/"+url.PathEscape(v.Key)+"?logged="+url.QueryEscape(text(r.PostForm, "number"))+"#log", http.StatusSeeOther)
}

// statusOf is how a refused reading is answered.
func statusOf(err error) int {
	if outcome.Status(err) == int(outcome.Output) {
		return http.StatusInternalServerError
	}
	return http.StatusUnprocessableEntity
}
