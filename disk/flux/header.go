package flux

import (
	"bytes"
	"fmt"
	"math"
	"strconv"
	"strings"

	"remanence/disk"
)

type header struct {
	capture     *Capture
	transitions int64 // -1: not said, or not readable
	countAt     int   // byte of the transitions line
	body        int   // byte after the empty line
	placed      bool  // cylinder and head were both given
}

func (h *header) count() string {
	if h.transitions < 0 {
		return "an unknown number of"
	}
	return strconv.FormatInt(h.transitions, 10)
}

// parseHeader reads up to the empty line. Lines that can't be understood are faults, not the end: what the body says
// does not depend on them, except on tick-ns.
func parseHeader(b []byte) (*header, error) {
	first, _, _ := bytes.Cut(b[:min(len(b), 64)], []byte("\n"))
	if string(first) != Magic {
		return nil, Fault{0, fmt.Sprintf("first line: want %q, found %s", Magic, quoteShort(first))}
	}
	c := &Capture{}
	h := &header{capture: c, transitions: -1}
	fault := func(at int, format string, a ...any) {
		c.Damage = append(c.Damage, Fault{int64(at), fmt.Sprintf(format, a...)})
	}
	cyl, head := false, false
	for at := len(Magic) + 1; ; {
		if at >= len(b) || at > MaxHeaderBytes {
			return nil, Fault{int64(min(at, len(b))), "the header has no end: no empty line"}
		}
		end := bytes.IndexByte(b[at:min(len(b), at+MaxHeaderBytes)], '\n')
		if end < 0 {
			return nil, Fault{int64(at), "the header has no end: no empty line"}
		}
		line := string(b[at : at+end])
		next := at + end + 1
		if line == "" {
			h.body = next
			break
		}
		name, value, _ := strings.Cut(line, " ")
		switch name {
		case "tick-ns":
			v, err := strconv.ParseFloat(value, 64)
			if err != nil || !(v > 0 && v <= 1e6) || math.IsNaN(v) {
				return nil, Fault{int64(at), fmt.Sprintf("tick-ns: want a length in nanoseconds above 0, found %s", quoteShort([]byte(value)))}
			}
			c.TickNS = v
		case "cylinder", "head":
			limit := 1
			if name == "cylinder" {
				limit = disk.MaxCylinders - 1
			}
			v, err := strconv.Atoi(value)
			if err != nil || v < 0 || v > limit {
				fault(at, "%s: want 0..%d, found %s", name, limit, quoteShort([]byte(value)))
				break
			}
			if name == "cylinder" {
				c.Cylinder, cyl = v, true
			} else {
				c.Head, head = v, true
			}
		case "index":
			c.Index = c.Index[:0]
			for _, f := range strings.Fields(value) {
				v, err := strconv.ParseUint(f, 10, 64)
				if err != nil || len(c.Index) > 0 && v < c.Index[len(c.Index)-1] || len(c.Index) >= maxIndex {
					fault(at, "index: want ascending ticks, at most %d, found %s; the pulses from there on are not used", maxIndex, quoteShort([]byte(f)))
					break
				}
				c.Index = append(c.Index, v)
			}
		case "transitions":
			h.countAt = at
			v, err := strconv.ParseInt(value, 10, 64)
			if err != nil || v < 0 {
				fault(at, "transitions: want a number, found %s", quoteShort([]byte(value)))
				break
			}
			h.transitions = v
		default:
			c.Keys = append(c.Keys, Key{name, value})
		}
		at = next
	}
	if c.TickNS == 0 {
		return nil, Fault{int64(h.body), "the header has no tick-ns line; without it no time is known"}
	}
	h.placed = cyl && head
	if !cyl {
		fault(h.body, "the header has no cylinder")
	}
	if !head {
		fault(h.body, "the header has no head")
	}
	return h, nil
}

// quoteShort quotes what was found up to the first byte that is no printable ASCII, 16 characters at most: what was
// given may be any file.
func quoteShort(b []byte) string {
	n := 0
	for n < min(len(b), 16) && b[n] >= ' ' && b[n] <= '~' {
		n++
	}
	switch {
	case n == len(b):
		return strconv.Quote(string(b))
	case n == 0:
		return "bytes that are no text"
	}
	return strconv.Quote(string(b[:n])) + "..."
}
