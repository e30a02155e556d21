// Package shelf is the catalogue and the log: which files there are, which masters were made of them, which physical
// media carry them, and every attempt to write or read one.
//
// A file is known by the SHA-256 of its content, whatever it is called and wherever it lies; the paths at which it was
// seen are remembered. A master is a verified image or recording; a medium is one physical disk or cassette, known by
// the number on its label; a run is one attempt to write, read or verify it, with the equipment and what came of it.
// From these four everything else is computed: on which media a program is, when it was last read, what has no second
// copy, and where the margin falls from run to run - which is how a medium announces its end.
//
// The catalogue is one SQLite file in write-ahead mode: a transaction is in it whole or not at all, whatever kills the
// process, and several processes may use it at once. Before its shape is changed, and on the first change of a day, a
// dated copy is kept beside it.
//
// Worked example: TIDES.BAS is on disk SCC-0012, read on 1 March with a margin of 45 % and a year later with 28 %.
//
//	s, err := shelf.Open(ctx, "shelf.sqlite", shelf.Options{})
//	s.AddFile(ctx, "archive/TIDES.BAS", data)
//	s.Log(ctx, shelf.Run{Medium: "SCC-0012", Kind: shelf.Read, Outcome: shelf.Good, Margin: 0.28, At: ...})
//	r, err := s.AtRisk(ctx)   // SCC-0012: margin fell from 45 % to 28 %; TIDES.BAS: one copy only
package shelf

import (
	"context"
	"database/sql"
	"encoding/binary"
	"errors"
	"fmt"
	"io"
	"net/url"
	"os"
	"path/filepath"
	"strings"
	"time"

	"modernc.org/sqlite" // also the driver "sqlite"

	"remanence/internal/outcome"
	"remanence/program"
)

// Options say how a shelf is opened. The zero value is right for people.
type Options struct {
	Now       func() time.Time // nil: the clock
	NoBackup  bool             // leave out the day's copy
	NoCheck   bool             // leave out the integrity check at start
	BusyWait  time.Duration    // how long to wait for another process; 0: 30 s
	MustExist bool             // fail where there is no shelf yet

	Recognizers []program.Recognizer // forms that inspect is told of, so that the shelf says of a file what inspect says
}

// Shelf is an open catalogue. It may be used by several goroutines at once.
type Shelf struct {
	db   *sql.DB
	path string
	now  func() time.Time
	o    Options
}

// applicationID marks the file as a shelf (SQLite's application_id): "RMNC".
const applicationID = 0x524D4E43

// Open opens the shelf at path, making it if need be; it is brought to the present schema and checked. The check is
// SQLite's own: the quick one at each start of a shelf up to 4 MiB (larger ones would make a search wait), the whole one
// where the last whole check is more than a day old, or more than an hour and some process did not close the shelf or
// has it open.
func Open(ctx context.Context, path string, o Options) (*Shelf, error) {
	if o.Now == nil {
		o.Now = time.Now
	}
	if o.BusyWait == 0 {
		o.BusyWait = 30 * time.Second
	}
	st, err := os.Stat(path)
	switch {
	case err == nil && st.IsDir():
		return nil, outcome.As(outcome.Input, fmt.Errorf("%s: is a folder, want the file of a shelf", path))
	case errors.Is(err, os.ErrNotExist) && o.MustExist:
		return nil, outcome.Hint(outcome.Input, fmt.Errorf("%s: there is no shelf yet", path), "say 'remanence shelf add FOLDER' to begin one")
	case errors.Is(err, os.ErrNotExist):
		if err := os.MkdirAll(filepath.Dir(path), 0o777); err != nil {
			return nil, outcome.As(outcome.Output, err)
		}
	case err != nil:
		return nil, outcome.As(outcome.Input, err)
	}
	if err == nil && st.Size() > 0 {
		if err := recognise(path); err != nil {
			return nil, err
		}
	}
	unclean := false
	if w, err := os.Stat(path + "-wal"); err == nil && w.Size() > 0 {
		unclean = true
	}
	q := url.Values{}
	q.Set("_txlock", "immediate") // a transaction that will write says so at once: no upgrade, no deadlock
	for _, p := range []string{
		fmt.Sprintf("busy_timeout(%d)", o.BusyWait.Milliseconds()), "journal_mode(WAL)", "synchronous(FULL)", "foreign_keys(1)",
		"trusted_schema(0)", "cell_size_check(1)", "cache_size(-16000)", "temp_store(2)",
	} {
		q.Add("_pragma", p)
	}
	abs, err := filepath.Abs(path)
	if err != nil {
		return nil, outcome.As(outcome.Input, err)
	}
	db, err := sql.Open("sqlite", "file:"+(&url.URL{Path: filepath.ToSlash(abs)}).EscapedPath()+"?"+q.Encode())
	if err != nil {
		return nil, outcome.As(outcome.Input, fmt.Errorf("%s: %w", path, err))
	}
	db.SetMaxOpenConns(4)
	s := &Shelf{db: db, path: path, now: o.Now, o: o}
	if err := s.start(ctx, unclean); err != nil {
		db.Close()
		return nil, err
	}
	return s, nil
}

// recognise refuses a file that is no SQLite file, or that of another program, before SQLite touches it. Where there is
// a write-ahead log the mark may still be in that, and a file of one page has no tables: start looks again.
func recognise(path string) error {
	f, err := os.Open(path)
	if err != nil {
		return outcome.As(outcome.Input, err)
	}
	defer f.Close()
	head := make([]byte, 100) // SQLite's file format, 1.3: the header is 100 bytes, the application id at 68
	if _, err := io.ReadFull(f, head); err != nil || string(head[:16]) != "SQLite format 3\x00" {
		return outcome.As(outcome.Input, fmt.Errorf("%s: byte 0: no shelf: want an SQLite 3 file", path))
	}
	st, err := f.Stat()
	if err != nil {
		return outcome.As(outcome.Input, err)
	}
	if app := binary.BigEndian.Uint32(head[68:]); app != applicationID && st.Size() > 4096 {
		if w, err := os.Stat(path + "-wal"); err != nil || w.Size() == 0 {
			return otherProgram(path, app)
		}
	}
	return nil
}

func otherProgram(path string, app uint32) error {
	return outcome.As(outcome.Input, fmt.Errorf("%s: an SQLite file of another program (application id %#x, want %#x)", path, app, applicationID))
}

func (s *Shelf) start(ctx context.Context, unclean bool) error {
	var version int
	var app uint32
	if err := s.db.QueryRowContext(ctx, "PRAGMA user_version").Scan(&version); err != nil {
		return s.wrap(err)
	}
	if err := s.db.QueryRowContext(ctx, "PRAGMA application_id").Scan(&app); err != nil {
		return s.wrap(err)
	}
	var tables int
	if err := s.db.QueryRowContext(ctx, "SELECT count(*) FROM sqlite_master").Scan(&tables); err != nil {
		return s.wrap(err)
	}
	if app != applicationID && (tables > 0 || version != 0) {
		return otherProgram(s.path, app)
	}
	if version > len(migrations) {
		return outcome.As(outcome.Input, fmt.Errorf("%s: schema version %d, this program knows %d at most; a newer remanence wrote it", s.path, version, len(migrations)))
	}
	if !s.o.NoCheck && tables > 0 {
		if err := s.checkAtStart(ctx, version, unclean); err != nil {
			return err
		}
	}
	if version < len(migrations) {
		if version > 0 {
			if err := s.backup(ctx, fmt.Sprintf("before-version-%d-", len(migrations))); err != nil {
				return err
			}
		}
		if err := s.migrate(ctx); err != nil {
			return err
		}
	}
	return nil
}

// checkAtStart runs SQLite's check, the whole one where that is due.
func (s *Shelf) checkAtStart(ctx context.Context, version int, unclean bool) error {
	whole := true
	if version >= 1 {
		var last string
		if err := s.db.QueryRowContext(ctx, "SELECT value FROM meta WHERE key = 'checked'").Scan(&last); err != nil && !errors.Is(err, sql.ErrNoRows) {
			return s.wrap(err)
		}
		t, err := time.Parse(time.RFC3339, last)
		age := s.now().Sub(t)
		whole = err != nil || age > 24*time.Hour || age < 0 || unclean && age > time.Hour
	}
	if !whole {
		if st, err := os.Stat(s.path); err == nil && st.Size() > 4<<20 {
			return nil
		}
		return s.check(ctx, "PRAGMA quick_check(5)")
	}
	if err := s.Check(ctx); err != nil {
		return err
	}
	if version < 1 {
		return nil
	}
	_, err := s.db.ExecContext(ctx, "INSERT INTO meta(key, value) VALUES('checked', ?) ON CONFLICT(key) DO UPDATE SET value = excluded.value", s.stamp())
	return s.wrap(err)
}

// Check runs SQLite's whole integrity check and the one of foreign keys.
func (s *Shelf) Check(ctx context.Context) error {
	if err := s.check(ctx, "PRAGMA integrity_check(5)"); err != nil {
		return err
	}
	rows, err := s.db.QueryContext(ctx, "PRAGMA foreign_key_check")
	if err != nil {
		return s.wrap(err)
	}
	defer rows.Close()
	if rows.Next() {
		return s.broken("a row refers to one that is not there")
	}
	return s.wrap(rows.Err())
}

func (s *Shelf) check(ctx context.Context, pragma string) error {
	rows, err := s.db.QueryContext(ctx, pragma)
	if err != nil {
		return s.broken(err.Error())
	}
	defer rows.Close()
	var said []string
	for rows.Next() {
		var line string
		if err := rows.Scan(&line); err != nil {
			return s.wrap(err)
		}
		if line != "ok" {
			said = append(said, line)
		}
	}
	if err := rows.Err(); err != nil {
		return s.broken(err.Error())
	}
	if len(said) > 0 {
		return s.broken(strings.Join(said, "; "))
	}
	return nil
}

func (s *Shelf) broken(what string) error {
	return outcome.Hint(outcome.Input, fmt.Errorf("%s: the shelf's file is damaged: %s", s.path, what),
		fmt.Sprintf("keep it, and copy the newest file of %s over it; then add again what was added since", backupDir(s.path)))
}

// Close closes the shelf; the write-ahead log is folded in by the last process to close.
func (s *Shelf) Close() error { return s.wrap(s.db.Close()) }

// Path is where the shelf lies.
func (s *Shelf) Path() string { return s.path }

// stamp is the time now as it is kept: UTC, seconds.
func (s *Shelf) stamp() string { return s.now().UTC().Format(time.RFC3339) }

// wrap names the file in an error of the data base.
func (s *Shelf) wrap(err error) error {
	if err == nil {
		return nil
	}
	if errors.Is(err, context.Canceled) || errors.Is(err, context.DeadlineExceeded) {
		return err
	}
	return outcome.As(outcome.Output, fmt.Errorf("%s: %w", s.path, err))
}

// change runs f in one transaction, after the day's backup.
func (s *Shelf) change(ctx context.Context, f func(tx *sql.Tx) error) error {
	if err := s.daily(ctx); err != nil {
		return err
	}
	tx, err := s.db.BeginTx(ctx, nil)
	if err != nil {
		return s.wrap(err)
	}
	defer tx.Rollback()
	if err := f(tx); err != nil {
		if se := (*sqlite.Error)(nil); errors.As(err, &se) {
			return s.wrap(err)
		}
		return err // a fault of the caller's data, which names its own place
	}
	return s.wrap(tx.Commit())
}
