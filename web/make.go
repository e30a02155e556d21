package web

import (
	"cmp"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io/fs"
	"net/http"
	"slices"
	"strconv"
	"strings"
	"sync"
	"time"

	"remanence/master"
)

// job is one long piece of work. It belongs to the server: a browser may close and come back.
type job struct {
	What string // "make", "read NAME"

	mu     sync.Mutex
	phase  string
	done   int
	total  int
	note   string
	state  string // working, done, cancelled, failed
	fault  string
	goes   string // page with the result
	cancel context.CancelFunc
	wake   chan struct{} // closed at each change, then made anew
}

// status is what a page hears of a job.
type status struct {
	What  string `json:"what"`
	Phase string `json:"phase"`
	Done  int    `json:"done"`
	Total int    `json:"total"`
	Note  string `json:"note"`
	State string `json:"state"`
	Fault string `json:"fault,omitempty"`
	Goes  string `json:"goes,omitempty"`
}

func (j *job) change(f func()) {
	j.mu.Lock()
	defer j.mu.Unlock()
	f()
	close(j.wake)
	j.wake = make(chan struct{})
}

func (j *job) status() (status, <-chan struct{}) {
	j.mu.Lock()
	defer j.mu.Unlock()
	return status{j.What, j.phase, j.done, j.total, j.note, j.state, j.fault, j.goes}, j.wake
}

// Start, Step and Done make a job a progress.Progress.
func (j *job) Start(what string, total int) {
	j.change(func() { j.phase, j.total, j.done, j.note = what, total, 0, "" })
}
func (j *job) Step(n int, note string) {
	j.change(func() { j.done, j.note = j.done+n, cmp.Or(note, j.note) })
}
func (j *job) Done() {}

// jobs holds the one job that may run, and what came of the last.
type jobs struct {
	mu    sync.Mutex
	now   *job
	lost  string // what was being made when the program ended, "": nothing
	tapes map[string]*tapeView
	order []string // of tapes, oldest first
}

// makingNow holds the name of the result that is being made. Where it is there at the start, the program ended meanwhile.
const makingNow = "making"

func (js *jobs) start(s *Server) {
	if b, err := s.root.ReadFile(makingNow); err == nil {
		if name := string(b); runNumber(name) > 0 && !strings.ContainsAny(name, `/\`) {
			s.root.RemoveAll("out/" + name) // never proven
			js.lost = name
		}
		s.root.Remove(makingNow)
	}
	js.tapes = map[string]*tapeView{}
}

// maxKept bounds how many results are held in memory.
const maxKept = 12

// keepTape holds what pages look into; the oldest go. js.mu is held.
func (js *jobs) keepTape(key string, v *tapeView) { js.tapes[key] = v; js.kept(key) }
func (js *jobs) kept(key string) {
	js.order = append(slices.DeleteFunc(js.order, func(k string) bool { return k == key }), key)
	for len(js.order) > maxKept {
		delete(js.tapes, js.order[0])
		js.order = js.order[1:]
	}
}

// begin starts work unless some is going on.
func (s *Server) begin(what string, work func(ctx context.Context, j *job) (goes string, err error)) error {
	js := &s.jobs
	js.mu.Lock()
	defer js.mu.Unlock()
	if js.now != nil {
		if st, _ := js.now.status(); st.State == "working" {
			return fmt.Errorf("%s is still going on; wait for it or cancel it", st.What)
		}
	}
	ctx, cancel := context.WithCancel(s.ctx)
	j := &job{What: what, state: "working", phase: what, cancel: cancel, wake: make(chan struct{})}
	js.now = j
	go func() {
		defer cancel()
		goes, err := guarded(func() (string, error) { return work(ctx, j) })
		j.change(func() {
			switch {
			case errors.Is(err, context.Canceled):
				j.state = "cancelled"
			case err != nil:
				j.state, j.fault = "failed", inPageWords(err.Error())
			default:
				j.state, j.goes = "done", goes
			}
		})
	}()
	return nil
}

func (s *Server) makeRoutes(mux *http.ServeMux) {
	mux.HandleFunc("GET /make", s.makePage)
	mux.HandleFunc("POST /make/start", s.post(s.makeStart))
	mux.HandleFunc("POST /job/cancel", s.post(s.jobCancel))
	mux.HandleFunc("GET /job/events", s.jobEvents)
	mux.HandleFunc("GET /out/{path...}", func(w http.ResponseWriter, r *http.Request) {
		p := cleanPath(r.PathValue("path"))
		if p == "" {
			p = "-"
		}
		s.serveFile(w, r, "out/"+p)
	})
}

type makeData struct {
	Job     *status
	Percent int
	Ready   int
	Fault   string
	Runs    []madeRun
	Lost    string // the result that was not finished when the program ended
}

// madeRun is what lies in one folder of out/.
type madeRun struct {
	Name string
	master.Manifest
	Report bool
	Labels bool
	Looks  map[string]bool // media that can be looked into
}

func (s *Server) makePage(w http.ResponseWriter, r *http.Request) {
	s.makeShow(w, r, http.StatusOK, "")
}

func (s *Server) makeShow(w http.ResponseWriter, r *http.Request, code int, fault string) {
	d := makeData{Fault: fault, Job: s.jobStatus()}
	if d.Job != nil && d.Job.Total > 0 {
		d.Percent = min(100, 100*d.Job.Done/d.Job.Total)
	}
	if a, _, err := s.arrangement(r.Context()); err == nil {
		d.Ready = len(a.Plan.Media)
	}
	d.Runs = s.runs()
	s.jobs.mu.Lock()
	d.Lost = s.jobs.lost
	s.jobs.mu.Unlock()
	s.showStatus(w, code, "make", "Make", "Make", d)
}

func (s *Server) jobStatus() *status {
	s.jobs.mu.Lock()
	j := s.jobs.now
	s.jobs.mu.Unlock()
	if j == nil {
		return nil
	}
	st, _ := j.status()
	return &st
}

// runsShown is how many results the pages list; only so many manifests are read.
const runsShown = 20

// runs lists what was made, the newest first.
func (s *Server) runs() []madeRun {
	entries, err := fs.ReadDir(s.root.FS(), "out")
	if err != nil {
		return nil
	}
	slices.SortStableFunc(entries, func(a, b fs.DirEntry) int { return cmp.Compare(runNumber(b.Name()), runNumber(a.Name())) })
	var out []madeRun
	for _, e := range entries {
		if len(out) == runsShown {
			break
		}
		if !e.IsDir() {
			continue
		}
		if m, err := s.run(e.Name()); err == nil {
			out = append(out, *m)
		}
	}
	return out
}

func runNumber(name string) int {
	n, _ := strconv.Atoi(strings.TrimPrefix(name, "made-"))
	return n
}

func (s *Server) run(name string) (*madeRun, error) {
	b, err := s.root.ReadFile("out/" + name + "/manifest.json")
	if err != nil {
		return nil, err
	}
	m := madeRun{Name: name}
	if err := json.Unmarshal(b, &m.Manifest); err != nil {
		return nil, err
	}
	_, err = s.root.Stat("out/" + name + "/report.html")
	m.Report = err == nil
	_, err = s.root.Stat("out/" + name + "/labels.pdf")
	m.Labels = err == nil
	m.Looks = map[string]bool{}
	for _, x := range m.Media {
		if x.Image != "" && s.results.has("disk", name+"-"+x.ID) {
			m.Looks[x.ID] = true
		}
	}
	return &m, nil
}

func (s *Server) makeStart(w http.ResponseWriter, r *http.Request) {
	a, set, err := s.arrangement(r.Context())
	if err != nil {
		s.makeShow(w, r, http.StatusConflict, err.Error())
		return
	}
	if len(a.Plan.Media) == 0 {
		s.makeShow(w, r, http.StatusConflict, "Nothing is arranged on any medium yet. Add files first; what was left out and why stands under Arrange.")
		return
	}
	preset, err := s.o.Set.Medium(set.Medium)
	if err != nil {
		s.makeShow(w, r, http.StatusConflict, err.Error())
		return
	}
	err = s.begin("make", func(ctx context.Context, j *job) (string, error) {
		name := s.nextRun()
		if err := s.root.WriteFile(makingNow, []byte(name), 0o600); err != nil {
			return "", bare(err)
		}
		s.jobs.mu.Lock()
		s.jobs.lost = ""
		s.jobs.mu.Unlock()
		defer func() {
			if s.ctx.Err() == nil { // else the next start tells of it
				s.root.Remove(makingNow)
			}
		}()
		res, err := master.Make(ctx, s.o.Set, a.Arrangement, master.Options{Out: s.path("out", name), Medium: preset, Seed: 1, Version: s.o.Version, Command: "remanence serve"}, j)
		if err != nil {
			if ctx.Err() != nil { // what was begun is of no use: it was never proven
				s.root.RemoveAll("out/" + name)
				return "", ctx.Err()
			}
			return "", err
		}
		if err := s.keepMade(name, preset, res); err != nil {
			return "", err
		}
		return "/make#" + name, nil
	})
	if err != nil {
		s.makeShow(w, r, http.StatusConflict, err.Error())
		return
	}
	http.Redirect(w, r, "/make", http.StatusSeeOther)
}

// nextRun is the first number above all that are there.
func (s *Server) nextRun() string {
	last := 0
	entries, _ := fs.ReadDir(s.root.FS(), "out") // none: the first
	for _, e := range entries {
		last = max(last, runNumber(e.Name()))
	}
	return fmt.Sprintf("made-%d", last+1)
}

func (s *Server) jobCancel(w http.ResponseWriter, r *http.Request) {
	s.jobs.mu.Lock()
	j := s.jobs.now
	s.jobs.mu.Unlock()
	if j != nil {
		j.cancel()
	}
	back := "/make"
	if r.PostForm.Get("back") == "/prove" {
		back = "/prove"
	}
	http.Redirect(w, r, back, http.StatusSeeOther)
}

// jobEvents streams what the job says, as server-sent events: the present state first, then changes, at most ten a
// second, until the job ends.
func (s *Server) jobEvents(w http.ResponseWriter, r *http.Request) {
	s.jobs.mu.Lock()
	j := s.jobs.now
	s.jobs.mu.Unlock()
	if j == nil {
		w.WriteHeader(http.StatusNoContent) // tells EventSource not to come again
		return
	}
	w.Header().Set("Content-Type", "text/event-stream")
	rc := http.NewResponseController(w)
	tick := time.NewTicker(100 * time.Millisecond)
	defer tick.Stop()
	for {
		st, wake := j.status()
		b, err := json.Marshal(st)
		if err != nil {
			return
		}
		if _, err := fmt.Fprintf(w, "data: %s\n\n", b); err != nil || rc.Flush() != nil || st.State != "working" {
			return
		}
		select {
		case <-wake:
		case <-r.Context().Done():
			return
		}
		select {
		case <-tick.C:
		case <-r.Context().Done():
			return
		}
	}
}
