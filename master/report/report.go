package report

import (
	"bytes"
	_ "embed"
	"fmt"
	"html/template"
	"io"
	"net/url"
	"path/filepath"
	"strings"

	"remanence/internal/words"
	"remanence/picture"
)

//go:embed report.css
var css string

//go:embed report.html
var page string

// Write makes the report: one HTML document that loads nothing. The same input gives the same bytes.
func Write(w io.Writer, in *Input) error {
	v := &view{Input: in}
	t, err := template.New("report").Funcs(template.FuncMap{
		"css":     func() template.CSS { return template.CSS(picture.Variables(":root") + picture.Classes() + css) },
		"draw":    v.draw,
		"bar":     v.bar,
		"memory":  v.memory,
		"size":    Size,
		"hex":     func(n int) string { return fmt.Sprintf("%04Xh", n) },
		"last":    func(r [2]int) int { return r[1] - 1 },
		"fault":   func(f Fault) string { return f.Sentence() },
		"link":    link,
		"kind":    kindWords,
		"join":    strings.Join,
		"room":    room,
		"ordinal": func(i int) int { return i + 1 },
	}).Parse(page)
	if err != nil {
		return fmt.Errorf("report: %w", err)
	}
	var b bytes.Buffer
	if err := t.Execute(&b, v); err != nil {
		return fmt.Errorf("report: %w", err)
	}
	_, err = w.Write(b.Bytes())
	return err
}

// A page must open in any browser: of very large jobs it tells at most so many files, and draws so many media. What is
// damaged, left out or not proven comes first, and the page says what it leaves out.
const (
	maxRows  = 4000
	maxDrawn = 100
)

// view is what the page's template sees.
type view struct {
	*Input
	pictures int
	drawn    map[string]bool // media whose pictures are drawn; nil: not decided yet
}

// Listed are the files that the page tells of, in their order.
func (v *view) Listed() []File {
	if len(v.Files) <= maxRows {
		return v.Files
	}
	room := maxRows
	tell := make([]bool, len(v.Files))
	for _, all := range []bool{false, true} { // first those with something to say
		for i := range v.Files {
			if f := &v.Files[i]; !tell[i] && room > 0 && (all || f.damaged() || len(f.On) == 0) {
				tell[i] = true
				room--
			}
		}
	}
	var out []File
	for i, t := range tell {
		if t {
			out = append(out, v.Files[i])
		}
	}
	return out
}

// Unlisted counts the files that the page does not tell of.
func (v *view) Unlisted() int { return max(0, len(v.Files)-maxRows) }

// Gone are those left out that the page tells of.
func (v *view) Gone() []LeftOut { return v.LeftOut[:min(len(v.LeftOut), maxRows)] }

// GoneMore counts the rest.
func (v *view) GoneMore() int { return max(0, len(v.LeftOut)-maxRows) }

// Drawn says whether a medium's pictures are on the page.
func (v *view) Drawn(id string) bool {
	if v.drawn == nil {
		v.drawn = map[string]bool{}
		for _, proven := range []bool{false, true} {
			for i := range v.Media {
				if m := &v.Media[i]; m.Verified == proven && len(v.drawn) < maxDrawn {
					v.drawn[m.ID] = true
				}
			}
		}
	}
	return v.drawn[id]
}

// draw puts a picture into the page.
func (v *view) draw(c *picture.Canvas) template.HTML {
	if c == nil {
		return ""
	}
	v.pictures++
	var b strings.Builder
	if err := c.SVG(&b, picture.SVGOptions{Inline: true, Fluid: true, ID: fmt.Sprintf("p%d", v.pictures)}); err != nil {
		return ""
	}
	return template.HTML(b.String()) // the drawing room escapes every text
}

// bar is a medium filled to scale.
func (v *view) bar(m Medium) template.HTML {
	if !(m.Capacity > 0) {
		return ""
	}
	b := picture.Bar{Title: fmt.Sprintf("%s: %s of %s used", m.ID, room(m.Capacity-m.Free, m.Unit), room(m.Capacity, m.Unit)), Capacity: m.Capacity, Unit: m.Unit, Free: room(m.Free, m.Unit) + " free", Width: 900}
	for _, it := range m.Items {
		b.Parts = append(b.Parts, picture.Part{Name: it.Name, Size: it.Size, Fault: it.Damaged})
	}
	return v.draw(b.Draw())
}

// damaged says of a file that something is wrong with it. A file of no known kind is data: nothing says that it is not
// whole, and nothing that it is.
func (f *File) damaged() bool { return !f.Whole && f.Kind != "unknown" }

// Damage is damaged, for the page.
func (f File) Damage() bool { return f.damaged() }

// maxRibbons bounds the picture of where programs load.
const maxRibbons = 240

// memory draws where the programs load, on one axis of addresses.
func (v *view) memory() template.HTML {
	s := picture.Stack{
		Title:  "Where the programs load",
		Axis:   picture.Axis{Label: "address", Format: picture.HexAddress},
		Height: 12, Gap: 3,
	}
	if len(v.Memory) > 0 {
		r := picture.Ribbon{Name: "the machine keeps"}
		for _, m := range v.Memory {
			r.Stretches = append(r.Stretches, picture.Stretch{From: float64(m.From), To: float64(m.To), Margin: 0.2, Label: m.Name,
				Title: fmt.Sprintf("%s, %s to %s", m.Name, picture.HexAddress(float64(m.From)), picture.HexAddress(float64(m.To-1)))})
		}
		s.Ribbons = append(s.Ribbons, r)
	}
	n := 0
	for _, f := range v.Files {
		if len(f.Loads) == 0 || f.Same != "" {
			continue
		}
		if n++; n > maxRibbons {
			continue
		}
		r := picture.Ribbon{Name: filepath.Base(f.Path)}
		for _, l := range f.Loads {
			st := picture.Stretch{From: float64(l[0]), To: float64(l[1]), Margin: 0.8,
				Title: fmt.Sprintf("%s, %s to %s", f.Path, picture.HexAddress(float64(l[0])), picture.HexAddress(float64(l[1]-1)))}
			if f.damaged() {
				st.State = picture.Doubtful
			}
			r.Stretches = append(r.Stretches, st)
		}
		s.Ribbons = append(s.Ribbons, r)
	}
	if n == 0 {
		return ""
	}
	lo, hi := 0x10000, 0
	for _, f := range v.Files {
		for _, l := range f.Loads {
			lo, hi = min(lo, l[0]), max(hi, l[1])
		}
	}
	for _, m := range v.Memory { // the end of what the machine keeps is in the picture
		hi = max(hi, m.To)
		if m.To < lo {
			continue
		}
		lo = min(lo, max(m.From, m.To-0x1000))
	}
	lo, hi = max(0, lo&^0xFFF), min(0x10000, (hi+0xFFF)&^0xFFF)
	s.Axis.From, s.Axis.To, s.Axis.Ticks = float64(lo), float64(hi), nil
	for a := lo; a <= hi; a += max(0x1000, (hi-lo)/16&^0xFFF) {
		s.Axis.Ticks = append(s.Axis.Ticks, float64(a))
	}
	s.Desc = fmt.Sprintf("%d programs, one ribbon each, on the axis of addresses; damaged ones are dotted.", min(n, maxRibbons))
	return v.draw(s.Draw())
}

// NotShown counts the programs that the picture of memory leaves out.
func (v *view) NotShown() int {
	n := 0
	for _, f := range v.Files {
		if len(f.Loads) > 0 && f.Same == "" {
			n++
		}
	}
	return max(0, n-maxRibbons)
}

// Damaged counts the files with faults.
func (v *view) Damaged() int {
	n := 0
	for i := range v.Files {
		if v.Files[i].damaged() {
			n++
		}
	}
	return n
}

// maxGlance bounds the list at the top of the page.
const maxGlance = 12

// Glance are the media whose verdict stands at the top of the page: those that are not proven first.
func (v *view) Glance() []Medium {
	var list []Medium
	for _, proven := range []bool{false, true} {
		for _, m := range v.Media {
			if m.Verified == proven && len(list) < maxGlance {
				list = append(list, m)
			}
		}
	}
	return list
}

// Doable says that for some file left out there is something to do.
func (v *view) Doable() bool {
	for _, l := range v.LeftOut {
		if l.Do != "" {
			return true
		}
	}
	return false
}

// Copies counts the files that repeat an earlier one.
func (v *view) Copies() int {
	n := 0
	for _, f := range v.Files {
		if f.Same != "" {
			n++
		}
	}
	return n
}

// Disks, Tapes and Unproven count media.
func (v *view) Disks() int { return v.count(func(m *Medium) bool { return m.Type == "disk" }) }

// Tapes counts the tape sides.
func (v *view) Tapes() int { return v.count(func(m *Medium) bool { return m.Type == "tape" }) }

// Unproven counts the media that were not read back equal.
func (v *view) Unproven() int { return v.count(func(m *Medium) bool { return !m.Verified }) }

func (v *view) count(is func(*Medium) bool) int {
	n := 0
	for i := range v.Media {
		if is(&v.Media[i]) {
			n++
		}
	}
	return n
}

// Summary is the job in one sentence or two.
func (v *view) Summary() string {
	s := words.Count(len(v.Files), "file") + " gathered"
	if d := v.Damaged(); d > 0 {
		s += fmt.Sprintf(", %d of them damaged", d)
	}
	if len(v.Media) > 0 {
		var on []string
		if n := v.Disks(); n > 0 {
			on = append(on, words.Count(n, "disk"))
		}
		if n := v.Tapes(); n > 0 {
			on = append(on, words.Count(n, "tape side"))
		}
		s += "; " + strings.Join(on, " and ") + " made"
		switch n := v.Unproven(); {
		case n == 0:
			s += " and every one proven by reading it back"
		case n == len(v.Media):
			s += ", none proven"
		default:
			s += fmt.Sprintf(", %d of %d not proven", n, len(v.Media))
		}
	}
	s += "."
	if n := len(v.LeftOut); n > 0 {
		s += " " + words.Count(n, "file") + " left out, with the reason below."
	}
	return s
}

// NextSteps is what to do next: the caller's words, or what follows from the results.
func (v *view) NextSteps() []string {
	if len(v.Next) > 0 {
		return v.Next
	}
	var out []string
	for _, m := range v.Media {
		if !m.Verified {
			with := "disk or drive"
			if m.Type == "tape" {
				with = "cassette or deck, or record every program twice (--copies 2)"
			}
			out = append(out, fmt.Sprintf("%s is not proven: read its faults under Prove, take another %s, and make it again.", m.ID, with))
		}
	}
	proven := func(kind string) bool {
		return v.count(func(m *Medium) bool { return m.Type == kind && m.Verified }) > 0
	}
	if proven("disk") {
		out = append(out, "Write the proven disks with your drive and read each one back before it leaves the bench.")
	}
	if proven("tape") {
		out = append(out, "Record each proven tape side to a cassette, play it back once into the computer, and let the reader check it.")
	}
	if proven("disk") || proven("tape") {
		out = append(out, "Print the labels at 100 %, check the 100 mm mark with a ruler, and stick them before the media are shelved.")
	}
	if len(v.LeftOut) > 0 {
		out = append(out, "Look at what was left out: a better copy of a damaged file is worth a second read of the original.")
	}
	out = append(out, "Keep this report, the images and the sound together, and a second copy of them elsewhere.")
	return out
}

// Sentence is a fault in the house's order: place, what, consequence, what to do.
func (f Fault) Sentence() string {
	s := f.What
	if f.Place != "" {
		s = f.Place + ": " + s
	}
	for _, p := range []string{f.Consequence, f.Do} {
		if p != "" {
			s += "; " + p
		}
	}
	return s + "."
}

// Size says a number of bytes for people.
func Size(n int64) string {
	switch {
	case n < 1024:
		return words.Count(int(n), "byte")
	case n < 10*1024:
		return fmt.Sprintf("%.1f KiB", float64(n)/1024)
	case n < 1<<20:
		return fmt.Sprintf("%.0f KiB", float64(n)/1024)
	case n < 10<<20:
		return fmt.Sprintf("%.1f MiB", float64(n)/(1<<20))
	}
	return fmt.Sprintf("%.0f MiB", float64(n)/(1<<20))
}

// room is a capacity with its unit, rounded to what is known.
func room(v float64, unit string) string {
	if unit == "s" && v >= 120 {
		return fmt.Sprintf("%d min %02d s", int(v+0.5)/60, int(v+0.5)%60)
	}
	return strings.TrimSuffix(fmt.Sprintf("%.1f", v), ".0") + " " + unit
}

// kindWords says a kind of program in words.
func kindWords(kind string) string {
	switch kind {
	case "basic-disk":
		return "BASIC, disk form"
	case "basic-tape":
		return "BASIC, tape form"
	case "intel-hex":
		return "Intel HEX"
	case "s-record":
		return "S-records"
	case "machine-tape":
		return "machine code, tape form"
	case "load-module":
		return "load module"
	case "unknown":
		return "data of no known kind"
	}
	return strings.ReplaceAll(kind, "-", " ")
}

// link makes a relative URL of a path.
func link(path string) string {
	parts := strings.Split(filepath.ToSlash(path), "/")
	for i, p := range parts {
		parts[i] = url.PathEscape(p)
	}
	if len(parts) > 0 && strings.Contains(parts[0], ":") { // not a scheme
		return "./" + strings.Join(parts, "/")
	}
	return strings.Join(parts, "/")
}
