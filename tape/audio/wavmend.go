package audio

import (
	"encoding/binary"
	"fmt"
	"io"
)

// MendWAV makes the header of a WAV that CreateWAV began agree with the length of its file, of size bytes: a writer that
// is stopped cannot come back to do so. It says whether anything had to be changed. While a recording is being written it
// keeps what is there readable by others.
func MendWAV(f interface {
	io.ReaderAt
	io.WriterAt
}, size int64) (bool, error) {
	var h [44]byte
	if n, err := f.ReadAt(h[:], 0); n < len(h) {
		return false, fmt.Errorf("WAV header: want %d bytes, found %d: %w", len(h), n, err)
	}
	le := binary.LittleEndian
	frame := int64(le.Uint16(h[32:]))
	if string(h[:4]) != "RIFF" || string(h[8:16]) != "WAVEfmt " || le.Uint32(h[16:]) != 16 || string(h[36:40]) != "data" || frame == 0 {
		return false, fmt.Errorf("WAV header: want a 44-byte header as this program writes it, found % X", h[:16])
	}
	if riff, n := int64(le.Uint32(h[4:])), int64(le.Uint32(h[40:])); riff+8 == size && int64(len(h))+n <= size {
		return false, nil // it says of itself that it is finished: what follows the samples is another chunk
	}
	data := (size - int64(len(h))) / frame * frame
	if data < 0 || data > 1<<32-1-64 {
		return false, fmt.Errorf("WAV: want less than 4 GiB of samples, found %d bytes", data)
	}
	if int64(le.Uint32(h[40:])) == data && int64(le.Uint32(h[4:])) == 36+data+data&1 {
		return false, nil
	}
	var riff, n [4]byte
	le.PutUint32(riff[:], uint32(36+data+data&1))
	le.PutUint32(n[:], uint32(data))
	if _, err := f.WriteAt(n[:], 40); err != nil {
		return false, err
	}
	_, err := f.WriteAt(riff[:], 4)
	return err == nil, err
}
