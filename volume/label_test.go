package volume

import "testing"

func TestLabels(t *testing.T) {
	g := mustNew(t, "granule", fm10(40, 1), NewOptions{Name: "OLD", Date: "1981-02-03"})
	if err := g.(Labelled).SetLabel("tides", ""); err != nil || g.Info().Name != "TIDES" || g.Info().Date != "02/03/81" {
		t.Errorf("granule: %v, %q %q", err, g.Info().Name, g.Info().Date)
	}
	mustClean(t, g)
	if err := g.(Labelled).SetLabel("much too long", ""); err == nil {
		t.Error("a name of 13 characters was taken")
	}
	f := mustNew(t, "fat12", mfm(9, 40, 2), NewOptions{})
	mustPut(t, f, "A.B", noise(1, 3000))
	for _, step := range []struct{ name, date, want string }{
		{"Tide tables", "1985-06-07", "TIDE TABLES"}, {"OTHER", "", "OTHER"}, {"", "", ""}, {"AGAIN", "", "AGAIN"},
	} {
		if err := f.(Labelled).SetLabel(step.name, step.date); err != nil || f.Info().Name != step.want {
			t.Errorf("%q: %v, now %q", step.name, err, f.Info().Name)
		}
		sameAs7z(t, f)
	}
	if err := f.(Directories).MakeDirectory("old/deep", "1985-06-07"); err != nil {
		t.Fatal(err)
	}
	if d := f.(Directories).Directories(); len(d) != 2 || d[1] != "OLD/DEEP" {
		t.Errorf("directories %v", d)
	}
	sameAs7z(t, f)
	to, _, err := Repair(f)
	if err != nil || len(to.(Directories).Directories()) != 2 || to.Info().Name != "AGAIN" {
		t.Errorf("after repair: %v, directories %v, label %q", err, to.(Directories).Directories(), to.Info().Name)
	}
}
