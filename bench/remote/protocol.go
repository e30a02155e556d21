// Package remote offers the drives of an old PC to another computer.
//
// The old PC runs 'remanence serve --bench' and shows a pairing code. The other computer connects by TLS, both sides
// prove that they know the code without sending it, and from then on it knows the old PC by its certificate and the old
// PC knows it by a key: a certificate that changes, or a request without the key, is refused. Messages are one JSON
// object a line inside the TLS connection.
//
// Worked example: the code is 8 letters of 32, 40 bits. The client sends HMAC-SHA-256(code, "client" + SHA-256 of the
// certificate it sees + nonce); a certificate of somebody in between gives another sum, so the code cannot be used to
// pair with him. Three wrong codes end pairing until the server is started again: the chance of a guess is 3 in 2^40.
package remote

import (
	"bufio"
	"crypto/hmac"
	"crypto/rand"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"io"

	"remanence/bench"
	"remanence/disk"
)

// MaxLine bounds a message: a track of the densest recording in hex with its record is under 200 KiB.
const MaxLine = 1 << 20

// Request is one message to the bench. Auth is an HMAC over the connection's nonce, the number and the body.
type Request struct {
	N       int                 `json:"n"` // 1, 2, 3, ... within a connection
	Do      string              `json:"do"`
	Auth    string              `json:"auth"`
	Nonce   string              `json:"nonce,omitempty"`
	Device  string              `json:"device,omitempty"`
	Rec     string              `json:"recording,omitempty"`
	Steps   int                 `json:"steps,omitempty"`
	Track   *bench.Track        `json:"track,omitempty"`
	Sectors []disk.SectorRecord `json:"sectors,omitempty"`
}

// Answer is one message from the bench.
type Answer struct {
	N       int                 `json:"n"`
	OK      bool                `json:"ok"`
	Error   string              `json:"error,omitempty"`
	Kind    string              `json:"kind,omitempty"` // write-protected, no-disk, unable: what ends a job
	Proof   string              `json:"proof,omitempty"`
	Key     string              `json:"key,omitempty"`
	Nonce   string              `json:"nonce,omitempty"`
	Name    string              `json:"name,omitempty"`
	Sectors []disk.SectorRecord `json:"sectors,omitempty"`
	Seen    *bench.Seen         `json:"seen,omitempty"`
}

// sum is the keyed sum of parts, none of which can run into the next.
func sum(key []byte, parts ...string) string {
	h := hmac.New(sha256.New, key)
	for _, p := range parts {
		fmt.Fprintf(h, "%d:%s", len(p), p)
	}
	return hex.EncodeToString(h.Sum(nil))
}

func equal(a, b string) bool { return hmac.Equal([]byte(a), []byte(b)) }

func random(n int) string {
	b := make([]byte, n)
	_, _ = rand.Read(b) // crypto/rand does not fail
	return hex.EncodeToString(b)
}

// alphabet leaves out what is easily misread.
const alphabet = "ABCDEFGHJKLMNPQRSTUVWXYZ23456789"

// NewCode is a fresh pairing code.
func NewCode() string {
	b := make([]byte, 8)
	_, _ = rand.Read(b)
	for i := range b {
		b[i] = alphabet[b[i]&31]
	}
	return string(b)
}

// signed is the part of a request that Auth covers.
func signed(q Request) string {
	q.Auth = ""
	b, err := json.Marshal(q)
	if err != nil {
		return ""
	}
	return string(b)
}

// ParseRequest reads one message and checks every number in it.
func ParseRequest(line []byte) (*Request, error) {
	q := new(Request)
	if err := json.Unmarshal(line, q); err != nil {
		return nil, errors.New("no request")
	}
	if len(q.Sectors) > 255 || q.Steps < 0 || q.Steps > 4 || len(q.Device) > 200 || len(q.Rec) > 100 || q.N < 0 {
		return nil, errors.New("a request beyond all bounds")
	}
	if t := q.Track; t != nil {
		if t.Cylinder < 0 || t.Cylinder >= disk.MaxCylinders || t.Head < 0 || t.Head > 1 || t.Physical < 0 || t.Physical >= disk.MaxCylinders ||
			t.GapRW < 0 || t.GapRW > 255 || !(t.RateKbit > 0 && t.RateKbit <= 2000) {
			return nil, errors.New("a track that no drive has")
		}
		if err := t.Format.Validate(); err != nil {
			return nil, fmt.Errorf("track: %w", err)
		}
		for i := range q.Sectors {
			s, err := q.Sectors[i].Sector()
			if err != nil {
				return nil, err
			}
			if s.Encoding == 0 {
				s.Encoding = t.Format.Encoding
			}
			if s.Mark != 0 && len(s.Data) != s.ID.Size() {
				return nil, fmt.Errorf("sector %d: %d bytes of data, the identifier says %d", s.ID.Sector, len(s.Data), s.ID.Size())
			}
			t.Sectors = append(t.Sectors, s)
		}
	}
	return q, nil
}

// readLine reads a message of bounded length.
func readLine(r *bufio.Reader) ([]byte, error) {
	var out []byte
	for {
		part, err := r.ReadSlice('\n')
		out = append(out, part...)
		if len(out) > MaxLine {
			return nil, errors.New("a message that is too long")
		}
		if err == bufio.ErrBufferFull {
			continue
		}
		if err == io.EOF && len(out) > 0 {
			return nil, io.ErrUnexpectedEOF
		}
		return out, err
	}
}

func send(w io.Writer, v any) error {
	b, err := json.Marshal(v)
	if err == nil {
		_, err = w.Write(append(b, '\n'))
	}
	return err
}

// records are sectors as they travel.
func records(list []disk.Sector) []disk.SectorRecord {
	out := make([]disk.SectorRecord, len(list))
	for i := range list {
		out[i] = list[i].Record()
	}
	return out
}

func kindOf(err error) string {
	switch {
	case errors.Is(err, bench.ErrWriteProtected):
		return "write-protected"
	case errors.Is(err, bench.ErrNoDisk):
		return "no-disk"
	case errors.Is(err, bench.ErrUnable):
		return "unable"
	}
	return ""
}

// failure is an answer's error again.
func failure(a *Answer) error {
	if a.OK {
		return nil
	}
	switch a.Kind {
	case "write-protected":
		return bench.ErrWriteProtected
	case "no-disk":
		return bench.ErrNoDisk
	case "unable":
		return fmt.Errorf("%s: %w", a.Error, bench.ErrUnable)
	}
	return errors.New("the remote bench says: " + a.Error[:min(len(a.Error), 300)])
}
