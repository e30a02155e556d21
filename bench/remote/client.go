package remote

import (
	"bufio"
	"bytes"
	"context"
	"crypto/tls"
	"crypto/x509"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"net"
	"os"
	"time"

	"remanence/bench"
	"remanence/disk"
	"remanence/internal/outcome"
	"remanence/internal/safefile"
)

// pin is what is known of a paired bench.
type pin struct {
	Certificate string `json:"certificate-sha256"`
	Key         string `json:"key"`
}

func readPins(path string) (map[string]pin, error) {
	b, err := os.ReadFile(path)
	if errors.Is(err, os.ErrNotExist) {
		return map[string]pin{}, nil
	}
	if err != nil {
		return nil, outcome.As(outcome.Input, err)
	}
	out := map[string]pin{}
	if err := json.Unmarshal(b, &out); err != nil {
		return nil, outcome.As(outcome.Input, fmt.Errorf("%s: %w", path, err))
	}
	return out, nil
}

// link is one TLS connection.
type link struct {
	c     net.Conn
	r     *bufio.Reader
	nonce string
	print string
	n     int
	wait  time.Duration
}

// connect opens a connection. want is the pinned certificate; "" takes any, for pairing, which then proves it.
func connect(ctx context.Context, addr, want string, wait time.Duration) (*link, error) {
	l := &link{wait: wait}
	d := tls.Dialer{NetDialer: &net.Dialer{Timeout: wait}, Config: &tls.Config{MinVersion: tls.VersionTLS13, InsecureSkipVerify: true, // checked below, against the pin
		VerifyPeerCertificate: func(raw [][]byte, _ [][]*x509.Certificate) error {
			if len(raw) == 0 {
				return errors.New("no certificate")
			}
			l.print = fingerprint(raw[0])
			if want != "" && !equal(l.print, want) {
				return fmt.Errorf("the certificate of %s is not the one it was paired with: it was set up anew, or something stands in between; pair again only if you know why", addr)
			}
			return nil
		}}}
	c, err := d.DialContext(ctx, "tcp", addr)
	if err != nil {
		return nil, err
	}
	l.c, l.r = c, bufio.NewReaderSize(c, 16<<10)
	a, err := l.receive()
	if err != nil || len(a.Nonce) < 16 {
		c.Close()
		return nil, fmt.Errorf("%s: no bench answers there: %v", addr, err)
	}
	l.nonce = a.Nonce
	return l, nil
}

func (l *link) receive() (*Answer, error) {
	_ = l.c.SetDeadline(time.Now().Add(l.wait))
	line, err := readLine(l.r)
	if err != nil {
		return nil, err
	}
	return ParseAnswer(line)
}

// ParseAnswer reads one message from a bench and checks it.
func ParseAnswer(line []byte) (*Answer, error) {
	a := new(Answer)
	if err := json.Unmarshal(line, a); err != nil {
		return nil, errors.New("no answer")
	}
	if len(a.Sectors) > 255 {
		return nil, errors.New("an answer beyond all bounds")
	}
	return a, nil
}

// ask sends one signed request.
func (l *link) ask(ctx context.Context, key []byte, q Request) (*Answer, error) {
	l.n++
	q.N = l.n
	if q.Auth == "" {
		q.Auth = sum(key, l.nonce, signed(q))
	}
	stop := context.AfterFunc(ctx, func() { l.c.Close() })
	defer stop()
	_ = l.c.SetDeadline(time.Now().Add(l.wait))
	if err := send(l.c, q); err != nil {
		return nil, err
	}
	a, err := l.receive()
	if err != nil {
		return nil, err
	}
	if a.N != q.N {
		return nil, fmt.Errorf("answer %d to request %d", a.N, q.N)
	}
	return a, nil
}

// Pair proves the code both ways and keeps certificate and key of the bench in the file pins.
func Pair(ctx context.Context, addr, code, pins string, wait time.Duration) error {
	known, err := readPins(pins)
	if err != nil {
		return err
	}
	l, err := connect(ctx, addr, "", wait)
	if err != nil {
		return fmt.Errorf("pairing with %s: %w", addr, err)
	}
	defer l.c.Close()
	nonce := random(16)
	a, err := l.ask(ctx, nil, Request{Do: "pair", Nonce: nonce, Auth: sum([]byte(code), "client", l.print, l.nonce, nonce)})
	if err != nil {
		return fmt.Errorf("pairing with %s: %w", addr, err)
	}
	if !a.OK {
		return fmt.Errorf("pairing with %s: %s", addr, a.Error)
	}
	if b, err := hex.DecodeString(a.Key); err != nil || len(b) != 32 || !equal(a.Proof, sum([]byte(code), "server", l.print, l.nonce, nonce)) {
		return fmt.Errorf("pairing with %s: it does not prove that it knows the code", addr)
	}
	known[addr] = pin{Certificate: l.print, Key: a.Key}
	b, err := json.MarshalIndent(known, "", "  ")
	if err != nil {
		return err
	}
	if err := safefile.WriteFile(pins, b, true); err != nil {
		return err
	}
	return os.Chmod(pins, 0o600)
}

// Device is a drive of a remote bench. When the link is lost it is taken up again, and the track that was under way is
// done again from its format on.
type Device struct {
	// Pause is how long to wait after a lost link was not taken up at once; it doubles each time.
	Pause time.Duration
	// Say tells a person that the link was lost, and that it is there again; nil: nobody.
	Say func(what string)

	addr, rec string
	device    string
	steps     int
	pin       pin
	key       []byte
	wait      time.Duration
	l         *link
	name      string
	told      bool // that the link is lost
}

var _ bench.Device = (*Device)(nil)

// Dial opens a drive of a paired bench; device is one that it offers, "" for its first.
func Dial(ctx context.Context, addr, pins, device, recording string, steps int, wait time.Duration) (*Device, error) {
	known, err := readPins(pins)
	if err != nil {
		return nil, err
	}
	p, ok := known[addr]
	if !ok {
		return nil, outcome.Hint(outcome.Usage, fmt.Errorf("%s is not paired with this computer", addr), "start 'remanence serve --bench' there and say --pair with the code it shows")
	}
	d := &Device{addr: addr, device: device, rec: recording, steps: steps, pin: p, wait: wait, Pause: 500 * time.Millisecond}
	if d.key, err = hex.DecodeString(p.Key); err != nil || len(d.key) != 32 {
		return nil, fmt.Errorf("%s: the key of %s is damaged; pair again", pins, addr)
	}
	return d, d.open(ctx)
}

func (d *Device) open(ctx context.Context) error {
	l, err := connect(ctx, d.addr, d.pin.Certificate, d.wait)
	if err != nil {
		return err
	}
	a, err := l.ask(ctx, d.key, Request{Do: "open", Device: d.device, Rec: d.rec, Steps: d.steps})
	if err == nil {
		err = failure(a)
	}
	if err != nil {
		l.c.Close()
		return err
	}
	d.l, d.name = l, a.Name
	return nil
}

// ask sends a request about a track; a lost link is taken up again, up to five times with growing pauses.
func (d *Device) ask(ctx context.Context, do string, t *bench.Track) (*Answer, error) {
	pause := d.Pause
	var last error
	for range 6 {
		if d.l != nil {
			q := Request{Do: do, Track: t, Sectors: records(t.Sectors)}
			a, err := d.l.ask(ctx, d.key, q)
			if err == nil {
				return a, failure(a)
			}
			d.l.c.Close()
			d.l, last = nil, err
			d.lost(ctx, err)
			if do == "write" {
				return nil, errLost
			}
		}
		if err := ctx.Err(); err != nil {
			return nil, err
		}
		if err := d.open(ctx); err == nil {
			d.back()
		} else {
			last = err
			select {
			case <-time.After(pause):
			case <-ctx.Done():
				return nil, ctx.Err()
			}
			pause *= 2
		}
	}
	return nil, fmt.Errorf("%s: %w: %w", d.addr, last, bench.ErrLinkLost)
}

// lost tells a person that the link is lost, once until it is there again.
func (d *Device) lost(ctx context.Context, err error) {
	if d.told || d.Say == nil || ctx.Err() != nil {
		return
	}
	d.told = true
	d.Say(fmt.Sprintf("%s: the link is lost (%v); trying again for %v", d.addr, err, 63*d.Pause))
}

func (d *Device) back() {
	if d.told {
		d.told = false
		d.Say(d.addr + ": the link is there again")
	}
}

// Name says which drive of which bench.
func (d *Device) Name() string { return d.addr + " " + d.name }

// Unable asks the bench.
func (d *Device) Unable(t *bench.Track) error {
	_, err := d.ask(context.Background(), "unable", &bench.Track{Cylinder: t.Cylinder, Head: t.Head, Physical: t.Physical, Format: t.Format, RateKbit: t.RateKbit, GapRW: t.GapRW, Sectors: t.Sectors})
	return err
}

// Format asks the bench.
func (d *Device) Format(ctx context.Context, t *bench.Track) error {
	_, err := d.ask(ctx, "format", t)
	return err
}

// errLost is a link that was lost while writing.
var errLost = errors.New("the link was lost while writing")

// Write asks the bench. Where the link is lost on the way, the track is read over a new one, and writing goes on with
// the sectors that are not there yet.
func (d *Device) Write(ctx context.Context, t *bench.Track) error {
	todo := *t
	for range 5 {
		_, err := d.ask(ctx, "write", &todo)
		if !errors.Is(err, errLost) {
			return err
		}
		got, err := d.Read(ctx, t)
		if err != nil {
			return err
		}
		todo.Sectors = nil
		for i := range t.Sectors {
			w := &t.Sectors[i]
			if i >= len(got) || got[i].Status != disk.Good || got[i].Mark != w.Mark || !bytes.Equal(got[i].Data, w.Data) {
				todo.Sectors = append(todo.Sectors, *w)
			}
		}
		if len(todo.Sectors) == 0 {
			return nil
		}
	}
	return fmt.Errorf("%s: %w again and again: %w", d.addr, errLost, bench.ErrLinkLost)
}

// Read asks the bench.
func (d *Device) Read(ctx context.Context, t *bench.Track) ([]disk.Sector, error) {
	a, err := d.ask(ctx, "read", t)
	if err != nil {
		return nil, err
	}
	out := make([]disk.Sector, 0, len(a.Sectors))
	for i := range a.Sectors {
		s, err := a.Sectors[i].Sector()
		if err != nil {
			return nil, fmt.Errorf("%s: sector %d: %w", d.addr, i, err)
		}
		out = append(out, s)
	}
	return out, nil
}

// Look asks the bench; one of an earlier version has no such request.
func (d *Device) Look(ctx context.Context, t *bench.Track) (*bench.Seen, error) {
	a, err := d.ask(ctx, "look", t)
	if err != nil {
		return nil, err
	}
	return a.Seen, nil
}

// Close ends the connection; the bench closes the drive.
func (d *Device) Close() error {
	if d.l == nil {
		return nil
	}
	return d.l.c.Close()
}
