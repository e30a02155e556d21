package web

import (
	"context"
	"net/http"
	"path"

	"remanence/plan"
	"remanence/tape"
	"remanence/tape/audio"
	"remanence/tape/linecode"
)

func (s *Server) soundRoutes(mux *http.ServeMux) {
	s.listen.mend.Do(s.mendRecordings)
	mux.HandleFunc("GET /play/{run}/{id}", s.playPage)
	mux.HandleFunc("GET /play/{run}/{id}/marks", s.playMarks)
	mux.HandleFunc("GET /record", s.recordPage)
	mux.HandleFunc("POST /record/start", s.post(s.recordStart))
	mux.HandleFunc("POST /record/{id}/chunk", s.send(maxChunkBytes, s.recordChunk))
	mux.HandleFunc("POST /record/{id}/counter", s.post(s.recordCounter))
	mux.HandleFunc("POST /record/{id}/stop", s.post(s.recordStop))
	mux.HandleFunc("POST /record/check", s.post(s.recordCheck))
}

type playData struct {
	Run   string
	Audio string
	*plan.Medium
}

// side finds a tape side of a result, or says what is missing.
func (s *Server) side(r *http.Request) (d *playData, missing string) {
	name := cleanPath(r.PathValue("run"))
	m, err := s.run(name)
	if err != nil {
		return nil, "There is no such result."
	}
	for _, x := range m.Media {
		if x.ID == r.PathValue("id") && x.Audio != "" {
			return &playData{name, "/out/" + name + "/" + x.Audio, &x.Medium}, ""
		}
	}
	return nil, "There is no such tape side in this result."
}

// playPage plays one side, with a mark for each program.
func (s *Server) playPage(w http.ResponseWriter, r *http.Request) {
	d, missing := s.side(r)
	if d == nil {
		s.fail(w, r, http.StatusNotFound, missing)
		return
	}
	s.show(w, "play", "Play "+d.ID, "Make", d)
}

// playMarks gives the blocks of a side as they are heard on its sound: the marks are where the blocks are, not where they
// were meant to be.
func (s *Server) playMarks(w http.ResponseWriter, r *http.Request) {
	d, missing := s.side(r)
	if d == nil {
		http.Error(w, missing, http.StatusNotFound)
		return
	}
	codes, err := s.codesFor(d.Recording)
	if err != nil {
		codes = s.o.Set.LineCodes()
	}
	res, err := s.readSound(r.Context(), s.path("out", d.Run, path.Base(d.Audio)), codes)
	if err != nil {
		http.Error(w, err.Error(), http.StatusUnprocessableEntity)
		return
	}
	answer(w, res.Heard(codes))
}

// readSound reads a whole recording in one of the codes. Its errors name no folder.
func (s *Server) readSound(ctx context.Context, file string, codes []*linecode.Code) (*tape.Result, error) {
	select { // a whole side is work: one at a time, however many pages ask
	case s.reads <- struct{}{}:
		defer func() { <-s.reads }()
	case <-ctx.Done():
		return nil, ctx.Err()
	}
	f, err := audio.Open(file)
	if err != nil {
		return nil, s.hidePath(err)
	}
	defer f.Close()
	res, err := tape.Read(ctx, f, codes, tape.ReadOptions{}, nil)
	if err != nil {
		return nil, s.hidePath(err)
	}
	return res, nil
}
