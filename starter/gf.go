package starter

// GF(256) with x^8 + x^4 + x^3 + x^2 + 1: the field of the parity blocks.
var gfExp, gfLog = func() (e [510]byte, l [256]int) {
	v := 1
	for i := range 255 {
		e[i], e[i+255], l[v] = byte(v), byte(v), i
		v <<= 1
		if v > 255 {
			v ^= 0x11D
		}
	}
	return
}()

func gfMul(a, b byte) byte {
	if a == 0 || b == 0 {
		return 0
	}
	return gfExp[gfLog[a]+gfLog[b]]
}

func gfInverse(a byte) byte { return gfExp[255-gfLog[a]] }

// coefficient of data block i in parity block j. The x values F0h + j and the y values i never meet, so every square
// part of the matrix can be inverted.
func coefficient(j, i int) byte { return gfInverse(byte(0xF0+j) ^ byte(i)) }

// parityBlocks are n parity blocks over data blocks of one length.
func parityBlocks(data [][]byte, n int) [][]byte {
	out := make([][]byte, n)
	for j := range out {
		out[j] = make([]byte, blockData)
		for i, d := range data {
			c := coefficient(j, i)
			for k, v := range d {
				out[j][k] ^= gfMul(c, v)
			}
		}
	}
	return out
}

// mend is what the machine does: it fills the nil entries of data from parity (nil entries: not received). It reports
// whether there was enough.
func mend(data, parity [][]byte) bool {
	var lost, used []int
	for i, d := range data {
		if d == nil {
			lost = append(lost, i)
		}
	}
	for j, p := range parity {
		if p != nil && len(used) < len(lost) {
			used = append(used, j)
		}
	}
	if len(used) < len(lost) {
		return false
	}
	rows := make([][]byte, len(lost))
	m := make([][]byte, len(lost))
	for r, j := range used {
		rows[r] = append([]byte(nil), parity[j]...)
		for i, d := range data {
			if d == nil {
				continue
			}
			for k, v := range d {
				rows[r][k] ^= gfMul(coefficient(j, i), v)
			}
		}
		for _, i := range lost {
			m[r] = append(m[r], coefficient(j, i))
		}
	}
	addmul := func(dst, src []byte, f byte) {
		for k, v := range src {
			dst[k] ^= gfMul(f, v)
		}
	}
	scale := func(row []byte, f byte) {
		for k, v := range row {
			row[k] = gfMul(f, v)
		}
	}
	for c := range lost {
		f := gfInverse(m[c][c])
		scale(m[c], f)
		scale(rows[c], f)
		for r := range lost {
			if r != c {
				f := m[r][c]
				addmul(m[r], m[c], f)
				addmul(rows[r], rows[c], f)
			}
		}
	}
	for r, i := range lost {
		data[i] = rows[r]
	}
	return true
}
