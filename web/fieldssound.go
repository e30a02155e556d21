package web

import (
	"bytes"
	"encoding/binary"
	"fmt"
)

// sound walks a recording: chunks of WAV, blocks and frames of FLAC, pages of Ogg, frames of MP3.
func (f *fielder) sound() {
	switch d := f.data; {
	case len(d) >= 12 && (string(d[:4]) == "RIFF" || string(d[:4]) == "RF64") && string(d[8:12]) == "WAVE":
		f.riff()
	case bytes.HasPrefix(d, []byte("fLaC")):
		f.flac()
	case bytes.HasPrefix(d, []byte("OggS")):
		f.ogg()
	default:
		f.mp3()
	}
}

// riff walks the chunks of a WAV: four letters, a length, so many bytes and one more where it is odd; in a file above
// 4 GiB (RF64) lengths of FFFFFFFF stand in the first chunk. Sound is named by its time, a tenth of a second a field.
// Source: the published description of the form (1991), EBU Tech 3306 for RF64.
func (f *fielder) riff() {
	le := binary.LittleEndian
	f.take(4, one("form"), "%s", f.data[:4])
	f.take(4, one("form length"), "%d bytes follow", le.Uint32(f.data[4:]))
	f.take(4, one("form type"), "WAVE")
	rate, frame := 0, 0 // frames a second, bytes a frame
	for f.left() >= 8 {
		id := string(f.data[f.pos : f.pos+4])
		name, length := fmt.Sprintf("chunk %q", id), le.Uint32(f.data[f.pos+4:])
		f.take(4, one(name), "begins a chunk")
		f.take(4, one(name+", length"), "%d bytes", length)
		n := int(min(int64(length), int64(f.left())))
		body := f.data[f.pos : f.pos+n]
		switch {
		case id == "fmt " && n >= 16:
			rate, frame = int(le.Uint32(body[4:])), int(le.Uint16(body[12:]))
			f.parts(name, []headerPart{{2, "form of the samples", func(b []byte) string {
				return map[uint16]string{1: "1: whole numbers", 3: "3: floating point", 0xFFFE: "FFFEh: told further on"}[le.Uint16(b)]
			}}, {2, "channels", nil}, {4, "samples a second", nil}, {4, "bytes a second", nil}, {2, "bytes a sample of all channels", nil}, {2, "bits a sample", nil}})
			f.take(n-16, one(name+", more"), "about the samples")
		case id == "data" && rate > 0 && frame > 0:
			step := max(1, min(rate/10, n/frame+1)) * frame
			for at := 0; at < n; at += step {
				k := min(step, n-at)
				if !f.shows(k) {
					f.skip(k)
					continue
				}
				f.take(k, one(name+", sound"), "%.1f s to %.1f s", float64(at/frame)/float64(rate), float64((at+k)/frame)/float64(rate))
			}
		default:
			f.take(n, one(name+", contents"), "%d bytes", n)
		}
		if n&1 != 0 {
			f.take(1, one(name+", fill"), "makes the length even")
		}
	}
	f.take(f.left(), one("after the last chunk"), "not a chunk")
}

// flac walks metadata blocks and frames. Source: RFC 9639, 8 (metadata), 9.1 (frame header), 9.3 (frame footer).
func (f *fielder) flac() {
	f.take(4, one("mark"), "fLaC")
	for f.left() >= 4 {
		b := f.data[f.pos:]
		t, n := b[0]&0x7F, int(b[1])<<16|int(b[2])<<8|int(b[3])
		name := map[byte]string{0: "stream information", 1: "padding", 2: "application", 3: "seek table", 4: "remarks", 5: "cue sheet", 6: "picture"}[t]
		if name == "" {
			name = fmt.Sprintf("block of kind %d", t)
		}
		f.take(1, one(name+", kind"), "%d%s", t, map[bool]string{true: "; the last before the sound"}[b[0]&0x80 != 0])
		f.take(3, one(name+", length"), "%d bytes", n)
		if t == 0 && n == 34 && f.left() >= 34 {
			f.flacInfo(name)
		} else {
			f.take(min(n, f.left()), one(name+", contents"), "%d bytes", n)
		}
		if b[0]&0x80 != 0 {
			break
		}
	}
	for head, number := f.flacHeader(f.pos); head > 0; {
		next, nextHead := len(f.data), 0
		for i := bytes.IndexByte(f.data[f.pos+head:], 0xFF) + f.pos + head; i >= f.pos+head && i < len(f.data); {
			if h, m := f.flacHeader(i); h > 0 && m > number {
				next, nextHead = i, h
				break
			}
			k := bytes.IndexByte(f.data[i+1:], 0xFF)
			if k < 0 {
				break
			}
			i += 1 + k
		}
		part := func(p string) naming { return one(fmt.Sprintf("frame %d, %s", number, p)) }
		f.take(head, part("header"), "block size, rate, channels, number, CRC-8")
		f.take(max(0, next-f.pos-2), part("sound"), "packed samples of all channels")
		f.take(next-f.pos, part("check"), "CRC-16 of the frame")
		if head = nextHead; head > 0 {
			_, number = f.flacHeader(f.pos)
		}
	}
}

func (f *fielder) flacInfo(name string) {
	be := func(b []byte) string {
		v := uint64(0)
		for _, x := range b {
			v = v<<8 | uint64(x)
		}
		return fmt.Sprint(v)
	}
	f.parts(name, []headerPart{{2, "least block", be}, {2, "largest block", be}, {3, "least frame", be}, {3, "largest frame", be},
		{8, "rate, channels, bits, samples", func(b []byte) string {
			return fmt.Sprintf("%d Hz, %d channels, %d bits, %d samples", int(b[0])<<12|int(b[1])<<4|int(b[2])>>4, int(b[2]>>1&7)+1, int(b[2]&1)<<4+int(b[3]>>4)+1,
				uint64(b[3]&15)<<32|uint64(binary.BigEndian.Uint32(b[4:])))
		}}, {16, "MD5 of the samples", func(b []byte) string { return fmt.Sprintf("%X", b) }}})
}

// flacHeader is the length of the frame header at a place, and the number in it; 0 where there is none. Its CRC-8
// (polynomial 07h) tells it from sound that looks alike.
func (f *fielder) flacHeader(at int) (n int, number uint64) {
	b := f.data[at:min(at+17, len(f.data))]
	if len(b) < 6 || b[0] != 0xFF || b[1]&0xFE != 0xF8 || b[2]>>4 == 0 || b[2]&15 == 15 || b[3]>>4 > 10 || b[3]&1 != 0 {
		return 0, 0
	}
	n = 5 // with the first byte of the number
	lead := b[4]
	switch { // as in UTF-8, up to 36 bits
	case lead < 0x80:
		number = uint64(lead)
	case lead < 0xC0 || lead == 0xFF:
		return 0, 0
	default:
		more := 0
		for m := byte(0x40); lead&m != 0; m >>= 1 {
			more++
		}
		number = uint64(lead & (0x3F >> more))
		for range more {
			if n >= len(b) || b[n]&0xC0 != 0x80 {
				return 0, 0
			}
			number = number<<6 | uint64(b[n]&0x3F)
			n++
		}
	}
	n += map[byte]int{6: 1, 7: 2}[b[2]>>4]          // size of the block, where it is no usual one
	n += map[byte]int{12: 1, 13: 2, 14: 2}[b[2]&15] // rate
	if n >= len(b) {
		return 0, 0
	}
	crc := byte(0)
	for _, x := range b[:n] {
		crc ^= x
		for range 8 {
			if crc&0x80 != 0 {
				crc = crc<<1 ^ 7
			} else {
				crc <<= 1
			}
		}
	}
	if crc != b[n] {
		return 0, 0
	}
	return n + 1, number
}

// ogg walks pages. Source: RFC 3533, 6.
func (f *fielder) ogg() {
	for n := 1; f.left() >= 27 && bytes.HasPrefix(f.data[f.pos:], []byte("OggS")); n++ {
		b := f.data[f.pos:]
		segments := int(b[26])
		body := 0
		for _, s := range b[27:min(27+segments, len(b))] {
			body += int(s)
		}
		name := fmt.Sprintf("page %d", n)
		f.parts(name, []headerPart{{4, "mark", func([]byte) string { return "OggS" }}, {1, "version", nil}, {1, "kind", func(b []byte) string {
			switch {
			case b[0]&2 != 0:
				return "the first of its stream"
			case b[0]&4 != 0:
				return "the last of its stream"
			case b[0]&1 != 0:
				return "goes on with a packet"
			}
			return "begins with a packet"
		}}, {8, "position", nil}, {4, "stream", nil}, {4, "number", nil}, {4, "CRC-32", nil}, {1, "segments", nil}})
		f.take(segments, one(name+", lengths"), "of its %d segments", segments)
		f.take(body, one(name+", contents"), "%d bytes", body)
	}
}

// mp3 walks an ID3 tag and the frames of layer III, whose lengths follow from their heads. Source: ISO/IEC 11172-3 (head
// and tables, from memory); the published description of ID3v2, 3.1.
func (f *fielder) mp3() {
	if b := f.data; len(b) >= 10 && string(b[:3]) == "ID3" {
		n := int(b[6]&0x7F)<<21 | int(b[7]&0x7F)<<14 | int(b[8]&0x7F)<<7 | int(b[9]&0x7F)
		f.take(10, one("tag, header"), "ID3: %d bytes of remarks follow", n)
		f.take(min(n, f.left()), one("tag, contents"), "title and other remarks")
	}
	for n := 1; f.left() >= 4; n++ {
		size := mp3Frame(f.data[f.pos:])
		if size == 0 {
			break
		}
		f.take(4, nth("frame", n, "head"), "rate, channels, padding; the frame is %d bytes", size)
		f.take(min(size-4, f.left()), nth("frame", n, "sound"), "packed samples")
	}
	if f.left() >= 128 && string(f.data[len(f.data)-128:len(f.data)-125]) == "TAG" && f.left() > 128 {
		f.take(f.left()-128, one("between"), "no frame of layer III")
	}
	if f.left() == 128 && bytes.HasPrefix(f.data[f.pos:], []byte("TAG")) {
		f.take(128, one("old tag"), "title and other remarks")
	}
}

// mp3Frame is the length of the layer III frame that begins in b; 0 where none does.
func mp3Frame(b []byte) int {
	if b[0] != 0xFF || b[1]&0xE6 != 0xE2 {
		return 0
	}
	kbit := [15]int{0, 32, 40, 48, 56, 64, 80, 96, 112, 128, 160, 192, 224, 256, 320}
	low := [15]int{0, 8, 16, 24, 32, 40, 48, 56, 64, 80, 96, 112, 128, 144, 160}
	hz := [3]int{44100, 48000, 32000}
	version, r, h := b[1]>>3&3, b[2]>>4, b[2]>>2&3
	switch {
	case version == 1 || r == 0 || r == 15 || h == 3:
		return 0
	case version == 3:
		return 144_000*kbit[r]/hz[h] + int(b[2]>>1&1)
	}
	return 72_000*low[r]/(hz[h]/(4-int(version))) + int(b[2]>>1&1)
}
