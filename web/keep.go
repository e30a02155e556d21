package web

import (
	"bytes"
	"context"
	"net/http"
	"net/url"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"sync"

	"remanence/internal/outcome"
	"remanence/internal/progress"
	"remanence/program"
	"remanence/shelf"
)

// keeper opens the shelf when it is first asked for.
type keeper struct {
	mu sync.Mutex
	s  *shelf.Shelf

	moving sync.Mutex // held while an export or import runs: one at a time
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
		sh, err := shelf.Open(s.ctx, s.o.Shelf, shelf.Options{Recognizers: s.inspectOptions().Recognizers})
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
	mux.HandleFunc("GET /keep/list", s.keepList)
	mux.HandleFunc("POST /keep/add", s.post(s.keepAdd))
	s.keepChangeRoutes(mux)
	s.keepMoveRoutes(mux)
	s.labelRoutes(mux)
}

type keepData struct {
	hitsData
	Media     []shelf.Medium
	MoreMedia int
	Risks     *shelf.Risks
	Runs      []madeRun
	Log       logForm
	Typed     url.Values // what was typed into a form that was refused
	Said      string     // what came of an import
	MaxImport string
	Fault     string
}

// hitsData is what a search found.
type hitsData struct {
	Query string
	Hits  []shelf.Hit
	More  bool
	Wrong string
}

// logForm is what the form for a run offers.
type logForm struct {
	Token     string
	Number    string         // the medium's, "": to be typed
	Masters   []shelf.Master // to be written from
	Equipment []string       // as was said before
	Typed     url.Values
}

const (
	hitsShown  = 50
	mediaShown = 200
	risksShown = 10 // of Keep's first page, as its template has it
)

// search finds what the query of a request asks for.
func (s *Server) search(r *http.Request) hitsData {
	d := hitsData{Query: cut(r.FormValue("q"), 200)}
	if d.Query == "" {
		return d
	}
	sh, err := s.shelf()
	if err == nil {
		d.Hits, d.More, err = sh.Search(r.Context(), d.Query, hitsShown)
	}
	if err != nil {
		d.Wrong = err.Error()
	}
	for i := range d.Hits {
		d.Hits[i].About = aboutHit(&d.Hits[i])
	}
	return d
}

var fullSum = regexp.MustCompile(`\b[0-9a-f]{64}\b`)

// aboutHit is what a person wants to read of a hit besides where it is: what is indexed, without the sum, the kind in words.
func aboutHit(h *shelf.Hit) string {
	a := strings.Join(strings.Fields(fullSum.ReplaceAllString(strings.TrimPrefix(h.About, h.Where+"; "), "")), " ")
	if h.Kind == "file" {
		k, rest, _ := strings.Cut(a, " ")
		a = strings.TrimSuffix(kindWords(program.Kind(k))+", "+rest, ", ")
	}
	return a
}

func (s *Server) keepPage(w http.ResponseWriter, r *http.Request) {
	s.keepStatus(w, r, http.StatusOK, keepData{})
}

// keepStatus shows the shelf; d holds what a form has to say.
func (s *Server) keepStatus(w http.ResponseWriter, r *http.Request, status int, d keepData) {
	d.hitsData = s.search(r)
	sh, err := s.shelf()
	if err == nil {
		d.Media, err = sh.Media(r.Context())
	}
	if err == nil {
		d.Risks, err = sh.AtRiskUpTo(r.Context(), risksShown+1)
	}
	if err == nil {
		d.Log, err = s.logForm(r.Context(), sh)
	}
	if err != nil && d.Fault == "" {
		d.Fault = err.Error()
	}
	d.MoreMedia = max(0, len(d.Media)-mediaShown)
	d.Media = d.Media[:len(d.Media)-d.MoreMedia]
	d.Runs = s.runs()
	d.MaxImport = size(MaxShelfBytes)
	d.Log.Typed = d.Typed
	s.showStatus(w, status, "keep", "Keep", "Keep", d)
}

// logForm gathers what the form for a run offers.
func (s *Server) logForm(ctx context.Context, sh *shelf.Shelf) (f logForm, err error) {
	f.Token = s.token
	if f.Masters, err = sh.Masters(ctx); err != nil {
		return f, err
	}
	f.Masters = f.Masters[:min(len(f.Masters), 200)]
	runs, err := sh.Runs(ctx, "", 200)
	for _, x := range runs {
		if x.Equipment != "" && !slices.Contains(f.Equipment, x.Equipment) && len(f.Equipment) < 20 {
			f.Equipment = append(f.Equipment, x.Equipment)
		}
	}
	return f, err
}

// keepSearch gives the hits alone, for the search as one types.
func (s *Server) keepSearch(w http.ResponseWriter, r *http.Request) {
	var b bytes.Buffer
	if err := s.pages["keep"].ExecuteTemplate(&b, "hits", s.search(r)); err != nil {
		http.Error(w, "the hits could not be written", http.StatusInternalServerError)
		return
	}
	w.Header().Set("Content-Type", "text/html; charset=utf-8")
	w.Write(b.Bytes())
}

// subjectData is one file, master or medium with its forms.
type subjectData struct {
	*shelf.Detail
	Log   logForm
	Typed url.Values
	Edit  string // the note that is being edited
	Fault string
	// RowsOf what is long: files on a master are cut for the page
	MoreItems int
}

const itemsShown = 500

func (s *Server) keepShow(w http.ResponseWriter, r *http.Request) {
	s.subjectStatus(w, r, http.StatusOK, r.FormValue("what"), subjectData{Edit: r.FormValue("edit")})
}

// subjectStatus shows one thing of the shelf; d holds what a form has to say.
func (s *Server) subjectStatus(w http.ResponseWriter, r *http.Request, status int, what string, d subjectData) {
	sh, err := s.shelf()
	if err == nil {
		d.Detail, err = sh.Show(r.Context(), what)
	}
	if err == nil && d.Medium != nil { // the form stands on a medium's page alone
		d.Log, err = s.logForm(r.Context(), sh)
	}
	if err != nil {
		s.fail(w, r, http.StatusNotFound, withHint(err))
		return
	}
	d.Log.Typed = d.Typed
	title := "On the shelf"
	switch {
	case d.Medium != nil:
		title = "Medium " + d.Medium.Number
		d.Log.Number = d.Medium.Number
	case d.Master != nil:
		title = "Master " + d.Master.Number
	case d.File != nil:
		title = d.File.Name
	}
	if d.Master != nil {
		d.MoreItems = max(0, len(d.Master.Items)-itemsShown)
		d.Master.Items = d.Master.Items[:len(d.Master.Items)-d.MoreItems]
	}
	s.showStatus(w, status, "subject", title, "Keep", d)
}

// withHint is an error with what to do instead, where that is known.
func withHint(err error) string {
	if h := outcome.HintOf(err); h != "" && !strings.Contains(h, "--") {
		return err.Error() + " (" + h + ")"
	}
	return err.Error()
}

// listData is a page of one of the shelf's lists.
type listData struct {
	Of             string
	Files          []shelf.File
	Masters        []shelf.Master
	Media          []shelf.Medium
	Runs           []shelf.Run
	Duplicates     []shelf.Duplicate
	Near           []shelf.Pair
	Risks          []shelf.Risk
	From, To       int
	Total          int // -1: not counted
	Next, Previous int // -1: none
}

const (
	listPage  = 100
	listLimit = 5000 // of lists that are worked out as a whole
)

var listTitles = map[string]string{
	"files": "Files on the shelf", "masters": "Masters", "media": "Media", "runs": "Log of all runs",
	"duplicates": "The same content at several places", "near": "Nearly the same", "risk": "At risk",
}

// keepList shows one of the lists, a page at a time.
func (s *Server) keepList(w http.ResponseWriter, r *http.Request) {
	d := listData{Of: r.FormValue("of"), Total: -1, Next: -1, Previous: -1}
	title, ok := listTitles[d.Of]
	if !ok {
		s.fail(w, r, http.StatusNotFound, "There is no such list. The lists are files, masters, media, runs, duplicates, near and risk.")
		return
	}
	from, _ := strconv.Atoi(r.FormValue("from"))
	d.From = min(max(0, from), 1<<30)
	ctx := r.Context()
	sh, err := s.shelf()
	if err == nil {
		switch d.Of {
		case "files":
			if d.Files, err = sh.Files(ctx, d.From, listPage+1); err == nil {
				d.To = d.From + len(d.Files)
				if len(d.Files) > listPage {
					d.Files, d.To, d.Next = d.Files[:listPage], d.From+listPage, d.From+listPage
				}
			}
		case "masters":
			d.Masters, err = sh.Masters(ctx)
			d.Masters = page(&d, d.Masters)
		case "media":
			d.Media, err = sh.Media(ctx)
			d.Media = page(&d, d.Media)
		case "runs":
			d.Runs, err = sh.Runs(ctx, "", listLimit)
			d.Runs = page(&d, d.Runs)
		case "duplicates":
			d.Duplicates, err = sh.Duplicates(ctx, listLimit)
			d.Duplicates = page(&d, d.Duplicates)
		case "near":
			d.Near, err = sh.Near(ctx, listLimit)
			d.Near = page(&d, d.Near)
		case "risk":
			var r *shelf.Risks
			if r, err = sh.AtRiskUpTo(ctx, listLimit); err == nil {
				d.Risks = page(&d, r.List)
				d.Total = r.Total()
			}
		}
	}
	if err != nil {
		s.fail(w, r, http.StatusInternalServerError, err.Error())
		return
	}
	if d.From > 0 {
		d.Previous = max(0, d.From-listPage)
	}
	s.show(w, "shelflist", title, "Keep", d)
}

// page takes the page of a list that d asks for.
func page[T any](d *listData, all []T) []T {
	d.Total = len(all)
	d.From = min(d.From, len(all))
	d.To = min(d.From+listPage, len(all))
	if d.To < len(all) {
		d.Next = d.To
	}
	return all[d.From:d.To]
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
