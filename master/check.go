package master

import (
	"bytes"
	"context"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"

	"remanence/internal/outcome"
	"remanence/internal/progress"
)

// maxManifest bounds what is read as a manifest, in bytes.
const maxManifest = 64 << 20

// Difference is a file that is not what the manifest says.
type Difference struct {
	Path string `json:"path"` // relative to the folder
	What string `json:"what"`
}

// Check compares the files in a folder that make wrote with sizes and SHA-256 sums in its manifest: a year later the same
// sums mean the same bytes. files is how many were compared. The error is of the manifest itself, of class Input.
func Check(ctx context.Context, dir string, p progress.Progress) (files int, wrong []Difference, err error) {
	root, err := os.OpenRoot(dir) // a path in a manifest leads nowhere else
	if err != nil {
		return 0, nil, outcome.As(outcome.Input, err)
	}
	defer root.Close()
	m, err := readManifest(root)
	if err != nil {
		return 0, nil, outcome.As(outcome.Input, fmt.Errorf("%s: %s: %w", dir, manifestName, err))
	}
	p = progress.Or(p)
	p.Start("check", len(m.Outputs))
	defer p.Done()
	for _, o := range m.Outputs {
		if err := ctx.Err(); err != nil {
			return files, wrong, err
		}
		if what := differs(root, o); what != "" {
			wrong = append(wrong, Difference{o.Path, what})
		}
		files++
		p.Step(1, o.Path)
	}
	return files, wrong, nil
}

func readManifest(root *os.Root) (*Manifest, error) {
	f, err := root.Open(manifestName)
	if err != nil {
		return nil, errors.Unwrap(err)
	}
	defer f.Close()
	b, err := io.ReadAll(io.LimitReader(f, maxManifest+1))
	if err != nil {
		return nil, err
	}
	return parseManifest(b)
}

func parseManifest(b []byte) (*Manifest, error) {
	if len(b) > maxManifest {
		return nil, fmt.Errorf("more than %d bytes", maxManifest)
	}
	var m struct {
		Version int      `json:"remanence-manifest"`
		Outputs []Output `json:"outputs"`
	}
	if err := json.NewDecoder(bytes.NewReader(b)).Decode(&m); err != nil {
		return nil, fmt.Errorf("no manifest: %w", err)
	}
	if m.Version != 1 {
		return nil, fmt.Errorf("remanence-manifest is %d, want 1", m.Version)
	}
	return &Manifest{Version: m.Version, Outputs: m.Outputs}, nil
}

// differs says how a file is not what was written; "" where it is.
func differs(root *os.Root, o Output) string {
	f, err := root.Open(o.Path)
	if errors.Is(err, fs.ErrNotExist) {
		return "is missing"
	}
	if err != nil {
		return fmt.Sprintf("cannot be read: %v", errors.Unwrap(err))
	}
	defer f.Close()
	h := sha256.New()
	n, err := io.Copy(h, f)
	switch sum := hex.EncodeToString(h.Sum(nil)); {
	case err != nil:
		return fmt.Sprintf("cannot be read beyond byte %d: %v", n, errors.Unwrap(err))
	case n != o.Size:
		return fmt.Sprintf("has %d bytes, the manifest says %d", n, o.Size)
	case sum != o.SHA256:
		return fmt.Sprintf("has the SHA-256 %.12s..., the manifest says %.12s...: a byte has changed", sum, o.SHA256)
	}
	return ""
}
