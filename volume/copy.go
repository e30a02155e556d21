package volume

import (
	"bytes"
	"fmt"
	"strings"
)

// Change is what was done to a file on its way from one volume to another.
type Change struct {
	From  string   `json:"from"` // name on the volume it came from
	To    string   `json:"to"`   // name it has now; "" where it was left out
	Size  int      `json:"size"` // bytes as filed
	What  []string `json:"what"` // every change, in words; empty: none
	Fault string   `json:"fault,omitempty"`
}

// CopyOptions say how files are copied.
type CopyOptions struct {
	Binary  bool   // change no line ends
	Replace bool   // replace files of the same name
	Into    string // directory (FAT12) or user number (extent) they go to
}

// Copy files from one volume to another. Names become the form of the other kind; text gets its line ends. A file
// that cannot be copied is reported, and the rest goes on.
func Copy(to, from Volume, names []string, o CopyOptions) []Change {
	if names == nil {
		for _, f := range from.Files() {
			names = append(names, f.Name)
		}
	}
	info := map[string]File{}
	for _, f := range from.Files() {
		info[f.Name] = f
	}
	mine, there := map[string]bool{}, map[string]bool{}
	for _, f := range to.Files() {
		there[f.Name] = true
	}
	suspects := Suspects(from)
	var out []Change
	for _, name := range names {
		c := Change{From: name, What: []string{}}
		data, faults, err := from.Get(name)
		if err != nil {
			c.Fault = err.Error()
			out = append(out, c)
			continue
		}
		for _, f := range append(faults, suspects[name]...) {
			c.What = append(c.What, "damaged: "+f.What)
		}
		if !o.Binary && from.Kind() != to.Kind() {
			var what string
			if data, what = convertText(data, from.Kind(), to.Kind()); what != "" {
				c.What = append(c.What, what)
			}
		}
		target, why := nameAcross(name, from.Kind(), to.Kind(), o.Into, func(n string) bool { return mine[n] || !o.Replace && there[n] })
		if why != "" {
			c.What = append(c.What, "name: "+why)
		}
		f := info[name]
		put := PutOptions{Replace: o.Replace}
		if to.Kind() == "fat12" {
			put.Date = f.Date
		} else if len(f.Date) >= 10 {
			put.Date = f.Date[:10]
		}
		put.Attributes, why = attributesAcross(f.Attributes, to.Kind())
		if why != "" {
			c.What = append(c.What, why)
		}
		err = to.Put(target, data, put)
		if err != nil && put.Date != "" { // a date that the other kind cannot hold is no reason to leave the file out
			if put.Date = ""; to.Put(target, data, put) == nil {
				c.What, err = append(c.What, "date "+f.Date+" was left out"), nil
			}
		}
		if err != nil {
			c.Fault = err.Error()
		} else {
			mine[target] = true
			c.To, c.Size = target, len(data)
		}
		out = append(out, c)
	}
	return out
}

// Prefix is what stands before a name in a directory or user area of a volume.
func Prefix(kind, into string) string {
	into = strings.ToUpper(strings.Trim(into, "/"))
	switch {
	case into == "":
		return ""
	case kind == "fat12":
		return into + "/"
	}
	return ""
}

// nameAcross is the name on the other volume.
func nameAcross(name, from, to, into string, taken func(string) bool) (string, string) {
	if from == to && into == "" {
		plain := name
		if i := strings.IndexByte(plain, '<'); i >= 0 {
			plain = plain[:i]
		}
		if ValidName(to, name) == nil && !taken(name) {
			return name, ""
		}
		name = plain
	}
	archive := name
	var whys []string
	switch from {
	case "granule":
		archive = strings.Replace(name, "/", ".", 1)
	case "extent":
		user, rest, found := strings.Cut(name, ":")
		if found {
			archive = rest
		}
		if to == "extent" && into == "" {
			if into = user; ValidName(to, user+":A") != nil {
				into = "0"
				whys = append(whys, "user number "+user+" cannot be reached; it is user 0 now")
			}
		} else if found && user != "0" && to != "extent" {
			whys = append(whys, "user number "+user+" was left out")
		}
	case "fat12":
		if i := strings.LastIndexByte(name, '/'); i >= 0 {
			archive = name[i+1:]
			if to == "fat12" && into == "" {
				into = name[:i]
			} else {
				whys = append(whys, "directory "+name[:i]+" was left out")
			}
		}
	}
	if i := strings.IndexByte(archive, '<'); i > 0 { // a listed form of what cannot be shown
		archive = strings.NewReplacer("<", "", ">", "").Replace(archive)
	}
	prefix := Prefix(to, into)
	wrap := func(n string) string {
		if to == "extent" && into != "" {
			_, rest, _ := strings.Cut(n, ":")
			return into + ":" + rest
		}
		return prefix + n
	}
	n, why := NameFor(to, archive, func(n string) bool { return taken(wrap(n)) })
	if why != "" {
		whys = append(whys, why)
	}
	return wrap(n), strings.Join(whys, "; ")
}

// attributesAcross keeps what the other kind has a place for.
func attributesAcross(have []string, to string) (keep []string, why string) {
	var lost []string
	for _, a := range have {
		switch {
		case a == "read-only", a == "system", a == "hidden":
			keep = append(keep, a)
		case a == "archived" && to == "extent":
			keep = append(keep, a)
		case a == "archived":
		default:
			lost = append(lost, a)
		}
	}
	if len(lost) > 0 {
		why = "left out: " + strings.Join(lost, ", ")
	}
	return keep, why
}

// lineEnd is how a line of text ends on a volume of this kind: one carriage return on the home computers of the
// granule class, carriage return and line feed elsewhere (common practice).
func lineEnd(kind string) string {
	if kind == "granule" {
		return "\r"
	}
	return "\r\n"
}

// isText reports whether data is plain text with lines: printable ASCII, tabs, form feeds and line ends, and nothing
// but filler after the first 1Ah.
func isText(data []byte) bool {
	body := CutText(data)
	if len(bytes.Trim(data[len(body):], "\x1A\x00")) > 0 || len(body) == 0 {
		return false
	}
	lines := 0
	for _, c := range body {
		switch {
		case c == '\r' || c == '\n':
			lines++
		case c >= ' ' && c <= '~' || c == '\t' || c == '\f':
		default:
			return false
		}
	}
	return lines > 0 && !isRecords(body)
}

// isRecords reports whether every line is an Intel HEX record or every line an S-record: a colon and hexadecimal
// digits, or an S, a digit and such digits. They look like text but are data, and come back as they went.
func isRecords(body []byte) bool {
	var kind byte
	for line := range bytes.FieldsFuncSeq(body, func(r rune) bool { return r == '\r' || r == '\n' || r == '\f' }) {
		line = bytes.TrimSpace(line)
		if len(line) == 0 {
			continue
		}
		if kind == 0 {
			kind = line[0]
		}
		if line[0] != kind || kind != ':' && kind != 'S' || len(line) < 10 || len(bytes.Trim(line[1:], "0123456789ABCDEFabcdef")) > 0 {
			return false
		}
	}
	return kind != 0
}

// convertText gives text the line ends of the other kind, and takes the 1Ah filler of an extent volume off.
func convertText(data []byte, from, to string) ([]byte, string) {
	if !isText(data) {
		return data, ""
	}
	var whats []string
	body := CutText(data)
	if n := len(data) - len(body); n > 0 {
		whats = append(whats, fmt.Sprintf("%d bytes of 1Ah filler taken off", n))
	}
	lines := bytes.ReplaceAll(body, []byte("\r\n"), []byte("\n"))
	lines = bytes.ReplaceAll(lines, []byte("\r"), []byte("\n"))
	n := bytes.Count(lines, []byte("\n"))
	end := lineEnd(to)
	out := bytes.ReplaceAll(lines, []byte("\n"), []byte(end))
	if !bytes.Equal(out, body) {
		names := map[string]string{"\r": "0D", "\r\n": "0D 0A"}
		whats = append(whats, fmt.Sprintf("%d line ends became %s", n, names[end]))
	}
	return out, strings.Join(whats, "; ")
}
