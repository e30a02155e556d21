package machine

import (
	"bytes"
	"cmp"
	"embed"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path"
	"path/filepath"
	"slices"
	"strings"

	"github.com/pelletier/go-toml/v2"

	"remanence/disk"
	"remanence/internal/outcome"
	"remanence/label"
	"remanence/tape/linecode"
	"remanence/volume"
)

//go:embed profiles
var embedded embed.FS

// MaxProfileBytes bounds one profile file; the longest of the project's own is under 8 KiB.
const MaxProfileBytes = 1 << 20

// Set is every profile there is: the project's own and the user's.
type Set struct {
	machines    shelf[Machine]
	recordings  shelf[disk.Recording]
	parameters  shelf[volume.Parameters]
	lineCodes   shelf[linecode.Code]
	sheets      shelf[label.Sheet]
	media       shelf[Medium]
	drives      shelf[Drive]
	controllers shelf[Controller]
	disks       shelf[Disk]
}

// shelf is the profiles of one family by name.
type shelf[T any] struct {
	family string // what one of them is called: "recording"
	folder string
	byName map[string]*entry[T]
}

type entry[T any] struct {
	value  *T
	file   string
	places *Positions
}

// families is the one list of what profiles there are. A new family is one line here and one field of Set.
func (s *Set) families() []loader {
	return []loader{
		of(&s.recordings, "recording", "recordings", func(r *disk.Recording) (string, error) { return r.Name, r.Validate() }),
		of(&s.parameters, "parameter block", "parameters", func(p *volume.Parameters) (string, error) { return p.Name, validateParameters(p) }),
		of(&s.lineCodes, "line code", "linecodes", func(c *linecode.Code) (string, error) { return c.Name, c.Validate() }),
		of(&s.sheets, "label sheet", "sheets", func(l *label.Sheet) (string, error) { return l.Name, l.Validate() }),
		of(&s.media, "medium", "media", func(m *Medium) (string, error) { return m.Name, m.Validate() }),
		of(&s.drives, "drive", "drives", func(d *Drive) (string, error) { return d.Name, d.Validate() }),
		of(&s.controllers, "controller", "controllers", func(c *Controller) (string, error) { return c.Name, c.Validate() }),
		of(&s.disks, "kind of disk", "disks", func(d *Disk) (string, error) { return d.Name, d.Validate() }),
		of(&s.machines, "machine", "machines", func(m *Machine) (string, error) { return m.Name, m.Validate() }),
	}
}

type loader interface {
	load(fsys fs.FS, shown string) []error
}

type shelfLoader[T any] struct {
	to    *shelf[T]
	check func(*T) (name string, err error)
}

func of[T any](to *shelf[T], family, folder string, check func(*T) (string, error)) loader {
	to.family, to.folder, to.byName = family, folder, map[string]*entry[T]{}
	return &shelfLoader[T]{to, check}
}

// Load reads the embedded profiles, then those of the user's folder ("" for none; it need not exist). All faults of
// all files are reported together, each with file and line; a set with faults is not usable.
func Load(configDir string) (*Set, error) {
	s := new(Set)
	own, err := fs.Sub(embedded, "profiles")
	if err != nil {
		return nil, err
	}
	var errs []error
	for _, l := range s.families() {
		errs = append(errs, l.load(own, "built-in")...)
		if configDir != "" {
			errs = append(errs, l.load(os.DirFS(configDir), configDir)...)
		}
	}
	if len(errs) == 0 {
		errs = s.crossCheck()
	}
	if len(errs) > 0 {
		return nil, outcome.As(outcome.Input, errors.Join(errs...))
	}
	return s, nil
}

// load reads every *.toml of the family's folder in fsys, in name order.
func (l *shelfLoader[T]) load(fsys fs.FS, shown string) []error {
	list, err := fs.ReadDir(fsys, l.to.folder)
	if errors.Is(err, fs.ErrNotExist) {
		return nil
	}
	if err != nil {
		return []error{fmt.Errorf("%s: %w", filepath.Join(shown, l.to.folder), err)}
	}
	var errs []error
	seen := map[string]string{} // names within this folder: a name given twice is a slip, not an override
	for _, d := range list {
		if d.IsDir() || path.Ext(d.Name()) != ".toml" || strings.HasPrefix(d.Name(), ".") {
			continue
		}
		file := filepath.Join(shown, l.to.folder, d.Name())
		src, err := readProfile(fsys, path.Join(l.to.folder, d.Name()))
		if err != nil {
			errs = append(errs, fmt.Errorf("%s: %w", file, err))
			continue
		}
		v := new(T)
		places, es := Decode(file, l.to.family, src, v)
		if len(es) > 0 {
			errs = append(errs, es...)
			continue
		}
		name, err := l.check(v)
		if err != nil {
			errs = append(errs, places.Place(err)...)
			continue
		}
		if first, twice := seen[name]; twice {
			errs = append(errs, places.Error("name", "%q: %s has that name already", name, first))
			continue
		}
		seen[name] = d.Name()
		l.to.byName[name] = &entry[T]{v, file, places}
	}
	return errs
}

func readProfile(fsys fs.FS, name string) ([]byte, error) {
	f, err := fsys.Open(name)
	if err != nil {
		return nil, err
	}
	defer f.Close()
	b, err := io.ReadAll(io.LimitReader(f, MaxProfileBytes+1))
	if err != nil {
		return nil, err
	}
	if len(b) > MaxProfileBytes {
		return nil, fmt.Errorf("more than %d bytes; no profile is that long", MaxProfileBytes)
	}
	return b, nil
}

// Decode reads TOML into v and refuses keys that v's type does not have. Each error names file and line. what is
// what the file describes, for the message: "a recording has no such key". Job files are read with it too.
func Decode(file, what string, src []byte, v any) (*Positions, []error) {
	d := toml.NewDecoder(bytes.NewReader(src)).DisallowUnknownFields()
	err := d.Decode(v)
	var errs []error
	var strict *toml.StrictMissingError
	var one *toml.DecodeError
	switch {
	case err == nil:
	case errors.As(err, &strict):
		for i := range strict.Errors {
			e := &strict.Errors[i]
			row, _ := e.Position()
			errs = append(errs, fmt.Errorf("%s:%d: key %q: a %s has no such key", file, row, strings.Join(e.Key(), "."), what))
		}
	case errors.As(err, &one):
		row, _ := one.Position()
		msg := strings.TrimPrefix(one.Error(), "toml: ")
		errs = append(errs, fmt.Errorf("%s:%d: %s", file, row, msg))
	default:
		errs = append(errs, fmt.Errorf("%s: %s", file, strings.TrimPrefix(err.Error(), "toml: ")))
	}
	return NewPositions(file, src), errs
}

func (s *shelf[T]) get(name string) (*T, error) {
	if e, ok := s.byName[name]; ok {
		return e.value, nil
	}
	return nil, outcome.Hint(outcome.Usage, fmt.Errorf("%s %q: there is none of that name", s.family, name),
		"there are: "+strings.Join(s.names(), ", "))
}

func (s *shelf[T]) names() []string {
	out := make([]string, 0, len(s.byName))
	for n := range s.byName {
		out = append(out, n)
	}
	slices.SortFunc(out, cmp.Compare[string])
	return out
}

// all are the profiles in name order.
func (s *shelf[T]) all() []*T {
	var out []*T
	for _, n := range s.names() {
		out = append(out, s.byName[n].value)
	}
	return out
}

// Machine is the machine class of that name.
func (s *Set) Machine(name string) (*Machine, error) { return s.machines.get(name) }

// Machines are all machine classes, in name order.
func (s *Set) Machines() []*Machine { return s.machines.all() }

// Recordings are all recordings in name order, with their usual cylinders and sides.
func (s *Set) Recordings() []*disk.Recording { return s.recordings.all() }

// Recording is the recording that ref names: NAME or NAME:CYLINDERSxSIDES (disk.ParseReference). Numbers that no
// drive reaches are refused.
func (s *Set) Recording(ref string) (*disk.Recording, error) {
	name, cylinders, sides, err := disk.ParseReference(ref)
	if err != nil {
		return nil, outcome.As(outcome.Usage, err)
	}
	r, err := s.recordings.get(name)
	if err != nil {
		return nil, err
	}
	if err := fits(r, cylinders, sides); err != nil {
		return nil, outcome.As(outcome.Usage, err)
	}
	return r.With(cylinders, sides), nil
}

// spareCylinders is how far past the usual number a drive can step; disks of 36 or 42 cylinders exist (common practice).
const spareCylinders = 5

// fits says whether a disk can have these numbers; 0 asks for the usual one.
func fits(r *disk.Recording, cylinders, sides int) error {
	most := slices.Max(append(slices.Clone(r.CylinderChoices), r.Cylinders)) + spareCylinders
	if cylinders > most {
		return fmt.Errorf("recording %s: %d cylinders: usual are %s, and no drive steps past %d", r.Name, cylinders, words(Choices(r.CylinderChoices, r.Cylinders)), most)
	}
	if c := Choices(r.SideChoices, r.Sides); sides > slices.Max(c) {
		return fmt.Errorf("recording %s: %d sides: want %s", r.Name, sides, words(c))
	}
	return nil
}

// Choices are the usual number and the others in use, ascending.
func Choices(list []int, usual int) []int {
	out := append(slices.Clone(list), usual)
	slices.Sort(out)
	return slices.Compact(out)
}

// words is "35, 40 or 80".
func words(n []int) string {
	var b strings.Builder
	for i, v := range n {
		switch {
		case i > 0 && i == len(n)-1:
			b.WriteString(" or ")
		case i > 0:
			b.WriteString(", ")
		}
		fmt.Fprint(&b, v)
	}
	return b.String()
}

// Medium is the impairment preset of that name.
func (s *Set) Medium(name string) (*Medium, error) { return s.media.get(name) }

// Media are all presets, in name order.
func (s *Set) Media() []*Medium { return s.media.all() }

// Parameters is the extent volume's parameter block of that name.
func (s *Set) Parameters(name string) (*volume.Parameters, error) { return s.parameters.get(name) }

// ParameterSets are all parameter blocks, in name order.
func (s *Set) ParameterSets() []*volume.Parameters { return s.parameters.all() }

// LineCode is the line code of that name.
func (s *Set) LineCode(name string) (*linecode.Code, error) { return s.lineCodes.get(name) }

// LineCodes are all line codes, in name order.
func (s *Set) LineCodes() []*linecode.Code { return s.lineCodes.all() }

// Sheet is the label sheet of that name.
func (s *Set) Sheet(name string) (*label.Sheet, error) { return s.sheets.get(name) }

// Sheets are all label sheets, in name order.
func (s *Set) Sheets() []*label.Sheet { return s.sheets.all() }
