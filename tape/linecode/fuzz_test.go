package linecode

import (
	"math"
	"testing"

	"github.com/pelletier/go-toml/v2"
)

// FuzzFeed gives demodulators arbitrary sound behind a good leader, in which they are locked and do their real work.
func FuzzFeed(f *testing.F) {
	var codes []*Code
	var leaders [][]float32
	for _, name := range allCodes {
		c := codeNamed(f, name)
		m, err := NewModulator(c, 22050, Shape{})
		if err != nil {
			f.Fatal(err)
		}
		m.LeaderOf(1.6)
		m.Sync()
		m.Write([]byte("fuzz"))
		codes, leaders = append(codes, c), append(leaders, m.ReadAll())
	}
	f.Add([]byte{0, 1, 2, 3, 200, 100, 0, 255, 255, 255, 128, 128}, uint8(0), uint8(7))
	for i := range codes {
		f.Add([]byte("some bytes taken for sound: \x00\xff\x80\x7f\x81"), uint8(i), uint8(i*37))
	}
	f.Fuzz(func(t *testing.T, sound []byte, which, portion uint8) {
		if len(sound) > 1<<14 {
			sound = sound[:1<<14]
		}
		c := codes[int(which)%len(codes)]
		d, err := NewDemodulator(c, 22050, Options{})
		if err != nil {
			t.Fatal(err)
		}
		x := append([]float32(nil), leaders[int(which)%len(codes)]...)
		for i, b := range sound {
			v := float32(int8(b)) / 128
			switch b { // what a float file may hold
			case 1:
				v = float32(math.NaN())
			case 2:
				v = float32(math.Inf(1))
			case 3:
				v = 1e30
			}
			for range 1 + i%5 {
				x = append(x, v)
			}
		}
		k := int(portion)*16 + 1
		for i := 0; i < len(x); i += k {
			d.Feed(x[i:min(i+k, len(x))])
		}
		d.Close()
		end := float64(len(x))
		for _, r := range d.Take() {
			if !(r.From >= 0 && r.LeaderAt <= r.From && r.To <= end+2000) || len(r.Bytes) == 0 {
				t.Fatalf("%s: run from %v to %v, leader at %v, %d bytes, of %v samples", c.Name, r.From, r.To, r.LeaderAt, len(r.Bytes), end)
			}
			last := -1.0
			for i := range r.Bytes {
				b := &r.Bytes[i]
				if !(b.At > last) || !finite(float64(b.Length)) || !finite(float64(b.Level)) || math.IsNaN(float64(b.Frame)) {
					t.Fatalf("%s: byte %d: %+v after one at %v", c.Name, i, *b, last)
				}
				last = b.At
				for _, l := range b.LLR {
					if math.IsNaN(float64(l)) || math.IsInf(float64(l), 0) {
						t.Fatalf("%s: byte %d: odds %v", c.Name, i, b.LLR)
					}
				}
			}
		}
	})
}

// FuzzDeclaration: whatever a declaration says, it is refused or it works: what is written with it can be listened to,
// within bounds of time and memory.
func FuzzDeclaration(f *testing.F) {
	for _, name := range allCodes {
		b, err := toml.Marshal(codeNamed(f, name))
		if err != nil {
			f.Fatal(err)
		}
		f.Add(b)
	}
	f.Fuzz(func(t *testing.T, src []byte) {
		c := new(Code)
		if toml.Unmarshal(src, c) != nil || c.Validate() != nil {
			return
		}
		m, err := NewModulator(c, 22050, Shape{})
		if err != nil {
			t.Fatalf("valid, but: %v", err)
		}
		m.LeaderOf(min(c.LeaderSeconds(), 2))
		m.Sync()
		m.Write([]byte{0x00, 0x5A, 0xFF})
		x := make([]float32, 3*22050)
		n, _ := m.Read(x)
		for _, v := range x[:n] {
			if !(v >= -1 && v <= 1) {
				t.Fatalf("sample %v", v)
			}
		}
		d, err := NewDemodulator(c, 22050, Options{})
		if err != nil {
			return // a rate too low for the code, for one; said so
		}
		d.Feed(x[:n])
		d.Close()
	})
}
