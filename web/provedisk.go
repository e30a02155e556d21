package web

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"html/template"
	"io/fs"
	"net/http"
	"net/url"
	"path"
	"slices"
	"strconv"
	"strings"

	"remanence/disk"
	"remanence/disk/track"
	"remanence/machine"
	"remanence/master"
	"remanence/picture"
	"remanence/recover"
	"remanence/volume"
)

// diskView is a disk that can be looked into, from the whole medium to one sector's cells. It is kept as a result, so it
// holds nothing but plain data; cells are not in it but decided once more from the captures when somebody looks.
type diskView struct {
	Title     string
	Recording string
	Back      string   // page it came from
	Save      string   // name of the image in the working folder's images/; "" where there is none
	Files     []string // names in read/ of what it was read of
	Map       *recover.DamageMap
	Data      []byte     // the raw image
	Places    []rawTrack // as Map.Tracks
	Told      []string   // what was assumed, what was wrong with the sources
	Captured  []capturedTrack
	Alone     bool // no other source than captures had a say
	Made      *madeDisk
}

// rawTrack is where the sectors of a track lie in the raw image.
type rawTrack struct {
	Offset               int64
	First, Sectors, Size int
}

// capturedTrack is where the captures of a track lie.
type capturedTrack struct {
	Cylinder, Head int
	Captures       []capturedIn
}

type capturedIn struct {
	File   int    // in Files
	Member string `json:",omitempty"` // of a zip
}

// madeDisk says how to make the captures once more that a made disk was proven on.
type madeDisk struct {
	Run, Image, Recording, Medium string
	Seed                          uint64
	Number                        int
}

// newDiskView makes the view of an image whose tracks were read as results say.
func newDiskView(title string, rec *disk.Recording, im *disk.Image, results []*track.Result) *diskView {
	v := &diskView{Title: title, Recording: rec.Reference(), Map: recover.NewMap(title, rec, im, results), Data: im.Data}
	v.Map.AddReads(results)
	for _, t := range v.Map.Tracks {
		sh := im.Geometry.Shape(t.Cylinder, t.Head)
		at, _ := im.Geometry.Offset(t.Cylinder, t.Head, sh.FirstID) // the map has tracks of the image alone
		v.Places = append(v.Places, rawTrack{at, sh.FirstID, sh.Sectors, sh.Size})
	}
	return v
}

// check refuses a view that would lead outside itself: a result lies in a file that anybody may have changed.
func (v *diskView) check() error {
	if v.Map == nil || len(v.Places) != len(v.Map.Tracks) {
		return errors.New("the result is not whole")
	}
	for _, p := range v.Places {
		if p.Offset < 0 || p.Sectors < 0 || p.Size < 0 || p.Sectors > 256 || p.Size > 128<<disk.MaxSizeCode || p.Offset > int64(len(v.Data))-int64(p.Sectors*p.Size) {
			return errors.New("the result has sectors beyond its image")
		}
	}
	for _, t := range v.Map.Tracks {
		if slices.ContainsFunc(t.Reads, func(r recover.TrackRead) bool { return r.Read < 0 || r.Read >= len(v.Map.Reads) }) {
			return errors.New("the result has reads that it does not name")
		}
	}
	if err := checkNames(append(slices.Clone(v.Files), v.Save)...); err != nil {
		return err
	}
	for _, t := range v.Captured {
		for _, c := range t.Captures {
			if c.File < 0 || c.File >= len(v.Files) {
				return errors.New("the result names a file that it does not have")
			}
		}
	}
	if m := v.Made; m != nil && (m.Run != cleanPath(m.Run) || m.Image != cleanPath(m.Image)) {
		return fmt.Errorf("the result names %q, which is no file of this folder", m.Run+"/"+m.Image)
	}
	return nil
}

// checkNames refuses names that are no file's in a folder of ours; "" is no name.
func checkNames(names ...string) error {
	for _, f := range names {
		if f != "" && (f != cleanPath(f) || f != path.Base(f)) {
			return fmt.Errorf("the result names %q, which is no file of this folder", f)
		}
	}
	return nil
}

// bytes is the data of a sector in the image; nil where the image has no room for it.
func (v *diskView) bytes(track, sector int) []byte {
	p := v.Places[track]
	if n := sector - p.First; n >= 0 && n < p.Sectors {
		at := p.Offset + int64(n*p.Size)
		return v.Data[at : at+int64(p.Size)]
	}
	return nil
}

// images is the folder of the images that disks were read into. They are results, not what one reads back.
const images = "images"

func (s *Server) readDisk(ctx context.Context, j *job, names []string) (string, error) {
	var paths []string
	for _, n := range names {
		paths = append(paths, s.path("read", n))
	}
	res, err := recover.Run(ctx, paths, recover.Options{Recordings: s.o.Set.Recordings(), Progress: j, OpenImage: s.openImage})
	if err != nil {
		return "", s.hidePath(err)
	}
	if err := s.root.MkdirAll(images, 0o700); err != nil {
		return "", bare(err)
	}
	stem := strings.TrimSuffix(names[0], path.Ext(names[0]))
	v := newDiskView("What was read of "+strings.Join(names, ", "), res.Rec, res.Best, res.Tracks)
	v.Back = "/prove"
	for n := 1; n < 1000 && v.Save == ""; n++ {
		img := fmt.Sprintf("%s-read-%d.img", stem, n)
		if _, err := s.root.Stat(images + "/" + img); errors.Is(err, fs.ErrNotExist) {
			if err := res.Best.Save(s.path(images, img), false); err != nil {
				return "", s.hidePath(err)
			}
			v.Save = img
		}
	}
	v.Files, v.Alone = names, true
	for _, src := range res.Sources {
		v.Alone = v.Alone && src.Kind == "captures"
		v.Told = append(v.Told, src.Assumed...)
	}
	v.Told = append(append(v.Told, res.Assumed...), res.Problems...)
	for _, c := range res.Conflicts {
		v.Told = append(v.Told, fmt.Sprintf("cylinder %d side %d sector %d: %s", c.Cylinder, c.Head, c.Sector, c.What))
	}
	for i, t := range v.Told {
		v.Told[i] = s.hidePath(errors.New(t)).Error()
	}
	for _, t := range res.Captured {
		c := capturedTrack{Cylinder: t.Cylinder, Head: t.Head}
		for _, src := range t.Sources {
			if k := slices.Index(paths, src.Path); k >= 0 {
				c.Captures = append(c.Captures, capturedIn{k, src.Member})
			}
		}
		v.Captured = append(v.Captured, c)
	}
	key := idOf(strings.Join(names, "\x00")) // what is read of one of them later has another
	if err := s.keepDisk(key, v); err != nil {
		return "", err
	}
	return "/disk/" + key, nil
}

// keepDisk stores a view as a result.
func (s *Server) keepDisk(key string, v *diskView) error {
	if err := s.results.put("disk", key, v); err != nil {
		return fmt.Errorf("the disk was read, but the result could not be stored: %w", err)
	}
	s.lens.replace(key, v)
	return nil
}

// keepMade stores how each disk of a result was read back; what was decoded is let go.
func (s *Server) keepMade(name string, medium *machine.Medium, res *master.Result) error {
	var errs []error
	for i, m := range res.Media {
		if m.Disk != nil && m.Back != nil {
			v := newDiskView(m.ID+", as read back from the simulated drive", m.Disk, m.Back, m.Tracks)
			v.Back, v.Alone = "/make#"+name, true
			v.Made = &madeDisk{name, m.Image, m.Disk.Reference(), medium.Name, res.Seed, i}
			errs = append(errs, s.keepDisk(name+"-"+m.ID, v))
		}
		m.Tracks, m.Back = nil, nil
	}
	return errors.Join(errs...)
}

// openImage tells the shape of a raw image by the volume on it.
func (s *Server) openImage(_ string, data []byte, sc *disk.Sidecar) (*disk.Image, []string, error) {
	v, said, err := volume.Open(data, volume.Options{Recordings: s.o.Set.Recordings(), ParameterSets: s.o.Set.ParameterSets(), Sidecar: sc})
	if err != nil {
		return nil, nil, err
	}
	return v.Image(), said, nil
}

func (s *Server) disk(w http.ResponseWriter, r *http.Request) *diskView {
	v, err := s.lens.view(s, r.PathValue("key"))
	switch {
	case errors.Is(err, fs.ErrNotExist):
		s.fail(w, r, http.StatusNotFound, "This disk is not among the results that are kept. Read it back again under Prove.")
	case err != nil:
		s.fail(w, r, http.StatusInternalServerError, "The result cannot be used: "+err.Error()+". Read the disk back again under Prove.")
	}
	return v
}

// diskData is what the pages of a disk get.
type diskData struct {
	*diskView
	Key     string
	Picture template.HTML
	Reads   []readLine
	Show    string // the read that is drawn beside the merged disk: all, none or its number from 1
	Track   *recover.MapTrack
	At      int // number of the track in the map
	Heads   []int
	First   int // cylinder
	Last    int
	Log     *readingLog // nil: there is no medium
}

// readLine is what one read, or all together, give.
type readLine struct {
	Number               int // from 1; 0: all together
	Name                 string
	Tracks               int
	Good, Doubtful, Lost int
}

// base is the address of the disk, or of a track of it.
func (d *diskData) Base() string {
	if d.Track == nil {
		return "/disk/" + d.Key
	}
	return fmt.Sprintf("/disk/%s/%d/%d", d.Key, d.Track.Cylinder, d.Track.Head)
}

// Partial reports whether some read does not cover all tracks.
func (d *diskData) Partial() bool {
	return slices.ContainsFunc(d.Map.Reads, func(r recover.DiskRead) bool { return r.Tracks != len(d.Map.Tracks) })
}

// mostRibbons are drawn in one picture; all reads of a disk are drawn at first where they are fewRibbons.
const (
	mostRibbons = 520
	fewRibbons  = 250
)

// AllFit reports whether all reads can be drawn in one picture.
func (d *diskData) AllFit() bool { return d.ribbons() <= mostRibbons }

func (d *diskData) ribbons() int { return (len(d.Map.Reads) + 1) * len(d.Map.Tracks) }

// Image is where the image can be fetched; "" where it is gone.
func (d *diskData) Image() string {
	switch {
	case d.Save != "":
		return "/image/" + url.PathEscape(d.Save)
	case d.Made != nil:
		return "/out/" + d.Made.Run + "/" + d.Made.Image
	}
	return ""
}

func (s *Server) diskPage(w http.ResponseWriter, r *http.Request) {
	v := s.disk(w, r)
	if v != nil {
		s.diskShow(w, r, v, http.StatusOK, readingLog{})
	}
}

func (s *Server) diskShow(w http.ResponseWriter, r *http.Request, v *diskView, status int, log readingLog) {
	d := &diskData{diskView: v, Key: r.PathValue("key"), Show: r.FormValue("reads")}
	if v.Made == nil {
		d.Log, log.Run = &log, runOfDisk(v)
		log.fill(s, r, "/disk/"+d.Key+"/log")
	}
	m := v.Map
	for i, x := range m.Reads {
		d.Reads = append(d.Reads, readLine{i + 1, x.Name, x.Tracks, x.Good, x.Doubtful, x.Lost})
	}
	n, err := strconv.Atoi(d.Show)
	var show []int
	switch {
	case len(m.Reads) < 2:
		d.Show = "none"
	case err == nil && n >= 1 && n <= len(m.Reads):
		show = []int{n - 1}
	case d.Show == "all" && d.AllFit() || d.Show != "all" && d.Show != "none" && d.ribbons() <= fewRibbons:
		d.Show = "all"
		for i := range m.Reads {
			show = append(show, i)
		}
	default:
		d.Show = "none"
	}
	if len(m.Tracks) > 0 {
		d.First = m.Tracks[0].Cylinder
	}
	for _, t := range m.Tracks {
		d.Last = max(d.Last, t.Cylinder)
		if !slices.Contains(d.Heads, t.Head) {
			d.Heads = append(d.Heads, t.Head)
		}
	}
	d.Picture = inline(m.DrawWith(recover.DrawOptions{Reads: show, Terse: true,
		Href: func(c, h int) string { return fmt.Sprintf("/disk/%s/%d/%d", d.Key, c, h) }}), "disk")
	s.showStatus(w, status, "disk", v.Title, "Prove", d)
}

// goTrack leads from the form with cylinder and side to the track.
func (s *Server) goTrack(w http.ResponseWriter, r *http.Request) {
	c, err1 := strconv.Atoi(r.FormValue("cylinder"))
	h, err2 := strconv.Atoi(r.FormValue("side"))
	if err1 != nil || err2 != nil || !resultKey.MatchString(r.PathValue("key")) {
		s.fail(w, r, http.StatusBadRequest, "Say the cylinder and the side as numbers.")
		return
	}
	http.Redirect(w, r, fmt.Sprintf("/disk/%s/%d/%d", r.PathValue("key"), c, h), http.StatusSeeOther)
}

func (s *Server) track(w http.ResponseWriter, r *http.Request) *diskData {
	v := s.disk(w, r)
	if v == nil {
		return nil
	}
	c, err1 := strconv.Atoi(r.PathValue("cyl"))
	h, err2 := strconv.Atoi(r.PathValue("head"))
	i := slices.IndexFunc(v.Map.Tracks, func(t recover.MapTrack) bool { return t.Cylinder == c && t.Head == h })
	if err1 != nil || err2 != nil || i < 0 {
		s.fail(w, r, http.StatusNotFound, "There is no such track on this disk.")
		return nil
	}
	return &diskData{diskView: v, Key: r.PathValue("key"), Track: &v.Map.Tracks[i], At: i}
}

// Before and After are the tracks beside this one; nil at the ends.
func (d *diskData) Before() *recover.MapTrack {
	if d.At == 0 {
		return nil
	}
	return &d.Map.Tracks[d.At-1]
}

// After is the next track.
func (d *diskData) After() *recover.MapTrack {
	if d.At+1 == len(d.Map.Tracks) {
		return nil
	}
	return &d.Map.Tracks[d.At+1]
}

// AloneGood says in how many reads alone a sector of the track is good.
func (d *diskData) AloneGood(i int) string {
	n := 0
	for k := range d.Track.Reads {
		if d.Track.Reads[k].State(i) == picture.Good {
			n++
		}
	}
	return fmt.Sprintf("%d of %d", n, len(d.Track.Reads))
}

func (s *Server) trackPage(w http.ResponseWriter, r *http.Request) {
	d := s.track(w, r)
	if d == nil {
		return
	}
	t := d.Track
	st := picture.Stack{Title: fmt.Sprintf("Cylinder %d, side %d", t.Cylinder, t.Head), Axis: picture.Axis{To: 1, Unit: "turns", Label: "angle from the index"}, Height: 24, Gap: 6, NameEvery: 1, Legend: true}
	if !d.Map.Angles {
		st.Axis = picture.Axis{To: 1, Label: "sectors in numeric order (no source tells their angles)", Ticks: []float64{}}
	}
	for k := range t.Reads {
		x := &t.Reads[k]
		line := readLine{Number: x.Read + 1, Name: cmp.Or(x.From, d.Map.Reads[x.Read].Name)}
		line.Good, line.Doubtful, line.Lost = x.Count()
		d.Reads = append(d.Reads, line)
		if len(t.Reads) > 1 {
			rib := t.Alone(x)
			rib.Name, rib.Thin, rib.Terse = fmt.Sprintf("read %d alone", x.Read+1), false, false
			st.Ribbons = append(st.Ribbons, rib)
		}
	}
	rib := t.Ribbon(d.Path)
	if len(t.Reads) > 1 {
		rib.Name = "merged"
	}
	st.Ribbons = append(st.Ribbons, rib)
	d.Picture = inline(st.Draw(), "track")
	s.show(w, "track", st.Title, "Prove", d)
}

// gatherDisk adds the image of a disk that was read to the files.
func (s *Server) gatherDisk(w http.ResponseWriter, r *http.Request) {
	v := s.disk(w, r)
	if v == nil {
		return
	}
	if len(v.Data) == 0 {
		s.fail(w, r, http.StatusNotFound, "There is no image of this disk.")
		return
	}
	if _, err := s.add(r.Context(), cmp.Or(v.Save, r.PathValue("key")+".img"), v.Data); err != nil {
		s.fail(w, r, http.StatusUnprocessableEntity, err.Error())
		return
	}
	http.Redirect(w, r, "/", http.StatusSeeOther)
}

// NotWhole are the tracks that have anything but good sectors.
func (d *diskData) NotWhole() []recover.MapTrack {
	var out []recover.MapTrack
	for _, t := range d.Map.Tracks {
		if t.Repaired+t.Doubtful+t.Lost > 0 {
			out = append(out, t)
		}
	}
	return out
}
