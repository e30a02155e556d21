// Package reader runs a person's own description of a container: a short script in Starlark that finds sectors or
// tracks in the bytes of a file.
//
// A script comes from anywhere, so it is not trusted. It runs in a child process, the same program started anew with
// a hidden command. The child has no files and no network (Starlark has neither, and nothing is given to it but the
// file's bytes), a bounded number of steps, bounded time, bounded memory and bounded output. Steps alone would not do:
// doubling a string 31 times takes 330 steps and 2 GiB. On Linux the kernel holds the memory limit (setrlimit);
// everywhere a watchdog in the child looks at its own use.
//
// Worked example: a container of a 16-byte header and 40 x 10 sectors of 256 bytes is
//
//	def read(data):
//	    if slice(data, 0, 4) != b"HRN1":
//	        return
//	    for n in range(400):
//	        sector(cylinder = n // 10, head = 0, sector = n % 10, data = slice(data, 16 + n * 256, 256), encoding = "fm")
package reader

import (
	"bytes"
	"context"
	"encoding/binary"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"time"

	"remanence/disk"
	"remanence/disk/carve"
)

// ChildCommand is the hidden command by which the program becomes the child.
const ChildCommand = "reader-child"

// Limits bound a script.
type Limits struct {
	Steps       uint64        // Starlark steps; about 70 million a second
	Time        time.Duration // by the clock, set-up included
	MemoryBytes int64         // of the child
	OutputBytes int64         // of all records
	InputBytes  int64         // of the file
}

// DefaultLimits are ample for a disk: a CRC in the script over 512 KiB takes about 100 million steps.
var DefaultLimits = Limits{Steps: 400_000_000, Time: 30 * time.Second, MemoryBytes: 512 << 20, OutputBytes: 64 << 20, InputBytes: carve.MaxBytes}

// maxScriptBytes bounds a script.
const maxScriptBytes = 256 << 10

// maxRecords bounds what a script may find: 256 cylinders, 2 sides, 128 sectors.
const maxRecords = 1 << 16

// Script is one reader.
type Script struct {
	Path   string
	Source []byte
	Limits Limits
	// Program is started as the child with ChildCommand; "": this program.
	Program string
}

// Load reads one script; it is not run.
func Load(path string) (*Script, error) {
	f, err := os.Open(path)
	if err != nil {
		return nil, err
	}
	defer f.Close()
	b, err := io.ReadAll(io.LimitReader(f, maxScriptBytes+1))
	if err != nil {
		return nil, fmt.Errorf("%s: %w", path, err)
	}
	if len(b) > maxScriptBytes {
		return nil, fmt.Errorf("%s: more than %d bytes; a reader is a short script", path, maxScriptBytes)
	}
	return &Script{Path: path, Source: b, Limits: DefaultLimits}, nil
}

// LoadFolder reads all scripts <config>/readers/*.star, by name. A folder that is not there has none.
func LoadFolder(config string) ([]*Script, error) {
	if config == "" {
		return nil, nil
	}
	paths, err := filepath.Glob(filepath.Join(config, "readers", "*.star"))
	if err != nil {
		return nil, err
	}
	slices.Sort(paths)
	var out []*Script
	var errs []error
	for _, p := range paths {
		s, err := Load(p)
		if err != nil {
			errs = append(errs, err)
			continue
		}
		out = append(out, s)
	}
	return out, errors.Join(errs...)
}

// Name is what the reader is called.
func (s *Script) Name() string { return strings.TrimSuffix(filepath.Base(s.Path), ".star") }

// record is one line from the child.
type record struct {
	Kind       string `json:"kind"` // sector, track, note, error
	Cylinder   int    `json:"cylinder"`
	Head       int    `json:"head"`
	IDCylinder int    `json:"id-cylinder"`
	IDHead     int    `json:"id-head"`
	Sector     int    `json:"sector"`
	Mark       int    `json:"mark"`
	Encoding   string `json:"encoding"`
	OK         bool   `json:"ok"`
	Why        string `json:"why"`
	Data       []byte `json:"data"`
	Text       string `json:"text"`
}

// Read runs the script on data. Sectors found before an error are given back with it. A script that finds nothing
// does not know the container: no sectors, no error.
func (s *Script) Read(ctx context.Context, data []byte) ([]disk.Sector, []string, error) {
	records, err := s.run(ctx, data)
	var sectors []disk.Sector
	var notes []string
	for i := range records {
		r := &records[i]
		switch r.Kind {
		case "note":
			notes = append(notes, r.Text)
		case "sector":
			sectors = append(sectors, r.sector())
		case "track":
			found, cerr := carve.Carve(ctx, r.Data, nil)
			if cerr != nil {
				return sectors, notes, cerr
			}
			for _, f := range found.Sectors() {
				f.Cylinder, f.Head = r.Cylinder, r.Head
				f.From = fmt.Sprintf("track %d/%d, %s", r.Cylinder, r.Head, f.From)
				sectors = append(sectors, f)
			}
		}
	}
	return sectors, notes, err
}

func (r *record) sector() disk.Sector {
	enc, _ := disk.ParseEncoding(r.Encoding)
	code, _ := disk.SizeCodeOf(len(r.Data))
	s := disk.Sector{
		Cylinder: r.Cylinder, Head: r.Head, Encoding: enc, Mark: byte(r.Mark), Data: r.Data, Margin: -1, Angle: -1, Reads: 1,
		ID: disk.SectorID{Cylinder: uint8(r.IDCylinder), Head: uint8(r.IDHead), Sector: uint8(r.Sector), SizeCode: code},
	}
	if !r.OK {
		s.Status, s.Why = disk.Bad, r.Why
		if s.Why == "" {
			s.Why = "the container marks it as damaged"
		}
	}
	return s
}

// run starts the child and reads its records.
func (s *Script) run(ctx context.Context, data []byte) ([]record, error) {
	if int64(len(data)) > s.Limits.InputBytes {
		return nil, fmt.Errorf("%s: %d bytes: readers take at most %d", s.Path, len(data), s.Limits.InputBytes)
	}
	program := s.Program
	if program == "" {
		var err error
		if program, err = os.Executable(); err != nil {
			return nil, err
		}
	}
	limited, stop := context.WithTimeout(ctx, s.Limits.Time)
	defer stop()
	cmd := exec.CommandContext(limited, program, ChildCommand)
	cmd.Env = []string{"GOTRACEBACK=none", "SystemRoot=" + os.Getenv("SystemRoot")} // Windows needs the second
	cmd.WaitDelay = time.Second
	cmd.Stdin = io.MultiReader(bytes.NewReader(s.head(len(data))), bytes.NewReader(s.Source), bytes.NewReader(data))
	var stderr limitedBuffer
	cmd.Stderr = &stderr
	out, err := cmd.StdoutPipe()
	if err != nil {
		return nil, err
	}
	if err := cmd.Start(); err != nil {
		return nil, fmt.Errorf("the child for readers does not start: %w", err)
	}
	records, said, over := readRecords(out, s.Limits.OutputBytes)
	if over {
		stop()
	}
	werr := cmd.Wait()
	switch {
	case ctx.Err() != nil:
		return records, ctx.Err()
	case over:
		return records, fmt.Errorf("%s: stopped: its output grew beyond %d MiB or %d records", s.Path, s.Limits.OutputBytes>>20, maxRecords)
	case said != "":
		return records, errors.New(said)
	case errors.Is(limited.Err(), context.DeadlineExceeded):
		return records, fmt.Errorf("%s: stopped: it took longer than %v", s.Path, s.Limits.Time)
	case werr != nil && strings.Contains(stderr.String(), "out of memory"):
		return records, fmt.Errorf("%s: stopped: it wanted more than %d MiB of memory", s.Path, s.Limits.MemoryBytes>>20)
	case werr != nil:
		first, _, _ := strings.Cut(stderr.String(), "\n")
		return records, fmt.Errorf("%s: the reader's process ended: %v: %.200s", s.Path, werr, first)
	}
	return records, nil
}

// head is what the child reads first: the limits and two lengths.
func (s *Script) head(dataLen int) []byte {
	b, _ := json.Marshal(childHead{ // a struct of numbers and a string: it cannot fail
		Path: s.Path, Script: len(s.Source), Data: dataLen, Steps: s.Limits.Steps, Memory: s.Limits.MemoryBytes,
		Output: s.Limits.OutputBytes, Seconds: int64(s.Limits.Time/time.Second) + 1,
	})
	return append(binary.BigEndian.AppendUint32(nil, uint32(len(b))), b...)
}

type childHead struct {
	Path    string
	Script  int
	Data    int
	Steps   uint64
	Memory  int64
	Output  int64
	Seconds int64
}

// readRecords reads what the child says until it ends. Of its records only well-formed ones are taken: the child runs
// foreign code.
func readRecords(out io.Reader, limit int64) (records []record, said string, over bool) {
	d := json.NewDecoder(&io.LimitedReader{R: out, N: 2*limit + 1<<20}) // base64 and names take a third more
	total := int64(0)
	for {
		var r record
		if err := d.Decode(&r); err != nil {
			return records, said, !errors.Is(err, io.EOF)
		}
		if r.Kind == "error" {
			said = r.Text
			continue
		}
		total += int64(len(r.Data)) + 64
		if total > limit || len(records) >= maxRecords {
			return records, said, true
		}
		if r.valid() {
			records = append(records, r)
		}
	}
}

func (r *record) valid() bool {
	byteOK := func(n int) bool { return n >= 0 && n <= 255 }
	place := r.Cylinder >= 0 && r.Cylinder < disk.MaxCylinders && (r.Head == 0 || r.Head == 1)
	switch r.Kind {
	case "note":
		return len(r.Text) < 4096
	case "track":
		return place && len(r.Data) <= carve.MaxBytes
	case "sector":
		_, size := disk.SizeCodeOf(len(r.Data))
		_, err := disk.ParseEncoding(r.Encoding)
		return place && size && err == nil && byteOK(r.IDCylinder) && byteOK(r.IDHead) && byteOK(r.Sector) &&
			r.Mark >= disk.MarkDeleted && r.Mark <= disk.MarkData
	}
	return false
}

// limitedBuffer keeps the first 64 KiB.
type limitedBuffer struct{ bytes.Buffer }

func (b *limitedBuffer) Write(p []byte) (int, error) {
	if room := 64<<10 - b.Len(); room > 0 {
		b.Buffer.Write(p[:min(room, len(p))])
	}
	return len(p), nil
}
