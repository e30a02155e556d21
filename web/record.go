package web

import (
	"encoding/binary"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"log"
	"math"
	"net/http"
	"os"
	"path"
	"runtime"
	"strconv"
	"sync"
	"syscall"
	"time"

	"remanence/tape"
	"remanence/tape/audio"
	"remanence/tape/linecode"
)

// A recording from the page travels as chunks of 32-bit floats over plain POST requests to this server and nowhere
// else. Each answer tells what was heard so far, so the page needs no second channel. Chunks are numbered: one that comes
// a second time, because its answer was lost, is answered as before and not stored again.

// recording is one recording under way.
type recording struct {
	mu     sync.Mutex
	name   string
	rate   int
	live   *tape.Live
	f      *os.File
	sink   audio.Sink
	next   int // number of the chunk that is expected
	n      int64
	mended int64 // samples the header speaks of
	peak   float64
	clipAt float64 // second of the last sample that was cut off
	last   *heardNow
	seen   time.Time
	ended  bool
	marks  []counterMark
}

// counterMark is a reading of the player's counter.
type counterMark struct {
	atS float64
	n   int
}

// heardNow is what a chunk is answered with.
type heardNow struct {
	Seconds float64 `json:"seconds"` // of sound stored and heard
	Advice  string  `json:"advice"`
	Name    string  `json:"name"`
	Stored  string  `json:"stored,omitempty"` // on stopping: how much
	tape.LiveUpdate
}

// listening holds the recordings under way.
type listening struct {
	mu   sync.Mutex
	byID map[string]*recording
	n    int
	mend sync.Once
}

const (
	maxListening   = 4
	maxLiveSeconds = 4 * 3600
	idleListening  = 2 * time.Minute // after which a page that went away does not come back
	findOut        = "find-out"      // the line code is not told
	minCounterS    = 30.0            // between two readings of a counter
	mendEveryS     = 1
)

func (l *listening) stopAll() {
	l.mu.Lock()
	defer l.mu.Unlock()
	for _, r := range l.byID {
		r.end()
	}
}

// mendRecordings fills in the headers of recordings that an earlier run of the server was stopped in.
func (s *Server) mendRecordings() {
	names, err := fs.Glob(s.root.FS(), "read/cassette-[0-9]*.wav")
	if err != nil {
		return
	}
	for _, name := range names {
		f, err := s.root.OpenFile(name, os.O_RDWR, 0)
		if err != nil {
			continue
		}
		if info, err := f.Stat(); err == nil && info.Mode().IsRegular() {
			if mended, err := audio.MendWAV(f, info.Size()); err == nil && mended {
				log.Printf("%s was not finished; its header now says how much there is", path.Base(name))
			}
		}
		f.Close()
	}
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

// codesFor gives the codes to listen for.
func (s *Server) codesFor(name string) ([]*linecode.Code, error) {
	if name == findOut {
		return s.o.Set.LineCodes(), nil
	}
	c, err := s.o.Set.LineCode(name)
	return []*linecode.Code{c}, err
}

func (s *Server) recordStart(w http.ResponseWriter, r *http.Request) {
	rate, _ := strconv.Atoi(r.PostForm.Get("rate"))
	codes, err := s.codesFor(r.PostForm.Get("code"))
	if err == nil && (rate < audio.MinRateHz || rate > 192_000) {
		err = fmt.Errorf("rate %d Hz: want %d to 192000", rate, audio.MinRateHz)
	}
	if err != nil {
		http.Error(w, err.Error(), http.StatusBadRequest)
		return
	}
	hear, err := tape.NewLive(codes, float64(rate))
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
	l.forget()
	if len(l.byID) >= maxListening {
		http.Error(w, "Other recordings are still open; stop them first.", http.StatusConflict)
		return
	}
	rec := &recording{rate: rate, live: hear, seen: time.Now(), clipAt: math.Inf(-1)}
	for n := 1; rec.f == nil; n++ {
		rec.name = fmt.Sprintf("cassette-%d.wav", n)
		rec.f, err = s.root.OpenFile("read/"+rec.name, os.O_CREATE|os.O_EXCL|os.O_RDWR, 0o600)
		if err != nil && (!errors.Is(err, os.ErrExist) || n > 10_000) {
			http.Error(w, bare(err).Error(), storeStatus(err))
			return
		}
	}
	if rec.sink, err = audio.CreateWAV(rec.f, audio.Format{RateHz: rate, Channels: 1, Bits: 16}, -1); err != nil {
		rec.f.Close()
		s.root.Remove("read/" + rec.name)
		http.Error(w, rec.full(err).Error(), storeStatus(err))
		return
	}
	l.n++
	id := strconv.Itoa(l.n)
	l.byID[id] = rec
	answer(w, map[string]string{"id": id, "name": rec.name})
}

// forget ends recordings whose page went away.
func (l *listening) forget() {
	for id, r := range l.byID {
		r.mu.Lock()
		idle := time.Since(r.seen) > idleListening
		r.mu.Unlock()
		if idle {
			r.end()
			delete(l.byID, id)
		}
	}
}

func answer(w http.ResponseWriter, v any) {
	w.Header().Set("Content-Type", "application/json")
	json.NewEncoder(w).Encode(v)
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
	n, err := strconv.Atoi(r.URL.Query().Get("n"))
	if err != nil || n < 0 {
		http.Error(w, "want the number of the chunk, from 0", http.StatusBadRequest)
		return
	}
	st, err := rec.feed(n, b)
	if err != nil {
		http.Error(w, err.Error(), storeStatus(err))
		return
	}
	answer(w, st)
}

// storeStatus is the HTTP status of an error in storing sound: 507 where the disk is full (RFC 4918, section 11.5).
func storeStatus(err error) int {
	var no syscall.Errno
	switch {
	case errors.Is(err, syscall.ENOSPC), errors.As(err, &no) && runtime.GOOS == "windows" && no == 112: // ERROR_DISK_FULL
		return http.StatusInsufficientStorage
	case errors.Is(err, errOrder):
		return http.StatusConflict
	}
	return http.StatusInternalServerError
}

var errOrder = errors.New("")

// feed stores and hears one chunk.
func (r *recording) feed(n int, b []byte) (*heardNow, error) {
	r.mu.Lock()
	defer r.mu.Unlock()
	r.seen = time.Now()
	switch {
	case r.ended:
		return nil, fmt.Errorf("this recording has ended%w", errOrder)
	case n < r.next && r.last != nil:
		return r.last, nil // it was stored; the answer was lost
	case n != r.next:
		return nil, fmt.Errorf("chunk %d came where %d was expected: a stretch of sound is missing; stop and record again%w", n, r.next, errOrder)
	case r.n > int64(r.rate)*maxLiveSeconds:
		return nil, fmt.Errorf("four hours are recorded; stop and begin anew%w", errOrder)
	}
	x := r.samples(b)
	if err := r.sink.Write(x); err != nil {
		err = r.full(err)
		r.close()
		return nil, err
	}
	r.next++
	r.n += int64(len(x))
	if r.n-r.mended > mendEveryS*int64(r.rate) && r.f != nil { // whatever happens to this program, the file is whole to here
		if _, err := audio.MendWAV(r.f, 44+2*r.n); err != nil {
			return nil, r.full(err)
		}
		r.mended = r.n
	}
	r.live.Feed(x)
	r.last = r.now()
	return r.last, nil
}

// samples makes samples of the bytes of a chunk and measures them.
func (r *recording) samples(b []byte) []float32 {
	x := make([]float32, len(b)/4)
	peak := 0.0
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
		peak = max(peak, a)
		if a >= 0.999 {
			r.clipAt = float64(r.n+int64(i)) / float64(r.rate)
		}
	}
	r.peak = max(peak, r.peak*math.Exp(-float64(len(x))/float64(r.rate)))
	return x
}

func (r *recording) now() *heardNow {
	return &heardNow{Seconds: r.seconds(), Advice: r.advice(), Name: r.name, LiveUpdate: r.live.Update()}
}

func (r *recording) seconds() float64 { return float64(r.n) / float64(r.rate) }

// full says what a failed write means for the recording.
func (r *recording) full(err error) error {
	if storeStatus(err) == http.StatusInsufficientStorage {
		return fmt.Errorf("the disk is full; what was recorded until %s is stored as %s; make room, then record the rest (%w)", clock(r.seconds()), r.name, bare(err))
	}
	return fmt.Errorf("the recording could not be stored beyond %s: %w", clock(r.seconds()), bare(err))
}

// advice says what to do about the level.
func (r *recording) advice() string {
	switch {
	case r.seconds()-r.clipAt < 3:
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
	return r.close()
}

// close is end for a caller that holds the lock.
func (r *recording) close() error {
	if r.ended {
		return nil
	}
	r.ended = true
	r.live.Close()
	err := r.sink.Close()
	if r.f == nil {
		return err
	}
	if info, e := r.f.Stat(); e == nil { // where a write failed there is less than the header says
		_, e = audio.MendWAV(r.f, info.Size())
		err = errors.Join(err, e)
	}
	return errors.Join(err, r.f.Close())
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
		http.Error(w, bare(err).Error(), storeStatus(err))
		return
	}
	rec.mu.Lock()
	st := rec.now()
	rec.mu.Unlock()
	st.Stored = clock(st.Seconds)
	answer(w, st)
}

// recordCounter takes a reading of the player's counter. Two of them, and the places to play again are told by counter as
// well.
func (s *Server) recordCounter(w http.ResponseWriter, r *http.Request) {
	rec := s.recording(r.PathValue("id"))
	if rec == nil {
		http.Error(w, "This recording has ended.", http.StatusNotFound)
		return
	}
	n, err := strconv.Atoi(r.PostForm.Get("counter"))
	if err != nil || n < 0 || n > 9999 {
		http.Error(w, "Want what the counter shows, 0 to 9999.", http.StatusBadRequest)
		return
	}
	said, err := rec.counter(n)
	if err != nil {
		http.Error(w, err.Error(), http.StatusUnprocessableEntity)
		return
	}
	answer(w, map[string]string{"said": said})
}

// counter notes what the counter shows now. It stood at 0 when the recording began.
func (r *recording) counter(n int) (string, error) {
	r.mu.Lock()
	defer r.mu.Unlock()
	t := r.seconds()
	if k := len(r.marks); t < minCounterS || k > 0 && t-r.marks[k-1].atS < minCounterS {
		return "", fmt.Errorf("give a reading %.0f s or more after the start, and after the last one", minCounterS)
	}
	if len(r.marks) == 0 {
		r.marks = append(r.marks, counterMark{t, n})
		return fmt.Sprintf("Noted: %d at %s. One more reading later, and places are told by counter.", n, clock(t)), nil
	}
	a := r.marks[0]
	c, err := tape.NewCounter(a.atS, a.n, t, n)
	if err != nil {
		return "", err
	}
	r.marks = append(r.marks, counterMark{t, n})
	r.live.Counter = c
	return "Places are now told by counter as well.", nil
}

// checked is the reading of a whole recording.
type checked struct {
	Verdict  string              `json:"verdict"`
	Programs []tape.HeardProgram `json:"programs-changed"`
	N        int                 `json:"programs"`
	Again    []string            `json:"again"`
}

// recordCheck reads a recording that has ended as a whole, in the codes it was listened to for. What it says stands.
func (s *Server) recordCheck(w http.ResponseWriter, r *http.Request) {
	codes, err := s.codesFor(r.PostForm.Get("code"))
	name := path.Base(cleanPath(r.PostForm.Get("name")))
	if err != nil {
		http.Error(w, err.Error(), http.StatusBadRequest)
		return
	}
	res, err := s.readSound(r.Context(), s.path("read", name), codes)
	if err != nil {
		http.Error(w, err.Error(), http.StatusUnprocessableEntity)
		return
	}
	heard := res.Heard(codes)
	answer(w, checked{inPageWords(res.Verdict), heard, len(heard), tape.PlayAgain(heard, nil)})
}
