package web

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"html/template"
	"math"
	"net/http"
	"net/url"
	"os"
	"strconv"
	"strings"
	"sync"

	"remanence/tape"
)

// tapeLens is one look at a recording: the whole side with the lens on it, the lens, and where one can go from here.
// Everything works by links and a form; the script asks for the same as a part of the page.
type tapeLens struct {
	Name     string // of the page
	Of       int    // which of its recordings
	Copies   []tapeCopy
	From     float64
	Span     float64
	Total    float64
	Least    float64 // the shortest stretch
	At       string  // for the form
	SpanText string
	Side     template.HTML // "": the page has it already
	Frame    template.HTML // of the lens, laid over it
	Picture  template.HTML
	Says     string
	Detail   string
	Moves    []tapeMove
	Bytes    []tapeByte
	NoSound  bool
}

type tapeCopy struct {
	Name, URL string
	Current   bool
}

// tapeMove is a step from here; URL is "" where it leads nowhere.
type tapeMove struct{ Do, Name, URL string }

// tapeByte is a byte of the lens in words, for those who do not see the picture.
type tapeByte struct{ At, Value, Char, What, Odds, Speed, State string }

const (
	maxListed  = 48   // bytes in words
	faultSpanS = 0.05 // what a link to a fault shows
)

// lensAsk is what a browser asks for.
type lensAsk struct {
	of, width  int
	from, span float64
	noSide     bool
}

var errNoSuchCopy = errors.New("there is no such recording here")

// askOf reads the query; what is left out is the whole side.
func askOf(r *http.Request, copies int) (a lensAsk, err error) {
	q := r.URL.Query()
	if t := q.Get("of"); t != "" {
		n, err := strconv.Atoi(t)
		if err != nil || n < 1 || n > copies {
			return a, errNoSuchCopy
		}
		a.of = n - 1
	}
	if a.from, err = parseSeconds(q.Get("at"), 0); err != nil {
		return a, err
	}
	if a.span, err = parseSeconds(q.Get("span"), math.Inf(1)); err != nil {
		return a, err
	}
	if t := q.Get("w"); t != "" {
		n, err := strconv.Atoi(t)
		if err != nil {
			return a, fmt.Errorf("width %q: want a number of pixels", cut(t, 20))
		}
		a.width = n
	}
	a.noSide = q.Get("side") == "0"
	return a, nil
}

// parseSeconds reads "75.92", "1:15.92", "1:02:03", "10 ms" or "200 us"; empty is def.
func parseSeconds(t string, def float64) (float64, error) {
	t = strings.TrimSpace(strings.ReplaceAll(t, ",", "."))
	if t == "" {
		return def, nil
	}
	unit := 1.0
	rest := strings.ToLower(t)
	for _, u := range []struct {
		name string
		s    float64
	}{{"ms", 1e-3}, {"us", 1e-6}, {"µs", 1e-6}, {"min", 60}, {"s", 1}, {"h", 3600}} {
		if cut, ok := strings.CutSuffix(rest, u.name); ok {
			rest, unit = strings.TrimSpace(cut), u.s
			break
		}
	}
	total := 0.0
	parts := strings.Split(rest, ":")
	for _, p := range parts {
		v, err := strconv.ParseFloat(p, 64)
		if err != nil || math.IsNaN(v) || math.IsInf(v, 0) || len(parts) > 3 || len(parts) > 1 && (unit != 1 || v < 0) {
			return 0, fmt.Errorf("time %q: want seconds, minutes:seconds, or a number with ms or us", cut(t, 30))
		}
		total = 60*total + v
	}
	return total * unit, nil
}

// plain writes a number of seconds with as few digits as tell it apart.
func plain(s float64) string {
	t := strconv.FormatFloat(s, 'f', 6, 64)
	return strings.TrimRight(strings.TrimRight(t, "0"), ".")
}

// lensOf draws what is asked for of a view.
func (s *Server) lensOf(r *http.Request, v *tapeView, a lensAsk) (*tapeLens, error) {
	name, l := v.Names[a.of], v.looks[a.of]
	if l == nil {
		return nil, errNoLook
	}
	from, span := l.Clamp(a.from, a.span)
	d := &tapeLens{Name: v.Key, Of: a.of + 1, From: from, Span: span, Total: l.Seconds(), At: plain(from), SpanText: plain(span)}
	_, d.Least = l.Clamp(0, 1e-12)
	for i, n := range v.Names {
		if len(v.Names) > 1 && v.looks[i] != nil {
			d.Copies = append(d.Copies, tapeCopy{fmt.Sprintf("copy %d: %s", i+1, n), d.url(i, from, span), i == a.of})
		}
	}
	err := s.lookInto(name, l, func(f *os.File, sound tape.Sound) error {
		lens, err := l.Lens(r.Context(), f, sound, tape.LensOptions{FromS: from, SpanS: span, Width: a.width})
		if err != nil {
			return err
		}
		side, err := v.sides.of(r.Context(), a, l, f)
		if err != nil {
			return err
		}
		d.NoSound = sound == nil
		d.Frame, d.Picture = inline(side.s.Frame(from, span), "frame"), inline(lens.Canvas, "lens")
		if !a.noSide {
			d.Side = side.svg
		}
		d.Says, d.Detail = lens.Says, lens.Detail
		if len(lens.Bytes) <= maxListed {
			d.list(l, lens.Bytes)
		}
		return nil
	})
	if err != nil {
		return nil, err
	}
	d.moves(l)
	return d, nil
}

func (d *tapeLens) list(l *tape.Look, bytes []tape.LookByte) {
	for i := range bytes {
		b := &bytes[i]
		row := tapeByte{At: plain(b.AtS) + " s", Value: fmt.Sprintf("%02Xh", b.Value), What: l.FieldWords(b), State: l.State(b).String(),
			Odds: tape.OddsWords(l.Least(b)), Speed: fmt.Sprintf("%+.1f %%", b.SpeedPercent)}
		if b.Value >= 0x20 && b.Value < 0x7F {
			row.Char = string(rune(b.Value))
		}
		if b.Heard != b.Value {
			row.State += fmt.Sprintf(", heard as %02Xh", b.Heard)
		}
		d.Bytes = append(d.Bytes, row)
	}
}

// url is the address of a stretch.
func (d *tapeLens) url(of int, from, span float64) string {
	q := ""
	if of > 0 {
		q = fmt.Sprintf("of=%d&", of+1)
	}
	return "/prove/tape/" + url.PathEscape(d.Name) + "?" + q + "at=" + plain(from) + "&span=" + plain(span) + "#tapelens"
}

// moves are the steps from here.
func (d *tapeLens) moves(l *tape.Look) {
	to := func(do, name string, ok bool, from, span float64) {
		m := tapeMove{Do: do, Name: name}
		if f, s := l.Clamp(from, span); ok && (math.Abs(f-d.From) > 5e-7 || math.Abs(s-d.Span) > 5e-7) {
			m.URL = d.url(d.Of-1, f, s)
		}
		d.Moves = append(d.Moves, m)
	}
	mid := d.From + d.Span/2
	to("closer", "closer", true, mid-d.Span/8, d.Span/4)
	to("wider", "wider", true, mid-d.Span*2, d.Span*4)
	to("earlier", "earlier", true, d.From-d.Span*3/4, d.Span)
	to("later", "later", true, d.From+d.Span*3/4, d.Span)
	to("whole", "whole side", true, 0, d.Total)
	span := math.Min(d.Span, faultSpanS)
	after, before := mid, mid
	if d.Span > 2*faultSpanS { // from afar: the first and the last in view
		after, before = d.From-1e-3, d.From+d.Span+1e-3
	}
	at, ok := l.NextMark(after)
	to("next-fault", "next fault", ok, at-span/2, span)
	at, ok = l.PreviousMark(before)
	to("previous-fault", "previous fault", ok, at-span/2, span)
	// A block is shown as a whole, unless one has come closer than that: then its beginning.
	show := func(do, name string, b *tape.LookBlock) {
		if b == nil {
			to(do, name, false, 0, 0)
			return
		}
		if long := b.ToS - b.FromS; d.Span >= long/2 {
			to(do, name, true, b.FromS-long*0.02, long*1.04)
			return
		}
		to(do, name, true, b.FromS-d.Span/10, d.Span)
	}
	show("next-block", "next block", l.NextBlock(d.From+math.Min(d.Span/4, 0.05*d.Span+0.01)))
	show("previous-block", "previous block", l.PreviousBlock(d.From))
}

// tapeLensPart answers the script: the lens alone.
func (s *Server) tapeLensPart(w http.ResponseWriter, r *http.Request, v *tapeView) {
	d, status, err := s.tapeLensFor(r, v)
	if err != nil {
		http.Error(w, err.Error(), status)
		return
	}
	var b bytes.Buffer
	if err := s.pages["tape"].ExecuteTemplate(&b, "tapelens", d); err != nil {
		http.Error(w, "the lens could not be written", http.StatusInternalServerError)
		return
	}
	w.Header().Set("Content-Type", "text/html; charset=utf-8")
	w.Write(b.Bytes())
}

// tapeLensFor draws the lens a request asks for, and says with what status a failure is answered.
func (s *Server) tapeLensFor(r *http.Request, v *tapeView) (d *tapeLens, status int, err error) {
	a, err := askOf(r, len(v.looks))
	switch {
	case errors.Is(err, errNoSuchCopy):
		return nil, http.StatusNotFound, err
	case err != nil:
		return nil, http.StatusBadRequest, err
	}
	for r.URL.Query().Get("of") == "" && a.of+1 < len(v.looks) && v.looks[a.of] == nil { // the first that is here
		a.of++
	}
	if d, err = s.lensOf(r, v, a); err != nil {
		if r.Context().Err() != nil {
			return nil, 499, r.Context().Err() // nobody waits for it any more
		}
		if errors.Is(err, errNoLook) {
			return nil, http.StatusNotFound, errors.New("nothing is kept of this recording for looking closer; read it back again")
		}
		return nil, http.StatusInternalServerError, errors.New(strings.TrimPrefix(err.Error(), "look: "))
	}
	return d, http.StatusOK, nil
}

// heldSides keeps the pictures of the whole side that were drawn last: they stay the same while the lens moves.
type heldSides struct {
	mu   sync.Mutex
	held []heldSide
}

type heldSide struct {
	of, width int
	s         *tape.Outline
	svg       template.HTML
}

// mostSides are a few recordings at one or two widths each.
const mostSides = 4

func (h *heldSides) of(ctx context.Context, a lensAsk, l *tape.Look, f *os.File) (heldSide, error) {
	h.mu.Lock()
	defer h.mu.Unlock()
	for _, x := range h.held {
		if x.of == a.of && x.width == a.width {
			return x, nil
		}
	}
	s, err := l.Outline(ctx, f, a.width)
	if err != nil {
		return heldSide{}, err
	}
	x := heldSide{a.of, a.width, s, inline(s.Canvas, "side")}
	s.Canvas = nil
	if h.held = append(h.held, x); len(h.held) > mostSides {
		h.held = h.held[1:]
	}
	return x, nil
}
