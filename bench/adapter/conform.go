package adapter

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"time"

	"remanence/bench"
	"remanence/disk"
)

// Result is one test of an adapter, or of a controller.
type Result struct {
	Name    string `json:"name"`
	OK      bool   `json:"ok"`
	Unknown bool   `json:"unknown,omitempty"` // nothing could be told
	Why     string `json:"why,omitempty"`
}

// Conform puts a program through the protocol: greeting, writing and reading back an FM and an MFM track, order of
// answers, what lies off the disk, damaged captures, and leaving. Cylinders 0 to 2 of the disk are written.
func Conform(ctx context.Context, command []string, wait time.Duration) []Result {
	var out []Result
	add := func(name string, err error) {
		r := Result{Name: name, OK: err == nil}
		if err != nil {
			r.Why = err.Error()
		}
		out = append(out, r)
	}
	comb := &bench.Combination{Steps: 1, Settings: bench.Settings{RPM: 300}}
	d, err := Start(ctx, command, wait, comb)
	add("greets, and says version, cylinders and heads", err)
	if err != nil {
		return out
	}
	defer d.Close()
	for i, f := range []disk.TrackFormat{
		{Encoding: disk.FM, RateKbit: 125, Sectors: 10, Size: 256, IndexMark: true, Gap0: 40, Gap1: 26, Gap2: 11, Gap3: 12, Sync: 6, GapByte: 0xFF, Fill: 0xE5},
		{Encoding: disk.MFM, RateKbit: 250, Sectors: 9, Size: 512, FirstID: 1, IndexMark: true, Gap0: 80, Gap1: 50, Gap2: 22, Gap3: 80, Sync: 12, GapByte: 0x4E, Fill: 0xF6},
	} {
		rate := f.RateKbit
		if f.Encoding == disk.FM {
			rate *= 2
		}
		t := &bench.Track{Cylinder: i, Physical: i, Format: f, RateKbit: rate}
		code, _ := disk.SizeCodeOf(f.Size)
		for s := range f.Sectors {
			data := make([]byte, f.Size)
			for k := range data {
				data[k] = byte(k*7 + s*31 + i)
			}
			t.Sectors = append(t.Sectors, disk.Sector{Cylinder: i, ID: disk.SectorID{Cylinder: uint8(i), Sector: uint8(f.FirstID + s), SizeCode: code},
				Encoding: f.Encoding, Mark: disk.MarkData, Data: data})
		}
		add(fmt.Sprintf("writes a track of %s and reads it back", f.Encoding), roundTrip(ctx, d, t))
	}
	_, err = d.c.ask(ctx, Request{Do: "read", Cylinder: d.hello.Cylinders + 50, Revolutions: 1})
	add("refuses a cylinder that it does not have", refused(err))
	_, err = d.c.ask(ctx, Request{Do: "dance"})
	add("refuses a request that it does not know", refused(err))
	_, err = d.c.ask(ctx, Request{Do: "write", Cylinder: 2, RPM: 300, Capture: []byte("remanence-intervals 1\nthis is no capture")})
	add("refuses a capture that is damaged", refused(err))
	_, err = d.c.ask(ctx, Request{Do: "read", Cylinder: 0, Revolutions: 1})
	add("goes on after a refusal", err)
	_, err = d.c.ask(ctx, Request{Do: "bye"})
	add("says bye", err)
	select {
	case _, more := <-d.c.lines:
		if more {
			err = errors.New("it goes on talking")
		}
	case <-time.After(5 * time.Second):
		err = errors.New("it does not end within 5 s of bye")
	}
	add("ends after bye", err)
	return out
}

func refused(err error) error {
	switch {
	case err == nil:
		return errors.New("it says ok")
	case errors.Is(err, bench.ErrLinkLost), errors.Is(err, ErrProtocol):
		return err
	}
	return nil
}

func roundTrip(ctx context.Context, d *Device, t *bench.Track) error {
	if err := d.Unable(t); err != nil {
		return err
	}
	if err := d.Format(ctx, t); err != nil {
		return err
	}
	got, err := d.Read(ctx, t)
	if err != nil {
		return err
	}
	for i := range t.Sectors {
		if got[i].Status != disk.Good || !bytes.Equal(got[i].Data, t.Sectors[i].Data) {
			return fmt.Errorf("sector %d does not come back: %s", t.Sectors[i].ID.Sector, got[i].Why)
		}
	}
	return nil
}
