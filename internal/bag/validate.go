package bag

import (
	"bytes"
	"context"
	"crypto/md5"
	"crypto/sha1"
	"crypto/sha256"
	"crypto/sha512"
	"encoding/hex"
	"errors"
	"fmt"
	"hash"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"unicode/utf8"

	"remanence/internal/progress"
)

// Limits on what is read of a foreign bag.
const (
	maxTagBytes = 64 << 20
	maxFiles    = 1 << 20
)

// known are the digests that can be checked; MD5 and SHA-1 only because old bags have them (RFC 8493, 2.4).
var known = map[string]func() hash.Hash{"sha512": sha512.New, "sha256": sha256.New, "sha1": sha1.New, "md5": md5.New}

// Content is a bag that was read.
type Content struct {
	Version string
	Info    []Info
	Files   map[string]digests // payload path from the bag's root: its digests
	Octets  int64
}

// Validate reads the bag in dir and checks everything RFC 8493 asks of a valid one: the declaration, complete and
// consistent manifests, every digest, and Payload-Oxum. The error joins all faults found; what could be read is given
// back with it.
func Validate(ctx context.Context, dir string, p progress.Progress) (*Content, error) {
	p = progress.Or(p)
	c := &Content{Files: map[string]digests{}}
	var errs []error
	fault := func(err error) {
		if err != nil && len(errs) < 1000 {
			errs = append(errs, err)
		}
	}
	fault(c.declaration(dir))
	payload, tags, err := list(dir)
	fault(err)
	manifests, tagManifests := 0, 0
	for _, t := range tags {
		switch alg, kind := manifestName(t); kind {
		case "manifest":
			manifests++
			fault(c.manifest(dir, t, alg, payload))
		case "tagmanifest":
			tagManifests++
			fault(checkTags(dir, t, alg))
		}
	}
	if manifests == 0 {
		fault(errors.New("no manifest-<algorithm>.txt"))
	}
	if slices.Contains(tags, "fetch.txt") {
		fault(errors.New("fetch.txt: files that are elsewhere are not fetched; the bag is not complete"))
	}
	if slices.Contains(tags, "bag-info.txt") {
		fault(c.readInfo(dir))
	}
	p.Start("checking digests", len(payload))
	defer p.Done()
	for _, f := range payload {
		if err := ctx.Err(); err != nil {
			return c, err
		}
		n, err := c.verify(dir, f)
		fault(err)
		c.Octets += n
		p.Step(1, f)
	}
	for _, i := range c.Info {
		if strings.EqualFold(i.Label, "Payload-Oxum") {
			fault(checkOxum(i.Value, c.Octets, len(payload)))
		}
	}
	return c, errors.Join(errs...)
}

// declaration checks bagit.txt: exactly its two lines, UTF-8, no byte order mark.
func (c *Content) declaration(dir string) error {
	b, err := readTag(dir, "bagit.txt")
	if err != nil {
		return err
	}
	if bytes.HasPrefix(b, []byte("\xEF\xBB\xBF")) {
		return errors.New("bagit.txt: begins with a byte order mark")
	}
	lines := splitLines(string(b))
	if len(lines) != 2 {
		return fmt.Errorf("bagit.txt: %d lines, want exactly 2", len(lines))
	}
	v, ok := strings.CutPrefix(lines[0], "BagIt-Version: ")
	if !ok || !regexp.MustCompile(`^\d+\.\d+$`).MatchString(v) {
		return fmt.Errorf("bagit.txt:1: want \"BagIt-Version: 1.0\", found %.60q", lines[0])
	}
	c.Version = v
	e, ok := strings.CutPrefix(lines[1], "Tag-File-Character-Encoding: ")
	if !ok || !strings.EqualFold(e, "UTF-8") {
		return fmt.Errorf("bagit.txt:2: want \"Tag-File-Character-Encoding: UTF-8\", found %.60q", lines[1])
	}
	return nil
}

// list is every file of the bag, payload and others, by path. Links and devices are refused: what they point to may
// change, or lie outside.
func list(dir string) (payload, tags []string, err error) {
	var errs []error
	err = filepath.WalkDir(dir, func(p string, d fs.DirEntry, err error) error {
		if err != nil {
			return err
		}
		if d.IsDir() {
			return nil
		}
		rel, err := filepath.Rel(dir, p)
		if err != nil {
			return err
		}
		rel = filepath.ToSlash(rel)
		if !d.Type().IsRegular() {
			errs = append(errs, fmt.Errorf("%s: is not a plain file", rel))
			return nil
		}
		if strings.HasPrefix(rel, "data/") {
			payload = append(payload, rel)
		} else {
			tags = append(tags, rel)
		}
		if len(payload)+len(tags) > maxFiles {
			return fmt.Errorf("more than %d files", maxFiles)
		}
		return nil
	})
	if st, e := os.Stat(filepath.Join(dir, "data")); err == nil && (e != nil || !st.IsDir()) {
		errs = append(errs, errors.New("no folder data/"))
	}
	return payload, tags, errors.Join(append(errs, err)...)
}

var manifestPattern = regexp.MustCompile(`^(tag)?manifest-([a-z0-9]+)\.txt$`)

// manifestName takes the algorithm out of a manifest's name.
func manifestName(name string) (algorithm, kind string) {
	m := manifestPattern.FindStringSubmatch(name)
	if m == nil {
		return "", ""
	}
	return m[2], m[1] + "manifest"
}

// entries reads the lines of a manifest and calls f for each; faults carry the line.
func entries(dir, name, algorithm string, f func(path, digest string) error) error {
	b, err := readTag(dir, name)
	if err != nil {
		return err
	}
	return parseManifest(b, name, algorithm, f)
}

// parseManifest is entries on the manifest's bytes.
func parseManifest(b []byte, name, algorithm string, f func(path, digest string) error) error {
	newHash := known[algorithm]
	if newHash == nil {
		return fmt.Errorf("%s: digest %q is not known here; the others are checked", name, algorithm)
	}
	size := newHash().Size()
	seen := map[string]bool{}
	var errs []error
	for i, line := range splitLines(string(b)) {
		err := func() error {
			digest, p, ok := strings.Cut(strings.Replace(line, "\t", " ", 1), " ")
			p = strings.TrimLeft(p, " \t")
			raw, hexErr := hex.DecodeString(digest)
			if !ok || p == "" || hexErr != nil || len(raw) != size {
				return fmt.Errorf("want a digest of %d hex digits, blanks and a path, found %.60q", 2*size, line)
			}
			p = decodePath(strings.TrimPrefix(p, "*")) // sha512sum's sign for binary, in old bags
			if err := CheckPath(p); err != nil {
				return err
			}
			if seen[p] {
				return fmt.Errorf("%s is listed twice", p)
			}
			seen[p] = true
			return f(p, strings.ToLower(digest))
		}()
		if err != nil {
			errs = append(errs, fmt.Errorf("%s:%d: %w", name, i+1, err))
			if len(errs) == 100 {
				break
			}
		}
	}
	return errors.Join(errs...)
}

// manifest reads one payload manifest: it must list every payload file, and nothing else.
func (c *Content) manifest(dir, name, algorithm string, payload []string) error {
	listed := map[string]bool{}
	err := entries(dir, name, algorithm, func(p, digest string) error {
		if !strings.HasPrefix(p, "data/") {
			return fmt.Errorf("%s lies outside data/", p)
		}
		listed[p] = true
		if c.Files[p] == nil {
			c.Files[p] = digests{}
		}
		c.Files[p][algorithm] = digest
		return nil
	})
	if known[algorithm] == nil {
		return err
	}
	errs := []error{err}
	for _, p := range payload {
		if !listed[p] {
			errs = append(errs, fmt.Errorf("%s: does not list %s", name, p))
		}
		delete(listed, p)
	}
	missing := make([]string, 0, len(listed))
	for p := range listed {
		missing = append(missing, p)
	}
	slices.Sort(missing)
	for _, p := range missing {
		errs = append(errs, fmt.Errorf("%s: lists %s, which is not there", name, p))
	}
	return errors.Join(errs...)
}

// checkTags checks a tag manifest: it lists every payload manifest, and neither tag manifests nor payload.
func checkTags(dir, name, algorithm string) error {
	listed := map[string]bool{}
	err := entries(dir, name, algorithm, func(p, digest string) error {
		if _, kind := manifestName(p); kind == "tagmanifest" || strings.HasPrefix(p, "data/") {
			return fmt.Errorf("%s does not belong in a tag manifest", p)
		}
		listed[p] = true
		got, _, err := sum(dir, p, known[algorithm]())
		if err == nil && got != digest {
			err = fmt.Errorf("%s: its %s is %s, the manifest says %s", p, algorithm, got, digest)
		}
		return err
	})
	errs := []error{err}
	if names, e := os.ReadDir(dir); e == nil && known[algorithm] != nil {
		for _, n := range names {
			if _, kind := manifestName(n.Name()); kind == "manifest" && !listed[n.Name()] {
				errs = append(errs, fmt.Errorf("%s: does not list %s", name, n.Name()))
			}
		}
	}
	return errors.Join(errs...)
}

// verify compares one payload file with all its digests, in one reading.
func (c *Content) verify(dir, p string) (int64, error) {
	f, err := os.Open(filepath.Join(dir, filepath.FromSlash(p)))
	if err != nil {
		return 0, err
	}
	defer f.Close()
	hs := map[string]hash.Hash{}
	var ws []io.Writer
	for a := range c.Files[p] {
		hs[a] = known[a]()
		ws = append(ws, hs[a])
	}
	n, err := io.Copy(io.MultiWriter(ws...), f)
	if err != nil {
		return n, fmt.Errorf("%s: %w", p, err)
	}
	var errs []error
	for _, a := range []string{"sha512", "sha256", "sha1", "md5"} {
		if h := hs[a]; h != nil {
			if got := hex.EncodeToString(h.Sum(nil)); got != c.Files[p][a] {
				errs = append(errs, fmt.Errorf("%s: its %s is %s, the manifest says %s", p, a, got, c.Files[p][a]))
			}
		}
	}
	return n, errors.Join(errs...)
}

func sum(dir, p string, h hash.Hash) (string, int64, error) {
	f, err := os.Open(filepath.Join(dir, filepath.FromSlash(p)))
	if err != nil {
		return "", 0, fmt.Errorf("%s: is listed but can't be read: %w", p, err)
	}
	defer f.Close()
	n, err := io.Copy(h, f)
	return hex.EncodeToString(h.Sum(nil)), n, err
}

// readInfo reads bag-info.txt.
func (c *Content) readInfo(dir string) error {
	b, err := readTag(dir, "bag-info.txt")
	if err != nil {
		return err
	}
	return c.parseInfo(b)
}

func (c *Content) parseInfo(b []byte) error {
	var errs []error
	oxum := 0
	for i, line := range splitLines(string(b)) {
		if n := len(c.Info); n > 0 && (strings.HasPrefix(line, " ") || strings.HasPrefix(line, "\t")) {
			c.Info[n-1].Value += " " + strings.TrimSpace(line)
			continue
		}
		label, value, ok := strings.Cut(line, ":")
		if !ok || strings.TrimSpace(label) == "" {
			errs = append(errs, fmt.Errorf("bag-info.txt:%d: want \"Label: value\", found %.60q", i+1, line))
			continue
		}
		label = strings.TrimSpace(label)
		if strings.EqualFold(label, "Payload-Oxum") {
			if oxum++; oxum == 2 {
				errs = append(errs, fmt.Errorf("bag-info.txt:%d: Payload-Oxum twice", i+1))
			}
		}
		c.Info = append(c.Info, Info{label, strings.TrimSpace(value)})
	}
	return errors.Join(errs...)
}

func checkOxum(v string, octets int64, files int) error {
	a, b, ok := strings.Cut(v, ".")
	o, err1 := strconv.ParseInt(a, 10, 64)
	n, err2 := strconv.ParseInt(b, 10, 64)
	if !ok || err1 != nil || err2 != nil {
		return fmt.Errorf("bag-info.txt: Payload-Oxum %.60q: want octets.files", v)
	}
	if o != octets || n != int64(files) {
		return fmt.Errorf("bag-info.txt: Payload-Oxum is %d.%d, the payload %d.%d", o, n, octets, files)
	}
	return nil
}

// readTag reads a tag file: UTF-8, of bounded length.
func readTag(dir, name string) ([]byte, error) {
	f, err := os.Open(filepath.Join(dir, name))
	if err != nil {
		if errors.Is(err, fs.ErrNotExist) {
			return nil, fmt.Errorf("no %s", name)
		}
		return nil, err
	}
	defer f.Close()
	b, err := io.ReadAll(io.LimitReader(f, maxTagBytes+1))
	if err == nil && len(b) > maxTagBytes {
		err = fmt.Errorf("more than %d bytes", maxTagBytes)
	}
	if err == nil && !utf8.Valid(b) {
		err = errors.New("is not UTF-8")
	}
	if err != nil {
		return nil, fmt.Errorf("%s: %w", name, err)
	}
	return b, nil
}

// splitLines takes LF, CR LF and CR as line ends, as the RFC does; the last may be missing.
func splitLines(s string) []string {
	s = strings.ReplaceAll(strings.ReplaceAll(s, "\r\n", "\n"), "\r", "\n")
	s = strings.TrimSuffix(s, "\n")
	if s == "" {
		return nil
	}
	return strings.Split(s, "\n")
}
