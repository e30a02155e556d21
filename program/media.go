package program

import (
	"archive/zip"
	"bytes"
	"encoding/binary"
	"fmt"
	"hash/crc32"
	"io"
	"strconv"
	"strings"
)

// audioMark tells a sound file from its first bytes. The samples are not decoded here; tape read does that.
func audioMark(data []byte) string {
	switch {
	case len(data) >= 12 && string(data[8:12]) == "WAVE" && (string(data[:4]) == "RIFF" || string(data[:4]) == "RF64"):
		return "WAV"
	case bytes.HasPrefix(data, []byte("fLaC")):
		return "FLAC"
	case bytes.HasPrefix(data, []byte("OggS\x00")):
		return "Ogg"
	case len(data) >= 10 && string(data[:3]) == "ID3" && data[3] < 0x10 && data[6]|data[7]|data[8]|data[9] < 0x80:
		return "MP3"
	case mp3Frames(data):
		return "MP3"
	}
	return ""
}

// mp3Frames looks for three MPEG layer III frames in a row, whose lengths follow from their heads. One head alone is
// eleven bits and no evidence. Source: ISO/IEC 11172-3 head layout and tables, from memory.
func mp3Frames(data []byte) bool {
	rates := [15]int{0, 32, 40, 48, 56, 64, 80, 96, 112, 128, 160, 192, 224, 256, 320}
	low := [15]int{0, 8, 16, 24, 32, 40, 48, 56, 64, 80, 96, 112, 128, 144, 160}
	hz := [3]int{44100, 48000, 32000}
	pos := 0
	for range 3 {
		if pos+4 > len(data) || data[pos] != 0xFF || data[pos+1]&0xE6 != 0xE2 {
			return false
		}
		version, ri, si := data[pos+1]>>3&3, data[pos+2]>>4, data[pos+2]>>2&3
		if version == 1 || ri == 0 || ri == 15 || si == 3 {
			return false
		}
		size := 0
		if version == 3 {
			size = 144_000 * rates[ri] / hz[si]
		} else {
			size = 72_000 * low[ri] / (hz[si] / (4 - int(version))) // version 2: half, 0: a quarter of the rate
		}
		pos += size + int(data[pos+2]>>1&1)
	}
	return true
}

// inspectAudio recognises a sound file; size is that of the whole file, of which data may be the beginning.
func inspectAudio(data []byte, size int64) *builder {
	b := &builder{r: Report{Kind: Audio}}
	b.r.Form = audioMark(data)
	if b.r.Form == "" {
		return b
	}
	b.bits = 64
	switch b.r.Form {
	case "WAV":
		b.wav(data, size)
	case "FLAC":
		b.flac(data)
	}
	b.note("recognised by its head; tape read listens to the recording itself")
	return b
}

// wav walks the chunks. Source: tape-and-volume-standards E3.
func (b *builder) wav(data []byte, size int64) {
	pos, format := int64(12), ""
	for pos+8 <= size {
		if pos+8 > int64(len(data)) {
			return // beyond what was read: the data chunk is long or after long ones
		}
		id, n := string(data[pos:pos+4]), int64(binary.LittleEndian.Uint32(data[pos+4:]))
		if id == "fmt " && n >= 16 && pos+24 <= int64(len(data)) {
			f := data[pos+8:]
			format = fmt.Sprintf("%d Hz, %d %s, %d bits", binary.LittleEndian.Uint32(f[4:]), le16(f[2:]),
				plural(le16(f[2:]), "channel", "channels"), le16(f[14:]))
			b.r.Form = "WAV, " + format
		}
		if pos+8+n > size {
			if n != 0xFFFFFFFF { // written by a recorder that did not know the length
				b.fault(Truncated, int(size), "chunk %q at offset %d says %d bytes, %d are there; what is there can be read", id, pos, n, size-pos-8)
			}
			return
		}
		if id == "data" {
			if format == "" {
				b.fault(BadRecord, int(pos), "samples begin before any 'fmt ' chunk says what they are")
			}
			return
		}
		pos += 8 + n + n&1
	}
	b.fault(Truncated, int(size), "no 'data' chunk: the file holds no samples")
}

// flac walks the metadata blocks. Source: RFC 9639, section 8.
func (b *builder) flac(data []byte) {
	if len(data) < 42 {
		b.fault(Truncated, len(data), "file ends inside the stream information block: %d of 42 bytes are there", len(data))
		return
	}
	s := data[8:]
	rate := int(s[10])<<12 | int(s[11])<<4 | int(s[12])>>4
	channels, bits := int(s[12]>>1&7)+1, int(s[12]&1)<<4+int(s[13]>>4)+1
	if data[4]&0x7F != 0 || rate == 0 {
		b.fault(BadRecord, 4, "the first metadata block is not stream information; the file cannot be decoded")
		return
	}
	b.r.Form = fmt.Sprintf("FLAC, %d Hz, %d %s, %d bits", rate, channels, plural(channels, "channel", "channels"), bits)
}

// captureMark is the first line of an interval capture. Source: shared design, intervals.
const captureMark = "remanence-intervals 1\n"

// inspectCapture checks one interval capture, or recognises a zip of them.
func inspectCapture(data []byte) *builder {
	b := &builder{r: Report{Kind: Captures}}
	switch {
	case bytes.HasPrefix(data, []byte(captureMark)):
		b.bits = 160
		b.capture(data)
	case bytes.HasPrefix(data, []byte("PK\x03\x04")):
		b.captureZip(data)
	}
	return b
}

func (b *builder) capture(data []byte) {
	head, ok := bytes.CutSuffix(data[:max(0, bytes.Index(data, []byte("\n\n")))+1], []byte("\n"))
	body := len(head) + 2
	if !ok || !bytes.Contains(data, []byte("\n\n")) {
		b.fault(Truncated, len(data), "file ends inside the header: no empty line ends it")
		return
	}
	want, where := -1, 0
	at := 0
	for line := range strings.Lines(string(head[:min(len(head), 1<<20)]) + "\n") {
		key, value, _ := strings.Cut(strings.TrimSuffix(line, "\n"), " ")
		switch key {
		case "cylinder", "head":
			where++
			b.r.Form += key + " " + value[:min(len(value), 8)] + " "
		case "transitions":
			n, err := strconv.Atoi(value)
			if err != nil || n < 0 {
				b.fault(BadRecord, at, "transitions %q: a number is expected", value[:min(len(value), 20)])
				return
			}
			want = n
		}
		at += len(line)
	}
	b.r.Form = strings.TrimSpace(b.r.Form)
	if want < 0 || where != 2 {
		b.fault(BadRecord, 0, "the header needs cylinder, head and transitions, each once")
		return
	}
	pos, n := body, 0
	for n < want && pos < len(data) {
		start := pos
		for pos < len(data) && data[pos] >= 0x80 {
			pos++
		}
		if pos == len(data) {
			pos = start
			break
		}
		pos++
		n++
	}
	if n < want {
		b.fault(Truncated, len(data), "file ends after %d of %d transitions; those are usable", n, want)
		return
	}
	tail := data[pos:]
	if !bytes.HasPrefix(tail, []byte("\ncrc32 ")) || len(tail) < 15 {
		class, what := BadRecord, "after the last of the %d transitions the line with the CRC is expected; their number or the body is wrong"
		if len(tail) < 15 && strings.HasPrefix("\ncrc32 ", string(tail[:min(len(tail), 7)])) {
			class, what = Truncated, "file ends before its CRC; all %d transitions are there but cannot be checked"
		}
		b.fault(class, pos, what, want)
		return
	}
	sum := fmt.Sprintf("%08x", crc32.ChecksumIEEE(data[:pos]))
	if got := string(tail[7:15]); got != sum {
		b.fault(Checksum, pos+7, "CRC-32 is %s, the bytes before it ask for %s", quote([]byte(got)), sum)
	}
	if rest := tail[15:]; len(rest) > 0 && string(rest) != "\n" {
		b.trailing(pos+15, rest, "the CRC")
	}
}

// maxZipMembers bounds the look into an archive.
const maxZipMembers = 2000

func (b *builder) captureZip(data []byte) {
	z, err := zip.NewReader(bytes.NewReader(data), int64(len(data)))
	if err != nil {
		return
	}
	n := 0
	for _, f := range z.File[:min(len(z.File), maxZipMembers)] {
		r, err := f.Open()
		if err != nil {
			continue
		}
		head := make([]byte, len(captureMark))
		_, err = io.ReadFull(r, head)
		r.Close()
		if err == nil && string(head) == captureMark {
			n++
		}
	}
	if n > 0 {
		b.bits = 160
		b.r.Form = fmt.Sprintf("zip with %d interval captures", n)
		b.note("the captures inside are checked by disk decode, not here")
	}
}

// largeCaptures recognises captures by the head of a file too large to be read whole: a capture, or a zip whose first
// member is one (stored) or is named as one. Local header of a zip: name length at 26, extra length at 28, name at 30.
func largeCaptures(head []byte) string {
	if bytes.HasPrefix(head, []byte(captureMark)) {
		return "capture"
	}
	if !bytes.HasPrefix(head, []byte("PK\x03\x04")) || len(head) < 30 {
		return ""
	}
	end := 30 + le16(head[26:])
	body := end + le16(head[28:])
	if body+len(captureMark) > len(head) {
		return ""
	}
	if bytes.HasSuffix(head[30:end], []byte(".ivl")) || bytes.HasPrefix(head[body:], []byte(captureMark)) {
		return "zip of captures"
	}
	return ""
}
