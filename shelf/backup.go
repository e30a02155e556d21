package shelf

import (
	"context"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strings"

	"remanence/internal/outcome"
)

// keepBackups is how many dated copies are kept; copies made before a change of version are kept besides.
const keepBackups = 14

// backupDir is where copies of a shelf are.
func backupDir(path string) string { return path + ".backups" }

// daily makes the day's copy before the first change of a day.
func (s *Shelf) daily(ctx context.Context) error {
	if s.o.NoBackup {
		return nil
	}
	return s.backup(ctx, "")
}

// backup copies the shelf as it is now to PREFIX + date, unless that is there. The copy appears whole or not at all.
func (s *Shelf) backup(ctx context.Context, prefix string) error {
	if s.o.NoBackup {
		return nil
	}
	dir := backupDir(s.path)
	name := filepath.Join(dir, prefix+s.now().UTC().Format("2006-01-02")+".sqlite")
	if _, err := os.Stat(name); err == nil {
		return nil
	}
	var tables int
	if err := s.db.QueryRowContext(ctx, "SELECT count(*) FROM sqlite_master").Scan(&tables); err != nil || tables == 0 {
		return s.wrap(err) // nothing to keep yet
	}
	if err := os.MkdirAll(dir, 0o777); err != nil {
		return outcome.As(outcome.Output, err)
	}
	tmp, err := os.CreateTemp(dir, ".part-*")
	if err != nil {
		return outcome.As(outcome.Output, err)
	}
	defer os.Remove(tmp.Name())
	if err := tmp.Close(); err != nil {
		return outcome.As(outcome.Output, err)
	}
	// SQLite writes a consistent copy, into an empty file, and other processes may go on
	if _, err := s.db.ExecContext(ctx, "VACUUM INTO ?", tmp.Name()); err != nil {
		return outcome.As(outcome.Output, fmt.Errorf("%s: the day's copy: %w", name, err))
	}
	if f, err := os.OpenFile(tmp.Name(), os.O_RDWR, 0); err == nil {
		err = errors.Join(f.Sync(), f.Close())
		if err != nil {
			return outcome.As(outcome.Output, fmt.Errorf("%s: %w", name, err))
		}
	}
	if err := os.Rename(tmp.Name(), name); err != nil {
		return outcome.As(outcome.Output, err)
	}
	return s.thinOut(dir)
}

// thinOut removes the oldest daily copies beyond keepBackups.
func (s *Shelf) thinOut(dir string) error {
	all, err := os.ReadDir(dir)
	if err != nil {
		return outcome.As(outcome.Output, err)
	}
	var daily []string
	for _, e := range all {
		if n := e.Name(); len(n) == len("2006-01-02.sqlite") && strings.HasSuffix(n, ".sqlite") && n[4] == '-' && n[7] == '-' {
			daily = append(daily, n)
		}
	}
	slices.Sort(daily)
	for len(daily) > keepBackups {
		if err := os.Remove(filepath.Join(dir, daily[0])); err != nil && !errors.Is(err, os.ErrNotExist) {
			return outcome.As(outcome.Output, err)
		}
		daily = daily[1:]
	}
	return nil
}

// Backups lists the copies there are, oldest first.
func (s *Shelf) Backups() ([]string, error) {
	all, err := filepath.Glob(filepath.Join(backupDir(s.path), "*.sqlite"))
	slices.Sort(all)
	return all, err
}
