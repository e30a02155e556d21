package web

import (
	"cmp"
	"context"
	"fmt"
	"html/template"
	"net/http"
	"net/url"
	"os"
	"path"
	"runtime/debug"
	"strings"

	"remanence/tape"
)

// tapeView is what was heard on one recording, or on several of the same tape together.
type tapeView struct {
	*tape.Result
	Key      string // its address under /prove/tape/: the recording's name, or mergedKey of several
	Names    []string
	Pictures []drawn
	Merged   []mergedView
	Gone     []string // which recordings are not here any more as they were read

	looks []*tape.Look // one a recording; nil where that is gone
	sides heldSides
}

type drawn struct {
	Name string
	SVG  template.HTML
}

// mergedView is a program before and after merging.
type mergedView struct {
	*tape.Comparison
	SVG template.HTML
	Row []mergedRow
}

// mergedRow is a stretch on which the copies disagree.
type mergedRow struct {
	Place, What, Value string
	Copies             []mergedCopy
}

type mergedCopy struct {
	Value, URL string
	Same       bool
}

// readingGCPercent keeps the heap within 1.4 times of what is in use while recordings are read.
const readingGCPercent = 40

func (s *Server) readTape(ctx context.Context, j *job, names []string) (string, error) {
	// What is decided of three hours is some 60 MB while it is read, and 2 MB afterwards: the collector works harder
	// meanwhile, and gives back what it can when it is done. Only one such job runs at a time.
	defer debug.FreeOSMemory()
	defer debug.SetGCPercent(debug.SetGCPercent(readingGCPercent))
	var results []*tape.Result
	v := &tapeView{Key: names[0], Names: names}
	if len(names) > 1 {
		v.Key = mergedKey(names)
	}
	o := tape.ReadOptions{Keep: true}
	for _, n := range names {
		res, l, err := s.readOne(ctx, j, n, o)
		if err != nil {
			return "", err
		}
		results, v.looks = append(results, res), append(v.looks, l)
	}
	v.Result = results[0]
	if len(results) > 1 {
		v.Result = tape.MergeResults(results, names, o)
	} else if err := s.drawTape(ctx, v); err != nil {
		return "", err
	}
	s.drawMerged(v, tape.Compare(v.Result, results))
	for _, r := range append(results, v.Result) {
		r.Slim()
	}
	if len(names) > 1 {
		if err := s.keepMerged(v); err != nil {
			return "", err
		}
	}
	s.jobs.mu.Lock()
	s.jobs.keepTape(v.Key, v)
	s.jobs.mu.Unlock()
	return "/prove/tape/" + url.PathEscape(v.Key), nil
}

// drawTape draws what concerns the recording as a whole: the eye, and the places of pulses or lengths of half-waves.
func (s *Server) drawTape(ctx context.Context, v *tapeView) error {
	return s.lookInto(v.Names[0], v.looks[0], func(_ *os.File, sound tape.Sound) error {
		if sound == nil {
			return nil
		}
		pics, err := tape.EyePictures(ctx, v.Result, sound)
		for i, p := range pics {
			v.Pictures = append(v.Pictures, drawn{p.Name, inline(p.Canvas, fmt.Sprintf("p%d", i))})
		}
		return err
	})
}

// drawMerged draws each program before and after, with links to where its copies disagree.
func (s *Server) drawMerged(v *tapeView, all []*tape.Comparison) {
	files := make([]*os.File, len(v.looks)) // what was kept of each recording; without it there is no link
	for i := range files {
		if f, err := s.root.Open(lookName(v.Names[i])); err == nil {
			defer f.Close()
			files[i] = f
		}
	}
	for i, c := range all[:min(len(all), maxMerged)] {
		m := mergedView{Comparison: c, SVG: inline(c.Draw(v.Names, 0), fmt.Sprintf("m%d", i))}
		for _, d := range c.Differ {
			row := mergedRow{Place: fmt.Sprintf("%d to %d", d.From, d.To-1), What: d.What, Value: d.Value}
			if d.To == d.From+1 {
				row.Place = fmt.Sprint(d.From)
			}
			for k, x := range d.Copies {
				row.Copies = append(row.Copies, mergedCopy{cmp.Or(x.Value, "not heard"), copyURL(v, files, &c.Copies[k], x.Byte, d.To-d.From), x.Same})
			}
			m.Row = append(m.Row, row)
		}
		v.Merged = append(v.Merged, m)
	}
}

// maxMerged bounds how many programs are compared on the page.
const maxMerged = 40

// copyURL is the lens on bytes of one copy, "" where they were not heard.
func copyURL(v *tapeView, files []*os.File, c *tape.CompareCopy, at, n int) string {
	if at < 0 || c.Recording >= len(files) || files[c.Recording] == nil {
		return ""
	}
	l, f := v.looks[c.Recording], files[c.Recording]
	from, ok := l.At(f, c.Program, at)
	if !ok {
		return ""
	}
	to, ok := l.At(f, c.Program, at+n)
	if !ok || to <= from {
		to = from + faultSpanS
	}
	d := tapeLens{Name: v.Key}
	long := max(to-from, faultSpanS/2)
	return d.url(c.Recording, max(0, from-long/2), 2*long)
}

// tape is the view of a recording that was read in this session, or before: then from what was kept of it.
func (s *Server) tape(name string) *tapeView {
	s.jobs.mu.Lock()
	v := s.jobs.tapes[name]
	s.jobs.mu.Unlock()
	if v != nil && s.still(v) {
		return v
	}
	if s.results.has("tape", name) {
		return s.mergedTape(name)
	}
	l, err := s.openLook(path.Base(cleanPath(name)))
	if err != nil {
		return nil
	}
	v = &tapeView{Key: name, Result: l.Result(), Names: []string{l.Source().Name}, looks: []*tape.Look{l}}
	s.jobs.mu.Lock()
	defer s.jobs.mu.Unlock()
	s.jobs.keepTape(name, v)
	return v
}

// still says whether the recordings of a view are those that were read.
func (s *Server) still(v *tapeView) bool {
	if len(v.Gone) > 0 { // it may have come back
		return false
	}
	for i, n := range v.Names {
		info, err := s.root.Stat("read/" + n)
		if src := v.looks[i].Source(); err != nil || info.Size() != src.Bytes || info.ModTime().UnixNano() != src.Modified {
			return false
		}
	}
	return true
}

// tapePage is what was heard, with the lens on it.
type tapePage struct {
	*tapeView
	Lens     *tapeLens
	Fault    string // why there is no lens
	Programs []programRow
	Faults   []faultRow
	Log      *readingLog
}

type programRow struct {
	*tape.Program
	URL string
}

type faultRow struct {
	AtS       float64
	What, URL string
}

// maxFaultRows bounds how many faults the page lists; the lens goes to all of them.
const maxFaultRows = 200

func (s *Server) tapePage(w http.ResponseWriter, r *http.Request) {
	v := s.tape(r.PathValue("name"))
	if v == nil {
		s.fail(w, r, http.StatusNotFound, "This recording was not read back, or it was changed since. Read it back again under Prove.")
		return
	}
	if r.URL.Query().Get("part") == "lens" {
		s.tapeLensPart(w, r, v)
		return
	}
	s.tapeShow(w, r, v, http.StatusOK, readingLog{})
}

func (s *Server) tapeShow(w http.ResponseWriter, r *http.Request, v *tapeView, status int, log readingLog) {
	d := tapePage{tapeView: v, Log: &log}
	log.Run = runOfTape(v)
	log.fill(s, r, "/prove/tape/"+url.PathEscape(v.Key)+"/log")
	lens, lensStatus, err := s.tapeLensFor(r, v)
	if err != nil {
		d.Fault = err.Error()
	}
	if status == http.StatusOK {
		status = lensStatus
	}
	d.Lens = lens
	link := tapeLens{Name: v.Key}
	for _, p := range v.Result.Programs {
		row := programRow{Program: p}
		if len(v.looks) == 1 {
			long := p.ToS - p.FromS
			row.URL = link.url(0, max(0, p.FromS-long*0.02), long*1.04)
		}
		d.Programs = append(d.Programs, row)
	}
	for i, l := range v.looks {
		if l == nil {
			continue
		}
		for _, m := range l.Marks() {
			what := m.What
			if len(v.looks) > 1 {
				what = fmt.Sprintf("copy %d: %s", i+1, what)
			}
			d.Faults = append(d.Faults, faultRow{m.AtS, what, link.url(i, max(0, m.AtS-faultSpanS/2), faultSpanS)})
		}
	}
	d.Faults = d.Faults[:min(len(d.Faults), maxFaultRows)]
	s.showStatus(w, status, "tape", v.title(), "Prove", d)
}

// gatherTape adds the programs of a recording to the files, as the bytes after the sync.
func (s *Server) gatherTape(w http.ResponseWriter, r *http.Request) {
	name := r.PathValue("name")
	v := s.tape(name)
	if v == nil {
		s.fail(w, r, http.StatusNotFound, "This recording was not read back, or it was changed since. Read it back again under Prove.")
		return
	}
	stem := strings.TrimSuffix(v.Names[0], path.Ext(v.Names[0]))
	for i, p := range v.Result.Programs {
		data, err := s.programData(v, i)
		if err != nil {
			s.fail(w, r, http.StatusInternalServerError, err.Error())
			return
		}
		if len(data) == 0 {
			continue
		}
		if _, err := s.add(r.Context(), fmt.Sprintf("%s/%02d-%s.cas", stem, i+1, strings.ReplaceAll(cmp.Or(strings.TrimSpace(p.Name), p.Kind), "/", "_")), data); err != nil {
			s.fail(w, r, http.StatusUnprocessableEntity, err.Error())
			return
		}
	}
	http.Redirect(w, r, "/", http.StatusSeeOther)
}

// programData gives the bytes of a program, from memory or from what was kept.
func (s *Server) programData(v *tapeView, i int) (data []byte, err error) {
	if p := v.Result.Programs[i]; len(p.Data) > 0 || len(v.looks) != 1 {
		return p.Data, nil
	}
	err = s.lookInto(v.Names[0], v.looks[0], func(f *os.File, _ tape.Sound) error {
		data, err = v.looks[0].Program(f, i)
		return err
	})
	return data, err
}
