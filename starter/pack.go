package starter

import "fmt"

// The packed form: a byte below 80h, that many bytes and one more follow as they are; 80h and above, a copy of
// (byte and 7Fh) + 3 bytes from a distance that follows as a word, low byte first. There is no end mark: the track's
// length is known.
const (
	maxLiteral = 128
	minCopy    = 3
	maxCopy    = 130
)

// pack finds the shortest packed form of data by looking at every way to cut it (a shortest path over positions).
func pack(data []byte) []byte {
	n := len(data)
	// longest[i], from[i]: the longest earlier copy of what stands at i.
	longest, from := make([]int, n), make([]int, n)
	heads := map[[3]byte][]int{}
	for i := 0; i+2 < n; i++ {
		k := [3]byte(data[i : i+3])
		for _, j := range heads[k] {
			l := 3
			for i+l < n && l < maxCopy && data[j+l] == data[i+l] {
				l++
			}
			if l >= longest[i] {
				longest[i], from[i] = l, j
			}
		}
		heads[k] = append(heads[k], i)
	}
	const far = 1 << 30
	cost := make([]int, n+1) // bytes needed for data[i:]
	step := make([]int, n)   // literals: negative count; copy: length
	for i := n - 1; i >= 0; i-- {
		cost[i] = far
		for l := 1; l <= min(maxLiteral, n-i); l++ {
			if c := 1 + l + cost[i+l]; c < cost[i] {
				cost[i], step[i] = c, -l
			}
		}
		for l := minCopy; l <= longest[i]; l++ {
			if c := 3 + cost[i+l]; c < cost[i] {
				cost[i], step[i] = c, l
			}
		}
	}
	out := make([]byte, 0, cost[0])
	for i := 0; i < n; {
		if l := -step[i]; l > 0 {
			out = append(append(out, byte(l-1)), data[i:i+l]...)
			i += l
			continue
		}
		l, d := step[i], i-from[i]
		out = append(out, 0x80|byte(l-minCopy), byte(d), byte(d>>8))
		i += l
	}
	return out
}

// unpack is what the machine does: it stops when n bytes are there.
func unpack(packed []byte, n int) ([]byte, error) {
	out := make([]byte, 0, n)
	for i := 0; len(out) < n; {
		if i >= len(packed) {
			return out, fmt.Errorf("offset %d: ends after %d of %d bytes", i, len(out), n)
		}
		c := int(packed[i])
		i++
		if c < 0x80 {
			if i+c+1 > len(packed) || len(out)+c+1 > n {
				return out, fmt.Errorf("offset %d: %d bytes as they are do not fit", i-1, c+1)
			}
			out = append(out, packed[i:i+c+1]...)
			i += c + 1
			continue
		}
		if i+2 > len(packed) {
			return out, fmt.Errorf("offset %d: a copy without its distance", i-1)
		}
		l, d := c&0x7F+minCopy, int(packed[i])|int(packed[i+1])<<8
		i += 2
		if d < 1 || d > len(out) || len(out)+l > n {
			return out, fmt.Errorf("offset %d: copy of %d bytes from %d back does not fit", i-3, l, d)
		}
		for range l {
			out = append(out, out[len(out)-d])
		}
	}
	return out, nil
}
