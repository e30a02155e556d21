package adapter

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"strings"
	"testing"
	"time"

	"remanence/bench"
	"remanence/disk"
	"remanence/disk/flux"
	"remanence/machine"
)

// TestMain lets the test binary be the program on the other side of the line: good, or bad in a named way.
func TestMain(m *testing.M) {
	switch os.Getenv("ADAPTER_AS") {
	case "":
		os.Exit(m.Run())
	case "simulator":
		if err := Simulate(context.Background(), os.Stdin, os.Stdout, 82); err != nil {
			os.Exit(1)
		}
	case "silent":
		_, _ = io.Copy(io.Discard, os.Stdin)
		select {}
	case "deaf":
		select {}
	case "babble":
		for {
			fmt.Println("hello hello")
		}
	case "endless":
		for {
			fmt.Print("xxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxx")
		}
	case "dies":
		fmt.Fprintln(os.Stderr, "the board is not plugged in")
		os.Exit(3)
	case "wrong-id":
		fmt.Println(`{"id":77,"ok":true,"version":1,"cylinders":80,"heads":2}`)
		select {}
	case "forgets": // says ok to all, keeps nothing
		b := make([]byte, 1<<20)
		for id := 1; ; id++ {
			if _, err := os.Stdin.Read(b); err != nil {
				return
			}
			fmt.Printf(`{"id":%d,"ok":true,"name":"x","version":1,"writes":true,"cylinders":80,"heads":2}`+"\n", id)
		}
	}
}

func as(t *testing.T, kind string) []string {
	t.Helper()
	t.Setenv("ADAPTER_AS", kind)
	return []string{os.Args[0]}
}

func TestSimulatorConforms(t *testing.T) {
	for _, r := range Conform(context.Background(), as(t, "simulator"), 20*time.Second) {
		if !r.OK {
			t.Errorf("%s: %s", r.Name, r.Why)
		}
	}
}

// Programs that do not keep to the protocol are found out, and none of them outlives its connection or holds it up.
func TestBadAdapters(t *testing.T) {
	for _, kind := range []string{"silent", "deaf", "babble", "endless", "dies", "wrong-id", "forgets"} {
		command := as(t, kind)
		start := time.Now()
		failed := 0
		for _, r := range Conform(context.Background(), command, 500*time.Millisecond) {
			if !r.OK {
				failed++
				if kind == "dies" && !strings.Contains(r.Why, "not plugged in") {
					t.Errorf("dies: %q does not pass on what the program said", r.Why)
				}
			}
		}
		if failed == 0 {
			t.Errorf("%s: every test passed", kind)
		}
		if d := time.Since(start); d > 30*time.Second {
			t.Errorf("%s: took %v", kind, d)
		}
	}
}

func TestCancelEndsTheProgram(t *testing.T) {
	c, err := start(as(t, "silent"), time.Minute)
	if err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithCancel(context.Background())
	cancel()
	if _, err := c.ask(ctx, Request{Do: "hello"}); !errors.Is(err, context.Canceled) {
		t.Errorf("%v", err)
	}
	if c.cmd.ProcessState == nil {
		t.Error("the program is still there")
	}
}

// A whole disk through the line: written, verified, read; F8 and zero-based numbers with it.
func TestDiskThroughAdapter(t *testing.T) {
	s, err := machine.Load("")
	if err != nil {
		t.Fatal(err)
	}
	for _, ref := range []string{"fm10x256:5x1", "mfm18x256-fmboot:4x2", "mfm15x512:3x2"} {
		rec, err := s.Recording(ref)
		if err != nil {
			t.Fatal(err)
		}
		im := disk.NewImage(rec)
		for i := range im.Data {
			im.Data[i] = byte(i * 11 >> 2)
		}
		first := disk.Place{Cylinder: 2, Sector: rec.Format(2, 0).FirstID}
		im.SetMark(first, disk.MarkDeleted)
		comb := &bench.Combination{Steps: 1, Settings: bench.Settings{RPM: rec.RPM}}
		d, err := Start(context.Background(), as(t, "simulator"), 20*time.Second, comb)
		if err != nil {
			t.Fatal(err)
		}
		r, err := bench.WriteDisk(context.Background(), d, im, rec, comb, bench.WriteOptions{})
		if err != nil || !r.Whole {
			t.Errorf("%s: %v %+v", ref, err, r)
		}
		back, lost, err := bench.ReadDisk(context.Background(), d, rec, comb, nil, nil)
		if err != nil || lost != 0 || !bytes.Equal(back.Data, im.Data) {
			t.Errorf("%s: read back: %v, %d lost", ref, err, lost)
		} else if x, _ := back.Sector(first); x.Mark != disk.MarkDeleted {
			t.Errorf("%s: mark %02X, want F8", ref, x.Mark)
		}
		d.Close()
	}
}

func FuzzAnswer(f *testing.F) {
	f.Add([]byte(`{"id":1,"ok":true,"name":"x","version":1,"cylinders":80,"heads":2}`))
	f.Add([]byte(`{"id":1,"capture":"cmVtYW5lbmNlLWludGVydmFscyAx"}`))
	f.Fuzz(func(t *testing.T, line []byte) {
		a, err := ParseAnswer(line)
		if err == nil && (a.Cylinders > disk.MaxCylinders || a.Heads > 2 || a.ID < 0) {
			t.Fatalf("accepted %+v", a)
		}
	})
}

func FuzzRequest(f *testing.F) {
	f.Add([]byte(`{"id":2,"do":"read","cylinder":3,"head":0,"revolutions":2}`))
	f.Add([]byte(`{"id":2,"do":"write","cylinder":3,"head":9}`))
	f.Fuzz(func(t *testing.T, line []byte) {
		a, _ := serve(line, map[[2]int]*flux.Capture{}, 82)
		if a.OK && a.Error != "" {
			t.Fatalf("ok with an error: %+v", a)
		}
	})
}
