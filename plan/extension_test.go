package plan

import (
	"slices"
	"strings"
	"testing"

	"remanence/program"
)

// A name that says nothing of a known kind gets the kind's usual extension, with a note; one that says something, one
// of an unknown kind and one that the job gives stay. The extensions are common practice, from memory; the form of the
// names is the granule volume's.
func TestUsualExtensions(t *testing.T) {
	for i, tt := range []struct {
		path string
		kind program.Kind
		want string
		said string // in a note; "": no note of the name
	}{
		{"p001.bin", program.LoadModule, "P001/CMD", ".bin on the archive says nothing of the kind; CMD is usual for load-module"},
		{"P002.DAT", program.BASICDisk, "P002/BAS", "BAS is usual for basic-disk"},
		{"sub/p003", program.Text, "P003/TXT", "no extension; TXT is usual for text"},
		{"p004.rom", program.IntelHex, "P004/HEX", "HEX"},
		{"p005.img", program.SRecord, "P005/S19", "S19"},
		{"p006.file", program.MachineTape, "P006/CAS", "CAS"},
		{"p007.", program.Text, "P007/TXT", "no extension"},
		{"p008.bin", program.Unknown, "P008/BIN", ""},
		{"p009", program.Unknown, "P009", ""},
		{"p010.com", program.LoadModule, "P010/COM", ""},
		{"p011.asm", program.Text, "P011/ASM", ""},
	} {
		f := file(tt.path, 100+int64(i), tt.kind)
		f.To = []Dest{ToDisk}
		named := f
		named.Path, named.Name = "other.bin", "GIVEN/BIN"
		o := options(t)
		o.IncludeDamaged = true
		p, err := Make([]File{f, named}, o)
		if err != nil || len(p.Media) != 1 || len(p.Media[0].Files) != 2 {
			t.Fatalf("%s: %v, %+v", tt.path, err, p)
		}
		files := p.Media[0].Files
		k := slices.IndexFunc(files, func(x Placed) bool { return x.Path == tt.path })
		got, notes := files[k].Name, strings.Join(files[k].Notes, "\n")
		if got != tt.want || !strings.Contains(notes, tt.said) || tt.said == "" && strings.Contains(notes, "usual for") {
			t.Errorf("%s: %s, notes %q; want %s, %q", tt.path, got, notes, tt.want, tt.said)
		}
		if other := files[1-k].Name; other != "GIVEN/BIN" {
			t.Errorf("the job's name became %s", other)
		}
	}
}
