package web

import (
	"fmt"
	"html/template"
	"net/http"
	"slices"
	"strconv"
	"strings"
	"unicode"
	"unicode/utf8"

	"remanence/disk"
	"remanence/picture"
	"remanence/program"
	"remanence/volume"
)

type fileData struct {
	ID string
	*program.FileReport
	Map        template.HTML
	Rows       []row
	Fields     []shownField
	Chosen     *Field
	At, Size   int
	Prev, Next int
	Last       int // where the last page begins
	Volume     *volumeData
	NoVolume   bool // an image whose volume is not found
}

// volumeData is what a disk image shows besides its bytes.
type volumeData struct {
	volume.Info
	Files     []volume.File
	MoreFiles int
	Chain     *chainData
	Named     map[string]string // faults of the volume as told, and a file on it that each names
}

// chainData is the chain of one file.
type chainData struct {
	Name   string
	Links  []shownLink
	More   int
	Ribbon template.HTML
	Fault  string
}

// shownField is a field on the page. Fields of one file of a volume have the same Chain, from 1, so that the page's script
// finds what belongs together; 0: of no file.
type shownField struct {
	Field
	Chain int
}

type shownLink struct {
	volume.Link
	Step    int
	Sectors string // "cylinder 0, head 0, sectors 5 to 9"
}

const (
	bytesOnPage = 1024 // 64 rows; a table may have a field a byte
	filesShown  = 500  // on a disk
	linksShown  = 400  // of a chain
)

// filePage shows one file: what it is, its memory map, its bytes and what they mean; of a disk image also the files on
// it and the chain of one.
func (s *Server) filePage(w http.ResponseWriter, r *http.Request) {
	id := r.PathValue("id")
	rep := s.report(id)
	if rep == nil {
		s.fail(w, r, http.StatusNotFound, "There is no such file here. It may have been removed.")
		return
	}
	d := fileData{ID: id, FileReport: rep, Prev: -1, Next: -1, Map: inline(memoryMap(s, rep), "memory")}
	data, err := s.root.ReadFile("files/" + rep.Path)
	if err != nil {
		s.fail(w, r, http.StatusInternalServerError, fmt.Sprintf("%s: %v", rep.Path, bare(err)))
		return
	}
	var v volume.Volume
	if rep.Kind == program.SectorImage {
		v = s.openVolume(data)
		d.NoVolume = v == nil
	}
	number := -1
	if n, err := strconv.Atoi(r.FormValue("field")); err == nil && n >= 0 {
		number = n
	}
	at := placeOf(r.FormValue("at"))
	if at < 0 && number >= 0 {
		for _, f := range fields(rep.Kind, data, v, window{0, 0, number}) {
			at = f.From
		}
	}
	if v != nil {
		d.Volume = aboutVolume(v, r.FormValue("chain"))
		if c := d.Volume.Chain; at < 0 && c != nil && len(c.Links) > 0 {
			at = c.Links[0].At
		}
	}
	d.Last = max(0, len(data)-1) / bytesOnPage * bytesOnPage
	at = min(max(0, at), max(0, len(data)-1)) / bytesOnPage * bytesOnPage
	end := min(at+bytesOnPage, len(data))
	d.At, d.Size = at, len(data)
	if at > 0 {
		d.Prev = at - bytesOnPage
	}
	if end < len(data) {
		d.Next = end
	}
	all := fields(rep.Kind, data, v, window{at, end, number})
	chains := map[string]int{}
	marked := map[int]bool{} // fields of the chain that is shown
	for _, f := range all {
		if f.Number == number {
			d.Chosen = &f
		}
		if f.From >= end || f.To <= at {
			continue
		}
		x := shownField{f, 0}
		if f.File != "" {
			if chains[f.File] == 0 {
				chains[f.File] = len(chains) + 1
			}
			x.Chain = chains[f.File]
			marked[f.Number] = d.Volume != nil && d.Volume.Chain != nil && d.Volume.Chain.Name == f.File
		}
		d.Fields = append(d.Fields, x)
	}
	d.Rows = rowsOf(data[at:end], at, func(o int) int {
		if i := fieldAt(all, o); i >= 0 {
			return all[i].Number
		}
		return -1
	})
	for i := range d.Rows {
		for j := range d.Rows[i].Cells {
			c := &d.Rows[i].Cells[j]
			c.Marked = marked[c.Field]
		}
	}
	s.show(w, "file", rep.Path, "Gather", d)
}

// placeOf reads an offset: 4096, 1000h or 0x1000; -1 where it is none.
func placeOf(text string) int {
	text = strings.ToLower(strings.TrimSpace(text))
	base := 10
	if t, ok := strings.CutSuffix(text, "h"); ok {
		text, base = t, 16
	} else if t, ok := strings.CutPrefix(text, "0x"); ok {
		text, base = t, 16
	}
	n, err := strconv.ParseInt(text, base, 40)
	if err != nil || n < 0 {
		return -1
	}
	return int(n)
}

// namesFile says whether a sentence names a file on a volume, as a word of its own.
func namesFile(text, name string) bool {
	part := func(r rune) bool {
		return unicode.IsLetter(r) || unicode.IsDigit(r) || strings.ContainsRune("/._-:", r)
	}
	for at := 0; name != ""; {
		i := strings.Index(text[at:], name)
		if i < 0 {
			return false
		}
		before, _ := utf8.DecodeLastRuneInString(text[:at+i])
		after := []rune(text[at+i+len(name):])
		if !part(before) && (len(after) == 0 || !part(after[0]) || strings.ContainsRune(":.", after[0]) && (len(after) == 1 || !part(after[1]))) {
			return true
		}
		at += i + len(name)
	}
	return false
}

// aboutVolume lists the files of a volume and takes the chain of one apart.
func aboutVolume(v volume.Volume, chain string) *volumeData {
	d := &volumeData{Info: v.Info(), Files: v.Files(), Named: map[string]string{}}
	for _, fault := range v.Check() {
		text := fault.String()
		for i := range d.Files {
			f := &d.Files[i]
			if !namesFile(text, f.Name) {
				continue
			}
			if d.Named[text] == "" {
				d.Named[text] = f.Name
			}
			if !slices.ContainsFunc(f.Faults, func(x volume.Fault) bool { return x.What == fault.What }) {
				f.Faults = append(slices.Clone(f.Faults), fault)
			}
		}
	}
	d.MoreFiles = max(0, len(d.Files)-filesShown)
	d.Files = d.Files[:len(d.Files)-d.MoreFiles]
	if chain == "" {
		return d
	}
	c := &chainData{Name: chain}
	d.Chain = c
	links, err := volume.Chain(v, chain)
	if err != nil {
		c.Fault = err.Error()
		return d
	}
	c.Ribbon = inline(chainRibbon(v, chain, links), "chain-ribbon")
	c.More = max(0, len(links)-linksShown)
	for i, l := range links[:len(links)-c.More] {
		c.Links = append(c.Links, shownLink{l, i + 1, sectorsText(l.Sectors)})
	}
	return d
}

// sectorsText names sectors, runs of them as such: "cylinder 0, head 0, sectors 5 to 9; cylinder 1, ...".
func sectorsText(list []disk.Place) string {
	var out []string
	for i := 0; i < len(list); {
		p := list[i]
		j := i + 1
		var numbers []string
		for j < len(list) && list[j].Cylinder == p.Cylinder && list[j].Head == p.Head {
			j++
		}
		for k := i; k < j; {
			m := k + 1
			for m < j && list[m].Sector == list[m-1].Sector+1 {
				m++
			}
			if m-k > 2 {
				numbers = append(numbers, fmt.Sprintf("%d to %d", list[k].Sector, list[m-1].Sector))
			} else {
				for ; k < m; k++ {
					numbers = append(numbers, fmt.Sprint(list[k].Sector))
				}
			}
			k = m
		}
		what := "sector"
		if j-i > 1 {
			what = "sectors"
		}
		out = append(out, fmt.Sprintf("cylinder %d, head %d, %s %s", p.Cylinder, p.Head, what, strings.Join(numbers, ", ")))
		i = j
	}
	return strings.Join(out, "; ")
}

// chainRibbon draws the units of a volume in disk order: those of one file dark, with their place in its chain, what
// others hold pale, what is free as a line.
func chainRibbon(v volume.Volume, name string, links []volume.Link) *picture.Canvas {
	units := v.Map()
	if len(units) == 0 {
		return nil
	}
	step := map[int]int{}
	for i, l := range links {
		step[l.Unit] = i + 1
	}
	const w, left, h, gap = 960.0, 44.0, 18.0, 5.0
	per := 80
	for len(units) > per*24 {
		per *= 2
	}
	per = min(per, len(units))
	lines := (len(units) + per - 1) / per
	c := picture.New(w, 4+float64(lines)*(h+gap)+22, picture.Px)
	unit := v.Info().Unit
	c.Title = fmt.Sprintf("Where %s lies", name)
	c.Desc = fmt.Sprintf("All %ss in disk order; the %d of %s are dark.", unit, len(links), name)
	wide := (w - left - 4) / float64(per)
	for i, u := range units {
		y, x := 4+float64(i/per)*(h+gap), left+float64(i%per)*wide
		if i%per == 0 {
			c.Text(left-8, y+h/2+4, fmt.Sprint(u.Number), picture.TextStyle{Size: 11, Colour: picture.Soft, Anchor: picture.End})
			c.Rect(left, y+h/2-0.5, wide*float64(min(per, len(units)-i)), 1, picture.Style{Fill: picture.Rule})
		}
		k := step[u.Number]
		if k == 0 && u.State == volume.UnitFree {
			continue
		}
		st := picture.Style{Fill: picture.Hue1, Stroke: picture.Soft, Width: 0.5}
		title := fmt.Sprintf("%s %d: %s", unit, u.Number, u.State)
		if u.File != "" {
			title = fmt.Sprintf("%s %d: %s", unit, u.Number, u.File)
		}
		if k > 0 {
			st.Fill = picture.Hue5
			title = fmt.Sprintf("%s %d: %s, %d of %d", unit, u.Number, name, k, len(links))
		}
		c.Group(title, func() {
			c.Rect(x, y, wide-min(1, wide/4), h, st)
			if t := fmt.Sprint(k); k > 0 && picture.TextWidth(t, 10, picture.Sans) < wide-2 {
				c.Text(x+wide/2, y+h/2+3.8, t, picture.TextStyle{Size: 10, Colour: picture.Hue0, Anchor: picture.Middle})
			}
		})
	}
	y := c.Height - 10
	x := left
	for _, k := range []struct {
		st   picture.Style
		text string
	}{{picture.Style{Fill: picture.Hue5, Stroke: picture.Soft, Width: 0.5}, name}, {picture.Style{Fill: picture.Hue1, Stroke: picture.Soft, Width: 0.5}, "other files, the volume itself"}} {
		c.Rect(x, y-9, 22, 11, k.st)
		t := picture.Shorten(k.text, 300, 11, picture.Sans)
		c.Text(x+28, y+0.5, t, picture.TextStyle{Size: 11, Colour: picture.Soft})
		x += 46 + picture.TextWidth(t, 11, picture.Sans)
	}
	return c
}

// memoryMap draws where a program loads; nil where it has no addresses.
func memoryMap(s *Server, r *program.FileReport) *picture.Canvas {
	if len(r.LoadRanges) == 0 || r.LoadRanges[len(r.LoadRanges)-1][1] > 1<<16 {
		return nil
	}
	m := picture.MemoryMap{Title: "Where it loads", Desc: "Memory from 0000h to FFFFh; above the line what the machine keeps, below it what the program fills.", To: 1 << 16, Entry: -1}
	if r.Entry != nil {
		m.Entry = *r.Entry
	}
	for i, l := range r.LoadRanges {
		if i == 64 {
			break
		}
		m.Program = append(m.Program, picture.Range{From: l[0], To: l[1], Name: fmt.Sprintf("%04Xh-%04Xh", l[0], l[1]-1)})
	}
	mc, err := s.o.Set.Machine(s.arrange.machine())
	if err == nil {
		t := mc.Target()
		if t.ROMEnd > 0 {
			m.Machine = append(m.Machine, picture.Range{To: t.ROMEnd, Name: "ROM", Kind: picture.Reserved})
		}
		if t.SystemEnd > 0 {
			m.Machine = append(m.Machine, picture.Range{From: t.SystemFirst, To: t.SystemEnd, Name: "disk system", Kind: picture.Reserved})
		}
	}
	return m.Draw()
}
