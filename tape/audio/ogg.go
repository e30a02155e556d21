package audio

import (
	"bufio"
	"bytes"
	"errors"
	"fmt"
	"io"
	"os/exec"
	"strings"
	"sync"
	"time"
)

// oggDecoders are the programs asked, in this order, to turn Ogg on their standard input into WAV on their standard
// output. No library for it was found; a person who has Ogg files mostly has one of these.
var oggDecoders = []struct {
	name string
	args []string
}{
	{"oggdec", []string{"--quiet", "--output", "-", "-"}},
	{"sox", []string{"-q", "-t", "ogg", "-", "-t", "wav", "-b", "16", "-"}},
	{"ffmpeg", []string{"-v", "error", "-i", "-", "-f", "wav", "-"}},
}

// oggSource is the WAV that an installed decoder makes of an Ogg file.
type oggSource struct {
	*wavSource
	name string
}

func (o *oggSource) notes() []string {
	return []string{"decoded by " + o.name}
}

// Len is unknown: the decoder writes its header before it knows.
func (o *oggSource) Len() int64 { return -1 }

type oggRun struct {
	cmd    *exec.Cmd
	stderr *tail
	once   sync.Once
}

func (r *oggRun) Close() error {
	r.once.Do(func() {
		if r.cmd.Process != nil {
			_ = r.cmd.Process.Kill() // it may still be writing to a pipe nobody reads
		}
		_ = r.cmd.Wait()
	})
	return nil
}

// tail keeps the first words that a program says on its standard error.
type tail struct {
	mu sync.Mutex
	b  []byte
}

func (t *tail) Write(p []byte) (int, error) {
	t.mu.Lock()
	defer t.mu.Unlock()
	if len(t.b) < 400 {
		t.b = append(t.b, p[:min(len(p), 400)]...)
	}
	return len(p), nil
}

func (t *tail) String() string {
	t.mu.Lock()
	defer t.mu.Unlock()
	line, _, _ := strings.Cut(strings.TrimSpace(string(bytes.ToValidUTF8(t.b, nil))), "\n")
	return line
}

func openOgg(br *bufio.Reader, _ int64) (Source, io.Closer, error) {
	return openOggWith(br, exec.LookPath)
}

func openOggWith(br *bufio.Reader, look func(string) (string, error)) (Source, io.Closer, error) {
	var tried []string
	for _, d := range oggDecoders {
		tried = append(tried, d.name)
		path, err := look(d.name)
		if err != nil {
			continue
		}
		return runOgg(br, path, d.name, d.args)
	}
	return nil, nil, fmt.Errorf("reading Ogg needs an installed decoder: want one of %s on the search path, found none; install one, or convert the file to WAV or FLAC elsewhere", strings.Join(tried, ", "))
}

func runOgg(br *bufio.Reader, path, name string, args []string) (Source, io.Closer, error) {
	run := &oggRun{cmd: exec.Command(path, args...), stderr: &tail{}}
	run.cmd.Stdin, run.cmd.Stderr = br, run.stderr
	run.cmd.WaitDelay = 2 * time.Second
	out, err := run.cmd.StdoutPipe()
	if err != nil {
		return nil, nil, err
	}
	if err := run.cmd.Start(); err != nil {
		return nil, nil, fmt.Errorf("%s: %w", name, err)
	}
	ob := bufio.NewReaderSize(out, 1<<16)
	src, _, err := openWAV(ob, -1)
	if err != nil {
		run.Close()
		if said := run.stderr.String(); said != "" {
			err = errors.New(said)
		}
		return nil, nil, fmt.Errorf("decoding Ogg with %s: %w", name, err)
	}
	w := src.(*wavSource)
	w.left, w.remarks = -1, nil // the sizes in the header of a pipe mean nothing
	return &oggSource{w, name}, run, nil
}
