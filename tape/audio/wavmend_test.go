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

// A finished recording with a chunk behind its samples (as RIFF allows: Multimedia Programming Interface and Data
// Specifications 1.0) stays as it is: the chunk is not sound.
func TestMendLeavesFinishedAlone(t *testing.T) {
	path := filepath.Join(t.TempDir(), "cassette-tides.wav")
	head := []byte("RIFF\x40\x00\x00\x00WAVEfmt \x10\x00\x00\x00\x01\x00\x01\x00\x44\xAC\x00\x00\x88\x58\x01\x00\x02\x00\x10\x00data\x08\x00\x00\x00")
	b := append(head, "\x00\x01\x00\x02\x00\x03\x00\x04LIST\x0C\x00\x00\x00INFOICMT\x00\x00\x00\x00"...)
	if err := os.WriteFile(path, b, 0o600); err != nil {
		t.Fatal(err)
	}
	f, err := os.OpenFile(path, os.O_RDWR, 0)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	if mended, err := MendWAV(f, int64(len(b))); err != nil || mended {
		t.Errorf("mended %v, %v", mended, err)
	}
	if got, err := os.ReadFile(path); err != nil || !bytes.Equal(got, b) {
		t.Errorf("changed: %v", err)
	}
}
