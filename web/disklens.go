package web

import (
	"bytes"
	"context"
	"encoding/hex"
	"errors"
	"fmt"
	"html/template"
	"io/fs"
	"net/http"
	"net/url"
	"slices"
	"strconv"
	"strings"
	"sync"

	"remanence/disk"
	"remanence/disk/flux"
	"remanence/disk/track"
	"remanence/master"
	"remanence/picture"
	"remanence/recover"
)

// lensShelf holds what was looked at last: a few views, which are quick to read again, and the scanned captures of one
// track. Its zero value is ready.
type lensShelf struct {
	mu    sync.Mutex
	views []heldView // the newest last

	one   sync.Mutex // one scan or look at a time: a lens serves one goroutine, and memory is bounded
	lens  *track.Lens
	of    *diskView // the result whose track it is
	c, h  int
	notes []string
}

type heldView struct {
	key string
	v   *diskView
}

// heldViews in memory: one of 160 tracks takes some 5 MB.
const heldViews = 3

// heldTransitions is up to how many transitions a track's scan is held for the next look: some 40 bytes each.
const heldTransitions = 2_000_000

// view is the result of a key.
func (l *lensShelf) view(s *Server, key string) (*diskView, error) {
	l.mu.Lock()
	defer l.mu.Unlock()
	if i := slices.IndexFunc(l.views, func(h heldView) bool { return h.key == key }); i >= 0 && s.results.has("disk", key) {
		h := l.views[i]
		l.views = append(slices.Delete(l.views, i, i+1), h)
		return h.v, nil
	}
	v := &diskView{}
	if err := s.results.get("disk", key, v); err != nil {
		return nil, err
	}
	if err := v.check(); err != nil {
		return nil, err
	}
	l.hold(key, v)
	return v, nil
}

func (l *lensShelf) hold(key string, v *diskView) {
	l.views = append(l.views, heldView{key, v})
	if len(l.views) > heldViews {
		l.views = slices.Delete(l.views, 0, len(l.views)-heldViews)
	}
}

// replace lets go of what is known of a key and holds the new result.
func (l *lensShelf) replace(key string, v *diskView) {
	l.mu.Lock()
	l.views = slices.DeleteFunc(l.views, func(h heldView) bool { return h.key == key })
	l.hold(key, v)
	l.mu.Unlock()
}

// errNoCaptures says that a track was never captured: its sectors come from images or dumps.
var errNoCaptures = errors.New("nothing but bytes is known here: no captures of this track were read")

// captures reads the captures of one track once more, and says how they were scanned.
func (s *Server) captures(v *diskView, c, h int) (caps []*flux.Capture, notes []string, o track.Options, err error) {
	if m := v.Made; m != nil {
		one, o, err := s.remake(m, c, h)
		if err != nil {
			return nil, nil, o, fmt.Errorf("the captures of the proof cannot be made again: %w", err)
		}
		return []*flux.Capture{one}, []string{"These are the transitions of the proof: the simulated drive's, made once more from the image, the medium and the seed."}, o, nil
	}
	i := slices.IndexFunc(v.Captured, func(t capturedTrack) bool { return t.Cylinder == c && t.Head == h })
	if i < 0 || len(v.Captured[i].Captures) == 0 {
		return nil, nil, o, errNoCaptures
	}
	t := flux.Track{Cylinder: c, Head: h}
	for _, x := range v.Captured[i].Captures {
		name := v.Files[x.File]
		if _, err := s.root.Stat("read/" + name); err != nil {
			why := bare(err).Error()
			if errors.Is(err, fs.ErrNotExist) {
				why = "it is no longer in the working folder; add it again under Prove to see its cells"
			}
			notes = append(notes, name+": "+why)
			continue
		}
		t.Sources = append(t.Sources, flux.FileSource(s.path("read", name), x.Member))
	}
	caps, problems := t.Load()
	for _, p := range problems {
		notes = append(notes, s.hidePath(p).Error())
	}
	for _, k := range caps {
		k.From = s.hidePath(errors.New(k.From)).Error()
	}
	if len(caps) == 0 {
		return nil, nil, o, errors.New(strings.Join(notes, "; "))
	}
	return caps, notes, o, nil
}

// remake makes the capture once more that a made track was proven on.
func (s *Server) remake(m *madeDisk, c, h int) (*flux.Capture, track.Options, error) {
	var o track.Options
	rec, err := s.o.Set.Recording(m.Recording)
	if err != nil {
		return nil, o, err
	}
	medium, err := s.o.Set.Medium(m.Medium)
	if err != nil {
		return nil, o, err
	}
	if _, err := s.root.Stat("out/" + m.Run + "/" + m.Image); err != nil {
		return nil, o, fmt.Errorf("%s: %w", m.Image, bare(err))
	}
	data, sc, err := disk.ReadRaw(s.path("out", m.Run, m.Image))
	if err != nil {
		return nil, o, bare(err)
	}
	im, err := disk.ImageOf(rec.Name, rec.Geometry(), data)
	if err != nil {
		return nil, o, err
	}
	if err := im.Apply(sc); err != nil {
		return nil, o, err
	}
	return master.Reread(rec, im, medium, m.Seed, m.Number, c, h)
}

// look gives a sector closely, with the cells of one of its reads.
func (s *Server) look(ctx context.Context, v *diskView, c, h int, want disk.Sector, show int) (*track.Close, []string, error) {
	l := &s.lens
	l.one.Lock()
	defer l.one.Unlock()
	if err := ctx.Err(); err != nil { // nobody waits for it any more
		return nil, nil, err
	}
	if l.of != v || l.c != c || l.h != h {
		l.lens, l.of = nil, nil // before the next is read: never two in memory
		caps, notes, o, err := s.captures(v, c, h)
		if err != nil {
			return nil, nil, err
		}
		lens, err := track.NewLens(ctx, caps, o)
		if err != nil {
			return nil, nil, err
		}
		if lens.Transitions() > heldTransitions {
			return lens.Look(want, show), notes, nil
		}
		l.lens, l.of, l.c, l.h, l.notes = lens, v, c, h, notes
	}
	return l.lens.Look(want, show), l.notes, nil
}

// wanted is the sector of a map as the scanner knows it.
func wanted(x *recover.MapSector) disk.Sector {
	q := disk.Sector{Cylinder: x.Cylinder, Head: x.Head, Angle: x.Drawn, Extent: x.Extent, Margin: -1}
	if b, err := hex.DecodeString(x.ID); err == nil && len(b) == 4 {
		q.ID = disk.SectorID{Cylinder: b[0], Head: b[1], Sector: b[2], SizeCode: b[3]}
	}
	q.Encoding, _ = disk.ParseEncoding(x.Encoding) // none: then it is not found
	return q
}

// sectorData is what the page of a sector gets.
type sectorData struct {
	*diskData
	Sector       *recover.MapSector
	Prev, Next   *recover.MapSector // by angle
	Alone        []aloneLine
	Notes        []string
	NoCells      string // why there are none
	Seen         []seenLine
	Read         int // the one that is shown, from 1
	Lens         *lensView
	Agreement    template.HTML
	Differ       []string
	Differing    int // bytes in which the passes differ; Differ lists the first
	Rows         []byteRow
	Block, Bytes int // first byte of the rows, and how many the sector has
	Blocks       []int
	Byte         int // chosen; -1
	Lost         bool
}

// aloneLine is what one read of the track alone gives of the sector.
type aloneLine struct {
	Name   string
	State  picture.State
	Margin float64
}

// Measured reports whether the margin says anything.
func (a aloneLine) Measured() bool { return a.Margin >= 0 && a.State != picture.Lost }

// seenLine is one read in the list to choose from.
type seenLine struct {
	Number        int
	From          string
	Turn          int
	AtMS          float64
	What, Decided string
	Margin        float64
	Href          string
	Agree         string
}

// byteRow is sixteen bytes, each leading to its cells.
type byteRow struct {
	Offset string
	Cells  []byteCell
	Text   string
}

type byteCell struct {
	Hex    string
	N      int
	Href   string
	On     bool
	Differ bool
}

// Limits of what a sector's page lists.
const (
	blockBytes = 1024
	maxDiffer  = 64
)

func (s *Server) sectorPage(w http.ResponseWriter, r *http.Request) {
	d := s.track(w, r)
	if d == nil {
		return
	}
	list := d.Track.Sectors
	i := slices.IndexFunc(list, func(x recover.MapSector) bool { return sectorPath(list, &x) == r.PathValue("sector") })
	if i < 0 {
		s.fail(w, r, http.StatusNotFound, "There is no such sector on this track.")
		return
	}
	p := &sectorData{diskData: d, Sector: &list[i], Byte: -1}
	if i > 0 {
		p.Prev = &list[i-1]
	}
	if i+1 < len(list) {
		p.Next = &list[i+1]
	}
	var data []byte
	if !p.Sector.Extra {
		data = d.bytes(d.At, p.Sector.Sector)
		for k := range d.Track.Reads {
			x := &d.Track.Reads[k]
			p.Alone = append(p.Alone, aloneLine{d.Map.Reads[x.Read].Name, x.State(i), x.Margin(i)})
		}
	}
	p.Lost = p.Sector.Mark == ""
	q := newLensQuery(r.URL.Query())
	read := 0
	if q.read > 0 {
		read = q.read - 1
	}
	k, notes, err := s.look(r.Context(), d.diskView, d.Track.Cylinder, d.Track.Head, wanted(p.Sector), read)
	if p.Sector.Extra && err == nil { // the image has no room for it
		data = k.Sector.Data
	}
	p.Bytes = len(data)
	if q.byte >= len(data) {
		q.byte = -1
	}
	p.Byte = q.byte
	switch {
	case err != nil && r.Context().Err() != nil:
		return
	case err != nil:
		p.NoCells = err.Error()
	case len(k.Reads) == 0:
		p.NoCells, p.Notes = "no read passed this place", notes
	case read >= len(k.Reads):
		s.fail(w, r, http.StatusNotFound, fmt.Sprintf("There is no read %d of this sector; there are %d.", q.read, len(k.Reads)))
		return
	default:
		p.Notes = notes
		p.closely(k, read, q, data)
	}
	p.rows(data, q, k)
	title := fmt.Sprintf("Cylinder %d, side %d, sector %d", d.Track.Cylinder, d.Track.Head, p.Sector.Sector)
	if p.Sector.Extra {
		title += " (extra)"
	}
	s.show(w, "sector", title, "Prove", p)
}

// sectorPath is the last part of a sector's address: its number; for one that the image has no room for an x and which of
// these it is.
func sectorPath(list []recover.MapSector, x *recover.MapSector) string {
	if !x.Extra {
		return strconv.Itoa(x.Sector)
	}
	n := 0
	for i := range list {
		if list[i].Extra {
			n++
			if list[i].Drawn == x.Drawn && list[i].ID == x.ID && list[i].Encoding == x.Encoding {
				break
			}
		}
	}
	return fmt.Sprintf("x%d", n)
}

// Path is the address of a sector of the track.
func (d *diskData) Path(x *recover.MapSector) string {
	return d.Base() + "/" + sectorPath(d.Track.Sectors, x)
}

// closely fills in what captures tell of the sector.
func (p *sectorData) closely(k *track.Close, read int, q lensQuery, data []byte) {
	base := p.Path(p.Sector)
	if p.diskView.Alone && p.Sector.Mark != "" && len(k.Sector.Data) == len(data) && !bytes.Equal(k.Sector.Data, data) {
		p.Notes = append(p.Notes, "The captures give other bytes now than when they were read back; read them back again under Prove.")
	}
	p.Read = read + 1
	for i := range k.Reads {
		v := &k.Reads[i]
		to := q
		to.read = i + 1
		to.from, to.cells, to.cell = 0, 0, -1 // cells have other numbers in another read
		l := seenLine{Number: i + 1, From: v.From, Turn: v.Turn + 1, AtMS: v.StartNS / 1e6, Margin: v.Margin, Href: to.url(base), Decided: "fast separator"}
		if v.Weighed {
			l.Decided = "likelihood"
		}
		switch {
		case v.Good:
			l.What = "CRC right"
		case k.Sector.Reads == 0:
			l.What, l.Decided = "no mark found", ""
		case len(v.Data) == 0:
			l.What, l.Decided = "no data field found", ""
		case len(v.CRC) < 2:
			l.What = "cut short"
		default:
			l.What = "CRC wrong"
		}
		if len(v.Data) > 0 {
			same := 0
			for b := range v.Data {
				if b < len(data) && v.Data[b] == data[b] {
					same++
				}
			}
			l.Agree = fmt.Sprintf("%d of %d", same, len(data))
		}
		p.Seen = append(p.Seen, l)
	}
	p.Lens = newLensView(&k.Reads[read], q, base)
	if p.Lens.byte >= 0 {
		p.Byte = p.Lens.byte
	}
	if p.Sector.Mark != "" {
		p.agreement(k, data)
	}
}

// agreement says byte by byte which reads have what the merged sector has.
func (p *sectorData) agreement(k *track.Close, data []byte) {
	st := picture.Stack{Title: "Which passes agree", Desc: "for each pass the bytes that are as in the merged sector, those that are otherwise and those that it does not have",
		Axis: picture.Axis{To: float64(len(data)), Unit: "byte"}, Height: 16, Gap: 4, NameEvery: 1}
	with := 0
	for i := range k.Reads {
		v := &k.Reads[i]
		if len(v.Data) == 0 {
			continue
		}
		with++
		rib := picture.Ribbon{Name: fmt.Sprintf("pass %d", i+1)}
		state := func(b int) picture.State {
			switch {
			case b >= len(v.Data):
				return picture.Lost
			case v.Data[b] != data[b]:
				return picture.Doubtful
			}
			return picture.Good
		}
		words := map[picture.State]string{picture.Good: "as merged", picture.Doubtful: "otherwise", picture.Lost: "not in this pass"}
		n := 0
		for b := 0; b < len(data); {
			from, st := b, state(b)
			for b < len(data) && state(b) == st {
				b++
			}
			if st == picture.Doubtful {
				n += b - from
			}
			rib.Stretches = append(rib.Stretches, picture.Stretch{From: float64(from), To: float64(b), State: st, Margin: -1, Title: fmt.Sprintf("bytes %d to %d %s", from, b-1, words[st])})
		}
		if n > 0 {
			rib.Note = fmt.Sprintf("%d differ", n)
		}
		st.Ribbons = append(st.Ribbons, rib)
	}
	if with < 2 {
		return
	}
	p.Agreement = inline(st.Draw(), "agree")
	for b := range data {
		if !differs(k, data, b) {
			continue
		}
		says := map[byte][]string{}
		var order []byte
		for i := range k.Reads {
			if v := &k.Reads[i]; b < len(v.Data) {
				if says[v.Data[b]] == nil {
					order = append(order, v.Data[b])
				}
				says[v.Data[b]] = append(says[v.Data[b]], strconv.Itoa(i+1))
			}
		}
		if p.Differing++; len(p.Differ) == maxDiffer { // the others are counted
			continue
		}
		var parts []string
		for _, x := range order {
			who := "pass " + says[x][0]
			if len(says[x]) > 1 {
				who = "passes " + strings.Join(says[x], ", ")
			}
			parts = append(parts, fmt.Sprintf("%02X in %s", x, who))
		}
		p.Differ = append(p.Differ, fmt.Sprintf("byte %d: %s; merged %02X", b, strings.Join(parts, ", "), data[b]))
	}
}

// differs says whether a byte of a sector is otherwise in some pass.
func differs(k *track.Close, data []byte, b int) bool {
	for i := range k.Reads {
		if d := k.Reads[i].Data; b < len(d) && d[b] != data[b] {
			return true
		}
	}
	return false
}

// rows lays out the sector's bytes, a block at a time.
func (p *sectorData) rows(data []byte, q lensQuery, k *track.Close) {
	base := p.Path(p.Sector)
	p.Block = max(p.Byte, 0) / blockBytes * blockBytes
	for b := 0; len(data) > blockBytes && b < len(data); b += blockBytes {
		p.Blocks = append(p.Blocks, b)
	}
	end := min(p.Block+blockBytes, len(data))
	for i := p.Block; i < end; i += 16 {
		line := data[i:min(i+16, end)]
		row := byteRow{Offset: fmt.Sprintf("%04X", i), Text: printable(line)}
		for j, b := range line {
			to := q
			to.byte, to.cell, to.from, to.cells = i+j, -1, 0, 0
			row.Cells = append(row.Cells, byteCell{fmt.Sprintf("%02X", b), i + j, to.url(base) + "#lens", i+j == p.Byte, !p.Lost && k != nil && differs(k, data, i+j)})
		}
		p.Rows = append(p.Rows, row)
	}
}

// lensQuery is what part of which read is looked at. Numbers that make no sense are brought into range.
type lensQuery struct {
	read        int // from 1; 0: the first
	from, cells int // cells in view; 0 cells: all, or those around what is chosen
	byte, cell  int // chosen: a byte of the data, or the byte that a cell belongs to; -1: nothing
}

// mostCells of any read: 8 KiB of data take 131,072.
const mostCells = 1 << 20

func newLensQuery(v url.Values) lensQuery {
	num := func(name string, least int) int {
		n, err := strconv.Atoi(v.Get(name))
		if err != nil {
			return least
		}
		return max(least, min(n, mostCells))
	}
	return lensQuery{read: num("read", 0), from: num("from", 0), cells: num("cells", 0), byte: num("byte", -1), cell: num("cell", -1)}
}

// url is the address of the page that shows q.
func (q lensQuery) url(base string) string {
	v := url.Values{}
	set := func(name string, n, least int) {
		if n > least {
			v.Set(name, strconv.Itoa(n))
		}
	}
	set("read", q.read, 1)
	set("from", q.from, 0)
	set("cells", q.cells, 0)
	set("byte", q.byte, -1)
	set("cell", q.cell, -1)
	if len(v) == 0 {
		return base
	}
	return base + "?" + v.Encode()
}
