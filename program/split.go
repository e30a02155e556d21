package program

import (
	"bytes"
	"fmt"
	"slices"
)

// SplitMemory divides a program into parts of at most size bytes, in ascending order of address; size 0 makes one part
// of each area without gaps. All parts but the last have no entry, so that they can be loaded one after the other and
// the last starts the program; notes say so.
func SplitMemory(m Memory, size int) []Memory {
	flat := m.Flat()
	var parts []Memory
	var cur Memory
	room := size
	flush := func() {
		if len(cur.Segments) > 0 {
			cur.Name = m.Name
			parts = append(parts, cur)
		}
		cur, room = Memory{}, size
	}
	for _, s := range flat.Segments {
		if size == 0 {
			cur.Segments = []Segment{s}
			flush()
			continue
		}
		for at := 0; at < len(s.Data); {
			n := min(room, len(s.Data)-at)
			cur.Segments = append(cur.Segments, Segment{s.Address + at, s.Data[at : at+n]})
			at, room = at+n, room-n
			if room == 0 {
				flush()
			}
		}
	}
	flush()
	if len(parts) > 0 {
		parts[len(parts)-1].Entry = m.Entry
	}
	return parts
}

// JoinMemories makes one program of several: all their bytes, the last entry that any of them has, the first name. Parts
// that load to the same addresses are refused.
func JoinMemories(parts []Memory) (Memory, error) {
	var out Memory
	for i, p := range parts {
		for _, s := range p.Flat().Segments {
			for _, have := range out.Segments {
				if a, b := max(s.Address, have.Address), min(s.End(), have.End()); a < b {
					return out, fmt.Errorf("part %d loads %s-%s again, which an earlier part has filled", i+1, hex(a), hex(b-1))
				}
			}
			out.Segments = append(out.Segments, s)
		}
		if p.Entry != nil {
			out.Entry = p.Entry
		}
		if out.Name == "" {
			out.Name = p.Name
		}
	}
	return out.Flat(), nil
}

// JoinBASIC merges programs by line number. A number that two of them have is refused.
func JoinBASIC(parts []*BASIC) (*BASIC, error) {
	out := &BASIC{Base: diskBASICStart}
	for _, p := range parts {
		if out.Name == "" {
			out.Name = p.Name
		}
		out.Lines = append(out.Lines, p.Lines...)
	}
	slices.SortStableFunc(out.Lines, func(a, b Line) int { return a.Number - b.Number })
	for i := 1; i < len(out.Lines); i++ {
		if out.Lines[i].Number == out.Lines[i-1].Number {
			return nil, fmt.Errorf("line %d is in more than one of the programs; renumber one of them", out.Lines[i].Number)
		}
	}
	return out, nil
}

// SplitText divides a text into parts of at most size bytes that end with a line. A line longer than that is refused.
func SplitText(text []byte, size int) ([][]byte, error) {
	var parts [][]byte
	start, end := 0, 0 // of the part so far
	for n, line := range linesWithEnds(text) {
		if len(line) > size {
			return nil, fmt.Errorf("line %d is %d bytes, more than the %d of a part", n+1, len(line), size)
		}
		if end+len(line)-start > size {
			parts = append(parts, text[start:end])
			start = end
		}
		end += len(line)
	}
	if end > start {
		parts = append(parts, text[start:end])
	}
	return parts, nil
}

// linesWithEnds cuts after every line end, CR LF being one.
func linesWithEnds(text []byte) (lines [][]byte) {
	for len(text) > 0 {
		i := bytes.IndexAny(text, "\r\n")
		if i < 0 {
			return append(lines, text)
		}
		if text[i] == '\r' && i+1 < len(text) && text[i+1] == '\n' {
			i++
		}
		lines = append(lines, text[:i+1])
		text = text[i+1:]
	}
	return lines
}

// SplitBytes cuts bytes into parts of size.
func SplitBytes(data []byte, size int) [][]byte { return slices.Collect(slices.Chunk(data, size)) }
