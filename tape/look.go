package tape

import (
	"bufio"
	"encoding/binary"
	"encoding/json"
	"errors"
	"io"
	"math"
	"sort"

	"remanence/picture"
	"remanence/tape/audio"
	"remanence/tape/linecode"
)

// A Look is what is kept of a recording that was read, so that any place of it can be looked at without reading it
// again: peaks of the sound, every byte with the decision on each of its bits, what the byte is, and the result. It lies
// in one file:
//
//	8 bytes   "RemLook1"
//	8 bytes   length of the header, least significant byte first
//	header    JSON: result, runs, pieces, blocks, marks, and where the sections stand
//	sections  peaks (4 bytes a step), bytes (32 bytes each), curves (12 bytes a slice), places in a FLAC (16 bytes each)
//
// In memory is the header alone, some hundred kilobytes for three hours; sections are read as they are needed, a few
// kilobytes a request. The decisions are those that gave the bytes: they are stored when the recording is read, not made
// again for the picture.
type Look struct {
	h    lookHeader
	base int64        // byte of the file at which the sections begin
	sums map[int]bool // programs that are the sum of several copies
}

const (
	lookMagic     = "RemLook1"
	lookByteSize  = 32
	maxLookHeader = 64 << 20
	lookPage      = 256 // bytes of a page of a program that has no blocks
	maxLookBlocks = 40_000
	maxLookMarks  = 5_000
)

type section struct {
	Off int64 `json:"o"` // from the end of the header
	N   int64 `json:"n"` // entries
}

type lookHeader struct {
	Source  LookSource       `json:"source"`
	Format  audio.Format     `json:"format"`
	Frames  int64            `json:"frames"`
	Seconds float64          `json:"seconds"`
	ListenS float64          `json:"listen-rate"` // samples a second at which bits were decided
	Result  *Result          `json:"result"`
	Runs    []lookRun        `json:"runs"`
	Pieces  []lookPiece      `json:"pieces"`
	Blocks  []LookBlock      `json:"blocks"`
	Marks   []LookMark       `json:"marks"`
	Codes   []*linecode.Code `json:"codes"`
	Mixes   []mixAt          `json:"mixes,omitempty"`
	Peaks   [][]peakSection  `json:"peaks"` // by channel and level
	Bytes   section          `json:"bytes"`
	Curve   section          `json:"curve"`
	CurveS  float64          `json:"curve-step"`
	Places  section          `json:"places"`
}

type peakSection struct {
	Step int64 `json:"step"` // samples
	section
}

// LookSource says which recording a Look is of.
type LookSource struct {
	Name     string        `json:"name"`
	Kind     string        `json:"kind"` // WAV, FLAC, MP3, Ogg
	Bytes    int64         `json:"bytes"`
	Modified int64         `json:"modified-ns"`
	Places   []audio.Place `json:"-"`
}

// lookRun is a stretch in which a code was heard.
type lookRun struct {
	Code     int     `json:"code"` // in Codes
	LeaderS  float64 `json:"leader"`
	FromS    float64 `json:"from"` // first byte
	ToS      float64 `json:"to"`
	Inverted bool    `json:"inverted,omitempty"`
	Channel  string  `json:"channel"`
	Level    float64 `json:"level"`
	Speed    float64 `json:"speed"`
}

// lookPiece is a row of bytes that follow each other on the tape.
type lookPiece struct {
	Program int     `json:"program"` // -1: bytes that belong to no program
	First   int64   `json:"first"`   // among the bytes
	N       int64   `json:"n"`
	Run     int     `json:"run"`
	FromS   float64 `json:"from"`
	ToS     float64 `json:"to"`
	Sum     bool    `json:"sum,omitempty"` // of several copies: it lies at no place of its own

	start int64 // number of its first byte in the program
}

// LookBlock is a stretch of the side as it is drawn when seen from afar.
type LookBlock struct {
	FromS   float64       `json:"from"`
	ToS     float64       `json:"to"`
	Margin  float64       `json:"margin"`
	State   picture.State `json:"state"`
	Label   string        `json:"label,omitempty"`
	Title   string        `json:"title,omitempty"`
	Over    bool          `json:"over,omitempty"`
	Program int           `json:"program"`
	From    int           `json:"byte"` // of the program
}

// LookMark is a place worth a look.
type LookMark struct {
	AtS  float64 `json:"at"`
	What string  `json:"what"`
}

// mixAt says how two channels were put together from a sample of the recording on.
type mixAt struct {
	At    int64   `json:"at"`
	Lag   int     `json:"lag"`
	Left  float32 `json:"left"`
	Right float32 `json:"right"`
}

// maxMixes bounds how often the combination of two channels may change: it settles within seconds.
const maxMixes = 20_000

// noteMix keeps the combination of the channels when it has changed by more than the eye can see.
func (l *listener) noteMix() {
	// The combination comes maxSkew samples late.
	m := mixAt{l.frames - int64(len(l.l)) - maxSkew, l.mix.lag, float32(l.mix.gain0), float32(l.mix.gain1)}
	if n := len(l.mixes); n > 0 {
		o := l.mixes[n-1]
		if n == maxMixes || o.Lag == m.Lag && math.Abs(float64(o.Left-m.Left)) < 0.01 && math.Abs(float64(o.Right-m.Right)) < 0.01 {
			return
		}
	}
	l.mixes = append(l.mixes, m)
}

// WriteLook writes the Look of a result that was read with ReadOptions.Keep through w.
func WriteLook(out io.Writer, r *Result, w *Watch, src LookSource) error {
	if r.rate == 0 || r.Diagnosis == nil {
		return errors.New("look: want a result read with Keep, found one without its runs")
	}
	h := &lookHeader{Source: src, Format: w.Format(), Frames: w.frames, Seconds: float64(w.frames) / float64(w.Format().RateHz), ListenS: r.rate, Mixes: r.mixes}
	slim := *r
	d := *r.Diagnosis
	d.Timeline = nil
	slim.Diagnosis = &d
	h.Result = &slim
	h.takeRuns(r)
	rows := h.takePieces(r)
	h.takeBlocks(r)
	h.takeMarks(r)
	off := int64(0)
	var peaks [][][]peak
	for _, m := range w.meters {
		levels := m.levels()
		step := m.step
		var secs []peakSection
		for _, l := range levels {
			secs = append(secs, peakSection{step, section{off, int64(len(l))}})
			off += 4 * int64(len(l))
			step *= peakRatio
		}
		peaks, h.Peaks = append(peaks, levels), append(h.Peaks, secs)
	}
	h.Bytes = section{off, 0}
	for _, p := range h.Pieces {
		h.Bytes.N += p.N
	}
	off += lookByteSize * h.Bytes.N
	h.Curve, h.CurveS = section{off, int64(len(r.Diagnosis.Timeline))}, r.Diagnosis.SliceS
	off += 12 * h.Curve.N
	h.Places = section{off, int64(len(src.Places))}
	head, err := json.Marshal(h)
	if err != nil {
		return err
	}
	b := bufio.NewWriterSize(out, 1<<16) // keeps its first error
	u32 := func(v uint32) { b.Write(binary.LittleEndian.AppendUint32(b.AvailableBuffer(), v)) }
	b.WriteString(lookMagic)
	b.Write(binary.LittleEndian.AppendUint64(nil, uint64(len(head))))
	b.Write(head)
	for _, levels := range peaks {
		for _, l := range levels {
			for _, p := range l {
				u32(uint32(uint16(p.lo)) | uint32(uint16(p.hi))<<16)
			}
		}
	}
	for _, row := range rows {
		row(func(p []byte) { b.Write(p) })
	}
	for _, s := range r.Diagnosis.Timeline {
		speed := float32(math.NaN())
		if s.Code {
			speed = float32(s.SpeedPct)
		}
		u32(math.Float32bits(float32(s.LevelDB)))
		u32(math.Float32bits(float32(s.PeakDB)))
		u32(math.Float32bits(speed))
	}
	for _, p := range src.Places {
		b.Write(binary.LittleEndian.AppendUint64(binary.LittleEndian.AppendUint64(nil, uint64(p.Frame)), uint64(p.Byte)))
	}
	return b.Flush()
}

func (h *lookHeader) takeRuns(r *Result) {
	seen := map[*linecode.Code]int{}
	for _, t := range r.runs {
		c := t.best.Code
		i, ok := seen[c]
		if !ok {
			i = len(h.Codes)
			seen[c] = i
			h.Codes = append(h.Codes, c)
		}
		s := t.span(0)
		h.Runs = append(h.Runs, lookRun{Code: i, LeaderS: s.seconds(t.best.LeaderAt), FromS: s.seconds(t.best.From), ToS: s.seconds(t.best.To),
			Inverted: t.best.Polar && t.best.Inverted, Channel: t.best.ear.name, Level: t.best.Level, Speed: t.best.Speed})
	}
}

// takePieces lists the bytes: those of programs, then what was heard beside them. It gives what writes them, in order.
func (h *lookHeader) takePieces(r *Result) []func(func([]byte)) {
	type stretch struct{ from, to float64 }
	type unit struct {
		piece lookPiece
		write func(func([]byte))
	}
	var units []unit
	taken := make([][]stretch, len(r.runs))
	for i, p := range r.Programs {
		var what []byteField
		n := 0
		for _, s := range p.spans {
			from, to := n, min(n+s.n, len(p.soft))
			n = to
			if to <= from || s.run >= len(r.runs) {
				continue
			}
			last := &p.soft[to-1]
			piece := lookPiece{Program: i, N: int64(to - from), Run: s.run, FromS: s.seconds(p.soft[from].At), ToS: s.seconds(last.At + float64(last.Length)), Sum: p.where != ""}
			if !piece.Sum {
				taken[s.run] = append(taken[s.run], stretch{p.soft[from].At, last.At + float64(last.Length)})
			}
			units = append(units, unit{piece, func(put func([]byte)) {
				if what == nil {
					what = p.fieldsOf()
				}
				if to == len(p.soft) {
					defer func() { what = nil }()
				}
				var buf [lookByteSize]byte
				for k := from; k < to; k++ {
					lookByte(buf[:], s, &p.soft[k], p.Data[k], what[k])
					put(buf[:])
				}
			}})
		}
	}
	for i, t := range r.runs {
		used := taken[i]
		sort.Slice(used, func(a, b int) bool { return used[a].from < used[b].from })
		s := t.span(0)
		for from, k := 0, 0; from < len(t.bytes); {
			covered := func(j int) bool {
				mid := t.bytes[j].At + float64(t.bytes[j].Length)/2
				for k < len(used) && used[k].to <= mid {
					k++
				}
				return k < len(used) && used[k].from <= mid
			}
			if covered(from) {
				from++
				continue
			}
			to := from + 1
			for to < len(t.bytes) && !covered(to) {
				to++
			}
			a, last := from, &t.bytes[to-1]
			b := to
			units = append(units, unit{lookPiece{Program: -1, N: int64(b - a), Run: i, FromS: s.seconds(t.bytes[a].At), ToS: s.seconds(last.At + float64(last.Length))}, func(put func([]byte)) {
				var buf [lookByteSize]byte
				for j := a; j < b; j++ {
					lookByte(buf[:], s, &t.bytes[j], t.bytes[j].Value, byteField{addr: -1})
					put(buf[:])
				}
			}})
			from = to
		}
	}
	sort.SliceStable(units, func(a, b int) bool { return units[a].piece.FromS < units[b].piece.FromS })
	var rows []func(func([]byte))
	first := int64(0)
	for _, u := range units {
		u.piece.First = first
		first += u.piece.N
		h.Pieces = append(h.Pieces, u.piece)
		rows = append(rows, u.write)
	}
	return rows
}

// oddsStep is the unit in which odds (ln) are kept: they lie within ±30, so that they fit in a byte.
const oddsStep = 0.25

// lookByte writes one byte's 32: place and length in seconds, deviation of speed in 1/10000, block, odds of the bits,
// odds of the frame, value as heard and as stored, field, address.
func lookByte(out []byte, s span, b *linecode.Byte, value byte, f byteField) {
	clear(out)
	le := binary.LittleEndian
	le.PutUint64(out, math.Float64bits(s.seconds(b.At)))
	le.PutUint32(out[8:], math.Float32bits(float32(float64(b.Length)/s.rate)))
	le.PutUint16(out[12:], uint16(int16(math.Max(-32000, math.Min(32000, 1e4*(float64(b.Speed)-1))))))
	le.PutUint16(out[14:], uint16(min(f.block, 65535)))
	for i, l := range b.LLR {
		out[16+i] = byte(int8(math.Max(-127, math.Min(127, math.Round(float64(l)/oddsStep)))))
	}
	out[24] = byte(int8(math.Max(-127, math.Min(127, math.Round(float64(b.Frame)/oddsStep)))))
	out[25], out[26], out[27] = b.Value, value, byte(f.field)
	if f.addr >= 0 {
		out[28] = 1
		le.PutUint16(out[30:], uint16(f.addr))
	}
}

// LookByte is one byte as it was heard. Times are seconds of the recording.
type LookByte struct {
	AtS, LengthS float64
	Heard        byte       // as the bits were decided
	Value        byte       // as it is stored: other bits were turned by a repair
	Odds         [8]float64 // ln P(1)/P(0) of bit i, rounded to 0.25
	Frame        float64    // odds that start, stop and parity are as declared; +Inf: there are none
	SpeedPercent float64
	Field        Field
	Block        int // number of the block or line, 0: none
	Address      int // in memory, -1: none
	Index        int // among the bytes of its program, or of those that belong to none
	piece        int
}

// Least is the least odds (ln) of a bit.
func (b *LookByte) Least(bits int) float64 {
	least := math.Inf(1)
	for i := range min(bits, 8) {
		least = math.Min(least, math.Abs(b.Odds[i]))
	}
	return least
}

func readLookByte(b []byte) LookByte {
	le := binary.LittleEndian
	x := LookByte{AtS: math.Float64frombits(le.Uint64(b)), LengthS: float64(math.Float32frombits(le.Uint32(b[8:]))),
		SpeedPercent: float64(int16(le.Uint16(b[12:]))) / 100, Block: int(le.Uint16(b[14:])),
		Frame: oddsStep * float64(int8(b[24])), Heard: b[25], Value: b[26], Field: Field(b[27]), Address: -1}
	for i := range x.Odds {
		x.Odds[i] = oddsStep * float64(int8(b[16+i]))
	}
	if int8(b[24]) == 127 {
		x.Frame = math.Inf(1)
	}
	if b[28] == 1 {
		x.Address = int(le.Uint16(b[30:]))
	}
	return x
}

func (h *lookHeader) takeBlocks(r *Result) {
	for i, p := range r.Programs {
		if p.where != "" {
			continue
		}
		parts := p.parts(lookPage)
		if len(h.Blocks)+len(parts) > maxLookBlocks {
			parts = []part{{Stretch: p.asOne()}}
		}
		for _, x := range parts {
			if len(h.Blocks) == maxLookBlocks {
				return
			}
			h.Blocks = append(h.Blocks, LookBlock{round(x.From, 6), round(x.To, 6), round(x.Margin, 3), x.State, x.Label, x.Title, x.over, i, x.from})
		}
	}
	sort.SliceStable(h.Blocks, func(a, b int) bool { return h.Blocks[a].FromS < h.Blocks[b].FromS })
}

// takeMarks lists faults and repairs, each at the least certain byte of the stretch it is about: that is where the sound
// tells what happened.
func (h *lookHeader) takeMarks(r *Result) {
	worst := func(at float64) float64 {
		for _, p := range r.Programs {
			if p.where != "" || at < p.FromS-1e-3 || at > p.ToS+1e-3 || len(p.soft) == 0 {
				continue
			}
			i := sort.Search(len(p.soft), func(i int) bool { return p.at(i) >= at-1e-3 })
			to := i + 1
			for _, b := range h.Blocks {
				if !b.Over && b.FromS <= at+1e-3 && b.ToS > at+1e-3 && b.State != picture.Good {
					to = sort.Search(len(p.soft), func(i int) bool { return p.at(i) >= b.ToS-1e-6 })
				}
			}
			if i >= len(p.soft) {
				return p.ToS
			}
			_, k := p.least(i, to)
			return p.at(k)
		}
		return at
	}
	for _, f := range r.Faults {
		h.Marks = append(h.Marks, LookMark{round(worst(f.AtS), 6), f.What})
	}
	for _, p := range r.Programs {
		for _, x := range p.Repairs {
			h.Marks = append(h.Marks, LookMark{round(worst(x.AtS), 6), x.What})
		}
	}
	sort.SliceStable(h.Marks, func(a, b int) bool { return h.Marks[a].AtS < h.Marks[b].AtS })
	h.Marks = h.Marks[:min(len(h.Marks), maxLookMarks)]
}
