package web

import (
	"crypto/sha256"
	"encoding/hex"
	"strings"
	"unicode"
	"unicode/utf8"
)

// cleanPath makes of the path that a browser sends one that lies below a folder of ours: no parents, no roots, no
// hidden names, no characters that a system refuses. "" where nothing is left.
func cleanPath(p string) string {
	p = strings.ReplaceAll(strings.ToValidUTF8(p, "_"), `\`, "/")
	var parts []string
	for _, part := range strings.Split(p, "/") {
		part = strings.Map(func(r rune) rune {
			if !unicode.IsPrint(r) || strings.ContainsRune(`:*?"<>|`, r) {
				return '_'
			}
			return r
		}, part)
		part = strings.TrimLeft(part, ". ")
		for len(part) > 120 {
			_, n := utf8.DecodeLastRuneInString(part)
			part = part[:len(part)-n]
		}
		part = strings.TrimRight(part, ". ")
		if part != "" {
			parts = append(parts, part)
		}
	}
	if len(parts) > 12 {
		parts = parts[len(parts)-12:]
	}
	return strings.Join(parts, "/")
}

// ofSystem says that a path names a file that an operating system keeps for itself: a name that begins with a dot, what
// desktops note beside pictures, the second half of files in the zips of one system.
func ofSystem(p string) bool {
	for _, n := range strings.Split(strings.ReplaceAll(p, `\`, "/"), "/") {
		if strings.HasPrefix(n, ".") && strings.Trim(n, ".") != "" {
			return true
		}
		switch strings.ToLower(n) {
		case "__macosx", "thumbs.db", "desktop.ini":
			return true
		}
	}
	return false
}

// idOf is a short name of a file that can stand in an address of the page.
func idOf(path string) string {
	h := sha256.Sum256([]byte(path))
	return hex.EncodeToString(h[:8])
}
