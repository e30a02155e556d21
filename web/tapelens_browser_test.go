package web

import (
	"math"
	"math/rand/v2"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"testing"

	"github.com/chromedp/chromedp"
	"github.com/chromedp/chromedp/kb"

	"remanence/tape"
	"remanence/tape/audio"
)

// heronTape is a machine-code tape of 12 blocks with right sums, by the form in package tape's comment.
func heronTape() []byte {
	r := rand.New(rand.NewPCG(1, 1))
	b := []byte("\x55HERON ")
	for i := range 12 {
		addr := 0x5200 + 64*i
		sum := byte(addr) + byte(addr>>8)
		b = append(b, 0x3C, 64, byte(addr), byte(addr>>8))
		for range 64 {
			v := byte(r.Uint32())
			sum += v
			b = append(b, v)
		}
		b = append(b, sum)
	}
	return append(b, 0x78, 0x00, 0x52)
}

// side is a recording of two programs at 44.1 kHz with a little noise, and nothing but noise in the holes given in bytes
// of the first. It gives the samples and where its first byte begins, in seconds.
func heronSide(t *testing.T, s *Server, seed uint64, holes ...int) (samples []float32, first float64) {
	t.Helper()
	code, err := s.o.Set.LineCode("pulse500")
	if err != nil {
		t.Fatal(err)
	}
	var items []tape.Item
	for _, p := range []struct {
		kind, name string
		data       []byte
	}{{tape.MachineTape, "HERON", heronTape()}, {tape.MachineTape, "TIDE", tideTape}} {
		it, err := tape.Encode(tape.FormPulse500, p.kind, p.name, p.data)
		if err != nil {
			t.Fatal(err)
		}
		items = append(items, it)
	}
	var c audio.Collector
	wrote, err := tape.WriteSide(t.Context(), &c, items, tape.SideOptions{Code: code, StartS: 0.5, GapS: 1, EndS: 1, Mastering: tape.Mastering{LeaderS: 2}}, nil)
	if err != nil {
		t.Fatal(err)
	}
	frame := code.FrameSeconds()
	first = wrote.Entries[0].ToS - code.TrailerSeconds() - float64(len(heronTape()))*frame
	rnd := rand.New(rand.NewPCG(seed, 2))
	for i := range c.Samples {
		c.Samples[i] += float32(0.015 * rnd.NormFloat64())
	}
	for _, h := range holes {
		at := first + float64(h)*frame
		for i := int(at * 44100); i < int((at+0.012)*44100); i++ {
			c.Samples[i] = float32(0.2 * rnd.NormFloat64())
		}
	}
	return c.Samples, first
}

func writeWAV(t *testing.T, path string, samples []float32) {
	t.Helper()
	f, err := os.Create(path)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	sink, err := audio.CreateWAV(f, audio.Format{RateHz: 44100, Channels: 1, Bits: 16}, -1)
	if err != nil {
		t.Fatal(err)
	}
	if err := sink.Write(samples); err != nil {
		t.Fatal(err)
	}
	if err := sink.Close(); err != nil {
		t.Fatal(err)
	}
}

func (v *visitor) number(expression string) float64 {
	v.t.Helper()
	n, err := strconv.ParseFloat(v.js(expression), 64)
	if err != nil {
		v.t.Fatalf("%s: %v", expression, err)
	}
	return n
}

// fitted waits until the lens is drawn for the width it has.
func (v *visitor) fitted() {
	v.t.Helper()
	v.until(`Math.abs(document.querySelector('[data-part=lens] svg').getAttribute('width') - document.querySelector('[data-part=lens]').clientWidth) < 24`)
}

// The lens on a tape in a real Chromium: by keyboard from the whole side down to one bit, by buttons, by wheel, from a
// link, before and after merging; each kind of page has no violation by axe-core.
func TestTapeLensInABrowser(t *testing.T) {
	s, h := bench(t)
	one, first := heronSide(t, s, 1, 100, 400)
	two, _ := heronSide(t, s, 2, 250)
	writeWAV(t, filepath.Join(s.o.Work, "read", "pass1.wav"), one)
	writeWAV(t, filepath.Join(s.o.Work, "read", "pass2.wav"), two)
	v := browse(t, h.URL, filepath.Join(s.o.Work, "read", "pass1.wav"))

	v.open("/prove")
	v.do("read back one", chromedp.Click(`input[value="pass1.wav"]`), chromedp.Click(`form[action="/prove/read"] button.main`))
	v.until(`location.pathname == '/prove/tape/pass1.wav' && document.querySelector('#tapelens-now svg') !== null`)
	total := v.number(`document.querySelector('#tapelens-now').dataset.total`)
	if span := v.number(`document.querySelector('#tapelens-now').dataset.span`); math.Abs(span-total) > 1e-6 {
		t.Errorf("the lens opens on %v s of %v s, want all", span, total)
	}
	v.fitted()
	v.accessible("tape lens side")

	// A link to a place, then plus by plus to a single bit: where the writer put byte 30's first bit.
	at := first + 30*8*0.002
	v.open("/prove/tape/pass1.wav?at=" + strconv.FormatFloat(at-1, 'f', 4, 64) + "&span=2")
	v.fitted()
	v.do("focus the lens", chromedp.Focus(`[data-part=lens]`))
	for v.number(`document.querySelector('#tapelens-now').dataset.span`) > 0.0025 {
		before := v.js(`document.querySelector('#tapelens-now').dataset.span`)
		v.do("closer", chromedp.KeyEvent("+"))
		v.until(`document.querySelector('#tapelens-now').dataset.span != '` + before + `'`)
	}
	v.until(`[...document.querySelectorAll('[data-part=lens] title')].some(x => x.textContent.startsWith('bit '))`)
	if says := v.js(`document.querySelector('[data-part=says]').textContent`); !strings.Contains(says, "HERON, byte ") || !strings.Contains(says, "bit ") {
		t.Errorf("at one bit the lens says %q", says)
	}
	if got := v.js(`document.activeElement.dataset.part`); got != "lens" {
		t.Errorf("the focus went to %q, want it to stay on the lens", got)
	}
	if got := v.js(`location.search`); !strings.Contains(got, "span=0.00") {
		t.Errorf("address %q, want it to hold the stretch", got)
	}
	v.accessible("tape lens bit")
	from := v.number(`document.querySelector('#tapelens-now').dataset.from`)
	v.do("right", chromedp.KeyEvent(kb.ArrowRight))
	v.until(`Number(document.querySelector('#tapelens-now').dataset.from) > ` + strconv.FormatFloat(from+1e-5, 'f', 6, 64))
	v.do("minus", chromedp.KeyEvent("-"))
	v.until(`Number(document.querySelector('#tapelens-now').dataset.span) > 0.0025`)

	// Keys pressed faster than the server draws are not lost.
	before := v.number(`document.querySelector('#tapelens-now').dataset.span`)
	v.do("wider four times", chromedp.KeyEvent("----"))
	v.until(`Math.abs(document.querySelector('#tapelens-now').dataset.span / ` + strconv.FormatFloat(before, 'f', 6, 64) + ` - 16) < 0.01`)

	// Buttons: to the next fault, and back to the whole.
	v.do("whole", chromedp.Click(`a[data-do=whole]`))
	v.until(`Math.abs(document.querySelector('#tapelens-now').dataset.span - ` + strconv.FormatFloat(total, 'f', 6, 64) + `) < 1e-3`)
	v.open("/prove/tape/pass1.wav?at=0&span=0.2")
	v.fitted()
	v.do("next fault", chromedp.Click(`a[data-do="next-fault"]`))
	v.until(`document.querySelector('[data-part=says]').textContent.includes('fault here')`)
	// The wheel, with the focus on the lens, about the pointer.
	v.do("focus", chromedp.Focus(`[data-part=lens]`))
	span := v.number(`document.querySelector('#tapelens-now').dataset.span`)
	v.js(`document.querySelector('[data-part=lens]').dispatchEvent(new WheelEvent('wheel', {deltaY: 150, clientX: 200, bubbles: true, cancelable: true}))`)
	v.until(`Math.abs(document.querySelector('#tapelens-now').dataset.span / ` + strconv.FormatFloat(span, 'f', 6, 64) + ` - 2) < 0.01`)

	// Several passes: before and after, and from a byte to the sound it was heard in.
	v.open("/prove")
	v.do("read back two", chromedp.Click(`input[value="pass1.wav"]`), chromedp.Click(`input[value="pass2.wav"]`), chromedp.Click(`form[action="/prove/read"] button.main`))
	v.until(`location.pathname.startsWith('/prove/tape/merged-') && document.querySelector('#tl-copies') !== null`)
	v.fitted()
	v.accessible("tape merged")
	v.do("to the sound of a copy", chromedp.Click(`.tl-hex a`))
	v.until(`location.search.includes('span=') && document.querySelector('[data-part=says]').textContent.includes('HERON')`)

	// Dark, and at phone width.
	both := "/prove/tape/" + mergedKey([]string{"pass1.wav", "pass2.wav"})
	pages := []string{both, both + "?of=2&at=" + strconv.FormatFloat(at, 'f', 4, 64) + "&span=0.03", both + "?at=" + strconv.FormatFloat(at, 'f', 4, 64) + "&span=0.0008"}
	for _, scheme := range []string{"dark", "light"} {
		v.scheme(scheme)
		if scheme == "light" {
			v.do("phone", chromedp.EmulateViewport(360, 740))
		}
		for i, p := range pages {
			if scheme == "dark" && i == 2 { // as in light
				continue
			}
			v.open(p)
			v.fitted()
			v.accessible("tape lens " + scheme + " " + strconv.Itoa(i))
		}
	}
}
