package tape

import (
	"testing"

	"remanence/picture"
	"remanence/tape/audio"
)

// Two bytes of a program that nothing checks lie under a dropout: the picture has them doubtful, and no more than them.
// (A ribbon that shows the whole program as doubtful says that nothing of it can be used.)
func TestOnlyTheDoubtfulStretchIsDoubtful(t *testing.T) {
	c := codes(t, "kcs300")[0]
	data := randomBytes(400, 7)
	s, wrote := side(t, SideOptions{Code: c, StartS: 1, EndS: 1}, Item{Name: "TIDE", Kind: Unknown, Blocks: [][]byte{data}})
	hit := wrote.Entries[0].FromS + c.LeaderSeconds() + 200*c.FrameSeconds()
	for i := int(hit * 44100); i < int((hit+0.02)*44100); i++ {
		s[i] *= 0.001
	}
	r, err := Read(t.Context(), audio.NewBuffer(44100, 1, s), codes(t, "kcs300"), ReadOptions{Keep: true}, nil)
	if err != nil {
		t.Fatal(err)
	}
	p := r.Programs[0]
	if p.Whole {
		t.Fatal("the dropout made nothing doubtful; the test is of no use")
	}
	parts := p.parts(0)
	if parts[0].over || parts[0].State != picture.Good || parts[0].to != len(p.Data) {
		t.Errorf("the program itself: %+v, want good", parts[0])
	}
	bad := 0
	for _, x := range parts[1:] {
		if !x.over || x.State != picture.Doubtful {
			t.Errorf("%+v, want a doubtful stretch over the program", x)
		}
		if x.From < hit-0.1 || x.To > hit+0.2 {
			t.Errorf("doubtful from %.3f to %.3f s; the dropout is at %.3f s", x.From, x.To, hit)
		}
		bad += x.to - x.from
	}
	if bad == 0 || bad > 4 {
		t.Errorf("%d bytes are doubtful, want 1 to 4", bad)
	}
	x := parts[1]
	mid := (x.From + x.To) / 2
	x.widen(1)
	if x.To-x.From < 0.999 || (x.From+x.To)/2-mid > 1e-9 {
		t.Errorf("widened to %.3f..%.3f s around %.3f", x.From, x.To, mid)
	}
	// Pages cover the program without a gap.
	at := 0
	for _, x := range p.parts(64) {
		if x.over {
			continue
		}
		if x.from != at {
			t.Errorf("page from byte %d, want %d", x.from, at)
		}
		at = x.to
	}
	if at != len(p.Data) {
		t.Errorf("pages end at byte %d of %d", at, len(p.Data))
	}
}
