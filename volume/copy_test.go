package volume

import (
	"bytes"
	"slices"
	"strings"
	"testing"

	"remanence/disk"
)

func TestNameFor(t *testing.T) {
	for _, tt := range []struct{ kind, archive, want, why string }{
		{"granule", "tide.bas", "TIDE/BAS", ""},
		{"granule", "TIDE/BAS", "TIDE/BAS", ""},
		{"granule", "readme", "README", ""},
		{"granule", "high-tide.text", "HIGHTIDE/TEX", "left out; shortened"},
		{"granule", "2nd wave.cmd", "F2NDWAVE/CMD", "left out; a name starts with a letter"},
		{"granule", "...", "FILE", "nothing of the name"},
		{"granule", "été.bas", "ETE/BAS", "without their accents"},
		{"fat12", "Mu\u0308ller's Größe.txt", "MULLER'S.TXT", "accents; characters that the volume does not allow were left out; shortened"},
		{"extent", "MÜLLER.TXT", "0:MULLER.TXT", "without their accents"},
		{"granule", "ТЕКСТ.bas", "FILE/BAS", "left out; nothing of the name"},
		{"fat12", "tide-tables.text", "TIDE-TAB.TEX", "shortened"},
		{"fat12", "2nd.cmd", "2ND.CMD", ""},
		{"fat12", "con.txt", "XCON.TXT", ""},
		{"fat12", "archive.tar.gz", "ARCHIVET.GZ", "left out; shortened"},
		{"extent", "tide.bas", "0:TIDE.BAS", ""},
		{"extent", "what?.txt", "0:WHAT.TXT", "left out"},
	} {
		got, why := NameFor(tt.kind, tt.archive, nil)
		ok := why == "" && tt.why == ""
		if tt.why != "" {
			ok = true
			for _, w := range strings.Split(tt.why, "; ") {
				ok = ok && strings.Contains(why, w)
			}
		}
		if got != tt.want || !ok {
			t.Errorf("%s on %s -> %s (%s), want %s (%s)", tt.archive, tt.kind, got, why, tt.want, tt.why)
		}
		if err := ValidName(tt.kind, got); err != nil {
			t.Errorf("%s on %s: %v", got, tt.kind, err)
		}
	}
	taken := map[string]bool{}
	for range 12 {
		n, _ := NameFor("granule", "longest name.bas", func(s string) bool { return taken[s] })
		if taken[n] || ValidName("granule", n) != nil {
			t.Fatalf("%s given twice, or not a name", n)
		}
		taken[n] = true
	}
	if !taken["LONGESTN/BAS"] || !taken["LONGEST2/BAS"] || !taken["LONGES12/BAS"] {
		t.Errorf("names given: %v", taken)
	}
}

func TestSafePath(t *testing.T) {
	for _, tt := range []struct{ kind, name, want string }{
		{"granule", "TIDE/BAS", "TIDE.BAS"},
		{"granule", "../ETC", "_...ETC"},
		{"granule", "A<00>B/C<2F>D", "A_00_B.C_2F_D"},
		{"granule", "CON/TXT", "_CON.TXT"},
		{"fat12", "SUB/A.B", "SUB/A.B"},
		{"fat12", "../../A", "_/_/A"},
		{"fat12", "COM1.X/NUL", "_COM1.X/_NUL"},
		{"fat12", "-RF", "_-RF"},
		{"extent", "0:A.B", "A.B"},
		{"extent", "3:A.B", "user3/A.B"},
		{"extent", "0:/ETC/PW", "_ETC_PW"},
		{"extent", "0:C:\\X", "C__X"},
	} {
		if got := SafePath(tt.kind, tt.name, nil); got != tt.want {
			t.Errorf("%s %s -> %s, want %s", tt.kind, tt.name, got, tt.want)
		}
		checkSafe(t, SafePath(tt.kind, tt.name, nil))
	}
	if got := SafePath("fat12", "A.B", func(s string) bool { return s == "a.b" || s == "a~2.b" }); got != "A~3.B" {
		t.Errorf("third A.B -> %s, want A~3.B", got)
	}
}

func TestCopyBetweenKinds(t *testing.T) {
	g := mustNew(t, "granule", fm10(40, 1), NewOptions{})
	mustPut(t, g, "NOTES/TXT", []byte("high tide\rlow tide\r"))
	mustPut(t, g, "GAME/CMD", []byte{1, 2, 3, 0x0D, 0x0A, 0xFF})
	f := mustNew(t, "fat12", mfm(9, 40, 2), NewOptions{})
	e := mustNew(t, "extent", fm26, NewOptions{})

	find := func(c []Change, from string) Change {
		t.Helper()
		i := slices.IndexFunc(c, func(x Change) bool { return x.From == from })
		if i < 0 {
			t.Fatalf("%s is not among %v", from, c)
		}
		return c[i]
	}
	c := find(Copy(f, g, nil, CopyOptions{}), "NOTES/TXT")
	if c.To != "NOTES.TXT" || c.Fault != "" || !slices.Contains(c.What, "2 line ends became 0D 0A") {
		t.Errorf("granule to FAT12: %+v", c)
	}
	if got := mustGet(t, f, "NOTES.TXT"); string(got) != "high tide\r\nlow tide\r\n" {
		t.Errorf("text arrived as %q", got)
	}
	if got := mustGet(t, f, "GAME.CMD"); !bytes.Equal(got, []byte{1, 2, 3, 0x0D, 0x0A, 0xFF}) {
		t.Errorf("a program was changed: % X", got)
	}
	mustPut(t, f, "OLD/LETTER.TXT", []byte("dear reader\r\n"))
	cs := Copy(e, f, nil, CopyOptions{Into: "5"})
	if c := find(cs, "OLD/LETTER.TXT"); c.To != "5:LETTER.TXT" || !strings.Contains(strings.Join(c.What, " "), "directory OLD was left out") {
		t.Errorf("FAT12 to extent: %+v", c)
	}
	back := mustNew(t, "granule", fm10(40, 1), NewOptions{})
	c = find(Copy(back, e, nil, CopyOptions{}), "5:NOTES.TXT")
	if c.To != "NOTES/TXT" || !strings.Contains(strings.Join(c.What, " "), "1Ah filler taken off") || !strings.Contains(strings.Join(c.What, " "), "user number 5") {
		t.Errorf("extent to granule: %+v", c)
	}
	if got := mustGet(t, back, "NOTES/TXT"); string(got) != "high tide\rlow tide\r" {
		t.Errorf("text came back as %q", got)
	}
	for _, v := range []Volume{f, e, back} {
		mustClean(t, v)
	}
	small := mustNew(t, "fat12", mfm(8, 40, 1), NewOptions{})
	mustPut(t, small, "FILL", make([]byte, 160000))
	for _, c := range Copy(small, g, []string{"NOTES/TXT", "NOTTHERE"}, CopyOptions{}) {
		if c.Fault == "" {
			t.Errorf("copied to a full disk, or from nowhere: %+v", c)
		}
	}
}

func TestCompare(t *testing.T) {
	a := mustNew(t, "granule", fm10(40, 1), NewOptions{})
	mustPut(t, a, "SAME/DAT", noise(1, 5000))
	mustPut(t, a, "PATCHED/DAT", noise(2, 5000))
	mustPut(t, a, "GONE/DAT", noise(3, 100))
	b, _, err := OpenImage(a.Image(), Options{})
	if err != nil {
		t.Fatal(err)
	}
	if d := Compare(a, b); len(d) > 0 {
		t.Fatalf("a copy differs: %v", d)
	}
	g := b.(*granule)
	code, _ := g.find("PATCHED/DAT")
	list, _ := g.granulesOf(code)
	g.im.Data[g.offsets[list[0]]+700] ^= 1
	g.im.Data[g.offsets[len(g.offsets)-1]+5] ^= 1 // nobody's granule
	if err := b.Delete("GONE/DAT"); err != nil {
		t.Fatal(err)
	}
	g.im.SetMark(disk.Place{Cylinder: 3, Sector: 3}, disk.MarkDeleted)
	var got []string
	for _, d := range Compare(a, b) {
		got = append(got, d.Where+" "+d.Name+" "+d.What)
	}
	all := strings.Join(got, "\n")
	for _, want := range []string{"file PATCHED/DAT 1 bytes differ, the first at offset 700", "file GONE/DAT only in the first", "slack  1 bytes differ, the first at cylinder 39", "directory  ", "sector cylinder 3 head 0 sector 3 mark FB"} {
		if !strings.Contains(all, want) {
			t.Errorf("no difference %q in\n%s", want, all)
		}
	}
	if strings.Contains(all, "SAME") {
		t.Errorf("SAME/DAT is said to differ:\n%s", all)
	}
}

func TestRibbon(t *testing.T) {
	units := make([]Unit, 64)
	for i := 8; i < 16; i++ {
		units[i].State = UnitUsed
	}
	units[20].State = UnitLost
	for i := 32; i < 39; i++ {
		units[i].State = UnitUsed
	}
	if got := Ribbon(units, 8); got != " #. *   " {
		t.Errorf("ribbon %q", got)
	}
	if got := Ribbon(units[:4], 80); got != "    " {
		t.Errorf("ribbon of four units %q", got)
	}
}

// Damage and marks that an image's sidecar tells of are kept through changes.
func TestSidecarIsKept(t *testing.T) {
	v := mustNew(t, "granule", fm10(40, 1), NewOptions{})
	im := v.Image()
	p := disk.Place{Cylinder: 30, Sector: 4}
	s, _ := im.Sector(p)
	s.Status, s.Why = disk.Repaired, "bit 7 of byte 12"
	if err := im.Put(p, s); err != nil {
		t.Fatal(err)
	}
	w := reopen(t, v)
	mustPut(t, w, "A", noise(1, 3000))
	if s, _ := w.Image().Sector(p); s.Status != disk.Repaired || s.Why != "bit 7 of byte 12" {
		t.Errorf("sector after reopening and Put: %v %q", s.Status, s.Why)
	}
	if s, _ := w.Image().Sector(disk.Place{Cylinder: 17, Sector: 9}); s.Mark != disk.MarkUserA {
		t.Errorf("directory mark %02X", s.Mark)
	}
	mustClean(t, w)
}
