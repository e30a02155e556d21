package web

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"net/http"
	"net/url"
	"os"
	"path"
	"slices"
	"strings"

	"remanence/program"
	"remanence/tape/audio"
)

// source is one thing that lies in read/ and can be read back.
type source struct {
	Name string
	Size string
	Look string // page with the disk that was read of it, "" where there is none
}

type proveData struct {
	Job     *status
	Percent int
	Fault   string
	Sources []source
	Results []provenResult
	Max     string
}

func (s *Server) proveRoutes(mux *http.ServeMux) {
	mux.HandleFunc("GET /prove", func(w http.ResponseWriter, r *http.Request) { s.proveShow(w, http.StatusOK, "") })
	mux.HandleFunc("POST /prove/add", s.proveForm)
	mux.HandleFunc("POST /prove/put", s.send(MaxRecordingBytes, s.provePut))
	mux.HandleFunc("POST /prove/read", s.post(s.proveRead))
	mux.HandleFunc("POST /prove/remove", s.post(s.proveRemove))
	mux.HandleFunc("POST /prove/made/{run}/{id}", s.post(s.lookMade))
	mux.HandleFunc("GET /prove/tape/{name}", s.tapePage)
	mux.HandleFunc("POST /prove/tape/{name}/gather", s.post(s.gatherTape))
	mux.HandleFunc("POST /disk/{key}/gather", s.post(s.gatherDisk))
	mux.HandleFunc("POST /disk/{key}/log", s.post(s.logDisk))
	mux.HandleFunc("POST /prove/tape/{name}/log", s.post(s.logTape))
	mux.HandleFunc("GET /read/{path}", func(w http.ResponseWriter, r *http.Request) {
		s.serveFile(w, r, "read/"+cmp.Or(cleanPath(r.PathValue("path")), "-"))
	})
	mux.HandleFunc("GET /image/{path}", func(w http.ResponseWriter, r *http.Request) {
		s.serveFile(w, r, images+"/"+cmp.Or(cleanPath(r.PathValue("path")), "-"))
	})
	mux.HandleFunc("GET /disk/{key}", s.diskPage)
	mux.HandleFunc("GET /disk/{key}/go", s.goTrack)
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
		look := ""
		if key := idOf(e.Name()); s.results.has("disk", key) {
			look = "/disk/" + key
		} else if _, err := s.root.Stat(lookName(e.Name())); err == nil || s.jobs.tapes[e.Name()] != nil {
			look = "/prove/tape/" + url.PathEscape(e.Name())
		}
		d.Sources = append(d.Sources, source{e.Name(), size(info.Size()), look})
	}
	s.jobs.mu.Unlock()
	d.Results = s.proven()
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
		goes, err := s.readDisk(ctx, j, names)
		if err != nil && ctx.Err() == nil {
			for _, n := range names {
				if s.isText("read/" + n) { // only now: a reader may know a dump that is text
					return "", fmt.Errorf("%s: this is text, not a recording or a disk; add it under Gather", n)
				}
			}
		}
		return goes, err
	})
	if err != nil {
		s.proveShow(w, http.StatusConflict, err.Error())
		return
	}
	http.Redirect(w, r, "/prove", http.StatusSeeOther)
}

// isText says whether the first 64 KiB of a file are text.
func (s *Server) isText(name string) bool {
	f, err := s.root.Open(name)
	if err != nil {
		return false
	}
	defer f.Close()
	head, err := io.ReadAll(io.LimitReader(f, 64<<10))
	return err == nil && program.Inspect(head).Kind == program.Text
}

// hidePath takes the working folder out of a message: what is on the page are names.
func (s *Server) hidePath(err error) error {
	if errors.Is(err, context.Canceled) {
		return err
	}
	sep := string(os.PathSeparator)
	return errors.New(strings.NewReplacer(s.path("read")+sep, "", s.o.Work+sep, "").Replace(err.Error()))
}
