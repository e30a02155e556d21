package program

import (
	"bytes"
	"fmt"
)

// rescues are tried on files that no form claims: programs whose very first bytes are damaged, so that nothing but the
// rest of them tells what they are. They ask for much more evidence than a head in order.
var rescues = []form{
	{LoadModule, rescueModule},
	{MachineTape, rescueTape},
	{BASICTape, rescueBASICTape},
	{BASICDisk, rescueBASICDisk},
}

// rescueBits is the evidence that a file without a sound head must bring.
const rescueBits = 56

func rescue(data []byte) *builder {
	var best *builder
	for _, f := range rescues {
		if b := f.inspect(data); b != nil && b.bits >= rescueBits && (best == nil || b.bits > best.bits) {
			best = b
		}
	}
	return best
}

// shift moves what was found in a part of the file to its place in the whole.
func (b *builder) shift(by int) {
	for i := range b.r.Faults {
		b.r.Faults[i].Offset += int64(by)
	}
}

// rescueModule looks in the first KiB for two data records that continue each other.
func rescueModule(data []byte) *builder {
	for p := 1; p < min(len(data)-4, 1024); p++ {
		if data[p] != recData {
			continue
		}
		one, next, ok := nextRecord(data, p)
		if !ok || next >= len(data) || data[next] != recData {
			continue
		}
		two, _, ok := nextRecord(data, next)
		if !ok || le16(two.body) != le16(one.body)+len(one.body)-2 {
			continue
		}
		b := inspectModule(data[p:], nil)
		b.shift(p)
		b.fault(BadRecord, 0, "no record of a load module begins here; %d bytes are skipped to the first that does, and what they held is not known", p)
		return b
	}
	return nil
}

// rescueTape accepts a wrong first byte before name and blocks.
func rescueTape(data []byte) *builder {
	start := tapeStart(data).start
	if len(data) < start+tapeNameLen+6 || data[start+1+tapeNameLen] != tapeBlock {
		return nil
	}
	return replaced(data, start, []byte{tapeHeader}, func(d []byte) *builder { return inspectTape(d, nil) })
}

// rescueBASICTape accepts one wrong byte among the three marks.
func rescueBASICTape(data []byte) *builder {
	start := tapeStart(data).start
	if len(data) < start+8 || bytes.Count(data[start:start+3], []byte{tapeMark}) != 2 {
		return nil
	}
	return replaced(data, start, []byte{tapeMark, tapeMark, tapeMark}, inspectBASICOnly)
}

func rescueBASICDisk(data []byte) *builder {
	return replaced(data, 0, []byte{diskMark}, inspectBASICOnly)
}

func inspectBASICOnly(d []byte) *builder { b, _ := inspectBASIC(d); return b }

// replaced inspects data as if its first bytes were right, on a copy, and reports that they are not.
func replaced(data []byte, at int, want []byte, inspect func([]byte) *builder) *builder {
	d := bytes.Clone(data)
	copy(d[at:], want)
	b := inspect(d)
	b.fault(BadRecord, at, "begins with %s where %s is expected; the rest is read as if it stood there", quoteHex(data[at:at+len(want)]), quoteHex(want))
	return b
}

func quoteHex(b []byte) string { return fmt.Sprintf("% Xh", b) }
