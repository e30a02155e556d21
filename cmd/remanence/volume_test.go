package main

import (
	"bytes"
	"encoding/json"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"remanence/disk"
)

// call runs the command line as a person would and gives both outputs and the exit status.
func callVolume(t *testing.T, args ...string) (stdout, stderr string, status int) {
	t.Helper()
	var out, errs bytes.Buffer
	status = run(append([]string{"volume"}, args...), &out, &errs)
	return out.String(), errs.String(), status
}

func volumeOK(t *testing.T, args ...string) string {
	t.Helper()
	out, errs, status := callVolume(t, args...)
	if status != 0 {
		t.Fatalf("volume %s: exit %d\n%s%s", strings.Join(args, " "), status, out, errs)
	}
	return out
}

// The schemas of issue 2, and the round from an empty volume to files and back, for every kind.
func TestVolumeCommands(t *testing.T) {
	for _, tt := range []struct{ kind, recording, name, put string }{
		{"granule", "fm10x256:35x1", "TIDE/TXT", "SHELL/DAT"},
		{"fat12", "mfm9x512:40x2", "TIDE.TXT", "SHELL.DAT"},
		{"extent", "fm26x128:77x1", "0:TIDE.TXT", "0:SHELL.DAT"},
	} {
		t.Run(tt.kind, func(t *testing.T) {
			dir := t.TempDir()
			at := func(n string) string { return filepath.Join(dir, n) }
			text, data := []byte("high tide\r\n"), bytes.Repeat([]byte{1, 2, 3, 0}, 320)
			for n, b := range map[string][]byte{"tide.txt": text, "shell.dat": data} {
				if err := os.WriteFile(at(n), b, 0o666); err != nil {
					t.Fatal(err)
				}
			}
			volumeOK(t, "new", "--recording", tt.recording, "-o", at("empty.img"))
			before, err := os.ReadFile(at("empty.img"))
			if err != nil {
				t.Fatal(err)
			}
			volumeOK(t, "put", at("empty.img"), at("tide.txt"), at("shell.dat"), "-o", at("full.img"))
			if after, _ := os.ReadFile(at("empty.img")); !bytes.Equal(before, after) {
				t.Error("put changed the original")
			}
			var ls struct {
				Kind  string
				Name  string
				Date  string
				Files []struct {
					Name     string
					Size     int
					Granules int
				}
				Free *int `json:"free-granules"`
			}
			if err := json.Unmarshal([]byte(volumeOK(t, "ls", "--json", at("full.img"))), &ls); err != nil {
				t.Fatal(err)
			}
			if ls.Kind != tt.kind || len(ls.Files) != 2 || ls.Files[0].Name != tt.name || ls.Files[1].Name != tt.put || ls.Files[1].Size != 1280 || ls.Free == nil || *ls.Free < 1 {
				t.Errorf("ls --json: %+v", ls)
			}
			var check struct {
				Whole  bool
				Faults []struct{ Where, What string }
			}
			out := volumeOK(t, "check", "--json", at("full.img"))
			if err := json.Unmarshal([]byte(out), &check); err != nil || !check.Whole || check.Faults == nil {
				t.Errorf("check --json: %s %v", out, err)
			}
			volumeOK(t, "get", at("full.img"), tt.put, "-o", at("back.dat"))
			if got, _ := os.ReadFile(at("back.dat")); !bytes.Equal(got, data) {
				t.Error("the file came back changed")
			}
			volumeOK(t, "get", "--text", at("full.img"), tt.name, "-o", at("back.txt"))
			if got, _ := os.ReadFile(at("back.txt")); !bytes.Equal(got, text) {
				t.Errorf("the text came back as %q", got)
			}
			if _, errs, status := callVolume(t, "get", at("full.img"), tt.put, "-o", at("back.dat")); status != 4 || !strings.Contains(errs, "exists already") {
				t.Errorf("get over a file: exit %d, %s", status, errs)
			}
			if _, errs, status := callVolume(t, "get", at("full.img"), "NOSUCH", "-o", at("x")); status != 3 || !strings.Contains(errs, "no such file") {
				t.Errorf("get of nothing: exit %d, %s", status, errs)
			}
			volumeOK(t, "get", at("full.img"), "--all", "-o", at("all"))
			if got, _ := os.ReadFile(at("all/SHELL.DAT")); !bytes.Equal(got, data) {
				t.Error("--all did not give SHELL.DAT")
			}
			volumeOK(t, "rename", at("full.img"), tt.put, strings.Replace(tt.put, "SHELL", "PEARL", 1), "--in-place")
			volumeOK(t, "delete", at("full.img"), tt.name, "--in-place")
			if out := volumeOK(t, "ls", "-q", at("full.img")); !strings.Contains(out, "PEARL") || strings.Contains(out, "TIDE") {
				t.Errorf("after rename and delete:\n%s", out)
			}
			if out := volumeOK(t, "map", "-q", at("full.img"), "-o", at("map.svg")); !strings.Contains(out, "PEARL") {
				t.Errorf("map:\n%s", out)
			}
			volumeOK(t, "repair", at("full.img"), "-o", at("sound.img"))
			volumeOK(t, "check", at("sound.img"))
		})
	}
}

func TestVolumeDamage(t *testing.T) {
	dir := t.TempDir()
	img := filepath.Join(dir, "old.img")
	volumeOK(t, "new", "--recording", "fm10x256:40x1", "-o", img, "--name", "OLD")
	data, _, err := disk.ReadRaw(img)
	if err != nil {
		t.Fatal(err)
	}
	data[17*2560+39] = 0xFE // a free granule is marked as taken
	if err := os.WriteFile(img, data, 0o666); err != nil {
		t.Fatal(err)
	}
	out, errs, status := callVolume(t, "check", "--json", img)
	if status != 1 || !strings.Contains(out, `"whole": false`) || !strings.Contains(out, "cylinder 39 granule 1") || errs != "" {
		t.Errorf("check: exit %d\n%s%s", status, out, errs)
	}
	volumeOK(t, "repair", img, "-o", filepath.Join(dir, "sound.img"))
	volumeOK(t, "check", filepath.Join(dir, "sound.img"))
	both, errs, status := callVolume(t, "check", img, filepath.Join(dir, "sound.img"), "-q")
	if status != 1 || !strings.Contains(both, "1 fault:") || !strings.Contains(both, "no faults found") || errs != "" {
		t.Errorf("check of two: exit %d\n%s%s", status, both, errs)
	}
	for _, args := range [][]string{
		{"put", img, img}, // neither -o nor --in-place
		{"put", img, img, "-o", filepath.Join(dir, "x.img"), "--in-place"},
		{"ls", img, "--kind", "clay"},
		{"new", "--recording", "fm10x256:40x1", "--kind", "fat12", "-o", filepath.Join(dir, "y.img")},
	} {
		if _, _, status := callVolume(t, args...); status != 2 {
			t.Errorf("volume %v: exit %d, want 2", args, status)
		}
	}
	noise := filepath.Join(dir, "noise.bin")
	if err := os.WriteFile(noise, bytes.Repeat([]byte("tides "), 30000), 0o666); err != nil {
		t.Fatal(err)
	}
	if _, errs, status := callVolume(t, "ls", noise); status != 3 || !strings.Contains(errs, "no granule, fat12, extent volume found") {
		t.Errorf("ls of text: exit %d, %s", status, errs)
	}
}

func TestVolumeCopyAndPropose(t *testing.T) {
	dir := t.TempDir()
	at := func(n string) string { return filepath.Join(dir, n) }
	if err := os.WriteFile(at("tide.txt"), []byte("high\rlow\r"), 0o666); err != nil {
		t.Fatal(err)
	}
	volumeOK(t, "new", "--recording", "fm10x256:40x1", "-o", at("heron.img"), "-f", at("tide.txt"))
	volumeOK(t, "new", "--recording", "mfm9x512:40x2", "-o", at("exchange.img"))
	out := volumeOK(t, "copy", "-q", at("heron.img"), at("exchange.img"), "-o", at("filled.img"))
	if !strings.Contains(out, "TIDE/TXT -> TIDE.TXT") || !strings.Contains(out, "2 line ends became 0D 0A") {
		t.Errorf("copy says\n%s", out)
	}
	raw, err := os.ReadFile(at("heron.img"))
	if err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(at("strange.bin"), append(bytes.Repeat([]byte{0x77}, 321), raw...), 0o666); err != nil {
		t.Fatal(err)
	}
	out = volumeOK(t, "propose", at("strange.bin"), "-o", at("plain.img"))
	if !strings.Contains(out, "behind a header of 321 bytes") {
		t.Errorf("propose says\n%s", out)
	}
	if got, _ := os.ReadFile(at("plain.img")); !bytes.Equal(got, raw) {
		t.Error("the proposed image is not the disk that was hidden")
	}
}

// get without names copies every file out, as copy does; two files on one cluster are both told, with exit 1, and repair
// tells them too. The directory bytes are changed by hand: 1Ah is the first cluster (FAT12 sheet).
func TestVolumeGetAllAndSuspects(t *testing.T) {
	dir := t.TempDir()
	at := func(n string) string { return filepath.Join(dir, n) }
	for n, b := range map[string]string{"one.dat": "one\x00", "two.dat": "two\x00"} {
		if err := os.WriteFile(at(n), []byte(b), 0o666); err != nil {
			t.Fatal(err)
		}
	}
	volumeOK(t, "new", "--recording", "mfm9x512:40x2", "-f", at("one.dat"), "-f", at("two.dat"), "-o", at("d.img"))
	volumeOK(t, "get", at("d.img"), "-o", at("all"))
	if all, _ := os.ReadDir(at("all")); len(all) != 2 {
		t.Errorf("get without names: %v", all)
	}
	if _, errs, status := callVolume(t, "get", at("d.img"), "-o", "-"); status != 2 || !strings.Contains(errs, "FOLDER") {
		t.Errorf("get -o -: exit %d, %s", status, errs)
	}
	img, err := os.ReadFile(at("d.img"))
	if err != nil {
		t.Fatal(err)
	}
	a, b := bytes.Index(img, []byte("ONE     DAT")), bytes.Index(img, []byte("TWO     DAT"))
	if a < 0 || b < 0 {
		t.Fatal("the entries are not there")
	}
	copy(img[b+0x1A:b+0x1C], img[a+0x1A:a+0x1C])
	if err := os.WriteFile(at("x.img"), img, 0o666); err != nil {
		t.Fatal(err)
	}
	for _, name := range []string{"ONE.DAT", "two.dat"} {
		if _, errs, status := callVolume(t, "get", at("x.img"), name, "-o", at("got-"+name)); status != 1 || !strings.Contains(errs, "as well") {
			t.Errorf("get %s: exit %d, %s", name, status, errs)
		}
	}
	out, _, status := callVolume(t, "repair", at("x.img"), "-o", at("r.img"))
	if status != 1 || !strings.Contains(out, "ONE.DAT -> ") || !strings.Contains(out, "TWO.DAT -> ") {
		t.Errorf("repair: exit %d\n%s", status, out)
	}
	if out, errs, _ := callVolume(t, "check", "-q", at("x.img")); strings.Contains(out, "writes a sound volume") || !strings.Contains(out, "cluster") || errs != "" {
		t.Errorf("check -q: %s%s", out, errs)
	}
}
