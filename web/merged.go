package web

import (
	"errors"
	"fmt"
	"slices"
	"strings"

	"remanence/tape"
)

// mergedTape is what several recordings gave together, as it is kept: the decisions it was made of are not there after a
// new start, so the comparison is kept as it was drawn.
type mergedTape struct {
	Title   string
	Files   []string // the recordings, in read/
	Sources []tape.LookSource
	Result  *tape.Result
	Data    [][]byte // of each program
	Merged  []mergedView
}

// mergedKey is the address of what several recordings give together. It is never that of one of them: so a recording that
// is read by itself later does not take its place.
func mergedKey(names []string) string { return "merged-" + idOf(strings.Join(names, "\x00")) }

func (v *tapeView) title() string { return "What was heard on " + strings.Join(v.Names, ", ") }

// keepMerged stores what several recordings gave together as a result.
func (s *Server) keepMerged(v *tapeView) error {
	k := mergedTape{Title: v.title(), Files: v.Names, Result: v.Result, Merged: v.Merged}
	for _, l := range v.looks {
		k.Sources = append(k.Sources, l.Source())
	}
	for _, p := range v.Programs {
		k.Data = append(k.Data, p.Data)
	}
	if err := s.results.put("tape", v.Key, &k); err != nil {
		return fmt.Errorf("the recordings were read, but the result could not be stored: %w", err)
	}
	return nil
}

// check refuses a result that does not fit together: it lies in a file that anybody may have changed.
func (k *mergedTape) check() error {
	if k.Result == nil || len(k.Files) == 0 || len(k.Sources) != len(k.Files) || len(k.Data) != len(k.Result.Programs) {
		return errors.New("the result is not whole")
	}
	for _, p := range k.Result.Programs {
		if p == nil {
			return errors.New("the result is not whole")
		}
	}
	for _, m := range k.Merged {
		if m.Comparison == nil || slices.ContainsFunc(m.Copies, func(c tape.CompareCopy) bool { return c.Recording < 0 || c.Recording >= len(k.Files) }) ||
			slices.ContainsFunc(m.Row, func(r mergedRow) bool { return len(r.Copies) != len(m.Copies) }) {
			return errors.New("the result is not whole")
		}
	}
	return checkNames(k.Files...)
}

// mergedTape reads what was kept of several recordings; nil where it cannot be used. What has become of each recording
// since is said: without it there is nothing to look into.
func (s *Server) mergedTape(key string) *tapeView {
	k := &mergedTape{}
	if err := s.results.get("tape", key, k); err != nil || k.check() != nil {
		return nil
	}
	v := &tapeView{Key: key, Result: k.Result, Names: k.Files, Merged: k.Merged}
	for i, p := range v.Programs {
		p.Data = k.Data[i]
	}
	for i, n := range k.Files {
		l, err := s.openLook(n)
		if err == nil && (l.Source().Bytes != k.Sources[i].Bytes || l.Source().Modified != k.Sources[i].Modified) {
			err = errNoLook
		}
		if err != nil {
			l = nil
			v.Gone = append(v.Gone, s.gone(n, k.Sources[i]))
		}
		v.looks = append(v.looks, l)
	}
	for _, m := range v.Merged {
		for _, row := range m.Row {
			for i := range row.Copies {
				if of := m.Copies[i].Recording; v.looks[of] == nil {
					row.Copies[i].URL = ""
				}
			}
		}
	}
	s.jobs.mu.Lock()
	defer s.jobs.mu.Unlock()
	s.jobs.keepTape(key, v)
	return v
}

// gone says what has become of a recording that a result was made of.
func (s *Server) gone(name string, was tape.LookSource) string {
	info, err := s.root.Stat("read/" + name)
	switch {
	case err != nil:
		return name + " is no longer here: the result stands as it was made, but this recording cannot be looked into. Add it again and read all together to look closer."
	case info.Size() != was.Bytes || info.ModTime().UnixNano() != was.Modified:
		return name + " was changed or added anew since: the result stands as it was made of the earlier one, which cannot be looked into. Read all together again."
	}
	return "What was kept of " + name + " for looking closer was removed: the result stands, and reading all together again makes it anew."
}
