package web

import (
	"bytes"
	"context"
	"encoding/json"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"
	"testing"
	"time"

	"github.com/chromedp/cdproto/emulation"
	"github.com/chromedp/chromedp"

	"remanence/tape"
	"remanence/tape/audio"
	"remanence/tape/linecode"
)

// axeVersion is the accessibility check that is taken from the npm registry into the user's cache; nothing of it is in
// the repository.
const axeVersion = "4.11.0"

// axe gives the source of axe-core, installing it where it is not there yet.
func axe(t *testing.T) string {
	t.Helper()
	cache, err := os.UserCacheDir()
	if err != nil {
		t.Fatal(err)
	}
	dir := filepath.Join(cache, "remanence-test", "axe-"+axeVersion)
	file := filepath.Join(dir, "node_modules", "axe-core", "axe.min.js")
	b, err := os.ReadFile(file)
	if err != nil {
		if err := os.MkdirAll(dir, 0o755); err != nil {
			t.Fatal(err)
		}
		out, err := exec.Command("npm", "install", "--prefix", dir, "--no-audit", "--no-fund", "axe-core@"+axeVersion).CombinedOutput()
		if err != nil {
			t.Fatalf("axe-core %s cannot be installed with npm (apt install npm; needs the registry once): %v\n%s", axeVersion, err, out)
		}
		if b, err = os.ReadFile(file); err != nil {
			t.Fatal(err)
		}
	}
	return string(b)
}

// visitor drives one page of a real browser.
type visitor struct {
	t   *testing.T
	ctx context.Context
	url string
	axe string
}

// browse starts headless Chromium. sound is played into its fake microphone.
func browse(t *testing.T, url, sound string) *visitor {
	t.Helper()
	const exe = "/usr/bin/chromium"
	if _, err := os.Stat(exe); err != nil {
		t.Fatalf("the pages are tested in %s, which is missing (apt install chromium)", exe)
	}
	o := append(chromedp.DefaultExecAllocatorOptions[:],
		chromedp.ExecPath(exe), chromedp.NoSandbox, chromedp.UserDataDir(t.TempDir()),
		chromedp.Flag("disable-quic", true), chromedp.Flag("disable-component-update", true), chromedp.Flag("disable-gpu", true),
		chromedp.Flag("autoplay-policy", "no-user-gesture-required"), chromedp.Flag("mute-audio", true),
		chromedp.Flag("use-fake-ui-for-media-stream", true), chromedp.Flag("use-fake-device-for-media-stream", true),
		chromedp.Flag("use-file-for-fake-audio-capture", sound))
	ctx, cancel := chromedp.NewExecAllocator(context.Background(), o...)
	t.Cleanup(cancel)
	ctx, stop := chromedp.NewContext(ctx)
	t.Cleanup(stop)
	ctx, late := context.WithTimeout(ctx, 5*time.Minute)
	t.Cleanup(late)
	return &visitor{t, ctx, url, axe(t)}
}

func (v *visitor) do(what string, a ...chromedp.Action[chromedp.Void]) {
	v.t.Helper()
	if err := chromedp.Do(v.ctx, a...); err != nil {
		v.t.Fatalf("%s: %v", what, err)
	}
}

func (v *visitor) open(path string) {
	v.t.Helper()
	v.do("open "+path, chromedp.Navigate(v.url+path))
}

func (v *visitor) js(expression string) string {
	v.t.Helper()
	s, err := chromedp.Run(v.ctx, chromedp.Evaluate[string]("String("+expression+")"))
	if err != nil {
		v.t.Fatalf("%s: %v", expression, err)
	}
	return s
}

// until waits for something to be true on a page that is loaded, over navigations, and fails after 60 seconds.
func (v *visitor) until(expression string) {
	v.t.Helper()
	end := time.Now().Add(60 * time.Second)
	last := ""
	for time.Now().Before(end) {
		s, err := chromedp.Run(v.ctx, chromedp.Evaluate[string]("String(document.readyState == 'complete' && ("+expression+"))"))
		if err == nil && s == "true" {
			return
		}
		last = fmt.Sprint(s, err)
		time.Sleep(50 * time.Millisecond)
	}
	page, _ := chromedp.Run(v.ctx, chromedp.Evaluate[string]("document.querySelector('main').innerText.slice(-1600)"))
	v.t.Fatalf("never true: %s (last: %s)\n%s", expression, last, page)
}

// accessible runs axe-core with the rules of WCAG 2.0, 2.1 and 2.2, A and AA, and refuses any violation.
func (v *visitor) accessible(what string) {
	v.t.Helper()
	v.do("axe", chromedp.Evaluate[chromedp.Void](v.axe))
	out, err := chromedp.Run(v.ctx, chromedp.Evaluate[string](`axe.run(document, {iframes: false, runOnly: ['wcag2a', 'wcag2aa', 'wcag21a', 'wcag21aa', 'wcag22aa', 'best-practice']})
		.then(r => JSON.stringify({passes: r.passes.length, violations: r.violations.map(v => v.id + ': ' + v.help + ' -- ' + v.nodes.slice(0, 3).map(n => n.html.slice(0, 160) + ' ' + n.failureSummary).join(' | '))}))`, chromedp.EvalAwaitPromise))
	if err != nil {
		v.t.Fatalf("axe on %s: %v", what, err)
	}
	var r struct {
		Passes     int
		Violations []string
	}
	if err := json.Unmarshal([]byte(out), &r); err != nil {
		v.t.Fatal(err)
	}
	if r.Passes < 10 {
		v.t.Errorf("%s: axe checked only %d rules", what, r.Passes)
	}
	for _, x := range r.Violations {
		v.t.Errorf("%s: %s", what, x)
	}
	if wide := v.js("document.documentElement.scrollWidth > document.documentElement.clientWidth + 1"); wide != "false" {
		v.t.Errorf("%s: the page is wider than its window", what)
	}
	if dir := os.Getenv("REMANENCE_SHOTS"); dir != "" { // for people who want to look
		b, err := chromedp.Run(v.ctx, chromedp.FullScreenshot(100))
		if err != nil {
			v.t.Fatal(err)
		}
		if err := os.WriteFile(filepath.Join(dir, strings.ReplaceAll(what, " ", "-")+".png"), b, 0o644); err != nil {
			v.t.Fatal(err)
		}
	}
}

func (v *visitor) scheme(name string) {
	v.t.Helper()
	if _, err := chromedp.Call(v.ctx, emulation.SetEmulatedMedia, emulation.SetEmulatedMediaParams{Features: []*emulation.MediaFeature{{Name: "prefers-color-scheme", Value: name}}}); err != nil {
		v.t.Fatal(err)
	}
}

var tideTape = []byte("\x55TIDE  \x3C\x03\x00\x52\x3E\x05\xC9\x5E\x78\x00\x52")

// cassette is a WAV with one program, for the fake microphone.
func cassette(t *testing.T, s *Server) string {
	t.Helper()
	code, err := s.o.Set.LineCode("pulse500")
	if err != nil {
		t.Fatal(err)
	}
	return wavOf(t, code, "TIDE", tideTape)
}

func wavOf(t *testing.T, code *linecode.Code, name string, stream []byte) string {
	t.Helper()
	it, err := tape.Encode(tape.FormPulse500, tape.MachineTape, name, stream)
	if err != nil {
		t.Fatal(err)
	}
	f, err := os.Create(filepath.Join(t.TempDir(), "cassette.wav"))
	if err != nil {
		t.Fatal(err)
	}
	sink, err := audio.CreateWAV(f, audio.Format{RateHz: 44100, Channels: 1, Bits: 16}, -1)
	if err != nil {
		t.Fatal(err)
	}
	if _, err := tape.WriteSide(t.Context(), sink, []tape.Item{it}, tape.SideOptions{Code: code, StartS: 0.5, GapS: 1, EndS: 2}, nil); err != nil {
		t.Fatal(err)
	}
	if err := sink.Close(); err != nil {
		t.Fatal(err)
	}
	if err := f.Close(); err != nil {
		t.Fatal(err)
	}
	return f.Name()
}

// TestWorkbenchInABrowser walks the five steps in a real Chromium, as a person does, and has each page checked by
// axe-core (Deque's published accessibility rules), in light and dark and at phone width.
func TestWorkbenchInABrowser(t *testing.T) {
	s, h := bench(t)
	v := browse(t, h.URL, cassette(t, s))

	// Gather: the example by its button, then a file by the chooser.
	v.open("/")
	v.accessible("gather empty")
	v.do("take the example", chromedp.Click(`form[action="/gather/example"] button`))
	v.until(`document.querySelectorAll('tbody tr').length > 10`)
	own := filepath.Join(t.TempDir(), "tide.cmd")
	if err := os.WriteFile(own, module, 0o600); err != nil {
		t.Fatal(err)
	}
	v.do("choose a file", chromedp.SetUploadFiles("#files", []string{own}), chromedp.Click("#drop button"))
	v.until(`[...document.querySelectorAll('tbody th')].some(x => x.textContent == 'tide.cmd')`)
	v.js(`(() => { const d = new DataTransfer(); d.items.add(new File(['DROPPED\r'], 'dropped.txt')); document.querySelector('#drop').dispatchEvent(new DragEvent('drop', {dataTransfer: d, bubbles: true, cancelable: true})); })()`)
	v.until(`[...document.querySelectorAll('tbody th')].some(x => x.textContent == 'dropped.txt')`)
	v.accessible("gather")

	// Bytes name fields, fields mark bytes.
	v.open("/file/" + idOf("tide.cmd"))
	v.do("click bytes", chromedp.Click(`#hex a[data-f="3"]`))
	if got := v.js(`document.querySelector('#named').textContent`); !strings.HasPrefix(got, "record 2, type") {
		t.Errorf("bytes named %q", got)
	}
	v.do("click a field", chromedp.Click(`#fields a[data-f="5"]`))
	if got := v.js(`document.querySelector('#hex .on').textContent`); got != "00 52" {
		t.Errorf("field marked %q, want the address 00 52", got)
	}
	v.accessible("file")

	// Arrange: by the select, then by dragging.
	v.open("/arrange")
	v.accessible("arrange")
	move := `#D01 .placed li:nth-child(1)`
	name := v.js(`document.querySelector('` + move + `').dataset.name`)
	v.do("move by select", chromedp.SetValue(move+` select`, "new"), chromedp.Click(move+` button`))
	v.until(`[...document.querySelectorAll('.medium:not(#D01) li')].some(x => x.dataset.name == '` + name + `' && x.dataset.from != 'D01')`)
	v.js(`(() => { const d = new DataTransfer(); const li = [...document.querySelectorAll('.medium li')].find(x => x.dataset.name == '` + name + `'); li.dispatchEvent(new DragEvent('dragstart', {dataTransfer: d, bubbles: true})); document.querySelector('#D01').dispatchEvent(new DragEvent('drop', {dataTransfer: d, bubbles: true, cancelable: true})); })()`)
	v.until(`[...document.querySelectorAll('#D01 li')].some(x => x.dataset.name == '` + name + `')`)

	// Make: progress, and the page finds the work again after it was left.
	v.open("/make")
	v.do("make", chromedp.Click(`form[action="/make/start"] button`))
	v.until(`document.querySelector('#job') !== null`)
	v.open("/")
	v.open("/make")
	v.until(`document.querySelector('#job').dataset.state == 'done' && document.querySelector('#made-1 .state.whole') !== null`)
	v.accessible("make")
	v.do("look into a disk", chromedp.Click(`#made-1 a[href^="/disk/"]`))
	v.until(`document.querySelectorAll('.tracks a').length >= 35`)
	v.accessible("disk")
	v.open(v.js(`document.querySelector('.tracks li:nth-child(18) a').getAttribute('href')`))
	v.accessible("track")
	v.do("look at a sector", chromedp.Click(`tbody tr:nth-child(2) th a`))
	v.until(`document.querySelectorAll('.bytes > div').length == 16`)
	v.accessible("sector")

	// Play: level and polarity reach the sound, marks jump.
	v.open("/play/made-1/T01A")
	v.js(`(() => { const l = document.querySelector('#level'); l.value = -6; l.dispatchEvent(new Event('input')); })()`)
	v.do("polarity", chromedp.Click("#invert"))
	v.do("play from a mark", chromedp.Click("#marks button"))
	v.until(`document.querySelector('#audio').currentTime > Number(document.querySelector('#marks button').dataset.at) + 0.2`)
	if got := v.js(`Number(document.querySelector('#audio').dataset.gain).toFixed(3)`); got != "-0.501" { // 10^(-6/20) = 0.501
		t.Errorf("gain %s, want -0.501 for -6 dB turned over", got)
	}
	v.until(`document.querySelector('#marks li.now') !== null`)
	v.until(`Number(document.querySelector('#marks').dataset.blocks) >= document.querySelectorAll('#marks > li').length`)
	v.js(`document.querySelector('#marks li:nth-child(2) button').click()`)
	v.until(`document.querySelector('#now').textContent == document.querySelector('#marks li:nth-child(2)').dataset.name + ', leader'`)
	v.until(`document.querySelector('#now').dataset.block == '1' && document.querySelector('#marks .blocks li.now') !== null`)
	v.js(`(() => { const l = document.querySelector('#level'); l.value = 6; l.dispatchEvent(new Event('input')); })()`)
	v.until(`document.querySelector('#cut').textContent.startsWith('Too loud')`) // 3 dB under full scale, and 6 dB more
	v.do("count down", chromedp.Click("#go"))
	v.until(`document.querySelector('#count').textContent == '4'`)
	v.do("stop counting", chromedp.Click("#go"))
	if got := v.js(`document.querySelector('#count').textContent + document.querySelector('#go').textContent`); got != "Play in 5 seconds" {
		t.Errorf("a countdown that was stopped: %q", got)
	}
	v.accessible("play")

	// Record from the fake microphone, which plays our WAV; then read it back.
	v.open("/record")
	v.accessible("record")
	v.do("listen", chromedp.Click("#listen"))
	v.until(`document.querySelector('.heard tr[data-state="good"]') !== null`)
	v.do("stop", chromedp.Click("#stop"))
	v.until(`document.querySelector('#recorder').dataset.checked == 'cassette-1.wav'`)
	v.open("/prove")
	v.do("read back", chromedp.Click(`input[name=name]`), chromedp.Click(`form[action="/prove/read"] button.main`))
	v.until(`location.pathname.startsWith('/prove/tape/') && document.querySelectorAll('tbody tr').length > 0`)
	s.jobs.mu.Lock()
	heard := s.jobs.tapes["cassette-1.wav"]
	s.jobs.mu.Unlock()
	if heard == nil || !heard.Programs[0].Whole || !bytes.Equal(heard.Programs[0].Data, tideTape) {
		t.Errorf("the program did not come back over the microphone: %+v", heard)
	}
	v.accessible("tape")
	v.do("gather what was heard", chromedp.Click(`form[action$="/gather"] button`))
	v.until(`[...document.querySelectorAll('tbody th')].some(x => x.textContent == 'cassette-1/01-TIDE.cas')`)

	// Keep: on the shelf, found as one types, labels as they print.
	v.open("/keep")
	v.do("keep", chromedp.Click(`form[action="/keep/add"] button`))
	v.until(`document.readyState == 'complete' && [...document.querySelectorAll('h2')].some(x => x.textContent == 'At risk')`)
	v.do("type", chromedp.SendKeys("#q", "tid"))
	v.until(`document.querySelectorAll('#hits li').length > 0`)
	v.accessible("keep")
	v.open("/labels")
	v.accessible("labels")

	// Dark, and at phone width.
	pages := []string{"/", "/arrange", "/make", "/prove", "/keep", "/record", "/play/made-1/T01A", "/file/" + idOf("tide.cmd") + "?field=3", "/labels"}
	for _, p := range pages {
		v.scheme("dark")
		v.open(p)
		v.accessible("dark " + strings.Trim(strings.NewReplacer("/", " ", "?", " ").Replace(p), " "))
	}
	v.do("phone", chromedp.EmulateViewport(360, 740))
	for _, p := range pages {
		v.scheme("light")
		v.open(p)
		v.accessible("phone " + strings.Trim(strings.NewReplacer("/", " ", "?", " ").Replace(p), " "))
	}
}

// TestRecordingInABrowser records from Chromium's own fake microphone, which plays our WAV, with the line code not told:
// name and blocks appear while the cassette runs, the level moves, and in the end the whole recording is read.
func TestRecordingInABrowser(t *testing.T) {
	s, h := bench(t)
	code, err := s.o.Set.LineCode("pulse500")
	if err != nil {
		t.Fatal(err)
	}
	stream := []byte("\x55HERON ")
	for block := range 6 { // 40 bytes each; sum of the two address bytes and the data
		b, sum := []byte{0x3C, 40, byte(40 * block), 0x52}, byte(40*block)+0x52
		for i := range 40 {
			b = append(b, byte(7*i+block))
			sum += byte(7*i + block)
		}
		stream = append(append(stream, b...), sum)
	}
	stream = append(stream, 0x78, 0x00, 0x52)
	v := browse(t, h.URL, wavOf(t, code, "HERON", stream))
	v.open("/record")
	v.js(`document.querySelector('#code').value = 'find-out'`)
	v.do("listen", chromedp.Click("#listen"))
	v.until(`document.querySelectorAll('.heard tr[data-state="good"]').length >= 3`)
	if got := v.js(`document.querySelector('.heard tbody').dataset.state + ' ' + document.querySelector('.heard tbody b').textContent`); got != "hearing HERON" && got != "good HERON" {
		t.Errorf("while the third block is known the program is %q", got)
	}
	// Chromium plays the file again and again; a busy machine drops sound now and then.
	v.until(`[...document.querySelectorAll('.heard tbody')].some(x => x.querySelectorAll('tr[data-state="good"]').length >= 6)`)
	delays := v.js(`[...document.querySelectorAll('.heard tr[data-state="good"]')].map(x => x.dataset.behind).join(' ')`)
	least := 1e9
	for _, d := range strings.Fields(delays) {
		x, err := strconv.ParseFloat(d, 64)
		if err != nil || x < 0 {
			t.Fatalf("delays %q", delays)
		}
		least = min(least, x)
	}
	t.Logf("blocks were on the page so many seconds after their sound had come in: %s", delays)
	if least > 0.3 { // a machine busy with other work is late now and then
		t.Errorf("no block was on the page within 300 ms after it sounded: %s", delays)
	}
	drawn, seconds := v.js(`document.querySelector('#meter').dataset.draws`), v.js(`document.querySelector('#time').textContent`)
	if v.js(`Number(document.querySelector('#meter').dataset.draws) > 20 && document.querySelector('#meter-is').textContent.includes('dB')`) != "true" {
		t.Errorf("the level was drawn %s times in %s", drawn, seconds)
	}
	v.do("stop", chromedp.Click("#stop"))
	v.until(`document.querySelector('#recorder').dataset.checked == 'cassette-1.wav'`)
	if got := v.js(`[...document.querySelectorAll('.heard tbody')].some(x => x.dataset.state == 'good' && x.querySelectorAll('tr[data-state="good"]').length == 6)`); got != "true" {
		t.Errorf("read as a whole: %s", v.js(`document.querySelector('#advice').textContent + document.querySelector('.heard').innerText`))
	}
	v.accessible("recorded")
	v.do("phone", chromedp.EmulateViewport(360, 740))
	v.accessible("phone recorded")
}
