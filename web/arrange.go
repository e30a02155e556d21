package web

import (
	"cmp"
	"context"
	"encoding/json"
	"fmt"
	"html/template"
	"net/http"
	"slices"
	"strconv"
	"strings"
	"sync"

	"remanence/internal/progress"
	"remanence/internal/words"
	"remanence/machine"
	"remanence/master"
	"remanence/picture"
	"remanence/plan"
)

// move is what a person changed in what was packed.
type move struct {
	Path string `json:"path"`
	Name string `json:"name"`
	From string `json:"from"`
	To   string `json:"to"` // "": a new medium
}

// settings are kept in state.json of the working folder, so that a closed browser or server loses nothing.
type settings struct {
	Machine        string `json:"machine"`
	Recording      string `json:"recording"`
	Cassette       int    `json:"cassette"`
	Copies         int    `json:"copies"`
	Title          string `json:"title"`
	IncludeDamaged bool   `json:"include-damaged"`
	Medium         string `json:"medium"` // preset that masters are proven with
	Moves          []move `json:"moves,omitempty"`
}

// arranger keeps the arrangement until files or settings change.
type arranger struct {
	mu  sync.Mutex
	set settings
	a   *master.Arrangement // nil: to be worked out
	gen int
}

func (a *arranger) load(s *Server) {
	a.set = settings{Machine: master.DefaultMachine, Medium: "good", Copies: 1}
	if b, err := s.root.ReadFile("state.json"); err == nil {
		var set settings
		if json.Unmarshal(b, &set) == nil && set.Machine != "" {
			if _, err := s.o.Set.Machine(set.Machine); err == nil {
				a.set = set
			}
		}
	}
}

// save writes the settings; a.mu is held.
func (a *arranger) save(s *Server) error {
	b, err := json.MarshalIndent(a.set, "", "  ")
	if err != nil {
		return err
	}
	if err := s.root.WriteFile("state.json.new", b, 0o600); err != nil {
		return err
	}
	return s.root.Rename("state.json.new", "state.json")
}

func (a *arranger) forget() {
	a.mu.Lock()
	defer a.mu.Unlock()
	a.a, a.gen = nil, a.gen+1
}

func (a *arranger) machine() string {
	a.mu.Lock()
	defer a.mu.Unlock()
	return a.set.Machine
}

// tapeRoom is what the class has around programs on tape.
func tapeRoom(m *machine.Machine) plan.TapeRoom {
	if m.Tape == nil {
		return plan.TapeRoom{}
	}
	return plan.TapeRoom{StartS: m.Tape.StartS, GapS: m.Tape.GapS, EndS: m.Tape.EndS}
}

// arrangement works out what goes where, a person's moves included. notes say which of them no longer fit.
func (s *Server) arrangement(ctx context.Context) (*master.Arrangement, settings, []string, error) {
	a := &s.arrange
	a.mu.Lock()
	set, gen, got := a.set, a.gen, a.a
	a.mu.Unlock()
	if got != nil {
		return got, set, nil, nil
	}
	got, notes, err := s.workOut(ctx, set)
	if err != nil {
		return nil, set, nil, err
	}
	a.mu.Lock()
	defer a.mu.Unlock()
	if a.gen == gen {
		a.a = got
	}
	return got, set, notes, nil
}

func (s *Server) workOut(ctx context.Context, set settings) (*master.Arrangement, []string, error) {
	files := s.path("files")
	got, err := master.Arrange(ctx, master.Request{
		Set: s.o.Set, Paths: []string{files}, Base: files, Machine: set.Machine, Recording: set.Recording, Cassette: set.Cassette,
		Copies: set.Copies, Title: set.Title, IncludeDamaged: set.IncludeDamaged,
	}, progress.Nothing{})
	if err != nil {
		return nil, nil, err
	}
	var notes []string
	for _, m := range set.Moves {
		if err := got.Plan.Move(m.Path, m.Name, m.From, m.To, tapeRoom(got.Machine)); err != nil {
			notes = append(notes, "An earlier move was left out: "+err.Error())
		}
	}
	return got, notes, nil
}

func (s *Server) arrangeRoutes(mux *http.ServeMux) {
	mux.HandleFunc("GET /arrange", s.arrangePage)
	mux.HandleFunc("POST /arrange/set", s.post(s.arrangeSet))
	mux.HandleFunc("POST /arrange/move", s.post(s.arrangeMove))
	mux.HandleFunc("POST /arrange/again", s.post(s.arrangeAgain))
}

type arrangeData struct {
	Empty      bool
	Fault      string
	Set        settings
	Machines   []*machine.Machine
	Presets    []*machine.Medium
	Recordings []string
	Cassettes  []int
	Media      []mediumView
	LeftOut    []plan.LeftOut
	Assumed    []string
	Notes      []string
	Bound      string
	Moves      int
}

type mediumView struct {
	*plan.Medium
	Bar     template.HTML
	Free    string
	Files   []placedView
	Others  []string // ids of media that files can move to
	Movable bool
}

type placedView struct {
	plan.Placed
	Takes string
}

func (s *Server) arrangePage(w http.ResponseWriter, r *http.Request) {
	s.arrangeShow(w, r, http.StatusOK, "")
}

func (s *Server) arrangeShow(w http.ResponseWriter, r *http.Request, status int, fault string) {
	a, set, notes, err := s.arrangement(r.Context())
	d := arrangeData{Set: set, Fault: fault, Machines: s.o.Set.Machines(), Presets: s.o.Set.Media(), Notes: notes, Moves: len(set.Moves)}
	if m, err := s.o.Set.Machine(set.Machine); err == nil {
		if m.Disk != nil {
			d.Recordings = m.Disk.Recordings
		}
		if m.Tape != nil {
			d.Cassettes = m.Tape.Cassettes
		}
	}
	s.gather.mu.Lock()
	d.Empty = len(s.gather.paths) == 0
	s.gather.mu.Unlock()
	if err != nil && !d.Empty {
		d.Fault = strings.TrimSpace(d.Fault + " " + err.Error())
	}
	if err == nil {
		d.Assumed, d.LeftOut, d.Notes = a.Assumed, a.Plan.LeftOut, append(d.Notes, a.Plan.Notes...)
		for i, m := range a.Plan.Media {
			d.Media = append(d.Media, showMedium(a, m, i))
		}
		d.Bound = "Fewer media cannot do."
		if n := len(a.Plan.Media); n > a.Plan.LowerBound {
			d.Bound = fmt.Sprintf("%d media; %d is a lower bound.", n, a.Plan.LowerBound)
		}
	}
	s.showStatus(w, status, "arrange", "Arrange", "Arrange", d)
}

// showMedium draws a medium as a bar filled to scale.
func showMedium(a *master.Arrangement, m *plan.Medium, n int) mediumView {
	v := mediumView{Medium: m, Movable: m.Image == ""}
	b := picture.Bar{Title: m.ID + ", filled to scale", Width: 720}
	unit := int64(a.Plan.Room.UnitBytes)
	for _, f := range m.Files {
		part := picture.Part{Name: f.Name, Fault: f.Damaged}
		takes := ""
		if m.Type == plan.ToDisk {
			part.Size = float64(f.Size) / 1024
			takes = size(f.Size)
			if v.Movable && unit > 0 {
				u, _ := a.Plan.Room.Need(int(f.Size))
				part.Size = float64(int64(u)*unit) / 1024
				takes += ", " + words.Count(u, a.Plan.Room.Unit)
			}
		} else {
			part.Size = f.LengthS
			takes = fmt.Sprintf("%.0f s from %s", f.LengthS, clock(f.AtS))
		}
		b.Parts = append(b.Parts, part)
		b.Capacity += part.Size
		v.Files = append(v.Files, placedView{f, takes})
	}
	if m.Type == plan.ToDisk {
		v.Free = fmt.Sprintf("%.1f KiB free", float64(m.FreeBytes)/1024)
		b.Capacity += float64(m.FreeBytes) / 1024
		b.Unit = "KiB"
	} else {
		v.Free = fmt.Sprintf("%.0f of %.0f s free", max(0, m.SideS-m.LengthS), m.SideS)
		b.Capacity, b.Unit = max(m.SideS, b.Capacity), "s"
	}
	b.Free = v.Free
	v.Bar = inline(b.Draw(), fmt.Sprintf("bar%d", n))
	for _, o := range a.Plan.Media {
		if o != m && o.Type == m.Type && o.Image == "" {
			v.Others = append(v.Others, o.ID)
		}
	}
	return v
}

func (s *Server) arrangeSet(w http.ResponseWriter, r *http.Request) {
	f := r.PostForm
	m, err := s.o.Set.Machine(f.Get("machine"))
	if err != nil {
		s.arrangeShow(w, r, http.StatusBadRequest, err.Error())
		return
	}
	a := &s.arrange
	a.mu.Lock()
	set := a.set
	if set.Machine != m.Name {
		set.Recording, set.Cassette = "", 0
	} else {
		set.Recording = f.Get("recording")
		set.Cassette, _ = strconv.Atoi(f.Get("cassette"))
		if m.Tape == nil || set.Cassette != 0 && !slices.Contains(m.Tape.Cassettes, set.Cassette) {
			set.Cassette = 0
		}
	}
	copies, _ := strconv.Atoi(f.Get("copies"))
	set.Copies = min(max(1, copies), 4)
	set.Machine, set.Title, set.IncludeDamaged = m.Name, cut(f.Get("title"), 60), f.Get("damaged") != ""
	if _, err := s.o.Set.Medium(f.Get("medium")); err == nil {
		set.Medium = f.Get("medium")
	}
	set.Moves = nil // ids mean other media now
	a.set, a.a, a.gen = set, nil, a.gen+1
	err = a.save(s)
	a.mu.Unlock()
	if err != nil {
		s.fail(w, r, http.StatusInternalServerError, bare(err).Error())
		return
	}
	http.Redirect(w, r, "/arrange", http.StatusSeeOther)
}

func cut(t string, n int) string {
	r := []rune(strings.TrimSpace(picture.Printable(t)))
	return string(r[:min(len(r), n)])
}

// arrangeMove moves one file; what does not fit is told and nothing changes.
func (s *Server) arrangeMove(w http.ResponseWriter, r *http.Request) {
	f := r.PostForm
	m := move{Path: f.Get("path"), Name: f.Get("name"), From: f.Get("from"), To: f.Get("to")}
	if m.To == "new" {
		m.To = ""
	}
	s.arrange.mu.Lock()
	set := s.arrange.set
	s.arrange.mu.Unlock()
	set.Moves = slices.Clone(set.Moves)
	got, _, err := s.workOut(r.Context(), set) // a fresh one: the old one may be in the making
	if err == nil {
		err = got.Plan.Move(m.Path, m.Name, m.From, m.To, tapeRoom(got.Machine))
	}
	if err != nil {
		if r.Header.Get("X-Token") != "" {
			http.Error(w, err.Error(), http.StatusConflict)
			return
		}
		s.arrangeShow(w, r, http.StatusConflict, err.Error())
		return
	}
	a := &s.arrange
	a.mu.Lock()
	a.set.Moves = append(set.Moves, m)
	a.a, a.gen = got, a.gen+1
	err = a.save(s)
	a.mu.Unlock()
	if err != nil {
		s.fail(w, r, http.StatusInternalServerError, bare(err).Error())
		return
	}
	http.Redirect(w, r, "/arrange#"+cmp.Or(m.To, m.From), http.StatusSeeOther)
}

func (s *Server) arrangeAgain(w http.ResponseWriter, r *http.Request) {
	a := &s.arrange
	a.mu.Lock()
	a.set.Moves, a.a, a.gen = nil, nil, a.gen+1
	err := a.save(s)
	a.mu.Unlock()
	if err != nil {
		s.fail(w, r, http.StatusInternalServerError, bare(err).Error())
		return
	}
	http.Redirect(w, r, "/arrange", http.StatusSeeOther)
}

// serveFile gives a file below the working folder. A page that make wrote may have its own style, but runs nothing.
func (s *Server) serveFile(w http.ResponseWriter, r *http.Request, name string) {
	f, err := s.root.Open(name)
	if err != nil {
		s.fail(w, r, http.StatusNotFound, "There is no such file.")
		return
	}
	defer f.Close()
	info, err := f.Stat()
	if err != nil || !info.Mode().IsRegular() {
		s.fail(w, r, http.StatusNotFound, "There is no such file.")
		return
	}
	h := w.Header()
	switch ext := name[strings.LastIndexByte(name, '.')+1:]; ext {
	case "html":
		h.Set("Content-Security-Policy", "default-src 'none'; style-src 'unsafe-inline'; img-src 'self' data:; sandbox")
	case "pdf":
		h.Set("Content-Type", "application/pdf")
		h.Set("Content-Security-Policy", pdfPolicy)
	case "wav":
		h.Set("Content-Type", "audio/wav")
	case "flac":
		h.Set("Content-Type", "audio/flac")
	case "json":
		h.Set("Content-Type", "application/json")
	default:
		h.Set("Content-Type", "application/octet-stream")
		h.Set("Content-Disposition", "attachment")
	}
	http.ServeContent(w, r, info.Name(), info.ModTime(), f)
}
