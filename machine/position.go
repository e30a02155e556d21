package machine

import (
	"bytes"
	"fmt"
	"strconv"
	"strings"

	"github.com/pelletier/go-toml/v2/unstable"
)

// Positions knows the line of every key of a TOML file, so that a value that cannot be is reported where it stands.
// Keys are dotted; the n-th table of an array is "name n", from 1, as in "zone 1.cylinders".
type Positions struct {
	file  string
	lines map[string]int
}

// NewPositions indexes src. A file that does not parse gives the positions before the fault.
func NewPositions(file string, src []byte) *Positions {
	p := &Positions{file: file, lines: map[string]int{}}
	var parser unstable.Parser
	parser.Reset(src)
	line := func(n *unstable.Node) int {
		it := n.Key()
		for it.Next() {
			return 1 + bytes.Count(src[:it.Node().Raw.Offset], []byte("\n"))
		}
		return 1
	}
	// An array table's path is counted at every level: zone, then zone 1.track inside it.
	counts := map[string]int{}
	resolve := func(parts []string) string {
		path := ""
		for _, s := range parts {
			if path != "" {
				path += "."
			}
			path += s
			if n := counts[path]; n > 0 {
				path += " " + strconv.Itoa(n)
			}
		}
		return path
	}
	table := ""
	for parser.NextExpression() {
		e := parser.Expression()
		var parts []string
		for it := e.Key(); it.Next(); {
			parts = append(parts, string(it.Node().Data))
		}
		switch e.Kind {
		case unstable.Table:
			table = resolve(parts)
			p.add(table, line(e))
		case unstable.ArrayTable:
			parent := resolve(parts[:len(parts)-1])
			path := parts[len(parts)-1]
			if parent != "" {
				path = parent + "." + path
			}
			counts[path]++
			table = path + " " + strconv.Itoa(counts[path])
			p.add(table, line(e))
		case unstable.KeyValue:
			path := strings.Join(parts, ".")
			if table != "" {
				path = table + "." + path
			}
			p.add(path, line(e))
		}
	}
	return p
}

func (p *Positions) add(path string, line int) {
	if _, ok := p.lines[path]; !ok {
		p.lines[path] = line
	}
}

// Line is the line of a dotted key, or of the nearest table above it; 1 where neither is there.
func (p *Positions) Line(path string) int {
	for path != "" {
		if n, ok := p.lines[path]; ok {
			return n
		}
		i := strings.LastIndexByte(path, '.')
		if i < 0 {
			break
		}
		path = path[:i]
	}
	return 1
}

// Error is an error about a key: FILE:LINE: KEY: what.
func (p *Positions) Error(path, format string, a ...any) error {
	return fmt.Errorf("%s:%d: %s: %s", p.file, p.Line(path), path, fmt.Sprintf(format, a...))
}

// Place gives each of the errors joined in err its file and line. The Validate methods of the profile types begin
// their messages with the key, tables first ("zone 1: size 100: want ..."), which is how the line is found.
func (p *Positions) Place(err error) []error {
	if err == nil {
		return nil
	}
	if j, ok := err.(interface{ Unwrap() []error }); ok {
		var out []error
		for _, e := range j.Unwrap() {
			out = append(out, p.Place(e)...)
		}
		return out
	}
	var out []error
	for _, msg := range strings.Split(err.Error(), "\n") {
		out = append(out, fmt.Errorf("%s:%d: %s", p.file, p.lineOf(msg), msg))
	}
	return out
}

// lineOf finds the line that a message of Validate speaks of.
func (p *Positions) lineOf(msg string) int {
	path, best := "", 1
	for _, seg := range strings.Split(msg, ": ") {
		found := false
		for _, cand := range candidates(seg) {
			for _, full := range []string{join(path, cand), join(path, cand+" 1"), join(path, "track."+cand), cand} {
				if n, ok := p.lines[full]; ok {
					path, best, found = full, n, true
					break
				}
			}
			if found {
				break
			}
		}
		if !found {
			break
		}
	}
	return best
}

// candidates are the keys a piece of a message may begin with: "zone 1", "size" of "size 100".
func candidates(seg string) []string {
	words := strings.Fields(seg)
	if len(words) == 0 {
		return nil
	}
	c := []string{seg}
	if len(words) > 1 {
		c = append(c, words[0]+" "+words[1])
	}
	return append(c, words[0])
}

func join(a, b string) string {
	if a == "" {
		return b
	}
	return a + "." + b
}
