package reader

import (
	"bytes"
	"encoding/binary"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"os"
	"runtime/debug"
	"runtime/metrics"
	"time"

	"go.starlark.net/starlark"
	"go.starlark.net/syntax"

	"remanence/disk"
)

// Child is the whole of the child process: it reads script and data from in, runs the script under its limits and
// writes records to out. The result is the exit status.
func Child(in io.Reader, out, problems io.Writer) int {
	var n [4]byte
	if _, err := io.ReadFull(in, n[:]); err != nil || binary.BigEndian.Uint32(n[:]) > 1<<16 {
		fmt.Fprintln(problems, "reader-child is for the program's own use: it reads a script and a file from standard input")
		return 2
	}
	head := make([]byte, binary.BigEndian.Uint32(n[:]))
	var h childHead
	if _, err := io.ReadFull(in, head); err != nil || json.Unmarshal(head, &h) != nil || h.Script < 0 || h.Script > maxScriptBytes ||
		h.Data < 0 || int64(h.Data) > DefaultLimits.InputBytes {
		fmt.Fprintln(problems, "reader-child: its head can't be read")
		return 2
	}
	if err := confine(h.Memory, h.Seconds); err != nil {
		fmt.Fprintln(problems, "reader-child: its limits can't be set:", err)
		return 2
	}
	source, data := make([]byte, h.Script), make([]byte, h.Data)
	if _, err := io.ReadFull(in, source); err != nil {
		return 2
	}
	if _, err := io.ReadFull(in, data); err != nil {
		return 2
	}
	w := &emitter{enc: jsonTo(out), left: h.Output}
	go watch(h.Memory, func() {
		fmt.Fprintln(problems, "out of memory")
		os.Exit(3)
	})
	if err := execute(h.Path, source, data, h.Steps, w); err != nil {
		_ = w.enc.Encode(record{Kind: "error", Text: place(h.Path, err, h.Steps)})
		return 1
	}
	return 0
}

// watch ends the process where it holds more memory than it may. It is the only limit on systems without setrlimit.
func watch(limit int64, end func()) {
	debug.SetMemoryLimit(limit * 3 / 4)
	sample := []metrics.Sample{{Name: "/memory/classes/heap/objects:bytes"}, {Name: "/memory/classes/heap/unused:bytes"}}
	for {
		metrics.Read(sample)
		if int64(sample[0].Value.Uint64()+sample[1].Value.Uint64()) > limit {
			end()
		}
		time.Sleep(5 * time.Millisecond)
	}
}

// emitter writes records.
type emitter struct {
	enc     *json.Encoder
	left    int64
	records int
}

var errOutput = errors.New("too much output")

func (e *emitter) put(r record) error {
	if e.left -= int64(len(r.Data)) + int64(len(r.Text)) + 64; e.left < 0 {
		return errOutput
	}
	if e.records++; e.records > maxRecords {
		return errOutput
	}
	return e.enc.Encode(r)
}

// options are the plain language: no recursion, no while, so that most endless loops can't be written at all.
var options = &syntax.FileOptions{Set: true, TopLevelControl: true}

// execute runs a script: its top level, then read(data).
func execute(path string, source, data []byte, steps uint64, w *emitter) error {
	thread := &starlark.Thread{Name: "reader", Print: func(_ *starlark.Thread, msg string) {
		_ = w.put(record{Kind: "note", Text: fmt.Sprintf("%.4000s", msg)})
	}}
	thread.SetMaxExecutionSteps(steps)
	globals, err := starlark.ExecFileOptions(options, thread, path, source, builtins(w))
	if err != nil {
		return err
	}
	read, ok := globals["read"].(starlark.Callable)
	if !ok {
		return fmt.Errorf("%s:1:1: no function read(data)", path)
	}
	_, err = starlark.Call(thread, read, starlark.Tuple{starlark.Bytes(data)}, nil)
	return err
}

// place gives an error with file, line and column.
func place(path string, err error, steps uint64) string {
	var syn syntax.Error
	if errors.As(err, &syn) {
		return fmt.Sprintf("%v: %s", syn.Pos, syn.Msg)
	}
	var e *starlark.EvalError
	if !errors.As(err, &e) {
		return err.Error()
	}
	at := path
	for i := 0; i < len(e.CallStack); i++ {
		if pos := e.CallStack.At(i).Pos; pos.Line > 0 {
			at = pos.String()
			break
		}
	}
	switch {
	case errors.Is(err, errOutput):
		return fmt.Sprintf("%s: stopped: too much output", at)
	case e.Msg == "Starlark computation cancelled: too many steps":
		return fmt.Sprintf("%s: stopped: more than %d steps; is there an endless loop?", at, steps)
	}
	return fmt.Sprintf("%s: %s", at, e.Msg)
}

// builtins are what a script can call beside the language itself.
func builtins(w *emitter) starlark.StringDict {
	d := starlark.StringDict{}
	add := func(name string, f func(*starlark.Thread, *starlark.Builtin, starlark.Tuple, []starlark.Tuple) (starlark.Value, error)) {
		d[name] = starlark.NewBuiltin(name, f)
	}
	number := func(name string, n int, get func([]byte) uint64) {
		add(name, func(_ *starlark.Thread, b *starlark.Builtin, args starlark.Tuple, kw []starlark.Tuple) (starlark.Value, error) {
			var data starlark.Bytes
			var at int
			if err := starlark.UnpackArgs(b.Name(), args, kw, "data", &data, "at", &at); err != nil {
				return nil, err
			}
			if at < 0 || at > len(data)-n {
				return nil, fmt.Errorf("%s: byte %d of %d", name, at, len(data))
			}
			return starlark.MakeUint64(get([]byte(data[at : at+n]))), nil
		})
	}
	number("u8", 1, func(b []byte) uint64 { return uint64(b[0]) })
	number("u16le", 2, func(b []byte) uint64 { return uint64(binary.LittleEndian.Uint16(b)) })
	number("u16be", 2, func(b []byte) uint64 { return uint64(binary.BigEndian.Uint16(b)) })
	number("u32le", 4, func(b []byte) uint64 { return uint64(binary.LittleEndian.Uint32(b)) })
	number("u32be", 4, func(b []byte) uint64 { return uint64(binary.BigEndian.Uint32(b)) })
	add("slice", func(_ *starlark.Thread, b *starlark.Builtin, args starlark.Tuple, kw []starlark.Tuple) (starlark.Value, error) {
		var data starlark.Bytes
		var at, n int
		if err := starlark.UnpackArgs(b.Name(), args, kw, "data", &data, "at", &at, "length", &n); err != nil {
			return nil, err
		}
		if at < 0 || n < 0 || at > len(data) || n > len(data)-at {
			return nil, fmt.Errorf("slice: bytes %d to %d of %d", at, at+n, len(data))
		}
		return data[at : at+n], nil
	})
	add("find", func(_ *starlark.Thread, b *starlark.Builtin, args starlark.Tuple, kw []starlark.Tuple) (starlark.Value, error) {
		var data, what starlark.Bytes
		var from int
		if err := starlark.UnpackArgs(b.Name(), args, kw, "data", &data, "what", &what, "start?", &from); err != nil {
			return nil, err
		}
		if from < 0 || from > len(data) {
			return starlark.MakeInt(-1), nil
		}
		if i := bytes.Index([]byte(data[from:]), []byte(what)); i >= 0 {
			return starlark.MakeInt(from + i), nil
		}
		return starlark.MakeInt(-1), nil
	})
	add("sector", func(_ *starlark.Thread, b *starlark.Builtin, args starlark.Tuple, kw []starlark.Tuple) (starlark.Value, error) {
		r := record{Kind: "sector", IDCylinder: -1, IDHead: -1, Mark: disk.MarkData, Encoding: "mfm", OK: true}
		var data starlark.Bytes
		if err := starlark.UnpackArgs(b.Name(), args, kw, "cylinder", &r.Cylinder, "head", &r.Head, "sector", &r.Sector, "data", &data,
			"encoding?", &r.Encoding, "mark?", &r.Mark, "ok?", &r.OK, "why?", &r.Why, "id_cylinder?", &r.IDCylinder, "id_head?", &r.IDHead); err != nil {
			return nil, err
		}
		if r.IDCylinder < 0 {
			r.IDCylinder = r.Cylinder
		}
		if r.IDHead < 0 {
			r.IDHead = r.Head
		}
		r.Data = []byte(data)
		if !r.valid() {
			return nil, fmt.Errorf("sector: cylinder %d head %d sector %d with %d bytes, mark %d, encoding %q: want cylinder 0-255, head 0 or 1, "+
				"sector 0-255, 128, 256, ... 8192 bytes, mark 0xF8-0xFB, encoding \"fm\" or \"mfm\"", r.Cylinder, r.Head, r.Sector, len(r.Data), r.Mark, r.Encoding)
		}
		return starlark.None, w.put(r)
	})
	add("track", func(_ *starlark.Thread, b *starlark.Builtin, args starlark.Tuple, kw []starlark.Tuple) (starlark.Value, error) {
		r := record{Kind: "track"}
		var data starlark.Bytes
		if err := starlark.UnpackArgs(b.Name(), args, kw, "cylinder", &r.Cylinder, "head", &r.Head, "data", &data); err != nil {
			return nil, err
		}
		r.Data = []byte(data)
		if !r.valid() {
			return nil, fmt.Errorf("track: cylinder %d head %d: want cylinder 0-255, head 0 or 1", r.Cylinder, r.Head)
		}
		return starlark.None, w.put(r)
	})
	add("note", func(_ *starlark.Thread, b *starlark.Builtin, args starlark.Tuple, kw []starlark.Tuple) (starlark.Value, error) {
		var text string
		if err := starlark.UnpackArgs(b.Name(), args, kw, "text", &text); err != nil {
			return nil, err
		}
		return starlark.None, w.put(record{Kind: "note", Text: fmt.Sprintf("%.4000s", text)})
	})
	add("crc", func(_ *starlark.Thread, b *starlark.Builtin, args starlark.Tuple, kw []starlark.Tuple) (starlark.Value, error) {
		var data starlark.Bytes
		start := 0xFFFF
		if err := starlark.UnpackArgs(b.Name(), args, kw, "data", &data, "start?", &start); err != nil {
			return nil, err
		}
		c := uint16(start)
		for i := range len(data) {
			c ^= uint16(data[i]) << 8
			for range 8 {
				if c&0x8000 != 0 {
					c = c<<1 ^ 0x1021
				} else {
					c <<= 1
				}
			}
		}
		return starlark.MakeInt(int(c)), nil
	})
	return d
}

func jsonTo(w io.Writer) *json.Encoder { return json.NewEncoder(w) }
