package web

import (
	"io"
	"net/http"
	"net/http/cookiejar"
	"net/http/httptest"
	"net/url"
	"path/filepath"
	"strings"
	"testing"

	"github.com/chromedp/chromedp"

	"remanence/machine"
)

// With a key only the browser that was opened with it gets in, by page, form, upload and script alike; the key is worth
// nothing afterwards. The cookie's attributes are those of RFC 6265 (HttpOnly, Path) and of the draft that follows it
// (SameSite).
func TestKey(t *testing.T) {
	set, err := machine.Load("")
	if err != nil {
		t.Fatal(err)
	}
	dir := t.TempDir()
	var next []string
	s, err := New(t.Context(), Options{Set: set, Work: filepath.Join(dir, "work"), Shelf: filepath.Join(dir, "shelf.sqlite"), Version: "test", Key: true,
		Used: func(n string) { next = append(next, n) }})
	if err != nil {
		t.Fatal(err)
	}
	h := httptest.NewServer(s.Handler())
	t.Cleanup(func() {
		h.Close()
		if err := s.Close(); err != nil {
			t.Error(err)
		}
	})
	browser := func() *http.Client {
		jar, err := cookiejar.New(nil)
		if err != nil {
			t.Fatal(err)
		}
		return &http.Client{Jar: jar}
	}
	visit := func(c *http.Client, path string) (int, string, []*http.Cookie) {
		t.Helper()
		r, err := c.Get(h.URL + path)
		if err != nil {
			t.Fatal(err)
		}
		defer r.Body.Close()
		b, err := io.ReadAll(r.Body)
		if err != nil {
			t.Fatal(err)
		}
		return r.StatusCode, string(b), r.Cookies()
	}
	owner, other := browser(), browser()
	first := s.OpenPath()
	for _, p := range []string{"/", "/keep", "/assets/page.js", "/open", "/open?key=", "/open?key=guess", "/keep/search?q=a"} {
		if status, body, _ := visit(other, p); status != 403 || strings.Contains(body, s.token) {
			t.Errorf("%s without a key: %d %q", p, status, body)
		}
	}
	form := url.Values{"token": {s.token}}
	if r, err := other.PostForm(h.URL+"/arrange/again", form); err != nil || r.StatusCode != 403 {
		t.Errorf("a form without a key: %v, %v", r, err)
	}
	if got := ask(t, "POST", h.URL+first, "", nil); got != 403 {
		t.Errorf("POST of the key: %d", got)
	}
	status, body, cookies := visit(owner, first)
	if status != 200 || !strings.Contains(body, `url=/"`) || len(cookies) != 1 || !cookies[0].HttpOnly || cookies[0].SameSite != http.SameSiteStrictMode || cookies[0].Path != "/" {
		t.Fatalf("the key: %d %q %+v", status, body, cookies)
	}
	if status, body, _ := visit(owner, "/"); status != 200 || !strings.Contains(body, "<title>Gather") {
		t.Errorf("the opened browser: %d", status)
	}
	if r, err := owner.PostForm(h.URL+"/arrange/again", form); err != nil || r.StatusCode != 200 {
		t.Errorf("its form: %v, %v", r, err)
	}
	if status, _, _ := visit(other, first); status != 403 {
		t.Errorf("the key a second time: %d", status)
	}
	if status, _, _ := visit(owner, first); status != 200 {
		t.Errorf("the key again in the browser that has the cookie: %d", status)
	}
	if len(next) != 1 || next[0] == first || next[0] != s.OpenPath() {
		t.Fatalf("the next key: %v", next)
	}
	if status, _, _ := visit(other, next[0]); status != 200 {
		t.Errorf("the next key in another browser: %d", status)
	}
	if status, _, _ := visit(other, "/keep"); status != 200 {
		t.Errorf("the other browser: %d", status)
	}
	r, err := http.NewRequest("GET", h.URL+"/", nil)
	if err != nil {
		t.Fatal(err)
	}
	r.AddCookie(&http.Cookie{Name: cookies[0].Name, Value: "guess"})
	if resp, err := http.DefaultClient.Do(r); err != nil || resp.StatusCode != 403 {
		t.Errorf("a guessed cookie: %v, %v", resp, err)
	}
}

// In a real browser the printed address opens the page, whether it is typed, given by the desktop, or followed from a page
// of another site (data: is a site of its own); a browser without it is refused.
func TestKeyInABrowser(t *testing.T) {
	set, err := machine.Load("")
	if err != nil {
		t.Fatal(err)
	}
	dir := t.TempDir()
	s, err := New(t.Context(), Options{Set: set, Work: filepath.Join(dir, "work"), Shelf: filepath.Join(dir, "shelf.sqlite"), Version: "test", Key: true})
	if err != nil {
		t.Fatal(err)
	}
	h := httptest.NewServer(s.Handler())
	t.Cleanup(func() {
		h.Close()
		if err := s.Close(); err != nil {
			t.Error(err)
		}
	})
	for _, way := range []string{"typed", "followed"} {
		v := browse(t, h.URL, "")
		v.open("/keep")
		if got := v.js("document.body.innerText"); !strings.Contains(got, "belongs to the account that started it") {
			t.Errorf("without a key: %.100q", got)
		}
		if way == "typed" {
			v.open(s.OpenPath())
		} else {
			v.do("other site", chromedp.Navigate("data:text/html,<a href="+h.URL+s.OpenPath()+">open</a>"))
			v.js("document.querySelector('a').click()")
		}
		v.until(`location.pathname == '/' && document.querySelector('h1') !== null && document.querySelector('h1').textContent == 'Gather'`)
		v.open("/keep")
		v.until(`document.querySelector('h1').textContent == 'Keep'`)
		if got := v.js("document.cookie"); got != "" {
			t.Errorf("%s: script reads the cookie %q", way, got)
		}
	}
}
