package tape

import (
	"bytes"
	"math/rand/v2"
	"strings"
	"testing"

	"remanence/tape/audio"
)

// Two passes of one tape, each with a hole of its own: the comparison tells for every byte which pass has it, and a link
// leads to the place on either. What each pass lacks is known here because the holes were made here.
func TestCompareTellsWhoseByteItIs(t *testing.T) {
	code := codes(t, "kcs300")[0]
	data := randomBytes(300, 5)
	clean, wrote := side(t, SideOptions{Code: code, StartS: 1, EndS: 1}, Item{Name: "TIDE", Kind: Unknown, Blocks: [][]byte{data}})
	rnd := rand.New(rand.NewPCG(3, 4))
	hole := func(at int) []float32 { // noise in place of three bytes
		s := append([]float32(nil), clean...)
		from := wrote.Entries[0].FromS + code.LeaderSeconds() + float64(at)*code.FrameSeconds()
		for i := int(from * 44100); i < int((from+0.1)*44100); i++ {
			s[i] = float32(0.3 * rnd.NormFloat64())
		}
		return s
	}
	var results []*Result
	var looks []*Look
	var files []*bytes.Reader
	for _, at := range []int{100, 200} {
		r, l, f := looked(t, hole(at), 1, "kcs300")
		results, looks, files = append(results, r), append(looks, l), append(files, f)
	}
	m := MergeResults(results, []string{"one", "two"}, ReadOptions{})
	cs := Compare(m, results)
	if len(cs) != 1 || len(cs[0].Copies) != 2 {
		t.Fatalf("%d comparisons: %+v", len(cs), cs)
	}
	c := cs[0]
	if !strings.HasPrefix(c.How, "added up bit by bit from two copies") {
		t.Errorf("how: %q", c.How)
	}
	near := func(d Difference, at int) bool { return d.From >= at-3 && d.To <= at+9 }
	seen := map[int]bool{}
	for _, d := range c.Differ {
		switch {
		case near(d, 100):
			seen[100] = true
			if d.Copies[0].Same || !d.Copies[1].Same {
				t.Errorf("bytes %d to %d: %+v, want them from the second pass", d.From, d.To, d.Copies)
			}
		case near(d, 200):
			seen[200] = true
			if !d.Copies[0].Same || d.Copies[1].Same {
				t.Errorf("bytes %d to %d: %+v, want them from the first pass", d.From, d.To, d.Copies)
			}
			at, ok := looks[1].At(files[1], c.Copies[1].Program, d.Copies[1].Byte)
			want := wrote.Entries[0].FromS + code.LeaderSeconds() + float64(d.From)*code.FrameSeconds()
			if !ok || at < want-0.05 || at > want+0.05 {
				t.Errorf("byte %d on the second pass at %.3f s, written at %.3f s", d.From, at, want)
			}
		default:
			t.Errorf("they differ from %d to %d, where no hole is", d.From, d.To)
		}
	}
	if len(seen) != 2 {
		t.Errorf("differences near %v, want near both holes", seen)
	}
	x := svg(t, c.Draw([]string{"one", "two"}, 0))
	for _, want := range []string{"all agree", ": copy 1: ", ": copy 2: ", "taken from"} {
		if !strings.Contains(x, want) {
			t.Errorf("%q is not in the picture", want)
		}
	}
	// One recording without copies has nothing to compare.
	r, err := Read(t.Context(), audio.NewBuffer(44100, 1, clean), codes(t, "kcs300"), ReadOptions{Keep: true}, nil)
	if err != nil {
		t.Fatal(err)
	}
	if cs := Compare(r, []*Result{r}); len(cs) != 0 {
		t.Errorf("one copy: %d comparisons, want none", len(cs))
	}
	r.Slim()
	if !bytes.Contains(r.Programs[0].Data, data[:290]) {
		t.Error("Slim let go of the bytes")
	}
}
