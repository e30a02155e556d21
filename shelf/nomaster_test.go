package shelf

import "testing"

// A medium that was written with something that is no master carries none any more; a write that names nothing leaves
// what is known.
func TestNoMaster(t *testing.T) {
	s := stocked(t)
	run(t, s, Run{Medium: "A1", Kind: Write, Outcome: Good, Master: "D01", At: day})
	m := must(s.Media(t.Context()))(t)[0]
	if m.Master == "" {
		t.Fatalf("%+v carries no master to begin with", m)
	}
	for _, c := range []struct{ master, want string }{{"", m.Master}, {NoMaster, ""}, {"", ""}} {
		run(t, s, Run{Medium: m.Number, Kind: Write, Outcome: Good, Master: c.master, Detail: "write " + c.master, At: day.AddDate(0, 0, 1)})
		if d := must(s.Show(t.Context(), MediumRef(m.Number)))(t); d.Medium.Master != c.want {
			t.Errorf("write of %q: the medium carries %q, want %q", c.master, d.Medium.Master, c.want)
		}
	}
	if _, err := s.Log(t.Context(), Run{Medium: "NEW-1", Kind: Write, Outcome: Good, Master: NoMaster, Type: "disk"}); err != nil {
		t.Error(err)
	}
	if _, err := s.Log(t.Context(), Run{Medium: "NEW-1", Kind: Read, Outcome: Good, Master: NoMaster}); err == nil {
		t.Error("a read took a master's place")
	}
}
