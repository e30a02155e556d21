package main

import (
	"bytes"
	"encoding/json"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
)

// tapeJSON is what scripts rely on (issue 2); the names are written out here so that a change is noticed.
type tapeJSON struct {
	LineCode *string `json:"line-code"`
	Programs []struct {
		Name  *string  `json:"name"`
		Kind  *string  `json:"kind"`
		Bytes *int     `json:"bytes"`
		Whole *bool    `json:"whole"`
		FromS *float64 `json:"from-s"`
		ToS   *float64 `json:"to-s"`
		File  *string  `json:"file"`
	} `json:"programs"`
	Faults []struct {
		AtS  *float64 `json:"at-s"`
		What *string  `json:"what"`
	} `json:"faults"`
	Polarity *string  `json:"polarity"`
	Speed    *float64 `json:"speed-percent"`
	Level    *float64 `json:"level-dbfs"`
	Verdict  *string  `json:"verdict"`
}

func tapeCall(t *testing.T, want int, args ...string) string {
	t.Helper()
	status, out, errs := call(t, append([]string{"tape"}, args...)...)
	if status != want {
		t.Fatalf("tape %s: exit %d, want %d\n%s%s", strings.Join(args, " "), status, want, out, errs)
	}
	return out + errs
}

func TestTapeCommands(t *testing.T) {
	dir := t.TempDir()
	p := func(name string) string { return filepath.Join(dir, name) }
	// A machine-code tape by the sheet's rules: 3E 05 C9 at 5200h, sum 00 + 52 + 3E + 05 + C9 = 5Eh, entry 5200h.
	heron := []byte("\x55HERON \x3C\x03\x00\x52\x3E\x05\xC9\x5E\x78\x00\x52")
	if err := os.WriteFile(p("heron.tape"), heron, 0o600); err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(p("note.txt"), []byte("10 PRINT\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	tapeCall(t, 0, "write", p("heron.tape"), p("note.txt"), "-o", p("a.flac"), "--index", p("index.txt"), "--rate", "48000", "--gap-s", "1")
	if out, err := exec.Command("flac", "-t", "-s", "-w", p("a.flac")).CombinedOutput(); err != nil { // the format's own tool
		t.Errorf("flac -t: %v\n%s", err, out)
	}
	if index, _ := os.ReadFile(p("index.txt")); !bytes.Contains(index, []byte("HERON")) || !bytes.Contains(index, []byte("0:01")) {
		t.Errorf("index sheet:\n%s", index)
	}
	status, out, _ := call(t, "--json", "-q", "tape", "read", p("a.flac"), "-o", p("got"))
	if status != 0 {
		t.Fatalf("exit %d\n%s", status, out)
	}
	var j tapeJSON
	if err := json.Unmarshal([]byte(out), &j); err != nil {
		t.Fatal(err)
	}
	if *j.LineCode != "pulse500" || len(j.Programs) != 2 || j.Faults == nil || *j.Polarity != "normal" || *j.Verdict == "" || *j.Level > -3 || *j.Speed > 0.2 || *j.Speed < -0.2 {
		t.Errorf("%s", out)
	}
	h := j.Programs[0]
	if *h.Name != "HERON" || *h.Kind != "machine-tape" || *h.Bytes != len(heron) || !*h.Whole || *h.FromS < 4 || *h.ToS < *h.FromS {
		t.Errorf("%s", out)
	}
	if got, err := os.ReadFile(filepath.Join(p("got"), *h.File)); err != nil || !bytes.Equal(got, heron) {
		t.Errorf("%s: % X, %v", *h.File, got, err)
	}

	// Raw bytes, both ways, in a code with start bits and one with a sync byte.
	raw := []byte{0, 1, 2, 0xFF, 0x78, 0x3C, 0xA5, 0x55, 0xAA, 0x0D, 7, 7, 7, 9}
	if err := os.WriteFile(p("raw.bin"), raw, 0o600); err != nil {
		t.Fatal(err)
	}
	for _, code := range []string{"kcs300", "pulse500"} {
		tapeCall(t, 0, "write", p("raw.bin"), "-o", p(code+".wav"), "--raw", "--code", code)
		tapeCall(t, 0, "read", p(code+".wav"), "--raw", p(code+".bin"))
		if got, err := os.ReadFile(p(code + ".bin")); err != nil || !bytes.Equal(got, raw) {
			t.Errorf("%s: % X, %v", code, got, err)
		}
	}
	// Standard output is the same file.
	status, out, _ = call(t, "-q", "tape", "write", p("raw.bin"), "-o", "-", "--raw", "--code", "kcs300")
	if want, _ := os.ReadFile(p("kcs300.wav")); status != 0 || out != string(want) {
		t.Errorf("to standard output: exit %d, %d bytes, want %d", status, len(out), len(want))
	}

	// Sides of a cassette with counter positions.
	text := tapeCall(t, 0, "write", p("heron.tape"), p("note.txt"), "-o", p("c.wav"), "--cassette", "C-15", "--counter", "300=98,1500=390", "--copies", "2")
	if !strings.Contains(text, "counter") || !strings.Contains(text, "copy 2") || !strings.Contains(text, "free:") {
		t.Errorf("index: %s", text)
	}
	if _, err := os.Stat(p("c-a.wav")); err != nil {
		t.Error(err)
	}
	// Pictures.
	tapeCall(t, 0, "read", p("a.flac"), "--pictures", p("pics"))
	for _, name := range []string{"tape", "level", "speed", "eye", "places"} {
		for _, ext := range []string{".svg", ".png"} {
			if b, err := os.ReadFile(filepath.Join(p("pics"), name+ext)); err != nil || len(b) < 500 {
				t.Errorf("%s%s: %d bytes, %v", name, ext, len(b), err)
			}
		}
	}
	// Two passes of the same tape.
	if text := tapeCall(t, 0, "read", p("a.flac"), p("a.flac")); !strings.Contains(text, "from two recordings") {
		t.Errorf("two passes: %s", text)
	}
}

func TestTapeRefuses(t *testing.T) {
	dir := t.TempDir()
	p := func(name string) string { return filepath.Join(dir, name) }
	for name, b := range map[string]string{"raw.bin": "\x01\x02\xFF\x80", "text.wav": "no sound at all", "empty.wav": "", "long.txt": strings.Repeat("x", 300)} {
		if err := os.WriteFile(p(name), []byte(b), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	for _, tt := range []struct {
		status int
		want   string
		args   []string
	}{
		{2, "--code tin: want one of", []string{"read", p("text.wav"), "--code", "tin"}},
		{2, "--rate 5: want 8000 to 192000", []string{"write", p("raw.bin"), "-o", p("x.wav"), "--rate", "5"}},
		{2, ".wav or .flac", []string{"write", p("raw.bin"), "-o", p("x.mp3"), "--raw"}},
		{2, "--cassette C-1: want", []string{"write", p("raw.bin"), "-o", p("x.wav"), "--raw", "--cassette", "C-1"}},
		{2, "fit no spool", []string{"write", p("raw.bin"), "-o", p("x.wav"), "--raw", "--counter", "300=98,1500=900"}},
		{2, "level: want -40 to 0", []string{"write", p("raw.bin"), "-o", p("x.wav"), "--raw", "--level", "6"}},
		{3, "no form on a pulse tape", []string{"write", p("raw.bin"), "-o", p("x.wav"), "--machine", "z80-fm10", "--bits", "16"}},
		{3, "line 1: want at most 254", []string{"write", p("long.txt"), "-o", p("x.wav")}},
		{3, "want WAV, FLAC, MP3 or Ogg", []string{"read", p("text.wav")}},
		{3, "the file is empty", []string{"read", p("empty.wav")}},
		{3, "no such file", []string{"read", p("absent.wav")}},
		{4, "exists already", []string{"write", p("raw.bin"), "-o", p("text.wav"), "--raw"}},
		{2, "is an input", []string{"write", p("raw.bin"), "-o", p("raw.bin"), "--raw", "--force"}},
	} {
		if got := tapeCall(t, tt.status, tt.args...); !strings.Contains(got, tt.want) {
			t.Errorf("tape %v:\n%s\nwant %q", tt.args, got, tt.want)
		}
	}
	if _, err := os.Stat(p("x.wav")); err == nil {
		t.Error("a refused call left x.wav behind")
	}
	// The help of everything that makes a sound warns of it.
	for _, c := range []string{"write", "calibrate"} {
		if got := tapeCall(t, 0, c, "--help"); !strings.Contains(got, "piercing") || !strings.Contains(got, "microphone") {
			t.Errorf("tape %s --help has no caution", c)
		}
	}
}
