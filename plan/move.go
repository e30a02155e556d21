package plan

import (
	"fmt"
	"slices"
	"strings"

	"remanence/internal/words"
	"remanence/tape"
)

// Move takes one file from a medium to another of the same type, at the end of what is there, and works out both anew.
// name is the file's name on its medium, which is unique among disks; on tape path and name decide together. to ""
// stands for a new medium. tape says what lies around programs; it is not used for disks. What does not fit is an
// error that says how much is missing, and nothing is changed.
func (p *Plan) Move(path, name, from, to string, tape TapeRoom) error {
	src := p.medium(from)
	if src == nil {
		return fmt.Errorf("medium %s: not in the plan", from)
	}
	i := slices.IndexFunc(src.Files, func(f Placed) bool { return f.Path == path && f.Name == name })
	if i < 0 {
		return fmt.Errorf("medium %s: %s is not on it", from, path)
	}
	dst := p.medium(to)
	switch {
	case to == from:
		return nil
	case src.Image != "":
		return fmt.Errorf("medium %s: is a disk image and mastered as it is; its files cannot be moved", from)
	case to == "":
		dst = &Medium{ID: p.nextID(src.Type), Type: src.Type, Recording: src.Recording, Title: src.Title, Disk: src.Disk, Code: src.Code, SideS: src.SideS}
	case dst == nil:
		return fmt.Errorf("medium %s: not in the plan", to)
	case dst.Type != src.Type:
		return fmt.Errorf("%s: from %s to %s there is no way: what goes on a %s has another form than what goes on a %s", path, from, to, dst.Type, src.Type)
	case dst.Image != "":
		return fmt.Errorf("medium %s: is a disk image and mastered as it is; nothing can be added", to)
	}
	trial := *dst
	trial.Files = append(slices.Clone(dst.Files), src.Files[i])
	if err := p.settle(&trial, tape); err != nil {
		return fmt.Errorf("%s does not fit on %w", path, err)
	}
	rest := *src
	rest.Files = slices.Delete(slices.Clone(src.Files), i, i+1)
	if err := p.settle(&rest, tape); err != nil {
		return err
	}
	*src, *dst = rest, trial
	if to == "" {
		last := 0
		for j, m := range p.Media {
			if m.Type == dst.Type && m.Image == "" {
				last = j + 1
			}
		}
		p.Media = slices.Insert(p.Media, last, dst)
	}
	p.Media = slices.DeleteFunc(p.Media, func(m *Medium) bool { return len(m.Files) == 0 })
	return nil
}

// TapeRoom is what a tape side has beside its programs, in seconds.
type TapeRoom struct{ StartS, GapS, EndS float64 }

func (p *Plan) medium(id string) *Medium {
	for _, m := range p.Media {
		if m.ID == id {
			return m
		}
	}
	return nil
}

// nextID is the first number that no medium has: D04, T02B.
func (p *Plan) nextID(t Dest) string {
	for n := 1; ; n++ {
		ids := []string{fmt.Sprintf("D%02d", n)}
		if t == ToTape {
			ids = []string{fmt.Sprintf("T%02dA", n), fmt.Sprintf("T%02dB", n)}
		}
		for _, id := range ids {
			if !slices.ContainsFunc(p.Media, func(m *Medium) bool { return sameNumber(m.ID, id) }) {
				return id
			}
		}
	}
}

// sameNumber compares numbers that may have been written with more zeros.
func sameNumber(a, b string) bool {
	return a[:1] == b[:1] && strings.TrimLeft(a[1:], "0") == strings.TrimLeft(b[1:], "0")
}

// settle works out the free room of a medium, and the places of programs on a side.
func (p *Plan) settle(m *Medium, t TapeRoom) error {
	if m.Type == ToDisk {
		left := Size{p.Room.Units, p.Room.Slots}
		for i := range m.Files {
			u, s := p.Room.Need(int(m.Files[i].Size))
			left = left.sub(Size{u, s})
		}
		switch {
		case left.Units < 0:
			return fmt.Errorf("%s: %s too few", m.ID, words.Count(-left.Units, p.Room.Unit))
		case left.Slots < 0:
			return fmt.Errorf("%s: %d directory entries too few", m.ID, -left.Slots)
		}
		m.FreeBytes = int64(left.Units) * int64(p.Room.UnitBytes)
		return nil
	}
	at, ends := t.StartS, t.StartS
	for i := range m.Files {
		m.Files[i].AtS = round3(at)
		ends = at + m.Files[i].LengthS
		at = ends + t.GapS
	}
	if most := m.SideS - t.EndS; ends > most {
		return fmt.Errorf("%s: %.1f s too long", m.ID, ends-most)
	}
	m.LengthS = round3(ends + tape.EndSilence(t.EndS))
	m.FreeBytes = max(0, int64((m.SideS-t.EndS-at)/m.Code.FrameSeconds()))
	return nil
}
