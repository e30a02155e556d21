package web

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"slices"
	"strings"

	"remanence/tape"
	"remanence/tape/audio"
)

// What is kept of recordings for looking closer lies in closer/ of the working folder: NAME.look, and NAME.wav with the
// samples where the recording is of a kind in which nothing can be looked up (MP3, Ogg). Both are made anew when the
// recording is read back; nothing is lost with them.
const (
	closer         = "closer"
	maxCloserBytes = 8 << 30 // all together; the oldest go
)

func lookName(name string) string { return closer + "/" + name + ".look" }
func wavName(name string) string  { return closer + "/" + name + ".wav" }

// readOne reads one recording from its start, keeps its Look, and gives the result with it.
func (s *Server) readOne(ctx context.Context, j *job, name string, o tape.ReadOptions) (*tape.Result, *tape.Look, error) {
	f, err := s.root.Open("read/" + name)
	if err != nil {
		return nil, nil, bare(err)
	}
	defer f.Close()
	info, err := f.Stat()
	if err != nil {
		return nil, nil, bare(err)
	}
	count := &audio.Counter{R: f}
	rec, err := audio.OpenReader(count, name, info.Size())
	if err != nil {
		return nil, nil, err
	}
	defer rec.Close()
	places := rec.Places(func() int64 { return count.N })
	w := tape.NewWatch(rec)
	samples, err := s.sampleCopy(name, rec, w)
	if err != nil {
		return nil, nil, err
	}
	res, err := tape.Read(ctx, w, s.o.Set.LineCodes(), o, j)
	if e := samples(err == nil && ctx.Err() == nil && w.CopyFault() == nil); err == nil {
		err = e
	}
	if err != nil {
		return nil, nil, err
	}
	if res.Stopped {
		return nil, nil, context.Canceled
	}
	src := tape.LookSource{Name: name, Kind: rec.Kind, Bytes: info.Size(), Modified: info.ModTime().UnixNano(), Places: places()}
	if err := s.writeLook(name, res, w, src); err != nil {
		return nil, nil, err
	}
	l, err := s.openLook(name)
	return res, l, err
}

// sampleCopy lets w write the samples of a lossy recording beside its Look; the function given back ends that.
func (s *Server) sampleCopy(name string, rec *audio.File, w *tape.Watch) (end func(whole bool) error, err error) {
	if !rec.Lossy {
		s.root.Remove(wavName(name))
		return func(bool) error { return nil }, nil
	}
	if err := s.root.MkdirAll(closer, 0o700); err != nil {
		return nil, bare(err)
	}
	f, err := s.root.OpenFile(wavName(name)+".new", os.O_CREATE|os.O_TRUNC|os.O_RDWR, 0o600)
	if err != nil {
		return nil, bare(err)
	}
	form := rec.Format()
	form.Bits, form.Float = 16, false
	sink, err := audio.CreateWAV(f, form, -1)
	if err != nil {
		return nil, errors.Join(err, f.Close())
	}
	w.Copy = sink
	return func(whole bool) error {
		err := errors.Join(sink.Close(), f.Close())
		if whole && err == nil {
			return s.root.Rename(wavName(name)+".new", wavName(name))
		}
		s.root.Remove(wavName(name) + ".new") // without it the envelope is shown
		return nil
	}, nil
}

func (s *Server) writeLook(name string, res *tape.Result, w *tape.Watch, src tape.LookSource) error {
	if err := s.root.MkdirAll(closer, 0o700); err != nil {
		return bare(err)
	}
	part := lookName(name) + ".new"
	f, err := s.root.OpenFile(part, os.O_CREATE|os.O_TRUNC|os.O_WRONLY, 0o600)
	if err != nil {
		return bare(err)
	}
	if err = errors.Join(tape.WriteLook(f, res, w, src), f.Close()); err == nil {
		err = s.root.Rename(part, lookName(name))
	}
	if err != nil {
		s.root.Remove(part)
		return fmt.Errorf("%s: what is needed for looking closer cannot be kept: %w", name, bare(err))
	}
	s.thinLooks(name)
	return nil
}

// thinLooks removes what belongs to no recording any more, and the oldest beyond maxCloserBytes.
func (s *Server) thinLooks(keep string) {
	entries, _ := fs.ReadDir(s.root.FS(), closer) // none: nothing to remove
	var files []fs.FileInfo
	total := int64(0)
	for _, e := range entries {
		info, err := e.Info()
		if err != nil || !info.Mode().IsRegular() {
			continue
		}
		if strings.HasSuffix(e.Name(), ".new") { // of a reading that was cut off: one reads at a time, and its own are renamed
			s.root.Remove(closer + "/" + e.Name())
			continue
		}
		of, isLook := strings.CutSuffix(e.Name(), ".look")
		if !isLook {
			of = strings.TrimSuffix(of, ".wav")
		}
		if of == keep {
			total += info.Size()
			continue
		}
		if _, err := s.root.Stat("read/" + of); err != nil {
			s.root.Remove(closer + "/" + e.Name())
			continue
		}
		total += info.Size()
		files = append(files, info)
	}
	slices.SortFunc(files, func(a, b fs.FileInfo) int {
		return cmp.Or(a.ModTime().Compare(b.ModTime()), cmp.Compare(a.Name(), b.Name()))
	})
	for len(files) > 0 && total > maxCloserBytes {
		s.root.Remove(closer + "/" + files[0].Name())
		total -= files[0].Size()
		files = files[1:]
	}
}

// errNoLook: the recording was never read back, or it was changed since, or what was kept of it was removed.
var errNoLook = errors.New("nothing is kept of this recording for looking closer")

// openLook reads the header of what is kept of a recording.
func (s *Server) openLook(name string) (*tape.Look, error) {
	rec, err := s.root.Stat("read/" + name)
	if err != nil {
		return nil, errNoLook
	}
	f, err := s.root.Open(lookName(name))
	if err != nil {
		return nil, errNoLook
	}
	defer f.Close()
	info, err := f.Stat()
	if err != nil {
		return nil, errNoLook
	}
	l, err := tape.OpenLook(f, info.Size())
	if err != nil {
		return nil, err
	}
	if src := l.Source(); src.Bytes != rec.Size() || src.Modified != rec.ModTime().UnixNano() {
		return nil, errNoLook
	}
	return l, nil
}

// lookInto opens the files of a Look for one request. sound is nil where the samples cannot be had.
func (s *Server) lookInto(name string, l *tape.Look, use func(f *os.File, sound tape.Sound) error) error {
	f, err := s.root.Open(lookName(name))
	if err != nil {
		return errNoLook
	}
	defer f.Close()
	rec, err := s.root.Open("read/" + name)
	if err != nil {
		return errNoLook
	}
	if k := l.Source().Kind; k != "WAV" && k != "FLAC" {
		rec.Close()
		if rec, err = s.root.Open(wavName(name)); err != nil {
			return use(f, nil)
		}
	}
	defer rec.Close()
	info, err := rec.Stat()
	if err != nil {
		return bare(err)
	}
	sk, err := audio.NewSeeker(rec, info.Size(), l.Place(f))
	if err != nil {
		return use(f, nil)
	}
	return use(f, sk)
}
