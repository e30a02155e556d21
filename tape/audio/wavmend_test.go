package audio

import (
	"bytes"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
)

// A recording whose writer was stopped is mended to what is there; sox (soxi -D, -s) says how long it is.
func TestMendWAV(t *testing.T) {
	path := filepath.Join(t.TempDir(), "cassette.wav")
	f, err := os.Create(path)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	sink, err := CreateWAV(f, Format{RateHz: 44100, Channels: 1, Bits: 16}, -1)
	if err != nil {
		t.Fatal(err)
	}
	if err := sink.Write(make([]float32, 4410)); err != nil {
		t.Fatal(err)
	}
	if _, err := f.Write([]byte{7}); err != nil { // half a sample
		t.Fatal(err)
	}
	soxi := func() string {
		out, err := exec.Command("soxi", "-s", path).CombinedOutput()
		if err != nil {
			t.Fatalf("soxi (make test installs sox): %v\n%s", err, out)
		}
		return strings.TrimSpace(string(out))
	}
	if got := soxi(); got == "4410" {
		t.Errorf("the header is right before it was mended")
	}
	if mended, err := MendWAV(f, 44+2*4410+1); err != nil || !mended {
		t.Errorf("mended %v, %v", mended, err)
	}
	if got := soxi(); got != "4410" {
		t.Errorf("soxi -s says %s samples, want 4410", got)
	}
	if mended, err := MendWAV(f, 44+2*4410); err != nil || mended {
		t.Errorf("mended again: %v, %v", mended, err)
	}
	if err := sink.Close(); err != nil { // it goes on where it was
		t.Fatal(err)
	}
	for what, b := range map[string][]byte{"short": []byte("RIFF"), "another": bytes.Repeat([]byte("RIFX"), 20)} {
		g := filepath.Join(t.TempDir(), what)
		if err := os.WriteFile(g, b, 0o600); err != nil {
			t.Fatal(err)
		}
		h, err := os.OpenFile(g, os.O_RDWR, 0)
		if err != nil {
			t.Fatal(err)
		}
		if _, err := MendWAV(h, int64(len(b))); err == nil || !strings.Contains(err.Error(), "want") {
			t.Errorf("%s: %v", what, err)
		}
		h.Close()
		if got, _ := os.ReadFile(g); !bytes.Equal(got, b) {
			t.Errorf("%s: changed", what)
		}
	}
}
