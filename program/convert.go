package program

import (
	"bytes"
	"fmt"
	"slices"
	"strings"
)

// Raw is bytes without any form, whose addresses the caller knows. It is a kind to convert from and to; Inspect never
// finds it.
const Raw Kind = "raw"

// Encoding of a text.
type Encoding string

// The encodings that text can be in.
const (
	ClassText Encoding = "class"   // codes of the class
	Unicode   Encoding = "unicode" // UTF-8, graphics as block sextants
)

// ConvertOptions say what Convert makes.
type ConvertOptions struct {
	From     Kind     // "": what Inspect finds; Raw with Address
	To       Kind     // wanted
	Encoding Encoding // of the text written; "": as it is read, a listing in class codes
	Source   Encoding // of the text read; "": UTF-8 where the text plainly is, else class codes
	LineEnds string   // of the text written; "": CR for class text, LF for Unicode
	Name     string   // "": the name in the file
	Address  *int     // of raw bytes; of BASIC written: the address that its links are made for; nil: the form's usual one
	Entry    *int     // replaces the entry, or gives one where there is none
	NoEntry  bool     // leaves the entry out
	Fill     *byte    // for gaps in raw bytes; nil: gaps are refused
	Tape     TapeOptions
	Hex      HexOptions
	Strip    bool    // takes off what follows the end
	Damaged  bool    // converts damaged programs as far as they can be read
	Relocate *Target // adds a relocating loader where a program loads over this target's disk system
	RAMKiB   int     // for Relocate; 0: the smallest that does
	part     bool    // the file is one of several to be joined: its entry may lie in another
}

// Conversion is what Convert gives: the bytes and what there is to say about them.
type Conversion struct {
	Data  []byte
	From  Kind
	To    Kind
	Notes []string // what was changed, assumed or left behind
}

// RefusedError says why a conversion would lose meaning.
type RefusedError struct {
	From, To Kind
	Why      string
	Hint     string // what to do instead, "" if nothing
}

func (e *RefusedError) Error() string {
	return fmt.Sprintf("%s to %s: %s", e.From, e.To, e.Why)
}

// work is one conversion under way.
type work struct {
	*Conversion
	o ConvertOptions
}

func (w *work) refuse(hint, why string, a ...any) error {
	return &RefusedError{w.From, w.To, fmt.Sprintf(why, a...), hint}
}

func (w *work) note(s string, a ...any) { w.Notes = append(w.Notes, fmt.Sprintf(s, a...)) }

// Convertible are the kinds that Convert can write.
var Convertible = []Kind{LoadModule, MachineTape, IntelHex, SRecord, Raw, BASICDisk, BASICTape, Text}

// Convert turns one form of program into another and refuses, with a reason, where meaning would be lost: machine code
// stays machine code (load module, tape, HEX, S-record, raw bytes), BASIC stays BASIC (disk and tape form, listing).
func Convert(data []byte, o ConvertOptions) (*Conversion, error) {
	w := &work{&Conversion{From: o.From, To: o.To}, o}
	if !slices.Contains(Convertible, o.To) {
		return nil, w.refuse("", "%q cannot be written; %s can", o.To, kindList(Convertible))
	}
	toBASIC := o.To == BASICDisk || o.To == BASICTape
	if w.From == "" && o.Address != nil && !toBASIC {
		w.From = Raw
	}
	r := Inspect(data)
	if w.From == "" {
		w.From = r.Kind
	}
	if o.Strip {
		data = w.strip(data, r)
		r = Inspect(data)
	}
	if w.plain() {
		w.From, w.Data = Raw, bytes.Clone(data)
		return w.Conversion, nil
	}
	code := isCode(w.From) && isCode(w.To)
	switch {
	case code || isListing(w.From) && isListing(w.To):
	case isCode(w.From) || isListing(w.From):
		return nil, w.refuse("", "machine code and BASIC do not turn into each other")
	default:
		return nil, w.refuse("for bytes that you know to be machine code, say --load-address", "the file is no program of a known form")
	}
	if w.From == r.Kind {
		if err := w.health(r); err != nil {
			return nil, err
		}
	}
	var err error
	if code {
		err = w.code(data, r)
	} else {
		err = w.listing(data)
	}
	if err != nil {
		return nil, err
	}
	return w.Conversion, nil
}

// plainBytes is plain before a conversion begins.
func plainBytes(data []byte, o ConvertOptions) bool {
	w := &work{&Conversion{From: o.From, To: o.To}, o}
	if w.To == Raw && w.From == "" {
		w.From = Inspect(data).Kind
	}
	return w.plain()
}

// plain says that bytes without address or form stay what they are: to be stripped, divided or joined.
func (w *work) plain() bool {
	return w.To == Raw && w.o.Address == nil && (w.From == Raw || w.From == Unknown)
}

func isCode(k Kind) bool {
	return slices.Contains([]Kind{LoadModule, MachineTape, IntelHex, SRecord, Raw}, k)
}

func isListing(k Kind) bool { return slices.Contains([]Kind{BASICDisk, BASICTape, Text}, k) }

func kindList(ks []Kind) string {
	s := make([]string, len(ks))
	for i, k := range ks {
		s[i] = string(k)
	}
	return strings.Join(s, ", ")
}

// health refuses damage that the conversion would hide. Line ends and links are made new anyway, and of bytes that
// load twice the later ones win in every form.
func (w *work) health(r *Report) error {
	for _, f := range r.Faults {
		switch f.Class {
		case LineEnds: // every form has its own
			continue
		case Links, Overlap:
			w.note("%s", f)
			continue
		}
		if f.Class == EntryOutside && w.o.part {
			continue
		}
		if w.o.Damaged {
			w.note("damaged: %s", f)
			continue
		}
		hint := "say --accept-damaged to convert what can be read"
		if f.Class == Trailing {
			hint = "say --strip to leave it behind"
		}
		return w.refuse(hint, "the file is damaged, %s", f)
	}
	return nil
}

// strip takes off what follows the end of a program, or the fill of the last sector of bytes without an end.
func (w *work) strip(data []byte, r *Report) []byte {
	out, what := Strip(data, r)
	if n := len(data) - len(out); n > 0 {
		w.note("%d bytes taken off the end: %s", n, what)
	}
	return out
}

// Strip takes off what follows the end of a program: all of it where the form says where it ends; fill (00h, 1Ah) after
// a text; from other bytes, whose length is whole sectors of 128 or 256, a run of one fill value (00h, 1Ah, E5h, FFh)
// shorter than a sector. what says which.
func Strip(data []byte, r *Report) (out []byte, what string) {
	for _, f := range r.Faults {
		if f.Class == Trailing {
			return data[:f.Offset], "what followed the end of the program"
		}
	}
	switch r.Kind {
	case Text, IntelHex, SRecord:
		return bytes.TrimRight(data, "\x00\x1a"), "fill after the text"
	case Unknown:
	default:
		return data, ""
	}
	if len(data) == 0 || len(data)%128 != 0 {
		return data, ""
	}
	last := data[len(data)-1]
	if !slices.Contains([]byte{0, 0x1A, 0xE5, 0xFF}, last) {
		return data, ""
	}
	kept := bytes.TrimRight(data, string([]byte{last}))
	if last >= 0x80 { // TrimRight's set is of characters, not of bytes
		n := len(data)
		for n > 0 && data[n-1] == last {
			n--
		}
		kept = data[:n]
	}
	if n := len(data) - len(kept); n >= 256 || len(kept) == 0 {
		return data, ""
	}
	return kept, fmt.Sprintf("a run of %02Xh to the end of the last sector", last)
}

// code converts machine code by way of its memory.
func (w *work) code(data []byte, r *Report) error {
	m, err := w.memory(data)
	if err != nil {
		return err
	}
	if w.o.Name != "" {
		m.Name = w.o.Name
	}
	switch {
	case w.o.NoEntry:
		m.Entry = nil
	case w.o.Entry != nil:
		if m.Entry != nil && *m.Entry != *w.o.Entry {
			w.note("entry %s replaces %s", hex(*w.o.Entry), hex(*m.Entry))
		}
		m.Entry = w.o.Entry
	}
	if w.From == LoadModule && w.To != LoadModule {
		for _, n := range r.Notes {
			if strings.Contains(n, " skipped") {
				w.note("left behind: %s", strings.Replace(n, " skipped", "", 1))
			}
		}
	}
	if w.o.Relocate != nil {
		var notes []string
		if m, notes, err = Relocate(m, *w.o.Relocate, w.o.RAMKiB); err != nil {
			return w.refuse("", "%v", err)
		}
		w.Notes = append(w.Notes, notes...)
	}
	return w.build(m)
}

// build writes the form wanted.
func (w *work) build(m Memory) (err error) {
	switch w.To {
	case LoadModule:
		w.Data, err = BuildModule(m)
	case MachineTape:
		if name := strings.TrimRight(tapeName(m.Name), " "); name != m.Name {
			w.note("the name %q is written as %q; a tape has room for six characters", m.Name, name)
		}
		w.Data, err = BuildTape(m, w.o.Tape)
	case IntelHex:
		if m.Name != "" {
			w.note("the name %q is left behind; Intel HEX has no place for one", m.Name)
		}
		w.Data, err = BuildIntelHex(m, w.o.Hex)
	case SRecord:
		w.Data, err = BuildSRecord(m, w.o.Hex)
	case Raw:
		w.Data, err = w.raw(m)
	}
	if err != nil {
		if _, ok := err.(*RefusedError); ok {
			return err
		}
		return w.refuse("", "%v", err)
	}
	return nil
}

func (w *work) memory(data []byte) (m Memory, err error) {
	if w.From != Raw {
		m, _ = MemoryOf(w.From, data)
		return m, nil
	}
	if w.o.Address == nil {
		return m, w.refuse("say --load-address, as 5200h or 0x5200", "raw bytes have no address of their own")
	}
	if len(data) == 0 {
		return m, w.refuse("", "the file is empty")
	}
	m.add(*w.o.Address, data)
	return m, nil
}

// raw writes memory from its lowest address to its highest. What a file of bytes cannot hold is in the notes.
func (w *work) raw(m Memory) ([]byte, error) {
	flat := m.Flat()
	if len(flat.Segments) == 0 {
		return nil, w.refuse("", "no bytes to load")
	}
	first := flat.Segments[0].Address
	var out []byte
	for _, s := range flat.Segments {
		gap := s.Address - first - len(out)
		if gap > 0 && w.o.Fill == nil {
			return nil, w.refuse("say --fill 00h to fill gaps, or --split areas for a file each", "%d bytes from %s on are not part of the program, and raw bytes cannot leave them out",
				gap, hex(first+len(out)))
		}
		if gap > MaxProgramBytes {
			return nil, w.refuse("", "a gap of %d bytes would make a file larger than any program", gap)
		}
		if gap > 0 {
			out = append(out, bytes.Repeat([]byte{*w.o.Fill}, gap)...)
			w.note("gap of %d bytes at %s filled with %02Xh", gap, hex(s.Address-gap), *w.o.Fill)
		}
		out = append(out, s.Data...)
	}
	back := fmt.Sprintf("the file itself does not say where it loads; to bring it back: --load-address %s", hex(first))
	if flat.Entry != nil {
		back += " --entry " + hex(*flat.Entry)
	}
	w.note("%s", back)
	return out, nil
}

// listing converts between the forms of BASIC and text.
func (w *work) listing(data []byte) error {
	if w.From == Text && w.To == Text {
		return w.text(data)
	}
	p, err := w.basic(data)
	if err != nil {
		return err
	}
	return w.buildBASIC(p)
}

// buildBASIC writes the form wanted.
func (w *work) buildBASIC(p *BASIC) (err error) {
	switch w.To {
	case Text:
		return w.writeListing(p)
	case BASICDisk:
		if p.Name != "" && w.From == BASICTape {
			w.note("the name %q is left behind; the disk form has none, its file has", p.Name)
		}
		w.Data, err = buildBASICDisk(p, baseOr(w.o.Address, diskBASICStart))
	case BASICTape:
		if w.o.Name != "" {
			p.Name = w.o.Name[:1]
			if len(w.o.Name) > 1 {
				w.note("the name %q is written as %q; the tape form has room for one character", w.o.Name, p.Name)
			}
		}
		w.Data, err = buildBASICTape(p, w.o.Tape, baseOr(w.o.Address, tapeBASICStart))
	}
	if err != nil {
		return w.refuse("", "%v", err)
	}
	return nil
}

func (w *work) basic(data []byte) (*BASIC, error) {
	if w.From != Text {
		p, faults := ParseBASIC(data)
		if p == nil {
			return nil, w.refuse("", "%s", faults[0])
		}
		w.based(p)
		return p, nil
	}
	text := data
	if w.unicodeIn(data) {
		var err error
		var aliases int
		if text, aliases, err = FromUnicode(data, true); err != nil {
			return nil, w.refuse("", "%v", err)
		}
		w.aliases(aliases)
	}
	p, err := Tokenise(text)
	if err != nil {
		return nil, w.refuse("", "%v", err)
	}
	return p, nil
}

// based says which address the links of a program were for, where what is written does not have it. A link is made new
// when a program loads; the number is needed only to bring back the same bytes.
func (w *work) based(p *BASIC) {
	usual := map[Kind]int{BASICDisk: diskBASICStart, BASICTape: tapeBASICStart}
	base := baseOr(w.o.Address, usual[w.To])
	if len(p.Lines) == 0 || p.Base == base || w.To == Text && p.Base == usual[w.From] {
		return
	}
	if w.To == Text {
		w.note("the links were for a program at %s; a listing has none; to link it for there again: --to %s --load-address %s", hex(p.Base), w.From, hex(p.Base))
		return
	}
	w.note("the links were for a program at %s and are now for %s; --load-address sets another", hex(p.Base), hex(base))
}

func (w *work) aliases(n int) {
	if n > 0 {
		w.note("%d of the characters [ \\ ] ^, in whose places the class has arrows, are taken for those", n)
	}
}

// unicodeIn says whether a text to read is UTF-8: the caller says so, or the text does.
func (w *work) unicodeIn(data []byte) bool {
	if w.o.Source != "" {
		return w.o.Source == Unicode
	}
	if t := scanText(data); t.utf8 && t.high > 0 {
		return true
	} else if t.high == 0 && t.counts[textGraphic]+t.counts[textForeign] == 0 && w.To == Text && w.o.Encoding == ClassText && countEscapes(data) > 0 {
		w.note("escapes as {C3} are read as the codes they stand for; say --from-encoding class if they are plain characters")
		return true
	}
	return false
}

func (w *work) writeListing(p *BASIC) error {
	last := -1
	for _, l := range p.Lines {
		if l.Number <= last || l.Number > maxLineNumber || len(l.Text) > maxLineBytes {
			w.note("line %d: such a line cannot be tokenised again (its number does not rise or is above %d, or it is longer than %d bytes)", l.Number, maxLineNumber, maxLineBytes)
			break
		}
		last = l.Number
	}
	end := w.o.LineEnds
	if end == "" {
		end = map[bool]string{true: "\n", false: "\r"}[w.o.Encoding == Unicode]
	}
	text := p.Listing(end)
	if n := bytes.Count(text, []byte("{")); n > 0 {
		if k := countEscapes(text); k > 0 {
			w.note("%d bytes that no listing can show stand as escapes, as {FE}", k)
		}
	}
	if w.o.Encoding == Unicode {
		text = ToUnicode(text, true)
	}
	w.Data = text
	return nil
}

func countEscapes(text []byte) (n int) {
	for i := range text {
		if isEscape(text[i:]) {
			n++
		}
	}
	return n
}

// text changes encoding and line ends.
func (w *work) text(data []byte) error {
	in := w.unicodeIn(data)
	out := data
	switch {
	case in && w.o.Encoding == ClassText:
		text, aliases, err := FromUnicode(data, false)
		if err != nil {
			return w.refuse("", "%v", err)
		}
		w.aliases(aliases)
		out = text
	case !in && w.o.Encoding == Unicode:
		out = ToUnicode(data, false)
		if k := countEscapes(out); k > 0 {
			w.note("%d codes that have no character stand as escapes, as {C3}", k)
		}
	}
	end := w.o.LineEnds
	if end == "" {
		switch {
		case w.o.Encoding == Unicode:
			end = "\n"
		case w.o.Encoding == ClassText || !in:
			end = "\r"
		}
	}
	if end != "" {
		out = SetLineEnds(out, end)
	}
	w.Data = out
	return nil
}
