package web

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"html/template"
	"io"
	"io/fs"
	"net/http"
	"os"
	"path"
	"slices"
	"strconv"
	"strings"

	"remanence/disk"
	"remanence/picture"
	"remanence/recover"
	"remanence/tape"
	"remanence/tape/audio"
	"remanence/volume"
)

// source is one thing that lies in read/ and can be read back.
type source struct {
	Name string
	Size string
	Done bool // its result is in memory
}

type proveData struct {
	Job     *status
	Percent int
	Fault   string
	Sources []source
	Max     string
}

func (s *Server) proveRoutes(mux *http.ServeMux) {
	mux.HandleFunc("GET /prove", func(w http.ResponseWriter, r *http.Request) { s.proveShow(w, http.StatusOK, "") })
	mux.HandleFunc("POST /prove/add", s.proveForm)
	mux.HandleFunc("POST /prove/put", s.send(MaxRecordingBytes, s.provePut))
	mux.HandleFunc("POST /prove/read", s.post(s.proveRead))
	mux.HandleFunc("GET /prove/tape/{name}", s.tapePage)
	mux.HandleFunc("POST /prove/tape/{name}/gather", s.post(s.gatherTape))
	mux.HandleFunc("POST /disk/{key}/gather", s.post(s.gatherDisk))
	mux.HandleFunc("GET /read/{path}", func(w http.ResponseWriter, r *http.Request) {
		s.serveFile(w, r, "read/"+cmp.Or(cleanPath(r.PathValue("path")), "-"))
	})
	mux.HandleFunc("GET /disk/{key}", s.diskPage)
	mux.HandleFunc("GET /disk/{key}/{cyl}/{head}", s.trackPage)
	mux.HandleFunc("GET /disk/{key}/{cyl}/{head}/{sector}", s.sectorPage)
}

func (s *Server) proveShow(w http.ResponseWriter, code int, fault string) {
	d := proveData{Job: s.jobStatus(), Fault: fault, Max: size(MaxRecordingBytes)}
	if d.Job != nil && d.Job.Total > 0 {
		d.Percent = min(100, 100*d.Job.Done/d.Job.Total)
	}
	entries, _ := fs.ReadDir(s.root.FS(), "read") // none: an empty list
	s.jobs.mu.Lock()
	for _, e := range entries {
		info, err := e.Info()
		if err != nil || !info.Mode().IsRegular() || strings.HasSuffix(e.Name(), ".new") {
			continue
		}
		done := s.jobs.tapes[e.Name()] != nil || s.jobs.disks[idOf(e.Name())] != nil
		d.Sources = append(d.Sources, source{e.Name(), size(info.Size()), done})
	}
	s.jobs.mu.Unlock()
	s.showStatus(w, code, "prove", "Prove", "Prove", d)
}

// take stores what is to be read back, as a stream: recordings are large.
func (s *Server) take(name string, r io.Reader) (string, error) {
	name = path.Base(cleanPath(name))
	if name == "." || name == "" {
		return "", errors.New("the file has no name")
	}
	ext := path.Ext(name)
	stem := strings.TrimSuffix(name, ext)
	var f *os.File
	for n := 1; ; n++ {
		if n > 1 {
			name = fmt.Sprintf("%s (%d)%s", stem, n, ext)
		}
		var err error
		f, err = s.root.OpenFile("read/"+name, os.O_CREATE|os.O_EXCL|os.O_WRONLY, 0o600)
		if err == nil {
			break
		}
		if !errors.Is(err, fs.ErrExist) || n == 1000 {
			return "", fmt.Errorf("%s: %w", name, bare(err))
		}
	}
	_, err := io.Copy(f, r)
	if err = errors.Join(err, f.Close()); err != nil {
		s.root.Remove("read/" + name)
		return "", fmt.Errorf("%s: %w", name, bare(err))
	}
	return name, nil
}

func (s *Server) provePut(w http.ResponseWriter, r *http.Request) {
	name, err := s.take(r.URL.Query().Get("path"), r.Body)
	if err != nil {
		http.Error(w, err.Error(), http.StatusUnprocessableEntity)
		return
	}
	fmt.Fprintf(w, "%s: added", name)
}

func (s *Server) proveForm(w http.ResponseWriter, r *http.Request) {
	r.Body = http.MaxBytesReader(w, r.Body, MaxRecordingBytes)
	mr, err := r.MultipartReader()
	if err != nil {
		s.fail(w, r, http.StatusBadRequest, "The form could not be read.")
		return
	}
	trusted := false
	for {
		p, err := mr.NextPart()
		if err == io.EOF {
			break
		}
		if err != nil {
			s.proveShow(w, http.StatusBadRequest, "The form stopped: "+err.Error())
			return
		}
		if p.FormName() == "token" {
			b, _ := io.ReadAll(io.LimitReader(p, 100)) // what is not whole is not the token
			trusted = s.hasToken(string(b))
			continue
		}
		if !trusted {
			s.refuseToken(w, r)
			return
		}
		if p.FileName() == "" {
			continue
		}
		if _, err := s.take(p.FileName(), p); err != nil {
			s.proveShow(w, http.StatusUnprocessableEntity, err.Error())
			return
		}
	}
	if !trusted {
		s.refuseToken(w, r)
		return
	}
	http.Redirect(w, r, "/prove", http.StatusSeeOther)
}

// proveRead reads what a person chose: recordings of a tape, or all there is of one disk.
func (s *Server) proveRead(w http.ResponseWriter, r *http.Request) {
	var names []string
	for _, n := range r.PostForm["name"] {
		n = path.Base(cleanPath(n))
		if info, err := s.root.Stat("read/" + n); err == nil && info.Mode().IsRegular() {
			names = append(names, n)
		}
	}
	if len(names) == 0 {
		s.proveShow(w, http.StatusBadRequest, "Choose at least one file to read back.")
		return
	}
	isTape := make([]bool, len(names))
	for i, n := range names {
		f, err := s.root.Open("read/" + n)
		if err != nil {
			s.proveShow(w, http.StatusBadRequest, fmt.Sprintf("%s: %v", n, bare(err)))
			return
		}
		head := make([]byte, 4096)
		k, _ := io.ReadFull(f, head) // a short file is a short head
		f.Close()
		isTape[i] = audio.Recognise(head[:k]) != ""
	}
	if slices.Contains(isTape, true) && slices.Contains(isTape, false) {
		s.proveShow(w, http.StatusBadRequest, "Recordings and captures of a disk were chosen together. Choose what belongs to one medium.")
		return
	}
	err := s.begin("read "+names[0], func(ctx context.Context, j *job) (string, error) {
		if isTape[0] {
			return s.readTape(ctx, j, names)
		}
		return s.readDisk(ctx, j, names)
	})
	if err != nil {
		s.proveShow(w, http.StatusConflict, err.Error())
		return
	}
	http.Redirect(w, r, "/prove", http.StatusSeeOther)
}

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

// hidePath takes the working folder out of a message: what is on the page are names.
func (s *Server) hidePath(err error) error {
	if errors.Is(err, context.Canceled) {
		return err
	}
	return errors.New(strings.ReplaceAll(err.Error(), s.path("read")+string(os.PathSeparator), ""))
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

func (s *Server) readDisk(ctx context.Context, j *job, names []string) (string, error) {
	var paths []string
	for _, n := range names {
		paths = append(paths, s.path("read", n))
	}
	res, err := recover.Run(ctx, paths, recover.Options{Recordings: s.o.Set.Recordings(), Progress: j, OpenImage: s.openImage})
	if err != nil {
		return "", s.hidePath(err)
	}
	stem := strings.TrimSuffix(names[0], path.Ext(names[0]))
	key := idOf(names[0])
	v := &diskView{Title: "What was read of " + strings.Join(names, ", "), Sectors: res.Best, Map: res.Map(names[0], false), Back: "/prove", Recording: res.Summary.Recording}
	for n := 1; n < 1000 && v.Save == ""; n++ {
		img := fmt.Sprintf("%s-read-%d.img", stem, n)
		if _, err := s.root.Stat("read/" + img); errors.Is(err, fs.ErrNotExist) {
			if err := res.Best.Save(s.path("read", img), false); err != nil {
				return "", s.hidePath(err)
			}
			v.Save = img
		}
	}
	s.jobs.mu.Lock()
	s.jobs.keepDisk(key, v)
	s.jobs.mu.Unlock()
	return "/disk/" + key, nil
}

// openImage tells the shape of a raw image by the volume on it.
func (s *Server) openImage(_ string, data []byte, sc *disk.Sidecar) (*disk.Image, []string, error) {
	v, said, err := volume.Open(data, volume.Options{Recordings: s.o.Set.Recordings(), ParameterSets: s.o.Set.ParameterSets(), Sidecar: sc})
	if err != nil {
		return nil, nil, err
	}
	return v.Image(), said, nil
}

func (s *Server) disk(w http.ResponseWriter, r *http.Request) *diskView {
	s.jobs.mu.Lock()
	v := s.jobs.disks[r.PathValue("key")]
	s.jobs.mu.Unlock()
	if v == nil {
		s.fail(w, r, http.StatusNotFound, "This disk is not in memory any more. Read it back again under Prove.")
	}
	return v
}

type diskData struct {
	*diskView
	Key     string
	Picture template.HTML
	Track   *recover.MapTrack
	Sector  *recover.MapSector
	Rows    []row
	Wrong   string
}

func (s *Server) diskPage(w http.ResponseWriter, r *http.Request) {
	if v := s.disk(w, r); v != nil {
		s.show(w, "disk", v.Title, "Prove", diskData{diskView: v, Key: r.PathValue("key"), Picture: inline(v.Map.Draw(), "disk")})
	}
}

var states = map[string]picture.State{"repaired": picture.Repaired, "doubtful": picture.Doubtful, "lost": picture.Lost}

func (s *Server) track(w http.ResponseWriter, r *http.Request) *diskData {
	v := s.disk(w, r)
	if v == nil {
		return nil
	}
	c, err1 := strconv.Atoi(r.PathValue("cyl"))
	h, err2 := strconv.Atoi(r.PathValue("head"))
	i := slices.IndexFunc(v.Map.Tracks, func(t recover.MapTrack) bool { return t.Cylinder == c && t.Head == h })
	if err1 != nil || err2 != nil || i < 0 {
		s.fail(w, r, http.StatusNotFound, "There is no such track on this disk.")
		return nil
	}
	return &diskData{diskView: v, Key: r.PathValue("key"), Track: &v.Map.Tracks[i]}
}

func (s *Server) trackPage(w http.ResponseWriter, r *http.Request) {
	d := s.track(w, r)
	if d == nil {
		return
	}
	t := d.Track
	st := picture.Stack{Title: fmt.Sprintf("Cylinder %d, side %d", t.Cylinder, t.Head), Axis: picture.Axis{To: 1, Unit: "turn", Label: "angle from the index"}, Height: 40, Legend: true}
	rib := picture.Ribbon{Name: fmt.Sprintf("c%02d h%d", t.Cylinder, t.Head)}
	for _, x := range t.Sectors {
		if x.Angle == nil || x.Extra {
			continue
		}
		margin := -1.0
		if x.Margin != nil {
			margin = *x.Margin
		}
		from := *x.Angle
		rib.Stretches = append(rib.Stretches, picture.Stretch{From: from, To: min(1, from+max(x.Extent, 0.01)), Margin: margin, State: states[x.State], Label: fmt.Sprint(x.Sector), Title: fmt.Sprintf("sector %d, %d bytes", x.Sector, x.Size)})
	}
	st.Ribbons = []picture.Ribbon{rib}
	d.Picture = inline(st.Draw(), "track")
	s.show(w, "track", st.Title, "Prove", d)
}

func (s *Server) sectorPage(w http.ResponseWriter, r *http.Request) {
	d := s.track(w, r)
	if d == nil {
		return
	}
	n, err := strconv.Atoi(r.PathValue("sector"))
	i := slices.IndexFunc(d.Track.Sectors, func(x recover.MapSector) bool { return x.Sector == n && !x.Extra })
	if err != nil || i < 0 {
		s.fail(w, r, http.StatusNotFound, "There is no such sector on this track.")
		return
	}
	d.Sector = &d.Track.Sectors[i]
	x, ok := d.Sectors.Sector(disk.Place{Cylinder: d.Track.Cylinder, Head: d.Track.Head, Sector: n})
	if ok {
		d.Rows, d.Wrong = rowsOf(x.Data, 0, func(int) int { return -1 }), x.Why
	}
	s.show(w, "sector", fmt.Sprintf("Cylinder %d, side %d, sector %d", d.Track.Cylinder, d.Track.Head, n), "Prove", d)
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

// gatherDisk adds the image of a disk that was read to the files.
func (s *Server) gatherDisk(w http.ResponseWriter, r *http.Request) {
	v := s.disk(w, r)
	if v == nil {
		return
	}
	if v.Sectors == nil {
		s.fail(w, r, http.StatusNotFound, "There is no image of this disk.")
		return
	}
	if _, err := s.add(r.Context(), cmp.Or(v.Save, r.PathValue("key")+".img"), v.Sectors.Data); err != nil {
		s.fail(w, r, http.StatusUnprocessableEntity, err.Error())
		return
	}
	http.Redirect(w, r, "/", http.StatusSeeOther)
}
