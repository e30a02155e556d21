// Package saltmarsh is the example of the project: the programs of the invented Saltmarsh Computing Collection for its
// invented home computer of 1979, the Heron.
//
// Everything is made from sources in this folder: Z80 programs (asm, assembled with z80asm into bin; a test assembles
// them again and compares), BASIC listings, texts, and small generators for data. Some files are damaged on purpose, as
// what comes out of an attic is. The same files come out every time, byte for byte.
package saltmarsh

import (
	"bytes"
	"context"
	"embed"
	"fmt"
	"math"
	"slices"
	"strings"

	"remanence/machine"
	"remanence/program"
	"remanence/tape"
	"remanence/tape/audio"
	"remanence/volume"
)

//go:embed bin/*.bin basic/*.bas basic/*.lst text/*.txt asm/*.asm
var sources embed.FS

// File is one file of the collection.
type File struct {
	Name string // in the folder
	Data []byte
	What string // what it is, in words
	Hurt string // what was done to it on purpose; "" if nothing
}

// Machine is the class that the collection is for.
const Machine = "z80-fm10"

// Title of the collection.
const Title = "Saltmarsh Collection"

// code is one assembled program and where it loads.
type code struct {
	name  string
	first int
}

var codes = []code{{"beacon", 0x5200}, {"bells", 0x7F00}, {"crane", 0x5800}, {"dump", 0x6000}, {"gull", 0x5200}, {"morse", 0x5200}, {"sort", 0x5400}, {"winch", 0x4A00}}

// Memory is an assembled program as it lies in memory.
func Memory(name string) (program.Memory, error) {
	for _, c := range codes {
		if c.name == name {
			b, err := sources.ReadFile("bin/" + name + ".bin")
			if err != nil {
				return program.Memory{}, err
			}
			entry := c.first
			return program.Memory{Name: upper(name), Segments: []program.Segment{{Address: c.first, Data: b}}, Entry: &entry}, nil
		}
	}
	return program.Memory{}, fmt.Errorf("%s: no such program", name)
}

func upper(s string) string { return string(bytes.ToUpper([]byte(s))) }

// maker collects files; the first error ends it.
type maker struct {
	files []File
	err   error
}

func (m *maker) add(name, what string, data []byte, err error) []byte {
	if m.err == nil && err != nil {
		m.err = fmt.Errorf("%s: %w", name, err)
	}
	if m.err == nil {
		m.files = append(m.files, File{Name: name, Data: data, What: what})
	}
	return data
}

// hurt adds a damaged copy of data.
func (m *maker) hurt(name, what, how string, data []byte) {
	m.add(name, what, data, nil)
	if m.err == nil {
		m.files[len(m.files)-1].Hurt = how
	}
}

func (m *maker) memory(name string) program.Memory {
	mem, err := Memory(name)
	if m.err == nil {
		m.err = err
	}
	return mem
}

func (m *maker) text(name string) []byte {
	b, err := sources.ReadFile(name)
	if m.err == nil {
		m.err = err
	}
	return bytes.ReplaceAll(b, []byte("\n"), []byte("\r")) // the Heron ends lines with CR
}

func (m *maker) basic(name string) *program.BASIC {
	p, err := program.Tokenise(m.text("basic/" + name))
	if err != nil {
		if m.err == nil {
			m.err = fmt.Errorf("%s: %w", name, err)
		}
		return &program.BASIC{}
	}
	return p
}

// Files are the collection, in the order of their names. set gives the recording of its disk image.
func Files(set *machine.Set) ([]File, error) {
	m := &maker{}
	m.modules()
	m.tapes()
	m.listings()
	m.hexes()
	m.data()
	m.image(set)
	m.sound(set)
	m.damaged()
	if m.err != nil {
		return nil, m.err
	}
	sortByName(m.files)
	return m.files, nil
}

func (m *maker) modules() {
	for _, p := range []struct{ name, what string }{{"beacon", "the lighthouse of Heron Point, flashing"}, {"crane", "the model harbour crane on port 40h"},
		{"dump", "memory in hexadecimal"}, {"gull", "a gull flies across the screen"}, {"morse", "Morse code on the cassette port"}, {"sort", "sorts a list of ships"}} {
		b, err := program.BuildModule(m.memory(p.name))
		m.add(upper(p.name)+".CMD", "load module: "+p.what, b, err)
	}
	// A program with a chart behind it: two areas, the second of them large.
	gull := m.memory("gull")
	gull.Name = "COAST"
	gull.Segments = append(gull.Segments, program.Segment{Address: 0x9000, Data: chart(12_000, 3)})
	b, err := program.BuildModule(gull)
	m.add("COAST.CMD", "load module in two areas, needs 48 KiB: the coast with its chart", b, err)
}

func (m *maker) tapes() {
	for _, p := range []struct{ name, what string }{{"winch", "haul the net before the rope breaks"}, {"bells", "bells of a ship's watch, for BASIC"}} {
		b, err := program.BuildTape(m.memory(p.name), program.TapeOptions{Leader: true})
		m.add(upper(p.name)+".CAS", "machine-code tape with leader: "+p.what, b, err)
	}
	for _, p := range []struct{ name, letter, what string }{{"knots", "K", "knots, miles and kilometres"}, {"ferry", "F", "thirty visitors over the creek"}, {"ropes", "R", "working load of ropes"}} {
		prog := m.basic(p.name + ".bas")
		prog.Name = p.letter
		b, err := program.BuildBASICTape(prog, program.TapeOptions{})
		m.add(upper(p.name)+".BTP", "BASIC tape: "+p.what, b, err)
	}
}

func (m *maker) listings() {
	for _, p := range []struct{ name, what string }{{"tides", "tides by the rule of twelfths"}, {"lights", "which light is it?"}, {"logbook", "log book on disk"}, {"sounding", "section of the creek"}} {
		b, err := program.BuildBASICDisk(m.basic(p.name + ".bas"))
		m.add(upper(p.name)+".BAS", "tokenised BASIC, disk form: "+p.what, b, err)
	}
	m.add("COMPASS.LST", "BASIC listing: boxing the compass", m.text("basic/compass.lst"), nil)
	m.add("README.TXT", "text: about the collection", m.text("text/readme.txt"), nil)
	m.add("VISITORS.TXT", "text: for visitors at the keyboard", m.text("text/visitors.txt"), nil)
	src, err := sources.ReadFile("asm/gull.asm")
	m.add("GULL.ASM", "text: assembly source of GULL", bytes.ReplaceAll(src, []byte("\n"), []byte("\r")), err)
}

func (m *maker) hexes() {
	b, err := program.BuildIntelHex(m.memory("crane"), program.HexOptions{})
	m.add("CRANE.HEX", "Intel HEX of CRANE", b, err)
	b, err = program.BuildSRecord(m.memory("beacon"), program.HexOptions{})
	m.add("BEACON.S19", "S-records of BEACON", b, err)
}

// data are files of no known form, which are packed as they are.
func (m *maker) data() {
	m.add("CHART.DAT", "data: depths of the creek on a grid", chart(30_000, 1), nil)
	m.add("TIDES.DAT", "data: a year of high waters", tideTable(), nil)
	m.add("ESTUARY.DAT", "data: depths of the estuary", chart(24_000, 2), nil)
	m.add("SHIPS.DAT", "data: the register of ships, 32 bytes each", register(900), nil)
	m.add("ATLAS.DAT", "data: too large for one disk", chart(120_000, 4), nil)
}

// image is a disk that came as sectors: a volume of 35 cylinders with a few files on it.
func (m *maker) image(set *machine.Set) {
	if m.err != nil {
		return
	}
	im, err := oldDisk(set, m)
	m.add("OLDDISK.IMG", "sector image: a disk of 35 cylinders with a volume", im, err)
}

func oldDisk(set *machine.Set, m *maker) ([]byte, error) {
	rec, err := set.Recording("fm10x256:35x1")
	if err != nil {
		return nil, err
	}
	v, err := volume.New("granule", rec, volume.NewOptions{Name: "NETLOFT", Date: "1979-06-02"})
	if err != nil {
		return nil, err
	}
	for _, f := range []struct {
		name string
		data []byte
	}{{"LEDGER/TXT", m.text("text/ledger.txt")}, {"FLOATS/DAT", register(60)}, {"DEPTHS/DAT", chart(9_000, 5)}} {
		if err := v.Put(f.name, f.data, volume.PutOptions{}); err != nil {
			return nil, err
		}
	}
	return v.Image().Data, nil
}

// sound is a recording of a short tape: known for what it is, and to be read with 'tape read'.
func (m *maker) sound(set *machine.Set) {
	if m.err != nil {
		return
	}
	var out bytes.Buffer
	err := func() error {
		c, err := set.LineCode("pulse500")
		if err != nil {
			return err
		}
		b, err := program.BuildTape(m.memory("bells"), program.TapeOptions{})
		if err != nil {
			return err
		}
		it, err := tape.Encode(tape.FormPulse500, tape.MachineTape, "BELLS", b)
		if err != nil {
			return err
		}
		var heard audio.Collector
		if _, err := tape.WriteSide(context.Background(), &heard, []tape.Item{it}, tape.SideOptions{Code: c, RateHz: 11025, StartS: 0.5}, nil); err != nil {
			return err
		}
		sink, err := audio.CreateWAV(&out, audio.Format{RateHz: 11025, Channels: 1, Bits: 8}, int64(len(heard.Samples)))
		if err != nil {
			return err
		}
		if err := sink.Write(heard.Samples); err != nil {
			return err
		}
		return sink.Close()
	}()
	m.add("BELLS.WAV", "sound: a recording of the tape BELLS", out.Bytes(), err)
}

// damaged are files as they come out of an attic.
func (m *maker) damaged() {
	if m.err != nil {
		return
	}
	mod, _ := program.BuildModule(m.memory("morse"))
	m.hurt("TORN.CMD", "load module, cut off", "the last 20 bytes are missing", mod[:len(mod)-20])
	tp, _ := program.BuildTape(m.memory("winch"), program.TapeOptions{})
	tp = bytes.Clone(tp)
	tp[60] ^= 0x10
	m.hurt("CREASED.CAS", "machine-code tape with a wrong bit", "one bit of byte 60 is wrong", tp)
	hx, _ := program.BuildIntelHex(m.memory("gull"), program.HexOptions{})
	hx = bytes.Clone(hx)
	hx[len(hx)/2] ^= 1
	m.hurt("SMUDGED.HEX", "Intel HEX with a wrong digit", "one digit in the middle is wrong", hx)
	bas, _ := program.BuildBASICDisk(m.basic("tides.bas"))
	m.hurt("HALF.BAS", "tokenised BASIC, cut off", "the second half is missing", bas[:len(bas)/2])
	rom := m.memory("sort")
	rom.Segments[0].Address = 0x1000
	entry := 0x1000
	rom.Entry = &entry
	foreign, _ := program.BuildModule(rom)
	m.add("FOREIGN.CMD", "load module for another machine: loads where the Heron has ROM", foreign, nil)
}

// chart is depths on a grid: smooth, with banks, and different for every seed.
func chart(n, seed int) []byte {
	b := make([]byte, n)
	for i := range b {
		x, y := float64(i%120), float64(i/120)
		d := 40 + 25*math.Sin(x/17+float64(seed)) + 18*math.Cos(y/23-x/41) + 9*math.Sin((x+y)/7*float64(seed%3+1))
		b[i] = byte(max(0, math.Round(d*2)/2))
	}
	return b
}

// tideTable is the height of high water, in decimetres, and its time, in minutes after midnight, low byte first, for
// two tides a day of a year: a semidiurnal tide with a fortnight's spring and neap.
func tideTable() []byte {
	var b []byte
	for t := 0.0; t < 365*24; t += 12.42 {
		h := 35 + 9*math.Cos(2*math.Pi*t/(14.77*24))
		min := int(math.Mod(t, 24) * 60)
		b = append(b, byte(math.Round(h)), byte(min), byte(min>>8))
	}
	return b
}

// register is a list of invented ships: 16 bytes of name, 8 of port, built and lost as words, tons, and a rig.
func register(n int) []byte {
	first := []string{"GREY", "OLD", "LITTLE", "NORTH", "SALT", "EARLY", "SILVER", "LONG", "WIDOW", "FAIR"}
	second := []string{"HERON", "MAIDEN", "PETREL", "THISTLE", "CURLEW", "LANTERN", "HARVEST", "TIDE", "OYSTER", "WILLOW"}
	ports := []string{"SALTM", "QUAY", "NORTHSP", "FERRY"}
	var b []byte
	for i := range n {
		year := 1790 + i*7%130
		b = fmt.Appendf(b, "%-16s%-8s", first[i%10]+" "+second[i/10%10], ports[i*5%4])
		b = append(b, byte(year), byte(year>>8), byte(year+20+i%31), byte((year+20+i%31)>>8), byte(20+i%180), 0, byte(i%5), 0)
	}
	return b
}

func sortByName(files []File) {
	slices.SortStableFunc(files, func(a, b File) int { return strings.Compare(a.Name, b.Name) })
}
