package volume

import (
	"fmt"
	"path"
	"strings"
)

// SafePath turns the name of a file on a volume into a relative path for the files of today, with slashes between
// folders: no way out of the folder it is written to, no hidden or device name, nothing that any system refuses. It
// differs from every path that taken reports. Upper and lower case are taken for the same, as some systems do.
func SafePath(kind, name string, taken func(string) bool) string {
	var parts []string
	switch kind {
	case "granule": // NAME/EXT
		parts = []string{strings.Replace(name, "/", ".", 1)}
	case "extent": // USER:NAME.EXT
		user, rest, found := strings.Cut(name, ":")
		if !found {
			user, rest = "0", name
		}
		if user != "0" {
			parts = append(parts, "user"+user)
		}
		parts = append(parts, rest)
	default:
		parts = strings.Split(name, "/")
	}
	for i, p := range parts {
		parts[i] = safePart(p)
	}
	p := path.Join(parts...)
	if taken == nil || !taken(strings.ToLower(p)) {
		return p
	}
	ext := path.Ext(p)
	for i := 2; ; i++ {
		if q := fmt.Sprintf("%s~%d%s", strings.TrimSuffix(p, ext), i, ext); !taken(strings.ToLower(q)) {
			return q
		}
	}
}

// deviceNames are refused as file names, with any extension, by systems that FAT comes from.
var deviceNames = map[string]bool{"CON": true, "PRN": true, "AUX": true, "NUL": true}

func safePart(s string) string {
	b := []byte(s)
	for i, c := range b {
		if c < ' ' || c > '~' || strings.IndexByte(`<>:"/\|?*`, c) >= 0 {
			b[i] = '_'
		}
	}
	s = strings.TrimRight(string(b), ". ")
	stem, _, _ := strings.Cut(strings.ToUpper(s), ".")
	stem = strings.TrimRight(stem, " ")
	device := deviceNames[stem] || len(stem) == 4 && (strings.HasPrefix(stem, "COM") || strings.HasPrefix(stem, "LPT")) && stem[3] >= '0' && stem[3] <= '9'
	if s == "" || s[0] == '.' || s[0] == '-' || s[0] == ' ' || device {
		s = "_" + s
	}
	if len(s) > 100 {
		s = s[:100]
	}
	return s
}
