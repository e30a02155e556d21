package main

import (
	"bytes"
	"encoding/json"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
)

// The starter tape from the command line: rehearsed on a small disk, sound measured with soxi.
func TestStarter(t *testing.T) {
	soxi, err := exec.LookPath("soxi")
	if err != nil {
		t.Fatalf("soxi is needed (apt: sox; make test installs it): %v", err)
	}
	dir := t.TempDir()
	img, wav := filepath.Join(dir, "heron.img"), filepath.Join(dir, "heron.wav")
	data := make([]byte, 2*2560)
	r := rand.New(rand.NewPCG(1, 1))
	for i := range data[:3000] {
		data[i] = byte(r.Uint32())
	}
	if err := os.WriteFile(img, data, 0o644); err != nil {
		t.Fatal(err)
	}
	call := func(args ...string) (int, string, string) {
		var out, errs bytes.Buffer
		status := run(append([]string{"starter", "--config", filepath.Join(dir, "none")}, args...), &out, &errs)
		return status, out.String(), errs.String()
	}
	status, out, errs := call(img, "--recording", "fm10x256:2x1", "-o", wav, "--rehearse", "--json", "--quiet", "--sheet", filepath.Join(dir, "s.pdf"))
	if status != 0 {
		t.Fatalf("status %d: %s", status, errs)
	}
	var rep struct {
		AudioS   float64 `json:"audio-s"`
		LoaderS  float64 `json:"loader-s"`
		BitRate  float64 `json:"rate-bit-s"`
		Blocks   int     `json:"blocks"`
		Repeated *int    `json:"repeated"`
		TimeS    float64 `json:"time-s"`
		Verified bool    `json:"verified"`
	}
	if err := json.Unmarshal([]byte(out), &rep); err != nil {
		t.Fatal(err)
	}
	if !rep.Verified || rep.LoaderS >= 25 || rep.BitRate < 2000 || rep.Blocks == 0 || rep.Repeated == nil || *rep.Repeated != 0 || rep.TimeS <= rep.LoaderS {
		t.Errorf("%s", out)
	}
	length, err := exec.CommandContext(t.Context(), soxi, "-D", wav).Output()
	if err != nil {
		t.Fatal(err)
	}
	var s float64
	if err := json.Unmarshal(bytes.TrimSpace(length), &s); err != nil || s < rep.AudioS-0.2 || s > rep.AudioS+0.2 {
		t.Errorf("soxi finds %s s of sound, the report says %v", bytes.TrimSpace(length), rep.AudioS)
	}
	if status, _, errs := call(img, "--recording", "fm10x256:2x1", "-o", wav, "--quiet"); status != 4 || !strings.Contains(errs, "exists already") {
		t.Errorf("a second time: status %d, %s", status, errs)
	}
	if status, _, errs := call(img, "--machine", "board-kcs", "-o", filepath.Join(dir, "x.wav")); status != 2 || !strings.Contains(errs, "no starter program") {
		t.Errorf("a machine without a program: status %d, %s", status, errs)
	}
	if status, out, errs := call("--calibration", "--rehearse", "--json", "--quiet"); status != 0 || !strings.Contains(out, `"verified": false`) {
		t.Errorf("calibration: status %d, %s%s", status, out, errs)
	}
}
