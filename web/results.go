package web

import (
	"cmp"
	"compress/gzip"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"regexp"
	"slices"
	"strings"
	"sync"
	"time"
)

// Limits of results/ in the working folder. A disk of 160 tracks takes 0.2 to
// 1.7 MB there, most of it its image.
const (
	maxResults        = 200
	maxResultsBytes   = 256 << 20 // packed, all together
	maxResultUnpacked = 64 << 20  // one
)

// results keeps what came of long work as files in the working folder, packed JSON, so that it is there after the server
// was started again and takes no memory. Names are KIND-KEY.json.gz. The oldest go when there are too many.
type results struct {
	mu       sync.Mutex
	root     *os.Root
	most     int // 0: maxResults
	mostSize int64
}

var resultKey = regexp.MustCompile(`^[A-Za-z0-9][A-Za-z0-9_-]{0,100}$`)

func resultName(kind, key string) (string, error) {
	if !resultKey.MatchString(key) {
		return "", fmt.Errorf("%q is no result: %w", key, fs.ErrNotExist)
	}
	return "results/" + kind + "-" + key + ".json.gz", nil
}

// put stores a result whole or not at all, replacing an older one of its key.
func (r *results) put(kind, key string, v any) error {
	b, err := json.Marshal(v)
	if err != nil {
		return err
	}
	return r.putRaw(kind, key, b)
}

// putRaw is put of what is JSON already.
func (r *results) putRaw(kind, key string, b []byte) error {
	name, err := resultName(kind, key)
	if err != nil {
		return err
	}
	r.mu.Lock()
	defer r.mu.Unlock()
	if err := r.root.Mkdir("results", 0o700); err != nil && !errors.Is(err, fs.ErrExist) {
		return bare(err)
	}
	part := name + ".part"
	f, err := r.root.OpenFile(part, os.O_CREATE|os.O_TRUNC|os.O_WRONLY, 0o600)
	if err != nil {
		return bare(err)
	}
	z, _ := gzip.NewWriterLevel(f, gzip.BestSpeed) // a level of the package's own
	_, err = z.Write(b)
	err = errors.Join(err, z.Close(), f.Sync(), f.Close())
	if err == nil {
		err = r.root.Rename(part, name)
	}
	if err != nil {
		r.root.Remove(part)
		return bare(err)
	}
	r.thin(name)
	return nil
}

// thin removes the oldest results beyond the bounds; the one just written stays.
func (r *results) thin(keep string) {
	type file struct {
		name string
		info fs.FileInfo
	}
	entries, _ := fs.ReadDir(r.root.FS(), "results") // none: nothing to remove
	var files []file
	total := int64(0)
	for _, e := range entries {
		info, err := e.Info()
		if err != nil || !info.Mode().IsRegular() {
			continue
		}
		name := "results/" + e.Name()
		if strings.HasSuffix(name, ".part") { // of a server that was stopped while it wrote
			r.root.Remove(name)
			continue
		}
		total += info.Size()
		if name != keep {
			files = append(files, file{name, info})
		}
	}
	slices.SortFunc(files, func(a, b file) int {
		return cmp.Or(a.info.ModTime().Compare(b.info.ModTime()), cmp.Compare(a.name, b.name))
	})
	for len(files) > 0 && (len(files)+1 > cmp.Or(r.most, maxResults) || total > cmp.Or(r.mostSize, maxResultsBytes)) {
		r.root.Remove(files[0].name)
		total -= files[0].info.Size()
		files = files[1:]
	}
}

// get reads a result. The error is fs.ErrNotExist where there is none of that key.
func (r *results) get(kind, key string, into any) error {
	name, err := resultName(kind, key)
	if err != nil {
		return err
	}
	f, err := r.root.Open(name)
	if err != nil {
		return err
	}
	defer f.Close()
	z, err := gzip.NewReader(f)
	if err != nil {
		return fmt.Errorf("%s: %w", name, err)
	}
	l := &io.LimitedReader{R: z, N: maxResultUnpacked}
	if err := json.NewDecoder(l).Decode(into); err != nil {
		if l.N <= 0 {
			err = fmt.Errorf("more than %d bytes unpacked", maxResultUnpacked)
		}
		return fmt.Errorf("%s: %w", name, err)
	}
	return nil
}

// about is what a list says of a result: its first fields, which every kind of result begins with.
type about struct {
	Kind, Key, Title, Save string
	Files                  []string
	When                   time.Time
}

// maxAbout bounds how much of a result is unpacked for the list.
const maxAbout = 1 << 20

// about reads the beginning of a result.
func (r *results) about(kind, key string) (*about, error) {
	name, err := resultName(kind, key)
	if err != nil {
		return nil, err
	}
	f, err := r.root.Open(name)
	if err != nil {
		return nil, bare(err)
	}
	defer f.Close()
	z, err := gzip.NewReader(f)
	if err != nil {
		return nil, fmt.Errorf("%s: %w", name, err)
	}
	a := &about{Kind: kind, Key: key}
	if info, err := f.Stat(); err == nil {
		a.When = info.ModTime()
	}
	d := json.NewDecoder(io.LimitReader(z, maxAbout))
	if _, err := d.Token(); err != nil {
		return nil, fmt.Errorf("%s: %w", name, err)
	}
	into := map[json.Token]any{"Title": &a.Title, "Recording": new(string), "Back": new(string), "Save": &a.Save, "Files": &a.Files}
	for d.More() {
		field, err := d.Token()
		if err != nil || into[field] == nil {
			break
		}
		if err := d.Decode(into[field]); err != nil {
			return nil, fmt.Errorf("%s: %w", name, err)
		}
	}
	return a, checkNames(append(slices.Clone(a.Files), a.Save)...)
}

// list gives what results there are, the newest first; what cannot be read is left out.
func (r *results) list() (out []*about) {
	entries, _ := fs.ReadDir(r.root.FS(), "results") // none: an empty list
	for _, e := range entries {
		name, ok := strings.CutSuffix(e.Name(), ".json.gz")
		kind, key, ok2 := strings.Cut(name, "-")
		if !ok || !ok2 || !e.Type().IsRegular() {
			continue
		}
		if a, err := r.about(kind, key); err == nil {
			out = append(out, a)
		}
	}
	slices.SortStableFunc(out, func(a, b *about) int { return b.When.Compare(a.When) })
	return out
}

// remove removes a result; one that is not there is removed already.
func (r *results) remove(kind, key string) error {
	name, err := resultName(kind, key)
	if err != nil {
		return err
	}
	if err := r.root.Remove(name); err != nil && !errors.Is(err, fs.ErrNotExist) {
		return bare(err)
	}
	return nil
}

// has reports whether there is a result of that key.
func (r *results) has(kind, key string) bool {
	name, err := resultName(kind, key)
	if err != nil {
		return false
	}
	info, err := r.root.Stat(name)
	return err == nil && info.Mode().IsRegular()
}
