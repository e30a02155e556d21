// Package bag writes and checks BagIt bags (RFC 8493): folders that carry a payload with its digests, so that anybody
// can prove decades later, with no more than sha512sum, that nothing has changed.
//
// A bag is a folder with bagit.txt (two fixed lines), the payload under data/, one manifest-<algorithm>.txt a digest
// algorithm with a line `digest  data/path` for every payload file, tagmanifest-<algorithm>.txt the same for the files
// beside data/, and bag-info.txt with labelled values. Payload-Oxum is the payload's size as `octets.files`.
//
// Worked example (computed for the project's fact sheet, E5): a payload of data/abc.bin = "abc" gives the manifest line
//
//	ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad  data/abc.bin
//
// in manifest-sha256.txt (79 bytes with its LF) and `Payload-Oxum: 3.1`.
//
// Bags written here are the same bytes for the same payload and values; no date is written that was not given.
package bag

import (
	"bytes"
	"cmp"
	"crypto/sha256"
	"crypto/sha512"
	"encoding/hex"
	"errors"
	"fmt"
	"hash"
	"io"
	"os"
	"path"
	"path/filepath"
	"slices"
	"strings"

	"remanence/internal/outcome"
)

// Declaration is the whole of bagit.txt (RFC 8493, 2.1.1).
const Declaration = "BagIt-Version: 1.0\nTag-File-Character-Encoding: UTF-8\n"

// algorithms are those written, in this order: SHA-512 should be the default and SHA-256 must be known (RFC 8493, 2.4).
var algorithms = []struct {
	name string
	new  func() hash.Hash
}{
	{"sha512", sha512.New},
	{"sha256", sha256.New},
}

// Info is one line of bag-info.txt. Labels may repeat; their order is kept.
type Info struct{ Label, Value string }

// Entry is one payload file: Path is under data/, with slashes. Exactly one of Data and File is set.
type Entry struct {
	Path string
	Data []byte
	File string // copied from here
}

// Bag is what goes into a folder.
type Bag struct {
	Info    []Info // Payload-Oxum is added
	Payload []Entry
	Tags    []Entry // further tag files, paths from the bag's root outside data/
}

// digests are those of one file, by algorithm.
type digests map[string]string

// Write makes the bag as the new folder dir. It appears whole or not at all: it is built beside its place and renamed.
// An existing folder is refused unless force is set; then only one that is itself a bag, or empty, is replaced.
func (b *Bag) Write(dir string, force bool) error {
	if err := b.check(); err != nil {
		return outcome.As(outcome.Usage, err)
	}
	dir = filepath.Clean(dir)
	if err := replaceable(dir, force); err != nil {
		return err
	}
	if err := os.MkdirAll(filepath.Dir(dir), 0o777); err != nil {
		return outcome.As(outcome.Output, err)
	}
	tmp, err := os.MkdirTemp(filepath.Dir(dir), "."+filepath.Base(dir)+".part-*")
	if err != nil {
		return outcome.As(outcome.Output, err)
	}
	defer os.RemoveAll(tmp)
	if err := b.fill(tmp); err != nil {
		return outcome.As(outcome.Output, err)
	}
	if err := os.Chmod(tmp, 0o755); err != nil {
		return outcome.As(outcome.Output, err)
	}
	if _, err := os.Lstat(dir); err == nil {
		old := tmp + ".old"
		if err := os.Rename(dir, old); err != nil {
			return outcome.As(outcome.Output, err)
		}
		if err := os.Rename(tmp, dir); err != nil {
			return outcome.As(outcome.Output, errors.Join(err, os.Rename(old, dir)))
		}
		return outcome.As(outcome.Output, os.RemoveAll(old))
	}
	return outcome.As(outcome.Output, os.Rename(tmp, dir))
}

// replaceable reports why dir must not be replaced, nil where it may.
func replaceable(dir string, force bool) error {
	names, err := os.ReadDir(dir)
	switch {
	case errors.Is(err, os.ErrNotExist):
		return nil
	case err != nil:
		return outcome.As(outcome.Output, err)
	case len(names) == 0:
		return nil
	case !force:
		return outcome.Hint(outcome.Output, fmt.Errorf("%s: exists already", dir), "choose another folder, or say --force to replace a bag")
	}
	if _, err := os.Stat(filepath.Join(dir, "bagit.txt")); err != nil {
		return outcome.As(outcome.Output, fmt.Errorf("%s: is a folder but no bag (no bagit.txt); it is left alone", dir))
	}
	return nil
}

// check refuses paths that cannot stand in a bag.
func (b *Bag) check() error {
	seen := map[string]bool{}
	for _, e := range b.Payload {
		if err := CheckPath("data/" + e.Path); err != nil {
			return err
		}
	}
	for _, e := range b.Tags {
		if err := CheckPath(e.Path); err != nil {
			return err
		}
		if reserved(e.Path) || e.Path == "data" || strings.HasPrefix(e.Path, "data/") {
			return fmt.Errorf("%s: is not a name for a tag file", e.Path)
		}
	}
	for _, e := range append(slices.Clone(b.Payload), b.Tags...) {
		key := strings.ToLower(e.Path) // some file systems do not tell case
		if seen[key] {
			return fmt.Errorf("%s: twice in the bag", e.Path)
		}
		seen[key] = true
	}
	for _, i := range b.Info {
		if i.Label == "" || strings.ContainsAny(i.Label, ":\r\n") || i.Label != strings.TrimSpace(i.Label) {
			return fmt.Errorf("bag-info label %q: want words without a colon", i.Label)
		}
		if strings.EqualFold(i.Label, "Payload-Oxum") {
			return errors.New("bag-info: Payload-Oxum is written by itself")
		}
	}
	return nil
}

func reserved(p string) bool {
	return p == "bagit.txt" || p == "bag-info.txt" || p == "fetch.txt" || strings.HasPrefix(p, "manifest-") || strings.HasPrefix(p, "tagmanifest-")
}

// fill writes everything below dir.
func (b *Bag) fill(dir string) error {
	payload := slices.Clone(b.Payload)
	slices.SortFunc(payload, func(a, b Entry) int { return cmp.Compare(a.Path, b.Path) })
	if err := os.MkdirAll(filepath.Join(dir, "data"), 0o777); err != nil {
		return err
	}
	manifest := map[string]*bytes.Buffer{}
	tagManifest := map[string]*bytes.Buffer{}
	for _, a := range algorithms {
		manifest[a.name], tagManifest[a.name] = new(bytes.Buffer), new(bytes.Buffer)
	}
	octets := int64(0)
	for _, e := range payload {
		d, n, err := put(dir, "data/"+e.Path, e)
		if err != nil {
			return err
		}
		octets += n
		for _, a := range algorithms {
			fmt.Fprintf(manifest[a.name], "%s  %s\n", d[a.name], encodePath("data/"+e.Path))
		}
	}
	tags := slices.Clone(b.Tags)
	tags = append(tags, Entry{Path: "bagit.txt", Data: []byte(Declaration)}, Entry{Path: "bag-info.txt", Data: b.info(octets, len(payload))})
	for _, a := range algorithms {
		tags = append(tags, Entry{Path: "manifest-" + a.name + ".txt", Data: manifest[a.name].Bytes()})
	}
	slices.SortFunc(tags, func(a, b Entry) int { return cmp.Compare(a.Path, b.Path) })
	for _, e := range tags {
		d, _, err := put(dir, e.Path, e)
		if err != nil {
			return err
		}
		for _, a := range algorithms {
			fmt.Fprintf(tagManifest[a.name], "%s  %s\n", d[a.name], encodePath(e.Path))
		}
	}
	for _, a := range algorithms {
		name := "tagmanifest-" + a.name + ".txt"
		if _, _, err := put(dir, name, Entry{Data: tagManifest[a.name].Bytes()}); err != nil {
			return err
		}
	}
	return nil
}

// info is bag-info.txt. Values are one line each: line ends inside become blanks, and long ones are continued on
// indented lines (RFC 8493, 2.2.2).
func (b *Bag) info(octets int64, files int) []byte {
	var out bytes.Buffer
	for _, i := range append(slices.Clone(b.Info), Info{"Payload-Oxum", fmt.Sprintf("%d.%d", octets, files)}) {
		line := i.Label + ":"
		for _, w := range strings.Fields(i.Value) {
			if len(line)+1+len(w) > 79 && strings.TrimSpace(line) != "" && !strings.HasSuffix(line, ":") {
				out.WriteString(line + "\n")
				line = " "
			}
			line += " " + w
		}
		out.WriteString(line + "\n")
	}
	return out.Bytes()
}

// put writes one file below dir and gives its digests and length.
func put(dir, name string, e Entry) (digests, int64, error) {
	p := filepath.Join(dir, filepath.FromSlash(name))
	if err := os.MkdirAll(filepath.Dir(p), 0o777); err != nil {
		return nil, 0, err
	}
	f, err := os.OpenFile(p, os.O_WRONLY|os.O_CREATE|os.O_EXCL, 0o644)
	if err != nil {
		return nil, 0, err
	}
	defer f.Close()
	var src io.Reader = bytes.NewReader(e.Data)
	if e.File != "" {
		in, err := os.Open(e.File)
		if err != nil {
			return nil, 0, outcome.As(outcome.Input, err)
		}
		defer in.Close()
		src = in
	}
	d, n, err := digest(io.TeeReader(src, f))
	if err != nil {
		return nil, 0, fmt.Errorf("%s: %w", name, err)
	}
	return d, n, errors.Join(f.Sync(), f.Close())
}

// digest reads r to its end.
func digest(r io.Reader) (digests, int64, error) {
	hs := make([]hash.Hash, len(algorithms))
	ws := make([]io.Writer, len(algorithms))
	for i, a := range algorithms {
		hs[i] = a.new()
		ws[i] = hs[i]
	}
	n, err := io.Copy(io.MultiWriter(ws...), r)
	d := digests{}
	for i, a := range algorithms {
		d[a.name] = hex.EncodeToString(hs[i].Sum(nil))
	}
	return d, n, err
}

// encodePath writes LF, CR and % as in a manifest, and nothing else (RFC 8493, 2.1.3).
func encodePath(p string) string {
	return strings.NewReplacer("%", "%25", "\n", "%0A", "\r", "%0D").Replace(p)
}

// decodePath is the way back. Other escapes stay as they are: only these three are defined.
func decodePath(p string) string {
	return strings.NewReplacer("%25", "%", "%0A", "\n", "%0a", "\n", "%0D", "\r", "%0d", "\r").Replace(p)
}

// CheckPath refuses paths that leave the bag or that mean something to a shell or another system (RFC 8493, 5.1).
func CheckPath(p string) error {
	bad := func(why string) error { return fmt.Errorf("path %q: %s", p, why) }
	switch {
	case p == "":
		return bad("is empty")
	case strings.ContainsRune(p, 0):
		return bad("holds a zero byte")
	case strings.HasPrefix(p, "/") || strings.Contains(p, `\`):
		return bad("must be relative, with / between folders")
	case strings.HasPrefix(p, "~"):
		return bad("begins with ~")
	case len(p) > 1 && p[1] == ':':
		return bad("begins with a drive letter")
	case len(p) > 4096:
		return bad("is longer than 4096 bytes")
	}
	for part := range strings.SplitSeq(p, "/") {
		if part == ".." || part == "." || part == "" {
			return bad("holds a part that is empty, . or ..")
		}
		if part == "~" || len(part) > 1 && part[1] == ':' {
			return bad("holds a drive letter or ~")
		}
	}
	if path.Clean(p) != p {
		return bad("is not in its shortest form")
	}
	return nil
}
