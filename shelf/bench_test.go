package shelf

import (
	"database/sql"
	"fmt"
	"path/filepath"
	"strings"
	"testing"
)

// big is a shelf of 100,000 files, made once for all benchmarks.
var big *Shelf

func bigShelf(b *testing.B) *Shelf {
	b.Helper()
	if big != nil {
		return big
	}
	dir := b.TempDir()
	s, err := Open(b.Context(), filepath.Join(dir, "shelf.sqlite"), Options{Now: at(day), NoBackup: true})
	if err != nil {
		b.Fatal(err)
	}
	words := []string{"heron", "tide", "lantern", "marsh", "bittern", "sedge", "curlew", "reed", "oyster", "dunlin", "knot", "sand", "egret", "plover"}
	const lot = 1000
	for l := range 100_000 / lot {
		err := s.change(b.Context(), func(tx *sql.Tx) error {
			for i := range lot {
				n := l*lot + i
				name := fmt.Sprintf("/archive/box%02d/%s%05d.%s", n%97, words[n%len(words)], n, []string{"cmd", "bas", "txt"}[n%3])
				f := Examine(name, []byte(strings.Repeat(name+"\r", 4)))
				if _, err := s.putFile(b.Context(), tx, &f, []string{name}); err != nil {
					return err
				}
			}
			return nil
		})
		if err != nil {
			b.Fatal(err)
		}
	}
	return s
}

// BenchmarkShelf fills a shelf with 100,000 files and measures what a person waits for.
func BenchmarkShelf(b *testing.B) {
	s := bigShelf(b)
	defer s.Close()
	for _, q := range []string{"h", "he", "heron", "heron00", "b", "box17 tide", "archive", "a b c", "tide04321", "nothing"} {
		b.Run("search="+strings.ReplaceAll(q, " ", "_"), func(b *testing.B) {
			for b.Loop() {
				if _, _, err := s.Search(b.Context(), q, 50); err != nil {
					b.Fatal(err)
				}
			}
		})
	}
	b.Run("risk", func(b *testing.B) {
		for b.Loop() {
			if _, err := s.AtRisk(b.Context()); err != nil {
				b.Fatal(err)
			}
		}
	})
	b.Run("open", func(b *testing.B) {
		for b.Loop() {
			o, err := Open(b.Context(), s.Path(), Options{Now: at(day), NoBackup: true})
			if err != nil {
				b.Fatal(err)
			}
			o.Close()
		}
	})
	b.Run("near", func(b *testing.B) {
		for b.Loop() {
			if _, err := s.Near(b.Context(), 100); err != nil {
				b.Fatal(err)
			}
		}
	})
	b.Run("check", func(b *testing.B) {
		for b.Loop() {
			if err := s.Check(b.Context()); err != nil {
				b.Fatal(err)
			}
		}
	})
}

func BenchmarkAdd(b *testing.B) { // files of 4 KiB, 500 a transaction
	s, err := Open(b.Context(), filepath.Join(b.TempDir(), "shelf.sqlite"), Options{Now: at(day), NoBackup: true})
	if err != nil {
		b.Fatal(err)
	}
	defer s.Close()
	data := make([]byte, 4096)
	n := 0
	b.SetBytes(500 * 4096)
	for b.Loop() {
		err := s.change(b.Context(), func(tx *sql.Tx) error {
			for range 500 {
				n++
				copy(data, fmt.Sprintf("%d %[1]x %[1]o", n*7919))
				f := Examine(fmt.Sprint(n), data)
				if _, err := s.putFile(b.Context(), tx, &f, []string{fmt.Sprint("/a/", n)}); err != nil {
					return err
				}
			}
			return nil
		})
		if err != nil {
			b.Fatal(err)
		}
	}
}

func BenchmarkSketch(b *testing.B) {
	data := make([]byte, 1<<20)
	for i := range data {
		data[i] = byte(i * i >> 3)
	}
	b.SetBytes(int64(len(data)))
	for b.Loop() {
		sketch(data)
	}
}
