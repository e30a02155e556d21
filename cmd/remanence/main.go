// Command remanence takes archived software to the media that an early home computer reads by itself, and takes old
// media back to the archive. Each command is one small file: it parses, calls one function and prints.
package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"os/signal"
	"syscall"

	"github.com/alecthomas/kong"

	"remanence/internal/outcome"
)

// version is set by the build: -ldflags "-X main.version=...".
var version = "development"

// commands is the whole command line: one field a command, in the order of the help text.
type commands struct {
	Common `embed:""`

	Inspect inspectCmd `cmd:"" help:"Say what files are, whether they are whole, where they load and what runs them."`
	Convert convertCmd `cmd:"" help:"Turn one form of program into another, where that keeps the meaning."`
	Plan    planCmd    `cmd:"" help:"Say which file goes on which disk or tape side, without writing anything."`
	Make    makeCmd    `cmd:"" help:"The main job: from files to disks and tapes, each proven by reading it back."`

	Recover recoverCmd `cmd:"" help:"Best image of a disk from captures, images and unknown dumps, with a map of the damage."`
	Disk    diskCmd    `cmd:"" help:"Turn images into flux captures, and captures into images."`
	Volume  volumeCmd  `cmd:"" help:"Look into and change the volume on a disk image."`
	Tape    tapeCmd    `cmd:"" help:"Programs to sound, and recordings back to programs with a diagnosis."`
	Bench   benchCmd   `cmd:"" help:"Drives, controllers and disks: what can record what, and real media written and proven."`
	Shelf   shelfCmd   `cmd:"" help:"The catalogue of files, masters and media, and the log of every run."`
	Labels  labelsCmd  `cmd:"" help:"Labels, cassette inserts and index sheets as PDF in exact millimetres."`
	Starter starterCmd `cmd:"" help:"A tape that writes the first boot disk on a machine that has none."`
	Demo    demoCmd    `cmd:"" help:"The main job on the built-in example collection, from nothing, offline."`
	Serve   serveCmd   `cmd:"" help:"The workbench: the five steps as a page in your browser, on this machine alone."`
	Version versionCmd `cmd:"" help:"Print the version."`

	ReaderChild readerChildCmd `cmd:"" name:"reader-child" hidden:""`
}

// Common are the flags that every command takes.
type Common struct {
	JSON   bool   `name:"json" help:"Print one JSON object on standard output and nothing else there."`
	Quiet  bool   `short:"q" help:"No progress and no remarks; errors are still told."`
	Config string `type:"path" placeholder:"FOLDER" env:"REMANENCE_CONFIG" help:"Folder with your own profiles and bench.toml (default: the user's configuration folder)."`
}

type versionCmd struct{}

func (versionCmd) Run(env *Env) error {
	if env.JSON {
		return env.PrintJSON(map[string]string{"version": version})
	}
	env.Printf("remanence %s\n", version)
	return nil
}

func main() { os.Exit(run(os.Args[1:], os.Stdout, os.Stderr)) }

// run is main with its surroundings given, so that tests can call it.
func run(args []string, stdout, stderr io.Writer) int {
	ctx, stop := signal.NotifyContext(context.Background(), os.Interrupt, syscall.SIGTERM)
	defer stop()
	var cli commands
	env := newEnv(ctx, stdout, stderr)
	exited, status := false, 0
	parser, err := kong.New(&cli,
		kong.Name("remanence"),
		kong.Description("From archived files to the disks and tapes an early home computer was built for, and back.\n\n"+
			"The job has five steps: gather (inspect), arrange (plan), make (make, volume, disk, tape, starter), prove "+
			"(decode, recover, bench) and keep (shelf, labels). Start with: remanence demo"),
		kong.Writers(stdout, stderr),
		kong.Exit(func(code int) { exited, status = true, code }),
		kong.ConfigureHelp(kong.HelpOptions{Compact: true, WrapUpperBound: 80}),
		kong.ShortUsageOnError(),
	)
	if err != nil {
		fmt.Fprintln(stderr, "remanence:", err)
		return int(outcome.Usage)
	}
	kctx, err := parser.Parse(args)
	if exited {
		return status
	}
	if err != nil {
		fmt.Fprintln(stderr, "remanence:", err)
		fmt.Fprintln(stderr, "Say 'remanence --help', or a command with --help, for what can be said.")
		return int(outcome.Usage)
	}
	env.Common = cli.Common
	err = kctx.Run(env, &cli)
	env.close()
	if err != nil && !errors.Is(err, outcome.ErrIncomplete) {
		fmt.Fprintln(stderr, "remanence:", err)
		if h := outcome.HintOf(err); h != "" {
			fmt.Fprintln(stderr, h)
		}
	}
	return outcome.Status(err)
}
