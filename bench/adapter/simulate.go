package adapter

import (
	"bufio"
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"io"

	"remanence/disk/flux"
)

// Simulate is the reference adapter: a drive with one disk in it, kept in memory. It reads requests until the input
// ends or bye is said.
func Simulate(ctx context.Context, in io.Reader, out io.Writer, cylinders int) error {
	r := bufio.NewReaderSize(in, 64<<10)
	enc := json.NewEncoder(out)
	disk := map[[2]int]*flux.Capture{}
	for ctx.Err() == nil {
		line, err := readLine(r)
		if len(line) > 0 {
			a, bye := serve(line, disk, cylinders)
			if err := enc.Encode(a); err != nil {
				return err
			}
			if bye {
				return nil
			}
		}
		if errors.Is(err, io.EOF) {
			return nil
		}
		if err != nil {
			return err
		}
	}
	return ctx.Err()
}

// serve answers one request.
func serve(line []byte, tracks map[[2]int]*flux.Capture, cylinders int) (a Answer, bye bool) {
	var q Request
	if json.Unmarshal(line, &q) != nil || q.ID < 0 {
		return Answer{Error: "bad-request"}, false
	}
	a.ID = q.ID
	at := [2]int{q.Cylinder, q.Head}
	here := q.Cylinder >= 0 && q.Cylinder < cylinders && q.Head >= 0 && q.Head < 2
	switch {
	case q.Do == "hello":
		return Answer{ID: q.ID, OK: true, Name: "simulator", Version: Version, Writes: true, Cylinders: cylinders, Heads: 2}, false
	case q.Do == "bye":
		a.OK = true
		return a, true
	case q.Do == "write" && here:
		c, err := flux.ReadCapture(bytes.NewReader(q.Capture))
		if err != nil || len(c.Index) < 2 {
			a.Error = "bad-request"
			return a, false
		}
		tracks[at] = c
		a.OK = true
	case q.Do == "read" && here && q.Revolutions >= 1 && q.Revolutions <= 20:
		c := turn(tracks[at], q.Revolutions)
		c.Cylinder, c.Head = q.Cylinder, q.Head
		b, err := c.Append(nil)
		if err != nil {
			a.Error = err.Error()
			return a, false
		}
		a.OK, a.Capture = true, b
	default:
		a.Error = "bad-request"
	}
	return a, false
}

// turn lets a track of one revolution pass several times. A track that was never written has index pulses alone.
func turn(c *flux.Capture, revolutions int) *flux.Capture {
	if c == nil {
		out := &flux.Capture{TickNS: 25}
		for i := range revolutions + 1 {
			out.Index = append(out.Index, uint64(i)*8_000_000) // 200 ms
		}
		return out
	}
	rev := c.Index[1] - c.Index[0]
	var times []float64
	t := uint64(0)
	var once []uint64
	for _, d := range c.Intervals {
		if t += uint64(d); t < c.Index[1] && t >= c.Index[0] {
			once = append(once, t-c.Index[0])
		}
	}
	out := &flux.Capture{TickNS: c.TickNS}
	for r := range revolutions {
		for _, x := range once {
			times = append(times, float64(uint64(r)*rev+x)*c.TickNS+c.TickNS/4)
		}
	}
	out = flux.FromTimes(times, c.TickNS)
	for r := range revolutions + 1 {
		out.Index = append(out.Index, uint64(r)*rev)
	}
	return out
}
