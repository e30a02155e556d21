package kernel_test

import (
	"context"
	"testing"
	"time"

	"remanence/bench"
	"remanence/bench/kernel"
	"remanence/bench/kernel/chip"
	"remanence/disk"
	"remanence/machine"
)

// Forty cylinders written and verified take at most 1.2 times what rotation and stepping allow, in the clock of the
// emulated controller, whose answers come a millisecond late, and no less than half of it: then the clock would be
// wrong. The stepping is the model's own, 6 ms a step and 15 ms to settle.
func TestTimeOfADiskOnAChip(t *testing.T) {
	s, err := machine.Load("")
	if err != nil {
		t.Fatal(err)
	}
	dd48, err := s.Drive("dd48")
	if err != nil {
		t.Fatal(err)
	}
	own := *dd48
	own.StepMS, own.SettleMS, own.MotorMS = 6, 15, 0
	for _, ref := range []string{"fm10x256:40x1", "mfm9x512:40x1", "mfm18x256:40x1"} {
		rec, err := s.Recording(ref)
		if err != nil {
			t.Fatal(err)
		}
		im := disk.NewImage(rec)
		for i := range im.Data {
			im.Data[i] = byte(i>>8 ^ i*5)
		}
		p := chip.New(300)
		p.Delay = func(int) time.Duration { return time.Millisecond }
		begun := p.Now()
		c := &bench.Combination{Steps: 1, Settings: bench.Settings{RPM: 300}}
		r, err := bench.WriteDisk(context.Background(), kernel.New(p, 0, rec, 1), im, rec, c, bench.WriteOptions{})
		if err != nil || !r.Whole {
			t.Fatalf("%s: %v %+v", ref, err, r)
		}
		took, allowed := p.Now().Sub(begun).Seconds(), bench.JobTime(rec, &own, 300).Seconds()
		t.Logf("%s: %.1f s, rotation and stepping allow %.1f s (%.2f)", ref, took, allowed, took/allowed)
		if took > 1.2*allowed || took < 0.5*allowed {
			t.Errorf("%s: %.1f s, rotation and stepping allow %.1f s", ref, took, allowed)
		}
	}
}
