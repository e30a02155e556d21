package program

// sRecord: S type count address data checksum. Source: tape-and-volume-standards E2 (S30).
var sRecord = &hexForm{
	kind: SRecord, lead: "S0 to S9", leadLen: 2, minBytes: 3, overhead: 1, sum: 0xFF,
	isLead: func(text []byte) bool {
		return len(text) > 1 && (text[0] == 'S' || text[0] == 's') && text[1] >= '0' && text[1] <= '9'
	},
	take: takeSRecord,
}

// sAddressBytes is the length of the address in each type; S4 is not used.
var sAddressBytes = [10]int{2, 2, 3, 4, 0, 2, 3, 4, 3, 2}

func takeSRecord(h *hexState, offset int, text, rec []byte, sound bool) {
	kind := text[1] - '0'
	if kind > 9 { // a line whose type character is damaged: the bytes still have their place
		kind = 1
	}
	n := sAddressBytes[kind]
	if n == 0 || len(rec) < n+2 {
		if sound {
			h.fault(BadRecord, offset, "line %d: S%d of %d bytes does not exist; the record is left out", h.lines, kind, len(rec))
		}
		return
	}
	var address int64
	for _, c := range rec[1 : 1+n] {
		address = address<<8 | int64(c)
	}
	body := rec[1+n : len(rec)-1]
	switch kind {
	case 0:
		if sound && h.r.Name == "" {
			h.r.Name = printable(body)
			if rec[1]|rec[2] != 0 && isPrintable(rec[1:3]) { // the variant without address bytes
				h.r.Name = printable(rec[1 : len(rec)-1])
				h.note("the header record has no address bytes; they are read as part of the name")
			}
		}
	case 1, 2, 3:
		h.records++
		h.data(address, offset, body)
	case 5, 6:
		mask := 1<<(8*n) - 1
		if sound && int(address) != h.records&mask {
			h.fault(BadRecord, offset, "line %d: S%d counts %d data records, %d were read before it; records are missing or too many", h.lines, kind, address, h.records)
		}
	default:
		h.ended = true
		if want := map[byte]byte{7: 3, 8: 2, 9: 1}[kind]; sound && h.kinds[want] == 0 && h.records > 0 {
			h.note("ends with S%d, which belongs to S%d records; there are none", kind, want)
		}
		if address != 0 {
			h.entry(address, offset)
		}
	}
	h.kinds[kind]++
}

func inspectSRecord(data []byte, emit func(int, []byte)) *builder {
	h := inspectHexLines(data, sRecord, emit)
	for k := byte(3); k >= 1; k-- {
		if h.kinds[k] > 0 {
			h.r.Form = "S" + string('0'+k) + " records"
			break
		}
	}
	return h.builder
}
