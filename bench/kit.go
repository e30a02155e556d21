package bench

import (
	"bytes"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"reflect"
	"slices"
	"strings"

	"github.com/pelletier/go-toml/v2"

	"remanence/internal/outcome"
	"remanence/internal/safefile"
	"remanence/machine"
)

// KitName is the file in the configuration folder that describes a person's own pieces.
const KitName = "bench.toml"

// MaxKitBytes bounds bench.toml; a piece takes some 300 bytes.
const MaxKitBytes = 1 << 20

const maxPieces = 200 // of one sort

// Kit is the equipment that advice is about: the person's own, or every generic kind where there is no bench.toml.
type Kit struct {
	Drives      []*machine.Drive
	Controllers []*machine.Controller
	Disks       []*machine.Disk
	Own         bool // from bench.toml
}

// LoadKit reads <config>/bench.toml; without it the kit is every generic profile.
func LoadKit(set *machine.Set, configDir string) (*Kit, error) {
	path := filepath.Join(configDir, KitName)
	f, err := os.Open(path)
	if configDir == "" || errors.Is(err, os.ErrNotExist) {
		return &Kit{Drives: set.Drives(), Controllers: set.Controllers(), Disks: set.DiskKinds()}, nil
	}
	if err != nil {
		return nil, outcome.As(outcome.Input, err)
	}
	defer f.Close()
	src, err := io.ReadAll(io.LimitReader(f, MaxKitBytes+1))
	if err != nil {
		return nil, outcome.As(outcome.Input, fmt.Errorf("%s: %w", path, err))
	}
	k, err := ParseKit(path, src, set)
	return k, outcome.As(outcome.Input, err)
}

// ParseKit reads bench.toml. Each piece ([[drive]], [[controller]], [[disk]]) names the kind it is of; its other keys
// replace what the kind's profile says. What a file leaves out is taken from the profiles.
func ParseKit(file string, src []byte, set *machine.Set) (*Kit, error) {
	if len(src) > MaxKitBytes {
		return nil, fmt.Errorf("%s: more than %d bytes; no bench is that large", file, MaxKitBytes)
	}
	var raw struct {
		Drive      []map[string]any `toml:"drive"`
		Controller []map[string]any `toml:"controller"`
		Disk       []map[string]any `toml:"disk"`
	}
	if _, errs := machine.Decode(file, "bench", src, &raw); len(errs) > 0 {
		return nil, errors.Join(errs...)
	}
	k := &Kit{Own: true}
	drives, e1 := pieces(file, src, "drive", raw.Drive, set.Drive, (*machine.Drive).Validate, func(d *machine.Drive) string { return d.Name })
	controllers, e2 := pieces(file, src, "controller", raw.Controller, set.Controller, (*machine.Controller).Validate, func(c *machine.Controller) string { return c.Name })
	disks, e3 := pieces(file, src, "disk", raw.Disk, set.DiskKind, (*machine.Disk).Validate, func(d *machine.Disk) string { return d.Name })
	if err := errors.Join(e1, e2, e3); err != nil {
		return nil, err
	}
	k.Drives, k.Controllers, k.Disks = drives, controllers, disks
	if len(k.Drives) == 0 {
		k.Drives = set.Drives()
	}
	if len(k.Controllers) == 0 {
		k.Controllers = set.Controllers()
	}
	if len(k.Disks) == 0 {
		k.Disks = set.DiskKinds()
	}
	for i, d := range raw.Drive {
		if c := drives[i].Controller; c != "" && !slices.ContainsFunc(k.Controllers, func(x *machine.Controller) bool { return x.Name == c }) {
			return nil, fmt.Errorf("%s:%d: drive %v: controller %q: the bench has none of that name", file, lineOf(src, "drive", i), d["name"], c)
		}
	}
	return k, nil
}

// pieces makes the pieces of one sort: a copy of the kind's profile, then the keys of the file.
func pieces[T any](file string, src []byte, family string, raw []map[string]any, kindOf func(string) (*T, error), check func(*T) error, name func(*T) string) ([]*T, error) {
	if len(raw) > maxPieces {
		return nil, fmt.Errorf("%s: %d %ss: at most %d", file, len(raw), family, maxPieces)
	}
	var out []*T
	var errs []error
	seen := map[string]bool{}
	for i, m := range raw {
		at := fmt.Sprintf("%s:%d: %s", file, lineOf(src, family, i), family)
		v := new(T)
		if kind, ok := m["kind"].(string); ok {
			base, err := kindOf(kind)
			if err != nil {
				errs = append(errs, fmt.Errorf("%s: kind: %w", at, err))
				continue
			}
			*v = *base
			unshare(v)
		}
		rest := map[string]any{}
		for key, val := range m {
			if key != "kind" {
				rest[key] = val
			}
		}
		b, err := toml.Marshal(rest)
		if err == nil {
			err = toml.NewDecoder(bytes.NewReader(b)).DisallowUnknownFields().Decode(v)
		}
		var strict *toml.StrictMissingError
		if errors.As(err, &strict) {
			err = fmt.Errorf("key %q: a %s has no such key", strings.Join(strict.Errors[0].Key(), "."), family)
		}
		if err == nil {
			err = check(v)
		}
		if err == nil && seen[name(v)] {
			err = fmt.Errorf("name %q: there are two of that name", name(v))
		}
		if err != nil {
			errs = append(errs, fmt.Errorf("%s: %w", at, err))
			continue
		}
		seen[name(v)] = true
		out = append(out, v)
	}
	return out, errors.Join(errs...)
}

// unshare gives every slice of *v its own memory, so that decoding into the copy does not write into the profile.
func unshare(v any) {
	r := reflect.ValueOf(v).Elem()
	for i := range r.NumField() {
		if f := r.Field(i); f.Kind() == reflect.Slice && f.Len() > 0 {
			c := reflect.MakeSlice(f.Type(), f.Len(), f.Len())
			reflect.Copy(c, f)
			f.Set(c)
		}
	}
}

// lineOf is the line of the n-th [[family]] of a file, from 1.
func lineOf(src []byte, family string, n int) int {
	for i, l := range strings.Split(string(src), "\n") {
		if strings.HasPrefix(strings.TrimSpace(l), "[["+family+"]]") {
			if n == 0 {
				return i + 1
			}
			n--
		}
	}
	return 1
}

// Find gives the named drive, controller and disk of the kit; "" takes the drive's own controller, or the first.
func (k *Kit) Find(drive, controller, medium string) (*machine.Drive, *machine.Controller, *machine.Disk, error) {
	pick := func(what, name string, names []string) (int, error) {
		if name == "" {
			return 0, nil
		}
		if i := slices.Index(names, name); i >= 0 {
			return i, nil
		}
		return 0, outcome.Hint(outcome.Usage, fmt.Errorf("%s %q: the bench has none of that name", what, name), "there are: "+strings.Join(names, ", "))
	}
	var dn, cn, mn []string
	for _, d := range k.Drives {
		dn = append(dn, d.Name)
	}
	for _, c := range k.Controllers {
		cn = append(cn, c.Name)
	}
	for _, m := range k.Disks {
		mn = append(mn, m.Name)
	}
	d, e1 := pick("drive", drive, dn)
	if e1 == nil && controller == "" {
		controller = k.Drives[d].Controller
	}
	c, e2 := pick("controller", controller, cn)
	m, e3 := pick("disk", medium, mn)
	if err := errors.Join(e1, e2, e3); err != nil {
		return nil, nil, nil, err
	}
	return k.Drives[d], k.Controllers[c], k.Disks[m], nil
}

// Only is the kit with the named pieces alone; "" leaves a sort as it is. Whoever names a drive or a disk wants it judged
// whatever its size, and a drive that is named together with a controller is taken to hang on that one.
func (k *Kit) Only(drive, controller, medium string) (*Kit, error) {
	d, c, m, err := k.Find(drive, controller, medium)
	if err != nil {
		return nil, err
	}
	out := *k
	if drive != "" {
		one := *d
		if controller != "" {
			one.Controller = ""
		}
		out.Drives = []*machine.Drive{&one}
		out.Disks = of(k, k.Disks, func(x *machine.Disk) bool { return x.SizeInches == d.SizeInches })
	}
	if medium != "" {
		out.Disks = []*machine.Disk{m}
		out.Drives = of(k, out.Drives, func(x *machine.Drive) bool { return drive != "" || x.SizeInches == m.SizeInches })
	}
	if controller != "" {
		out.Controllers = []*machine.Controller{c}
		if !slices.ContainsFunc(out.Drives, func(x *machine.Drive) bool { return x.Controller == "" || x.Controller == c.Name }) {
			return nil, outcome.Hint(outcome.Usage, fmt.Errorf("controller %q: no drive of the bench hangs on it", c.Name), "name the drive, too")
		}
	}
	out.Own = k.Own || drive != "" || medium != ""
	return &out, nil
}

// of are those of the generic pieces that go with what was named; a person's own are all judged.
func of[T any](k *Kit, list []T, with func(T) bool) []T {
	if k.Own {
		return list
	}
	return slices.DeleteFunc(slices.Clone(list), func(x T) bool { return !with(x) })
}

// Finding is one key of a piece that a check has measured; Value is TOML text: "yes" in quotes, or a number.
type Finding struct{ Key, Value string }

// Note writes findings into bench.toml: keys of the piece are replaced or added, everything else of the file, comments
// included, stays. A piece that is not there yet is added with its kind. The result is read again before it is written.
func Note(configDir, family, name, kind string, findings []Finding, set *machine.Set) error {
	path := filepath.Join(configDir, KitName)
	src, err := os.ReadFile(path)
	if err != nil && !errors.Is(err, os.ErrNotExist) {
		return outcome.As(outcome.Input, err)
	}
	out := noteText(string(src), family, name, kind, findings)
	if _, err := ParseKit(path, []byte(out), set); err != nil {
		return outcome.As(outcome.Input, fmt.Errorf("%w; the findings were not written", err))
	}
	return safefile.WriteFile(path, []byte(out), true)
}

func noteText(src, family, name, kind string, findings []Finding) string {
	lines := strings.Split(strings.TrimRight(src, "\n"), "\n")
	if src == "" {
		lines = []string{"# The pieces on this bench. See doc/bench.md."}
	}
	from, to := -1, len(lines)
	for i := 0; i < len(lines); i++ {
		if !strings.HasPrefix(strings.TrimSpace(lines[i]), "[["+family+"]]") {
			continue
		}
		end := i + 1
		for end < len(lines) && !strings.HasPrefix(strings.TrimSpace(lines[end]), "[") {
			end++
		}
		for _, l := range lines[i+1 : end] {
			key, val, ok := strings.Cut(l, "=")
			if val, _ = comment(val); ok && strings.TrimSpace(key) == "name" && strings.Trim(strings.TrimSpace(val), `"'`) == name {
				from, to = i, end
			}
		}
	}
	if from < 0 {
		lines = append(lines, "", "[["+family+"]]", fmt.Sprintf("name = %q", name), fmt.Sprintf("kind = %q", kind))
		from, to = len(lines)-3, len(lines)
	}
	for to > from+1 && strings.TrimSpace(lines[to-1]) == "" {
		to--
	}
	for _, f := range findings {
		line := f.Key + " = " + f.Value
		at := slices.IndexFunc(lines[from:to], func(l string) bool {
			key, _, ok := strings.Cut(l, "=")
			return ok && strings.TrimSpace(key) == f.Key
		})
		if at >= 0 {
			old, remark := comment(lines[from+at])
			lines[from+at] = line + remark
			for rest := from + at + 1; strings.Contains(old, "[") && !strings.Contains(old, "]") && rest < to; to-- { // an array of several lines
				old, _ = comment(lines[rest])
				old = "[" + old
				lines = slices.Delete(lines, rest, rest+1)
			}
			continue
		}
		lines = slices.Insert(lines, to, line)
		to++
	}
	return strings.Join(lines, "\n") + "\n"
}

// comment splits the comment off a line of TOML, with the space before it; a # in quotes begins none.
func comment(l string) (text, remark string) {
	quote, escaped := rune(0), false
	for i, r := range l {
		switch {
		case escaped:
			escaped = false
		case quote == '"' && r == '\\':
			escaped = true
		case quote == 0 && r == '#':
			text = strings.TrimRight(l[:i], " \t")
			return text, l[len(text):]
		case quote == 0 && (r == '"' || r == '\''):
			quote = r
		case r == quote:
			quote = 0
		}
	}
	return l, ""
}
