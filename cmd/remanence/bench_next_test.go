package main

import (
	"bytes"
	"context"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strings"
	"testing"

	"github.com/alecthomas/kong"

	"remanence/bench"
)

// printedWrite runs a printed command's words, as sh splits them, through the parser and the choice of pieces.
func printedWrite(t *testing.T, text string) *bench.Combination {
	t.Helper()
	l := regexp.MustCompile(`(?m)remanence (bench write .*)$`).FindStringSubmatch(text)
	if l == nil {
		t.Fatalf("no command that writes in\n%s", text)
	}
	w, err := exec.Command("sh", "-c", `printf '%s\n' `+l[1]).Output()
	if err != nil {
		t.Fatalf("%s: %v", l[1], err)
	}
	var cli commands
	p, err := kong.New(&cli)
	if err != nil {
		t.Fatal(err)
	}
	if _, err := p.Parse(strings.Split(strings.TrimSpace(string(w)), "\n")); err != nil {
		t.Fatalf("%s: %v", l[1], err)
	}
	env := newEnv(context.Background(), os.Stdout, os.Stderr)
	env.Common = cli.Common
	c := &cli.Bench.Write
	set, kit, err := loadKit(env)
	if err != nil {
		t.Fatal(err)
	}
	rec, err := set.Recording(c.Recording)
	if err != nil {
		t.Fatal(err)
	}
	x, err := c.choose(set, kit, rec)
	if err != nil {
		t.Fatalf("%s: %v", l[1], err)
	}
	return x.comb
}

// The command that is printed last is taken, and writes with the very combination that was advised: without a bench.toml,
// with one in a folder that a shell would split, and on the run sheet.
func TestPrintedWriteCommand(t *testing.T) {
	generic, own := t.TempDir(), filepath.Join(t.TempDir(), "the bench's")
	if err := os.MkdirAll(own, 0o777); err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(filepath.Join(own, bench.KitName), []byte(strings.Replace(commented, "least-gap3 = 20", "least-gap3 = 7", 1)+"\n[[drive]]\nname = \"b\"\nkind = \"hd96\"\n\n[[disk]]\nname = \"crate\"\nkind = \"dd-new\"\n"), 0o644); err != nil {
		t.Fatal(err)
	}
	image := filepath.Join(generic, "-d.img")
	if err := os.WriteFile(image, make([]byte, 102400), 0o644); err != nil {
		t.Fatal(err)
	}
	for _, config := range []string{generic, own} {
		for _, args := range [][]string{{"mfm9x512"}, {"fm10x256", "--machine", "z80-fm10"}, {"fm10x256", "--drive", "hd96"}, {"fm10x256", "--drive", "b", "--disk", "crate"}} {
			if isOwn := args[len(args)-1] == "crate" || args[len(args)-1] == "hd96"; isOwn && (args[2] == "b") != (config == own) {
				continue
			}
			var out, errs bytes.Buffer
			if code := run(append([]string{"bench", "advise", "--config", config}, args...), &out, &errs); code != 0 {
				t.Fatalf("%v: status %d: %s", args, code, errs.String())
			}
			c := printedWrite(t, out.String())
			if want := "1. " + c.Drive + ", " + c.Controller + ", " + c.Medium + ": margin"; !strings.Contains(out.String(), want) {
				t.Errorf("%v: the command writes with %q, advised is\n%s", args, want, out.String())
			}
			if args[0] == "mfm9x512" {
				continue
			}
			pdf := filepath.Join(t.TempDir(), "run.pdf")
			out.Reset()
			if code := run(append([]string{"bench", "sheet", image, "-o", pdf, "--config", config, "--recording"}, args...), &out, &errs); code != 0 {
				t.Fatalf("%v: status %d: %s", args, code, errs.String())
			}
			text := pdfText(t, pdf)
			i := strings.Index(text, "remanence bench write")
			s := printedWrite(t, text[i:i+strings.Index(text[i:], " It ends with")])
			if s.Drive != c.Drive || s.Controller != c.Controller || s.Medium != c.Medium {
				t.Errorf("%v: sheet: %s, %s, %s", args, s.Drive, s.Controller, s.Medium)
			}
		}
	}
}

// make --bench rehearses with the pieces that are named; a disk that nothing of the bench writes is in the report with
// the reason, the status is 1, and what was made is told all the same.
func TestMakeBench(t *testing.T) {
	source, _ := made(t)
	config := t.TempDir()
	bench := func(own string, args ...string) []string {
		t.Helper()
		if err := os.WriteFile(filepath.Join(config, "bench.toml"), []byte(own), 0o644); err != nil {
			t.Fatal(err)
		}
		return append([]string{"make", source, "--bench", "--config", config, "--out", filepath.Join(t.TempDir(), "o")}, args...)
	}
	text := func(want int, args []string) string {
		t.Helper()
		var out, errs bytes.Buffer
		if code := run(args, &out, &errs); code != want {
			t.Fatalf("%v: status %d, want %d: %s", args, code, want, errs.String())
		}
		return out.String()
	}
	const hd = "[[disk]]\nname = \"fine\"\nkind = \"hd-new\"\n"
	m := object(t, 1, bench(hd, "--drive", "hd96", "--controller", "c765-fm")...)
	r := m["rehearsals"].([]any)[0].(map[string]any)
	with := r["with"].(map[string]any)
	if why, _ := r["why-not"].(string); !strings.Contains(why, "no combination of the bench writes fm10x256") || with["possible"] != false || with["drive"] != "hd96" || with["medium"] != "fine" || r["sectors"] != nil {
		t.Errorf("%v", r)
	}
	if m["media"] == nil || m["verified"] != true {
		t.Errorf("what was made is not told: %v", m)
	}
	said := text(1, bench(hd, "--drive", "hd96", "--controller", "c765-fm"))
	for _, want := range []string{"D01.img was not rehearsed: no combination", "The least is against hd96, c765-fm, fine:", "Oe", "Written to", "remanence bench advise fm10x256:"} {
		if !strings.Contains(said, want) {
			t.Errorf("no %q in\n%s", want, said)
		}
	}
	said = text(0, bench("", "--drive", "hd96", "--controller", "c765-fm", "--disk", "dd-new"))
	if !strings.Contains(said, "Rehearsed D01.img with hd96, c765-fm, dd-new, read by ") {
		t.Errorf("not what was named:\n%s", said)
	}
	if c := printedWrite(t, said[strings.LastIndex(said, "Next:"):]); c.Drive != "hd96" || c.Controller != "c765-fm" || c.Medium != "dd-new" {
		t.Errorf("%+v", c)
	}
}
