package program

// form is one kind that Inspect tries. Adding a kind is one line here and its file.
type form struct {
	kind    Kind
	inspect func(data []byte) *builder
}

// forms are tried on every file; the one with the most evidence wins, the earlier one of two alike.
var forms = []form{
	{Captures, inspectCapture},
	{Audio, func(d []byte) *builder { return inspectAudio(d, int64(len(d))) }},
	{IntelHex, func(d []byte) *builder { return inspectIntelHex(d, nil) }},
	{SRecord, func(d []byte) *builder { return inspectSRecord(d, nil) }},
	{LoadModule, func(d []byte) *builder { return inspectModule(d, nil) }},
	{MachineTape, func(d []byte) *builder { return inspectTape(d, nil) }},
	{BASICDisk, func(d []byte) *builder { b, _ := inspectBASIC(d); return b }}, // and BASICTape
	{Text, inspectText},
}

// possible says by the first bytes alone whether a form needs a look, so that 100,000 files are not read eight times.
func (f form) possible(data []byte) bool {
	c := data[0]
	if len(data) > 2 && data[1]|data[2] == 0 {
		c = 0 // may be a leader whose first byte is damaged
	}
	switch f.kind {
	case IntelHex, SRecord:
		return hexLike(data)
	case LoadModule:
		return data[0] >= 1 && data[0] <= recLast
	case MachineTape:
		return c == 0 || c == syncByte || data[0] == tapeHeader
	case BASICDisk:
		return c == 0 || c == syncByte || data[0] == tapeMark || data[0] == diskMark
	}
	return true
}

// hexLike says whether the beginning of a file could be lines of hex digits. Text and damaged files of digits pass,
// binary files do not; prose is sorted out by reading it.
func hexLike(data []byte) bool {
	data = data[:min(len(data), 2048)]
	digits := 0
	for _, c := range data {
		if hexDigit[c] >= 0 {
			digits++
		}
	}
	return digits*3 >= len(data)
}

// Inspect says what data is. Its content decides, nothing else; any bytes are accepted.
func Inspect(data []byte) *Report { return inspectWith(data, nil) }

func inspectWith(data []byte, hooks []Recognizer) *Report {
	if len(data) == 0 {
		b := &builder{r: Report{Kind: Unknown}}
		b.fault(Empty, 0, "the file is empty: nothing to load")
		return b.finish()
	}
	var best *builder
	if _, same := allSame(data); !same || textClasses[data[0]] == textPlain {
		for _, f := range forms {
			if !f.possible(data) {
				continue
			}
			if b := f.inspect(data); b.bits >= acceptBits && (best == nil || b.bits > best.bits) {
				best = b
			}
		}
	}
	if best == nil {
		best = rescue(data)
	}
	if best == nil || !best.certain() {
		for _, hook := range hooks {
			if r := hook(data); r != nil {
				return r
			}
		}
	}
	if best == nil {
		b := &builder{r: Report{Kind: Unknown}}
		b.fault(NotAProgram, 0, "no known form of program begins here; the file is kept as data")
		b.unknownNotes(data)
		return b.finish()
	}
	return best.finish()
}

// certain says that no recogniser of the caller needs to be asked: the file is whole, or too small for a disk.
func (b *builder) certain() bool {
	return len(b.r.Faults) == 0 || b.r.Kind == Audio || b.r.Kind == Captures
}

// unknownNotes says what little can be said of data.
func (b *builder) unknownNotes(data []byte) {
	if v, same := allSame(data); same {
		b.note("every byte is %02Xh, as on a blank or erased medium", v)
	}
	if tapeStart(data).start > 1 || len(data) > 0 && data[0] == syncByte {
		b.note("begins like a tape stream (leader, sync A5h), but with no block form that is known")
	}
}

// Recognizer lets a caller teach Inspect what lies above this package, such as volumes in sector images. It gives nil
// for what it does not know.
type Recognizer func(data []byte) *Report

// ImageReport is the report of a sector image that a caller recognised.
func ImageReport(name, form string, faults []Fault, notes []string) *Report {
	b := &builder{r: Report{Kind: SectorImage, Name: name, Form: form, Notes: notes}}
	for _, f := range faults {
		if len(b.r.Faults) < maxFaults {
			b.r.Faults = append(b.r.Faults, f)
		} else {
			b.more++
		}
	}
	return b.finish()
}
