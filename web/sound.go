package web

import (
	"encoding/binary"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"math"
	"net/http"
	"os"
	"strconv"
	"sync"

	"remanence/plan"
	"remanence/tape/audio"
	"remanence/tape/linecode"
)

// A recording from the page travels as chunks of 32-bit floats over plain POST requests to this server and nowhere
// else. Each answer tells what was heard so far, so the page needs no second channel.

// recording is one recording under way.
type recording struct {
	mu    sync.Mutex
	name  string
	rate  int
	code  *linecode.Code
	dem   *linecode.Demodulator
	f     *os.File
	sink  audio.Sink
	next  int // number of the chunk that is expected
	n     int64
	peak  float64
	rms   float64
	clips int
	total int
	ended bool
}

// heardRun is a block as it was heard: what follows a leader and a sync.
type heardRun struct {
	Number    int     `json:"number"`
	FromS     float64 `json:"from-s"`
	ToS       float64 `json:"to-s"`
	Bytes     int     `json:"bytes"`
	Certainty float64 `json:"certainty"`
	State     string  `json:"state"` // good, doubtful
	Starts    string  `json:"starts"`
	Do        string  `json:"do,omitempty"`
}

// live is what a chunk is answered with.
type live struct {
	Seconds float64    `json:"seconds"`
	PeakDB  float64    `json:"peak-db"`
	RMSDB   float64    `json:"rms-db"`
	Clipped int        `json:"clipped"`
	Advice  string     `json:"advice"`
	Blocks  int        `json:"blocks"`
	New     []heardRun `json:"new"`
	Name    string     `json:"name"`
}

// listening holds the recordings under way.
type listening struct {
	mu   sync.Mutex
	byID map[string]*recording
	n    int
}

const (
	maxListening   = 4
	maxLiveSeconds = 4 * 3600
)

func (l *listening) stopAll() {
	l.mu.Lock()
	defer l.mu.Unlock()
	for _, r := range l.byID {
		r.end()
	}
}

func (s *Server) soundRoutes(mux *http.ServeMux) {
	mux.HandleFunc("GET /play/{run}/{id}", s.playPage)
	mux.HandleFunc("GET /record", s.recordPage)
	mux.HandleFunc("POST /record/start", s.post(s.recordStart))
	mux.HandleFunc("POST /record/{id}/chunk", s.send(maxChunkBytes, s.recordChunk))
	mux.HandleFunc("POST /record/{id}/stop", s.post(s.recordStop))
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

type recordData struct {
	Codes []*linecode.Code
	Usual string
}

func (s *Server) recordPage(w http.ResponseWriter, r *http.Request) {
	d := recordData{Codes: s.o.Set.LineCodes()}
	if m, err := s.o.Set.Machine(s.arrange.machine()); err == nil && m.Tape != nil {
		d.Usual = m.Tape.Code
	}
	s.show(w, "record", "Record a cassette", "Prove", d)
}

func (s *Server) recordStart(w http.ResponseWriter, r *http.Request) {
	rate, _ := strconv.Atoi(r.PostForm.Get("rate"))
	code, err := s.o.Set.LineCode(r.PostForm.Get("code"))
	if err == nil && (rate < audio.MinRateHz || rate > 192_000) {
		err = fmt.Errorf("rate %d Hz: want %d to 192000", rate, audio.MinRateHz)
	}
	if err != nil {
		http.Error(w, err.Error(), http.StatusBadRequest)
		return
	}
	dem, err := linecode.NewDemodulator(code, float64(rate), linecode.Options{})
	if err != nil {
		http.Error(w, err.Error(), http.StatusBadRequest)
		return
	}
	l := &s.listen
	l.mu.Lock()
	defer l.mu.Unlock()
	if l.byID == nil {
		l.byID = map[string]*recording{}
	}
	if len(l.byID) >= maxListening {
		http.Error(w, "Other recordings are still open; stop them first.", http.StatusConflict)
		return
	}
	rec := &recording{rate: rate, code: code, dem: dem}
	for n := 1; rec.f == nil; n++ {
		rec.name = fmt.Sprintf("cassette-%d.wav", n)
		rec.f, err = s.root.OpenFile("read/"+rec.name, os.O_CREATE|os.O_EXCL|os.O_RDWR, 0o600)
		if err != nil && (!errors.Is(err, os.ErrExist) || n > 10_000) {
			http.Error(w, bare(err).Error(), http.StatusInternalServerError)
			return
		}
	}
	if rec.sink, err = audio.CreateWAV(rec.f, audio.Format{RateHz: rate, Channels: 1, Bits: 16}, -1); err != nil {
		rec.f.Close()
		http.Error(w, bare(err).Error(), http.StatusInternalServerError)
		return
	}
	l.n++
	id := strconv.Itoa(l.n)
	l.byID[id] = rec
	w.Header().Set("Content-Type", "application/json")
	json.NewEncoder(w).Encode(map[string]string{"id": id, "name": rec.name})
}

func (s *Server) recording(id string) *recording {
	s.listen.mu.Lock()
	defer s.listen.mu.Unlock()
	return s.listen.byID[id]
}

// recordChunk takes the next samples, 32-bit floats, low byte first.
func (s *Server) recordChunk(w http.ResponseWriter, r *http.Request) {
	rec := s.recording(r.PathValue("id"))
	if rec == nil {
		http.Error(w, "This recording has ended.", http.StatusNotFound)
		return
	}
	b, err := io.ReadAll(r.Body)
	if err != nil || len(b)%4 != 0 {
		http.Error(w, fmt.Sprintf("want at most %s of 32-bit samples", size(maxChunkBytes)), http.StatusBadRequest)
		return
	}
	n, _ := strconv.Atoi(r.URL.Query().Get("n"))
	st, err := rec.feed(n, b)
	if err != nil {
		http.Error(w, err.Error(), http.StatusConflict)
		return
	}
	w.Header().Set("Content-Type", "application/json")
	json.NewEncoder(w).Encode(st)
}

// feed stores and hears one chunk.
func (r *recording) feed(n int, b []byte) (*live, error) {
	r.mu.Lock()
	defer r.mu.Unlock()
	switch {
	case r.ended:
		return nil, errors.New("this recording has ended")
	case n != r.next:
		return nil, fmt.Errorf("chunk %d came where %d was expected: a stretch of sound is missing; stop and record again", n, r.next)
	case r.n > int64(r.rate)*maxLiveSeconds:
		return nil, errors.New("four hours are recorded; stop and begin anew")
	}
	r.next++
	x := make([]float32, len(b)/4)
	sum := 0.0
	r.peak = 0
	for i := range x {
		v := math.Float32frombits(binary.LittleEndian.Uint32(b[4*i:]))
		if !(v >= -1 && v <= 1) { // nor a number that is none
			v = float32(min(1, max(-1, float64(v))))
			if v != v {
				v = 0
			}
		}
		x[i] = v
		a := math.Abs(float64(v))
		r.peak = max(r.peak, a)
		if a >= 0.999 {
			r.clips++
		}
		sum += a * a
	}
	if len(x) > 0 {
		r.rms = math.Sqrt(sum / float64(len(x)))
	}
	r.n += int64(len(x))
	if err := r.sink.Write(x); err != nil {
		return nil, bare(err)
	}
	r.dem.Feed(x)
	st := &live{Seconds: float64(r.n) / float64(r.rate), PeakDB: audio.DB(r.peak), RMSDB: audio.DB(r.rms), Clipped: r.clips, New: r.heard(), Name: r.name}
	st.Blocks, st.Advice = r.total, r.advice()
	return st, nil
}

// heard takes what the demodulator finished.
func (r *recording) heard() []heardRun {
	out := []heardRun{}
	for _, run := range r.dem.Take() {
		if len(run.Bytes) == 0 {
			continue
		}
		r.total++
		h := heardRun{Number: r.total, FromS: run.From / float64(r.rate), ToS: run.To / float64(r.rate), Bytes: len(run.Bytes), Certainty: run.Certainty, State: "good"}
		for _, b := range run.Bytes[:min(8, len(run.Bytes))] {
			h.Starts += fmt.Sprintf("%02X ", b.Value)
		}
		if run.Certainty < 0.98 {
			h.State = "doubtful"
			h.Do = fmt.Sprintf("wind back to before %s and play this stretch again", clock(run.LeaderAt/float64(r.rate)))
		}
		out = append(out, h)
	}
	return out
}

// advice says what to do about the level.
func (r *recording) advice() string {
	switch {
	case r.clips > 10:
		return "Too loud: the input is cut off. Turn the player down."
	case r.peak < 0.003:
		return "Nothing is heard. Is the cassette running and the cable in the right socket?"
	case r.peak < 0.05:
		return "Very quiet. Turn the player up."
	}
	return "The level is good."
}

// end completes the file. It may be called more than once.
func (r *recording) end() error {
	r.mu.Lock()
	defer r.mu.Unlock()
	if r.ended {
		return nil
	}
	r.ended = true
	r.dem.Close()
	return errors.Join(r.sink.Close(), r.f.Close())
}

func (s *Server) recordStop(w http.ResponseWriter, r *http.Request) {
	id := r.PathValue("id")
	rec := s.recording(id)
	if rec == nil {
		http.Error(w, "This recording has ended.", http.StatusNotFound)
		return
	}
	s.listen.mu.Lock()
	delete(s.listen.byID, id)
	s.listen.mu.Unlock()
	if err := rec.end(); err != nil {
		http.Error(w, bare(err).Error(), http.StatusInternalServerError)
		return
	}
	rec.mu.Lock()
	st := &live{Seconds: float64(rec.n) / float64(rec.rate), New: rec.heard(), Clipped: rec.clips, Name: rec.name}
	st.Blocks = rec.total
	rec.mu.Unlock()
	w.Header().Set("Content-Type", "application/json")
	json.NewEncoder(w).Encode(st)
}
