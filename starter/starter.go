// Package starter makes a tape that writes the first boot disk on a machine that has none.
//
// Such a machine has memory, a tape loader in its read-only memory, a floppy controller and a blank disk. The tape
// begins with a small program in the class's own tape form (stage 1: the receiver of a faster link); started, it takes
// in the rest of the program (stage 2) and then the disk, track by track. Everything that can go wrong between a
// player's volume knob and a forty-year-old disk is mended without rewinding:
//
//   - A track travels packed, in K blocks of 128 bytes with a CRC each, and a few parity blocks. Parity block j is the
//     sum over GF(256) of block i times 1/((F0h+j) xor i): any K of the K+P blocks give the track. A 20 ms dropout costs
//     one block, and one parity block makes up for it, whichever was lost.
//   - After each group the tape is quiet for as long as the machine needs to mend, unpack, format, write and read back.
//   - The groups come round again, so a track that was not whole the first time is taken the next, from any starting
//     point. The machine stops listening when nothing is left, and compares the CRC of every track once more.
//
// The link itself is one input bit: a latch that a pulse sets. The time from one pulse to the next is a bit, T for 0
// and 1.5 T for 1. With T = 350 us an average bit takes 437 us: 2,290 bit/s, over four times the class's own code.
// Worked example: a 10 x 256 track that does not pack takes 21 blocks and 6 for parity; a block is 24 + 8 + 80 + 1,024
// + 16 bits and 8 ms of quiet, 0.48 s; 27 of them and 1.2 s of quiet make 14 s a track, and 40 tracks 10 minutes.
package starter

import (
	_ "embed"
	"errors"
	"fmt"

	"remanence/disk/cell"
)

//go:generate z80asm -o stage1.bin asm/stage1.asm
//go:generate z80asm -o stage2.bin asm/stage2.asm

//go:embed stage1.bin
var stage1 []byte

//go:embed stage2.bin
var stage2 []byte

// Addresses and sizes that the assembly sources fix.
const (
	Stage1At     = 0x4400
	tracksAt     = 3 // offset of the number of tracks in stage 2
	blockData    = 128
	headerBytes  = 10
	maxBlocks    = 32 // blocks of a group, parity included
	maxParity    = 7
	trackBytes   = 2560
	maxTracks    = 80
	sectorBytes  = 256
	trackSectors = 10
	program      = 0xFF // header: track number of stage 2
	calibration  = 0xFE // header: track number of a calibration block
	syncByte     = 0xE5
	preambleBits = 24
)

// Flags of a block's header.
const (
	flagUserMark    = 1 << 6 // data mark FA
	flagDeletedMark = 1 << 7 // data mark F8
)

// Track is one track of the disk to be made.
type Track struct {
	Data []byte // 2,560 bytes, sectors in numeric order
	Mark byte   // data mark of its sectors: FB, FA or F8
}

// Block is one transmission of the link: header, data, CRC.
type Block [headerBytes + blockData + 2]byte

func newBlock(disk, track, index, count, flags byte, length, sum uint16, round byte, data []byte) *Block {
	var b Block
	b[0], b[1], b[2], b[3], b[4] = disk, track, index, count, flags
	b[5], b[6] = byte(length), byte(length>>8)
	b[7], b[8], b[9] = byte(sum), byte(sum>>8), round
	copy(b[headerBytes:headerBytes+blockData], data)
	c := crc(b[:headerBytes+blockData])
	b[headerBytes+blockData], b[headerBytes+blockData+1] = byte(c>>8), byte(c)
	return &b
}

// Group is the blocks of one track in the order in which they are sent.
type Group struct {
	Blocks []*Block
	Data   int // how many of them are data; the rest is parity
	Packed int // bytes
}

// NewGroup packs a track and adds parity blocks.
func NewGroup(disk byte, number int, t Track, parity int, round byte) (*Group, error) {
	switch {
	case len(t.Data) != trackBytes:
		return nil, fmt.Errorf("track %d: %d bytes, want %d", number, len(t.Data), trackBytes)
	case parity < 0 || parity > maxParity:
		return nil, fmt.Errorf("%d parity blocks: want 0 to %d", parity, maxParity)
	case number < 0 || number >= maxTracks:
		return nil, fmt.Errorf("track %d: want 0 to %d", number, maxTracks-1)
	}
	packed := pack(t.Data)
	data := make([][]byte, (len(packed)+blockData-1)/blockData)
	if len(data)+parity > maxBlocks {
		return nil, fmt.Errorf("track %d: %d blocks and %d for parity; the machine holds %d", number, len(data), parity, maxBlocks)
	}
	for i := range data {
		data[i] = make([]byte, blockData)
		copy(data[i], packed[i*blockData:])
	}
	flags := byte(parity)
	switch t.Mark {
	case 0xFB:
	case 0xFA:
		flags |= flagUserMark
	case 0xF8:
		flags |= flagDeletedMark
	default:
		return nil, fmt.Errorf("track %d: data mark %02X; the tape can ask for FB, FA and F8", number, t.Mark)
	}
	g := &Group{Data: len(data), Packed: len(packed)}
	sum := crc(t.Data)
	for i, d := range append(data, parityBlocks(data, parity)...) {
		g.Blocks = append(g.Blocks, newBlock(disk, byte(number), byte(i), byte(len(data)), flags, uint16(len(packed)), sum, round, d))
	}
	return g, nil
}

// programBlocks is stage 2, set up for a number of tracks.
func programBlocks(class *Class, disk byte, tracks int, round byte) ([]*Block, error) {
	if len(class.Stage2) <= class.TracksAt || len(class.Stage2) > maxBlocks*blockData {
		return nil, errors.New("stage 2 has no place for the number of tracks")
	}
	code := append([]byte(nil), class.Stage2...)
	code[class.TracksAt] = byte(tracks)
	n := (len(code) + blockData - 1) / blockData
	var out []*Block
	for i := range n {
		out = append(out, newBlock(disk, program, byte(i), byte(n), 0, uint16(len(code)), crc(code), round, code[i*blockData:min((i+1)*blockData, len(code))]))
	}
	return out, nil
}

// crc is x^16 + x^12 + x^5 + 1, preset to ones, high bit first: that of the floppy disk.
func crc(b []byte) uint16 { return cell.CRC(0xFFFF, b) }
