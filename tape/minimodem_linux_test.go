package tape

import (
	"context"
	"os/exec"
	"path/filepath"
	"syscall"
	"testing"
	"time"

	"remanence/tape/audio"
)

func cpu(b *testing.B) time.Duration {
	var u syscall.Rusage
	if err := syscall.Getrusage(syscall.RUSAGE_SELF, &u); err != nil {
		b.Fatal(err)
	}
	return time.Duration(u.Utime.Nano())
}

// BenchmarkBesideMinimodem reads the same kcs300 file with minimodem and with this package, from the file to the bytes,
// and gives the processor time of each for a minute of tape.
func BenchmarkBesideMinimodem(b *testing.B) {
	c := codes(b, "kcs300")
	data := randomBytes(8000, 1)
	s, sd := side(b, SideOptions{Code: c[0]}, Item{Name: "X", Kind: Unknown, Blocks: [][]byte{data}})
	path := filepath.Join(b.TempDir(), "tape.wav")
	wavFile(b, path, audio.Format{RateHz: 44100, Channels: 1, Bits: 16}, s)
	var ours, theirs time.Duration
	for b.Loop() {
		start := cpu(b)
		f, err := audio.Open(path)
		if err != nil {
			b.Fatal(err)
		}
		r, err := Read(context.Background(), f, c, ReadOptions{Raw: true}, nil)
		f.Close()
		if err != nil || string(r.Raw) != string(data) {
			b.Fatalf("%v, %d of %d bytes", err, len(r.Raw), len(data))
		}
		ours += cpu(b) - start
		cmd := exec.Command("minimodem", "--rx", "--quiet", "--file", path, "-M", "2400", "-S", "1200", "--startbits", "1", "--stopbits", "2", "-8", "300")
		out, err := cmd.Output()
		if err != nil || string(out) != string(data) {
			b.Fatalf("minimodem: %v, %d of %d bytes", err, len(out), len(data))
		}
		theirs += cmd.ProcessState.UserTime()
	}
	minutes := sd.Seconds / 60 * float64(b.N)
	b.ReportMetric(1000*ours.Seconds()/minutes, "ms-cpu/min")
	b.ReportMetric(1000*theirs.Seconds()/minutes, "ms-cpu/min-minimodem")
	b.ReportMetric(ours.Seconds()/theirs.Seconds(), "of-minimodem")
}
