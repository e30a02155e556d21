package plan

import (
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"strings"

	"remanence/disk"
	"remanence/internal/outcome"
	"remanence/machine"
)

// Job is a job file: which machine, which media, and what is special about single files. It is TOML; a key it does not
// have and a value that cannot be are errors with file and line.
//
//	machine = "z80-fm10"
//	cylinders = 40
//	title = "Harbour programs"
//
//	[[file]]
//	path = "tides.cmd"       # beside the job file; a folder means every file below it
//	name = "TIDES/CMD"       # on the disk; without it the archive's name in the volume's own form
//	group = "tides"          # files of a group stay on one medium, in this order
//	to = ["disk", "tape"]    # both; without it the kind of file decides
type Job struct {
	Machine        string    `toml:"machine"`
	Recording      string    `toml:"recording"` // NAME or NAME:CYLINDERSxSIDES
	Cylinders      int       `toml:"cylinders"`
	Sides          int       `toml:"sides"`
	Title          string    `toml:"title"`
	Date           string    `toml:"date"`     // YYYY-MM-DD, written on volumes that have a date
	Cassette       int       `toml:"cassette"` // minutes, both sides
	Code           string    `toml:"code"`     // line code
	IncludeDamaged bool      `toml:"include-damaged"`
	Files          []JobFile `toml:"file"`

	Path   string             `toml:"-"`
	places *machine.Positions // for errors that show later
}

// JobFile is one [[file]] of a job.
type JobFile struct {
	Path  string `toml:"path"`
	Name  string `toml:"name"`
	Group string `toml:"group"`
	To    []Dest `toml:"to"`
}

// MaxJobBytes and MaxJobFiles bound a job file.
const (
	MaxJobBytes = 16 << 20
	MaxJobFiles = 200_000
)

// LoadJob reads a job file.
func LoadJob(path string) (*Job, error) {
	f, err := os.Open(path)
	if err != nil {
		return nil, outcome.As(outcome.Input, err)
	}
	defer f.Close()
	b, err := io.ReadAll(io.LimitReader(f, MaxJobBytes+1))
	if err != nil {
		return nil, outcome.As(outcome.Input, fmt.Errorf("%s: %w", path, err))
	}
	if len(b) > MaxJobBytes {
		return nil, outcome.As(outcome.Input, fmt.Errorf("%s: more than %d bytes; no job file is that long", path, MaxJobBytes))
	}
	return ParseJob(path, b)
}

// ParseJob reads a job from memory; path is for messages, and for finding the files beside it.
func ParseJob(path string, src []byte) (*Job, error) {
	j := &Job{Path: path}
	places, errs := machine.Decode(path, "job", src, j)
	j.places = places
	if len(errs) == 0 {
		errs = places.Place(j.validate())
	}
	if len(errs) > 0 {
		return nil, outcome.As(outcome.Input, errors.Join(errs...))
	}
	return j, nil
}

func (j *Job) validate() error {
	var errs []error
	bad := func(format string, a ...any) { errs = append(errs, fmt.Errorf(format, a...)) }
	if _, _, _, err := disk.ParseReference(j.Recording); j.Recording != "" && err != nil {
		bad("recording: %w", err)
	}
	if j.Cylinders < 0 || j.Cylinders > disk.MaxCylinders {
		bad("cylinders %d: want 1..%d", j.Cylinders, disk.MaxCylinders)
	}
	if j.Sides < 0 || j.Sides > 2 {
		bad("sides %d: want 1 or 2", j.Sides)
	}
	if j.Cassette != 0 && (j.Cassette < 5 || j.Cassette > 240) {
		bad("cassette %d: want 5..240 minutes, both sides together", j.Cassette)
	}
	if len([]rune(j.Title)) > 200 || strings.ContainsAny(j.Title, "\n\r") {
		bad("title: want one line of at most 200 characters")
	}
	if len(j.Files) > MaxJobFiles {
		bad("file: %d of them; want at most %d", len(j.Files), MaxJobFiles)
		return errors.Join(errs...)
	}
	for i, f := range j.Files {
		if f.Path == "" {
			bad("file %d: path: missing", i+1)
		}
		seen := map[Dest]bool{}
		for _, t := range f.To {
			if t != ToDisk && t != ToTape {
				bad("file %d: to %q: want disk or tape", i+1, t)
			} else if seen[t] {
				bad("file %d: to: %q twice", i+1, t)
			}
			seen[t] = true
		}
	}
	return errors.Join(errs...)
}

// Fault is an error about a key of the job: FILE:LINE: KEY: what.
func (j *Job) Fault(key string, err error) error {
	if err == nil || j.places == nil {
		return err
	}
	return outcome.As(outcome.Input, j.places.Error(key, "%v", err))
}

// Resolve is the place of a path of the job file.
func (j *Job) Resolve(path string) string {
	if filepath.IsAbs(path) || j.Path == "" || j.Path == "-" {
		return path
	}
	return filepath.Join(filepath.Dir(j.Path), path)
}
