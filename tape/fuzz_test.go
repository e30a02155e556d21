package tape

import (
	"bytes"
	"context"
	"testing"

	"remanence/tape/audio"
	"remanence/tape/linecode"
)

// Whatever stands after a sync: parsing uses no more than there is, and places lie inside it.
func FuzzParse(f *testing.F) {
	f.Add(machineTape("HERON", 0x5200, make([]byte, 300)))
	f.Add(basicTape(5))
	f.Add([]byte("TEXT\r"))
	f.Add([]byte(":04FEDC00210080CFB2\r\n:00000001FF\r\n"))
	f.Add([]byte("S107FEDC210080CFAE\rS9030000FC\r"))
	f.Add(append([]byte{0x55, 'A', 'B', 'C', 'D', 'E', 'F', 0x3C, 0xFF, 0, 0x50}, make([]byte, 40)...))
	f.Fuzz(func(t *testing.T, in []byte) {
		if len(in) > 1<<16 {
			return
		}
		for _, kind := range []string{kindOf(in), kindNear(in), kindOfText(in), MachineTape, BASICTape, Text, IntelHex, SRecord, Unknown} {
			p := parseAny(kind, in)
			if p.end < 0 || p.end > len(in) {
				t.Fatalf("%s: end %d of %d", kind, p.end, len(in))
			}
			if len(p.faults) > maxFaults+1 {
				t.Fatalf("%s: %d faults", kind, len(p.faults))
			}
			for _, x := range p.faults {
				if x.at < 0 || x.at > len(in) {
					t.Fatalf("%s: fault at %d of %d", kind, x.at, len(in))
				}
			}
			last := 0
			for _, b := range p.blocks {
				if b.from < last || b.to <= b.from || b.to > len(in) {
					t.Fatalf("%s: block %d..%d after %d of %d", kind, b.from, b.to, last, len(in))
				}
				last = b.to
			}
			// What parses as whole is what Encode takes, and it comes back the same.
			if p.whole() && (kind == MachineTape || kind == BASICTape) {
				it, err := Encode(FormPulse500, kind, "X", in)
				if err == nil && !bytes.Equal(StripLeader(in)[:it.Bytes()], it.Blocks[0]) {
					t.Fatalf("%s: Encode changed the bytes", kind)
				}
			}
		}
	})
}

// Samples of any kind: no panic, and everything in the result lies in the recording.
func FuzzRead(f *testing.F) {
	c := codes(f, "kcs1200", "pulse500")
	short := *c[0]
	short.Leader = linecode.Leader{Pattern: []int{1}, Seconds: 0.2}
	var k audio.Collector
	if _, err := WriteSide(context.Background(), &k, []Item{{Name: "X", Blocks: [][]byte{[]byte("HERON")}}}, SideOptions{Code: &short, RateHz: 8000}, nil); err != nil {
		f.Fatal(err)
	}
	seed := make([]byte, len(k.Samples))
	for i, v := range k.Samples {
		seed[i] = byte(int(v*100) + 128)
	}
	f.Add(seed, uint8(1))
	f.Add(bytes.Repeat([]byte{0, 255, 128, 128, 7}, 700), uint8(2))
	f.Fuzz(func(t *testing.T, in []byte, ch uint8) {
		channels := int(ch)%3 + 1
		if len(in) > 1<<14 || len(in) < 64 {
			return
		}
		s := make([]float32, len(in)/channels*channels)
		for i := range s {
			s[i] = (float32(in[i]) - 128) / 100
		}
		r, err := Read(context.Background(), audio.NewBuffer(16000, channels, s), c, ReadOptions{Raw: true}, nil)
		if err != nil {
			t.Fatal(err)
		}
		end := float64(len(s)/channels)/16000 + 0.5
		for _, p := range r.Programs {
			if p.FromS < -0.5 || p.ToS > end || p.Bytes != len(p.Data) {
				t.Fatalf("program %+v in %.2f s", p, end)
			}
		}
		if r.Verdict == "" || r.Diagnosis == nil {
			t.Fatal("no verdict")
		}
	})
}
