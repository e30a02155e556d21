package tape

import (
	"bytes"
	"fmt"
	"io"
	"math"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"

	"remanence/tape/audio"
	"remanence/tape/linecode"
)

// srecords are S1 records of 16 bytes with an S9 at the end, by the rules of sheet E2: count, address and data, and the
// complement of their sum.
func srecords(data []byte) []byte {
	var out []byte
	line := func(kind byte, addr int, d []byte) {
		sum := byte(len(d)+3) + byte(addr) + byte(addr>>8)
		s := fmt.Sprintf("S%c%02X%04X", kind, len(d)+3, addr)
		for _, b := range d {
			s += fmt.Sprintf("%02X", b)
			sum += b
		}
		out = append(out, fmt.Sprintf("%s%02X\r\n", s, ^sum)...)
	}
	for at := 0; at < len(data); at += 16 {
		line('1', 0x100+at, data[at:min(at+16, len(data))])
	}
	line('9', 0x100, nil)
	return out
}

// told keeps what a page would show, and when each block was first called good.
type told struct {
	programs []HeardProgram
	blocks   [][]HeardBlock
	when     map[[2]int]float64 // program and block, from 1: seconds of sound fed
	turned   int                // blocks that were good and then were not
	again    []string
}

func (w *told) update(t *testing.T, up LiveUpdate, now float64) {
	t.Helper()
	if up.Programs < len(w.programs) {
		w.programs, w.blocks = w.programs[:up.Programs], w.blocks[:up.Programs]
	}
	for _, p := range up.Changed {
		if p.Number == len(w.programs)+1 {
			w.programs, w.blocks = append(w.programs, p), append(w.blocks, nil)
		}
		i := p.Number - 1
		if p.Fresh {
			w.blocks[i] = nil
		}
		w.programs[i] = p
		for _, b := range p.Blocks {
			for len(w.blocks[i]) < b.Number {
				w.blocks[i] = append(w.blocks[i], HeardBlock{})
			}
			key := [2]int{p.Number, b.Number}
			if _, ok := w.when[key]; !ok && b.State == Good {
				w.when[key] = now
			}
			if old := w.blocks[i][b.Number-1]; old.State == Good && b.State != Good {
				w.turned++
			}
			w.blocks[i][b.Number-1] = b
		}
		w.blocks[i] = w.blocks[i][:p.Count]
	}
	if len(w.programs) != up.Programs {
		t.Fatalf("%d programs known after an update that says %d", len(w.programs), up.Programs)
	}
	w.again = up.Again
}

// hearLive feeds a recording in chunks of 50 ms.
func hearLive(t *testing.T, cs []*linecode.Code, s []float32) *told {
	t.Helper()
	l, err := NewLive(cs, 44100)
	if err != nil {
		t.Fatal(err)
	}
	w := &told{when: map[[2]int]float64{}}
	for i := 0; i < len(s); i += 2205 {
		l.Feed(s[i:min(i+2205, len(s))])
		w.update(t, l.Update(), l.Seconds())
	}
	l.Close()
	w.update(t, l.Update(), l.Seconds())
	return w
}

// program of each code as machines of its class keep it: blocks with sums of their own.
func liveItem(t *testing.T, c *linecode.Code, n int) Item {
	t.Helper()
	if c.Pulses != nil {
		return item(t, FormPulse500, MachineTape, "HERON", machineTape("HERON", 0x5200, randomBytes(n, 6)))
	}
	return Item{Name: "X", Kind: Unknown, Blocks: [][]byte{srecords(randomBytes(n/2, 6))}}
}

// Every block of every code is called good within 250 ms of sound after its last byte, chunks of 50 ms included, while
// the cassette runs on, and never otherwise again.
func TestLiveBlocks(t *testing.T) {
	for _, c := range codes(t) {
		t.Run(c.Name, func(t *testing.T) {
			t.Parallel()
			n := int(4/c.FrameSeconds()) / 2
			s, _ := side(t, SideOptions{Code: c, StartS: 0.3, GapS: 1, EndS: 1, Mastering: Mastering{LeaderS: 2}}, liveItem(t, c, n), liveItem(t, c, n/2))
			portable, err := PresetNamed("portable")
			if err != nil {
				t.Fatal(err)
			}
			portable.DropoutsMinute, portable.CrossDB = 0, 0 // what they cost is another matter
			for what, x := range map[string][]float32{"as written": s, "portable": Impair(s, 44100, 1, portable, 1)} {
				lists := [][]*linecode.Code{{c}}
				if what == "portable" && (c.Name == "pulse500" || c.Name == "kcs1200") {
					lists = append(lists, codes(t)) // all listened for at once
				}
				for _, cs := range lists {
					w := hearLive(t, cs, x)
					late, blocks := 0.0, 0
					for i := range w.programs {
						for _, b := range w.blocks[i] {
							if b.State != Good {
								t.Errorf("%s, %d codes: program %d %s %q: %+v", what, len(cs), i+1, w.programs[i].Kind, w.programs[i].Name, b)
							}
							late = math.Max(late, w.when[[2]int{i + 1, b.Number}]-b.ToS)
							blocks++
						}
					}
					t.Logf("%s, %d codes: %d blocks, %.0f ms late at most", what, len(cs), blocks, 1000*late)
					if len(w.programs) != 2 || blocks < 2 || w.programs[0].State != Good || w.programs[1].State != Good {
						t.Errorf("%s, %d codes: %d programs, %d blocks, %+v", what, len(cs), len(w.programs), blocks, w.programs)
					}
					if late > 0.25 || w.turned > 0 {
						t.Errorf("%s, %d codes: a block was known %.0f ms after its end; %d were good and then not", what, len(cs), 1000*late, w.turned)
					}
				}
			}
		})
	}
}

// What is called good while the cassette runs is good in the end: over the named cassette paths, down to a worn tape, no
// block that Live calls good is anything else when the whole recording is read. The other way round it may be more
// cautious.
func TestLiveIsNoOptimist(t *testing.T) {
	for _, c := range codes(t) {
		t.Run(c.Name, func(t *testing.T) {
			t.Parallel()
			n := int(4/c.FrameSeconds()) / 2
			s, _ := side(t, SideOptions{Code: c, StartS: 0.3, GapS: 2, EndS: 1, Mastering: Mastering{LeaderS: 2}}, liveItem(t, c, n), liveItem(t, c, n/2))
			caution, good := 0, 0
			for _, path := range []string{"tired", "bad"} {
				p, err := PresetNamed(path)
				if err != nil {
					t.Fatal(err)
				}
				p.DropoutsMinute = 20
				x := Impair(s, 44100, 1, p, 3)
				lists := [][]*linecode.Code{{c}}
				if c.Name == "kcs1200" && path == "bad" {
					lists = append(lists, codes(t))
				}
				for _, cs := range lists {
					end := map[string][]HeardBlock{}
					for _, p := range read(t, x, 1, cs, ReadOptions{}).Heard(cs) {
						end[p.Kind] = append(end[p.Kind], p.Blocks...)
					}
					w := hearLive(t, cs, x)
					for i, blocks := range w.blocks {
						for _, b := range blocks {
							if b.State == Hearing {
								t.Errorf("%s: still %+v after the end", path, b)
							}
							if b.State != Good {
								caution++
								continue
							}
							good++
							found := false
							for _, e := range end[w.programs[i].Kind] {
								if math.Abs(e.FromS-b.FromS) < 0.01 && math.Abs(e.ToS-b.ToS) < 0.01 {
									found = found || e.State == Good
								}
							}
							if !found {
								t.Errorf("%s, %d codes: program %d %s: %+v is not good in the end", path, len(cs), i+1, w.programs[i].Kind, b)
							}
						}
					}
				}
			}
			t.Logf("%d good, %d with more caution", good, caution)
			if good == 0 {
				t.Error("nothing was called good")
			}
		})
	}
}

// An outside modem writes the sound: minimodem's Kansas City tones (--tx, 300 bit/s, 2400 and 1200 Hz), heard line by
// line while it plays.
func TestLiveHearsMinimodem(t *testing.T) {
	data := srecords(randomBytes(64, 8))
	dir := t.TempDir()
	modem, tone, whole := filepath.Join(dir, "modem.wav"), filepath.Join(dir, "tone.wav"), filepath.Join(dir, "whole.wav")
	cmd := exec.Command("minimodem", "--tx", "--file", modem, "-R", "44100", "-M", "2400", "-S", "1200", "--startbits", "1", "--stopbits", "2", "-8", "300")
	cmd.Stdin = bytes.NewReader(data)
	if out, err := cmd.CombinedOutput(); err != nil {
		t.Fatalf("minimodem (make test installs it): %v\n%s", err, out)
	}
	// It writes a leader of a few bits; the standard asks for 5 s of mark (sheet A1), which sox puts before it, and silence behind.
	tool(t, "sox", "-n", "-r", "44100", "-c", "1", "-b", "16", tone, "synth", "5", "sine", "2400", "vol", "0.9")
	tool(t, "sox", tone, modem, whole, "pad", "0", "1")
	f, err := audio.Open(whole)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	var x []float32
	buf := make([]float32, 4096)
	for {
		n, err := f.Read(buf)
		x = append(x, buf[:n]...)
		if err == io.EOF {
			break
		}
		if err != nil {
			t.Fatal(err)
		}
	}
	w := hearLive(t, codes(t), x)
	if len(w.programs) != 1 || w.programs[0].Code != "kcs300" {
		t.Fatalf("%+v", w.programs)
	}
	good := 0
	for _, b := range w.blocks[0] {
		if b.State == Good {
			good++
			if late := w.when[[2]int{1, b.Number}] - b.ToS; late > 0.25 {
				t.Errorf("%q known %.0f ms after its end", b.What, 1000*late)
			}
		}
	}
	if good != 5 { // four of 16 bytes and the end record
		t.Errorf("%d records good, want 5: %+v", good, w.blocks[0])
	}
}

// A block that was lost is on the list of what to play again, with the place of its leader, until another pass brings it.
func TestLivePlayAgain(t *testing.T) {
	c := codes(t, "pulse500")[0]
	it := item(t, FormPulse500, MachineTape, "HERON", machineTape("HERON", 0x5200, randomBytes(600, 6)))
	s, sd := side(t, SideOptions{Code: c, StartS: 3, GapS: 2, EndS: 1}, it, it)
	at := sd.Entries[0].FromS + SideOptions{Code: c}.Seconds(Item{Blocks: [][]byte{make([]byte, 300)}}) // inside block 2
	for i := int(at * 44100); i < int((at+0.1)*44100); i++ {
		s[i] = 0
	}
	cut := int((sd.Entries[1].FromS - 1) * 44100)
	w := hearLive(t, []*linecode.Code{c}, s[:cut])
	if len(w.again) != 1 || !strings.HasPrefix(w.again[0], "Block 2 of HERON, 0:") || !strings.HasSuffix(w.again[0], ": checksum wrong; wind back to before 0:02.0 and play again") {
		t.Errorf("after the first pass: %q", w.again)
	}
	if b := w.blocks[0]; len(b) != 3 || b[0].State != Good || b[1].State != Lost || b[2].State != Good || w.programs[0].State != LostInPart {
		t.Errorf("%+v", b)
	}
	if w = hearLive(t, []*linecode.Code{c}, s); len(w.again) != 0 || len(w.programs) != 2 || w.programs[1].State != Good {
		t.Errorf("after the second pass: %q, %+v", w.again, w.programs)
	}
}

// BASIC and text, which have no sums, and a name that is heard before its first block is over.
func TestLiveForms(t *testing.T) {
	c := codes(t, "pulse500")[0]
	mc := machineTape("HERON", 0x5200, randomBytes(300, 1))
	s, sd := side(t, SideOptions{Code: c, StartS: 0.5, GapS: 1, EndS: 0.5},
		item(t, FormPulse500, MachineTape, "HERON", mc), item(t, FormPulse500, BASICTape, "H", basicTape(12)), item(t, FormPulse500, Text, "NOTE", []byte("FIRST LINE\nSECOND LINE\n")))
	w := hearLive(t, codes(t), s)
	if len(w.programs) != 3 {
		t.Fatalf("%+v", w.programs)
	}
	for i, want := range []struct {
		kind, name, what string
		blocks           int
	}{{MachineTape, "HERON", "load address 5300h", 2}, {BASICTape, "H", "bytes 0 to 188", 1}, {Text, "", `"SECOND LINE?"`, 2}} {
		p, b := w.programs[i], w.blocks[i]
		if p.Kind != want.kind || p.Name != want.name || p.State != Good || len(b) != want.blocks || b[len(b)-1].What != want.what || b[len(b)-1].State != Good {
			t.Errorf("program %d: %+v %+v", i+1, p, b)
		}
	}
	l, err := NewLive([]*linecode.Code{c}, 44100)
	if err != nil {
		t.Fatal(err)
	}
	named := 0.0
	for i := 0; named == 0 && i+2205 <= len(s); i += 2205 {
		l.Feed(s[i : i+2205])
		for _, p := range l.Update().Changed {
			if p.Name == "HERON" {
				named = l.Seconds()
			}
		}
	}
	nameEnd := sd.Entries[0].FromS + SideOptions{Code: c}.Seconds(Item{Blocks: [][]byte{make([]byte, 9)}}) // 2 bytes of the block with it
	if named == 0 || named > nameEnd+0.25 {
		t.Errorf("the name was heard at %.2f s, it ends at %.2f s", named, nameEnd)
	}
}

// Music, speech and noise are no program, and nothing of them is called good at any time.
func TestLiveHearsNothing(t *testing.T) {
	for name, s := range otherSounds(12 * 44100) {
		w := hearLive(t, codes(t), s)
		if len(w.programs) > 0 || len(w.when) > 0 {
			t.Errorf("%s: %+v, called good: %v", name, w.programs, w.when)
		}
	}
}

// FuzzHeard lists the blocks of bytes of any kind, heard byte after byte: what is told once of settled bytes must agree
// with what is told when all of them are there.
func FuzzHeard(f *testing.F) {
	f.Add(machineTape("HERON", 0x5200, []byte("saltmarsh")), uint8(0))
	f.Add(srecords([]byte("saltmarsh collection")), uint8(1))
	f.Add(basicTape(3), uint8(0))
	f.Add([]byte("A LINE\r"), uint8(2))
	cs := codes(f, "pulse500", "kcs300", "phase1500")
	f.Fuzz(func(t *testing.T, data []byte, which uint8) {
		data = data[:min(len(data), 1<<11)]
		c := cs[int(which)%len(cs)]
		s := soft(data, 10)
		for i := range s {
			s[i].At, s[i].Length = float64(1000*i), 1000
		}
		var p, once HeardProgram
		l := &Live{rate: 44100, rev: 1}
		for n := 1; n <= len(data); n += 1 + n/8 {
			h := &hearer{l: l, code: c, soft: s[:n], data: data[:n], stands: float64(1000 * n)}
			h.hear(&p, 0)
			at := 0
			for i, b := range p.Blocks {
				if b.Number != i+1 || b.from < at || b.to <= b.from || b.to > n || b.State == "" {
					t.Fatalf("after %d bytes: block %+v at %d", n, b, at)
				}
				at = b.to
			}
			l.rev++
		}
		if len(data) == 0 {
			return
		}
		all := func() *hearer {
			return &hearer{l: &Live{rate: 44100}, code: c, soft: s, data: data, ended: true, stands: math.Inf(1)}
		}
		all().hear(&p, 0)
		all().hear(&once, 0)
		if !sameProgram(&p, &once, nil) && len(p.Blocks) != len(once.Blocks) {
			t.Fatalf("heard byte after byte: %+v\nat once: %+v", p, once)
		}
		for i := range p.Blocks {
			if p.Blocks[i].rev = 0; !p.Blocks[i].same(&once.Blocks[i]) {
				t.Fatalf("heard byte after byte: %+v\nat once: %+v", p.Blocks[i], once.Blocks[i])
			}
		}
	})
}
