package web

import (
	"html"
	"regexp"
	"strings"
	"testing"
	"time"

	"remanence/program"
)

// No page of the example speaks of options or commands, each file's page among them, nor does what is wrong with it.
func TestPagesSpeakOfTheirControls(t *testing.T) {
	s, c := example(t)
	if _, err := s.add(t.Context(), "heron.txt", []byte("THE HERON\nA HOME COMPUTER OF 1979\n")); err != nil {
		t.Fatal(err)
	}
	bare := regexp.MustCompile(`(?s)<(script|style).*?</(script|style)>|<[^>]*>`)
	talk := regexp.MustCompile(`--[a-z]|remanence [a-z]|tape read|volume get`)
	pages := []string{"/", "/arrange", "/make"}
	for _, p := range s.gather.paths {
		pages = append(pages, "/file/"+idOf(p))
	}
	for _, p := range pages {
		_, page := get(t, c.url+p)
		page = html.UnescapeString(bare.ReplaceAllString(page, " "))
		if at := talk.FindStringIndex(page); at != nil {
			t.Errorf("%s: says %q", p, page[max(0, at[0]-80):min(len(page), at[1]+40)])
		}
	}
	if _, page := get(t, c.url+"/arrange"); !strings.Contains(page, "Take damaged files along") {
		t.Error("nothing under Arrange says how to take damaged files along")
	}
	if r := s.report(idOf("heron.txt")); state(r.Report) != "whole" || len(r.Faults) != 1 || r.Faults[0].Class != program.LineEnds {
		t.Errorf("a text with LF is %s, %v; want whole, with a remark", state(r.Report), r.Faults)
	}
}

// A text that is named like a recording is told to be one when it is read back.
func TestTextIsNoRecording(t *testing.T) {
	s, h := bench(t)
	c := &caller{t: t, s: s, url: h.URL}
	if _, err := s.take("letter.wav", strings.NewReader("Dear Saltmarsh,\nthe Heron came back on Tuesday.\n")); err != nil {
		t.Fatal(err)
	}
	c.must("/prove/read", form("name", "letter.wav"), nil)
	s.jobs.mu.Lock()
	j := s.jobs.now
	s.jobs.mu.Unlock()
	for deadline := time.After(20 * time.Second); ; {
		st, wake := j.status()
		if st.State != "working" {
			if !strings.Contains(st.Fault, "letter.wav: this is text") {
				t.Errorf("%s: %q; want that it is text", st.State, st.Fault)
			}
			return
		}
		select {
		case <-wake:
		case <-deadline:
			t.Fatal("the reading does not end")
		}
	}
}
