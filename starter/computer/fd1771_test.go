package computer

import (
	"bytes"
	"testing"

	"remanence/disk"
)

// host plays the processor against a controller, with its own clock; lag is how late it serves a request.
type host struct {
	t   *testing.T
	c   *Controller
	now float64
	lag float64
}

func newHost(t *testing.T, m *Medium, speed float64) *host {
	h := &host{t: t, c: &Controller{}, lag: 20e-6}
	h.c.Reset()
	h.c.Drives[0] = &Drive{Medium: m, Speed: speed, StartS: 0.123}
	h.now = 0.5
	h.c.Select(h.now, 1)
	h.now += spinUpS + 0.1
	return h
}

// command gives a command and serves the data register until the controller is done.
func (h *host) command(b byte, out []byte) (status byte, in []byte) {
	h.c.Write(h.now, 0, b)
	for start := h.now; h.now-start < 10; h.now += 5e-6 {
		s := h.c.Read(h.now, 0)
		if b >= 0x80 && s&statusRequest != 0 {
			h.now += h.lag
			if b>>5 == 5 || b>>4 == 0xF {
				v := byte(0xFF)
				if len(out) > 0 {
					v, out = out[0], out[1:]
				}
				h.c.Write(h.now, 3, v)
			} else {
				in = append(in, h.c.Read(h.now, 3))
			}
			continue
		}
		if s&statusBusy == 0 {
			return s, in
		}
	}
	h.t.Fatalf("command %02X does not end", b)
	return
}

func (h *host) seek(cylinder byte) byte {
	h.c.Write(h.now, 3, cylinder)
	s, _ := h.command(0x10, nil)
	return s
}

// formatBytes is the byte stream that Write Track wants for 10 sectors of 256 bytes: gaps of FF, F7 for the CRC.
func formatBytes(cylinder byte, mark byte) []byte {
	var b []byte
	fill := func(n int, v byte) { b = append(b, bytes.Repeat([]byte{v}, n)...) }
	fill(16, 0xFF)
	for _, s := range []byte{0, 5, 1, 6, 2, 7, 3, 8, 4, 9} {
		fill(6, 0)
		b = append(b, 0xFE, cylinder, 0, s, 1, 0xF7)
		fill(11, 0xFF)
		fill(6, 0)
		b = append(b, mark)
		fill(256, 0xE5)
		b = append(b, 0xF7)
		fill(12, 0xFF)
	}
	return b
}

func TestControllerFormatsWritesAndReads(t *testing.T) {
	for _, speed := range []float64{-0.015, 0, 0.012} { // a drive of +-1.5 %; 1.2 % fast leaves room for 10 sectors
		m := NewMedium()
		h := newHost(t, m, speed)
		if s, _ := h.command(0x00, nil); s&(statusTrack0|statusNotFound) != statusTrack0 {
			t.Fatalf("restore: status %02X", s)
		}
		if s := h.seek(17); s&statusNotFound != 0 {
			t.Fatalf("seek: status %02X", s)
		}
		if s, _ := h.command(0xF4, formatBytes(17, 0xFB)); s != 0 {
			t.Fatalf("write track: status %02X", s)
		}
		data := make([]byte, 256)
		for i := range data {
			data[i] = byte(i*7 + 3)
		}
		// FD1771 data sheet: bits a1 a0 of Write Sector choose FB FA F9 F8; reading tells them in status bits 6 and 5.
		for k, mark := range []byte{0xFB, 0xFA, 0xF9, 0xF8} {
			h.c.Write(h.now, 2, byte(k))
			if s, _ := h.command(0xA8|byte(k), data); s != 0 {
				t.Fatalf("write sector: status %02X", s)
			}
			h.c.Write(h.now, 2, byte(k))
			s, in := h.command(0x88, nil)
			if s != byte(k)<<5 || !bytes.Equal(in, data) {
				t.Errorf("speed %v: read of mark %02X: status %02X, %d bytes", speed, mark, s, len(in))
			}
		}
		h.c.Write(h.now, 3, 17)
		if s, _ := h.command(0x14, nil); s&statusNotFound != 0 { // seek with verify, already there
			t.Errorf("verify: status %02X", s)
		}
		secs := m.Sectors(17, 0)
		if len(secs) != 10 {
			t.Fatalf("%d sectors on the track, want 10", len(secs))
		}
		for _, s := range secs {
			want, mark := bytes.Repeat([]byte{0xE5}, 256), byte(0xFB)
			if s.ID.Sector < 4 {
				want, mark = data, 0xFB-s.ID.Sector
			}
			if s.Status != disk.Good || s.Mark != mark || !bytes.Equal(s.Data, want) {
				t.Errorf("sector %d: %v %s, mark %02X", s.ID.Sector, s.Status, s.Why, s.Mark)
			}
		}
		if h.c.Lost != 0 {
			t.Errorf("%d bytes lost", h.c.Lost)
		}
	}
}

func TestControllerFaults(t *testing.T) {
	m := NewMedium()
	h := newHost(t, m, 0)
	h.command(0x00, nil)
	h.c.Write(h.now, 2, 3)
	if s, _ := h.command(0x88, nil); s&statusNotFound == 0 {
		t.Errorf("reading a blank track: status %02X, want record not found", s)
	}
	h.command(0xF4, formatBytes(0, 0xFB))
	h.c.Write(h.now, 2, 99)
	if s, _ := h.command(0x88, nil); s&statusNotFound == 0 {
		t.Errorf("a sector that is not there: status %02X", s)
	}
	h.c.Write(h.now, 1, 5) // the controller believes it is on cylinder 5
	h.c.Write(h.now, 2, 3)
	if s, _ := h.command(0x88, nil); s&statusNotFound == 0 {
		t.Errorf("identifiers of another cylinder: status %02X", s)
	}
	h.c.Write(h.now, 1, 0)
	h.lag = 200e-6 // a byte passes in 64 us
	h.c.Write(h.now, 2, 3)
	if s, _ := h.command(0x88, nil); s&statusLost == 0 || h.c.Lost == 0 {
		t.Errorf("a late processor: status %02X, want lost data", s)
	}
	h.lag = 20e-6
	m.Spots = []Spot{{Cylinder: 0, From: 100, To: 101}}
	h.c.Write(h.now, 2, 0)
	if s, _ := h.command(0x88, nil); s&statusCRC == 0 {
		t.Errorf("a bad spot in sector 0: status %02X, want CRC error", s)
	}
	m.WriteProtected = true
	if s, _ := h.command(0xA8, nil); s&statusProtected == 0 {
		t.Errorf("write protected: status %02X", s)
	}
	h.c.Drives[0].Medium = nil
	if s, _ := h.command(0x88, nil); s&statusNotReady == 0 {
		t.Errorf("an empty drive: status %02X, want not ready", s)
	}
}

func TestControllerTimes(t *testing.T) {
	h := newHost(t, NewMedium(), 0)
	h.command(0x00, nil)
	start := h.now
	h.seek(10)
	if got := h.now - start; got < 10*12e-3 || got > 11*12e-3 {
		t.Errorf("10 steps at rate 00 took %.1f ms, want 120 (FD1771 data sheet at 1 MHz)", got*1e3)
	}
	h.c.Write(h.now, 3, 0)
	start = h.now
	h.command(0x13, nil)
	if got := h.now - start; got < 10*40e-3 || got > 11*40e-3 {
		t.Errorf("10 steps at rate 11 took %.1f ms, want 400", got*1e3)
	}
	start = h.now
	h.command(0xF4, formatBytes(0, 0xFB))
	if got := h.now - start; got < 0.2 || got > 0.45 {
		t.Errorf("write track took %.0f ms, want one turn after the index", got*1e3)
	}
	_, in := h.command(0xC4, nil)
	if len(in) != 6 || in[0] != 0 || in[3] != 1 {
		t.Errorf("read address gave % X", in)
	}
	_, in = h.command(0xE4, nil)
	if len(in) != bytesPerTrack {
		t.Errorf("read track gave %d bytes, want %d", len(in), bytesPerTrack)
	}
}
