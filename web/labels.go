package web

import (
	"bytes"
	"cmp"
	"fmt"
	"html"
	"html/template"
	"math"
	"net/http"
	"net/url"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strconv"
	"strings"

	"github.com/pelletier/go-toml/v2"

	"remanence/internal/outcome"
	"remanence/internal/safefile"
	"remanence/label"
	"remanence/machine"
	"remanence/picture"
	"remanence/shelf"
)

func (s *Server) labelRoutes(mux *http.ServeMux) {
	mux.HandleFunc("GET /labels", s.labelsPage)
	mux.HandleFunc("GET /labels.pdf", s.labelsPDF)
	mux.HandleFunc("GET /labels.png", s.labelsPNG)
	mux.HandleFunc("POST /labels/keep", s.post(s.labelsKeep))
}

// ownName is the sheet whose sizes stand in the form.
const ownName = "own"

// pagesShown is how many pages of labels are drawn on the page where the browser does not show a PDF.
const pagesShown = 4

type labelsData struct {
	Runs    []madeRun
	Run     string
	Medium  string         // numbers of media of the shelf, with blanks between; they go before Run
	Media   []label.Medium // what could be printed
	Only    map[string]bool
	From    string            // the number of the first label; the next ones count on
	As      map[string]string // own numbers, by the number a medium has
	Free    string            // the next free number of the shelf
	FreeAt  template.URL      // the choice with it
	Sheets  []*label.Sheet
	Sheet   string
	Own     url.Values // sizes of an own sheet, as typed
	Start   int
	Most    int
	Notes   []string
	Fault   string
	Pages   int
	Shown   []int // the numbers of the pages that are drawn
	Width   int   // of a page, in millimetres, for the shape of the preview
	Height  int
	Query   template.URL // the choice, for the addresses of PDF, pictures and used sheet
	Used    template.HTML
	CanKeep bool
	Kept    string
}

// ownFields are the sizes of an own sheet with what the form begins with: label sheets of 99 x 38 mm on A4.
var ownFields = [][2]string{{"kind", "disk-label"}, {"paper", "a4"}, {"paper-width", ""}, {"paper-height", ""}, {"width", "99"}, {"height", "38"}, {"columns", "2"}, {"rows", "7"},
	{"left", "5"}, {"top", "15"}, {"gap-x", "2.5"}, {"gap-y", "0"}, {"corner", "2"}, {"cut", ""}}

// sheets are the label sheets of the program and, as they are now, the user's own.
func (s *Server) sheets() (*machine.Set, error) {
	if s.o.Config == "" {
		return s.o.Set, nil
	}
	set, err := machine.Load(s.o.Config)
	if err != nil {
		return s.o.Set, err
	}
	return set, nil
}

// ownSheet makes a sheet of what was typed. Gaps are white between two labels; profiles have the pitch.
func ownSheet(f url.Values) (*label.Sheet, error) {
	sh := &label.Sheet{Name: ownName, Source: "own sizes", Kind: label.Kind(f.Get("kind")), Cut: f.Get("cut") != ""}
	var wrong error
	mm := func(name string) float64 {
		t := strings.ReplaceAll(strings.TrimSpace(f.Get(name)), ",", ".") // 38,1 is meant as 38.1
		if t == "" {
			return 0
		}
		v, err := strconv.ParseFloat(t, 64)
		if wrong == nil && (err != nil || math.IsNaN(v) || math.Abs(v) > 1e4) {
			wrong = fmt.Errorf("%s %q: want millimetres, as 38.1", strings.ReplaceAll(name, "-", " "), f.Get(name))
		}
		return math.Round(v*1000) / 1000
	}
	count := func(name string) int {
		v := mm(name)
		if wrong == nil && v != math.Trunc(v) {
			wrong = fmt.Errorf("%s %q: want a whole number", name, f.Get(name))
		}
		return int(v)
	}
	if sh.Paper = f.Get("paper"); sh.Paper == ownName {
		sh.Paper, sh.Width, sh.Height = "", mm("paper-width"), mm("paper-height")
	}
	if sh.Kind != label.Index {
		sh.LabelWidth, sh.LabelHeight, sh.Columns, sh.Rows = mm("width"), mm("height"), count("columns"), count("rows")
		sh.Left, sh.Top, sh.Corner = mm("left"), mm("top"), mm("corner")
		sh.PitchX, sh.PitchY = math.Round((sh.LabelWidth+mm("gap-x"))*1000)/1000, math.Round((sh.LabelHeight+mm("gap-y"))*1000)/1000
	}
	if sh.Kind == label.Insert { // the usual proportions, as on the command line
		sh.Spine, sh.Flap = 12.7, 16
		sh.Front = math.Round((sh.LabelHeight-sh.Spine-sh.Flap)*1000) / 1000
	}
	paper := cmp.Or(map[string]string{"a4": "A4", "letter": "Letter"}[sh.Paper], "own paper")
	sh.Title = fmt.Sprintf("own %s, %g x %g mm, %d on %s", strings.ReplaceAll(string(sh.Kind), "-", " "), sh.LabelWidth, sh.LabelHeight, sh.PerPage(), paper)
	if sh.Kind == label.Index {
		sh.Title = "own index sheet on " + paper
	}
	if wrong != nil {
		return nil, wrong
	}
	return sh, sh.Validate()
}

// choice reads what a person chose: media, sheet, first label. sheet is nil where that is impossible, which d.Fault says.
func (s *Server) choice(r *http.Request) (d labelsData, sheet *label.Sheet, media []label.Medium) {
	set, err := s.sheets()
	if err != nil {
		d.Fault = err.Error()
	}
	d.Runs, d.Sheets, d.Start, d.CanKeep = s.runs(), set.Sheets(), 1, s.o.Config != ""
	d.Run, d.Sheet, d.Medium = r.FormValue("run"), r.FormValue("sheet"), cut(strings.Join(strings.Fields(r.FormValue("medium")), " "), 2000)
	if d.Run == "" && d.Medium == "" && len(d.Runs) > 0 {
		d.Run = d.Runs[0].Name
	}
	d.Own = url.Values{}
	for _, f := range ownFields {
		d.Own.Set(f[0], f[1])
		if r.Form.Has("width") { // the form was sent
			d.Own.Set(f[0], r.FormValue(f[0]))
		}
	}
	if d.Medium != "" {
		d.Media, err = s.shelvedMedia(r, d.Medium)
		if err != nil {
			d.Fault = withHint(err)
		}
	} else if i := slices.IndexFunc(d.Runs, func(x madeRun) bool { return x.Name == d.Run }); i >= 0 {
		d.Media = d.Runs[i].Manifest.Labels
	}
	media = d.Media
	d.Only = map[string]bool{}
	for _, n := range r.Form["only"] {
		if slices.ContainsFunc(d.Media, func(m label.Medium) bool { return m.Number == n }) {
			d.Only[n] = true
		}
	}
	if len(d.Only) > 0 {
		media = slices.DeleteFunc(slices.Clone(media), func(m label.Medium) bool { return !d.Only[m.Number] })
	}
	if media, err = d.numbered(r, media); err != nil {
		d.Fault = withHint(err)
	}
	if d.Sheet == "" {
		d.Sheet = "insert-a4"
		if slices.ContainsFunc(media, func(m label.Medium) bool { return m.Type == "disk" }) {
			d.Sheet = "disk-5in-a4"
		}
	}
	if n, err := strconv.Atoi(r.FormValue("start")); err == nil && n >= 1 {
		d.Start = n
	}
	if d.Sheet == ownName {
		sheet, err = ownSheet(d.Own)
	} else {
		sheet, err = set.Sheet(d.Sheet)
	}
	if err != nil {
		d.Fault = err.Error()
		return d, nil, media
	}
	d.Most = max(1, sheet.PerPage())
	d.Start = min(d.Start, d.Most)
	return d, sheet, media
}

// numbered gives media the numbers that are to be printed: one's own where it was typed, else counted on from the first;
// none of the media where that is impossible.
func (d *labelsData) numbered(r *http.Request, media []label.Medium) ([]label.Medium, error) {
	d.From, d.As = cut(strings.TrimSpace(r.FormValue("from")), 40), map[string]string{}
	out := slices.Clone(media)
	count := 0
	for _, m := range media {
		if as := cut(strings.TrimSpace(r.FormValue("as-"+m.Number)), 40); as != "" {
			d.As[m.Number] = as
		} else {
			count++
		}
	}
	var next []string
	if d.From != "" && count > 0 {
		var err error
		if next, err = shelf.NumbersFrom(d.From, count); err != nil {
			return nil, err
		}
	}
	seen := map[string]bool{}
	for i := range out {
		if as := d.As[out[i].Number]; as != "" {
			out[i].Number = as
		} else if len(next) > 0 {
			out[i].Number, next = next[0], next[1:]
		}
		if err := shelf.CheckNumber(out[i].Number); err != nil && out[i].Number != media[i].Number {
			return nil, err
		}
		if seen[out[i].Number] && len(d.As)+len(d.From) > 0 {
			return nil, fmt.Errorf("the number %s is there twice", out[i].Number)
		}
		seen[out[i].Number] = true
	}
	return out, nil
}

// offerNumber finds the next free number of the shelf, and notes which numbers of a renumbered lot are on it already.
func (s *Server) offerNumber(r *http.Request, d *labelsData, media []label.Medium, q url.Values) error {
	if _, err := os.Stat(s.o.Shelf); err != nil {
		return nil // no shelf yet: none is begun for that
	}
	sh, err := s.shelf()
	if err != nil {
		return err
	}
	on, err := sh.Media(r.Context())
	if err != nil {
		return err
	}
	if d.Free = shelf.NextNumber(on); d.Free != "" {
		q.Set("from", d.Free)
		d.FreeAt = template.URL(q.Encode())
	}
	for _, m := range media {
		if d.Medium == "" && slices.ContainsFunc(on, func(x shelf.Medium) bool { return x.Number == m.Number }) {
			d.Notes = append(d.Notes, fmt.Sprintf("A medium %s is on the shelf already.", m.Number))
		}
	}
	return nil
}

func (s *Server) shelvedMedia(r *http.Request, numbers string) (out []label.Medium, err error) {
	sh, err := s.shelf()
	if err != nil {
		return nil, err
	}
	for _, n := range strings.Fields(numbers) {
		d, err := sh.Show(r.Context(), shelf.MediumRef(n))
		if err != nil {
			return out, err
		}
		out = append(out, d.Label())
	}
	return out, nil
}

// draw lays the labels out.
func (d *labelsData) draw(sheet *label.Sheet, media []label.Medium) []*picture.Canvas {
	if sheet == nil {
		return nil
	}
	if len(media) == 0 {
		d.Fault = cmp.Or(d.Fault, "There is nothing to label yet. Make something first, or name a medium of the shelf.")
		return nil
	}
	pages, notes, err := label.Pages(sheet, media, label.Options{Start: d.Start})
	if err != nil {
		d.Fault = err.Error()
	}
	d.Notes, d.Pages = notes, len(pages)
	return pages
}

// query is the choice as the part of an address, but for the first label.
func (d *labelsData) query() url.Values {
	q := url.Values{"sheet": {d.Sheet}}
	if d.Medium != "" {
		q.Set("medium", d.Medium)
	} else {
		q.Set("run", d.Run)
	}
	for n := range d.Only {
		q.Add("only", n)
	}
	slices.Sort(q["only"])
	if d.From != "" {
		q.Set("from", d.From)
	}
	for n, as := range d.As {
		q.Set("as-"+n, as)
	}
	if d.Sheet == ownName {
		for k, v := range d.Own {
			q[k] = v
		}
	}
	return q
}

func (s *Server) labelsPage(w http.ResponseWriter, r *http.Request) {
	s.labelsStatus(w, r, http.StatusOK, "", r.FormValue("kept"))
}

func (s *Server) labelsStatus(w http.ResponseWriter, r *http.Request, status int, fault, kept string) {
	d, sheet, media := s.choice(r)
	pages := d.draw(sheet, media)
	d.Fault = cmp.Or(fault, d.Fault)
	if kept != "" && slices.ContainsFunc(d.Sheets, func(x *label.Sheet) bool { return x.Name == kept }) {
		d.Kept = kept
	}
	q := d.query()
	if sheet != nil {
		d.Used = usedSheet(sheet, media, d.Start, q)
	}
	q.Set("start", strconv.Itoa(d.Start))
	d.Query = template.URL(q.Encode())
	if err := s.offerNumber(r, &d, media, q); err != nil {
		d.Fault = cmp.Or(d.Fault, err.Error())
	}
	for i := range min(len(pages), pagesShown) {
		d.Shown = append(d.Shown, i+1)
	}
	if len(pages) > 0 {
		d.Width, d.Height = int(pages[0].Width), int(pages[0].Height)
	}
	w.Header().Set("Content-Security-Policy", strings.Replace(policy, "object-src 'none'", "object-src 'self'", 1)) // the PDF on this page
	s.showStatus(w, status, "labels", "Labels", "Keep", d)
}

// usedSheet draws the first sheet to scale with a link on each label: the first that is still there is clicked.
func usedSheet(sh *label.Sheet, media []label.Medium, start int, q url.Values) template.HTML {
	if sh.Kind == label.Index || sh.PerPage() < 2 {
		return ""
	}
	places := 0
	for i := range media {
		if sh.For(media[i].Type) {
			places++
			if sh.Kind == label.CassetteLabel {
				places += max(1, len(media[i].Sides)) - 1
			}
		}
	}
	w, h := sh.PaperSize()
	var b strings.Builder
	fmt.Fprintf(&b, `<svg class="used" viewBox="0 0 %g %g" role="group" aria-label="The sheet, %d labels"><rect class="paper" width="%[1]g" height="%[2]g"/>`, w, h, sh.PerPage())
	for i := range sh.PerPage() {
		x, y := sh.At(i)
		class, state := "free", "stays empty"
		switch {
		case i+1 < start:
			class, state = "gone", "used before"
		case i+1 < start+places:
			class, state = "printed", "printed now"
		}
		q.Set("start", strconv.Itoa(i+1))
		current := ""
		if i+1 == start {
			current = ` aria-current="true"`
		}
		size := math.Min(9, sh.LabelHeight*0.6)
		fmt.Fprintf(&b, `<a href="/labels?%s#used" aria-label="Begin at label %d, row %d, column %d: %s"%s><rect class="%s" x="%g" y="%g" width="%g" height="%g" rx="%g"/>`,
			html.EscapeString(q.Encode()), i+1, i/sh.Columns+1, i%sh.Columns+1, state, current, class, x, y, sh.LabelWidth, sh.LabelHeight, sh.Corner)
		if class == "gone" {
			fmt.Fprintf(&b, `<path class="gone" d="M%g %gL%g %g"/>`, x, y+sh.LabelHeight, x+sh.LabelWidth, y)
		}
		fmt.Fprintf(&b, `<text class="%s" x="%g" y="%g" font-size="%g" text-anchor="middle">%d</text></a>`, class, x+sh.LabelWidth/2, y+sh.LabelHeight/2+size*0.36, size, i+1)
	}
	b.WriteString(`</svg>`)
	return template.HTML(b.String()) // numbers, and an address that was escaped
}

// labelsPDF is the preview and the print: the same bytes.
func (s *Server) labelsPDF(w http.ResponseWriter, r *http.Request) {
	d, sheet, media := s.choice(r)
	pages := d.draw(sheet, media)
	if len(pages) == 0 {
		s.fail(w, r, http.StatusNotFound, strings.TrimSpace("No labels. "+d.Fault+" "+strings.Join(d.Notes, " ")))
		return
	}
	var b bytes.Buffer
	if err := picture.PDF(&b, pages, picture.PDFMeta{Title: "Labels of " + cmp.Or(d.Medium, d.Run), Creator: "remanence " + s.o.Version}); err != nil {
		s.fail(w, r, http.StatusInternalServerError, err.Error())
		return
	}
	h := w.Header()
	h.Set("Content-Type", "application/pdf")
	h.Set("Content-Security-Policy", pdfPolicy)
	h.Set("Content-Disposition", fmt.Sprintf("inline; filename=%q", "labels-"+d.Sheet+".pdf"))
	w.Write(b.Bytes())
}

// labelsPNG draws one page of the same drawing for browsers that show no PDF within a page.
func (s *Server) labelsPNG(w http.ResponseWriter, r *http.Request) {
	d, sheet, media := s.choice(r)
	pages := d.draw(sheet, media)
	n, _ := strconv.Atoi(r.FormValue("page"))
	if n < 1 || n > len(pages) {
		s.fail(w, r, http.StatusNotFound, "There is no such page of labels. "+d.Fault)
		return
	}
	p := pages[n-1]
	const most = 6e6 // pixels
	var b bytes.Buffer
	if err := p.PNG(&b, math.Min(6, math.Sqrt(most/(p.Width*p.Height))), picture.Light); err != nil {
		s.fail(w, r, http.StatusInternalServerError, err.Error())
		return
	}
	w.Header().Set("Content-Type", "image/png")
	w.Write(b.Bytes())
}

var sheetName = regexp.MustCompile(`^[a-z0-9][a-z0-9-]{0,39}$`)

// labelsKeep files an own sheet in the user's configuration folder, where the command line finds it too.
func (s *Server) labelsKeep(w http.ResponseWriter, r *http.Request) {
	refuse := func(what string) {
		s.labelsStatus(w, r, http.StatusUnprocessableEntity, what, "")
	}
	if s.o.Config == "" {
		refuse("This system has no configuration folder to keep a sheet in. Say --config FOLDER when you start the program.")
		return
	}
	name := strings.ToLower(strings.TrimSpace(r.PostForm.Get("name")))
	if !sheetName.MatchString(name) || name == ownName {
		refuse(fmt.Sprintf("%q is not a name for a sheet: want small letters, digits and hyphens, and not %q.", name, ownName))
		return
	}
	if _, err := machineSheet(name); err == nil {
		refuse(fmt.Sprintf("The program has a sheet %s itself. Choose another name.", name))
		return
	}
	sh, err := ownSheet(r.PostForm)
	if err != nil {
		refuse(err.Error())
		return
	}
	sh.Name = name
	data, err := toml.Marshal(sh)
	if err != nil {
		refuse(err.Error())
		return
	}
	file := filepath.Join(s.o.Config, "sheets", name+".toml")
	replace := r.PostForm.Get("replace") != ""
	if _, err := os.Lstat(file); err == nil && !replace {
		refuse(fmt.Sprintf("there is a sheet %s already; choose another name, or tick 'replace'", name))
		return
	}
	if err := safefile.WriteFile(file, data, replace); err != nil {
		refuse(err.Error())
		return
	}
	if _, err := s.sheets(); err != nil { // cannot be: it was valid
		s.fail(w, r, http.StatusInternalServerError, err.Error())
		return
	}
	q := url.Values{"sheet": {name}, "kept": {name}, "run": {r.PostForm.Get("run")}, "medium": {r.PostForm.Get("medium")}, "from": {r.PostForm.Get("from")}}
	for k, v := range r.PostForm {
		if strings.HasPrefix(k, "as-") {
			q[k] = v
		}
	}
	http.Redirect(w, r, "/labels?"+q.Encode(), http.StatusSeeOther)
}

// machineSheet finds a sheet of the program itself.
func machineSheet(name string) (*label.Sheet, error) {
	set, err := machine.Load("")
	if err != nil {
		return nil, outcome.As(outcome.Input, err)
	}
	return set.Sheet(name)
}
