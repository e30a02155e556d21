package master

import (
	"fmt"
	"os"
	"slices"
	"strings"
)

// Stopped is the error where the caller's context ended the work. It unwraps to the context's own error.
type Stopped struct {
	Out      string   // the folder
	Finished []string // media that are made and tried; their files stay
	Media    int      // that were planned
	Cause    error
}

func (s *Stopped) Error() string {
	done := "no medium is finished"
	if len(s.Finished) > 0 {
		done = fmt.Sprintf("finished are %s, of %d media", strings.Join(s.Finished, ", "), s.Media)
	}
	return fmt.Sprintf("stopped; the folder %s is incomplete: %s; labels, report and manifest were not written", s.Out, done)
}

func (s *Stopped) Unwrap() error { return s.Cause }

// keepFinished removes what this run wrote of media that were not finished, and names the others.
func (mk *maker) keepFinished(r *Result, done []bool) (finished []string) {
	for i, m := range r.Media {
		if done[i] {
			finished = append(finished, m.ID)
			continue
		}
		of := []string{m.ID + ".img", m.ID + ".sectors.json", m.ID + ".captures.zip", m.ID + mk.soundEnd()}
		for _, o := range mk.out {
			if slices.Contains(of, o.Path) {
				os.Remove(mk.path(o.Path)) // what cannot be removed is told as of an earlier run by the next
			}
		}
	}
	return finished
}
