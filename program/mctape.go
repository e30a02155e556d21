package program

import (
	"bytes"
	"fmt"
	"strings"
)

// Bytes of a cassette of the class. Source: z80-home-machine sheet, "Cassette: line code pulse500".
const (
	syncByte    = 0xA5 // after the leader
	leaderBytes = 256  // of 00, as written
	tapeHeader  = 0x55 // machine code: then a name of six
	tapeBlock   = 0x3C // count, address, data, sum
	tapeEntry   = 0x78 // entry address
	tapeNameLen = 6
)

// tapeHead is what stands before the blocks of an archived tape stream.
type tapeHead struct {
	start int // offset of the first block byte
	bits  int // evidence in what was skipped
	form  string
	fault string // what is wrong with it
	at    int    // offset of that
}

// tapeStart finds where the blocks of an archived tape stream begin: after leader and sync, after the sync alone, or at
// once. One wrong byte in the leader or in place of the sync is accepted and reported.
func tapeStart(data []byte) tapeHead {
	bare := tapeHead{form: "bare, from the first block byte"}
	n := 0
	for n < len(data) && n <= 1<<16 && data[n] == 0 {
		n++
	}
	switch {
	case n >= len(data) || n > 1<<16 || n == 0 && (len(data) < 3 || data[1]|data[2] != 0) && data[0] != syncByte:
		return bare
	case data[n] == syncByte && n == 0:
		return tapeHead{start: 1, bits: 8, form: "with sync"}
	case data[n] == syncByte:
		return tapeHead{start: n + 1, bits: 8 + min(n, 16), form: fmt.Sprintf("with a leader of %d bytes and sync", n)}
	}
	if i := bytes.IndexByte(data[n:max(n, min(len(data), leaderBytes*2))], syncByte); n+i >= 16 && i > 0 && bytes.Count(data[n:n+i], []byte{0}) >= i-2 {
		return tapeHead{n + i + 1, 24, fmt.Sprintf("with a leader of %d bytes and sync", n+i),
			fmt.Sprintf("byte %02Xh in the leader, 00h expected; harmless on the machine, but a sign of a bad reading", data[n]), n}
	}
	if rest := data[n+1:]; n >= 8 && len(rest) > 8 && (rest[0] == tapeHeader && rest[7] == tapeBlock || bytes.HasPrefix(rest, []byte{tapeMark, tapeMark, tapeMark})) {
		return tapeHead{n + 1, 8, fmt.Sprintf("with a leader of %d bytes and sync", n),
			fmt.Sprintf("byte %02Xh where the sync A5h is expected; a machine would not find the program", data[n]), n}
	}
	return bare
}

// inspectTape walks data as a machine-code tape. emit, if not nil, gets the data of every block that is all there.
func inspectTape(data []byte, emit func(address int, body []byte)) *builder {
	b := &builder{r: Report{Kind: MachineTape}}
	head := tapeStart(data)
	b.r.Form = head.form
	pos := head.start
	if pos >= len(data) || data[pos] != tapeHeader {
		return b
	}
	b.bits += head.bits + 8
	if head.fault != "" {
		b.fault(BadRecord, head.at, "%s", head.fault)
	}
	if len(data) < pos+1+tapeNameLen {
		b.bits = 0
		return b
	}
	name := data[pos+1 : pos+1+tapeNameLen]
	b.r.Name = printable(name)
	if isPrintable(name) {
		b.bits += 8
	} else {
		b.bits -= 6
		b.note("the name holds bytes that are no characters; they are shown as dots")
	}
	pos += 1 + tapeNameLen
	expect, blocks, entryAt, ended := -1, 0, 0, false
	for pos < len(data) && !ended {
		switch data[pos] {
		case tapeBlock:
			blk := blockAt(data, pos)
			if !blk.complete {
				b.fault(Truncated, len(data), "file ends inside block %d, which begins at offset %d: %s", blocks+1, pos, blk.short(len(data)-pos))
				b.bits += 8
				if blk.address == expect {
					b.bits += 16
				}
				return b.tapeDone(entryAt, blocks)
			}
			blocks++
			b.bits += 8
			if blk.address == expect {
				b.bits += 16
			}
			if blk.sum == blk.want {
				b.bits += 8
			} else {
				b.fault(Checksum, pos, "block %d (%d bytes for %s): checksum at offset %d is %02Xh, the bytes sum to %02Xh; at least one of them is wrong",
					blocks, len(blk.data), hex(blk.address), blk.end-1, blk.sum, blk.want)
				if next, ok := resync(data, pos, blk.end); ok {
					b.fault(BadRecord, pos, "block %d does not end where its count says; reading goes on with the block at offset %d", blocks, next)
					pos = next
					continue
				}
			}
			if emit != nil {
				emit(blk.address, blk.data)
			}
			b.load(blk.address, b.fit(blk.address, len(blk.data), pos), pos)
			expect = blk.address + len(blk.data)
			pos = blk.end
		case tapeEntry:
			ended, entryAt = true, pos
			if len(data) < pos+3 {
				b.fault(Truncated, len(data), "file ends inside the entry record that begins at offset %d: %d of 2 address bytes are there", pos, len(data)-pos-1)
				b.bits += 4
				return b.tapeDone(entryAt, blocks)
			}
			e := le16(data[pos+1:])
			b.r.Entry = &e
			b.bits += 8
			pos += 3
		default:
			next, ok := resync(data, pos, pos)
			if !ok {
				b.fault(BadRecord, pos, "byte %02Xh where a block (3Ch) or the entry (78h) is expected; %d bytes from here are not read", data[pos], len(data)-pos)
				b.bits -= 8
				return b.tapeDone(entryAt, blocks)
			}
			b.fault(BadRecord, pos, "byte %02Xh where a block (3Ch) or the entry (78h) is expected; %d bytes are skipped to the block at offset %d", data[pos], next-pos, next)
			pos = next
		}
	}
	switch rest := data[pos:]; {
	case !ended:
		b.fault(NoEnd, len(data), "no entry record (78h): the file ends after block %d; later blocks may be missing", blocks)
	case len(rest) > 0:
		b.trailing(pos, rest, "the entry record")
	default:
		b.bits += 8
	}
	return b.tapeDone(entryAt, blocks)
}

func (b *builder) tapeDone(entryAt, blocks int) *builder {
	b.memory(entryAt)
	if blocks == 0 && (len(b.r.Faults) == 0 || b.r.Faults[len(b.r.Faults)-1].Class != Truncated) {
		b.bits = 0 // no block at all, and not for want of bytes
	}
	return b
}

// block is one data block of a machine-code tape.
type block struct {
	address  int // -1: not there
	data     []byte
	count    int
	end      int // offset after the checksum
	sum      byte
	want     byte
	complete bool
}

func blockAt(data []byte, pos int) block {
	blk := block{address: -1}
	if pos+4 > len(data) {
		return blk
	}
	blk.count = int(data[pos+1])
	if blk.count == 0 {
		blk.count = 256
	}
	blk.address = le16(data[pos+2:])
	blk.end = pos + 4 + blk.count + 1
	if blk.end > len(data) {
		return blk
	}
	blk.complete = true
	blk.data = data[pos+4 : blk.end-1]
	blk.sum = data[blk.end-1]
	blk.want = data[pos+2] + data[pos+3]
	for _, c := range blk.data {
		blk.want += c
	}
	return blk
}

func (blk block) short(have int) string {
	if blk.address < 0 {
		return fmt.Sprintf("%d of the 4 bytes of its head are there", have)
	}
	return fmt.Sprintf("%d of %d data bytes for %s are there", min(have-4, blk.count), blk.count, hex(blk.address))
}

// resyncWindow bounds the search for the next block after damage: two blocks of the longest kind.
const resyncWindow = 2 * (256 + 5)

// resync looks for the next block after damage at pos. With after > pos, the damaged block's own end is believed if a
// block, the entry or the end of the file follows it. A block found by search must have a right checksum and be
// followed by another block or the entry.
func resync(data []byte, pos, after int) (next int, ok bool) {
	if after > pos && (after == len(data) || data[after] == tapeBlock || data[after] == tapeEntry) {
		return after, false
	}
	for p := pos + 1; p < len(data) && p < pos+resyncWindow; p++ {
		if data[p] != tapeBlock {
			continue
		}
		blk := blockAt(data, p)
		if blk.complete && blk.sum == blk.want && blk.end < len(data) && (data[blk.end] == tapeBlock || data[blk.end] == tapeEntry) {
			return p, true
		}
	}
	return after, false
}

// ParseTape reads the memory that a machine-code tape fills and its entry, and what is wrong with it.
func ParseTape(data []byte) (Memory, []Fault) {
	var m Memory
	b := inspectTape(data, func(address int, body []byte) { m.add(address, body) })
	r := b.finish()
	m.Name, m.Entry = r.Name, r.Entry
	return m, r.Faults
}

// TapeOptions say how a tape stream is written.
type TapeOptions struct {
	Leader bool // 256 bytes of 00 before the sync
	Sync   bool // A5h before the blocks; implied by Leader
}

func (o TapeOptions) prefix() []byte {
	var out []byte
	if o.Leader {
		out = make([]byte, leaderBytes)
	}
	if o.Leader || o.Sync {
		out = append(out, syncByte)
	}
	return out
}

// BuildTape writes a machine-code tape in blocks of up to 256 bytes. The name is cut to six characters. A tape without
// an entry cannot be started and is refused.
//
//	55 "TIDE  "  3C 03 00 52 3E 05 C9 5E  78 00 52
//	name         3 bytes to 5200h, sum    begin at 5200h
func BuildTape(m Memory, o TapeOptions) ([]byte, error) {
	if err := m.fits(); err != nil {
		return nil, fmt.Errorf("machine-code tape: %w", err)
	}
	if m.Entry == nil {
		return nil, fmt.Errorf("machine-code tape: the program has no entry address, and a tape needs one (--entry)")
	}
	out := append(o.prefix(), tapeHeader)
	out = append(out, tapeName(m.Name)...)
	for _, s := range m.Segments {
		for at := 0; at < len(s.Data); at += 256 {
			part := s.Data[at:min(at+256, len(s.Data))]
			a := s.Address + at
			sum := byte(a) + byte(a>>8)
			for _, c := range part {
				sum += c
			}
			out = append(out, tapeBlock, byte(len(part)), byte(a), byte(a>>8))
			out = append(append(out, part...), sum)
		}
	}
	return append(out, tapeEntry, byte(*m.Entry), byte(*m.Entry>>8)), nil
}

// tapeName pads with blanks or cuts to six characters; anything unprintable becomes a blank.
func tapeName(name string) string {
	out := strings.Map(func(r rune) rune {
		if r < 0x20 || r > 0x7E {
			return ' '
		}
		return r
	}, name)
	return (out + "      ")[:tapeNameLen]
}
