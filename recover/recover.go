// Package recover makes the best image there is of a disk from whatever a person has of it: captures of its tracks,
// several of each, raw images, dumps of track bytes in containers that nobody knows any more, and containers that the
// person describes in a script.
//
// Every source is turned into the same thing: sectors, each with its place, its identifier, its data and how sure
// the reader was. Captures are merged where they are softest, before bits are decided (package disk/track). What then
// comes from different sources is merged sector by sector: reads that agree support each other; a read with a right
// CRC outweighs any number without; two reads that are both good but differ are a fact about the disk, not a question
// of votes, and the sector is called doubtful. Nothing is silent: every sector says where it came from.
//
// Worked example: two captures of a track read sector 7 with a wrong CRC, an archived image has it. Its sidecar says
// the image's read was good, so the image's 256 bytes are taken, status good, From "heron.img". Without a sidecar the
// image still counts, but a sector that only such an image has is good on its word alone, and the result says so.
package recover

import (
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"slices"
	"strings"

	"remanence/disk"
	"remanence/disk/carve"
	"remanence/disk/flux"
	"remanence/disk/track"
	"remanence/internal/outcome"
	"remanence/internal/progress"
)

// maxFolderFiles bounds a folder of unknown files.
const maxFolderFiles = 4096

// Reader is a person's own way to read a container.
type Reader interface {
	Name() string
	// Read gives the sectors it finds, and what it says about them. The error says where in the script it failed;
	// sectors given before it count.
	Read(ctx context.Context, data []byte) (sectors []disk.Sector, notes []string, err error)
}

// Options say how to recover. The zero value knows no recordings.
type Options struct {
	Recording  *disk.Recording   // what the person says it is; nil: recognised
	Sized      bool              // Recording's cylinders and sides are given, not the usual ones
	Recordings []*disk.Recording // to recognise from
	NoRepair   bool
	Fast       bool
	Readers    []Reader
	// OpenImage tells the shape of a raw image; nil: only images with a sidecar that names a recording, or of
	// Recording's size, can be used.
	OpenImage func(path string, data []byte, sc *disk.Sidecar) (*disk.Image, []string, error)
	Progress  progress.Progress
}

// Source is what one of the things given turned out to be.
type Source struct {
	Path    string   `json:"path"`
	Kind    string   `json:"kind"` // captures, image, dump, reader NAME, nothing
	Tracks  int      `json:"tracks"`
	Sectors int      `json:"sectors"`
	Good    int      `json:"sectors-good"`
	Assumed []string `json:"assumed"`

	proven bool // its good sectors had a right CRC, or a sidecar says so
}

// Conflict is a sector that two sources have with other contents, both called good.
type Conflict struct {
	Cylinder int    `json:"cylinder"`
	Head     int    `json:"head"`
	Sector   int    `json:"sector"`
	What     string `json:"what"`
}

// Result is all that is known in the end.
type Result struct {
	track.Summary
	Best      *disk.Image
	Rec       *disk.Recording
	Tracks    []*track.Result // merged, in order of place
	Before    []*track.Result // what a single plain read gives
	Sources   []Source
	Conflicts []Conflict
	Assumed   []string
	Problems  []string
	Repairs   *track.RepairReport
	Intervals track.Histogram // of all captures; no counts without captures
	Captured  []flux.Track    // where the captures of each track lie, for looking at them again
}

// reading is what one source gave.
type reading struct {
	source  *Source
	results []*track.Result
}

// Run recovers a disk from sources. The error says why nothing at all could be made; a result that is not whole is no
// error.
func Run(ctx context.Context, paths []string, o Options) (*Result, error) {
	o.Progress = progress.Or(o.Progress)
	res := &Result{}
	files, captures, folders, err := res.sort(paths)
	if err != nil {
		return nil, err
	}
	var readings []reading
	for _, inside := range folders {
		r, err := res.folder(ctx, inside, &o)
		if err != nil {
			return nil, err
		}
		if r != nil {
			readings = append(readings, *r)
		} else {
			files = append(files, inside...)
		}
	}
	if len(captures) > 0 {
		r, err := res.captures(ctx, captures, &o)
		if err != nil {
			return nil, err
		}
		readings = append(readings, r...)
	}
	var images []string
	for _, f := range files {
		r, image, err := res.file(ctx, f, &o)
		if err != nil {
			return nil, err
		}
		if image {
			images = append(images, f)
		} else if r != nil {
			readings = append(readings, *r)
		}
	}
	// Images last: the other sources may tell what shape they have.
	guess := o.Recording
	if guess == nil && len(readings) > 0 {
		guess, _ = track.Recognise(all(readings), o.Recordings)
	}
	for _, f := range images {
		r, err := res.image(f, guess, &o)
		if err != nil {
			res.problem(f, err)
			continue
		}
		readings = append(readings, *r)
	}
	for _, r := range readings {
		res.Sources = append(res.Sources, *r.source)
	}
	if len(readings) == 0 {
		return nil, res.nothing(paths)
	}
	eachAlone(readings)
	res.merge(readings)
	if res.Before == nil {
		res.Before = readings[0].results
	}
	if err := res.build(&o); err != nil {
		return nil, err
	}
	res.Repairs = track.SumRepairs(res.Tracks)
	return res, nil
}

func all(rs []reading) []*track.Result {
	var out []*track.Result
	for _, r := range rs {
		out = append(out, r.results...)
	}
	return out
}

func (res *Result) problem(path string, err error) {
	// the path once, in front, whoever else has said it
	text := strings.ReplaceAll(strings.TrimPrefix(err.Error(), path+": "), ": "+path+": ", ": ")
	res.Problems = append(res.Problems, path+": "+text)
}

// nothing is the error where no source gave a sector.
func (res *Result) nothing(paths []string) error {
	err := errors.New(strings.Join(res.Problems, "; "))
	if len(res.Problems) == 0 {
		err = fmt.Errorf("%s: no sectors found", paths[0])
	}
	return outcome.Hint(outcome.Input, err, "If you know how the container is laid out, describe it in a reader: doc/readers.md shows how.")
}

// sort tells captures from other files. Folders without captures give their files.
func (res *Result) sort(paths []string) (files, captures []string, folders [][]string, err error) {
	for _, p := range paths {
		st, err := os.Stat(p)
		if err != nil {
			return nil, nil, nil, outcome.As(outcome.Input, err)
		}
		if !st.IsDir() {
			if isCapture(p) {
				captures = append(captures, p)
			} else {
				files = append(files, p)
			}
			continue
		}
		entries, err := os.ReadDir(p)
		if err != nil {
			return nil, nil, nil, outcome.As(outcome.Input, err)
		}
		var inside []string
		hasCaptures := false
		for _, e := range entries {
			name := filepath.Join(p, e.Name())
			switch {
			case !e.Type().IsRegular() || strings.HasPrefix(e.Name(), ".") || strings.HasSuffix(e.Name(), ".sectors.json"):
			case strings.EqualFold(filepath.Ext(e.Name()), ".ivl"):
				hasCaptures = true
			default:
				inside = append(inside, name)
			}
		}
		switch {
		case hasCaptures:
			captures = append(captures, p)
		case len(inside) == 0:
			res.problem(p, errors.New("the folder holds nothing to read"))
		case len(inside) > maxFolderFiles:
			res.problem(p, fmt.Errorf("%d files: at most %d are read", len(inside), maxFolderFiles))
			folders = append(folders, inside[:maxFolderFiles])
		default:
			folders = append(folders, inside)
		}
	}
	return files, captures, folders, nil
}

// betweenFiles keeps the end of one file from being read on into the next.
const betweenFiles = 128

// folder reads the files of a folder as one dump, a track or so in each: only together they show in what order their
// tracks stand and which side is which. nil where they are no such dump.
func (res *Result) folder(ctx context.Context, inside []string, o *Options) (*reading, error) {
	var all []byte
	var starts []int64
	bytes := 0
	for _, f := range inside {
		if _, ok := sidecarOf(f); ok {
			return nil, nil
		}
		b, err := readLimited(f, carve.MaxBytes)
		if err != nil || len(all)+len(b)+betweenFiles > carve.MaxBytes {
			return nil, nil // told where the file is read by itself
		}
		starts = append(starts, int64(len(all)))
		all = append(append(all, b...), make([]byte, betweenFiles)...)
		bytes += len(b)
	}
	if len(inside) < 2 {
		return nil, nil
	}
	found, err := carve.Carve(ctx, all, o.Progress)
	if err != nil {
		return nil, err
	}
	for i := range found.Tracks {
		for k := range found.Tracks[i].Finds {
			f := &found.Tracks[i].Finds[k]
			n, ok := slices.BinarySearch(starts, f.Offset)
			if !ok {
				n--
			}
			f.From = fmt.Sprintf("%s byte %d", filepath.Base(inside[n]), f.Offset-starts[n])
		}
	}
	dir := filepath.Dir(inside[0])
	src := &Source{Path: dir, Kind: "dump", Assumed: append([]string{fmt.Sprintf("the %d files of the folder, by name, are one dump", len(inside))}, found.Assumed...), proven: true}
	results := fromDump(filepath.Base(dir), found)
	count(src, results)
	if covered(results)*8 < bytes || src.Good == 0 {
		return nil, nil
	}
	return &reading{src, results}, nil
}

// isCapture looks at the first bytes: an interval capture, or a zip that may hold some.
func isCapture(path string) bool {
	f, err := os.Open(path)
	if err != nil {
		return false
	}
	defer f.Close()
	head := make([]byte, len(flux.Magic))
	n, _ := io.ReadFull(f, head)
	return string(head[:n]) == flux.Magic || n >= 4 && string(head[:4]) == "PK\x03\x04" || strings.EqualFold(filepath.Ext(path), ".ivl")
}

// file reads one file that is no capture. image is true where it is to be read as a raw image, later.
func (res *Result) file(ctx context.Context, path string, o *Options) (r *reading, image bool, err error) {
	data, err := readLimited(path, carve.MaxBytes)
	if err != nil {
		res.problem(path, err)
		return nil, false, nil
	}
	_, hasSidecar := sidecarOf(path)
	if hasSidecar {
		return nil, true, nil
	}
	found, err := carve.Carve(ctx, data, o.Progress)
	if err != nil {
		if ctx.Err() != nil {
			return nil, false, ctx.Err()
		}
		res.problem(path, err)
		return nil, false, nil
	}
	src := &Source{Path: path, Kind: "dump", Assumed: found.Assumed, proven: true}
	results := fromDump(filepath.Base(path), found)
	count(src, results)
	// A dump is mostly sectors. An image may hold a dump as a file; then it is an image first.
	if covered(results)*8 >= len(data) && src.Good > 0 {
		return &reading{src, results}, false, nil
	}
	if o.OpenImage != nil {
		if im, _, err := o.OpenImage(path, data, nil); err == nil && im != nil {
			return nil, true, nil
		}
	}
	if fitsRecording(int64(len(data)), o) {
		return nil, true, nil
	}
	if src.Good > 0 {
		return &reading{src, results}, false, nil
	}
	for _, rd := range o.Readers {
		sectors, notes, err := rd.Read(ctx, data)
		if ctx.Err() != nil {
			return nil, false, ctx.Err()
		}
		if err != nil {
			res.problem(path, err)
		}
		if len(sectors) == 0 {
			continue
		}
		src := &Source{Path: path, Kind: "reader " + rd.Name(), Assumed: append([]string{"the container is what reader " + rd.Name() + " says"}, notes...)}
		results := byPlace(filepath.Base(path), sectors)
		count(src, results)
		return &reading{src, results}, false, nil
	}
	if src.Sectors > 0 {
		return &reading{src, results}, false, nil
	}
	// It may still have the shape that other sources show.
	return nil, true, nil
}

// fitsRecording reports whether a file has the size of the recording that the person named.
func fitsRecording(size int64, o *Options) bool {
	if o.Recording == nil {
		return false
	}
	g := o.Recording.Geometry()
	return size == g.Size()
}

func readLimited(path string, limit int64) ([]byte, error) {
	f, err := os.Open(path)
	if err != nil {
		return nil, err
	}
	defer f.Close()
	b, err := io.ReadAll(io.LimitReader(f, limit+1))
	if err != nil {
		return nil, err
	}
	if int64(len(b)) > limit {
		return nil, fmt.Errorf("more than %d bytes; no dump of one disk is that long", limit)
	}
	if len(b) == 0 {
		return nil, errors.New("the file is empty")
	}
	return b, nil
}

func sidecarOf(image string) (string, bool) {
	for _, p := range []string{disk.SidecarPath(image), image + ".sectors.json"} {
		if st, err := os.Stat(p); err == nil && st.Mode().IsRegular() {
			return p, true
		}
	}
	return "", false
}
