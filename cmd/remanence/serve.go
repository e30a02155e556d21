package main

import (
	"cmp"
	"errors"
	"fmt"
	"net"
	"os"
	"os/exec"
	"path/filepath"
	"runtime"

	"remanence/internal/outcome"
	"remanence/machine"
	"remanence/web"
)

// serveCmd is the page in the browser.
type serveCmd struct {
	Listen string `default:"127.0.0.1:0" placeholder:"HOST:PORT" help:"Where to listen; only this machine's own addresses (default: 127.0.0.1 and a free port)."`
	Open   bool   `default:"true" negatable:"" help:"Open the page in the browser."`
	Work   string `type:"path" placeholder:"FOLDER" help:"Working folder: files that were added, results, recordings (default: workbench in the configuration folder)."`
	Shelf  string `type:"path" env:"REMANENCE_SHELF" placeholder:"FILE" help:"The shelf (default: shelf.sqlite in the configuration folder)."`
	Key    bool   `default:"true" negatable:"" help:"Let in only browsers that were opened with the printed address, which holds a key that works once (default: yes)."`
	serveBench
}

// Help is the long help.
func (serveCmd) Help() string {
	return `Opens the workbench: the five steps of the job as a page in the browser, served by this program to this machine
alone. Nothing is loaded from elsewhere and nothing leaves the machine. Files that are added are copied to the working
folder. Stop it with Ctrl-C.

The printed address holds a key, so that other accounts on the same machine cannot use the page. A key works once; after
that the next one is shown, for another browser. --no-key leaves it out: on a machine of your own, or for scripts.

Examples:
  remanence serve
  remanence serve --no-open --listen 127.0.0.1:8079 --work bench-work

With --bench an old PC offers its drives instead. It shows a pairing code; the workbench says it once, and from then on
both know each other: by the certificate, and by a key. Nothing listens beyond this computer unless --listen says so.
  remanence serve --bench --listen 192.168.1.20:7531
  remanence bench write D01.img --recording fm10x256 --drive hd96 --controller c765-fm --remote 192.168.1.20:7531 --pair K7QM2XWA`
}

// Run is the command.
func (c *serveCmd) Run(env *Env) error {
	if c.Bench {
		return c.bench(env, c.Listen)
	}
	if !web.LoopbackHost(c.Listen) {
		return outcome.Hint(outcome.Usage, fmt.Errorf("--listen %s: is not an address of this machine alone", c.Listen), "say 127.0.0.1:PORT or [::1]:PORT; the page is for this machine alone")
	}
	dir := env.ConfigDir()
	if dir == "" && (c.Work == "" || c.Shelf == "") {
		return outcome.As(outcome.Usage, errors.New("serve: this system has no configuration folder; say --work FOLDER and --shelf FILE"))
	}
	set, err := machine.Load(env.ConfigDir())
	if err != nil {
		return err
	}
	work := cmp.Or(c.Work, filepath.Join(dir, "workbench"))
	shelf := cmp.Or(c.Shelf, filepath.Join(dir, "shelf.sqlite"))
	l, err := net.Listen("tcp", c.Listen)
	if err != nil {
		return outcome.As(outcome.Output, err)
	}
	defer l.Close()
	base := "http://" + l.Addr().String()
	s, err := web.New(env.Context, web.Options{Set: set, Work: work, Shelf: shelf, Config: dir, Version: version, Key: c.Key,
		Used: func(next string) { env.Note("The page was opened. For another browser: %s%s", base, next) }})
	if err != nil {
		return outcome.As(outcome.Output, err)
	}
	defer s.Close()
	url := base + s.OpenPath()
	if err := env.Report(map[string]string{"url": url, "work": work}, func() { env.Printf("The workbench is at %s\nStop it with Ctrl-C.\n", url) }); err != nil {
		return err
	}
	if c.Open {
		if err := openBrowser(url); err != nil {
			env.Note("The browser could not be opened (%v); open the address yourself.", err)
		}
	}
	return outcome.As(outcome.Output, s.Serve(env.Context, l))
}

// openBrowser asks the desktop to show the page.
func openBrowser(url string) error {
	name, args := "xdg-open", []string{url}
	switch runtime.GOOS {
	case "windows":
		name, args = "rundll32", []string{"url.dll,FileProtocolHandler", url}
	case "darwin":
		name = "open"
	}
	cmd := exec.Command(name, args...)
	cmd.Env = os.Environ()
	if err := cmd.Start(); err != nil {
		return err
	}
	go func() { _ = cmd.Wait() }() // nothing is done with how the desktop ended
	return nil
}
