package shelf

import (
	"strings"
	"testing"
	"time"
)

// What was written is known by its sum: a master of this shelf, or something else, after which the medium carries no
// master any more. A write that names nothing leaves what is known.
func TestWrittenImage(t *testing.T) {
	s := stocked(t)
	d01 := "master:D01:" + sum("c")
	for i, c := range []struct{ master, image, want string }{{"", strings.ToUpper(sum("c")), d01}, {"", "", d01}, {"", sum("d"), ""}, {"D01", "", d01}} {
		run(t, s, Run{Medium: "A1", Kind: Write, Outcome: Good, Type: "disk", Master: c.master, Image: c.image, At: day.Add(time.Duration(i) * time.Hour)})
		if d := must(s.Show(t.Context(), MediumRef("A1")))(t); d.Medium.Master != c.want {
			t.Errorf("write of master %q, image %.6q: the medium carries %q, want %q", c.master, c.image, d.Medium.Master, c.want)
		}
	}
	for _, bad := range []Run{{Medium: "A1", Kind: Read, Outcome: Good, Image: sum("c")}, {Medium: "A1", Kind: Write, Outcome: Good, Image: "c0"},
		{Medium: "A1", Kind: Write, Outcome: Good, Image: sum("c"), Master: "D01"}, {Medium: "A1", Kind: Write, Outcome: Good, Image: sum("z")}} {
		if _, err := s.Log(t.Context(), bad); err == nil {
			t.Errorf("taken: %+v", bad)
		}
	}
}
