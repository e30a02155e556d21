package linecode

import (
	"reflect"
	"testing"
)

// soundDelay feeds x in chunks of 50 ms and gives, for the bytes of the final run, how many samples of sound lay between
// the end of the byte and the end of the chunk after which Live first gave it, as it is in the end: the longest of them,
// and how many of the bytes were ever given otherwise. It fails where the calls of Live change what Take gives.
func soundDelay(t *testing.T, c *Code, x []float32) (longest float64, turned int, runs []*Run) {
	t.Helper()
	d, err := NewDemodulator(c, testRate, Options{})
	if err != nil {
		t.Fatal(err)
	}
	type seen struct {
		value byte
		since int // samples fed when it was first given with this value
		was   bool
	}
	var told []seen
	const chunk = testRate / 20
	feed := func(i int) {
		l := d.Live()
		if l == nil {
			return
		}
		n := 0
		for _, part := range [2][]Byte{l.Settled, l.Open} {
			for k := range part {
				if n == len(told) {
					told = append(told, seen{value: part[k].Value, since: i})
				} else if told[n].value != part[k].Value {
					told[n] = seen{part[k].Value, i, true}
				}
				n++
			}
		}
	}
	for i := 0; i < len(x); i += chunk {
		end := min(i+chunk, len(x))
		d.Feed(x[i:end])
		runs = append(runs, d.Take()...)
		feed(end)
	}
	d.Close()
	runs = append(runs, d.Take()...)
	plain, _ := demodulate(t, c, x, testRate)
	if !reflect.DeepEqual(plain, runs) {
		t.Errorf("%s: other runs when Live is called in between", c.Name)
	}
	if len(runs) != 1 {
		t.Fatalf("%s: %d runs, want 1", c.Name, len(runs))
	}
	stops := float64(len(c.Framing.Stop)) / float64(c.Framing.FrameBits())
	for i := range runs[0].Bytes {
		b := &runs[0].Bytes[i]
		if i >= len(told) || told[i].value != b.Value {
			t.Fatalf("%s: byte %d of %d was never heard live", c.Name, i, len(runs[0].Bytes))
		}
		longest = max(longest, float64(told[i].since)-b.At-float64(b.Length)*(1-stops))
		if told[i].was {
			turned++
		}
	}
	return longest, turned, runs
}

// Every byte is heard live, as it is in the end, within 200 ms of sound after its last bit, chunks of 50 ms included: on
// recordings as written, and with what a portable recorder does to them (sheet A6: noise, wow, a narrow band, bias).
func TestLiveDelay(t *testing.T) {
	for _, name := range allCodes {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			c := codeNamed(t, name)
			payload := randomBytes(int(3/c.FrameSeconds()), 2) // longer than a block of tones
			x := record(t, c, payload)
			band := band(100, 7000)
			if c.Waves != nil {
				band = dc(.01) // half-waves of 833 us lose their shape below 100 Hz
			}
			for what, y := range map[string][]float32{
				"as written": x,
				"portable":   chain(warp(.02, .002, 1.3), band, noise(25), level(-12))(x, 3),
				"half there": chain(noise(15), func(x []float32, _ uint64) []float32 { return x[3*testRate:] })(x, 4), // begun in the middle of the leader
			} {
				if what == "half there" && c.LeaderSeconds() < 4.5 {
					continue
				}
				late, turned, runs := soundDelay(t, c, y)
				t.Logf("%s: %.0f ms, %d bytes turned", what, 1000*late/testRate, turned)
				if wrong := wrong(payload, values(runs)); wrong > 0 {
					t.Errorf("%s: %d of %d bytes wrong in the end", what, wrong, len(payload))
				}
				if late > 0.2*testRate {
					t.Errorf("%s: a byte was heard %.0f ms of sound after its end, want 200", what, 1000*late/testRate)
				}
				if turned > 0 {
					t.Errorf("%s: %d bytes were given otherwise before", what, turned)
				}
			}
		})
	}
}
