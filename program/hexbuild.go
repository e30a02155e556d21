package program

import (
	"fmt"
	"strings"
)

// ParseIntelHex reads the memory and entry of an Intel HEX file, and what is wrong with it.
func ParseIntelHex(data []byte) (Memory, []Fault) { return parseHexLines(data, intelHex) }

// ParseSRecord reads the memory and entry of an S-record file, and what is wrong with it.
func ParseSRecord(data []byte) (Memory, []Fault) { return parseHexLines(data, sRecord) }

func parseHexLines(data []byte, f *hexForm) (Memory, []Fault) {
	var m Memory
	h := inspectHexLines(data, f, func(address int, body []byte) { m.add(address, body) })
	r := h.finish()
	m.Name, m.Entry = r.Name, r.Entry
	return m, r.Faults
}

// HexOptions say how lines of hex digits are written. The zero value gives 16 data bytes a line and LF line ends.
type HexOptions struct {
	LineBytes int    // data bytes a line, 1 to 255 (S-records: 250); 0: 16
	LineEnd   string // "": LF
}

func (o *HexOptions) defaults(most int) error {
	if o.LineBytes == 0 {
		o.LineBytes = 16
	}
	if o.LineBytes < 1 || o.LineBytes > most {
		return fmt.Errorf("%d data bytes a line: 1 to %d are possible", o.LineBytes, most)
	}
	if o.LineEnd == "" {
		o.LineEnd = "\n"
	}
	return nil
}

// writeHex writes bytes as digits and the sum that makes them add up to total.
func writeHex(w *strings.Builder, lead string, total byte, rec []byte, end string) {
	const digits = "0123456789ABCDEF"
	w.WriteString(lead)
	ck := total
	for _, c := range rec {
		ck -= c
		w.WriteByte(digits[c>>4])
		w.WriteByte(digits[c&15])
	}
	w.WriteByte(digits[ck>>4])
	w.WriteByte(digits[ck&15])
	w.WriteString(end)
}

// BuildIntelHex writes Intel HEX. The entry, if any, stands in a record of type 05. Memory above 64 KiB gets records of
// type 04. The form has no name; one is lost.
//
//	:050100003E05D301766D    3E 05 D3 01 76 at 0100h
//	:0400000500000100F6      begin at 0100h
//	:00000001FF
func BuildIntelHex(m Memory, o HexOptions) ([]byte, error) {
	if err := o.defaults(255); err != nil {
		return nil, fmt.Errorf("intel hex: %w", err)
	}
	if m.Size() == 0 {
		return nil, fmt.Errorf("intel hex: no bytes to load")
	}
	var w strings.Builder
	upper := 0
	for _, s := range m.Segments {
		for at := 0; at < len(s.Data); {
			a := s.Address + at
			if a>>16 != upper {
				upper = a >> 16
				writeHex(&w, ":", 0, []byte{2, 0, 0, hexUpper, byte(upper >> 8), byte(upper)}, o.LineEnd)
			}
			n := min(o.LineBytes, len(s.Data)-at, 0x10000-a&0xFFFF)
			rec := append([]byte{byte(n), byte(a >> 8), byte(a), hexData}, s.Data[at:at+n]...)
			writeHex(&w, ":", 0, rec, o.LineEnd)
			at += n
		}
	}
	if m.Entry != nil {
		e := *m.Entry
		writeHex(&w, ":", 0, []byte{4, 0, 0, hexStartLinear, byte(e >> 24), byte(e >> 16), byte(e >> 8), byte(e)}, o.LineEnd)
	}
	writeHex(&w, ":", 0, []byte{0, 0, 0, hexEnd}, o.LineEnd)
	return []byte(w.String()), nil
}

// BuildSRecord writes S-records with the shortest addresses that do, a header with the name, a count (S5) and the
// entry in the end record. Entry 0 means none there, so a program that begins at 0 is refused.
//
//	S00600004844521B          header "HDR"
//	S10801003E05D3017669      3E 05 D3 01 76 at 0100h
//	S5030001FB                one data record
//	S9030100FB                begin at 0100h
func BuildSRecord(m Memory, o HexOptions) ([]byte, error) {
	if err := o.defaults(250); err != nil {
		return nil, fmt.Errorf("s-record: %w", err)
	}
	if m.Size() == 0 {
		return nil, fmt.Errorf("s-record: no bytes to load")
	}
	top := 0
	for _, s := range m.Segments {
		top = max(top, s.End()-1)
	}
	if m.Entry != nil {
		if *m.Entry == 0 {
			return nil, fmt.Errorf("s-record: the entry is 0000h, which means \"no entry\" in this form")
		}
		top = max(top, *m.Entry)
	}
	kind := 1 // S1: 2 address bytes; S2: 3; S3: 4
	if top >= 1<<24 {
		kind = 3
	} else if top >= 1<<16 {
		kind = 2
	}
	record := func(a, kind int, body []byte) []byte {
		n := kind + 1
		rec := []byte{byte(n + len(body) + 1)}
		for i := n - 1; i >= 0; i-- {
			rec = append(rec, byte(a>>(8*i)))
		}
		return append(rec, body...)
	}
	var w strings.Builder
	name := m.Name[:min(len(m.Name), 64)]
	writeHex(&w, "S0", 0xFF, record(0, 1, []byte(name)), o.LineEnd)
	count := 0
	for _, s := range m.Segments {
		for at := 0; at < len(s.Data); at += o.LineBytes {
			part := s.Data[at:min(at+o.LineBytes, len(s.Data))]
			writeHex(&w, "S"+string(rune('0'+kind)), 0xFF, record(s.Address+at, kind, part), o.LineEnd)
			count++
		}
	}
	if count < 1<<16 {
		writeHex(&w, "S5", 0xFF, record(count, 1, nil), o.LineEnd)
	} else {
		writeHex(&w, "S6", 0xFF, record(count, 2, nil), o.LineEnd)
	}
	e := 0
	if m.Entry != nil {
		e = *m.Entry
	}
	writeHex(&w, "S"+string(rune('0'+10-kind)), 0xFF, record(e, kind, nil), o.LineEnd)
	return []byte(w.String()), nil
}
