package master

import (
	"bytes"
	"context"
	"fmt"

	"remanence/internal/outcome"
	"remanence/internal/progress"
	"remanence/internal/safefile"
	"remanence/tape"
	"remanence/tape/audio"
	"remanence/tape/linecode"
)

// SideProof is what was heard of a tape side.
type SideProof struct {
	Side   *tape.Side
	Read   *tape.Result
	Copies int // of each program, one after the other
}

// tape writes one side as sound, plays it through the simulated cassette path, and proves what is heard.
func (mk *maker) tape(ctx context.Context, m *Medium, number int) error {
	if err := mk.acquire(ctx); err != nil {
		return err
	}
	defer mk.release()
	name := m.ID + mk.soundEnd()
	side, err := mk.writeSide(ctx, m, name)
	if err != nil {
		return err
	}
	m.Audio = name
	if err := mk.wrote(name, "sound of "+m.ID); err != nil {
		return err
	}
	src, err := audio.Open(mk.path(name))
	if err != nil {
		return outcome.As(outcome.Output, err)
	}
	defer src.Close()
	played := tape.NewImpairSource(src, mk.o.Tape, mk.o.Seed*0x9E3779B97F4A7C15+uint64(number))
	heard, err := tape.Read(ctx, played, []*linecode.Code{m.Code}, tape.ReadOptions{NoRepair: true}, seconds{mk.p, m.ID})
	if err != nil {
		return fmt.Errorf("%s: %w", name, err)
	}
	if ctx.Err() != nil {
		return ctx.Err()
	}
	m.SideRun = &SideProof{side, heard, mk.a.Copies}
	mk.proveSide(m)
	return nil
}

// seconds passes on the seconds of a side that were read as steps of the whole work.
type seconds struct {
	to progress.Progress
	id string
}

func (s seconds) Start(string, int)       {}
func (s seconds) Step(n int, note string) { s.to.Step(n, s.id+" "+note) }
func (s seconds) Done()                   {}

func (mk *maker) writeSide(ctx context.Context, m *Medium, name string) (*tape.Side, error) {
	f, err := safefile.Create(mk.path(name), mk.o.Force)
	if err != nil {
		return nil, err
	}
	defer f.Close()
	o := mk.a.sideOptions(mk.a.Machine.Tape)
	o.RateHz, o.LengthS = mk.o.RateHz, m.SideS
	if o.RateHz == 0 {
		o.RateHz = 44100
	}
	format := audio.Format{RateHz: o.RateHz, Channels: 1, Bits: 16}
	create := audio.CreateFLAC
	if mk.o.WAV {
		create = audio.CreateWAV
	}
	sink, err := create(f, format, -1)
	if err != nil {
		return nil, outcome.As(outcome.Output, fmt.Errorf("%s: %w", mk.path(name), err))
	}
	items := make([]tape.Item, len(m.Files))
	for i := range m.Files {
		p := &m.Files[i].Payload
		items[i] = tape.Item{Name: p.Name, Kind: string(p.Kind), Blocks: p.Blocks}
	}
	side, err := tape.WriteSide(ctx, sink, items, o, nil)
	if err != nil {
		return nil, fmt.Errorf("%s: %w", m.ID, err)
	}
	if err := sink.Close(); err != nil {
		return nil, outcome.As(outcome.Output, fmt.Errorf("%s: %w", mk.path(name), err))
	}
	return side, f.Commit()
}

// part is what was heard where one program was written.
type part struct{ data []byte }

// fault says how what was heard differs from what was written; "" where it does not. A program that is not whole on the
// archive comes back as it is: only the bytes count.
func (p *part) fault(want []byte) string {
	switch {
	case len(p.data) == 0:
		return "not heard at all"
	case len(p.data) != len(want):
		return fmt.Sprintf("%d of %d bytes came back", len(p.data), len(want))
	case !bytes.Equal(p.data, want):
		n := 0
		for k := range want {
			if p.data[k] != want[k] {
				n++
			}
		}
		return fmt.Sprintf("%d of %d bytes differ", n, len(want))
	}
	return ""
}

// copyName is a program's name, with the copy where there are several.
func (mk *maker) copyName(name string, copy int) string {
	if mk.a.Copies == 1 {
		return name
	}
	return fmt.Sprintf("%s, copy %d", name, copy+1)
}

// hear files what was heard under the programs that were written where it was heard. Two texts one after the other can
// be heard as one: its bytes are shared out by length. What is heard in the silence between programs is noise and belongs
// to none of them.
func (mk *maker) hear(m *Medium) []part {
	heard, side := m.SideRun.Read, m.SideRun.Side
	parts := make([]part, len(side.Entries))
	slow := 1 + heard.SpeedPercent/100 // a second of what was heard is this much of what was written
	for _, p := range heard.Programs {
		from, to := p.FromS*slow, p.ToS*slow
		var over []int
		for i, e := range side.Entries {
			if from < e.ToS && to > e.FromS+m.Code.LeaderSeconds()/2 {
				over = append(over, i)
			}
		}
		rest := p.Data
		for k, i := range over {
			n := len(rest)
			if k < len(over)-1 {
				n = min(n, len(bytes.Join(m.Files[i/mk.a.Copies].Payload.Blocks, nil)))
			}
			parts[i].data = append(parts[i].data, rest[:n]...)
			rest = rest[n:]
		}
	}
	return parts
}

// proveSide compares what was heard with what was written, program by program.
func (mk *maker) proveSide(m *Medium) {
	heard, side := m.SideRun.Read, m.SideRun.Side
	m.Wrong = map[string]bool{}
	m.Proof.FilesExpected = len(m.Files)
	m.Proof.SpeedPercent, m.Proof.LevelDBFS = round3(heard.SpeedPercent), round3(heard.LevelDBFS)
	parts := mk.hear(m)
	for i := range m.Files {
		f := &m.Files[i]
		want := bytes.Join(f.Payload.Blocks, nil)
		good := true
		for c := range mk.a.Copies {
			e, got := &side.Entries[i*mk.a.Copies+c], &parts[i*mk.a.Copies+c]
			what := got.fault(want)
			if what == "" {
				continue
			}
			good = false
			m.fault(Fault{Where: fmt.Sprintf("%s, %.1f s", m.ID, e.FromS), What: mk.copyName(f.Name, c) + ": " + what, Consequence: "the machine will not load it from such a tape",
				Do: "use a better cassette or deck, or record every program twice (--copies 2)"})
		}
		if good {
			m.Proof.FilesGood++
		} else {
			m.lose(f)
		}
	}
	m.Verified = m.Proof.FilesGood == len(m.Files)
	if m.Verified {
		return
	}
	for _, x := range heard.Faults {
		m.fault(Fault{Where: fmt.Sprintf("%s, %.1f s", m.ID, x.AtS), What: x.What})
	}
}
