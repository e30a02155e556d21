package bench

import (
	"errors"
	"fmt"
	"io"
	"maps"
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
	raw := map[string]any{}
	places, errs := machine.Decode(file, "bench", src, &raw)
	if len(errs) > 0 {
		return nil, errors.Join(errs...)
	}
	tables := map[string][]map[string]any{"drive": nil, "controller": nil, "disk": nil}
	for _, family := range slices.Sorted(maps.Keys(raw)) {
		if _, ok := tables[family]; !ok {
			errs = append(errs, fmt.Errorf("%s:%d: key %q: a bench has no such key, it has [[drive]], [[controller]] and [[disk]]", file, max(places.Line(family), places.Line(family+" 1")), family))
			continue
		}
		var err error
		if tables[family], err = tablesOf(raw[family]); err != nil {
			errs = append(errs, fmt.Errorf("%s:%d: %s: want it as [[%s]], with its keys below", file, places.Line(family), family, family))
		}
	}
	if len(errs) > 0 {
		return nil, errors.Join(errs...)
	}
	k := &Kit{Own: true}
	drives, e1 := pieces(file, places, "drive", tables["drive"], set.Drive, (*machine.Drive).Validate, func(d *machine.Drive) string { return d.Name })
	controllers, e2 := pieces(file, places, "controller", tables["controller"], set.Controller, (*machine.Controller).Validate, func(c *machine.Controller) string { return c.Name })
	disks, e3 := pieces(file, places, "disk", tables["disk"], set.DiskKind, (*machine.Disk).Validate, func(d *machine.Disk) string { return d.Name })
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
	for i, d := range drives {
		if c := d.Controller; c != "" && !slices.ContainsFunc(k.Controllers, func(x *machine.Controller) bool { return x.Name == c }) {
			return nil, fmt.Errorf("%s:%d: drive %s: controller %q: the bench has none of that name", file, places.Line(fmt.Sprintf("drive %d.controller", i+1)), d.Name, c)
		}
	}
	return k, nil
}

// tablesOf are the tables of one sort.
func tablesOf(v any) ([]map[string]any, error) {
	list, ok := v.([]any)
	if !ok {
		return nil, errors.New("no list")
	}
	var out []map[string]any
	for _, x := range list {
		m, ok := x.(map[string]any)
		if !ok {
			return nil, errors.New("no table")
		}
		out = append(out, m)
	}
	return out, nil
}

// pieces makes the pieces of one sort: a copy of the kind's profile, then the keys of the file. Every fault of a piece is
// told, each with the line of its key.
func pieces[T any](file string, places *machine.Positions, family string, raw []map[string]any, kindOf func(string) (*T, error), check func(*T) error, name func(*T) string) ([]*T, error) {
	if len(raw) > maxPieces {
		return nil, fmt.Errorf("%s: %d %ss: at most %d", file, len(raw), family, maxPieces)
	}
	var out []*T
	var errs []error
	seen := map[string]bool{}
	for i, m := range raw {
		before := len(errs)
		who := family
		if n, ok := m["name"].(string); ok {
			who += " " + n
		}
		bad := func(key, format string, a ...any) {
			errs = append(errs, fmt.Errorf("%s:%d: %s: %s", file, places.Line(fmt.Sprintf("%s %d.%s", family, i+1, key)), who, fmt.Sprintf(format, a...)))
		}
		v := new(T)
		if err := ofKind(v, m, kindOf); err != nil {
			bad("kind", "%v", err)
			continue // without it every other key would seem to be missing
		}
		for _, key := range slices.Sorted(maps.Keys(m)) {
			if key == "kind" {
				continue
			}
			if want, err := setKey(v, key, m[key]); want == "" {
				bad(key, "key %q: a %s has no such key", key, family)
			} else if err != nil {
				bad(key, "%s: want %s", key, want)
			}
		}
		if len(errs) == before {
			for _, msg := range messages(check(v)) { // each begins with its key
				bad(msg[:strings.IndexAny(msg+" ", " :,")], "%s", msg)
			}
		}
		if len(errs) == before && seen[name(v)] {
			bad("name", "name %q: there are two of that name", name(v))
		}
		if len(errs) == before {
			seen[name(v)] = true
			out = append(out, v)
		}
	}
	return out, errors.Join(errs...)
}

// ofKind makes *v a copy of the profile that the piece names. A piece without a kind describes itself, source included.
func ofKind[T any](v *T, m map[string]any, kindOf func(string) (*T, error)) error {
	kind, there := m["kind"]
	if !there && m["source"] != nil {
		return nil
	}
	name, ok := kind.(string)
	base, err := kindOf(name)
	switch {
	case !there:
		return fmt.Errorf("kind is missing: say which generic kind it is of; %s", outcome.HintOf(err))
	case !ok:
		return fmt.Errorf("kind: want a text in quotes; %s", outcome.HintOf(err))
	case err != nil:
		return fmt.Errorf("kind %q: there is none of that name; %s", name, outcome.HintOf(err))
	}
	*v = *base
	unshare(v)
	return nil
}

// setKey gives one key of *v a value. want is what the key takes, "" where a piece has no such key.
func setKey(v any, key string, val any) (want string, err error) {
	t := reflect.TypeOf(v).Elem()
	for i := range t.NumField() {
		f := t.Field(i)
		if tag, _, _ := strings.Cut(f.Tag.Get("toml"), ","); tag != key {
			continue
		}
		b, err := toml.Marshal(map[string]any{key: val})
		if err == nil {
			err = toml.Unmarshal(b, v)
		}
		return wanted(f.Type), err
	}
	return "", nil
}

// wanted is a type in a person's words.
func wanted(t reflect.Type) string {
	switch t.Kind() {
	case reflect.Float64:
		return "a number, without quotes"
	case reflect.Int:
		return "a whole number, without quotes"
	case reflect.Bool:
		return "true or false, without quotes"
	case reflect.Slice:
		return map[reflect.Kind]string{reflect.Float64: "a list of numbers, as [250, 300]", reflect.Int: "a list of whole numbers, as [250, 300]"}[t.Elem().Kind()]
	}
	return "a text in quotes"
}

// messages are the errors joined in err, one by one.
func messages(err error) []string {
	if err == nil {
		return nil
	}
	return strings.Split(err.Error(), "\n")
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
