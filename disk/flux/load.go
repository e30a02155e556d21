package flux

import (
	"archive/zip"
	"bytes"
	"errors"
	"fmt"
	"io"
	"os"
	"path"
	"path/filepath"
	"regexp"
	"slices"
	"strconv"
	"strings"

	"remanence/disk"
)

// maxFiles bounds a folder or zip: 256 cylinders, 2 sides, 32 captures of each.
const maxFiles = 256 * 2 * 32

// Problem is something wrong with one source; the rest of the work goes on.
type Problem struct {
	From string
	Err  error
}

func (p Problem) Error() string { return p.From + ": " + p.Err.Error() }
func (p Problem) Unwrap() error { return p.Err }

// Source is one capture file, not yet read beyond its header.
type Source struct {
	From   string // file name as a person would say it
	Path   string // of the file, or of the zip it lies in; "" for one in memory
	Member string // name within a zip; "" otherwise
	open   func() (io.ReadCloser, error)
}

// FileSource is a capture file, or with a member's name one inside a zip. It is opened when it is loaded.
func FileSource(path, member string) Source {
	if member != "" {
		return Source{From: path + "/" + member, Path: path, Member: member, open: func() (io.ReadCloser, error) { return openZipped(path, member) }}
	}
	return Source{From: path, Path: path, open: func() (io.ReadCloser, error) { return os.Open(path) }}
}

// Track is the captures of one place.
type Track struct {
	Cylinder, Head int
	Sources        []Source
}

// Set is the captures of a disk, grouped by place, in order of cylinder and head.
type Set struct {
	Tracks   []Track
	Problems []Problem
}

// MemorySource is a capture held in memory, for callers that have no files.
func MemorySource(c *Capture) (Source, error) {
	b, err := c.Append(nil)
	if err != nil {
		return Source{}, err
	}
	return Source{From: c.From, open: func() (io.ReadCloser, error) { return io.NopCloser(bytes.NewReader(b)), nil }}, nil
}

// Load reads the captures of a track. Damage is told as problems; what precedes it is in the captures.
func (t *Track) Load() (caps []*Capture, problems []Problem) {
	for _, s := range t.Sources {
		f, err := s.open()
		if err != nil {
			problems = append(problems, Problem{s.From, err})
			continue
		}
		c, err := ReadCapture(f)
		f.Close()
		if c == nil {
			problems = append(problems, Problem{s.From, err})
			continue
		}
		for _, d := range c.Damage {
			problems = append(problems, Problem{s.From, d})
		}
		c.From, c.Cylinder, c.Head = s.From, t.Cylinder, t.Head
		caps = append(caps, c)
	}
	return caps, problems
}

// LoadDisk finds the captures in folders, zips and single files and groups them by place; only their headers are
// read. The error is for a source that gives nothing at all.
func LoadDisk(paths []string) (*Set, error) {
	set := &Set{}
	l := &loader{set: set, at: map[[2]int]int{}}
	for _, p := range paths {
		if err := l.path(p); err != nil {
			set.Problems = append(set.Problems, Problem{p, err})
		}
	}
	slices.SortStableFunc(set.Tracks, func(a, b Track) int {
		if d := a.Cylinder - b.Cylinder; d != 0 {
			return d
		}
		return a.Head - b.Head
	})
	if len(set.Tracks) > 0 {
		return set, nil
	}
	errs := []error{errors.New("no interval captures found; want files that begin with the line " + Magic)}
	for _, p := range set.Problems {
		errs = append(errs, p)
	}
	if len(errs) > 1 {
		errs = errs[1:]
	}
	return set, errors.Join(errs...)
}

type loader struct {
	set   *Set
	at    map[[2]int]int
	files int
}

func (l *loader) path(p string) error {
	st, err := os.Stat(p)
	if err != nil {
		return err
	}
	if st.IsDir() {
		entries, err := os.ReadDir(p)
		if err != nil {
			return err
		}
		found := false
		slices.SortFunc(entries, func(a, b os.DirEntry) int { return compareNames(a.Name(), b.Name()) })
		for _, e := range entries {
			if e.IsDir() || !strings.EqualFold(filepath.Ext(e.Name()), ".ivl") {
				continue
			}
			found = true
			name := filepath.Join(p, e.Name())
			l.file(FileSource(name, ""))
		}
		if !found {
			return errors.New("the folder holds no .ivl files")
		}
		return nil
	}
	f, err := os.Open(p)
	if err != nil {
		return err
	}
	defer f.Close()
	var head [4]byte
	if _, err := io.ReadFull(f, head[:]); err == nil && string(head[:]) == "PK\x03\x04" {
		return l.zip(p)
	}
	l.file(FileSource(p, ""))
	return nil
}

func (l *loader) zip(p string) error {
	z, err := zip.OpenReader(p)
	if err != nil {
		return err
	}
	defer z.Close()
	found := false
	slices.SortFunc(z.File, func(a, b *zip.File) int { return compareNames(a.Name, b.Name) })
	for _, f := range z.File {
		if !strings.EqualFold(path.Ext(f.Name), ".ivl") {
			continue
		}
		found = true
		l.file(FileSource(p, f.Name))
	}
	if !found {
		return errors.New("the zip holds no .ivl files")
	}
	return nil
}

// openZipped opens one member anew each time, so that no zip stays open between tracks.
func openZipped(p, name string) (io.ReadCloser, error) {
	z, err := zip.OpenReader(p)
	if err != nil {
		return nil, err
	}
	for _, f := range z.File {
		if f.Name == name {
			r, err := f.Open()
			if err != nil {
				z.Close()
				return nil, err
			}
			return &zipped{r, z}, nil
		}
	}
	z.Close()
	return nil, errors.New("no longer in the zip")
}

type zipped struct {
	io.ReadCloser
	z *zip.ReadCloser
}

func (z *zipped) Close() error { return errors.Join(z.ReadCloser.Close(), z.z.Close()) }

var placeName = regexp.MustCompile(`(?i)c(\d{1,3})h(\d)(?:\.\d+)?\.ivl$`)

// placeOf is the place that a file name says.
func placeOf(name string) (cylinder, head int, ok bool) {
	m := placeName.FindStringSubmatch(name)
	if m == nil {
		return 0, 0, false
	}
	cylinder, _ = strconv.Atoi(m[1])
	head, _ = strconv.Atoi(m[2])
	return cylinder, head, cylinder < disk.MaxCylinders && head < 2
}

func (l *loader) file(src Source) {
	name := src.From
	problem := func(err error) { l.set.Problems = append(l.set.Problems, Problem{name, err}) }
	if l.files++; l.files > maxFiles {
		if l.files == maxFiles+1 {
			problem(fmt.Errorf("more than %d captures; this and what follows is not read", maxFiles))
		}
		return
	}
	f, err := src.open()
	if err != nil {
		problem(err)
		return
	}
	// The header first; only a header longer than usual costs a second look.
	b, err := io.ReadAll(io.LimitReader(f, 4096))
	if err == nil && len(b) == 4096 && !bytes.Contains(b, []byte("\n\n")) {
		var more []byte
		more, err = io.ReadAll(io.LimitReader(f, MaxHeaderBytes))
		b = append(b, more...)
	}
	f.Close()
	if err != nil && len(b) == 0 {
		problem(err)
		return
	}
	h, err := parseHeader(b)
	if err != nil {
		problem(err)
		return
	}
	cyl, head := h.capture.Cylinder, h.capture.Head
	c, hd, named := placeOf(name)
	switch {
	case !h.placed && named:
		cyl, head = c, hd
		problem(fmt.Errorf("the header gives no place; the file name's is taken: cylinder %d head %d", cyl, head))
	case named && (c != cyl || hd != head):
		problem(fmt.Errorf("the name says cylinder %d head %d, the header cylinder %d head %d; the header is believed", c, hd, cyl, head))
	}
	key := [2]int{cyl, head}
	i, ok := l.at[key]
	if !ok {
		i = len(l.set.Tracks)
		l.at[key] = i
		l.set.Tracks = append(l.set.Tracks, Track{Cylinder: cyl, Head: head})
	}
	t := &l.set.Tracks[i]
	t.Sources = append(t.Sources, src)
}

// compareNames puts c00h0.ivl before c00h0.2.ivl and c00h0.10.ivl after it.
func compareNames(a, b string) int {
	key := func(s string) (string, int) {
		base := strings.TrimSuffix(strings.TrimSuffix(s, ".ivl"), ".IVL")
		if i := strings.LastIndexByte(base, '.'); i >= 0 {
			if n, err := strconv.Atoi(base[i+1:]); err == nil {
				return base[:i], n
			}
		}
		return base, 1
	}
	ka, na := key(a)
	kb, nb := key(b)
	if d := strings.Compare(ka, kb); d != 0 {
		return d
	}
	return na - nb
}

// FileName is the name a capture has in a folder: c05h0.ivl; from the second of the same track on c05h0.2.ivl.
func FileName(cylinder, head, copy int) string {
	if copy > 1 {
		return fmt.Sprintf("c%02dh%d.%d.ivl", cylinder, head, copy)
	}
	return fmt.Sprintf("c%02dh%d.ivl", cylinder, head)
}
