package web

import (
	"fmt"
	"strings"
	"testing"

	"github.com/chromedp/chromedp"
)

// The disk lens in a real browser: from the whole disk to single cells by clicks, keys and the wheel, and back; each page
// is checked by axe-core, in light and dark and at phone width.
func TestDiskLensInABrowser(t *testing.T) {
	s, h := bench(t)
	rec := recordingOf(t, s, "mfm18x256:3x2")
	im := noise(rec, 5)
	bring(t, s, h, map[string][]byte{"heron.zip": zipOf(t, poor(t, rec, im, 2, 1, 0.2, 2))})
	at := readBack(t, s, h, "heron.zip")
	v := browse(t, h.URL, "")

	// A ribbon says what it is when it is reached by key, and leads to its track.
	v.open(at)
	v.accessible("disk lens disk")
	if n := v.js(`document.querySelectorAll('.ribbons a').length`); n != "6" {
		t.Errorf("%s ribbons lead on, want 6 tracks", n)
	}
	if n := v.js(`document.querySelectorAll('.ribbons a[tabindex="0"]').length`); n != "1" {
		t.Errorf("the tab key stops at %s ribbons, want 1", n)
	}
	v.js(`document.querySelector('.ribbons a').focus()`)
	v.key(`document.activeElement`, "ArrowDown")
	if got := v.js(`document.querySelector('#under').textContent`); !strings.HasPrefix(got, "cylinder 0, side 1: ") {
		t.Errorf("the second ribbon calls itself %q", got)
	}
	v.do("choose a track", chromedp.Click(`.ribbons a:nth-of-type(1)`))
	v.until(`location.pathname.endsWith('/0/0') && document.querySelectorAll('tbody tr').length == 18`)
	v.accessible("disk lens track")
	v.do("choose a sector", chromedp.Click(`.ribbons a[href$="/0/0/4"]`))
	v.until(`document.querySelector('#glass svg') !== null`)
	v.accessible("disk lens sector")
	total := v.js(`document.querySelector('#lens').dataset.total`)
	if v.js(`document.querySelector('#lens').dataset.cells`) != total {
		t.Error("at first not the whole sector is shown")
	}

	// Bytes lead to cells, cells name their byte.
	want := hexOf(im, 0, 0, 4)
	v.do("click a byte", chromedp.Click(`#hex a[data-b="33"]`))
	v.until(fmt.Sprintf(`document.querySelector('#chosen').textContent.startsWith('data byte 33 is %02X')`, want[33]))
	if got := v.js(`document.querySelector('#hex a.on').dataset.b`); got != "33" {
		t.Errorf("byte %s is marked, want 33", got)
	}
	v.do("click cells", chromedp.Click(fmt.Sprintf(`#glass a[aria-label="data byte 34: %02X"]`, want[34])))
	v.until(fmt.Sprintf(`document.querySelector('#chosen').textContent.startsWith('data byte 34 is %02X')`, want[34]))
	if got := v.js(`document.querySelector('#hex a.on').dataset.b`); got != "34" {
		t.Errorf("byte %s is marked, want 34", got)
	}

	// Closer, wider and along by buttons, keys and the wheel; the address follows, so that it can be kept.
	cells := func(n string) { t.Helper(); v.until(`document.querySelector('#lens').dataset.cells == ` + n) }
	cells("64")
	v.do("closer", chromedp.Click(`[data-move="closer"]`))
	cells("16")
	v.until(`location.search.includes('cells=16')`)
	v.js(`document.querySelector('#lens details').open = true`)
	v.accessible("disk lens cells")
	v.js(`document.querySelector('#glass').focus()`)
	v.key(`document.querySelector('#glass')`, "-")
	cells("32")
	from := v.js(`document.querySelector('#lens').dataset.from`)
	v.key(`document.querySelector('#glass')`, "ArrowRight")
	v.until(`document.querySelector('#lens').dataset.from == 8 + ` + from)
	if got := v.js(`document.activeElement.id`); got != "glass" {
		t.Errorf("after a key the focus is on %q, want the picture", got)
	}
	v.js(`document.querySelector('#glass').dispatchEvent(new WheelEvent('wheel', {deltaY: -1, ctrlKey: true, bubbles: true, cancelable: true, clientX: innerWidth / 2}))`)
	cells("16")
	from = v.js(`document.querySelector('#lens').dataset.from`)
	v.js(`(() => { const g = document.querySelector('#glass svg'), b = g.getBoundingClientRect(), y = b.top + 150;
		const e = (type, x) => g.dispatchEvent(new PointerEvent(type, {bubbles: true, button: 0, buttons: 1, clientX: x, clientY: y, pointerType: 'mouse'}));
		const w = b.width * 0.921; e('pointerdown', b.left + b.width / 2); e('pointermove', b.left + b.width / 2 - w / 2); e('pointerup', b.left + b.width / 2 - w / 2); })()`)
	v.until(`document.querySelector('#lens').dataset.from == 8 + ` + from)
	v.key(`document.querySelector('#glass')`, "Home")
	cells(total)

	// Another pass of the head.
	v.do("another pass", chromedp.Click(`#seen tbody tr:nth-child(2) a`))
	v.until(`document.querySelector('#seen tr.on a').textContent == 'pass 2' && location.search.includes('read=2')`)

	pages := []string{at, at + "/1/0/3?byte=5"}
	for _, p := range pages {
		v.scheme("dark")
		v.open(p)
		v.accessible("disk lens dark " + strings.NewReplacer("/", " ", "?", " ").Replace(strings.TrimPrefix(p, at)))
	}
	v.do("phone", chromedp.EmulateViewport(360, 740))
	for _, p := range pages {
		v.scheme("light")
		v.open(p)
		v.accessible("disk lens phone " + strings.NewReplacer("/", " ", "?", " ").Replace(strings.TrimPrefix(p, at)))
	}
}

// key presses a key on an element.
func (v *visitor) key(element, key string) {
	v.t.Helper()
	v.js(element + `.dispatchEvent(new KeyboardEvent('keydown', {key: '` + key + `', bubbles: true, cancelable: true}))`)
}
