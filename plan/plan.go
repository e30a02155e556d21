package plan

import (
	"cmp"
	"errors"
	"fmt"
	"math"
	"slices"

	"remanence/disk"
	"remanence/internal/words"
	"remanence/machine"
	"remanence/program"
	"remanence/tape"
	"remanence/tape/linecode"
	"remanence/volume"
)

// Dest is where a file goes.
type Dest string

const (
	ToDisk Dest = "disk"
	ToTape Dest = "tape"
)

// File is one file of the archive as it comes to the plan.
type File struct {
	Path   string // as given, or as found below a folder that was given; as it is shown
	From   string // where it is read
	Size   int64
	Name   string // asked for by the job; "": derived from Path
	Group  string // files of a group stay on one medium, in their order
	To     []Dest // asked for by the job; empty: by the kind of file
	Report *program.FileReport
	// Image is set for a sector image that can be mastered as a disk of its own: its recording and what lies on it.
	Image *Image
}

// Image is a sector image that already is a disk.
type Image struct {
	Recording *disk.Recording
	Title     string // volume name
	Files     []Placed
	FreeBytes int64
}

// Placed is a file on its medium.
type Placed struct {
	Name    string       `json:"name"` // on the medium, in its own form
	Path    string       `json:"path"`
	Size    int64        `json:"size"`
	SHA256  string       `json:"-"` // of the file as inspected
	From    string       `json:"-"` // where it is read
	Kind    program.Kind `json:"kind,omitempty"`
	Damaged bool         `json:"damaged,omitempty"` // taken along because --include-damaged was said
	Notes   []string     `json:"notes,omitempty"`
	AtS     float64      `json:"at-s,omitempty"` // tape: where its leader begins
	LengthS float64      `json:"length-s,omitempty"`

	Payload Payload `json:"-"` // tape
}

// Medium is one disk, or one side of a cassette, and what goes on it.
type Medium struct {
	ID        string   `json:"id"`        // D01, T01A
	Type      Dest     `json:"type"`      // disk or tape
	Recording string   `json:"recording"` // name of the recording, or of the line code
	Cylinders int      `json:"cylinders,omitempty"`
	Sides     int      `json:"sides,omitempty"`
	Title     string   `json:"title,omitempty"`
	Files     []Placed `json:"files"`
	FreeBytes int64    `json:"free-bytes"`
	LengthS   float64  `json:"length-s,omitempty"` // tape: what is recorded
	SideS     float64  `json:"side-s,omitempty"`   // tape: what the side holds

	Disk  *disk.Recording `json:"-"`
	Code  *linecode.Code  `json:"-"`
	Image string          `json:"-"` // path of the sector image this disk is mastered from as it is; "" else
}

// Reference is the recording with its size, or the line code.
func (m *Medium) Reference() string {
	if m.Disk != nil {
		return m.Disk.Reference()
	}
	return m.Recording
}

// LeftOut is a file that goes nowhere, and why.
type LeftOut struct {
	Path string `json:"path"`
	Why  string `json:"why"`
}

// Plan is which file goes where. Its JSON is what plan --json prints.
type Plan struct {
	Machine    string    `json:"machine"`
	LowerBound int       `json:"lower-bound"` // fewest media that could do, by proof
	Media      []*Medium `json:"media"`
	LeftOut    []LeftOut `json:"left-out"`
	Notes      []string  `json:"notes,omitempty"`
	Title      string    `json:"title,omitempty"`

	DiskBound, TapeBound int               `json:"-"`
	Room                 volume.Room       `json:"-"` // what one disk holds
	VolumeOptions        volume.NewOptions `json:"-"`
}

// Payload is a file as it goes on tape.
type Payload struct {
	Name    string // as the machine asks for it
	Kind    program.Kind
	Blocks  [][]byte // what follows each leader and sync
	LengthS float64  // leaders, syncs and the silence between its blocks included, at nominal speed
	Notes   []string // what had to be converted
}

// Options say for what machine, on what media, and how much may be tried.
type Options struct {
	Machine         *machine.Machine
	Recording       *disk.Recording // nil where the machine has no disk
	Parameters      *volume.Parameters
	Code            *linecode.Code // nil where the machine has no tape
	CassetteMinutes int            // both sides together; 0: the machine's usual
	IncludeDamaged  bool
	To              Dest // "": by the kind of file; else everything the job does not say otherwise of
	Title           string
	Date            string // YYYY-MM-DD for volumes; "": the volume room's fixed day
	Steps           int    // 0: DefaultSteps
	// Payload makes of a file what goes on tape; an error says why it cannot.
	Payload func(f *File) (Payload, error)
}

// Make plans. It fails only where the options themselves cannot be; a file that fits nowhere is left out with a reason.
func Make(files []File, o Options) (*Plan, error) {
	p := &Plan{Machine: o.Machine.Name, Media: []*Medium{}, LeftOut: []LeftOut{}, Title: o.Title}
	w := &work{o: o, p: p}
	if err := w.prepare(); err != nil {
		return nil, err
	}
	for i := range files {
		w.sort(&files[i])
	}
	w.disks()
	w.tapes()
	p.LowerBound = p.DiskBound + p.TapeBound
	slices.SortStableFunc(p.LeftOut, func(a, b LeftOut) int { return cmp.Compare(a.Path, b.Path) })
	return p, nil
}

// work is a plan in the making.
type work struct {
	o       Options
	p       *Plan
	onDisk  []*piece
	images  []*File
	onTape  []*piece
	names   map[string]string // taken volume names, and by which path
	seconds float64           // what a tape side holds
}

// piece is a file on its way to a medium.
type piece struct {
	file   *File
	placed Placed
	size   Size
}

func (w *work) prepare() error {
	w.names = map[string]string{}
	o := &w.o
	if d := o.Machine.Disk; d != nil && o.Recording != nil {
		v := d.Options
		v.Date, v.Parameters = cmp.Or(o.Date, v.Date), o.Parameters
		room, err := volume.RoomOf(d.Volume, o.Recording, v)
		if err != nil {
			return fmt.Errorf("machine %s, recording %s: %w", o.Machine.Name, o.Recording.Reference(), err)
		}
		w.p.Room, w.p.VolumeOptions = room, v
	}
	if t := o.Machine.Tape; t != nil {
		if o.CassetteMinutes == 0 && len(t.Cassettes) > 0 {
			o.CassetteMinutes = t.Cassettes[0]
		}
		if o.CassetteMinutes == 0 {
			o.CassetteMinutes = 30
		}
		w.seconds = float64(o.CassetteMinutes)*30 - t.StartS - t.EndS
		if w.seconds <= 0 {
			return fmt.Errorf("machine %s: a side of a C-%d leaves nothing between start and end", o.Machine.Name, o.CassetteMinutes)
		}
	}
	if o.To == ToTape && o.Machine.Tape == nil {
		return fmt.Errorf("machine %s: has no tape", o.Machine.Name)
	}
	if o.To == ToDisk && o.Machine.Disk == nil {
		return fmt.Errorf("machine %s: has no disk", o.Machine.Name)
	}
	return nil
}

func (w *work) leave(path, format string, a ...any) {
	w.p.LeftOut = append(w.p.LeftOut, LeftOut{path, fmt.Sprintf(format, a...)})
}

// sort decides where one file goes.
func (w *work) sort(f *File) {
	m := w.o.Machine
	r := f.Report
	switch r.Kind {
	case program.Audio:
		w.leave(f.Path, "a recording, not a program: read it back with 'remanence tape read', and pack what comes out")
		return
	case program.Captures:
		w.leave(f.Path, "captures of a disk, not a program: decode them with 'remanence disk decode', and pack the image")
		return
	case program.SectorImage:
		if f.Image == nil && m.Disk != nil {
			w.leave(f.Path, "a disk image of %d bytes: no recording of %s has that size and holds a %s volume; take its files out with 'remanence volume get'",
				f.Size, m.Name, m.Disk.Volume)
			return
		}
	}
	if why := WrongMachine(&r.Report, m.Target()); why != "" && len(f.To) == 0 {
		w.leave(f.Path, "wrong machine: %s", why)
		return
	}
	damaged := r.Damaged() && !r.Complete()
	if damaged && !w.o.IncludeDamaged {
		more := ""
		if n := len(r.Faults); n > 1 {
			more = fmt.Sprintf(" (and %d more)", n-1)
		}
		what := "not whole"
		if len(r.Faults) > 0 {
			what = r.Faults[0].String() + more
		}
		w.leave(f.Path, "damaged: %s; --include-damaged takes it along", what)
		return
	}
	if f.Image != nil {
		w.images = append(w.images, f)
		return
	}
	to := f.To
	if len(to) == 0 {
		to = []Dest{w.by(r.Kind)}
	}
	for _, t := range to {
		pc := &piece{file: f, placed: Placed{Path: f.Path, From: f.From, Size: f.Size, SHA256: r.SHA256, Kind: r.Kind, Damaged: damaged, Notes: slices.Clone(notesOf(r, m.Target()))}}
		switch {
		case t == ToDisk && w.o.Recording == nil:
			w.leave(f.Path, "asked for on disk, but %s has none", m.Name)
		case t == ToTape && w.o.Code == nil:
			w.leave(f.Path, "asked for on tape, but %s has none", m.Name)
		case t == ToDisk:
			w.toDisk(pc)
		default:
			w.toTape(pc)
		}
	}
}

// by is where a kind goes when nobody says: forms made for tape to tape, the rest to disk.
func (w *work) by(k program.Kind) Dest {
	m := w.o.Machine
	switch {
	case w.o.To != "":
		return w.o.To
	case m.Disk == nil:
		return ToTape
	case m.Tape != nil && slices.Contains(m.Tape.Programs, k):
		return ToTape
	}
	return ToDisk
}

// WrongMachine says why a program cannot be one of the machine's however it gets there; "" where nothing speaks
// against it. Files that are no program of a known class are data and never wrong.
func WrongMachine(r *program.Report, t program.Target) string {
	if !slices.Contains(t.Kinds, r.Kind) {
		switch r.Kind {
		case program.LoadModule, program.MachineTape, program.BASICDisk, program.BASICTape:
			return fmt.Sprintf("%s is a form that %s does not load; a job that says where it goes (to) takes it as data", r.Kind, t.Name)
		}
		return ""
	}
	if r.Kind == program.BASICDisk || r.Kind == program.BASICTape { // BASIC puts programs where it likes
		return ""
	}
	most := t.RAMEnd()
	for _, lr := range r.LoadRanges { // between ROM and RAM lie keyboard and screen: a program may load a picture there
		if lr[0] < t.ROMEnd {
			return fmt.Sprintf("loads at %04Xh, where %s has ROM", lr[0], t.Name)
		}
		if lr[1] > most {
			return fmt.Sprintf("loads up to %04Xh, past the last RAM of %s (%04Xh)", lr[1]-1, t.Name, most-1)
		}
	}
	return ""
}

// notesOf are the remarks that belong beside a file on its label and in the report.
func notesOf(r *program.FileReport, t program.Target) []string {
	var notes []string
	if r.Kind == program.Unknown {
		notes = append(notes, "of no known kind: packed as data, as it is")
	} else if len(t.Kinds) > 0 && !slices.Contains(t.Kinds, r.Kind) {
		notes = append(notes, fmt.Sprintf("%s: data to %s, which does not load it by itself", r.Kind, t.Name))
	}
	notes = append(notes, r.Notes...) // a clash with the resident disk system is among them
	if r.DuplicateOf != "" {
		notes = append(notes, "same contents as "+r.DuplicateOf)
	}
	if !r.Damaged() {
		return notes
	}
	for _, f := range r.Faults {
		notes = append(notes, f.String())
		if len(notes) > 20 {
			break
		}
	}
	return notes
}

// toDisk names a file and queues it for the disks.
func (w *work) toDisk(pc *piece) {
	kind := w.o.Machine.Disk.Volume
	f := pc.file
	if !w.p.Room.Fits(int(min(f.Size, math.MaxInt32))) {
		u, s := w.p.Room.Need(int(min(f.Size, math.MaxInt32)))
		if s > w.p.Room.Slots {
			w.leave(f.Path, "too big for any disk: needs %d directory entries, an empty %s disk has %d", s, w.o.Recording.Reference(), w.p.Room.Slots)
		} else {
			w.leave(f.Path, "too big for any disk: needs %s, an empty %s disk has %d", words.Count(u, w.p.Room.Unit), w.o.Recording.Reference(), w.p.Room.Units)
		}
		return
	}
	taken := func(n string) bool { _, t := w.names[n]; return t }
	if f.Name != "" {
		name := f.Name
		if err := volume.ValidName(kind, name); err != nil {
			// NAME.EXT in a job is meant as the volume's own form of it, where nothing has to be changed
			own, why := volume.NameFor(kind, name, nil)
			if why != "" {
				w.leave(f.Path, "name %s", trimName(err))
				return
			}
			name = own
		}
		if taken(name) {
			w.leave(f.Path, "name clash: %s has the name %s already", w.names[name], name)
			return
		}
		pc.placed.Name = name
	} else {
		archive, usual := archiveName(f.Path, f.Report.Kind)
		if usual != "" {
			pc.placed.Notes = append(pc.placed.Notes, "name: "+usual)
		}
		name, why := volume.NameFor(kind, archive, taken)
		pc.placed.Name = name
		if why != "" {
			pc.placed.Notes = append(pc.placed.Notes, "name: "+why)
		}
	}
	w.names[pc.placed.Name] = f.Path
	u, s := w.p.Room.Need(int(f.Size))
	pc.size = Size{u, s}
	w.onDisk = append(w.onDisk, pc)
}

func trimName(err error) string {
	var n *volume.NameError
	if errors.As(err, &n) {
		return n.Error()
	}
	return err.Error()
}

// disks packs the disk pieces, and files the sector images as disks of their own after them.
func (w *work) disks() {
	room := Size{w.p.Room.Units, w.p.Room.Slots}
	order, bound := w.pack(w.onDisk, room, "disk")
	w.p.DiskBound = bound
	width := max(2, len(fmt.Sprint(len(order)+len(w.images))))
	n := 0
	for _, on := range order {
		n++
		m := &Medium{ID: fmt.Sprintf("D%0*d", width, n), Type: ToDisk, Recording: w.o.Recording.Name, Cylinders: w.o.Recording.Cylinders, Sides: w.o.Recording.Sides, Disk: w.o.Recording, Title: w.o.Title}
		left := room
		for _, pc := range on {
			m.Files = append(m.Files, pc.placed)
			left = left.sub(pc.size)
		}
		m.FreeBytes = int64(left.Units) * int64(w.p.Room.UnitBytes)
		w.p.Media = append(w.p.Media, m)
	}
	for _, f := range w.images {
		n++
		m := &Medium{ID: fmt.Sprintf("D%0*d", width, n), Type: ToDisk, Recording: f.Image.Recording.Name, Cylinders: f.Image.Recording.Cylinders, Sides: f.Image.Recording.Sides, Disk: f.Image.Recording,
			Title: f.Image.Title, FreeBytes: f.Image.FreeBytes, Image: f.From}
		for _, pl := range f.Image.Files {
			pl.Path, pl.From, pl.Damaged = f.Path, f.From, f.Report.Damaged() && !f.Report.Complete()
			m.Files = append(m.Files, pl)
		}
		w.p.Media = append(w.p.Media, m)
		w.p.DiskBound++
	}
}

// pack packs pieces, groups in one piece each, and gives the pieces of each medium in order: by where the first of a
// group or the file itself stood in the archive.
func (w *work) pack(pieces []*piece, room Size, what string) (bins [][]*piece, bound int) {
	var items []Size
	var members [][]*piece
	open := map[string]int{}
	for _, pc := range pieces {
		g := pc.file.Group
		if g != "" {
			if i, ok := open[g]; ok {
				if sum := items[i].add(pc.size); sum.fits(room) {
					items[i] = sum
					members[i] = append(members[i], pc)
					continue
				}
				w.note("group %s is larger than one %s: it goes on, in order, from %s to another", g, what, pc.file.Path)
			}
			open[g] = len(items)
		}
		items = append(items, pc.size)
		members = append(members, []*piece{pc})
	}
	packed := Pack(items, room, w.o.Steps)
	for _, b := range packed.Bins {
		var on []*piece
		for _, i := range b {
			on = append(on, members[i]...)
		}
		bins = append(bins, on)
	}
	return bins, packed.Bound
}

func (w *work) note(format string, a ...any) {
	w.p.Notes = append(w.p.Notes, fmt.Sprintf(format, a...))
}

// toTape makes the bytes of a file on tape and queues it.
func (w *work) toTape(pc *piece) {
	f := pc.file
	if w.o.Payload == nil {
		w.leave(f.Path, "nothing says how it goes on tape")
		return
	}
	pay, err := w.o.Payload(f)
	if err != nil {
		w.leave(f.Path, "cannot go on tape: %v", err)
		return
	}
	pc.placed.Name, pc.placed.Payload = pay.Name, pay
	pc.placed.Notes = append(pc.placed.Notes, pay.Notes...)
	pc.placed.LengthS = pay.LengthS
	if pc.placed.LengthS > w.seconds {
		w.leave(f.Path, "too big for any tape side: plays %.0f s, a side of a C-%d holds %.0f s", pc.placed.LengthS, w.o.CassetteMinutes, w.seconds)
		return
	}
	gap := w.o.Machine.Tape.GapS
	pc.size = Size{Units: int(math.Ceil((pc.placed.LengthS + gap) * 1000))}
	w.onTape = append(w.onTape, pc)
}

// tapes packs the tape pieces on sides, and the sides on cassettes: A, then B.
func (w *work) tapes() {
	if len(w.onTape) == 0 {
		return
	}
	t := w.o.Machine.Tape
	room := Size{Units: int(math.Floor((w.seconds + t.GapS) * 1000)), Slots: math.MaxInt32}
	order, bound := w.pack(w.onTape, room, "tape side")
	w.p.TapeBound = bound
	width := max(2, len(fmt.Sprint((len(order)+1)/2)))
	for i, on := range order {
		m := &Medium{ID: fmt.Sprintf("T%0*d%c", width, i/2+1, 'A'+byte(i%2)), Type: ToTape, Recording: w.o.Code.Name, Code: w.o.Code,
			Title: w.o.Title, SideS: float64(w.o.CassetteMinutes) * 30}
		at, ends := t.StartS, t.StartS
		for _, pc := range on {
			pc.placed.AtS = round3(at)
			pc.placed.LengthS = round3(pc.placed.LengthS)
			ends = at + pc.placed.LengthS
			at = ends + t.GapS
			m.Files = append(m.Files, pc.placed)
		}
		m.LengthS = round3(ends + tape.EndSilence(t.EndS))
		m.FreeBytes = max(0, int64((w.seconds-(at-t.StartS))/w.o.Code.FrameSeconds()))
		w.p.Media = append(w.p.Media, m)
	}
}

func round3(s float64) float64 { return math.Round(s*1000) / 1000 }
