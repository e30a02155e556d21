package program

import (
	"bytes"
	"math/rand/v2"
	"slices"
	"testing"
)

// seed adds every sample, so that the fuzzer starts from files of each kind, whole and damaged.
func seed(f *testing.F) {
	for _, s := range samples() {
		f.Add(s.data)
	}
}

const fuzzLimit = 1 << 15

// FuzzInspect: any bytes give a report that agrees with itself.
func FuzzInspect(f *testing.F) {
	seed(f)
	f.Fuzz(func(t *testing.T, data []byte) {
		checkReport(t, data, Inspect(data))
	})
}

// checkReport holds a report against itself and its file.
func checkReport(t *testing.T, data []byte, r *Report) {
	t.Helper()
	if r.Whole != (len(r.Faults) == 0) || r.Kind == "" || r.Kind == Unknown && r.Whole {
		t.Fatalf("%s, whole %v, %v", r.Kind, r.Whole, r.Faults)
	}
	for i, x := range r.Faults {
		if x.Offset < 0 || x.Offset > int64(len(data)) || x.Class == "" || x.What == "" || i > 0 && x.Offset < r.Faults[i-1].Offset {
			t.Fatalf("fault %d of %v for %d bytes", i, r.Faults, len(data))
		}
	}
	for i, x := range r.LoadRanges {
		if x[0] < 0 || x[0] >= x[1] || i > 0 && x[0] <= r.LoadRanges[i-1][1] {
			t.Fatalf("ranges %v", r.LoadRanges)
		}
	}
	if r.Whole && r.Entry != nil && !r.Loaded(*r.Entry) {
		t.Fatalf("whole, but entry %x is not in %v", *r.Entry, r.LoadRanges)
	}
	if m, ok := MemoryOf(r.Kind, data); ok && r.Whole && !slices.Equal(m.Ranges(), r.LoadRanges) {
		t.Fatalf("%s loads %v, reported %v", r.Kind, m.Ranges(), r.LoadRanges)
	}
}

// FuzzCode: what any parser of machine code makes of any bytes can be written in every form, and read back the same.
func FuzzCode(f *testing.F) {
	seed(f)
	f.Fuzz(func(t *testing.T, data []byte) {
		if len(data) > fuzzLimit {
			return
		}
		for _, kind := range []Kind{LoadModule, MachineTape, IntelHex, SRecord} {
			m, _ := MemoryOf(kind, data)
			flat := m.Flat()
			if !flat.Equal(m) {
				t.Fatalf("%s: flat memory differs", kind)
			}
			for _, to := range []struct {
				kind  Kind
				build func() ([]byte, error)
			}{
				{LoadModule, func() ([]byte, error) { return BuildModule(flat) }},
				{MachineTape, func() ([]byte, error) { return BuildTape(flat, TapeOptions{Sync: true}) }},
				{IntelHex, func() ([]byte, error) { return BuildIntelHex(flat, HexOptions{}) }},
				{SRecord, func() ([]byte, error) { return BuildSRecord(flat, HexOptions{}) }},
			} {
				file, err := to.build()
				if err != nil {
					continue // says why; what it refuses is tested elsewhere
				}
				if back, faults := MemoryOf(to.kind, file); !back.Equal(flat) {
					t.Fatalf("%s to %s: %v, want %v (%v)", kind, to.kind, back.Ranges(), flat.Ranges(), faults)
				}
			}
		}
	})
}

// FuzzBASIC: the lines of any bytes come back from their listing, unless the listing says that they cannot.
func FuzzBASIC(f *testing.F) {
	seed(f)
	f.Add([]byte("\xFF\xC5\x68\x0A\x00PRINT:\x95\xFB?\xFE{41}\x00\x00\x00"))
	f.Fuzz(func(t *testing.T, data []byte) {
		if len(data) > fuzzLimit {
			return
		}
		p, _ := ParseBASIC(data)
		if p == nil {
			return
		}
		for _, l := range p.Lines {
			if bytes.IndexByte(l.Text, 0) >= 0 {
				continue // a 00 inside a damaged line: no listing can hold it
			}
			if back := tokeniseLine(listLine(l.Text)); !bytes.Equal(back, l.Text) {
				t.Fatalf("% X lists as %q, which reads as % X", l.Text, listLine(l.Text), back)
			}
		}
	})
}

// FuzzTokenise: a listing that is accepted lists the same again after being tokenised.
func FuzzTokenise(f *testing.F) {
	f.Add([]byte("10 PRINT \"HI\"\r20 GOTO 10\r"))
	f.Add([]byte("1 REM ' {FE} : ELSE\n2 DATA A:?B\n65529 'x"))
	f.Fuzz(func(t *testing.T, text []byte) {
		p, err := Tokenise(text)
		if err != nil {
			return
		}
		once := p.Listing("\r")
		q, err := Tokenise(once)
		if err != nil {
			t.Fatalf("%q lists as %q: %v", text, once, err)
		}
		if !bytes.Equal(q.Listing("\r"), once) {
			t.Fatalf("%q, then %q", once, q.Listing("\r"))
		}
	})
}

// FuzzUnicode: text survives both ways; what FromUnicode accepts, it accepts again.
func FuzzUnicode(f *testing.F) {
	f.Add([]byte("A \x80\x95\xBF[\\]^{C3}\r\n"))
	f.Add([]byte("↑█\U0001FB3B\u00A0é"))
	f.Fuzz(func(t *testing.T, text []byte) {
		for _, escaped := range []bool{false, true} {
			back, _, err := FromUnicode(ToUnicode(text, escaped), escaped)
			if err != nil || !escaped && !bytes.Equal(back, text) {
				t.Fatalf("%q: %q, %v", text, back, err)
			}
			if class, _, err := FromUnicode(text, escaped); err == nil {
				again, _, err := FromUnicode(ToUnicode(class, escaped), escaped)
				if err != nil || !escaped && !bytes.Equal(again, class) {
					t.Fatalf("%q: %q, then %q, %v", text, class, again, err)
				}
			}
		}
	})
}

// FuzzConvert: every conversion of any bytes either refuses or gives a file of the kind wanted. Two files are compared
// and joined too.
func FuzzConvert(f *testing.F) {
	for i, s := range samples() {
		f.Add(s.data, byte(i))
	}
	f.Fuzz(func(t *testing.T, data []byte, how byte) {
		if len(data) > fuzzLimit {
			return
		}
		to := Convertible[int(how)%len(Convertible)]
		o := ConvertOptions{To: to, Strip: how&8 != 0, Damaged: how&16 != 0, Fill: new(byte)}
		if how&32 != 0 {
			o.Encoding = Unicode
		}
		c, err := Convert(data, o)
		if err == nil && to != Raw && to != Text && len(c.Data) > 0 {
			if b := Inspect(c.Data); b.Kind != to && len(c.Data) > 40 {
				t.Fatalf("asked for %s, got %s: % .60X", to, b.Kind, c.Data)
			}
		}
		half := len(data) / 2
		Compare(data[:half], data[half:])
		_, _ = ConvertJoined([][]byte{data[:half], data[half:]}, o)
		_, _ = ConvertSplit(data, o, 1+int(how))
	})
}

// mutate damages a file as media and people do: bits, bytes, cuts, repeats, stretches of another file.
func mutate(rng *rand.Rand, pool [][]byte) []byte {
	x := bytes.Clone(pool[rng.IntN(len(pool))])
	for range 1 + rng.IntN(4) {
		if len(x) == 0 {
			return x
		}
		i := rng.IntN(len(x))
		switch rng.IntN(8) {
		case 0:
			x[i] ^= 1 << rng.IntN(8)
		case 1:
			x[i] = byte(rng.Uint32())
		case 2:
			x = x[:i]
		case 3:
			y := pool[rng.IntN(len(pool))]
			x = append(x[:i:i], y[rng.IntN(len(y)+1):]...)
		case 4:
			x = append(x[:i:i], x[min(len(x), i+rng.IntN(40)):]...)
		case 5:
			j := min(len(x), i+rng.IntN(300))
			x = append(x[:j:j], x[i:]...)
		case 6:
			marks := []byte{0, 1, 2, 3, 5, 0x3C, 0x78, 0x55, 0xD3, 0xFF, ':', 'S', '\n', '{'}
			x[i] = marks[rng.IntN(len(marks))]
		case 7:
			clear(x[i:min(len(x), i+20)])
		}
	}
	return x
}

// TestMutatedFiles walks through some thousand damaged files of every kind: the steps of FuzzInspect and FuzzConvert,
// from seeds that are never the same as a sample. It has found what the samples did not: a transfer record of one byte,
// and a leader longer than the search for its sync.
func TestMutatedFiles(t *testing.T) {
	var pool [][]byte
	for _, s := range samples() {
		pool = append(pool, s.data)
	}
	m := benchMemory()
	m.Segments[0].Data = m.Segments[0].Data[:3000]
	p := benchProgram()
	p.Lines = p.Lines[:40]
	for _, build := range []func() ([]byte, error){
		func() ([]byte, error) { return BuildModule(m) },
		func() ([]byte, error) { return BuildTape(m, TapeOptions{Leader: true}) },
		func() ([]byte, error) { return BuildIntelHex(m, HexOptions{}) },
		func() ([]byte, error) { return BuildSRecord(m, HexOptions{}) },
		func() ([]byte, error) { return BuildBASICDisk(p) },
		func() ([]byte, error) { return BuildBASICTape(p, TapeOptions{}) },
		func() ([]byte, error) { return p.Listing("\r"), nil },
	} {
		file, err := build()
		if err != nil {
			t.Fatal(err)
		}
		pool = append(pool, file)
	}
	rng := rand.New(rand.NewPCG(1979, 8))
	for range 6000 {
		x := mutate(rng, pool)
		checkReport(t, x, Inspect(x))
		o := ConvertOptions{To: Convertible[rng.IntN(len(Convertible))], Strip: rng.IntN(2) == 0, Damaged: true, Fill: new(byte)}
		if c, err := Convert(x, o); err == nil && isCode(o.To) && o.To != Raw {
			if r := Inspect(c.Data); r.Kind != o.To {
				t.Fatalf("asked for %s, got %s: % .60X", o.To, r.Kind, c.Data)
			}
		}
		Compare(x, pool[rng.IntN(len(pool))])
	}
}
