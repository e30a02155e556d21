package program

import (
	"fmt"
	"slices"
)

// ConvertSplit is Convert into several files: parts of at most size bytes of contents, or, with size 0, one part for
// each area of memory without gaps. A program of machine code is divided by address and only the last part has the
// entry; a text is divided between lines; BASIC is refused, because half a program means nothing.
func ConvertSplit(data []byte, o ConvertOptions, size int) ([]*Conversion, error) {
	switch {
	case size < 0:
		return nil, fmt.Errorf("parts of %d bytes: more than 0 are needed", size)
	case isCode(o.To):
		return splitCode(data, o, size)
	case size == 0:
		return nil, &RefusedError{o.From, o.To, "areas are of machine code; say how many bytes a part may have", ""}
	case o.To != Text:
		return nil, &RefusedError{o.From, o.To, "a BASIC program in parts is no program", "convert it to text and divide that"}
	}
	whole, err := Convert(data, o)
	if err != nil {
		return nil, err
	}
	parts, err := SplitText(whole.Data, size)
	if err != nil {
		return nil, &RefusedError{whole.From, o.To, err.Error(), ""}
	}
	return partsOf(whole, parts), nil
}

func partsOf(whole *Conversion, parts [][]byte) []*Conversion {
	var out []*Conversion
	for i, p := range parts {
		c := &Conversion{Data: p, From: whole.From, To: whole.To}
		if i == 0 {
			c.Notes = whole.Notes
		}
		out = append(out, c)
	}
	return out
}

func splitCode(data []byte, o ConvertOptions, size int) ([]*Conversion, error) {
	// by way of the form that keeps everything that the parts need
	if plainBytes(data, o) && size > 0 {
		whole, err := Convert(data, o)
		if err != nil {
			return nil, err
		}
		return partsOf(whole, SplitBytes(whole.Data, size)), nil
	}
	through := o
	through.To = LoadModule
	whole, err := Convert(data, through)
	if err != nil {
		if r, ok := err.(*RefusedError); ok {
			r.To = o.To
		}
		return nil, err
	}
	m, _ := ParseModule(whole.Data)
	var out []*Conversion
	ms := SplitMemory(m, size)
	for i, part := range ms {
		w := &work{&Conversion{From: whole.From, To: o.To}, o}
		if i == 0 {
			w.Notes = whole.Notes
			if len(ms) > 1 {
				w.note("%d parts: load them in order; the last one starts the program", len(ms))
			}
		}
		if err := w.build(part); err != nil {
			return nil, err
		}
		out = append(out, w.Conversion)
	}
	return out, nil
}

// ConvertJoined makes one program of several files of one sort: machine code without overlaps, BASIC without a line
// number twice, or texts one after the other.
func ConvertJoined(files [][]byte, o ConvertOptions) (*Conversion, error) {
	w := &work{&Conversion{From: o.From, To: o.To}, o}
	if !slices.ContainsFunc(files, func(d []byte) bool { return !plainBytes(d, o) }) { // bytes one after the other
		for _, d := range files {
			c, err := Convert(d, o)
			if err != nil {
				return nil, err
			}
			w.Data = append(w.Data, c.Data...)
		}
		w.From = Raw
		return w.Conversion, nil
	}
	var memories []Memory
	var programs []*BASIC
	var text []byte
	for i, data := range files {
		mid := o
		mid.part = true
		switch {
		case isCode(o.To):
			mid.To, mid.Entry, mid.Relocate = LoadModule, nil, nil
		case o.To == Text:
			mid.To = Text
		default:
			mid.To = BASICDisk
			if o.To == BASICTape { // linked as the whole will be, so that the notes are true
				base := baseOr(o.Address, tapeBASICStart)
				mid.Address = &base
			}
		}
		c, err := Convert(data, mid)
		if err != nil {
			return nil, fmt.Errorf("file %d: %w", i+1, err)
		}
		w.From = c.From
		for _, n := range c.Notes {
			w.note("file %d: %s", i+1, n)
		}
		switch mid.To {
		case LoadModule:
			m, _ := ParseModule(c.Data)
			memories = append(memories, m)
		case Text:
			text = append(text, c.Data...)
		default:
			p, _ := ParseBASIC(c.Data)
			programs = append(programs, p)
		}
	}
	switch {
	case memories != nil:
		m, err := JoinMemories(memories)
		if err != nil {
			return nil, w.refuse("", "%v", err)
		}
		if o.Entry != nil {
			m.Entry = o.Entry
		}
		if o.Name != "" {
			m.Name = o.Name
		}
		if o.Relocate != nil {
			var notes []string
			if m, notes, err = Relocate(m, *o.Relocate, o.RAMKiB); err != nil {
				return nil, w.refuse("", "%v", err)
			}
			w.Notes = append(w.Notes, notes...)
		}
		return w.Conversion, w.build(m)
	case programs != nil:
		p, err := JoinBASIC(programs)
		if err != nil {
			return nil, w.refuse("", "%v", err)
		}
		return w.Conversion, w.buildBASIC(p)
	}
	w.Data = text
	return w.Conversion, nil
}
