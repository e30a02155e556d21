package remote

import (
	"bufio"
	"context"
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/rand"
	"crypto/sha256"
	"crypto/tls"
	"crypto/x509"
	"crypto/x509/pkix"
	"encoding/hex"
	"encoding/json"
	"encoding/pem"
	"errors"
	"fmt"
	"math/big"
	"net"
	"os"
	"path/filepath"
	"slices"
	"sync"
	"time"

	"remanence/bench"
	"remanence/internal/outcome"
	"remanence/internal/safefile"
)

// Limits of a server: an old PC with 24 MB must not be filled by strangers.
const (
	maxConnections = 4
	maxWrongCodes  = 3
	idle           = 2 * time.Minute
)

// Server offers drives.
type Server struct {
	Dir  string                                                          // where certificate, keys and log are kept
	Open func(device, recording string, steps int) (bench.Device, error) // opens a drive that may be offered
	Log  func(format string, a ...any)                                   // every request and refusal
	code string
	cert tls.Certificate
	mu   sync.Mutex
	keys map[string]bool // of paired computers
	bad  int             // wrong codes since the start
	busy sync.Mutex      // one job at a drive
}

// NewServer loads or makes the certificate. Code is the pairing code to show.
func NewServer(dir string, open func(device, recording string, steps int) (bench.Device, error), log func(string, ...any)) (*Server, string, error) {
	s := &Server{Dir: dir, Open: open, Log: log, code: NewCode(), keys: map[string]bool{}}
	var err error
	if s.cert, err = certificate(dir); err != nil {
		return nil, "", outcome.As(outcome.Output, err)
	}
	if b, err := os.ReadFile(s.keysPath()); err == nil {
		var list []string
		if err := json.Unmarshal(b, &list); err != nil {
			return nil, "", outcome.As(outcome.Input, fmt.Errorf("%s: %w", s.keysPath(), err))
		}
		for _, k := range list {
			s.keys[k] = true
		}
	}
	return s, s.code, nil
}

func (s *Server) keysPath() string { return filepath.Join(s.Dir, "bench-paired.json") }

// certificate is this bench's own, made at the first start. Elliptic curve P-256: quick enough on a processor without
// floating point.
func certificate(dir string) (tls.Certificate, error) {
	path := filepath.Join(dir, "bench-certificate.pem")
	if b, err := os.ReadFile(path); err == nil {
		return tls.X509KeyPair(b, b)
	}
	key, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	if err != nil {
		return tls.Certificate{}, err
	}
	serial, err := rand.Int(rand.Reader, new(big.Int).Lsh(big.NewInt(1), 120))
	if err != nil {
		return tls.Certificate{}, err
	}
	// The other side pins this very certificate: its dates and names prove nothing and bind nothing. An old PC's clock is
	// often wrong.
	t := &x509.Certificate{SerialNumber: serial, Subject: pkix.Name{CommonName: "remanence bench"}, NotBefore: time.Unix(0, 0), NotAfter: time.Date(9999, 1, 1, 0, 0, 0, 0, time.UTC),
		KeyUsage: x509.KeyUsageDigitalSignature, ExtKeyUsage: []x509.ExtKeyUsage{x509.ExtKeyUsageServerAuth}}
	der, err := x509.CreateCertificate(rand.Reader, t, t, &key.PublicKey, key)
	if err != nil {
		return tls.Certificate{}, err
	}
	kb, err := x509.MarshalECPrivateKey(key)
	if err != nil {
		return tls.Certificate{}, err
	}
	out := append(pem.EncodeToMemory(&pem.Block{Type: "CERTIFICATE", Bytes: der}), pem.EncodeToMemory(&pem.Block{Type: "EC PRIVATE KEY", Bytes: kb})...)
	if err := safefile.WriteFile(path, out, false); err != nil {
		return tls.Certificate{}, err
	}
	if err := os.Chmod(path, 0o600); err != nil {
		return tls.Certificate{}, err
	}
	return tls.X509KeyPair(out, out)
}

func fingerprint(der []byte) string {
	h := sha256.Sum256(der)
	return hex.EncodeToString(h[:])
}

// Serve takes connections until ctx ends.
func (s *Server) Serve(ctx context.Context, l net.Listener) error {
	tl := tls.NewListener(l, &tls.Config{Certificates: []tls.Certificate{s.cert}, MinVersion: tls.VersionTLS13})
	stop := context.AfterFunc(ctx, func() { tl.Close() })
	defer stop()
	slots := make(chan struct{}, maxConnections)
	var wg sync.WaitGroup
	defer wg.Wait()
	for {
		c, err := tl.Accept()
		if err != nil {
			if ctx.Err() != nil {
				return ctx.Err()
			}
			return outcome.As(outcome.Output, err)
		}
		select {
		case slots <- struct{}{}:
		default:
			s.Log("refused %s: %d connections are open", c.RemoteAddr(), maxConnections)
			c.Close()
			continue
		}
		wg.Add(1)
		go func() {
			defer wg.Done()
			defer func() { <-slots }()
			defer c.Close()
			end := context.AfterFunc(ctx, func() { c.Close() })
			defer end()
			if err := s.talk(ctx, c); err != nil {
				s.Log("%s: %v", c.RemoteAddr(), err)
			}
		}()
	}
}

// talk serves one connection: first who it is, then its requests.
func (s *Server) talk(ctx context.Context, c net.Conn) error {
	r := bufio.NewReaderSize(c, 16<<10)
	nonce := random(16)
	print := fingerprint(s.cert.Certificate[0])
	_ = c.SetDeadline(time.Now().Add(20 * time.Second))
	if err := send(c, Answer{OK: true, Name: "remanence bench 1", Nonce: nonce}); err != nil {
		return err
	}
	var key []byte
	var dev bench.Device
	held := false
	defer func() {
		if dev != nil {
			dev.Close()
		}
		if held {
			s.busy.Unlock()
		}
	}()
	for n := 1; ; n++ {
		line, err := readLine(r)
		if err != nil {
			return err
		}
		_ = c.SetDeadline(time.Now().Add(idle))
		q, err := ParseRequest(line)
		if err != nil || q.N != n {
			_ = send(c, Answer{N: n, Error: "bad request"})
			return fmt.Errorf("request %d: %v", n, err)
		}
		if key == nil && q.Do == "pair" {
			a, err := s.pair(q, nonce, print)
			if serr := send(c, a); serr != nil || err != nil {
				return errors.Join(err, serr)
			}
			s.Log("%s: paired", c.RemoteAddr())
			return nil // the key is used from the next connection on
		}
		if key == nil {
			key = s.whose(q, nonce)
		}
		if key == nil || !equal(q.Auth, sum(key, nonce, signed(*wire(q)))) {
			_ = send(c, Answer{N: n, Error: "not paired"})
			return fmt.Errorf("refused %s: not paired", q.Do)
		}
		if q.Do == "open" && dev == nil {
			if held = s.busy.TryLock(); !held {
				if err := send(c, Answer{N: n, Error: "the drive is in use by another computer"}); err != nil {
					return err
				}
				continue
			}
		}
		a := s.serve(ctx, q, &dev)
		a.N = n
		s.Log("%s: %s%s: %s", c.RemoteAddr(), q.Do, where(q), map[bool]string{true: "ok", false: a.Error}[a.OK])
		_ = c.SetDeadline(time.Now().Add(idle))
		if err := send(c, a); err != nil {
			return err
		}
	}
}

func where(q *Request) string {
	if q.Track == nil {
		return ""
	}
	return fmt.Sprintf(" cylinder %d head %d", q.Track.Cylinder, q.Track.Head)
}

// wire is the request as it was signed: without what ParseRequest put into the track.
func wire(q *Request) *Request {
	w := *q
	if q.Track != nil {
		t := *q.Track
		t.Sectors = nil
		w.Track = &t
	}
	return &w
}

// whose finds the key that signed a request.
func (s *Server) whose(q *Request, nonce string) []byte {
	s.mu.Lock()
	defer s.mu.Unlock()
	text := signed(*wire(q))
	for k := range s.keys {
		b, err := hex.DecodeString(k)
		if err == nil && equal(q.Auth, sum(b, nonce, text)) {
			return b
		}
	}
	return nil
}

// pair checks the code and gives a key out.
func (s *Server) pair(q *Request, nonce, print string) (Answer, error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.bad >= maxWrongCodes || s.code == "" {
		return Answer{N: q.N, Error: "pairing is closed; start the bench again for a new code"}, errors.New("pairing is closed")
	}
	if len(q.Nonce) < 16 || !equal(q.Auth, sum([]byte(s.code), "client", print, nonce, q.Nonce)) {
		s.bad++
		return Answer{N: q.N, Error: "wrong pairing code"}, fmt.Errorf("wrong pairing code, %d of %d", s.bad, maxWrongCodes)
	}
	key := random(32)
	a := Answer{N: q.N, OK: true, Key: key, Proof: sum([]byte(s.code), "server", print, nonce, q.Nonce)}
	s.code = "" // a code pairs once
	s.keys[key] = true
	list := make([]string, 0, len(s.keys))
	for k := range s.keys {
		list = append(list, k)
	}
	slices.Sort(list)
	b, err := json.Marshal(list)
	if err != nil {
		return a, err
	}
	if err := safefile.WriteFile(s.keysPath(), b, true); err != nil {
		return a, err
	}
	return a, os.Chmod(s.keysPath(), 0o600)
}

// serve does one request of a paired computer.
func (s *Server) serve(ctx context.Context, q *Request, dev *bench.Device) Answer {
	fail := func(err error) Answer { return Answer{Error: err.Error(), Kind: kindOf(err)} }
	if q.Do == "open" {
		if *dev != nil {
			return fail(errors.New("a drive is open already"))
		}
		d, err := s.Open(q.Device, q.Rec, q.Steps)
		if err != nil {
			return fail(err)
		}
		*dev = d
		return Answer{OK: true, Name: d.Name()}
	}
	if *dev == nil || q.Track == nil {
		return fail(errors.New("no drive is open, or no track is named"))
	}
	d := *dev
	var err error
	switch q.Do {
	case "unable":
		if err = d.Unable(q.Track); err != nil {
			return Answer{Error: err.Error(), Kind: "unable"}
		}
	case "format":
		err = d.Format(ctx, q.Track)
	case "write":
		err = d.Write(ctx, q.Track)
	case "read":
		got, err := d.Read(ctx, q.Track)
		if err != nil {
			return fail(err)
		}
		return Answer{OK: true, Sectors: records(got)}
	case "look":
		l, ok := d.(bench.Looker)
		if !ok {
			return fail(errors.New("this drive cannot look for itself"))
		}
		seen, err := l.Look(ctx, q.Track)
		if err != nil {
			return fail(err)
		}
		return Answer{OK: true, Seen: seen}
	default:
		err = errors.New("no such request")
	}
	if err != nil {
		return fail(err)
	}
	return Answer{OK: true}
}
