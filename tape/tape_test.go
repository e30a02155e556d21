package tape

import (
	"bytes"
	"context"
	"encoding/binary"
	"fmt"
	"math"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"

	"remanence/tape/audio"
	"remanence/tape/linecode"
)

// machineTape builds a tape of blocks by the sheet's rules, independently of package program.
func machineTape(name string, address int, data []byte) []byte {
	b := append([]byte{0x55}, (name + "      ")[:6]...)
	for at := 0; at < len(data); at += 256 {
		d := data[at:min(at+256, len(data))]
		a := address + at
		sum := byte(a) + byte(a>>8)
		for _, c := range d {
			sum += c
		}
		b = append(append(append(b, 0x3C, byte(len(d)), byte(a), byte(a>>8)), d...), sum)
	}
	return append(b, 0x78, byte(address), byte(address>>8))
}

// basicTape builds lines with right links.
func basicTape(lines int) []byte {
	b := []byte{0xD3, 0xD3, 0xD3, 'H'}
	at := 0x42E9
	for i := 1; i <= lines; i++ {
		text := []byte(fmt.Sprintf("\xB2\"HERON %d\"", i))
		next := at + 5 + len(text)
		b = binary.LittleEndian.AppendUint16(b, uint16(next))
		b = binary.LittleEndian.AppendUint16(b, uint16(10*i))
		b = append(append(b, text...), 0)
		at = next
	}
	return append(b, 0, 0)
}

func item(t testing.TB, form, kind, name string, data []byte) Item {
	t.Helper()
	it, err := Encode(form, kind, name, data)
	if err != nil {
		t.Fatal(err)
	}
	return it
}

func read(t testing.TB, s []float32, channels int, cs []*linecode.Code, o ReadOptions) *Result {
	t.Helper()
	r, err := Read(context.Background(), audio.NewBuffer(44100, channels, s), cs, o, nil)
	if err != nil {
		t.Fatal(err)
	}
	return r
}

// Every code, recognised by itself, gives its bytes back.
func TestEveryCode(t *testing.T) {
	all := codes(t)
	for _, c := range all {
		data := randomBytes(90, 3)
		s, _ := side(t, SideOptions{Code: c, StartS: 0.3, EndS: 0.3}, Item{Name: "X", Kind: Unknown, Blocks: [][]byte{data}})
		r := read(t, s, 1, all, ReadOptions{Raw: true})
		if r.LineCode != c.Name || !bytes.Equal(r.Raw, data) {
			t.Errorf("%s: recognised as %q, %d of %d bytes\n%s", c.Name, r.LineCode, len(r.Raw), len(data), r.Verdict)
		}
	}
}

// The forms of the pulse class: written, read, whole, with names.
func TestForms(t *testing.T) {
	data := randomBytes(600, 1)
	text := "FIRST LINE\nSECOND LINE\n"
	mc, bas := machineTape("HERON", 0x5200, data), basicTape(12)
	leader := append(make([]byte, 256), 0xA5)
	o := SideOptions{Code: codes(t, "pulse500")[0], StartS: 0.5, GapS: 1, EndS: 0.5}
	s, sd := side(t, o,
		item(t, FormPulse500, MachineTape, "HERON", append(leader, mc...)), // as archives keep it
		item(t, FormPulse500, BASICTape, "H", bas),
		item(t, FormPulse500, Text, "NOTE", []byte(text)))
	r := read(t, s, 1, codes(t), ReadOptions{})
	if len(r.Programs) != 3 {
		t.Fatalf("%d programs, want 3: %s", len(r.Programs), r.Verdict)
	}
	for i, want := range []struct {
		kind, name string
		data       []byte
	}{{MachineTape, "HERON", mc}, {BASICTape, "H", bas}, {Text, "", []byte("FIRST LINE\rSECOND LINE\r")}} {
		p := r.Programs[i]
		if p.Kind != want.kind || p.Name != want.name || !p.Whole || !bytes.Equal(p.Data, want.data) {
			t.Errorf("program %d: %s %q whole %v, %d bytes; want %s %q, %d bytes", i, p.Kind, p.Name, p.Whole, len(p.Data), want.kind, want.name, len(want.data))
		}
		if e := sd.Entries[i]; p.FromS < e.FromS || p.ToS > e.ToS+0.05 {
			t.Errorf("program %d: heard at %.2f-%.2f s, written at %.2f-%.2f s", i, p.FromS, p.ToS, e.FromS, e.ToS)
		}
	}
	if len(r.Faults) != 0 {
		t.Errorf("faults on a clean tape: %v", r.Faults)
	}
}

// Two programs with no pause between them are one run of bits; the leader in its middle, at any bit, parts them.
func TestNoGap(t *testing.T) {
	a, b := machineTape("ONE", 0x5200, randomBytes(300, 4)), machineTape("TWO", 0x6000, randomBytes(200, 5))
	c := codes(t, "pulse500")[0]
	m, err := linecode.NewModulator(c, 44100, linecode.Shape{})
	if err != nil {
		t.Fatal(err)
	}
	m.Leader()
	m.Sync()
	m.Write(a)
	m.Bits(0, 0, 0) // three bits out of step
	m.Leader()
	m.Sync()
	m.Write(b)
	m.Write([]byte{0xFF}) // a reader that counts bytes from the first sync cannot end between two of them
	m.Silence(0.5)
	r := read(t, m.ReadAll(), 1, codes(t), ReadOptions{})
	if len(r.Programs) != 2 || !bytes.Equal(r.Programs[0].Data, a) || !bytes.Equal(r.Programs[1].Data, b) || !r.Programs[0].Whole || !r.Programs[1].Whole {
		t.Errorf("%d programs: %s; %v", len(r.Programs), r.Verdict, r.Faults)
	}
}

func tool(t testing.TB, name string, args ...string) []byte {
	t.Helper()
	p, err := exec.LookPath(name)
	if err != nil {
		t.Fatalf("%s is not installed; 'make test' installs what the outside checks need", name)
	}
	out, err := exec.Command(p, args...).CombinedOutput()
	if err != nil {
		t.Fatalf("%s %v: %v\n%s", name, args, err, out)
	}
	return out
}

func wavFile(t testing.TB, path string, f audio.Format, s []float32) {
	t.Helper()
	o, err := os.Create(path)
	if err != nil {
		t.Fatal(err)
	}
	defer o.Close()
	k, err := audio.CreateWAV(o, f, int64(len(s)/f.Channels))
	if err != nil {
		t.Fatal(err)
	}
	if err := k.Write(s); err != nil {
		t.Fatal(err)
	}
	if err := k.Close(); err != nil {
		t.Fatal(err)
	}
}

func readPath(t testing.TB, path string, o ReadOptions) *Result {
	t.Helper()
	f, err := audio.Open(path)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	r, err := Read(context.Background(), f, codes(t), o, nil)
	if err != nil {
		t.Fatal(err)
	}
	return r
}

// A modem program of other people hears our tape, and we hear its.
func TestMinimodem(t *testing.T) {
	dir := t.TempDir()
	text := "Saltmarsh Computing Collection\r\n:04FEDC00210080CFB2\r\n:00000001FF\r\n"
	s, _ := side(t, SideOptions{Code: codes(t, "kcs300")[0], StartS: 0.2}, item(t, FormRaw, Text, "X", []byte(text)))
	ours := filepath.Join(dir, "ours.wav")
	wavFile(t, ours, audio.Format{RateHz: 44100, Channels: 1, Bits: 16}, s)
	args := []string{"-M", "2400", "-S", "1200", "--startbits", "1", "--stopbits", "2", "-8"}
	heard := tool(t, "minimodem", append(append([]string{"--rx", "--quiet", "--file", ours}, args...), "300")...)
	if !bytes.Contains(heard, []byte(text)) {
		t.Errorf("minimodem heard %q", heard)
	}
	theirs := filepath.Join(dir, "theirs.wav")
	cmd := exec.Command("minimodem", append(append([]string{"--tx", "--file", theirs}, args...), "300")...)
	cmd.Stdin = strings.NewReader(text)
	if out, err := cmd.CombinedOutput(); err != nil {
		t.Fatalf("minimodem: %v\n%s", err, out)
	}
	// It writes a leader of a few bits; the standard asks for 5 s of mark (sheet A1), which sox puts before it.
	tone, whole := filepath.Join(dir, "tone.wav"), filepath.Join(dir, "whole.wav")
	tool(t, "sox", "-n", "-r", "48000", "-c", "1", "-b", "16", tone, "synth", "5", "sine", "2400", "vol", "0.9")
	tool(t, "sox", tone, theirs, whole)
	r := readPath(t, whole, ReadOptions{Raw: true})
	if r.LineCode != "kcs300" || !bytes.Contains(r.Raw, []byte(text)) {
		t.Errorf("minimodem's tape: %q, code %q", r.Raw, r.LineCode)
	}
}

// Recordings as sox makes them of ours: other rates and sample sizes, quiet, fast, in stereo with one channel turned.
func TestThroughSox(t *testing.T) {
	dir := t.TempDir()
	in := filepath.Join(dir, "in.wav")
	mc := machineTape("HERON", 0x5200, randomBytes(256, 9))
	s, _ := side(t, SideOptions{Code: codes(t, "pulse500")[0], StartS: 0.5, EndS: 0.5}, item(t, FormPulse500, MachineTape, "HERON", mc))
	wavFile(t, in, audio.Format{RateHz: 44100, Channels: 1, Bits: 16}, s)
	for i, tt := range []struct {
		what string
		pre  []string // before the output name
		post []string // effects
		ext  string
	}{
		{"8 bits, 22.05 kHz", []string{"-b", "8", "-r", "22050"}, nil, "wav"},
		{"24 bits, 192 kHz", []string{"-b", "24", "-r", "192000"}, nil, "wav"},
		{"float, 48 kHz", []string{"-e", "float", "-b", "32", "-r", "48000"}, nil, "wav"},
		{"FLAC, 40 dB down", nil, []string{"vol", "-40dB"}, "flac"},
		{"5 % fast", nil, []string{"speed", "1.05"}, "wav"},
		{"upside down", nil, []string{"vol", "-1"}, "wav"},
		{"stereo, right turned", []string{"-c", "2"}, []string{"remix", "1", "1i"}, "wav"},
		{"stereo, left empty", []string{"-c", "2"}, []string{"remix", "0", "1"}, "wav"},
		{"300 Hz to 4 kHz", nil, []string{"highpass", "300", "lowpass", "4000"}, "wav"},
		{"noise added by sox", nil, []string{"dither", "-a"}, "wav"},
	} {
		out := filepath.Join(dir, fmt.Sprintf("o%d.%s", i, tt.ext))
		args := append([]string{"-D", in}, tt.pre...)
		if tt.what == "noise added by sox" {
			args = []string{in, "-b", "8"}
		}
		tool(t, "sox", append(append(args, out), tt.post...)...)
		r := readPath(t, out, ReadOptions{})
		if len(r.Programs) != 1 || !r.Programs[0].Whole || !bytes.Equal(r.Programs[0].Data, mc) {
			t.Errorf("%s: %s; %v", tt.what, r.Verdict, r.Faults)
			continue
		}
		if tt.what == "5 % fast" && math.Abs(r.SpeedPercent-5) > 0.2 {
			t.Errorf("speed %.2f %%, sox made it 5 %% fast", r.SpeedPercent)
		}
		if inv := r.Polarity == "inverted"; tt.what == "upside down" && !inv || tt.what == "5 % fast" && inv {
			t.Errorf("%s: polarity %s", tt.what, r.Polarity)
		}
		if tt.what == "stereo, right turned" {
			c := r.Diagnosis.Channels
			if c[0].Inverted == nil || c[1].Inverted == nil || *c[0].Inverted || !*c[1].Inverted {
				t.Errorf("right channel is turned; diagnosis: %+v", c)
			}
		}
	}
}

// The named cassette paths: what they promise.
func TestPresets(t *testing.T) {
	mc := machineTape("HERON", 0x5200, randomBytes(700, 2))
	s, _ := side(t, SideOptions{Code: codes(t, "pulse500")[0], StartS: 0.5, EndS: 0.5}, item(t, FormPulse500, MachineTape, "HERON", mc))
	for _, name := range []string{"clean", "good", "portable", "tired"} {
		p, err := PresetNamed(name)
		if err != nil {
			t.Fatal(err)
		}
		p.DropoutsMinute = 0 // what dropouts cost is another test's matter
		for seed := uint64(1); seed <= 2; seed++ {
			r := read(t, Impair(s, 44100, 1, p, seed), 1, codes(t), ReadOptions{NoRepair: true})
			if len(r.Programs) != 1 || !r.Programs[0].Whole || !bytes.Equal(r.Programs[0].Data, mc) {
				t.Errorf("%s, seed %d: %s %v", name, seed, r.Verdict, r.Faults)
			}
		}
	}
	if _, err := PresetNamed("perfect"); err == nil || !strings.Contains(err.Error(), "clean, good, portable") {
		t.Errorf("unknown preset: %v", err)
	}
}

// Same arguments, same samples.
func TestDeterministic(t *testing.T) {
	c := codes(t, "pulse500")[0]
	it := Item{Name: "X", Kind: Unknown, Blocks: [][]byte{randomBytes(50, 1)}}
	a, _ := side(t, SideOptions{Code: c}, it)
	b, _ := side(t, SideOptions{Code: c}, it)
	p, _ := PresetNamed("bad")
	x, y, z := Impair(a, 44100, 1, p, 7), Impair(b, 44100, 1, p, 7), Impair(b, 44100, 1, p, 8)
	if len(x) != len(y) {
		t.Fatalf("%d and %d samples", len(x), len(y))
	}
	differ := len(x) != len(z)
	for i := range x {
		if x[i] != y[i] {
			t.Fatalf("sample %d differs", i)
		}
		differ = differ || i < len(z) && x[i] != z[i]
	}
	if !differ {
		t.Error("another seed gave the same samples")
	}
}

// Sheet checks 5 and 6: 16384 bytes take 600.747 s at 300 baud, 150.187 s at 1200, in 11-bit frames; 3600 marks 3.0 s.
func TestSeconds(t *testing.T) {
	data := make([]byte, 16384)
	for _, tt := range []struct {
		code string
		want float64
	}{{"kcs300", 600.747}, {"kcs1200", 150.187}} {
		c := *codes(t, tt.code)[0]
		got := SideOptions{Code: &c}.Seconds(Item{Blocks: [][]byte{data}}) - c.LeaderSeconds() - c.TrailerSeconds()
		if math.Abs(got-tt.want) > 0.0005 {
			t.Errorf("%s: %.4f s, want %.3f (sheet check 5)", tt.code, got, tt.want)
		}
	}
	// What is promised is what is written.
	for _, name := range []string{"pulse500", "kcs300", "width2k1k", "half1200"} {
		o := SideOptions{Code: codes(t, name)[0], Mastering: Mastering{Speed: 1.02}}
		it := Item{Name: "X", Kind: Text, Blocks: [][]byte{[]byte("ONE\r"), []byte("TWO\r")}}
		_, s := side(t, o, it)
		if d := s.Seconds - o.Seconds(it); math.Abs(d) > 0.02 {
			t.Errorf("%s: written %.3f s, promised %.3f s", name, s.Seconds, o.Seconds(it))
		}
	}
}

func TestPlanSides(t *testing.T) {
	o := SideOptions{Code: codes(t, "pulse500")[0], StartS: 8, GapS: 5, EndS: 10}
	var items []Item
	for i := range 9 {
		items = append(items, Item{Name: fmt.Sprint(i), Kind: Unknown, Blocks: [][]byte{make([]byte, 4000+3000*i)}})
	}
	sides, left, err := PlanSides(items, 450, o) // C-15: 7.5 min a side
	if err != nil {
		t.Fatal(err)
	}
	on := map[int]bool{}
	total := 0.0
	for _, s := range sides {
		at := o.StartS + o.EndS - o.GapS
		for k, i := range s {
			at += o.ItemSeconds(items[i])
			if on[i] || k > 0 && s[k-1] > i {
				t.Errorf("side %v: item %d twice or out of order", s, i)
			}
			on[i] = true
			total += o.ItemSeconds(items[i])
		}
		if at > 450+1e-6 {
			t.Errorf("side %v takes %.0f s of 450", s, at)
		}
	}
	for _, l := range left {
		if o.ItemSeconds(items[l.Index]) <= 450-o.StartS-o.EndS+o.GapS {
			t.Errorf("item %d left out, and it fits: %s", l.Index, l.Why)
		}
		on[l.Index] = true
	}
	if len(on) != len(items) {
		t.Errorf("%d items of %d accounted for", len(on), len(items))
	}
	if bound := int(math.Ceil(total / (450 - o.StartS - o.EndS + o.GapS))); len(sides) > bound+1 {
		t.Errorf("%d sides, at least %d are needed", len(sides), bound)
	}
}

// A counter geared to a spool: hub radius 11 mm, tape 18 um thick, 47.625 mm/s; revolutions are (r - r0)/d with
// r^2 = r0^2 + d v t / pi. Two readings settle it for every other time.
func TestCounter(t *testing.T) {
	truth := func(s float64) float64 {
		r0, d := 11.0, 0.018
		return 0.55 * (math.Sqrt(r0*r0+d*tapeSpeedMM*s/math.Pi) - r0) / d
	}
	c, err := NewCounter(300, int(truth(300)+0.5), 1500, int(truth(1500)+0.5))
	if err != nil {
		t.Fatal(err)
	}
	for _, s := range []float64{0, 60, 600, 900, 1800} {
		if got := c.At(s); math.Abs(float64(got)-truth(s)) > 2 {
			t.Errorf("after %.0f s: %d, want %.1f", s, got, truth(s))
		}
	}
	for _, bad := range [][4]float64{{300, 98, 1500, 600}, {300, 98, 1500, 120}, {300, 98, 200, 120}, {0, 1, 2, 3}} {
		if _, err := NewCounter(bad[0], int(bad[1]), bad[2], int(bad[3])); err == nil {
			t.Errorf("readings %v accepted", bad)
		}
	}
}

func TestEncodeRefuses(t *testing.T) {
	for _, tt := range []struct {
		form, kind string
		data       []byte
		err        string
	}{
		{FormPulse500, "load-module", []byte{1, 2}, "no form on a pulse tape"},
		{FormPulse500, MachineTape, append(make([]byte, 20), 0xA5), "nothing after it"},
		{FormPulse500, Text, []byte("\x00"), "empty"},
		{FormPulse500, Text, bytes.Repeat([]byte("x"), 300), "line 1: want at most 254"},
		{FormRaw, Unknown, nil, "empty"},
		{"loops", Unknown, []byte{1}, "block form"},
	} {
		if _, err := Encode(tt.form, tt.kind, "X", tt.data); err == nil || !strings.Contains(err.Error(), tt.err) {
			t.Errorf("%s %s: %v, want %q", tt.form, tt.kind, err, tt.err)
		}
	}
	c := codes(t, "pulse500")[0]
	for what, o := range map[string]SideOptions{
		"no code": {}, "level": {Code: c, Mastering: Mastering{LevelDB: 3}}, "gap": {Code: c, GapS: -1}, "copies": {Code: c, Copies: 99},
		"length": {Code: c, LengthS: 2},
	} {
		var k audio.Collector
		if _, err := WriteSide(context.Background(), &k, []Item{{Name: "X", Blocks: [][]byte{{1}}}}, o, nil); err == nil {
			t.Errorf("%s: accepted", what)
		}
	}
}
