package web

import (
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/chromedp/chromedp"
)

// Adding of which a part is refused, in a real Chromium: without a reload the table shows what was added, the list says
// what was refused and why, and a zip counts as the files in it.
func TestAddingInPart(t *testing.T) {
	_, h := bench(t)
	dir := t.TempDir()
	var files []string
	for name, data := range map[string][]byte{
		"good.zip": zipOf(t, map[string][]byte{"a.txt": []byte("FOG\r"), "b.txt": []byte("TIDE\r"), "c.cmd": module}), "broken.zip": []byte("no zip at all"), "log.txt": []byte("NOON\r"),
	} {
		files = append(files, filepath.Join(dir, name))
		if err := os.WriteFile(filepath.Join(dir, name), data, 0o600); err != nil {
			t.Fatal(err)
		}
	}
	v := browse(t, h.URL, "")
	v.open("/")
	v.do("choose files", chromedp.SetUploadFiles("#files", files), chromedp.Click("#drop button"))
	v.until(`document.querySelector('#counts') && document.querySelector('#counts').textContent.startsWith('4 files')`)
	v.until(`document.querySelector('#said').textContent.startsWith('4 files added, 1 refused')`)
	if got := v.js(`[...document.querySelectorAll('#arrived li.fault')].map((x) => x.textContent).join('|')`); !strings.Contains(got, "broken.zip: the zip cannot be read") || strings.Contains(got, "|") {
		t.Errorf("refused: %s", got)
	}
	if got := v.js(`document.querySelector('main').textContent`); strings.Contains(got, "Nothing here yet") || !strings.Contains(got, "c.cmd") {
		t.Errorf("the page did not follow: %s", got)
	}
	v.accessible("after adding in part")
}
