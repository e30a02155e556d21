package audio

import (
	"bufio"
	"bytes"
	"errors"
	"fmt"
	"io"
	"os"

	"remanence/internal/outcome"
)

// A File is an open recording.
type File struct {
	Source
	Path string
	Kind string // "WAV", "FLAC", "MP3", "Ogg"
	// Lossy says that phase and level of what was recorded may have changed on the way into the file.
	Lossy bool

	notes  []string
	closer []io.Closer
}

// SourceCloser is a Source that has something to let go.
type SourceCloser interface {
	Source
	io.Closer
}

var _ SourceCloser = (*File)(nil)

// Notes are remarks on the file: what its header says wrongly, what it was converted by. Some are known only after
// the last frame was read.
func (f *File) Notes() []string {
	n := f.notes
	if s, ok := f.Source.(interface{ notes() []string }); ok {
		n = append(n[:len(n):len(n)], s.notes()...)
	}
	return n
}

// Read is Source.Read; errors name the file.
func (f *File) Read(buf []float32) (int, error) {
	n, err := f.Source.Read(buf)
	if err != nil && err != io.EOF {
		err = outcome.As(outcome.Input, fmt.Errorf("%s: %w", f.Path, err))
	}
	return n, err
}

// Close lets the file go.
func (f *File) Close() error {
	var err error
	for i := len(f.closer) - 1; i >= 0; i-- {
		err = errors.Join(err, f.closer[i].Close())
	}
	f.closer = nil
	return err
}

// Open opens the recording at path, "-" for standard input. The content decides what it is, never the name.
func Open(path string) (*File, error) {
	in, size := os.Stdin, int64(-1)
	if path != "-" {
		f, err := os.Open(path)
		if err != nil {
			return nil, outcome.As(outcome.Input, err)
		}
		in = f
		st, err := f.Stat()
		if err != nil {
			f.Close()
			return nil, outcome.As(outcome.Input, err)
		}
		if st.IsDir() {
			f.Close()
			return nil, outcome.As(outcome.Input, fmt.Errorf("%s: is a folder, not a recording", path))
		}
		if st.Mode().IsRegular() {
			size = st.Size()
		}
	}
	file, err := OpenReader(in, path, size)
	if err != nil {
		if path != "-" {
			in.Close()
		}
		return nil, err
	}
	if path != "-" {
		file.closer = append([]io.Closer{in}, file.closer...)
	}
	return file, nil
}

// OpenReader reads a recording from r; name is for messages, size the bytes r holds, -1 if not known.
func OpenReader(r io.Reader, name string, size int64) (*File, error) {
	fail := func(err error) (*File, error) {
		return nil, outcome.As(outcome.Input, fmt.Errorf("%s: %w", name, err))
	}
	if size == 0 {
		return fail(errors.New("the file is empty"))
	}
	br := bufio.NewReaderSize(r, 1<<16)
	head, err := br.Peek(12)
	if len(head) == 0 {
		if err != nil && err != io.EOF {
			return fail(err)
		}
		return fail(errors.New("the file is empty"))
	}
	file := &File{Path: name}
	for _, k := range kinds {
		if !k.is(head, br) {
			continue
		}
		file.Kind, file.Lossy = k.name, k.lossy
		src, c, err := k.open(br, size)
		if err != nil {
			return fail(err)
		}
		if err := src.Format().check(); err != nil {
			if c != nil {
				c.Close()
			}
			return fail(err)
		}
		file.Source = src
		if c != nil {
			file.closer = append(file.closer, c)
		}
		if k.lossy {
			file.notes = append(file.notes, fmt.Sprintf("%s is a lossy form: it changes phase and level, so that the reading may be worse than from the tape; keep recordings as WAV or FLAC", k.name))
		}
		return file, nil
	}
	return fail(fmt.Errorf("%w: want WAV, FLAC, MP3 or Ogg, found a file that begins % X", ErrNotAudio, head[:min(len(head), 4)]))
}

// kinds lists the file forms that can be read, in the order of the question.
var kinds = []struct {
	name  string
	lossy bool
	is    func(head []byte, br *bufio.Reader) bool
	open  func(br *bufio.Reader, size int64) (Source, io.Closer, error)
}{
	{"WAV", false, isWAV, openWAV},
	{"FLAC", false, isFLAC, openFLAC},
	{"Ogg", true, func(h []byte, _ *bufio.Reader) bool { return bytes.HasPrefix(h, []byte("OggS")) }, openOgg},
	{"MP3", true, isMP3, openMP3},
}

// Recognise says which kind of recording begins with head, "" if none; head should hold at least 4 KiB where the file
// has as much.
func Recognise(head []byte) string {
	br := bufio.NewReaderSize(bytes.NewReader(head), max(16, len(head)))
	h := head[:min(len(head), 12)]
	for _, k := range kinds {
		if k.is(h, br) {
			return k.name
		}
	}
	return ""
}
