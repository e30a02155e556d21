package picture

import (
	"flag"
	"fmt"
	"math"
	"os"
	"path/filepath"
	"testing"
)

var update = flag.Bool("update", false, "write the pictures of the documentation anew")

// docPictures are those that doc/pictures.md shows; their data are invented.
func docPictures() map[string]*Canvas {
	disk := Stack{Title: "A disk as it was read back", Desc: "ten cylinders, one ribbon each; cylinder 4 has a lost sector, 6 a repaired and 8 a doubtful one",
		Axis: Axis{To: 360, Unit: "°", Label: "angle after the index"}, Legend: true, Width: 760}
	for c := range 10 {
		r := Ribbon{Name: fmt.Sprint("c", c)}
		for i := range 10 {
			st := Stretch{From: 6 + 35*float64(i), To: 6 + 35*float64(i) + 32, Margin: 0.45 + 0.4*math.Sin(float64(7*c+3*i)), Title: fmt.Sprintf("cylinder %d sector %d", c, i)}
			switch {
			case c == 4 && i == 3:
				st.State, r.Note = Lost, "1 lost"
			case c == 6 && i == 7:
				st.State, st.Margin = Repaired, 0.1
			case c == 8 && i == 5:
				st.State, st.Margin = Doubtful, 0.05
			}
			r.Stretches = append(r.Stretches, st)
		}
		disk.Ribbons = append(disk.Ribbons, r)
	}
	memory := MemoryMap{Title: "Where a program loads", Desc: "the program clashes with the resident disk system", Width: 760, Entry: 0x5200,
		Machine: []Range{{0, 0x3000, "ROM", Reserved}, {0x4000, 0x5200, "disk system", Reserved}}, Program: []Range{{0x5000, 0x6800, "HERON", Loads}, {0x9000, 0xA400, "tables", Loads}}}
	volume := VolumeMap{Title: "Where the files lie", Unit: "granule", Width: 760, Files: []string{"HERON/CMD", "TIDES/BAS", "COAST/DAT"}}
	for i := range 80 {
		u := UnitUse{File: -1}
		switch {
		case i == 0 || i == 34 || i == 35:
			u.State = UnitSystem
		case i < 12:
			u = UnitUse{0, UnitUsed}
		case i < 17:
			u = UnitUse{1, UnitUsed}
		case i < 46:
			u = UnitUse{2, UnitUsed}
		case i == 70:
			u.State = UnitLocked
		case i == 75:
			u.State = UnitLost
		}
		volume.Units = append(volume.Units, u)
	}
	side := Ribbon{}
	for i := range 60 {
		st := Stretch{From: 4 + 5*float64(i), To: 4 + 5*float64(i) + 4.6, Margin: 0.3 + 0.5*float64(i*i%7)/7, Title: fmt.Sprintf("block %d", i)}
		if i == 17 {
			st.State = Lost
		}
		side.Stretches = append(side.Stretches, st)
	}
	tape := Stack{Title: "A tape side as it was heard", Desc: "one ribbon, wrapped into lines of two minutes", Axis: Axis{To: 120, Unit: "s", Label: "time"}, Width: 760, Legend: true,
		Ribbons: side.Wrap(0, 310, 120, func(at float64) string { return fmt.Sprintf("%d:%02d", int(at)/60, int(at)%60) })}
	return map[string]*Canvas{"disk": disk.Draw(), "memory": memory.Draw(), "volume": volume.Draw(), "tape": tape.Draw()}
}

// TestDocPictures compares with the committed files; read the difference before you commit it.
func TestDocPictures(t *testing.T) {
	for name, c := range docPictures() {
		path := filepath.Join("..", "doc", "pictures", name+".svg")
		got := svg(t, c, SVGOptions{})
		if *update {
			if err := os.MkdirAll(filepath.Dir(path), 0o777); err != nil {
				t.Fatal(err)
			}
			if err := os.WriteFile(path, []byte(got), 0o644); err != nil {
				t.Fatal(err)
			}
		}
		want, err := os.ReadFile(path)
		if err != nil {
			t.Fatal(err)
		}
		if got != string(want) {
			t.Errorf("%s differs from what is drawn now; go test ./picture -run TestDocPictures -update", path)
		}
	}
}
