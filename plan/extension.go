package plan

import (
	"fmt"
	"path/filepath"
	"slices"
	"strings"

	"remanence/program"
)

// usualExtension is what the name of a file of a kind ends in on the disks of the time. Common practice, from memory;
// no class's own system demands it.
var usualExtension = map[program.Kind]string{
	program.LoadModule:  "CMD",
	program.BASICDisk:   "BAS",
	program.MachineTape: "CAS", // the bytes of a cassette, kept on a disk
	program.BASICTape:   "CAS",
	program.Text:        "TXT",
	program.IntelHex:    "HEX",
	program.SRecord:     "S19",
}

// saysNothing are extensions that archives give to files of any kind.
var saysNothing = []string{"", ".bin", ".dat", ".data", ".dump", ".file", ".img", ".raw", ".rom", ".tmp"}

// archiveName is the name that a file goes by on a disk before the volume's rules: its own, but where its extension says
// nothing and its kind is known, with the extension usual for the kind. why says so; "" where nothing was changed.
func archiveName(path string, kind program.Kind) (name, why string) {
	name = filepath.Base(path)
	ext := filepath.Ext(name)
	stem := strings.TrimSuffix(name, ext)
	usual, known := usualExtension[kind]
	if !known || strings.Trim(stem, ".") == "" || !slices.Contains(saysNothing, strings.ToLower(strings.TrimSuffix(ext, "."))) {
		return name, ""
	}
	found := "the archive's name has no extension"
	if len(ext) > 1 {
		found = fmt.Sprintf("%s on the archive says nothing of the kind", ext)
	}
	return stem + "." + usual, fmt.Sprintf("%s; %s is usual for %s", found, usual, kind)
}
