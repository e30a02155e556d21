package web

import (
	"context"
	"crypto/rand"
	"crypto/subtle"
	"embed"
	"errors"
	"fmt"
	"html/template"
	"io/fs"
	"log"
	"net"
	"net/http"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"time"

	"remanence/machine"
	"remanence/picture"
)

//go:embed assets pages
var embedded embed.FS

// Limits of what a browser may send.
const (
	MaxFileBytes      = 64 << 20 // one file to gather
	MaxZipFiles       = 10_000
	MaxZipBytes       = 512 << 20 // unpacked
	MaxFiles          = 20_000    // in the working folder
	MaxRecordingBytes = 4 << 30   // one recording or disk to read back; WAV ends there by itself
	maxFormBytes      = 1 << 20
	maxChunkBytes     = 4 << 20 // of sound
)

// Options say what the workbench works on.
type Options struct {
	Set     *machine.Set
	Work    string // working folder, made where it is missing
	Shelf   string // file of the shelf; it need not exist
	Config  string // configuration folder, for own label sheets; "": none
	Version string
	Key     bool              // let in only browsers that were opened with OpenPath
	Used    func(next string) // called when a key was used, with the path that holds the next one; nil: not told
}

// Server is the workbench. Its zero value is of no use; see New.
type Server struct {
	o     Options
	root  *os.Root // the working folder
	token string
	pages map[string]*template.Template
	ctx   context.Context // ends with the server
	gate  *gate           // nil: no key is asked for
	reads chan struct{}   // holds one while a whole sound is read

	gather  gatherer
	arrange arranger
	jobs    jobs
	results results // what came of reading back and making
	lens    lensShelf
	listen  listening
	keep    keeper
}

// New opens the working folder and looks at what lies in it. Jobs end with ctx.
func New(ctx context.Context, o Options) (*Server, error) {
	for _, d := range []string{"files", "out", "read"} {
		if err := os.MkdirAll(filepath.Join(o.Work, d), 0o700); err != nil {
			return nil, err
		}
	}
	root, err := os.OpenRoot(o.Work)
	if err != nil {
		return nil, err
	}
	s := &Server{o: o, root: root, token: rand.Text(), ctx: ctx, reads: make(chan struct{}, 1)}
	if s.pages, err = parsePages(); err != nil {
		return nil, err
	}
	if o.Key {
		s.gate = newGate(o.Used)
	}
	s.clearMoved()
	s.arrange.load(s)
	if err := s.gather.start(s); err != nil {
		return nil, err
	}
	s.results.root = root
	s.jobs.start(s)
	return s, nil
}

// Close lets go of folder and shelf.
func (s *Server) Close() error {
	s.listen.stopAll()
	return errors.Join(s.keep.close(), s.root.Close())
}

func parsePages() (map[string]*template.Template, error) {
	pages := map[string]*template.Template{}
	names, err := fs.Glob(embedded, "pages/*.html")
	if err != nil {
		return nil, err
	}
	for _, n := range names {
		base := strings.TrimSuffix(filepath.Base(n), ".html")
		if base == "layout" || base == "parts" {
			continue
		}
		t, err := template.New("layout.html").Funcs(functions).ParseFS(embedded, "pages/layout.html", "pages/parts.html", n)
		if err != nil {
			return nil, err
		}
		pages[base] = t
	}
	return pages, nil
}

// Handler is everything the workbench answers.
func (s *Server) Handler() http.Handler {
	mux := http.NewServeMux()
	assets, _ := fs.Sub(embedded, "assets") // the folder is embedded above
	mux.Handle("GET /assets/", http.StripPrefix("/assets/", cached(http.FileServerFS(assets))))
	mux.HandleFunc("GET /assets/picture.css", s.pictureCSS)
	s.gatherRoutes(mux)
	s.arrangeRoutes(mux)
	s.makeRoutes(mux)
	s.proveRoutes(mux)
	s.soundRoutes(mux)
	s.keepRoutes(mux)
	return s.guard(s.gate.pass(http.NewCrossOriginProtection().Handler(mux)))
}

func cached(h http.Handler) http.Handler {
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		w.Header().Set("Cache-Control", "no-cache")
		h.ServeHTTP(w, r)
	})
}

func (s *Server) pictureCSS(w http.ResponseWriter, _ *http.Request) {
	w.Header().Set("Content-Type", "text/css; charset=utf-8")
	fmt.Fprint(w, picture.Variables(":root"), picture.Classes())
}

// policy lets a page load only what the server itself has; no script or style in the page is run.
const policy = "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self'; media-src 'self'; connect-src 'self'; " +
	"frame-src 'self'; object-src 'none'; form-action 'self'; base-uri 'none'; frame-ancestors 'none'"

// pdfPolicy lets a page of ours show a PDF; a browser's viewer brings what it needs itself.
const pdfPolicy = "frame-ancestors 'self'; base-uri 'none'"

// guard refuses what does not come from this machine's own page.
func (s *Server) guard(next http.Handler) http.Handler {
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		h := w.Header()
		h.Set("Content-Security-Policy", policy)
		h.Set("X-Content-Type-Options", "nosniff")
		h.Set("Referrer-Policy", "same-origin")
		h.Set("Cross-Origin-Resource-Policy", "same-origin")
		h.Set("Cross-Origin-Opener-Policy", "same-origin")
		h.Set("Permissions-Policy", "microphone=(self), camera=(), geolocation=()")
		h.Set("Cache-Control", "no-store")
		if !LoopbackHost(r.Host) {
			http.Error(w, "this server answers to 127.0.0.1, [::1] and localhost only", http.StatusForbidden)
			return
		}
		next.ServeHTTP(w, r)
	})
}

// LoopbackHost reports whether a Host header, or an address to listen on, names this machine itself.
func LoopbackHost(host string) bool {
	name := host
	if h, _, err := net.SplitHostPort(host); err == nil {
		name = h
	}
	name = strings.TrimSuffix(strings.TrimPrefix(name, "["), "]")
	if strings.EqualFold(name, "localhost") {
		return true
	}
	ip := net.ParseIP(name)
	return ip != nil && ip.IsLoopback()
}

// post wraps a form: its size is bounded, and it must carry the token of the page.
func (s *Server) post(f func(w http.ResponseWriter, r *http.Request)) http.HandlerFunc {
	return func(w http.ResponseWriter, r *http.Request) {
		r.Body = http.MaxBytesReader(w, r.Body, maxFormBytes)
		if err := r.ParseForm(); err != nil {
			s.fail(w, r, http.StatusBadRequest, "The form could not be read: "+err.Error())
			return
		}
		if !s.hasToken(r.PostForm.Get("token")) && !s.hasToken(r.Header.Get("X-Token")) {
			s.refuseToken(w, r)
			return
		}
		f(w, r)
	}
}

// send wraps a body that is not a form; the token is in the header X-Token.
func (s *Server) send(limit int64, f func(w http.ResponseWriter, r *http.Request)) http.HandlerFunc {
	return func(w http.ResponseWriter, r *http.Request) {
		if !s.hasToken(r.Header.Get("X-Token")) {
			s.refuseToken(w, r)
			return
		}
		r.Body = http.MaxBytesReader(w, r.Body, limit)
		f(w, r)
	}
}

func (s *Server) hasToken(t string) bool {
	return subtle.ConstantTimeCompare([]byte(t), []byte(s.token)) == 1
}

func (s *Server) refuseToken(w http.ResponseWriter, r *http.Request) {
	s.fail(w, r, http.StatusForbidden, "This page is from an earlier start of the server. Load it again, then repeat what you did.")
}

// view is what every page gets.
type view struct {
	Title string
	Step  string // which of the five is current
	Token string
	Steps []step
	Data  any
}

type step struct{ Name, Path, About string }

var steps = []step{
	{"Gather", "/", "what have I got"},
	{"Arrange", "/arrange", "what goes where"},
	{"Make", "/make", "audio, disks, labels"},
	{"Prove", "/prove", "read back, compare, diagnose"},
	{"Keep", "/keep", "shelf, media, log"},
}

func (s *Server) show(w http.ResponseWriter, page, title, step string, data any) {
	s.showStatus(w, http.StatusOK, page, title, step, data)
}

func (s *Server) showStatus(w http.ResponseWriter, status int, page, title, step string, data any) {
	w.Header().Set("Content-Type", "text/html; charset=utf-8")
	var b strings.Builder
	if err := s.pages[page].Execute(&b, view{Title: title, Step: step, Token: s.token, Steps: steps, Data: data}); err != nil {
		log.Printf("page %s: %v", page, err)
		http.Error(w, "the page could not be written", http.StatusInternalServerError)
		return
	}
	w.WriteHeader(status)
	fmt.Fprint(w, b.String())
}

// fail tells a person, or the script, what went wrong.
func (s *Server) fail(w http.ResponseWriter, r *http.Request, status int, what string) {
	what = inPageWords(what)
	if r.Header.Get("X-Token") != "" {
		http.Error(w, what, status)
		return
	}
	s.showStatus(w, status, "fault", "That did not work", "", what)
}

func (s *Server) path(parts ...string) string {
	return filepath.Join(append([]string{s.o.Work}, parts...)...)
}

// Serve answers on l until ctx ends.
func (s *Server) Serve(ctx context.Context, l net.Listener) error {
	h := &http.Server{Handler: s.Handler(), ReadHeaderTimeout: 10 * time.Second, BaseContext: func(net.Listener) context.Context { return ctx }}
	var wg sync.WaitGroup
	done := make(chan struct{})
	wg.Go(func() {
		select {
		case <-ctx.Done():
		case <-done:
		}
		stop, cancel := context.WithTimeout(context.WithoutCancel(ctx), 3*time.Second)
		defer cancel()
		if h.Shutdown(stop) != nil { // a browser that holds a stream open does not hold the server
			h.Close()
		}
	})
	err := h.Serve(l)
	close(done)
	wg.Wait()
	if errors.Is(err, http.ErrServerClosed) {
		return nil
	}
	return err
}
