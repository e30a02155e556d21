// Package safefile writes files that appear whole or not at all: temporary name, sync, rename. An existing file is
// kept unless the caller forces, and an output that is one of the inputs is refused.
package safefile

import (
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"

	"remanence/internal/outcome"
)

// File is an output under construction. Close without Commit leaves nothing behind.
type File struct {
	*os.File
	path  string
	force bool
	done  bool
}

// Create starts an output. Folders above it are made. It fails at once, before any work is done, where path exists
// and force is not set.
func Create(path string, force bool) (*File, error) {
	if !force {
		if _, err := os.Lstat(path); err == nil {
			return nil, outcome.Hint(outcome.Output, fmt.Errorf("%s: exists already", path), "choose another name, or say --force to replace it")
		}
	}
	dir := filepath.Dir(path)
	if err := os.MkdirAll(dir, 0o777); err != nil {
		return nil, outcome.As(outcome.Output, err)
	}
	f, err := os.CreateTemp(dir, "."+filepath.Base(path)+".part-*")
	if err != nil {
		return nil, outcome.As(outcome.Output, err)
	}
	return &File{File: f, path: path, force: force}, nil
}

// Commit makes the file appear under its name.
func (f *File) Commit() error {
	if f.done {
		return nil
	}
	f.done = true
	tmp := f.Name()
	err := errors.Join(f.Chmod(0o644), f.Sync(), f.File.Close())
	if err == nil {
		err = place(tmp, f.path, f.force)
	}
	if err != nil {
		os.Remove(tmp)
		return outcome.As(outcome.Output, fmt.Errorf("%s: %w", f.path, err))
	}
	if d, err := os.Open(filepath.Dir(f.path)); err == nil {
		_ = d.Sync() // makes the rename durable where the system can; others refuse to sync a folder
		d.Close()
	}
	return nil
}

// place renames, without replacing what another program made meanwhile unless force is set.
func place(tmp, path string, force bool) error {
	if force {
		return os.Rename(tmp, path)
	}
	if err := os.Link(tmp, path); err == nil {
		return os.Remove(tmp)
	} else if errors.Is(err, fs.ErrExist) {
		return err
	}
	if _, err := os.Lstat(path); err == nil { // file systems without hard links
		return fs.ErrExist
	}
	return os.Rename(tmp, path)
}

// Close gives the output up, unless it was committed.
func (f *File) Close() error {
	if f.done {
		return nil
	}
	f.done = true
	f.File.Close()
	return os.Remove(f.Name())
}

// WriteFile is Create, one Write and Commit.
func WriteFile(path string, data []byte, force bool) error {
	f, err := Create(path, force)
	if err != nil {
		return err
	}
	defer f.Close()
	if _, err := f.Write(data); err != nil {
		return outcome.As(outcome.Output, fmt.Errorf("%s: %w", path, err))
	}
	return f.Commit()
}

// Distinct refuses an output that is one of the inputs, under whatever name.
func Distinct(out string, inputs ...string) error {
	o, err := os.Stat(out)
	if err != nil {
		return nil
	}
	for _, in := range inputs {
		if i, err := os.Stat(in); err == nil && os.SameFile(i, o) {
			return outcome.As(outcome.Usage, fmt.Errorf("%s: is an input (%s); an original is never changed", out, in))
		}
	}
	return nil
}
