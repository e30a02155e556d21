// Package chip is a stand-in for a floppy controller of the 765 class with a drive and a disk that turns: a
// kernel.Port for tests. No part of the product uses it.
//
// A track is where its flux changes lie round the turn; writing lays changes down at the speed of that moment, reading
// rounds the distance from one to the next to whole cells of the rate and encoding asked for. So what was written at
// another rate, in the other encoding, over older data or past the index reads as it would: by its changes alone.
//
// What the chip does is from the 765 data sheet (commands, result bytes, search up to the second index pulse, FORMAT
// from index to index with an index mark, gap 4a of 80 bytes, gap 1 of 50; in FM 40 and 26) and the track layouts of the
// FD179x data sheet; marks, clocks and CRC are those of the FD179x and FD1771 data sheets. That marks other than FB and
// F8 end in "missing data mark", and that identifiers soon after the index are not seen, is practitioners' experience.
package chip

import (
	"bytes"
	"cmp"
	"math"
	"slices"
	"time"

	"remanence/bench"
	"remanence/bench/kernel"
	"remanence/disk/flux"
)

// How a controller and its board treat FM.
const (
	DoesFM    = iota
	NoFM      // nothing readable is written, nothing is read
	IgnoresFM // the FM bit of a command changes nothing: it is MFM
)

// Dirt is a part of a cylinder that keeps nothing, from and to in turns after the index.
type Dirt struct {
	Cylinder int
	From, To float64
}

// Port is the controller, the drive and the disk. The zero value does not turn: use New.
type Port struct {
	RPM     float64
	Wander  float64 // part by which the speed goes up and down
	BlindUS float64 // identifiers that begin sooner after the index are not seen
	FM      int
	Off     int  // bytes behind a field just written that are spoilt until the write current is off
	Lock    int  // bytes of sync that the separator needs before a mark
	Think   int  // bytes after a field before the chip looks for the next identifier
	TakesFA bool // FA and F9 are taken for FB
	NoRaw   bool
	Stands  bool // no disk turns, as in an emulation: each command takes 20 ms by the clock, wherever the sectors lie
	Dirty   []Dirt
	// Protected and Open are the disk's notch and the drive's door. They may change while a check runs.
	Protected, Open bool
	// Before is called with the number of the command, from 1.
	Before func(n int, c *kernel.Command)
	// Delay is what the answer to command n takes until the program has it; a command takes half a millisecond to begin.
	Delay func(n int) time.Duration
	// Written are the tracks that were formatted: cylinder and head.
	Written map[[2]int]bool

	now    float64 // ns
	own    float64 // the same where Stands keeps the disk off the clock
	at     int32
	calls  int
	tracks map[[2]int][]float64
	blocks []byte
	known  map[reading][]id

	w     writer    // used again for each write, as are
	news  []float64 // and the memory of the track that was written over
	spare []float64
}

// New is a good drive at that speed with a controller that does FM and is blind for 0.9 ms (bench notes).
func New(rpm float64) *Port {
	return &Port{RPM: rpm, Wander: 0.0005, BlindUS: 900, Off: 3, Lock: 4, Written: map[[2]int]bool{}, tracks: map[[2]int][]float64{}, known: map[reading][]id{}, now: 1.234e8}
}

// Now is the clock of this world.
func (p *Port) Now() time.Time { return time.Unix(1000, int64(p.now)) }

const swing = 1.7e9 // ns: how long the speed takes to go up and down once

// turns is how often the disk has turned at time t, in ns.
func (p *Port) turns(t float64) float64 {
	w := 2 * math.Pi / swing
	return p.RPM / 60e9 * (t + p.Wander/w*(1-math.Cos(w*t)))
}

// when is the inverse of turns.
func (p *Port) when(turn float64) float64 {
	t := turn * 60e9 / p.RPM
	for range 8 {
		t -= (p.turns(t) - turn) * 60e9 / p.RPM
	}
	return t
}

// Capture is what a head sees of a track in so many turns at an even speed, for other eyes than the chip's.
func (p *Port) Capture(cylinder, head, turns int) *flux.Capture {
	const tickNS = 25
	turnNS := 60e9 / p.RPM
	var times []float64
	var index []uint64
	for i := range turns + 1 {
		index = append(index, uint64(float64(i)*turnNS/tickNS))
	}
	for i := range turns {
		for _, a := range p.tracks[[2]int{cylinder, head}] {
			times = append(times, (float64(i)+a)*turnNS)
		}
	}
	c := flux.FromTimes(times, tickNS)
	c.Index, c.Cylinder, c.Head = index, cylinder, head
	return c
}

func (p *Port) Name() string                             { return "model" }
func (p *Port) Close() error                             { return nil }
func (p *Port) SetParams(f *kernel.Params) error         { p.blocks = make([]byte, f.Size*512); return nil }
func (p *Port) FormatEnd() error                         { return nil }
func (p *Port) FormatTrack(head, c uint32) error         { return nil }
func (p *Port) Flush() error                             { return nil }
func (p *Port) Reset() error                             { return nil }
func (p *Port) Sync() error                              { return nil }
func (p *Port) ReadAt(b []byte, off int64) (int, error)  { return copy(b, p.blocks[off:]), nil }
func (p *Port) WriteAt(b []byte, off int64) (int, error) { return copy(p.blocks[off:], b), nil }

func (p *Port) FormatBegin() error {
	if p.Protected || p.Open {
		return bench.ErrWriteProtected
	}
	return nil
}

func (p *Port) Poll() (kernel.State, error) {
	return kernel.State{Changed: p.Open, Writable: !p.Protected, Known: true}, nil
}

// Raw is one command: the head goes to its track, the chip does it and answers.
func (p *Port) Raw(c *kernel.Command) error {
	if p.NoRaw {
		return kernel.ErrNoRaw
	}
	if c.Bytes[0] == 0x04 { // SENSE DRIVE STATUS: ready, two sides
		c.Reply = []byte{0x28}
		return nil
	}
	p.calls++
	if p.Before != nil {
		p.Before(p.calls, c)
	}
	if p.Open {
		return bench.ErrNoDisk
	}
	if p.Stands {
		began := p.now
		p.now = p.own
		defer func() { p.own, p.now = p.now, began+20e6 }()
	}
	p.now += 0.5e6
	if c.Track != p.at {
		p.now += 6e6*math.Abs(float64(c.Track-p.at)) + 15e6
		p.at = c.Track
	}
	x := &run{p: p, c: c, mfm: c.Bytes[0]&0x40 != 0, place: [2]int{int(c.Track), int(c.Bytes[1] >> 2 & 1)}}
	if p.FM == IgnoresFM {
		x.mfm = true
	}
	x.half = 1e6 / []float64{500, 300, 250, 1000}[c.Rate&3] / 2 // ns of a half-cell of MFM
	if !x.mfm {
		x.half *= 2
	}
	x.cells = p.tracks[x.place]
	switch c.Bytes[0] & 0x1F {
	case 0x0D:
		x.format()
	case 0x0A:
		x.readID()
	case 0x05, 0x09:
		x.transfer(true)
	case 0x06, 0x0C:
		x.transfer(false)
	default:
		c.Reply = []byte{0x80}
	}
	if p.Delay != nil {
		p.now += float64(p.Delay(p.calls))
	}
	return nil
}

// run is one command at work.
type run struct {
	p     *Port
	c     *kernel.Command
	mfm   bool
	half  float64 // ns of a half-cell
	place [2]int
	cells []float64
}

func (x *run) byteNS() float64 { return 16 * x.half }

func (x *run) answer(st0, st1, st2 byte, id ...byte) {
	x.c.Reply = append([]byte{st0, st1, st2}, id...)
	for len(x.c.Reply) < 7 {
		x.c.Reply = append(x.c.Reply, 0)
	}
}

func (x *run) writer() *writer {
	x.p.w = writer{mfm: x.mfm, cells: x.p.w.cells[:0]}
	return &x.p.w
}

// blocked says that nothing can be written, and answers.
func (x *run) blocked() bool {
	if x.p.Protected {
		x.answer(0x40, 0x02, 0)
	}
	return x.p.Protected
}

// format writes from the next index pulse to the one after it.
func (x *run) format() {
	if x.blocked() {
		return
	}
	b := x.c.Bytes
	n, gap, fill := b[2], int(b[4]), b[5]
	w := x.writer()
	w.preamble()
	for i := 0; i+3 < len(x.c.Data) && i/4 < int(b[3]); i += 4 {
		w.id(x.c.Data[i : i+4])
		w.gap(gap2(x.mfm))
		w.field(0xFB, bytes.Repeat([]byte{fill}, 128<<n))
		w.gap(gap)
	}
	from := math.Ceil(x.p.turns(x.p.now))
	begin, end := x.p.when(from), x.p.when(from+1)
	for float64(len(w.cells))*x.half < end-begin {
		w.gap(64)
	}
	w.cells = w.cells[:int((end-begin)/x.half)]
	if !x.mfm && x.p.FM == NoFM {
		clear(w.cells)
	}
	x.lay(begin, w.cells)
	x.p.now = end
	x.p.Written[x.place] = true
	x.answer(0, 0, 0)
}

// lay puts cells on the track from time begin on; what lay there is gone.
func (x *run) lay(begin float64, cells []byte) {
	from, to := x.p.turns(begin), x.p.turns(begin+float64(len(cells))*x.half)
	if to-from > 1 {
		from = to - 1
	}
	news := x.p.news[:0] // in turns, going on past the index
	const chunk = 256    // cells over which the speed is taken as steady
	for i := 0; i < len(cells); i += chunk {
		at := x.p.turns(begin + float64(i)*x.half)
		each := (x.p.turns(begin+float64(i+chunk)*x.half) - at) / chunk
		for k, v := range cells[i:min(i+chunk, len(cells))] {
			if t := at + (float64(k)+0.5)*each; v != 0 && t >= from && !x.dirty(t-math.Floor(t)) {
				news = append(news, t)
			}
		}
	}
	base := math.Floor(from)
	wrap, _ := slices.BinarySearch(news, base+1)
	out := x.p.spare[:0]
	for _, t := range news[wrap:] {
		out = append(out, t-base-1)
	}
	old := func(lo, hi float64) {
		i, _ := slices.BinarySearch(x.cells, lo)
		k, _ := slices.BinarySearch(x.cells, hi)
		out = append(out, x.cells[i:max(i, k)]...)
	}
	old(max(0, to-base-1), from-base)
	for _, t := range news[:wrap] {
		out = append(out, t-base)
	}
	old(to-base, 1)
	x.p.news, x.p.spare = news, x.cells
	x.cells = out
	x.p.tracks[x.place] = out
	x.changed(from, to)
}

// dirty reports whether the disk keeps nothing there.
func (x *run) dirty(at float64) bool {
	return slices.ContainsFunc(x.p.Dirty, func(d Dirt) bool { return d.Cylinder == x.place[0] && at >= d.From && at < d.To })
}

// mark is an address mark as it passes: where it begins, in turns.
type mark struct {
	kind  byte
	begin float64
}

// id is a sound identifier of a track: where its mark begins (0..1 of a turn) and where its CRC ends.
type id struct {
	chrn       [4]byte
	begin, end float64
}

// reading is how a track is looked at.
type reading struct {
	place [2]int
	mfm   bool
	half  float64
}

// ids are all identifiers of the track. They are kept, and looked for again where the track is written.
func (x *run) ids() []id {
	key := reading{x.place, x.mfm, x.half}
	list, ok := x.p.known[key]
	if !ok {
		list = x.scan(0, 1)
		x.p.known[key] = list
	}
	return list
}

// scan finds the identifiers that begin from a turn to another, not more than one later.
func (x *run) scan(from, to float64) (list []id) {
	for r := x.reader(from - 0.02); ; { // from before it, for one that begins there
		m, ok := r.mark(to)
		if !ok {
			return list
		}
		if m.kind != 0xFE || m.begin < from || m.begin >= to {
			continue
		}
		if b := r.bytes(6); crc(preset(x.mfm, 0xFE), b) == 0 {
			turn := math.Floor(m.begin)
			list = append(list, id{[4]byte(b), m.begin - turn, r.turn - turn})
		}
	}
}

// changed looks again at what was written from a turn to another.
func (x *run) changed(from, to float64) {
	const pad = 0.02 // an identifier with its sync, and more
	from, to = from-pad, to+pad
	for key, list := range x.p.known {
		switch {
		case key.place != x.place:
		case to-from >= 1:
			delete(x.p.known, key)
		default:
			list = slices.DeleteFunc(list, func(i id) bool { d := i.begin - from; return d-math.Floor(d) < to-from })
			y := run{p: x.p, mfm: key.mfm, half: key.half, place: key.place, cells: x.cells}
			list = append(list, y.scan(from, to)...)
			slices.SortFunc(list, func(a, b id) int { return cmp.Compare(a.begin, b.begin) })
			x.p.known[key] = list
		}
	}
}

// search goes round until found says so, at most to the second index pulse; it gives the answer for what it did not
// find. The clock then stands where the search ended: behind the identifier, at turn end.
func (x *run) search(found func(chrn [4]byte) bool) (chrn [4]byte, end float64, ok bool) {
	start := x.p.turns(x.p.now)
	limit := math.Floor(start) + 2
	seen := false
	if x.mfm || x.p.FM != NoFM {
		turnNS := 60e9 / x.p.RPM
		sync := float64(x.p.Lock) * x.byteNS() / turnNS // that the separator must still see of it
		for base := math.Floor(start); base < limit; base++ {
			for _, i := range x.ids() {
				if base+i.begin < start+sync || i.begin*turnNS < x.p.BlindUS*1000 {
					continue
				}
				if seen = true; found(i.chrn) {
					x.p.now = x.p.when(base + i.end)
					return i.chrn, base + i.end, true
				}
			}
		}
	}
	x.p.now = x.p.when(limit)
	if seen {
		x.answer(0x40, 0x04, 0) // no data: the sector asked for is not among the identifiers
	} else {
		x.answer(0x40, 0x01, 0) // missing address mark
	}
	return chrn, 0, false
}

func (x *run) readID() {
	if chrn, _, ok := x.search(func([4]byte) bool { return true }); ok {
		x.answer(0, 0, 0, chrn[:]...)
	}
}

// transfer reads or writes sectors by number, from R to EOT, as far as the data go.
func (x *run) transfer(write bool) {
	if write && x.blocked() {
		return
	}
	b, deleted := x.c.Bytes, x.c.Bytes[0]&0x1F == 0x09 || x.c.Bytes[0]&0x1F == 0x0C
	size := 128 << (b[5] & 7)
	pos, st2 := 0, byte(0)
	defer func() { x.c.Residue = len(x.c.Data) - pos }()
	for r := int(b[4]); r <= int(b[6]) && pos+size <= len(x.c.Data); r++ {
		want := [4]byte{b[2], b[3], byte(r), b[5]}
		_, end, ok := x.search(func(chrn [4]byte) bool { return chrn == want })
		if !ok {
			return
		}
		if write {
			w := x.writer()
			w.field(map[bool]byte{false: 0xFB, true: 0xF8}[deleted], x.c.Data[pos:pos+size])
			w.gap(1)
			w.cells = append(w.cells, make([]byte, 16*max(0, x.p.Off-1))...)
			begin := x.p.now + float64(gap2(x.mfm))*x.byteNS()
			x.lay(begin, w.cells)
			x.p.now = begin + float64(len(w.cells))*x.half
			pos += size
		} else {
			data, kind, fine := x.dataField(end, size)
			switch {
			case kind == 0:
				x.answer(0x40, 0x01, 0x01) // missing address mark in data field
				return
			case !fine:
				x.answer(0x40, 0x20, 0x20)
				return
			}
			copy(x.c.Data[pos:], data)
			pos += size
			if (kind == 0xF8) != deleted {
				st2 = 0x40
			}
		}
		x.p.now += float64(max(int(b[7]), x.p.Think)) * x.byteNS() // the separator is held off for the gap length
	}
	x.answer(0, 0, st2)
}

// dataField reads the field behind an identifier that ends there; kind 0 where no mark that the chip takes begins in its window.
func (x *run) dataField(end float64, size int) (data []byte, kind byte, fine bool) {
	perByte := x.byteNS() / (60e9 / x.p.RPM)
	window := 50.0
	if !x.mfm {
		window = 30
	}
	r := x.reader(end)
	d, ok := r.mark(end + window*perByte)
	user := d.kind == 0xFA || d.kind == 0xF9
	if !ok || d.kind == 0xFE || d.kind == 0xFC || user && !x.p.TakesFA {
		return nil, 0, false
	}
	rest := r.bytes(size + 2)
	x.p.now = x.p.when(r.turn)
	if user {
		return rest[:size], 0xFB, crc(preset(x.mfm, d.kind), rest) == 0
	}
	return rest[:size], d.kind, crc(preset(x.mfm, d.kind), rest) == 0
}
