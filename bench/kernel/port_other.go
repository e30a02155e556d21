//go:build !(linux && (amd64 || 386))

package kernel

import "errors"

// Open says that this system's drives cannot be reached from here.
func Open(path string) (Port, error) {
	return nil, errors.New(path + ": drives are reached through the Linux floppy driver on amd64 and 386; use an adapter program or a remote bench here")
}

// Mounted has nothing to refuse where nothing can be opened.
func Mounted(string) error { return nil }
