package master

import (
	"cmp"
	"context"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strings"

	"remanence/disk"
	"remanence/internal/outcome"
	"remanence/internal/progress"
	"remanence/machine"
	"remanence/plan"
	"remanence/program"
	"remanence/tape"
	"remanence/tape/linecode"
)

// DefaultMachine is the machine class where neither the job nor the call names one.
const DefaultMachine = "z80-fm10"

// Request is what a person asks for, by job file, by flags or on the page. Zero values leave the choice to the job,
// then to the machine's profile.
type Request struct {
	Set            *machine.Set
	Job            *plan.Job // nil: none
	Paths          []string  // files and folders besides the job's
	Machine        string
	Recording      string // NAME or NAME:CYLINDERSxSIDES
	Cylinders      int
	Sides          int
	Code           string // line code
	Cassette       int    // minutes
	Copies         int    // how often each program is recorded on a tape, one after the other; 0: once
	To             plan.Dest
	IncludeDamaged bool
	Title          string
	Out            string            // folder of the outputs; not walked into when files are gathered
	Base           string            // paths below this folder are shown relative to it; "": as given
	Without        map[string]string // files to leave out, by path as shown, and why
}

// Arrangement is a plan with what it was made of.
type Arrangement struct {
	Plan      *plan.Plan
	Machine   *machine.Machine
	Recording *disk.Recording // nil where the machine has no disk
	Code      *linecode.Code  // nil where the machine has no tape
	Files     []plan.File     // every file that was inspected
	Assumed   []string        // what was chosen because nobody said
	Cassette  int             // minutes
	Copies    int             // of each program on a tape
}

// Arrange gathers, inspects and plans.
func Arrange(ctx context.Context, q Request, p progress.Progress) (*Arrangement, error) {
	job := q.Job
	if job == nil {
		job = &plan.Job{}
	}
	a := &Arrangement{Copies: max(q.Copies, 1)}
	name := cmp.Or(q.Machine, job.Machine)
	if name == "" {
		name = DefaultMachine
		a.assume("machine %s, because neither the job nor --machine names one", name)
	}
	m, err := q.Set.Machine(name)
	if err != nil {
		if q.Machine == "" && job.Machine != "" {
			err = job.Fault("machine", err)
		}
		return nil, err
	}
	a.Machine = m
	if a.Recording, err = q.recording(m, job, a); err != nil {
		return nil, err
	}
	o := plan.Options{
		Machine: m, Recording: a.Recording, IncludeDamaged: q.IncludeDamaged || job.IncludeDamaged, To: q.To,
		Title: cmp.Or(q.Title, job.Title), Date: job.Date, CassetteMinutes: cmp.Or(q.Cassette, job.Cassette),
	}
	if m.Disk != nil && m.Disk.Parameters != "" {
		if o.Parameters, err = q.Set.Parameters(m.Disk.Parameters); err != nil {
			return nil, err
		}
	}
	if t := m.Tape; t != nil {
		code := cmp.Or(q.Code, job.Code, t.Code)
		if !slices.Contains(append([]string{t.Code}, t.Codes...), code) {
			return nil, outcome.Hint(outcome.Usage, fmt.Errorf("line code %s: machine %s does not read it", code, m.Name),
				"it reads "+strings.Join(append([]string{t.Code}, t.Codes...), ", "))
		}
		if a.Code, err = q.Set.LineCode(code); err != nil {
			return nil, err
		}
		o.Code = a.Code
		o.Payload = func(f *plan.File) (plan.Payload, error) { return payload(a.sideOptions(t), t.Form, f) }
		if o.CassetteMinutes == 0 && len(t.Cassettes) > 0 {
			o.CassetteMinutes = t.Cassettes[0]
		}
		a.Cassette = o.CassetteMinutes
	}
	files, left, err := plan.Gather(ctx, q.Job, q.Paths, plan.GatherOptions{Set: q.Set, Machine: m, Skip: q.Out, Base: q.Base, Without: q.Without}, p)
	if err != nil {
		return nil, err
	}
	if len(files)+len(left) == 0 {
		return nil, outcome.Hint(outcome.Usage, fmt.Errorf("no files: nothing to pack"), "name files or folders, or a job file with [[file]] entries; to try it: remanence demo")
	}
	a.Files = files
	if a.Plan, err = plan.Make(files, o); err != nil {
		return nil, outcome.As(outcome.Usage, err)
	}
	a.Plan.LeftOut = append(a.Plan.LeftOut, left...)
	return a, nil
}

func (a *Arrangement) assume(format string, v ...any) {
	a.Assumed = append(a.Assumed, fmt.Sprintf(format, v...))
}

// recording settles on the disk recording: the call's, the job's, the machine's.
func (q *Request) recording(m *machine.Machine, job *plan.Job, a *Arrangement) (*disk.Recording, error) {
	ref := cmp.Or(q.Recording, job.Recording)
	if m.Disk == nil {
		if ref != "" {
			return nil, outcome.As(outcome.Usage, fmt.Errorf("recording %s: machine %s has no disk", ref, m.Name))
		}
		return nil, nil
	}
	usual := ref == ""
	if usual {
		ref = m.Disk.Recordings[0]
	}
	name, c, s, err := disk.ParseReference(ref)
	if err != nil {
		return nil, outcome.As(outcome.Usage, err)
	}
	if !slices.Contains(m.Disk.Recordings, name) {
		return nil, outcome.Hint(outcome.Usage, fmt.Errorf("recording %s: machine %s does not read it", name, m.Name),
			"it reads "+strings.Join(m.Disk.Recordings, ", "))
	}
	cylinders, sides := cmp.Or(q.Cylinders, c, job.Cylinders), cmp.Or(q.Sides, s, job.Sides)
	if name == m.Disk.Recordings[0] {
		if cylinders == 0 && sides == 0 && usual {
			a.assume("recording %s, %d cylinders, %d side(s): the usual disk of %s", name, m.Disk.Cylinders, m.Disk.Sides, m.Name)
		}
		cylinders, sides = cmp.Or(cylinders, m.Disk.Cylinders), cmp.Or(sides, m.Disk.Sides)
	}
	r, err := q.Set.Recording(name)
	if err != nil {
		return nil, err
	}
	return q.Set.Recording(fmt.Sprintf("%s:%dx%d", name, cmp.Or(cylinders, r.Cylinders), cmp.Or(sides, r.Sides)))
}

// sideOptions is how a side of the class is laid out.
func (a *Arrangement) sideOptions(t *machine.TapeClass) tape.SideOptions {
	return tape.SideOptions{Code: a.Code, StartS: t.StartS, GapS: t.GapS, EndS: t.EndS, Copies: a.Copies, Mastering: tape.Mastering(t.Sound)}
}

// payload makes the blocks of a file on tape. Forms that are not made for tape are converted where that keeps the
// meaning.
func payload(o tape.SideOptions, form string, f *plan.File) (plan.Payload, error) {
	data, err := os.ReadFile(f.From)
	if err != nil {
		return plan.Payload{}, err
	}
	name := strings.ToUpper(strings.TrimSuffix(filepath.Base(f.Path), filepath.Ext(f.Path)))
	if f.Name != "" {
		name = strings.ToUpper(strings.FieldsFunc(f.Name, func(r rune) bool { return r == '/' || r == '.' })[0])
	}
	kind := f.Report.Kind
	var notes []string
	if form == tape.FormPulse500 {
		switch kind {
		case program.LoadModule, program.IntelHex, program.SRecord:
			m, ok := program.MemoryOf(kind, data)
			if !ok {
				return plan.Payload{}, fmt.Errorf("%s: it loads no bytes", kind)
			}
			if m.Name == "" {
				m.Name = name
			}
			if data, err = program.BuildTape(m, program.TapeOptions{}); err != nil {
				return plan.Payload{}, err
			}
			notes = append(notes, fmt.Sprintf("converted for tape from %s", kind))
			kind = program.MachineTape
		case program.BASICDisk:
			b, _ := program.ParseBASIC(data)
			if b == nil {
				return plan.Payload{}, fmt.Errorf("no BASIC program found in it")
			}
			b.Name = name[:min(1, len(name))]
			if data, err = program.BuildBASICTape(b, program.TapeOptions{}); err != nil {
				return plan.Payload{}, err
			}
			notes = append(notes, "converted for tape from basic-disk")
			kind = program.BASICTape
		}
	}
	if form == tape.FormRaw && f.Name == "" {
		name = filepath.Base(f.Path) // nothing on the tape has a name; the archive's tells more
	}
	it, err := tape.Encode(form, string(kind), name, data)
	if err != nil {
		return plan.Payload{}, err
	}
	if f.Report.Name != "" && f.Name == "" && (kind == program.MachineTape) {
		it.Name = f.Report.Name
	}
	return plan.Payload{Name: it.Name, Kind: kind, Blocks: it.Blocks, LengthS: o.ItemSeconds(it) - o.GapS, Notes: notes}, nil
}
