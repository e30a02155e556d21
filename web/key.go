package web

import (
	"crypto/rand"
	"crypto/sha256"
	"crypto/subtle"
	"encoding/hex"
	"net/http"
	"net/url"
	"sync"
)

// gate lets in only browsers that were opened with a key. Loopback is shared by all accounts of a machine; the key is
// known to the one at whose terminal it was printed. It counts once: the command with which a desktop opens a browser
// can be read by other accounts (the list of processes), and must be worth nothing by then. From then on the browser has
// a cookie, which ends with the browser or the server.
type gate struct {
	mu     sync.Mutex
	key    string // the next one that counts
	secret string // what the cookie holds
	cookie string // its name: cookies of one host are shared by its ports, and several workbenches may run
	used   func(next string)
}

func newGate(used func(next string)) *gate {
	g := &gate{key: rand.Text(), secret: rand.Text(), used: used}
	sum := sha256.Sum256([]byte(g.secret))
	g.cookie = "remanence-" + hex.EncodeToString(sum[:6])
	return g
}

// OpenPath is the path with which a browser is to be opened: with the key, where there is one.
func (s *Server) OpenPath() string {
	if s.gate == nil {
		return "/"
	}
	s.gate.mu.Lock()
	defer s.gate.mu.Unlock()
	return openPath(s.gate.key)
}

func openPath(key string) string { return "/open?key=" + url.QueryEscape(key) }

func (g *gate) has(r *http.Request) bool {
	c, err := r.Cookie(g.cookie)
	return err == nil && subtle.ConstantTimeCompare([]byte(c.Value), []byte(g.secret)) == 1
}

// spend takes a key; the one after it is made at once.
func (g *gate) spend(key string) bool {
	g.mu.Lock()
	defer g.mu.Unlock()
	if subtle.ConstantTimeCompare([]byte(key), []byte(g.key)) != 1 {
		return false
	}
	g.key = rand.Text()
	if g.used != nil {
		g.used(openPath(g.key))
	}
	return true
}

const gateRefusal = `This workbench belongs to the account that started it.

Open it with the address that the program printed in its terminal, which holds a key. Each key works once, in one
browser; after that the terminal shows the next one. "remanence serve --no-key" leaves the key out.
`

// openedPage leads on by itself. It is a page and not a redirect: a browser sends a strict cookie only with what a page
// of the same site asks for, and who asked for the first page is not known.
const openedPage = `<!DOCTYPE html><html lang="en"><head><meta charset="utf-8"><meta http-equiv="refresh" content="0;url=/"><title>Remanence</title></head><body><p><a href="/">To the workbench</a></p></body></html>`

// pass is the gate as a handler; without one everything passes.
func (g *gate) pass(next http.Handler) http.Handler {
	if g == nil {
		return next
	}
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		known := g.has(r)
		switch {
		case r.URL.Path == "/open" && r.Method == http.MethodGet && (known || g.spend(r.URL.Query().Get("key"))):
			if !known {
				http.SetCookie(w, &http.Cookie{Name: g.cookie, Value: g.secret, Path: "/", HttpOnly: true, SameSite: http.SameSiteStrictMode})
			}
			w.Header().Set("Content-Type", "text/html; charset=utf-8")
			w.Header().Set("Referrer-Policy", "no-referrer") // the address holds the key
			w.Write([]byte(openedPage))
		case known:
			next.ServeHTTP(w, r)
		default:
			http.Error(w, gateRefusal, http.StatusForbidden)
		}
	})
}
