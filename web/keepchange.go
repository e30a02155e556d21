package web

import (
	"context"
	"net/http"
	"net/url"
	"strings"
	"time"

	"remanence/internal/outcome"
	"remanence/shelf"
)

func (s *Server) keepChangeRoutes(mux *http.ServeMux) {
	for path, change := range map[string]func(ctx context.Context, sh *shelf.Shelf, f url.Values) (string, error){
		"note": noteAdd, "note/edit": noteEdit, "note/remove": noteRemove, "tag": tagAdd, "tag/remove": tagRemove,
		"medium": mediumAdd, "medium/change": mediumChange, "log": runLog,
	} {
		mux.HandleFunc("POST /keep/"+path, s.post(s.keepChange(change)))
	}
}

// keepChange runs one change of the shelf. It goes on to the thing that was changed; where the change was refused, the
// page that has the form is shown again with the reason and what was typed.
func (s *Server) keepChange(change func(ctx context.Context, sh *shelf.Shelf, f url.Values) (ref string, err error)) func(http.ResponseWriter, *http.Request) {
	return func(w http.ResponseWriter, r *http.Request) {
		sh, err := s.shelf()
		if err != nil {
			s.fail(w, r, http.StatusInternalServerError, err.Error())
			return
		}
		ref, err := change(context.WithoutCancel(r.Context()), sh, r.PostForm)
		switch {
		case err == nil:
			http.Redirect(w, r, "/keep/show?what="+url.QueryEscape(ref), http.StatusSeeOther)
		case outcome.Status(err) == int(outcome.Output):
			s.fail(w, r, http.StatusInternalServerError, err.Error())
		case r.PostForm.Get("at") == "subject":
			s.subjectStatus(w, r, http.StatusUnprocessableEntity, ref, subjectData{Fault: withHint(err), Typed: r.PostForm, Edit: r.PostForm.Get("uid")})
		default:
			s.keepStatus(w, r, http.StatusUnprocessableEntity, keepData{Fault: withHint(err), Typed: r.PostForm})
		}
	}
}

// text is a field of a form as a person meant it: line ends of forms are CR LF (HTML, form submission).
func text(f url.Values, name string) string {
	return strings.TrimSpace(strings.ReplaceAll(f.Get(name), "\r\n", "\n"))
}

func noteAdd(ctx context.Context, sh *shelf.Shelf, f url.Values) (string, error) {
	return f.Get("subject"), sh.AddNote(ctx, f.Get("subject"), text(f, "text"))
}

func noteEdit(ctx context.Context, sh *shelf.Shelf, f url.Values) (string, error) {
	return f.Get("subject"), sh.EditNote(ctx, f.Get("subject"), f.Get("uid"), text(f, "text"))
}

func noteRemove(ctx context.Context, sh *shelf.Shelf, f url.Values) (string, error) {
	return f.Get("subject"), sh.RemoveNote(ctx, f.Get("subject"), f.Get("uid"))
}

// tagAdd takes several tags with commas between.
func tagAdd(ctx context.Context, sh *shelf.Shelf, f url.Values) (string, error) {
	var tags []string
	for t := range strings.SplitSeq(f.Get("tags"), ",") {
		if t = strings.TrimLeft(strings.TrimSpace(t), "-"); t != "" { // a minus would take the tag off
			tags = append(tags, t)
		}
	}
	if len(tags) == 0 {
		tags = []string{""} // refused, with what is wanted
	}
	return f.Get("subject"), sh.Tag(ctx, f.Get("subject"), tags...)
}

func tagRemove(ctx context.Context, sh *shelf.Shelf, f url.Values) (string, error) {
	return f.Get("subject"), sh.Tag(ctx, f.Get("subject"), "-"+f.Get("tag"))
}

func mediumAdd(ctx context.Context, sh *shelf.Shelf, f url.Values) (string, error) {
	n := text(f, "number")
	return shelf.MediumRef(n), sh.AddMedium(ctx, shelf.Medium{Number: n, Type: f.Get("type"), Title: text(f, "title"), Place: text(f, "place")})
}

func mediumChange(ctx context.Context, sh *shelf.Shelf, f url.Values) (string, error) {
	title, place := text(f, "title"), text(f, "place")
	return shelf.MediumRef(f.Get("number")), sh.ChangeMedium(ctx, f.Get("number"), &title, &place)
}

func runLog(ctx context.Context, sh *shelf.Shelf, f url.Values) (string, error) {
	x := shelf.Run{Medium: text(f, "number"), Kind: shelf.RunKind(f.Get("kind")), Outcome: shelf.Outcome(f.Get("outcome")), Equipment: text(f, "equipment"),
		Detail: text(f, "detail"), Master: text(f, "master"), Type: f.Get("type"), Place: text(f, "place")}
	ref := shelf.MediumRef(x.Medium)
	if m := text(f, "margin"); m != "" {
		v, err := shelf.ParsePercent(m)
		if err != nil {
			return ref, outcome.As(outcome.Usage, err)
		}
		x.Margin = &v
	}
	if d := f.Get("day"); d != "" {
		t, err := time.Parse("2006-01-02", d)
		if err != nil {
			return ref, outcome.As(outcome.Usage, err)
		}
		x.At = t
	}
	_, err := sh.Log(ctx, x)
	return ref, err
}
