package tape

// checkHex checks the sums of a hex file's lines. Sources: sheet E1 (the bytes of a record sum to 0) and E2 (count,
// address, data and sum give FFh).
func checkHex(kind string, b []byte) *parsed {
	p := &parsed{kind: kind, end: len(b), entry: -1}
	n := 0
	for pos := 0; pos < len(b); {
		end := pos
		for end < len(b) && b[end] != '\r' && b[end] != '\n' {
			end++
		}
		line := b[pos:end]
		if len(line) > 0 && len(p.faults) < maxFaults {
			n++
			p.hexLine(kind, line, pos, n)
		}
		pos = end + 1
	}
	if !p.done {
		p.fault(len(b), "the end record is missing")
	}
	return p
}

func (p *parsed) hexLine(kind string, line []byte, pos, n int) {
	var body []byte
	typ := byte(0)
	switch {
	case kind == IntelHex && line[0] == ':':
		body = line[1:]
	case kind == SRecord && line[0] == 'S' && len(line) > 2:
		typ, body = line[1], line[2:]
	default:
		p.fault(pos, "line %d: want a record, found %q", n, line[:min(len(line), 8)])
		return
	}
	var sum byte
	raw := make([]byte, 0, len(body)/2)
	for i := 0; i+1 < len(body); i += 2 {
		h, ok1 := hexDigit(body[i])
		l, ok2 := hexDigit(body[i+1])
		if !ok1 || !ok2 {
			p.fault(pos+1+i, "line %d: want hex digits, found %q", n, body[i:i+2])
			return
		}
		raw = append(raw, h<<4|l)
		sum += h<<4 | l
	}
	switch kind {
	case IntelHex:
		if len(raw) < 5 || len(raw) != int(raw[0])+5 {
			p.fault(pos, "line %d: record length wrong", n)
			return
		}
		if sum != 0 {
			p.fault(pos, "line %d: checksum wrong", n)
		}
		p.done = p.done || raw[3] == 1
	default:
		if len(raw) < 2 || len(raw) != int(raw[0])+1 {
			p.fault(pos, "line %d: record length wrong", n)
			return
		}
		if sum != 0xFF {
			p.fault(pos, "line %d: checksum wrong", n)
		}
		p.done = p.done || typ >= '7' && typ <= '9'
	}
}

func hexDigit(c byte) (byte, bool) {
	switch {
	case c >= '0' && c <= '9':
		return c - '0', true
	case c >= 'A' && c <= 'F':
		return c - 'A' + 10, true
	case c >= 'a' && c <= 'f':
		return c - 'a' + 10, true
	}
	return 0, false
}
