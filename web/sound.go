package web

import (
	"net/http"

	"remanence/plan"
)

func (s *Server) soundRoutes(mux *http.ServeMux) {
	s.listen.mend.Do(s.mendRecordings)
	mux.HandleFunc("GET /play/{run}/{id}", s.playPage)
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

// playPage plays one side, with a mark for each program.
func (s *Server) playPage(w http.ResponseWriter, r *http.Request) {
	name := cleanPath(r.PathValue("run"))
	m, err := s.run(name)
	if err != nil {
		s.fail(w, r, http.StatusNotFound, "There is no such result.")
		return
	}
	for _, x := range m.Media {
		if x.ID == r.PathValue("id") && x.Audio != "" {
			s.show(w, "play", "Play "+x.ID, "Make", playData{name, "/out/" + name + "/" + x.Audio, &x.Medium})
			return
		}
	}
	s.fail(w, r, http.StatusNotFound, "There is no such tape side in this result.")
}
