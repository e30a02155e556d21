package web

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"html/template"
	"io/fs"
	"net/http"
	"path"
	"slices"
	"strconv"
	"strings"

	"remanence/disk"
	"remanence/picture"
	"remanence/recover"
	"remanence/volume"
)

func (s *Server) readDisk(ctx context.Context, j *job, names []string) (string, error) {
	var paths []string
	for _, n := range names {
		paths = append(paths, s.path("read", n))
	}
	res, err := recover.Run(ctx, paths, recover.Options{Recordings: s.o.Set.Recordings(), Progress: j, OpenImage: s.openImage})
	if err != nil {
		return "", s.hidePath(err)
	}
	stem := strings.TrimSuffix(names[0], path.Ext(names[0]))
	key := idOf(names[0])
	v := &diskView{Title: "What was read of " + strings.Join(names, ", "), Sectors: res.Best, Map: res.Map(names[0], false), Back: "/prove", Recording: res.Summary.Recording}
	for n := 1; n < 1000 && v.Save == ""; n++ {
		img := fmt.Sprintf("%s-read-%d.img", stem, n)
		if _, err := s.root.Stat("read/" + img); errors.Is(err, fs.ErrNotExist) {
			if err := res.Best.Save(s.path("read", img), false); err != nil {
				return "", s.hidePath(err)
			}
			v.Save = img
		}
	}
	s.jobs.mu.Lock()
	s.jobs.keepDisk(key, v)
	s.jobs.mu.Unlock()
	return "/disk/" + key, nil
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
	s.jobs.mu.Lock()
	v := s.jobs.disks[r.PathValue("key")]
	s.jobs.mu.Unlock()
	if v == nil {
		s.fail(w, r, http.StatusNotFound, "This disk is not in memory any more. Read it back again under Prove.")
	}
	return v
}

type diskData struct {
	*diskView
	Key     string
	Picture template.HTML
	Track   *recover.MapTrack
	Sector  *recover.MapSector
	Rows    []row
	Wrong   string
}

func (s *Server) diskPage(w http.ResponseWriter, r *http.Request) {
	if v := s.disk(w, r); v != nil {
		s.show(w, "disk", v.Title, "Prove", diskData{diskView: v, Key: r.PathValue("key"), Picture: inline(v.Map.Draw(), "disk")})
	}
}

var states = map[string]picture.State{"repaired": picture.Repaired, "doubtful": picture.Doubtful, "lost": picture.Lost}

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
	return &diskData{diskView: v, Key: r.PathValue("key"), Track: &v.Map.Tracks[i]}
}

func (s *Server) trackPage(w http.ResponseWriter, r *http.Request) {
	d := s.track(w, r)
	if d == nil {
		return
	}
	t := d.Track
	st := picture.Stack{Title: fmt.Sprintf("Cylinder %d, side %d", t.Cylinder, t.Head), Axis: picture.Axis{To: 1, Unit: "turn", Label: "angle from the index"}, Height: 40, Legend: true}
	rib := picture.Ribbon{Name: fmt.Sprintf("c%02d h%d", t.Cylinder, t.Head)}
	for _, x := range t.Sectors {
		if x.Angle == nil || x.Extra {
			continue
		}
		margin := -1.0
		if x.Margin != nil {
			margin = *x.Margin
		}
		from := *x.Angle
		rib.Stretches = append(rib.Stretches, picture.Stretch{From: from, To: min(1, from+max(x.Extent, 0.01)), Margin: margin, State: states[x.State], Label: fmt.Sprint(x.Sector), Title: fmt.Sprintf("sector %d, %d bytes", x.Sector, x.Size)})
	}
	st.Ribbons = []picture.Ribbon{rib}
	d.Picture = inline(st.Draw(), "track")
	s.show(w, "track", st.Title, "Prove", d)
}

func (s *Server) sectorPage(w http.ResponseWriter, r *http.Request) {
	d := s.track(w, r)
	if d == nil {
		return
	}
	n, err := strconv.Atoi(r.PathValue("sector"))
	i := slices.IndexFunc(d.Track.Sectors, func(x recover.MapSector) bool { return x.Sector == n && !x.Extra })
	if err != nil || i < 0 {
		s.fail(w, r, http.StatusNotFound, "There is no such sector on this track.")
		return
	}
	d.Sector = &d.Track.Sectors[i]
	x, ok := d.Sectors.Sector(disk.Place{Cylinder: d.Track.Cylinder, Head: d.Track.Head, Sector: n})
	if ok {
		d.Rows, d.Wrong = rowsOf(x.Data, 0, func(int) int { return -1 }), x.Why
	}
	s.show(w, "sector", fmt.Sprintf("Cylinder %d, side %d, sector %d", d.Track.Cylinder, d.Track.Head, n), "Prove", d)
}

// gatherDisk adds the image of a disk that was read to the files.
func (s *Server) gatherDisk(w http.ResponseWriter, r *http.Request) {
	v := s.disk(w, r)
	if v == nil {
		return
	}
	if v.Sectors == nil {
		s.fail(w, r, http.StatusNotFound, "There is no image of this disk.")
		return
	}
	if _, err := s.add(r.Context(), cmp.Or(v.Save, r.PathValue("key")+".img"), v.Sectors.Data); err != nil {
		s.fail(w, r, http.StatusUnprocessableEntity, err.Error())
		return
	}
	http.Redirect(w, r, "/", http.StatusSeeOther)
}
