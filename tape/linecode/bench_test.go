//go:build unix

package linecode

import (
	"errors"
	"io"
	"syscall"
	"testing"
)

// cpuSeconds is the processor time of this process: playing time per core, whatever else the machine is doing.
func cpuSeconds(b *testing.B) float64 {
	var u syscall.Rusage
	if err := syscall.Getrusage(syscall.RUSAGE_SELF, &u); err != nil {
		b.Fatal(err)
	}
	return float64(u.Utime.Nano()+u.Stime.Nano()) / 1e9
}

// benchDemodulate reports times playing time per core as well as samples a second.
func benchDemodulate(b *testing.B, name string, imp impairment) {
	c := codeNamed(b, name)
	x := record(b, c, randomBytes(int(20/c.FrameSeconds()), 1))
	if imp != nil {
		x = imp(x, 1)
	}
	b.SetBytes(int64(len(x)) * 4)
	start, rounds := cpuSeconds(b), 0
	for b.Loop() {
		rounds++
		d, err := NewDemodulator(c, testRate, Options{})
		if err != nil {
			b.Fatal(err)
		}
		for i := 0; i < len(x); i += 8192 {
			d.Feed(x[i:min(i+8192, len(x))])
		}
		d.Close()
		if len(d.Take()) != 1 {
			b.Fatal("want one run")
		}
	}
	b.ReportMetric(float64(len(x))/testRate*float64(rounds)/(cpuSeconds(b)-start), "x-playing-time")
}

func BenchmarkDemodulate(b *testing.B) {
	for _, name := range allCodes {
		b.Run(name, func(b *testing.B) { benchDemodulate(b, name, nil) })
		b.Run(name+"_10dB", func(b *testing.B) { benchDemodulate(b, name, noise(10)) })
	}
	b.Run("kcs300_-8dB", func(b *testing.B) { benchDemodulate(b, "kcs300", noise(-8)) })
	b.Run("kcs1200_-2dB", func(b *testing.B) { benchDemodulate(b, "kcs1200", noise(-2)) })
	b.Run("pulse500_-2dB", func(b *testing.B) { benchDemodulate(b, "pulse500", noise(-2)) })
}

// BenchmarkSearch is a recording with nothing in it: each code's share of looking for leaders.
func BenchmarkSearch(b *testing.B) {
	x := speech(20)
	for _, name := range allCodes {
		b.Run(name, func(b *testing.B) {
			c := codeNamed(b, name)
			b.SetBytes(int64(len(x)) * 4)
			start, rounds := cpuSeconds(b), 0
			for b.Loop() {
				rounds++
				d, err := NewDemodulator(c, testRate, Options{})
				if err != nil {
					b.Fatal(err)
				}
				d.Feed(x)
				d.Close()
			}
			b.ReportMetric(float64(len(x))/testRate*float64(rounds)/(cpuSeconds(b)-start), "x-playing-time")
		})
	}
}

func BenchmarkModulate(b *testing.B) {
	for _, name := range allCodes {
		b.Run(name, func(b *testing.B) {
			c := codeNamed(b, name)
			p := randomBytes(2000, 1)
			buf := make([]float32, 8192)
			samples, start := int64(0), cpuSeconds(b)
			for b.Loop() {
				m, err := NewModulator(c, testRate, Shape{})
				if err != nil {
					b.Fatal(err)
				}
				m.Leader()
				m.Sync()
				m.Write(p)
				for {
					n, err := m.Read(buf)
					samples += int64(n)
					if errors.Is(err, io.EOF) {
						break
					}
				}
			}
			b.SetBytes(samples * 4 / int64(b.N))
			b.ReportMetric(float64(samples)/testRate/(cpuSeconds(b)-start), "x-playing-time")
		})
	}
}

// BenchmarkLive is what listening live costs: chunks of 50 ms, the run under way decided anew after each.
func BenchmarkLive(b *testing.B) {
	for _, name := range allCodes {
		b.Run(name, func(b *testing.B) {
			c := codeNamed(b, name)
			x := noise(10)(record(b, c, randomBytes(int(20/c.FrameSeconds()), 1)), 1)
			start, rounds := cpuSeconds(b), 0
			for b.Loop() {
				rounds++
				d, err := NewDemodulator(c, testRate, Options{})
				if err != nil {
					b.Fatal(err)
				}
				for i := 0; i < len(x); i += testRate / 20 {
					d.Feed(x[i:min(i+testRate/20, len(x))])
					d.Live()
				}
			}
			b.ReportMetric(float64(len(x))/testRate*float64(rounds)/(cpuSeconds(b)-start), "x-playing-time")
		})
	}
}
