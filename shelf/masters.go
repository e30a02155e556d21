package shelf

import (
	"context"
	"database/sql"
	"encoding/json"
	"errors"
	"fmt"
	"path/filepath"
	"strings"

	"remanence/internal/outcome"
	"remanence/label"
)

// Master is a verified image or recording that media are written from.
type Master struct {
	ID        int64  `json:"-"`
	Type      string `json:"type"` // disk or tape
	Number    string `json:"number"`
	Title     string `json:"title"`
	Machine   string `json:"machine"`
	Recording string `json:"recording"`
	SHA256    string `json:"sha256"` // of the image or the sound
	Verified  bool   `json:"verified"`
	Path      string `json:"path"`
	Added     string `json:"added"`
	Items     []Item `json:"items,omitempty"`
}

// Item is one file on a master.
type Item struct {
	Side    string `json:"side,omitempty"`
	Name    string `json:"name"`
	At      string `json:"at,omitempty"`
	Size    string `json:"size,omitempty"`
	Path    string `json:"path,omitempty"`
	SHA256  string `json:"sha256,omitempty"`
	Damaged bool   `json:"damaged,omitempty"`
}

// manifest is what the shelf reads of a make result's manifest.json.
type manifest struct {
	Version int    `json:"remanence-manifest"`
	Machine string `json:"machine"`
	Title   string `json:"title"`
	Inputs  []struct {
		Path, SHA256 string
	} `json:"inputs"`
	Outputs []struct {
		Path, SHA256 string
	} `json:"outputs"`
	Media []struct {
		ID        string `json:"id"`
		Type      string `json:"type"`
		Title     string `json:"title"`
		Recording string `json:"recording"`
		Image     string `json:"image"`
		Audio     string `json:"audio"`
		Verified  bool   `json:"verified"`
	} `json:"media"`
	Labels []label.Medium `json:"labels"`
}

// addManifest keeps the masters of a make result. outputs are the manifest and the files that it says were made; none
// where data is no manifest of ours.
func (s *Shelf) addManifest(ctx context.Context, path string, data []byte) (n int, outputs []string, err error) {
	var m manifest
	if json.Unmarshal(data, &m) != nil || m.Version != 1 {
		return 0, nil, nil
	}
	sumOf := map[string]string{}
	outputs = []string{path}
	for _, o := range m.Outputs {
		sumOf[o.Path] = o.SHA256
		outputs = append(outputs, filepath.Join(filepath.Dir(path), filepath.FromSlash(o.Path)))
	}
	inputs := map[string]string{}
	for _, i := range m.Inputs {
		inputs[i.Path] = i.SHA256
	}
	sides := map[string]label.Side{} // by medium of the manifest: D01, T01A
	for _, l := range m.Labels {
		for _, sd := range l.Sides {
			sides[l.Number+sd.Name] = sd
		}
	}
	var masters []Master
	for _, x := range m.Media {
		file := x.Image
		if file == "" {
			file = x.Audio
		}
		ms := Master{Type: x.Type, Number: x.ID, Title: x.Title, Machine: m.Machine, Recording: x.Recording, SHA256: sumOf[file], Verified: x.Verified,
			Path: filepath.Join(filepath.Dir(path), filepath.FromSlash(file))}
		if ms.Title == "" {
			ms.Title = m.Title
		}
		if len(ms.SHA256) != 64 || (ms.Type != "disk" && ms.Type != "tape") {
			return 0, nil, outcome.As(outcome.Input, fmt.Errorf("%s: medium %q has no image or sound with a SHA-256 among the outputs", path, x.ID))
		}
		sd := sides[x.ID]
		for _, it := range sd.Items {
			ms.Items = append(ms.Items, Item{Side: sd.Name, Name: it.Name, At: it.Where, Size: it.Size, Path: it.Path, SHA256: inputs[it.Path], Damaged: it.Damaged})
		}
		masters = append(masters, ms)
	}
	err = s.change(ctx, func(tx *sql.Tx) error {
		for i := range masters {
			known, err := s.putMaster(ctx, tx, &masters[i])
			if err != nil {
				return err
			}
			if !known {
				n++
			}
		}
		return nil
	})
	return n, outputs, err
}

// AddMaster keeps a master; known is true where it was there.
func (s *Shelf) AddMaster(ctx context.Context, m *Master) (known bool, err error) {
	err = s.change(ctx, func(tx *sql.Tx) error { known, err = s.putMaster(ctx, tx, m); return err })
	return known, err
}

func (s *Shelf) putMaster(ctx context.Context, tx *sql.Tx, m *Master) (known bool, err error) {
	err = tx.QueryRowContext(ctx, "SELECT id FROM masters WHERE number = ? AND sha256 = ?", m.Number, m.SHA256).Scan(&m.ID)
	if err == nil {
		return true, nil
	} else if !errors.Is(err, sql.ErrNoRows) {
		return false, err
	}
	if m.Added == "" {
		m.Added = s.stamp()
	}
	r, err := tx.ExecContext(ctx, "INSERT INTO masters(type, number, title, machine, recording, sha256, verified, path, added) VALUES(?,?,?,?,?,?,?,?,?)",
		m.Type, m.Number, m.Title, m.Machine, m.Recording, m.SHA256, m.Verified, m.Path, m.Added)
	if err != nil {
		return false, err
	}
	if m.ID, err = r.LastInsertId(); err != nil {
		return false, err
	}
	for i, it := range m.Items {
		if _, err := tx.ExecContext(ctx, "INSERT INTO items(master, side, place, name, at, size, path, sha256, damaged) VALUES(?,?,?,?,?,?,?,?,?)",
			m.ID, it.Side, i, it.Name, it.At, it.Size, it.Path, it.SHA256, it.Damaged); err != nil {
			return false, err
		}
	}
	return false, s.index(ctx, tx, m.Ref())
}

// Ref is how notes and tags name the master.
func (m *Master) Ref() string { return "master:" + m.Number + ":" + m.SHA256 }

// FileRef is how notes and tags name a file.
func FileRef(sha256 string) string { return "file:" + sha256 }

// MediumRef is how notes and tags name a medium.
func MediumRef(number string) string { return "medium:" + number }

const masterColumns = "m.id, m.type, m.number, m.title, m.machine, m.recording, m.sha256, m.verified, m.path, m.added"

func scanMaster(r interface{ Scan(...any) error }) (m Master, err error) {
	err = r.Scan(&m.ID, &m.Type, &m.Number, &m.Title, &m.Machine, &m.Recording, &m.SHA256, &m.Verified, &m.Path, &m.Added)
	return m, err
}

// Masters lists all masters, the newest first, without their items.
func (s *Shelf) Masters(ctx context.Context) ([]Master, error) {
	return query(ctx, s, scanMaster, "SELECT "+masterColumns+" FROM masters m ORDER BY m.added DESC, m.number, m.id")
}

// itemsOf are the files on a master, in order.
func (s *Shelf) itemsOf(ctx context.Context, master int64) ([]Item, error) {
	return query(ctx, s, func(r interface{ Scan(...any) error }) (it Item, err error) {
		err = r.Scan(&it.Side, &it.Name, &it.At, &it.Size, &it.Path, &it.SHA256, &it.Damaged)
		return it, err
	}, "SELECT side, name, at, size, path, sha256, damaged FROM items WHERE master = ? ORDER BY place", master)
}

// masterFor finds a master by its number, or number and the beginning of its SHA-256: D01, D01:3fa9.
func (s *Shelf) masterFor(ctx context.Context, ref string) (*Master, error) {
	number, sha, _ := strings.Cut(strings.TrimPrefix(ref, "master:"), ":")
	found, err := query(ctx, s, scanMaster, "SELECT "+masterColumns+" FROM masters m WHERE m.number = ? AND substr(m.sha256, 1, length(?)) = ? ORDER BY m.id LIMIT 3", number, sha, strings.ToLower(sha))
	if err != nil {
		return nil, err
	}
	switch len(found) {
	case 0:
		return nil, outcome.As(outcome.Usage, fmt.Errorf("master %s: there is none on the shelf", ref))
	case 1:
		return &found[0], nil
	}
	return nil, outcome.As(outcome.Usage, fmt.Errorf("master %s: there are several; say %s:%.6s or %s:%.6s", ref, number, found[0].SHA256, number, found[1].SHA256))
}

// masterOf is the latest master of this content; nil where there is none.
func (s *Shelf) masterOf(ctx context.Context, sha string) (*Master, error) {
	found, err := query(ctx, s, scanMaster, "SELECT "+masterColumns+" FROM masters m WHERE m.sha256 = ? ORDER BY m.added DESC, m.id DESC LIMIT 1", strings.ToLower(sha))
	if err != nil || len(found) == 0 {
		return nil, err
	}
	return &found[0], nil
}

// Label is a medium as labels show it: what is on it is what its master has.
func (d *Detail) Label() label.Medium {
	m := label.Medium{Number: d.Medium.Number, Type: d.Medium.Type, Title: d.Medium.Title, Sides: []label.Side{{}}}
	if d.Master == nil {
		return m
	}
	m.Machine, m.Recording = d.Master.Machine, d.Master.Recording
	for i, it := range d.Master.Items {
		if i == 0 {
			m.Sides[0].Name = it.Side
		} else if last := m.Sides[len(m.Sides)-1]; it.Side != last.Name {
			m.Sides = append(m.Sides, label.Side{Name: it.Side})
		}
		s := &m.Sides[len(m.Sides)-1]
		s.Items = append(s.Items, label.Item{Name: it.Name, Where: it.At, Size: it.Size, Path: it.Path, Damaged: it.Damaged})
	}
	if !d.Master.Verified {
		for i := range m.Sides {
			m.Sides[i].Proof = label.NotProven
		}
	}
	return m
}
