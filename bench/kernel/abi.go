package kernel

import (
	"encoding/binary"
)

// layout is where the fields of the kernel's structures lie for one word size. Source: linux/fd.h, as gcc lays it out
// for amd64 and 386 (the test asks gcc again).
type layout struct {
	params                            int // sizeof floppy_struct
	state                             int // sizeof floppy_drive_struct
	raw                               int // sizeof floppy_raw_cmd
	rawData, rawLength, rawRate       int
	rawCmdCount, rawCmd               int
	rawReplyCount, rawReply, rawTrack int
	word                              int
}

var (
	layout64 = layout{params: 32, state: 80, raw: 104, rawData: 8, rawLength: 32, rawRate: 52, rawCmdCount: 53, rawCmd: 54, rawReplyCount: 70, rawReply: 71, rawTrack: 88, word: 8}
	layout32 = layout{params: 28, state: 52, raw: 80, rawData: 4, rawLength: 16, rawRate: 28, rawCmdCount: 29, rawCmd: 30, rawReplyCount: 46, rawReply: 47, rawTrack: 64, word: 4}
)

// ioctl numbers that carry no size, or one that is the same everywhere. Source: linux/fd.h.
const (
	fdCLRPRM = 0x0241
	fdFMTBEG = 0x0247
	fdFMTTRK = 0x400c0248
	fdFMTEND = 0x0249
	fdFLUSH  = 0x024b
	fdRESET  = 0x0254
	fdRAWCMD = 0x0258
	fdGETTYP = 0x8010020f
)

// Numbers of those that carry the size of a structure: direction and size above type and number.
func (l layout) setParams() uint32 { return 0x40000242 | uint32(l.params)<<16 }
func (l layout) pollState() uint32 { return 0x80000213 | uint32(l.state)<<16 }

// Params is floppy_struct: how the driver is to treat the disk.
type Params struct {
	Size, Sect, Head, Track, Stretch uint32
	Gap, Rate, Spec1, FmtGap         uint8
}

func (p *Params) bytes(l layout) []byte {
	b := make([]byte, l.params)
	for i, v := range []uint32{p.Size, p.Sect, p.Head, p.Track, p.Stretch} {
		binary.LittleEndian.PutUint32(b[4*i:], v)
	}
	b[20], b[21], b[22], b[23] = p.Gap, p.Rate, p.Spec1, p.FmtGap
	return b
}

// Flags of a raw command (linux/fd.h).
const (
	rawRead     = 1
	rawWrite    = 2
	rawIntr     = 8
	rawSpin     = 0x10
	rawNeedDisk = 0x40
	rawNeedSeek = 0x80

	rawDiskChanged = 4
	rawFailure     = 0x10000
	rawHardFailure = 0x20000
)

// Command is one command of the controller, with what it moves and what it answered.
type Command struct {
	Flags   uint32
	Rate    uint8 // 0..3: 500, 300, 250, 1000 kbit/s
	Track   int32 // where the head is to stand
	Bytes   []byte
	Data    []byte
	Reply   []byte
	Residue int
}

func (c *Command) bytes(l layout, address uint64) []byte {
	b := make([]byte, l.raw)
	le := binary.LittleEndian
	le.PutUint32(b, c.Flags)
	if l.word == 8 {
		le.PutUint64(b[l.rawData:], address)
		le.PutUint64(b[l.rawLength:], uint64(len(c.Data)))
	} else {
		le.PutUint32(b[l.rawData:], uint32(address))
		le.PutUint32(b[l.rawLength:], uint32(len(c.Data)))
	}
	b[l.rawRate], b[l.rawCmdCount] = c.Rate, uint8(len(c.Bytes))
	copy(b[l.rawCmd:l.rawCmd+16], c.Bytes)
	le.PutUint32(b[l.rawTrack:], uint32(c.Track))
	return b
}

func (c *Command) take(l layout, b []byte) {
	le := binary.LittleEndian
	c.Flags = le.Uint32(b)
	if l.word == 8 {
		c.Residue = int(le.Uint64(b[l.rawLength:]))
	} else {
		c.Residue = int(le.Uint32(b[l.rawLength:]))
	}
	n := min(int(b[l.rawReplyCount]), 16)
	c.Reply = append(c.Reply[:0], b[l.rawReply:l.rawReply+n]...)
}
