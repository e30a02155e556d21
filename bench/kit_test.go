package bench

import (
	"slices"
	"strings"
	"testing"

	"remanence/internal/outcome"
)

// A piece is its kind with what the file says of it; a fault is told with the line of its key and what is wanted.
func TestKit(t *testing.T) {
	s := load(t)
	k, err := ParseKit("bench.toml", []byte(ownBench), s)
	if err != nil {
		t.Fatal(err)
	}
	if k.Drives[0].MeasuredRPM != 361.2 || k.Drives[0].TPI != 96 || k.Controllers[0].FM != "yes" || k.Disks[0].Oersted != 300 {
		t.Errorf("kit %+v %+v", k.Drives[0], k.Controllers[0])
	}
	if g, _ := s.Controller("c765-pc"); g.FM != "unsure" {
		t.Error("the person's own piece changed the profile")
	}
	own := strings.Replace(ownBench, `kind = "hd96"`, "kind = \"hd96\"\nrpm = [300]\nrates-kbit-s = [250, 300]", 1)
	if k, err = ParseKit("bench.toml", []byte(own), s); err != nil || !slices.Equal(k.Drives[0].RPM, []float64{300}) {
		t.Errorf("own rpm: %v %v", k, err)
	}
	if g, _ := s.Drive("hd96"); !slices.Equal(g.RPM, []float64{360}) || g.RatesKbit[0] != 500 {
		t.Error("the person's own list was written into the profile")
	}
	for _, bad := range []struct{ src, want string }{
		{"[[drive]]\nname = \"a\"\nkind = \"nothing\"\n", "bench.toml:3: drive a: kind"},
		{"[[drive]]\nname = \"a\"\nkind = \"dd48\"\ncolour = 3\n", `key "colour"`},
		{"\n[[drive]]\nname = \"a\"\nkind = \"dd48\"\nrpm = [3]\n", "bench.toml:5: drive a: rpm 3"},
		{"[[drive]]\nname = \"a\"\ndevice = \"/dev/fd0\"\n", "bench.toml:1: drive a: kind is missing: say which generic kind it is of; there are: dd48, "},
		{"[[disk]]\nname = \"a\"\nkind = 3\n", "bench.toml:3: disk a: kind: want a text in quotes; there are: "},
		{"[[drive]]\nname = \"a\"\nkind = \"dd48\"\n\nmeasured-rpm = \"361\"\n", "bench.toml:5: drive a: measured-rpm: want a number, without quotes"},
		{"[[drive]]\nname = \"a\"\nkind = \"dd48\"\nrpm = 300\n", "bench.toml:4: drive a: rpm: want a list of numbers"},
		{"[[drive]]\nname = \"a\"\nkind = \"dd48\"\nsides = 1.5\n", "bench.toml:4: drive a: sides: want a whole number"},
		{"[[drive]]\nname = \"a\"\nkind = \"dd48\"\nremote = \"old-pc\"\n", "bench.toml:4: drive a: remote \"old-pc\": want HOST:PORT"},
		{"[[controller]]\nname = \"a\"\nkind = \"c765-pc\"\n[[controller]]\nname = \"b\"\nkind = \"c765-pc\"\nfm = \"perhaps\"\n", "bench.toml:7: controller b: fm \"perhaps\": want yes, no or unsure"},
		{"drive = 3\n", "bench.toml:1: drive: want it as [[drive]]"},
		{"[[drive]]\nname = \"a\"\nkind = \"dd48\"\n[[drive]]\nname = \"a\"\nkind = \"dd48\"\n", "bench.toml:5: drive a: name"},
		{"[[drive]]\nname = \"a\"\nkind = \"dd48\"\ncontroller = \"x\"\n", `bench.toml:4: drive a: controller "x"`},
		{"[[printer]]\n", "no such key"},
	} {
		_, err := ParseKit("bench.toml", []byte(bad.src), s)
		if err == nil || !strings.Contains(err.Error(), bad.want) {
			t.Errorf("%q: %v, want %q", bad.src, err, bad.want)
		}
		if outcome.Status(err) != int(outcome.Input) {
			t.Errorf("%q: status %d", bad.src, outcome.Status(err))
		}
	}
}
