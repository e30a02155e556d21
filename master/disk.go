package master

import (
	"archive/zip"
	"bytes"
	"cmp"
	"compress/flate"
	"context"
	"errors"
	"fmt"
	"hash/crc32"
	"os"
	"regexp"
	"slices"
	"strings"
	"sync"

	"remanence/bench"
	"remanence/disk"
	"remanence/disk/flux"
	"remanence/disk/track"
	"remanence/internal/outcome"
	"remanence/internal/safefile"
	"remanence/internal/words"
	"remanence/machine"
	"remanence/plan"
	"remanence/volume"
)

// tickNS is the tick of the captures that are written: 40 MHz, fine enough for every rate of the trade.
const tickNS = 25

// readRevolutions is how often the simulated drive lets a track pass, as a controller that tries again would.
const readRevolutions = 2

// disk builds one disk, writes it, and proves it.
func (mk *maker) disk(ctx context.Context, m *Medium, number int) error {
	im, want, err := mk.buildDisk(ctx, m, number)
	if err != nil {
		return err
	}
	name := m.ID + ".img"
	if err := im.Save(mk.path(name), mk.o.Force); err != nil {
		return err
	}
	m.Image = name
	if err := mk.wrote(name, "image of "+m.ID); err != nil {
		return err
	}
	if im.Sidecar() != nil {
		if err := mk.wrote(m.ID+".sectors.json", "marks and notes of the sectors of "+m.ID); err != nil {
			return err
		}
	}
	drive := driveOf(m.Disk, mk.o.Medium, mk.o.Seed, number)
	m.Proof.SpeedPercent = drive.SpeedPercent()
	runs, err := mk.tracks(ctx, m, im, drive)
	if l := (*layoutError)(nil); errors.As(err, &l) { // this disk cannot be written; the others can
		m.Wrong = map[string]bool{}
		for i := range m.Files {
			m.lose(&m.Files[i])
		}
		m.Proof.FilesExpected = len(m.Files)
		m.fault(Fault{Where: fmt.Sprintf("cylinder %d head %d", l.cylinder, l.head), What: "the track cannot be laid out: " + l.err.Error(),
			Consequence: "no drive can write this disk, and nothing of it is proven", Do: "look at the sectors beyond the usual ones in its sidecar"})
		return nil
	}
	if err != nil {
		return err
	}
	m.Captures = m.ID + ".captures.zip"
	if err := mk.writeCaptures(m.Captures, runs); err != nil {
		return err
	}
	if err := mk.wrote(m.Captures, "captures of "+m.ID+", as a perfect drive reads it"); err != nil {
		return err
	}
	mk.proveDisk(m, runs, want)
	return nil
}

// wanted is a file that must come back.
type wanted struct{ name, sha string }

// buildDisk makes the image of a disk: a new volume with the planned files, or the archive's own image.
func (mk *maker) buildDisk(ctx context.Context, m *Medium, number int) (*disk.Image, []wanted, error) {
	class := mk.a.Machine.Disk
	if m.Medium.Image != "" {
		return mk.adoptImage(m)
	}
	o := mk.a.Plan.VolumeOptions
	o.Name = volumeName(mk.a.Plan.Title, m.ID)
	o.Serial = uint32(number + 1)
	v, err := volume.New(class.Volume, m.Disk, o)
	if err != nil {
		return nil, nil, outcome.As(outcome.Input, fmt.Errorf("%s: %w", m.ID, err))
	}
	var want []wanted
	for i := range m.Files {
		f := &m.Files[i]
		if err := ctx.Err(); err != nil {
			return nil, nil, err
		}
		data, err := mk.reread(f)
		if err != nil {
			return nil, nil, err
		}
		if err := v.Put(f.Name, data, volume.PutOptions{Date: mk.a.Plan.VolumeOptions.Date}); err != nil {
			return nil, nil, fmt.Errorf("%s: %s: %w", m.ID, f.Path, err)
		}
		want = append(want, wanted{f.Name, sum(data)})
	}
	if faults := v.Check(); len(faults) > 0 {
		return nil, nil, fmt.Errorf("%s: the volume just built is not whole: %s", m.ID, faults[0])
	}
	m.Volume, m.Units = v.Info(), v.Map()
	return v.Image(), want, nil
}

// volumeName is the title with the medium's number, as a short name of the volume.
func volumeName(title, id string) string {
	var b strings.Builder
	for _, r := range strings.ToUpper(title) {
		if (r >= 'A' && r <= 'Z' || r >= '0' && r <= '9') && b.Len()+len(id) < 8 {
			b.WriteRune(r)
		}
	}
	return b.String() + id
}

// reread reads a file and makes sure that it is still what was inspected.
func (mk *maker) reread(f *plan.Placed) ([]byte, error) {
	data, err := os.ReadFile(f.From)
	if err != nil {
		return nil, outcome.As(outcome.Input, err)
	}
	if got := sum(data); f.SHA256 != "" && got != f.SHA256 {
		return nil, outcome.As(outcome.Input, fmt.Errorf("%s: changed while the work went on: it had SHA-256 %s when it was inspected, now %s", f.Path, f.SHA256, got))
	}
	return data, nil
}

// adoptImage takes a sector image of the archive as the disk it is. Its marks come from its sidecar, or from the volume
// in it.
func (mk *maker) adoptImage(m *Medium) (*disk.Image, []wanted, error) {
	data, sc, err := disk.ReadRaw(m.Medium.Image)
	if err != nil {
		return nil, nil, outcome.As(outcome.Input, err)
	}
	v, _, err := volume.Open(data, volume.Options{Kind: mk.a.Machine.Disk.Volume, Recording: m.Disk, Sidecar: sc})
	if err != nil {
		return nil, nil, outcome.As(outcome.Input, fmt.Errorf("%s: %w", m.Medium.Image, err))
	}
	m.Volume, m.Units = v.Info(), v.Map()
	var want []wanted
	for _, f := range v.Files() {
		b, faults, err := v.Get(f.Name)
		if err != nil || len(faults) > 0 {
			continue // it is broken on the original; the copy keeps it so
		}
		want = append(want, wanted{f.Name, sum(b)})
	}
	return v.Image(), want, nil
}

// trackRun is one track on its way down and back up.
type trackRun struct {
	cylinder, head int
	raw            []byte // the capture file, deflated
	size           int
	crc            uint32
	sectors        []disk.Sector             // as built
	found          *track.Result             // as read back
	deep           *track.Result             // with every repair tried, where found is not whole
	weak           map[disk.SectorID]float64 // ns of dropout that lie on a sector, where found is not whole
}

// layoutError says that the sectors of a track do not fit it.
type layoutError struct {
	cylinder, head int
	err            error
}

func (e *layoutError) Error() string { return e.err.Error() }

var scanners = sync.Pool{New: func() any { return new(track.Scanner) }}

// tracks takes every track down to transitions and back up, as many at a time as there are workers.
func (mk *maker) tracks(ctx context.Context, m *Medium, im *disk.Image, drive *bench.Drive) ([]*trackRun, error) {
	n := im.Geometry.Cylinders * im.Geometry.Heads
	runs := make([]*trackRun, n)
	errs := make([]error, n)
	var wg sync.WaitGroup
	for i := range n {
		if err := mk.acquire(ctx); err != nil {
			wg.Wait()
			return nil, err
		}
		wg.Go(func() {
			defer mk.release()
			c, h := i/im.Geometry.Heads, i%im.Geometry.Heads
			runs[i], errs[i] = mk.track(ctx, m, im, drive, c, h)
			mk.p.Step(1, fmt.Sprintf("%s cylinder %d head %d", m.ID, c, h))
		})
	}
	wg.Wait()
	return runs, errors.Join(errs...)
}

func (mk *maker) track(ctx context.Context, m *Medium, im *disk.Image, drive *bench.Drive, c, h int) (*trackRun, error) {
	t := &trackRun{cylinder: c, head: h, sectors: im.Track(c, h)}
	cells, err := track.Build(m.Disk, c, h, t.sectors)
	if err != nil {
		return nil, &layoutError{c, h, err}
	}
	ivl, err := cells.Capture(c, h, track.EncodeOptions{TickNS: tickNS}).Append(nil)
	if err != nil {
		return nil, err
	}
	t.size, t.crc = len(ivl), crc32.ChecksumIEEE(ivl)
	var z bytes.Buffer
	w, err := flate.NewWriter(&z, flate.BestSpeed)
	if err != nil {
		return nil, err
	}
	if _, err := w.Write(ivl); err != nil {
		return nil, err
	}
	if err := w.Close(); err != nil {
		return nil, err
	}
	t.raw = z.Bytes()
	read, o := reread(m.Disk, drive, cells, c, h)
	caps := []*flux.Capture{read}
	s := scanners.Get().(*track.Scanner)
	defer scanners.Put(s)
	if t.found, err = s.Scan(ctx, caps, o); err != nil {
		return nil, err
	}
	if !sameTrack(t.sectors, t.found.Sectors) {
		o.FastOnly = false
		t.weak = map[disk.SectorID]float64{}
		turn := float64(cells.Len())
		for _, p := range cells.Placed {
			t.weak[p.ID] = drive.Weak(c, h, float64(p.Start)/turn, float64(max(p.End, p.Start))/turn)
		}
		if t.deep, err = s.Scan(ctx, caps, o); err != nil {
			return nil, err
		}
	}
	return t, nil
}

// driveOf is the simulated drive that a disk of a result is proven in; number counts the result's media from 0.
func driveOf(rec *disk.Recording, medium *machine.Medium, seed uint64, number int) *bench.Drive {
	return bench.NewDrive(rec, medium, seed*0x9E3779B97F4A7C15+uint64(number))
}

// reread is what a drive reads of a track, and how the proof scans it.
func reread(rec *disk.Recording, drive *bench.Drive, cells *track.Cells, c, h int) (*flux.Capture, track.Options) {
	f := rec.Format(c, h)
	return drive.Read(cells.Capture(c, h, track.EncodeOptions{TickNS: tickNS, Revolutions: readRevolutions})),
		track.Options{Format: &f, RevolutionNS: rec.RevolutionNS(), FastOnly: true}
}

// Reread makes once more the capture that one track of a made disk was proven on, and says how the proof scanned it: the
// same image, medium and seed give the same transitions. number counts the result's media from 0.
func Reread(rec *disk.Recording, im *disk.Image, medium *machine.Medium, seed uint64, number, cylinder, head int) (*flux.Capture, track.Options, error) {
	cells, err := track.Build(rec, cylinder, head, im.Track(cylinder, head))
	if err != nil {
		return nil, track.Options{}, err
	}
	c, o := reread(rec, driveOf(rec, medium, seed, number), cells, cylinder, head)
	return c, o, nil
}

func sameTrack(want, got []disk.Sector) bool {
	for i := range want {
		if s := find(got, want[i].ID); s == nil || sectorFault(&want[i], s) != "" {
			return false
		}
	}
	return len(want) == len(got)
}

func find(list []disk.Sector, id disk.SectorID) *disk.Sector {
	for i := range list {
		if list[i].ID == id {
			return &list[i]
		}
	}
	return nil
}

// sectorFault says how a sector came back other than it was built; "" where every byte and the mark are right. The
// machine's own controller repairs nothing, so a sector that needed a repair is not proven.
func sectorFault(want, got *disk.Sector) string {
	if want.Status == disk.Bad { // bad on the original, and built to stay so
		if got.Status == disk.Good {
			return "reads as good, but is bad on the original"
		}
		return ""
	}
	switch {
	case got.Status == disk.Bad || got.Status == disk.Doubtful:
		return fmt.Sprintf("%s: %s", got.Status, got.Why)
	case got.Mark != want.Mark:
		return fmt.Sprintf("data mark %02X, want %02X", got.Mark, want.Mark)
	case !bytes.Equal(got.Data, want.Data):
		n := 0
		for i := range want.Data {
			if i >= len(got.Data) || got.Data[i] != want.Data[i] {
				n++
			}
		}
		return fmt.Sprintf("%d of %d bytes differ, although the CRC is right", n, len(want.Data))
	case got.Status == disk.Repaired:
		return "read only by a repair, which the machine's controller cannot do: " + got.Why
	}
	return ""
}

// writeCaptures writes the captures of a disk as one zip, without dates.
func (mk *maker) writeCaptures(name string, runs []*trackRun) error {
	f, err := safefile.Create(mk.path(name), mk.o.Force)
	if err != nil {
		return err
	}
	defer f.Close()
	z := zip.NewWriter(f)
	for _, t := range runs {
		w, err := z.CreateRaw(&zip.FileHeader{Name: flux.FileName(t.cylinder, t.head, 1), Method: zip.Deflate, CRC32: t.crc,
			CompressedSize64: uint64(len(t.raw)), UncompressedSize64: uint64(t.size)})
		if err == nil {
			_, err = w.Write(t.raw)
		}
		if err != nil {
			return outcome.As(outcome.Output, fmt.Errorf("%s: %w", mk.path(name), err))
		}
		t.raw = nil
	}
	if err := z.Close(); err != nil {
		return outcome.As(outcome.Output, fmt.Errorf("%s: %w", mk.path(name), err))
	}
	return f.Commit()
}

// maxFaults of one medium are listed.
const maxFaults = 200

func (m *Medium) fault(f Fault) {
	if len(m.Faults) < maxFaults {
		m.Faults = append(m.Faults, f)
	}
}

// proveDisk compares every sector, then every file.
func (mk *maker) proveDisk(m *Medium, runs []*trackRun, want []wanted) {
	least := 1.0
	bad := 0
	m.Wrong = map[string]bool{}
	for _, t := range runs {
		m.Tracks = append(m.Tracks, t.found)
		m.Proof.SectorsExpected += len(t.sectors)
		for i := range t.sectors {
			w := &t.sectors[i]
			place := fmt.Sprintf("cylinder %d head %d sector %d", t.cylinder, t.head, w.ID.Sector)
			s := find(t.found.Sectors, w.ID)
			what := "not found on the track"
			if s != nil {
				what = sectorFault(w, s)
			}
			if what == "" {
				m.Proof.SectorsGood++
				if s.Margin >= 0 {
					least = min(least, s.Margin)
				}
				continue
			}
			bad++
			m.fault(Fault{Where: place, What: what + t.second(w)})
		}
		for i := range t.found.Sectors {
			s := &t.found.Sectors[i]
			if find(t.sectors, s.ID) == nil && s.Status == disk.Good {
				bad++
				m.fault(Fault{Where: fmt.Sprintf("cylinder %d head %d", t.cylinder, t.head), What: fmt.Sprintf("a sector %s that was not written", s.ID),
					Consequence: "the machine may read it instead of the right one", Do: "report this: it should not be possible"})
			}
		}
	}
	if m.Proof.SectorsGood > 0 {
		m.Proof.LeastMargin = round3(least)
	}
	m.Proof.FilesExpected = len(want)
	m.Back, _ = track.ToImage(m.Tracks, m.Disk)
	sectors := len(m.Faults)
	on := mk.proveFiles(m, want)
	for i := range m.Faults[:sectors] {
		f := &m.Faults[i]
		if f.Consequence == "" {
			f.Consequence = "no file lies here, but the machine reports an error when it comes by"
			if mk.inDirectory(m, f.Where) {
				f.Consequence = "part of the directory is lost: the machine may find none of the files"
			}
			if names := on[f.Where]; len(names) > 0 {
				f.Consequence = strings.Join(names, ", ") + " cannot be read here"
			}
		}
		if i == 0 {
			f.Do = "on such a medium this master would not come back; take a better disk"
		}
	}
	m.Verified = bad == 0 && m.Proof.FilesGood == len(want)
}

// inDirectory says whether a place is on the directory's cylinder of a granule volume.
func (mk *maker) inDirectory(m *Medium, place string) bool {
	if mk.a.Machine.Disk.Volume != "granule" || m.Medium.Image != "" {
		return false
	}
	dir := cmp.Or(mk.a.Plan.VolumeOptions.Directory, 17) // the class's usual place
	return strings.HasPrefix(place, fmt.Sprintf("cylinder %d ", dir))
}

// second says what lies on a sector that the plain reader lost, and what one that tries everything makes of it.
func (t *trackRun) second(w *disk.Sector) string {
	if t.deep == nil {
		return ""
	}
	why := ""
	if ns := t.weak[w.ID]; ns > 0 {
		why = fmt.Sprintf("; a dropout of %.2f ms lies on it", ns/1e6)
	}
	return why + t.rescue(w)
}

func (t *trackRun) rescue(w *disk.Sector) string {
	s := find(t.deep.Sectors, w.ID)
	switch {
	case s == nil, s.Status == disk.Bad || s.Status == disk.Doubtful:
		return ""
	case !bytes.Equal(s.Data, w.Data):
		return ""
	case s.Status == disk.Repaired:
		return " (recovery would still get it, by a repair)"
	}
	return " (recovery would still get it)"
}

// proveFiles takes the files out of the volume that was read back. It gives the files that lie on each sector that
// was lost, by the sector's place.
func (mk *maker) proveFiles(m *Medium, want []wanted) (on map[string][]string) {
	v, _, err := volume.OpenImage(m.Back, volume.Options{Kind: mk.a.Machine.Disk.Volume, Recording: m.Disk, Rounding: mk.a.Machine.Disk.Options.Rounding,
		Parameters: mk.a.Plan.VolumeOptions.Parameters})
	if err != nil {
		m.fault(Fault{Where: m.ID, What: "no volume can be found in what was read back: " + err.Error(), Consequence: "none of its files can be reached"})
		for _, w := range want {
			m.Wrong[w.name] = true
		}
		return nil
	}
	on = map[string][]string{}
	lost := 0
	for _, w := range want {
		data, faults, err := v.Get(w.name)
		if err == nil && len(faults) == 0 && sum(mk.cut(m, w.name, data)) == w.sha {
			m.Proof.FilesGood++
			continue
		}
		m.Wrong[w.name] = true
		why := "its bytes differ"
		if err != nil {
			why = err.Error()
		} else if len(faults) > 0 {
			why = words.Count(len(faults), "fault") + " in it, the first: " + faults[0].What
		}
		for _, f := range faults {
			if place := placeIn(f.String()); place != "" {
				on[place] = append(on[place], w.name)
			}
		}
		if lost++; lost <= 20 {
			m.fault(Fault{Where: w.name, What: "does not come back: " + why, Consequence: "the file is lost on this disk"})
		}
	}
	return on
}

var placePattern = regexp.MustCompile(`cylinder \d+ head \d+ sector \d+`)

// placeIn is the sector that a fault of the volume room speaks of, "" if none.
func placeIn(fault string) string { return placePattern.FindString(fault) }

// cut takes off the padding of a volume that knows sizes to its record only.
func (mk *maker) cut(m *Medium, name string, data []byte) []byte {
	if mk.a.Machine.Disk.Volume != "extent" {
		return data
	}
	i := slices.IndexFunc(m.Files, func(f plan.Placed) bool { return f.Name == name })
	if i >= 0 && m.Medium.Image == "" && int64(len(data)) >= m.Files[i].Size && int64(len(data)) < m.Files[i].Size+128 {
		return data[:m.Files[i].Size]
	}
	return data
}
