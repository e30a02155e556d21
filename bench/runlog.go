package bench

import (
	"bufio"
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"time"

	"remanence/internal/outcome"
)

// States of a log entry.
const (
	StateBegun    = "begun"
	StateVerified = "verified"
	StateFailed   = "failed"
	StateRead     = "read"
	StateStopped  = "stopped" // by a person, in the middle of a track
)

// Entry is one line of the log.
type Entry struct {
	At       string `json:"at,omitempty"`
	Key      string `json:"key"` // SHA-256 of the image and the recording
	Device   string `json:"device"`
	Cylinder int    `json:"cylinder"`
	Head     int    `json:"head"`
	State    string `json:"state"`
	Why      string `json:"why,omitempty"`
}

const maxLogBytes = 256 << 20

// RunLog is a file of JSON lines, each on the disk before the work goes on. A nil log keeps nothing.
type RunLog struct {
	f        *os.File
	now      func() time.Time
	verified map[string]bool
}

// OpenLog opens or begins a log. The last line of a process that was killed may be cut short; it is ended and left.
func OpenLog(path string, now func() time.Time) (*RunLog, error) {
	if err := os.MkdirAll(filepath.Dir(path), 0o777); err != nil {
		return nil, outcome.As(outcome.Output, err)
	}
	f, err := os.OpenFile(path, os.O_RDWR|os.O_CREATE, 0o644)
	if err != nil {
		return nil, outcome.As(outcome.Output, err)
	}
	l := &RunLog{f: f, now: now, verified: map[string]bool{}}
	b := bufio.NewReader(io.LimitReader(f, maxLogBytes))
	cut := false
	for {
		line, err := b.ReadBytes('\n')
		if len(line) > 0 {
			cut = !bytes.HasSuffix(line, []byte("\n"))
			var e Entry
			if json.Unmarshal(line, &e) == nil && !cut {
				l.note(e)
			}
		}
		if err == io.EOF {
			break
		}
		if err != nil {
			f.Close()
			return nil, outcome.As(outcome.Input, fmt.Errorf("%s: %w", path, err))
		}
	}
	if _, err := f.Seek(0, io.SeekEnd); err == nil && cut {
		_, err = f.WriteString("\n")
		if err != nil {
			f.Close()
			return nil, outcome.As(outcome.Output, err)
		}
	}
	return l, nil
}

func place(key string, cylinder, head int) string {
	return fmt.Sprintf("%s %d %d", key, cylinder, head)
}

func (l *RunLog) note(e Entry) {
	l.verified[place(e.Key, e.Cylinder, e.Head)] = e.State == StateVerified
}

// Verified reports whether the last word on a track was that it is verified.
func (l *RunLog) Verified(key string, cylinder, head int) bool {
	return l != nil && l.verified[place(key, cylinder, head)]
}

// Add writes an entry and waits until it is on the disk.
func (l *RunLog) Add(e Entry) error {
	if l == nil {
		return nil
	}
	if l.now != nil {
		e.At = l.now().UTC().Format(time.RFC3339)
	}
	b, err := json.Marshal(e)
	if err == nil {
		_, err = l.f.Write(append(b, '\n'))
	}
	if err == nil {
		err = l.f.Sync()
	}
	if err != nil {
		return outcome.As(outcome.Output, errors.Join(errLog, err))
	}
	l.note(e)
	return nil
}

// Close closes the file.
func (l *RunLog) Close() error {
	if l == nil {
		return nil
	}
	return l.f.Close()
}
