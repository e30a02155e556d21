package recover

import (
	"encoding/json"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"time"

	"remanence/disk"
	"remanence/internal/bag"
)

// maxOriginals bounds the files of a bag.
const maxOriginals = 1 << 16

// Keeping says what goes into a bag beside the result.
type Keeping struct {
	Originals []string // the sources as given: files and folders
	Name      string   // of the image in the bag: heron1.img
	Agent     string   // program and version
	Date      string   // YYYY-MM-DD or RFC 3339; "": none is known
	Extra     []bag.Info
}

// Bag is the result as a bag: originals as they came, the image with its sidecar, the damage map before and after as
// pictures and as a table, and what was done as events in the terms of PREMIS.
func (res *Result) Bag(k Keeping) (*bag.Bag, error) {
	b := &bag.Bag{}
	newest, err := addOriginals(b, k.Originals)
	if err != nil {
		return nil, err
	}
	stem := strings.TrimSuffix(k.Name, filepath.Ext(k.Name))
	image := "image/" + k.Name
	b.Payload = append(b.Payload, bag.Entry{Path: image, Data: res.Best.Data})
	objects := []string{"data/" + image}
	if sc := res.Best.Sidecar(); sc != nil {
		j, err := json.MarshalIndent(sc, "", " ")
		if err != nil {
			return nil, err
		}
		b.Payload = append(b.Payload, bag.Entry{Path: disk.SidecarPath(image), Data: append(j, '\n')})
		objects = append(objects, "data/"+disk.SidecarPath(image))
	}
	after, before := res.Map(k.Name, false), res.Map(k.Name+", before merging", true)
	for _, m := range []struct {
		name string
		m    *DamageMap
	}{{"map.svg", after}, {"map.json", after}, {"map.txt", after}, {"map-before.svg", before}} {
		data, err := RenderMap(m.m, m.name)
		if err != nil {
			return nil, err
		}
		b.Payload = append(b.Payload, bag.Entry{Path: "map/" + stem + "." + m.name, Data: data})
	}
	if q := res.Quality(k.Name); q != nil {
		data, err := Render(q, "q.svg")
		if err != nil {
			return nil, err
		}
		b.Payload = append(b.Payload, bag.Entry{Path: "map/" + stem + ".quality.svg", Data: data})
	}
	date, from := k.Date, "given by the person who made the bag"
	if date == "" {
		date, from = newest.UTC().Format(time.RFC3339), "no date was given; this is the newest time of the original files"
	}
	events, err := bag.Events(k.Agent, date, from, res.events(objects))
	if err != nil {
		return nil, err
	}
	b.Tags = append(b.Tags, bag.Entry{Path: "metadata/premis-events.json", Data: events})
	b.Info = append(b.Info, k.Extra...)
	b.Info = append(b.Info, bag.Info{Label: "External-Description", Value: after.Caption()})
	if k.Date != "" {
		b.Info = append(b.Info, bag.Info{Label: "Bagging-Date", Value: k.Date[:10]})
	}
	b.Info = append(b.Info, bag.Info{Label: "Bag-Software-Agent", Value: k.Agent})
	return b, nil
}

// addOriginals takes every file given, and every file of every folder given, and finds the newest time among them.
func addOriginals(b *bag.Bag, paths []string) (newest time.Time, err error) {
	used := map[string]bool{}
	add := func(file, name string, info fs.FileInfo) error {
		if len(b.Payload) >= maxOriginals {
			return fmt.Errorf("more than %d original files", maxOriginals)
		}
		if info.ModTime().After(newest) {
			newest = info.ModTime()
		}
		b.Payload = append(b.Payload, bag.Entry{Path: "originals/" + name, File: file})
		return nil
	}
	for _, p := range paths {
		st, err := os.Stat(p)
		if err != nil {
			return newest, err
		}
		// Two sources of one name lie side by side under numbers.
		top := filepath.Base(filepath.Clean(p))
		for i := 2; used[strings.ToLower(top)]; i++ {
			top = fmt.Sprintf("%d-%s", i, filepath.Base(filepath.Clean(p)))
		}
		used[strings.ToLower(top)] = true
		if !st.IsDir() {
			if err := add(p, top, st); err != nil {
				return newest, err
			}
			if side, ok := sidecarOf(p); ok && !slices.Contains(paths, side) {
				if st, err := os.Stat(side); err == nil {
					name := filepath.Base(side)
					if used[strings.ToLower(name)] {
						name = top + ".sectors.json"
					}
					used[strings.ToLower(name)] = true
					if err := add(side, name, st); err != nil {
						return newest, err
					}
				}
			}
			continue
		}
		entries, err := os.ReadDir(p)
		if err != nil {
			return newest, err
		}
		for _, e := range entries { // by name
			if !e.Type().IsRegular() {
				continue
			}
			info, err := e.Info()
			if err != nil {
				return newest, err
			}
			if err := add(filepath.Join(p, e.Name()), top+"/"+e.Name(), info); err != nil {
				return newest, err
			}
		}
	}
	return newest, nil
}

// events are what was done, by the labels of the event type vocabulary.
func (res *Result) events(objects []string) []bag.Event {
	left := "success"
	note := ""
	if !res.Whole() {
		left = "warning"
		note = fmt.Sprintf("%d of %d sectors good, %d damaged, %d missing; the map lists them", res.Good, res.Expected, res.Damaged, res.Missing)
	}
	var out []bag.Event
	for _, s := range res.Sources {
		e := bag.Event{Type: "imaging", Detail: fmt.Sprintf("read as %s: %s", s.Kind, s.Path), Outcome: "success", Objects: []string{"data/originals"},
			Note: fmt.Sprintf("%d tracks, %d of %d sectors good", s.Tracks, s.Good, s.Sectors)}
		if s.Good < s.Sectors {
			e.Outcome = "warning"
		}
		out = append(out, e)
		for _, a := range s.Assumed {
			out = append(out, bag.Event{Type: "format identification", Detail: s.Path + ": " + a, Outcome: "success", Objects: []string{"data/originals"}})
		}
	}
	for _, a := range res.Assumed {
		out = append(out, bag.Event{Type: "format identification", Detail: a, Outcome: "success", Objects: objects})
	}
	out = append(out, bag.Event{Type: "recovery", Detail: fmt.Sprintf("all reads merged into one image, recording %s", res.Summary.Recording), Outcome: left, Note: note, Objects: objects})
	if r := res.Repairs; r != nil {
		out = append(out, bag.Event{Type: "modification", Detail: fmt.Sprintf("uncertain bits of sectors with a wrong CRC were changed until it was right: tried on %d sectors, %d combinations", r.Tried, r.Trials),
			Outcome: "success", Note: fmt.Sprintf("%d sectors repaired; chance that one of them is a random match: %.1g", r.Sectors, r.FalseChance), Objects: objects})
	}
	for _, c := range res.Conflicts {
		out = append(out, bag.Event{Type: "validation", Detail: fmt.Sprintf("cylinder %d head %d sector %d", c.Cylinder, c.Head, c.Sector), Outcome: "warning", Note: c.What, Objects: objects})
	}
	for _, p := range res.Problems {
		out = append(out, bag.Event{Type: "validation", Detail: "sources checked", Outcome: "warning", Note: p, Objects: []string{"data/originals"}})
	}
	return append(out, bag.Event{Type: "message digest calculation", Detail: "SHA-512 and SHA-256 of every file of the bag", Outcome: "success", Objects: []string{"data"}})
}

// CheckDate refuses dates of other forms.
func CheckDate(s string) error {
	if s == "" {
		return nil
	}
	if _, err := time.Parse(time.DateOnly, s); err == nil {
		return nil
	}
	if _, err := time.Parse(time.RFC3339, s); err == nil {
		return nil
	}
	return errors.New("date " + s + ": want YYYY-MM-DD or YYYY-MM-DDTHH:MM:SSZ")
}
