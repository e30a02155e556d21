package web

import (
	"cmp"
	"context"
	"encoding/json"
	"fmt"
	"html/template"
	"maps"
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
	"remanence/program"
	"remanence/volume"
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
	// Taken says which files a person left out (false) or took along where the page would not (true), by path.
	Taken map[string]bool `json:"taken,omitempty"`
}

// arranged is an arrangement with a person's moves in it.
type arranged struct {
	*master.Arrangement
	notes []string // moves that no longer fit
	moved int      // moves that stand
}

// arranger keeps the arrangement until files or settings change.
type arranger struct {
	mu  sync.Mutex
	set settings
	a   *arranged // nil: to be worked out
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

// arrangement works out what goes where, a person's moves included.
func (s *Server) arrangement(ctx context.Context) (*arranged, settings, error) {
	a := &s.arrange
	a.mu.Lock()
	set, gen, got := a.set, a.gen, a.a
	a.mu.Unlock()
	if got != nil {
		return got, set, nil
	}
	got, err := s.workOut(ctx, set)
	if err != nil {
		return nil, set, err
	}
	a.mu.Lock()
	defer a.mu.Unlock()
	if a.gen == gen {
		a.a = got
	}
	return got, set, nil
}

func (s *Server) workOut(ctx context.Context, set settings) (*arranged, error) {
	files := s.path("files")
	a, err := master.Arrange(ctx, master.Request{
		Set: s.o.Set, Paths: []string{files}, Base: files, Machine: set.Machine, Recording: set.Recording, Cassette: set.Cassette,
		Copies: set.Copies, Title: set.Title, IncludeDamaged: set.IncludeDamaged, Without: s.without(set),
	}, progress.Nothing{})
	if err != nil {
		return nil, err
	}
	got := &arranged{Arrangement: a}
	for _, m := range set.Moves {
		here, on := whereNow(a.Plan, m)
		if on == "" {
			got.notes = append(got.notes, fmt.Sprintf("%s was moved to %s by hand, but is not on such a medium now.", m.Path, cmp.Or(m.To, "a new medium")))
			continue
		}
		if err := a.Plan.Move(m.Path, here, on, m.To, tapeRoom(a.Machine)); err != nil {
			got.notes = append(got.notes, fmt.Sprintf("%s stays on %s, because what was moved by hand does not go there now: %v.", m.Path, on, err))
			continue
		}
		got.moved++
	}
	return got, nil
}

// whereNow finds what a person moved: where it was, or else, after packing anew, where it is now. on is "" if nowhere.
func whereNow(p *plan.Plan, m move) (name, on string) {
	for _, x := range p.Media {
		if x.Image != "" || m.From == "" || x.ID[:1] != m.From[:1] { // a disk is no tape
			continue
		}
		for _, f := range x.Files {
			if f.Path == m.Path && x.ID == m.From && f.Name == m.Name {
				return f.Name, x.ID
			}
			if f.Path == m.Path && on == "" {
				name, on = f.Name, x.ID
			}
		}
	}
	return name, on
}

// without is which files are left out before packing, and why: a person's word, or because there is nothing in them.
func (s *Server) without(set settings) map[string]string {
	out := map[string]string{}
	s.gather.mu.Lock()
	defer s.gather.mu.Unlock()
	for _, f := range s.gather.files {
		take, said := set.Taken[f.Path]
		switch {
		case said && !take:
			out[f.Path] = "you left it out"
		case !said && f.Size == 0:
			out[f.Path] = "the file is empty"
		}
	}
	return out
}

func (s *Server) arrangeRoutes(mux *http.ServeMux) {
	mux.HandleFunc("GET /arrange", s.arrangePage)
	mux.HandleFunc("POST /arrange/set", s.post(s.arrangeSet))
	mux.HandleFunc("POST /arrange/move", s.post(s.arrangeMove))
	mux.HandleFunc("POST /arrange/again", s.post(s.arrangeAgain))
	mux.HandleFunc("POST /arrange/take", s.post(s.arrangeTake))
	mux.HandleFunc("POST /arrange/unpack", s.post(s.arrangeUnpack))
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
	LeftOut    []leftView
	Assumed    []string
	Notes      []string
	Bound      string
	Moves      int
}

// leftView is a file that goes nowhere. Back: because of Without, so that it can be taken along.
type leftView struct {
	plan.LeftOut
	Back  bool
	Image bool // with a volume, whose files can be taken out
}

type mediumView struct {
	*plan.Medium
	Bar     template.HTML
	Free    string
	Files   []placedView
	Others  []string // ids of media that files can move to
	Source  string   // the disk image that it is made from; "": none
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
	a, set, err := s.arrangement(r.Context())
	d := arrangeData{Set: set, Fault: fault, Machines: s.o.Set.Machines(), Presets: s.o.Set.Media()}
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
		d.Assumed, d.Notes, d.Moves = a.Assumed, slices.Concat(a.notes, a.Plan.Notes), a.moved
		without := s.without(set)
		for _, l := range a.Plan.LeftOut {
			_, back := without[l.Path]
			f := s.report(idOf(l.Path))
			d.LeftOut = append(d.LeftOut, leftView{l, back, f != nil && f.Kind == program.SectorImage})
		}
		for i, m := range a.Plan.Media {
			d.Media = append(d.Media, showMedium(a.Arrangement, m, i))
		}
		d.Bound = "Fewer media cannot do."
		if slices.ContainsFunc(d.Media, func(m mediumView) bool { return m.Source != "" }) {
			d.Bound = "Fewer cannot do while images are kept as whole disks of their own; take their files out to pack them with the others."
		}
		if n := len(a.Plan.Media); n > a.Plan.LowerBound {
			d.Bound = fmt.Sprintf("%d media; %d is a lower bound.", n, a.Plan.LowerBound)
		}
	}
	s.showStatus(w, status, "arrange", "Arrange", "Arrange", d)
}

// showMedium draws a medium as a bar filled to scale.
func showMedium(a *master.Arrangement, m *plan.Medium, n int) mediumView {
	v := mediumView{Medium: m, Movable: m.Image == ""}
	if m.Image != "" {
		for _, f := range a.Files {
			if f.From == m.Image {
				v.Source = f.Path
			}
		}
	}
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
		v.Free = fmt.Sprintf("%.0f s free of %.0f s", max(0, m.SideS-m.LengthS), m.SideS)
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
	switch m.To {
	case "new":
		m.To = ""
	case "out":
		s.takeAlong(w, r, m.Path, false)
		return
	}
	s.arrange.mu.Lock()
	set, gen := s.arrange.set, s.arrange.gen
	s.arrange.mu.Unlock()
	got, err := s.workOut(r.Context(), set) // a fresh one: the old one may be in the making
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
	a.set.Moves = append(slices.Clone(a.set.Moves), m)
	if got.moved++; a.gen != gen {
		got = nil // files or settings changed meanwhile: it is worked out anew
	}
	a.a, a.gen = got, a.gen+1
	err = a.save(s)
	a.mu.Unlock()
	if err != nil {
		s.fail(w, r, http.StatusInternalServerError, bare(err).Error())
		return
	}
	http.Redirect(w, r, "/arrange#"+cmp.Or(m.To, m.From), http.StatusSeeOther)
}

// arrangeTake leaves a file out of the arrangement, or takes it along again.
func (s *Server) arrangeTake(w http.ResponseWriter, r *http.Request) {
	s.takeAlong(w, r, r.PostForm.Get("path"), r.PostForm.Get("take") == "yes")
}

// arrangeUnpack takes the files out of an image into the gathered ones, below a folder of its name, and leaves the image
// itself out, so that nothing is packed twice. Files that cannot be read whole are taken as far as they go, and named.
func (s *Server) arrangeUnpack(w http.ResponseWriter, r *http.Request) {
	path := r.PostForm.Get("path")
	said, err := s.unpack(r.Context(), path)
	if err != nil {
		s.arrangeShow(w, r, http.StatusConflict, err.Error())
		return
	}
	if len(said) > 0 {
		if err := s.leaveOut(path, false); err != nil {
			said = append(said, bare(err).Error())
		}
		s.arrangeShow(w, r, http.StatusOK, strings.Join(said, " "))
		return
	}
	s.takeAlong(w, r, path, false)
}

// unpack adds the files of the volume on an image; said is what is wrong with them.
func (s *Server) unpack(ctx context.Context, path string) (said []string, err error) {
	f := s.report(idOf(path))
	if f == nil || f.Kind != program.SectorImage {
		return nil, fmt.Errorf("%s: is no image with a volume among the files", path)
	}
	data, err := s.root.ReadFile("files/" + f.Path)
	if err != nil {
		return nil, fmt.Errorf("%s: %w", path, bare(err))
	}
	v, _, err := volume.Open(data, volume.Options{Recordings: s.o.Set.Recordings(), ParameterSets: s.o.Set.ParameterSets()})
	if err != nil {
		return nil, fmt.Errorf("%s: %w", path, err)
	}
	taken := map[string]bool{}
	suspects := volume.Suspects(v)
	for _, file := range v.Files() {
		b, faults, err := v.Get(file.Name)
		if err != nil {
			said = append(said, fmt.Sprintf("%s on %s was not taken out: %v.", file.Name, path, err))
			continue
		}
		for _, x := range append(faults, suspects[file.Name]...) {
			said = append(said, fmt.Sprintf("%s on %s is not sound: %v.", file.Name, path, x))
		}
		rel := volume.SafePath(v.Kind(), file.Name, func(n string) bool { return taken[n] })
		taken[strings.ToLower(rel)] = true
		if _, err := s.add(ctx, path+" files/"+rel, b); err != nil {
			return said, err
		}
	}
	return said, nil
}

func (s *Server) takeAlong(w http.ResponseWriter, r *http.Request, path string, yes bool) {
	if s.report(idOf(path)) == nil {
		s.arrangeShow(w, r, http.StatusNotFound, path+": is not among the files any more.")
		return
	}
	err := s.leaveOut(path, yes)
	if err != nil {
		s.fail(w, r, http.StatusInternalServerError, bare(err).Error())
		return
	}
	http.Redirect(w, r, "/arrange#left", http.StatusSeeOther)
}

// leaveOut notes that a person wants a file left out, or (yes) along.
func (s *Server) leaveOut(path string, yes bool) error {
	f := s.report(idOf(path))
	a := &s.arrange
	a.mu.Lock()
	defer a.mu.Unlock()
	taken := map[string]bool{}
	maps.Copy(taken, a.set.Taken) // a page may be reading the old one
	delete(taken, path)
	if !yes || f != nil && f.Size == 0 {
		taken[path] = yes
	}
	a.set.Taken, a.a, a.gen = taken, nil, a.gen+1
	return a.save(s)
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
