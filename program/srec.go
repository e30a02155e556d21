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
	if as := h.sKind(kind, rec, sound); as != kind {
		if sound { // the checksum does not cover the type
			h.fault(BadRecord, offset, "line %d: type S%c does not fit, its bytes are those of an S%d record; it is taken as one", h.lines, text[1], as)
		}
		kind = as
	}
	n := sAddressBytes[kind]
	if len(rec) < n+2 {
		if sound {
			h.fault(BadRecord, offset, "line %d: S%d of %d bytes does not exist; the record is left out", h.lines, kind, len(rec))
		}
		return
	}
	address, body := sAddress(rec, kind), rec[1+n:len(rec)-1]
	switch kind {
	case 0:
		if h.kinds[0] > 0 {
			h.fault(BadRecord, offset, "line %d is a second header record; a file has one", h.lines)
		}
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
		h.expect, h.last = address+int64(len(body)), kind
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

// sKind is the type that a record has by its contents, where its type character is damaged; else that character's.
func (h *hexState) sKind(kind byte, rec []byte, sound bool) byte {
	last := max(h.last, 1)
	fits := func(k byte) bool { return kind <= 9 && sAddressBytes[k] > 0 && len(rec) >= sAddressBytes[k]+2 }
	switch {
	case kind > 9 || kind == 4:
		return last
	case !fits(kind):
		return kind
	case kind >= 5 && len(rec) > sAddressBytes[kind]+2: // data, where there is none in this type
		return last
	case kind == 0 && h.records > 0 && !sound:
		return last
	case h.records > 0 && kind != last && fits(last) && sAddress(rec, last) == h.expect && len(rec) > sAddressBytes[last]+2:
		if kind > 3 || kind == 0 || sAddress(rec, kind) != h.expect {
			return last
		}
	}
	return kind
}

// sAddress is the address of a record of a type.
func sAddress(rec []byte, kind byte) (address int64) {
	for _, c := range rec[1 : 1+sAddressBytes[kind]] {
		address = address<<8 | int64(c)
	}
	return address
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
