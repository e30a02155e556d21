package web

import (
	"bytes"
	"strings"
	"testing"

	"github.com/chromedp/chromedp"

	"remanence/shelf"
	"remanence/volume"
)

// tides is a disk image with two files in pieces, TIDE/CMD and NOTES/TXT.
func tides(t testing.TB, s *Server) []byte {
	t.Helper()
	rec, err := s.o.Set.Recording("fm10x256")
	if err != nil {
		t.Fatal(err)
	}
	v, err := volume.New("granule", rec, volume.NewOptions{Name: "TIDES"})
	if err != nil {
		t.Fatal(err)
	}
	put := func(name string, n int) {
		if err := v.Put(name, bytes.Repeat([]byte("high water at noon\r"), n), volume.PutOptions{Date: "1981-11-24"}); err != nil {
			t.Fatal(err)
		}
	}
	put("OLD/TXT", 60)
	put("LOG/TXT", 300)
	put("NOTES/TXT", 1)
	if err := v.Delete("OLD/TXT"); err != nil {
		t.Fatal(err)
	}
	put("TIDE/CMD", 700)
	return v.Image().Data
}

// everywhere has pages checked light and wide, and dark at phone width.
func everywhere(v *visitor, pages map[string]string) {
	v.t.Helper()
	for scheme, width := range map[string]int64{"light": 1200, "dark": 360} {
		v.scheme(scheme)
		v.do("size", chromedp.EmulateViewport(width, 800))
		for name, path := range pages {
			v.open(path)
			v.accessible(name + " " + scheme)
		}
	}
	v.scheme("light")
	v.do("size", chromedp.EmulateViewport(1200, 800))
}

// TestShelfInABrowser keeps a shelf in a real Chromium, as a person does: a blank medium, runs, notes and tags, search
// as one types, lists; all pages pass axe-core.
func TestShelfInABrowser(t *testing.T) {
	s, h := bench(t)
	sh, err := s.shelf()
	if err != nil {
		t.Fatal(err)
	}
	for name, data := range map[string][]byte{"/archive/tide.cmd": module, "/archive/box 3/tide copy.cmd": module, "/archive/heron.txt": bytes.Repeat([]byte("HERON "), 200), "/archive/heron 2.txt": append(bytes.Repeat([]byte("HERON "), 200), "!!!!"...)} {
		if _, _, err := sh.AddFile(t.Context(), name, data); err != nil {
			t.Fatal(err)
		}
	}
	v := browse(t, h.URL, "")
	v.open("/keep")
	v.accessible("shelf empty of media")
	v.do("blank medium", chromedp.Click(`details:nth-of-type(2) summary`), chromedp.SendKeys("#m-number", "SCC-0012"), chromedp.SendKeys("#m-title", "Tide tables"), chromedp.SendKeys("#m-place", "box 3"), chromedp.Click(`form[action="/keep/medium"] button`))
	v.until(`document.querySelector('h1').textContent == 'Medium SCC-0012' && document.querySelector('.state').textContent == 'blank'`)

	v.do("log a run", chromedp.SetValue("#log-kind", "write"), chromedp.SendKeys("#log-equipment", "drive A"), chromedp.Click(`form[action="/keep/log"] button`))
	v.until(`document.querySelectorAll('#runs tbody tr').length == 1 && document.querySelector('.state').textContent == 'made'`)
	v.do("log a reading", chromedp.SendKeys("#log-margin", "45"), chromedp.SendKeys("#log-equipment", "drive A"), chromedp.SendKeys("#log-detail", "clean"), chromedp.Click(`form[action="/keep/log"] button`))
	v.until(`document.querySelectorAll('#runs tbody tr').length == 2 && document.querySelector('.state').textContent == 'proven'`)

	v.do("note", chromedp.SendKeys("#note", "label torn, number written again"), chromedp.Click(`form[action="/keep/note"] button`))
	v.until(`document.querySelectorAll('.note').length == 1`)
	v.do("change", chromedp.Click(`.note a.quiet`))
	v.until(`document.querySelector('#edit') !== null`)
	v.accessible("note being changed")
	v.do("keep the change", chromedp.SetValue("#edit", "label replaced"), chromedp.Click(`form[action="/keep/note/edit"] button`))
	v.until(`document.querySelector('.note .said') !== null && document.querySelector('.note .said').textContent == 'label replaced'`)
	v.do("tags", chromedp.SendKeys("#tags", "reading-room, lent"), chromedp.Click(`form[action="/keep/tag"] button`))
	v.until(`document.querySelectorAll('.tags li').length == 2`)
	v.do("remove a tag", chromedp.Click(`.tags li button`))
	v.until(`document.querySelectorAll('.tags li').length == 1`)

	v.open("/keep")
	v.do("type", chromedp.SendKeys("#q", "repl"))
	v.until(`document.querySelectorAll('#hits li').length == 1 && document.querySelector('#hits a').textContent.includes('SCC-0012') && document.querySelector('#found-said').textContent == '1 found'`)
	v.do("type on", chromedp.SendKeys("#q", "x"))
	v.until(`document.querySelectorAll('#hits li').length == 0 && document.querySelector('#hits').textContent.includes('Nothing on the shelf')`)

	d, err := sh.Show(t.Context(), "SCC-0012")
	if err != nil || len(d.Runs) != 2 || d.Runs[0].Margin == nil || *d.Runs[0].Margin != 0.45 || d.Notes[0].Text != "label replaced" || len(d.Tags) != 1 {
		t.Errorf("%+v, %v", d, err)
	}
	everywhere(v, map[string]string{"shelf": "/keep?q=he", "medium": "/keep/show?what=medium:SCC-0012", "shelved file": "/keep/show?what=" + shelf.FileRef(shelf.Examine("", module).SHA256),
		"near": "/keep/list?of=near"})
}

// TestDiskBytesInABrowser looks into a volume by its bytes: clicking a sector names its file and place, clicking the file
// shows its chain, and the chain leads to its sectors; without script the same links do the same.
func TestDiskBytesInABrowser(t *testing.T) {
	s, h := bench(t)
	if _, err := s.add(t.Context(), "tides.img", tides(t, s)); err != nil {
		t.Fatal(err)
	}
	page := "/file/" + idOf("tides.img")
	v := browse(t, h.URL, "")
	v.open(page + "?at=1400h#bytes")
	sector := `[...document.querySelectorAll('#fields a')].find(x => x.querySelector('b').textContent == 'cylinder 2, head 0, sector 0')`
	number := v.js(sector + `.dataset.f`)
	v.do("click bytes of a sector", chromedp.Click(`#hex a[data-f="`+number+`"]`))
	if got := v.js(`document.querySelector('#named').textContent`); !strings.Contains(got, "sector 0: ") || !strings.Contains(got, ", granule ") || !strings.Contains(got, "Show the chain of ") {
		t.Errorf("the sector is named %q", got)
	}
	if got := v.js(`document.querySelectorAll('#hex a.of').length > 16 && document.querySelectorAll('#hex a.on').length == 16`); got != "true" {
		t.Errorf("the file's other sectors on the page are not marked")
	}
	v.do("show the chain", chromedp.Click("#named a"))
	v.until(`document.querySelectorAll('.chain li').length > 1 && document.querySelector('#chain svg') !== null`)
	v.accessible("chain")
	v.do("to the second granule", chromedp.Click(".chain li:nth-child(2) a"))
	v.until(`new URL(location).searchParams.get('at') !== null && document.querySelectorAll('#hex a.of').length > 0`)
	v.open(page + "?at=AC00h") // first entries of the directory, cylinder 17
	if got := v.js(`(() => { const a = [...document.querySelectorAll('#fields a')].find(x => x.querySelector('b').textContent.endsWith('extent 1') && x.querySelector('span').textContent.includes('from granule')); a.click(); return a.textContent; })()`); !strings.Contains(got, "entry ") {
		t.Errorf("the first extent is %q", got)
	}
	v.until(`document.querySelectorAll('#hex a.on').length == 1`)
	everywhere(v, map[string]string{"disk bytes": page + "?chain=TIDE/CMD&at=AC00h"})
}

// TestLabelsInABrowser types own sizes and sees the preview follow, clicks the first free label of a used sheet, and
// keeps the sheet. The preview is drawn pages: Chromium's view of a PDF within a page stays empty where there is no screen,
// and phones have none.
func TestLabelsInABrowser(t *testing.T) {
	s, h := bench(t)
	labelled(t, s)
	v := browse(t, h.URL, "")
	v.open("/labels")
	v.until(`document.querySelector('img.sheet').complete && document.querySelector('img.sheet').naturalWidth > 1000`)
	if got := v.js(`document.querySelector('img.sheet').getBoundingClientRect().height > 600`); got != "true" {
		t.Errorf("the drawn page is not seen")
	}
	v.accessible("labels at first")
	typed := func(what, id, text string) { // instead of what stands there
		v.t.Helper()
		v.js(`document.querySelector('` + id + `').select()`)
		v.do(what, chromedp.SendKeys(id, text))
	}
	v.do("own sizes", chromedp.Click("#own summary"))
	typed("width", "#lw", "80")
	typed("height", "#lh", "50")
	typed("rows", "#rows", "3")
	v.until(`document.querySelector('#sheet').value == 'own' && document.querySelectorAll('.used a').length == 6 && document.querySelector('img.sheet').src.includes('width=80')`)
	v.js(`document.querySelector('.used a:nth-of-type(4)').dispatchEvent(new MouseEvent('click', {bubbles: true, cancelable: true}))`)
	v.until(`document.querySelector('#start').value == '4' && document.querySelectorAll('.used path.gone').length == 3 && new URL(location).searchParams.get('start') == '4'`)
	typed("a size that cannot be", "#left", "190")
	v.until(`document.querySelector('#result [role=alert]') !== null && document.querySelector('#result [role=alert]').textContent.includes('left-mm')`)
	typed("and back", "#left", "20")
	v.until(`document.querySelector('#result [role=alert]') === null && document.querySelector('#name') !== null`)
	v.do("keep it", chromedp.SendKeys("#name", "reading-room"), chromedp.Click(`form[action="/labels/keep"] button`))
	v.until(`document.querySelector('#sheet').value == 'reading-room' && document.querySelector('[role=status]') !== null`)
	everywhere(v, map[string]string{"labels own": "/labels?run=made-1&start=3&" + own.Encode()})
}
