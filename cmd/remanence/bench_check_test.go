package main

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"math"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"remanence/bench"
	"remanence/bench/kernel"
	"remanence/bench/kernel/chip"
	"remanence/disk"
	"remanence/machine"
)

const commented = `# The Saltmarsh bench.
[[controller]]       # in the grey box
name = "old-pc"      # not the new one
kind = "c765-pc"
fm = "yes"           # as its seller said
least-gap3 = 20      # a guess

[[drive]]
name = "a"           # upper bay
kind = "dd48"
controller = "old-pc"
# belt changed in spring
measured-rpm = 291.5 # by strobe

[[disk]]
name = "box"
kind = "dd-erased"
`

// checkOn runs a check of the bench of that folder on a model of its drive and controller.
func checkOn(t *testing.T, config string, p *chip.Port, ctx context.Context) (*checkJSON, string, error) {
	t.Helper()
	set, err := machine.Load(config)
	if err != nil {
		t.Fatal(err)
	}
	kit, err := bench.LoadKit(set, config)
	if err != nil {
		t.Fatal(err)
	}
	d, k, _, err := kit.Find("a", "", "")
	if err != nil {
		t.Fatal(err)
	}
	rec, err := set.Recording("fm10x256")
	if err != nil {
		t.Fatal(err)
	}
	var out, errs bytes.Buffer
	env := newEnv(ctx, &out, &errs)
	env.Config = config
	rep := &checkJSON{}
	err = rep.check(env, set, kernel.New(p, 0, rec, 1), d, k, "/dev/fd0", kernel.CheckOptions{Recordings: []*disk.Recording{rec}, Drive: d, Now: p.Now})
	rep.print(env)
	return rep, out.String(), err
}

// What a check finds goes into bench.toml, the rest of the file stays with its comments, and the kit, the advice and
// the next check take it from there.
func TestBenchCheckRoundTrip(t *testing.T) {
	config := t.TempDir()
	path := filepath.Join(config, bench.KitName)
	if err := os.WriteFile(path, []byte(commented), 0o644); err != nil {
		t.Fatal(err)
	}
	p := chip.New(300.6)
	p.BlindUS, p.Off, p.Lock = 1700, 14, 5
	_, text, err := checkOn(t, config, p, context.Background())
	if err != nil {
		t.Fatal(err)
	}
	b, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	for _, want := range []string{"# The Saltmarsh bench.", "[[controller]]       # in the grey box", `name = "old-pc"      # not the new one`, "# as its seller said", "# a guess",
		`name = "a"           # upper bay`, "# belt changed in spring", "# by strobe", `kind = "dd-erased"`} {
		if strings.Count(string(b), want) != 1 {
			t.Errorf("%q is not in the file once:\n%s", want, b)
		}
	}
	if strings.Contains(string(b), "291.5") || strings.Count(string(b), "[[") != 3 {
		t.Errorf("the old figure, or a piece of its own:\n%s", b)
	}
	set, err := machine.Load(config)
	if err != nil {
		t.Fatal(err)
	}
	kit, err := bench.LoadKit(set, config)
	if err != nil {
		t.Fatalf("%v\n%s", err, b)
	}
	d, k, _, err := kit.Find("a", "", "")
	if err != nil {
		t.Fatal(err)
	}
	day := p.Now().UTC().Format("2006-01-02")
	if math.Abs(d.MeasuredRPM-300.6) > 0.2 || d.RPMSpread <= 0 || d.RPMSpread > 0.3 || d.Device != "/dev/fd0" || d.Checked != day || k.Checked != day {
		t.Errorf("drive %+v", d)
	}
	// 14 bytes spoilt and 5 of sync needed, in gap and 6 bytes of FM sync: 13 and up. Blind: a ladder's step is 128 us.
	if k.FM != "yes" || k.LeastGap3 < 13 || k.LeastGap3 > 14 || k.BlindUS < 1700 || k.BlindUS > 1700+140 || !slices.Equal(k.Reads, []int{0xFB, 0xF8}) {
		t.Errorf("controller %+v", k)
	}
	for _, want := range []string{"in bench.toml: drive a: measured-rpm = 300.", `in bench.toml: controller old-pc: fm = "yes"`, "index gap"} {
		if !strings.Contains(text, want) {
			t.Errorf("no %q in\n%s", want, text)
		}
	}

	// The advice: gap 3 of 12 bytes, and a first identifier that comes sooner than the blind time ends.
	var out, errs bytes.Buffer
	advise := func(rec string) string {
		out.Reset()
		if code := run([]string{"bench", "advise", rec, "--all", "--json", "--config", config}, &out, &errs); code > 1 {
			t.Fatalf("status %d: %s", code, errs.String())
		}
		return out.String()
	}
	if a := advise("fm10x256"); !strings.Contains(a, fmt.Sprintf("gap 3 is 12 bytes, the controller needs %d", k.LeastGap3)) {
		t.Errorf("advice for 10 x 256: %s", a)
	}
	if a := advise("mfm9x512"); strings.Contains(a, "sees nothing") || !strings.Contains(a, "measured at 300.") {
		t.Errorf("advice for 9 x 512: %s", a)
	}

	// The same bench with another controller in it: what was found is replaced, once.
	p = chip.New(300.6)
	p.FM = chip.IgnoresFM
	rep, _, err := checkOn(t, config, p, context.Background())
	if err != nil {
		t.Fatal(err)
	}
	if b, err = os.ReadFile(path); err != nil || !strings.Contains(string(b), `fm = "no"           # as its seller said`) || strings.Contains(string(b), `fm = "yes"`) {
		t.Errorf("%v\n%s", err, b)
	}
	if !strings.Contains(rep.Findings.FMWhy, "does not heed the FM bit") {
		t.Errorf("%+v", rep.Findings)
	}
	if a := advise("fm10x256"); !strings.Contains(a, "does no FM") {
		t.Errorf("advice without FM: %s", a)
	}

	// The object of --json, as doc/json.md has it.
	j, err := json.Marshal(rep)
	if err != nil {
		t.Fatal(err)
	}
	var object map[string]any
	if err := json.Unmarshal(j, &object); err != nil {
		t.Fatal(err)
	}
	for _, key := range []string{"device", "tests", "findings", "passed", "failed", "unknown"} {
		if _, ok := object[key]; !ok {
			t.Errorf("no %q in %s", key, j)
		}
	}
}

// What was found before a check ended early is kept; what was not found stays as it was, and "checked" too.
func TestBenchCheckStopped(t *testing.T) {
	config := t.TempDir()
	path := filepath.Join(config, bench.KitName)
	if err := os.WriteFile(path, []byte(commented), 0o644); err != nil {
		t.Fatal(err)
	}
	p := chip.New(300)
	ctx, cancel := context.WithCancel(context.Background())
	defer cancel()
	p.Before = func(_ int, c *kernel.Command) {
		if c.Bytes[0] == 0x0D { // the first FORMAT in FM: the speed is known by then
			cancel()
		}
	}
	rep, _, err := checkOn(t, config, p, ctx)
	if !errors.Is(err, context.Canceled) {
		t.Fatalf("stopped: %v", err)
	}
	b, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	if !strings.Contains(string(b), "measured-rpm = 300.0 # by strobe") || !strings.Contains(string(b), `fm = "yes"           # as its seller said`) || strings.Contains(string(b), "checked") {
		t.Errorf("stopped:\n%s", b)
	}
	if slices.ContainsFunc(rep.noted, func(l string) bool { return strings.Contains(l, "fm") }) {
		t.Errorf("noted %v", rep.noted)
	}

	// A protected disk changes nothing at all.
	if err := os.WriteFile(path, []byte(commented), 0o644); err != nil {
		t.Fatal(err)
	}
	p = chip.New(300)
	p.Protected = true
	if _, _, err = checkOn(t, config, p, context.Background()); !errors.Is(err, bench.ErrWriteProtected) {
		t.Errorf("protected: %v", err)
	}
	if b, err = os.ReadFile(path); err != nil || string(b) != commented {
		t.Errorf("protected: %v\n%s", err, b)
	}
}

// A bench without bench.toml gets one, with the kinds that were named.
func TestBenchCheckMakesTheFile(t *testing.T) {
	config := t.TempDir()
	set, err := machine.Load("")
	if err != nil {
		t.Fatal(err)
	}
	d, err := set.Drive("dd48")
	if err != nil {
		t.Fatal(err)
	}
	k, err := set.Controller("c765-pc")
	if err != nil {
		t.Fatal(err)
	}
	rec, err := set.Recording("mfm9x512")
	if err != nil {
		t.Fatal(err)
	}
	var out, errs bytes.Buffer
	env := newEnv(context.Background(), &out, &errs)
	env.Config = config
	p := chip.New(300)
	rep := &checkJSON{}
	if err := rep.check(env, set, kernel.New(p, 0, rec, 1), d, k, "/dev/fd1", kernel.CheckOptions{Recordings: []*disk.Recording{rec}, Drive: d, Now: p.Now}); err != nil {
		t.Fatal(err)
	}
	kit, err := bench.LoadKit(set, config)
	if err != nil || !kit.Own || len(kit.Drives) != 1 || len(kit.Controllers) != 1 || kit.Drives[0].Device != "/dev/fd1" || kit.Controllers[0].FM != "yes" {
		t.Errorf("%v %+v", err, kit)
	}
	if d.MeasuredRPM != 0 || k.FM != "unsure" {
		t.Error("the generic profiles were changed")
	}
}
