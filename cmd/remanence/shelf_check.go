package main

import (
	"context"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"strings"

	"remanence/internal/bag"
	"remanence/internal/outcome"
	"remanence/internal/words"
	"remanence/master"
	"remanence/shelf"
)

type shelfCheckCmd struct {
	Folders []string `arg:"" optional:"" type:"path" help:"Folders that make wrote, or bags (RFC 8493). Without any, the shelf's own file."`
}

func (shelfCheckCmd) Help() string {
	return `Without a folder: runs SQLite's whole integrity check, and lists the dated copies. With folders: reads every file in them
again and compares it with the SHA-256 in manifest.json, or with the manifests of the bag. Exit status 1: something has
changed or is missing.

Examples:
  remanence shelf check
  remanence shelf check masters/ rescued-bag/`
}

func (c *shelfCheckCmd) Run(env *Env, all *commands) error {
	if len(c.Folders) > 0 {
		return c.folders(env)
	}
	return all.Shelf.with(env, true, func(ctx context.Context, s *shelf.Shelf) error {
		if err := s.Check(ctx); err != nil {
			return err
		}
		b, err := s.Backups()
		if err != nil {
			return outcome.As(outcome.Input, err)
		}
		return env.Report(map[string]any{"whole": true, "shelf": s.Path(), "backups": append([]string{}, b...)}, func() {
			env.Printf("%s is whole.\n", s.Path())
			for _, n := range b {
				env.Printf("  copy: %s\n", n)
			}
		})
	})
}

// checkedFolder is what came of one folder.
type checkedFolder struct {
	Folder string              `json:"folder"`
	Form   string              `json:"form"` // masters, bag
	Files  int                 `json:"files"`
	Whole  bool                `json:"whole"`
	Faults []master.Difference `json:"faults"`
}

func (c *shelfCheckCmd) folders(env *Env) error {
	rep := struct {
		Whole   bool            `json:"whole"`
		Folders []checkedFolder `json:"folders"`
	}{Whole: true}
	for _, dir := range c.Folders {
		f, err := checkFolder(env, dir)
		if err != nil {
			return err
		}
		rep.Whole = rep.Whole && f.Whole
		rep.Folders = append(rep.Folders, *f)
	}
	if err := env.Report(rep, func() {
		for _, f := range rep.Folders {
			if f.Whole {
				env.Printf("%s: %s as written.\n", f.Folder, words.Count(f.Files, "file"))
				continue
			}
			env.Printf("%s: %s, %s:\n", f.Folder, words.Count(f.Files, "file"), words.Count(len(f.Faults), "fault"))
			for _, d := range f.Faults {
				env.Printf("  %s\n", strings.TrimSpace(d.Path+" "+d.What))
			}
		}
	}); err != nil {
		return err
	}
	if !rep.Whole {
		return outcome.ErrIncomplete
	}
	return nil
}

func checkFolder(env *Env, dir string) (*checkedFolder, error) {
	f := &checkedFolder{Folder: dir, Form: "masters", Faults: []master.Difference{}}
	if _, err := os.Stat(filepath.Join(dir, "bagit.txt")); err == nil {
		f.Form = "bag"
		content, err := bag.Validate(env.Context, dir, env.Progress())
		if errors.Is(err, context.Canceled) {
			return nil, err
		}
		f.Files = len(content.Files)
		if err != nil {
			for _, line := range strings.Split(err.Error(), "\n") {
				f.Faults = append(f.Faults, master.Difference{What: line})
			}
		}
	} else if _, err := os.Stat(filepath.Join(dir, "manifest.json")); err == nil {
		n, wrong, err := master.Check(env.Context, dir, env.Progress())
		if err != nil {
			return nil, err
		}
		f.Files, f.Faults = n, append(f.Faults, wrong...)
	} else {
		return nil, outcome.Hint(outcome.Input, fmt.Errorf("%s: holds neither manifest.json nor bagit.txt", dir), "name a folder that 'make' wrote, or a bag")
	}
	f.Whole = len(f.Faults) == 0
	return f, nil
}
