package disk

import (
	"bytes"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"strconv"
	"strings"

	"remanence/internal/safefile"
)

// MaxImageBytes bounds a raw image: 256 cylinders, 2 sides, 25 KB a track is more than any floppy of the period holds.
const MaxImageBytes = 16 << 20

// SectorRecord is a sector as JSON: one line of a --sectors file, one element of a sidecar.
type SectorRecord struct {
	Cylinder   int      `json:"cylinder"`
	Head       int      `json:"head"`
	IDCylinder int      `json:"id-cylinder"`
	IDHead     int      `json:"id-head"`
	IDSector   int      `json:"id-sector"`
	Size       int      `json:"size"`
	Mark       string   `json:"mark"` // hex text, "" without a data mark
	Status     Status   `json:"status"`
	Data       *string  `json:"data,omitempty"`     // hex text
	Encoding   string   `json:"encoding,omitempty"` // fm, mfm
	Why        string   `json:"why,omitempty"`
	From       string   `json:"from,omitempty"`
	Margin     *float64 `json:"margin,omitempty"` // 0..1 of the half window
	Angle      *float64 `json:"angle,omitempty"`  // 0..1 of a revolution
	Reads      int      `json:"reads,omitempty"`
	Place      *int     `json:"place,omitempty"` // sidecar: number of the image's sector it describes; absent: an extra sector
}

// Record is s as JSON, with its data.
func (s *Sector) Record() SectorRecord {
	r := SectorRecord{
		Cylinder: s.Cylinder, Head: s.Head, IDCylinder: int(s.ID.Cylinder), IDHead: int(s.ID.Head), IDSector: int(s.ID.Sector),
		Size: s.ID.Size(), Status: s.Status, Encoding: s.Encoding.String(), Why: s.Why, From: s.From, Reads: s.Reads,
	}
	if s.Mark != 0 {
		r.Mark = fmt.Sprintf("%02X", s.Mark)
	}
	h := hex.EncodeToString(s.Data)
	r.Data = &h
	if s.Margin >= 0 {
		m := s.Margin
		r.Margin = &m
	}
	if s.Angle >= 0 {
		a := s.Angle
		r.Angle = &a
	}
	return r
}

// Sector is the way back from Record. Every field is checked: a sidecar may come from anywhere.
func (r *SectorRecord) Sector() (Sector, error) {
	s := Sector{Cylinder: r.Cylinder, Head: r.Head, Status: r.Status, Why: r.Why, From: r.From, Reads: r.Reads, Margin: -1, Angle: -1}
	if r.Cylinder < 0 || r.Cylinder >= MaxCylinders || r.Head < 0 || r.Head > 1 {
		return s, fmt.Errorf("cylinder %d head %d: no such place", r.Cylinder, r.Head)
	}
	for _, b := range []int{r.IDCylinder, r.IDHead, r.IDSector} {
		if b < 0 || b > 255 {
			return s, fmt.Errorf("identifier %d %d %d: want bytes", r.IDCylinder, r.IDHead, r.IDSector)
		}
	}
	code, ok := SizeCodeOf(r.Size)
	if !ok && r.Size != 0 {
		return s, fmt.Errorf("size %d: want 128, 256, ... 8192", r.Size)
	}
	if r.Size == 0 {
		code = 7
	}
	s.ID = SectorID{uint8(r.IDCylinder), uint8(r.IDHead), uint8(r.IDSector), code}
	if r.Mark != "" {
		m, err := strconv.ParseUint(r.Mark, 16, 8)
		if err != nil {
			return s, fmt.Errorf("mark %q: want two hex digits", r.Mark)
		}
		s.Mark = byte(m)
	}
	if r.Encoding != "" && r.Encoding != "unknown" {
		e, err := ParseEncoding(r.Encoding)
		if err != nil {
			return s, err
		}
		s.Encoding = e
	}
	if r.Data != nil {
		d, err := hex.DecodeString(*r.Data)
		if err != nil {
			return s, fmt.Errorf("data: %w", err)
		}
		if len(d) > 128<<MaxSizeCode {
			return s, fmt.Errorf("data: %d bytes, at most %d fit a sector", len(d), 128<<MaxSizeCode)
		}
		s.Data = d
	}
	if r.Margin != nil {
		s.Margin = *r.Margin
	}
	if r.Angle != nil {
		s.Angle = *r.Angle
	}
	return s, nil
}

// Sidecar is what is known of an image beyond its raw bytes. It lies beside the image as NAME.sectors.json.
type Sidecar struct {
	Version   int            `json:"remanence-sectors"` // 1
	Recording string         `json:"recording,omitempty"`
	Cylinders int            `json:"cylinders"`
	Heads     int            `json:"heads"`
	Sectors   []SectorRecord `json:"sectors"`
}

// SidecarPath is where the sidecar of an image is written.
func SidecarPath(image string) string {
	return strings.TrimSuffix(image, filepath.Ext(image)) + ".sectors.json"
}

// Sidecar is what to keep beside the raw image; nil where there is nothing to say.
func (im *Image) Sidecar() *Sidecar {
	if len(im.notes) == 0 && len(im.Extra) == 0 {
		return nil
	}
	sc := &Sidecar{Version: 1, Recording: im.Recording, Cylinders: im.Geometry.Cylinders, Heads: im.Geometry.Heads}
	for _, p := range im.Noted() {
		s := im.notes[p]
		r := s.Record()
		if s.Data == nil {
			r.Data = nil // it is in the raw image
		}
		n := p.Sector
		r.Place = &n
		sc.Sectors = append(sc.Sectors, r)
	}
	for i := range im.Extra {
		sc.Sectors = append(sc.Sectors, im.Extra[i].Record())
	}
	return sc
}

// Apply adds what a sidecar knows to an image of the same shape. What cannot be used is reported; the rest is taken.
func (im *Image) Apply(sc *Sidecar) error {
	if sc == nil {
		return nil
	}
	var errs []error
	for i := range sc.Sectors {
		r := &sc.Sectors[i]
		s, err := r.Sector()
		if err != nil {
			errs = append(errs, fmt.Errorf("sectors[%d]: %w", i, err))
			continue
		}
		if r.Place == nil {
			im.Extra = append(im.Extra, s)
			continue
		}
		p := Place{r.Cylinder, r.Head, *r.Place}
		if im.Bytes(p) == nil {
			errs = append(errs, fmt.Errorf("sectors[%d]: %s is not in the image", i, p))
			continue
		}
		im.note(p, s)
	}
	return errors.Join(errs...)
}

// ParseSidecar reads the JSON of a sidecar.
func ParseSidecar(b []byte) (*Sidecar, error) {
	d := json.NewDecoder(bytes.NewReader(b))
	var sc Sidecar
	if err := d.Decode(&sc); err != nil {
		return nil, fmt.Errorf("byte %d: %w", d.InputOffset(), err)
	}
	if sc.Version != 1 {
		return nil, fmt.Errorf("remanence-sectors is %d: want 1", sc.Version)
	}
	return &sc, nil
}

// ReadRaw reads the bytes of an image file and its sidecar, nil if it has none. Path "-" is standard input.
func ReadRaw(path string) (data []byte, sc *Sidecar, err error) {
	if path == "-" {
		data, err = io.ReadAll(io.LimitReader(os.Stdin, MaxImageBytes+1))
	} else {
		data, err = readLimited(path, MaxImageBytes)
	}
	if err != nil {
		return nil, nil, err
	}
	if len(data) > MaxImageBytes {
		return nil, nil, fmt.Errorf("%s: more than %d bytes; no floppy image is that long", path, MaxImageBytes)
	}
	for _, name := range []string{SidecarPath(path), path + ".sectors.json"} {
		b, err := readLimited(name, 4*MaxImageBytes)
		if errors.Is(err, fs.ErrNotExist) || path == "-" {
			continue
		}
		if err == nil {
			sc, err = ParseSidecar(b)
		}
		if err != nil {
			return nil, nil, fmt.Errorf("%s: %w", name, err)
		}
		return data, sc, nil
	}
	return data, nil, nil
}

func readLimited(path string, limit int64) ([]byte, error) {
	f, err := os.Open(path)
	if err != nil {
		return nil, err
	}
	defer f.Close()
	b, err := io.ReadAll(io.LimitReader(f, limit+1))
	if err != nil {
		return nil, fmt.Errorf("%s: %w", path, err)
	}
	if int64(len(b)) > limit {
		return nil, fmt.Errorf("%s: more than %d bytes", path, limit)
	}
	return b, nil
}

// Save writes the raw image and, where there is something to say, its sidecar. A sidecar that described an earlier
// image of this name is replaced or removed with it.
func (im *Image) Save(path string, force bool) error {
	side := SidecarPath(path)
	sc := im.Sidecar()
	if sc != nil {
		b, err := json.MarshalIndent(sc, "", " ")
		if err != nil {
			return err
		}
		if err := safefile.WriteFile(side, append(b, '\n'), force); err != nil {
			return err
		}
	}
	if err := safefile.WriteFile(path, im.Data, force); err != nil {
		return err
	}
	if sc == nil && force {
		if err := os.Remove(side); err != nil && !errors.Is(err, fs.ErrNotExist) {
			return err
		}
	}
	return nil
}
