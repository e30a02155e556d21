package program

import (
	"context"
	"fmt"
	"math/rand/v2"
	"os"
	"path/filepath"
	"testing"
)

// benchMemory is a 40 KiB program of noise, the worst for any shortcut.
func benchMemory() Memory {
	rng := rand.New(rand.NewPCG(1, 2))
	data := make([]byte, 40<<10)
	for i := range data {
		data[i] = byte(rng.Uint32())
	}
	e := 0x5200
	return Memory{Name: "TIDE", Entry: &e, Segments: []Segment{{0x5200, data}}}
}

func benchInspect(b *testing.B, data []byte, err error, want Kind) {
	if err != nil {
		b.Fatal(err)
	}
	b.SetBytes(int64(len(data)))
	b.ReportAllocs()
	for b.Loop() {
		if r := Inspect(data); r.Kind != want || !r.Whole {
			b.Fatal(r.Kind, r.Faults)
		}
	}
}

// BenchmarkInspectLoadModule is the figure that issue 2 asks for: at least 200 MB/s.
func BenchmarkInspectLoadModule(b *testing.B) {
	data, err := BuildModule(benchMemory())
	benchInspect(b, data, err, LoadModule)
}

func BenchmarkInspectMachineTape(b *testing.B) {
	data, err := BuildTape(benchMemory(), TapeOptions{})
	benchInspect(b, data, err, MachineTape)
}

func BenchmarkInspectIntelHex(b *testing.B) {
	data, err := BuildIntelHex(benchMemory(), HexOptions{})
	benchInspect(b, data, err, IntelHex)
}

func BenchmarkInspectSRecord(b *testing.B) {
	data, err := BuildSRecord(benchMemory(), HexOptions{})
	benchInspect(b, data, err, SRecord)
}

func benchProgram() *BASIC {
	p := &BASIC{Name: "T"}
	for i := range 600 {
		p.Lines = append(p.Lines, Line{10 * (i + 1), tokeniseLine([]byte(fmt.Sprintf(`IF A$="STOP %d" THEN PRINT "FERRY";TAB(20);X*%d ELSE GOTO %d`, i, i, i+10)))})
	}
	return p
}

func BenchmarkInspectBASIC(b *testing.B) {
	data, err := BuildBASICDisk(benchProgram())
	benchInspect(b, data, err, BASICDisk)
}

func BenchmarkInspectText(b *testing.B) {
	benchInspect(b, benchProgram().Listing("\r"), nil, Text)
}

func BenchmarkTokenise(b *testing.B) {
	text := benchProgram().Listing("\r")
	b.SetBytes(int64(len(text)))
	for b.Loop() {
		if _, err := Tokenise(text); err != nil {
			b.Fatal(err)
		}
	}
}

func BenchmarkListing(b *testing.B) {
	p := benchProgram()
	b.SetBytes(int64(len(p.Listing("\r"))))
	for b.Loop() {
		p.Listing("\r")
	}
}

// BenchmarkInspectAll reads 1,000 modules of 5 KiB from disk, SHA-256 included.
func BenchmarkInspectAll(b *testing.B) {
	m := benchMemory()
	m.Segments[0].Data = m.Segments[0].Data[:5<<10]
	dir := b.TempDir()
	var paths []string
	var total int64
	for i := range 1000 {
		m.Segments[0].Data[9] = byte(i)
		m.Segments[0].Data[10] = byte(i >> 8)
		data, err := BuildModule(m)
		if err != nil {
			b.Fatal(err)
		}
		p := filepath.Join(dir, fmt.Sprintf("%04d.cmd", i))
		if err := os.WriteFile(p, data, 0o644); err != nil {
			b.Fatal(err)
		}
		paths, total = append(paths, p), total+int64(len(data))
	}
	b.SetBytes(total)
	b.ReportAllocs()
	for b.Loop() {
		if rs, err := InspectAll(context.Background(), paths, Options{}, nil); err != nil || len(rs) != len(paths) {
			b.Fatal(err)
		}
	}
}
