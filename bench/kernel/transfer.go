package kernel

import (
	"context"
	"errors"
	"fmt"
	"slices"

	"remanence/bench"
	"remanence/disk"
)

// Write fills the data fields of a track.
func (d *Drive) Write(ctx context.Context, t *bench.Track) error {
	if !d.Raw {
		return d.writeBlocks(t)
	}
	for _, run := range runs(t.Sectors) {
		if err := ctx.Err(); err != nil {
			return err
		}
		first, last := &t.Sectors[run[0]], &t.Sectors[run[len(run)-1]]
		op := byte(0x05)
		if first.Mark == disk.MarkDeleted {
			op = 0x09
		}
		c := d.command(t, op, rawWrite)
		c.transfer(t, first, last)
		for _, i := range run {
			c.Data = append(c.Data, t.Sectors[i].Data...)
		}
		if err := d.do(c); err != nil {
			return fmt.Errorf("writing sector %d: %w", first.ID.Sector, err)
		}
		if c.Residue != 0 {
			return fmt.Errorf("writing sector %d: %d bytes were not taken: %w", first.ID.Sector, c.Residue, ErrIO)
		}
	}
	return nil
}

// Read reads a track from the disk. Sectors that fail in a run are read once more one by one.
func (d *Drive) Read(ctx context.Context, t *bench.Track) ([]disk.Sector, error) {
	if !d.Raw {
		return d.readBlocks(t)
	}
	out := slices.Clone(t.Sectors)
	for i := range out {
		out[i].Data, out[i].Status, out[i].Why = nil, disk.Bad, "not read"
	}
	var single func(run []int) error
	single = func(run []int) error {
		if err := ctx.Err(); err != nil {
			return err
		}
		first, last := &t.Sectors[run[0]], &t.Sectors[run[len(run)-1]]
		c := d.command(t, 0x06, rawRead)
		if first.Mark == disk.MarkDeleted {
			c.Bytes[0] = c.Bytes[0]&0x40 | 0x0C
		}
		c.transfer(t, first, last)
		size := first.ID.Size()
		c.Data = make([]byte, len(run)*size)
		err := d.do(c)
		if err != nil && bench.Fatal(err) {
			return err
		}
		if err == nil && c.Residue != 0 {
			err = fmt.Errorf("%d bytes are missing: %w", c.Residue, ErrIO)
		}
		// The control mark bit says that a field carried the other mark than the command asked for.
		other := err == nil && len(c.Reply) > 2 && c.Reply[2]&0x40 != 0
		if (err != nil || other) && len(run) > 1 {
			for _, i := range run {
				if err := single([]int{i}); err != nil {
					return err
				}
			}
			return nil
		}
		for k, i := range run {
			s := &out[i]
			if err != nil {
				s.Why = err.Error()
				continue
			}
			s.Data, s.Status, s.Why = c.Data[k*size:(k+1)*size:(k+1)*size], disk.Good, ""
			if other {
				s.Mark ^= disk.MarkData ^ disk.MarkDeleted
			}
		}
		return nil
	}
	for _, run := range runs(t.Sectors) {
		if err := single(run); err != nil {
			return out, err
		}
	}
	return out, nil
}

// offset is where a track lies in the driver's blocks.
func (d *Drive) offset(t *bench.Track) int64 {
	return int64((t.Cylinder*d.rec.Sides + t.Head) * t.Format.Sectors * t.Format.Size)
}

// writeBlocks writes a track through the driver's blocks.
func (d *Drive) writeBlocks(t *bench.Track) error {
	if err := d.prepare(t); err != nil {
		return err
	}
	buf := make([]byte, t.Format.Sectors*t.Format.Size)
	if len(t.Sectors) < t.Format.Sectors { // some sectors of a track: the others stay as they are
		if err := again(func() error { _, err := d.port.ReadAt(buf, d.offset(t)); return err }); err != nil {
			return explain(err)
		}
	}
	for i := range t.Sectors {
		s := &t.Sectors[i]
		copy(buf[(int(s.ID.Sector)-t.Format.FirstID)*t.Format.Size:], s.Data)
	}
	err := again(func() error { _, err := d.port.WriteAt(buf, d.offset(t)); return err })
	if err == nil {
		err = again(d.port.Sync) // the driver tells of a protected disk only here
	}
	if err != nil {
		if st, e := d.port.Poll(); e == nil && st.Known && !st.Writable {
			return bench.ErrWriteProtected
		}
		return explain(err)
	}
	return nil
}

// readBlocks reads a track through the driver's blocks, after its caches are dropped: a read that the page cache
// answers proves nothing, and goes on giving the old data after the disk was taken out.
func (d *Drive) readBlocks(t *bench.Track) ([]disk.Sector, error) {
	if err := d.prepare(t); err != nil {
		return nil, err
	}
	if err := again(d.port.Flush); err != nil {
		return nil, explain(err)
	}
	if st, err := d.port.Poll(); err != nil {
		return nil, explain(err)
	} else if st.Changed {
		d.set = false
		return nil, bench.ErrNoDisk
	}
	size := t.Format.Size
	buf := make([]byte, t.Format.Sectors*size)
	out := slices.Clone(t.Sectors)
	read := func(b []byte, off int64) error {
		return again(func() error {
			n, err := d.port.ReadAt(b, off)
			if err == nil && n < len(b) {
				err = fmt.Errorf("%d bytes of %d: %w", n, len(b), ErrIO)
			}
			return err
		})
	}
	whole := read(buf, d.offset(t))
	if whole != nil && bench.Fatal(whole) {
		return nil, whole
	}
	for i := range out {
		s := &out[i]
		at := (int(s.ID.Sector) - t.Format.FirstID) * size
		err := whole
		if err != nil && size%512 == 0 {
			err = read(buf[at:at+size], d.offset(t)+int64(at))
		}
		if err != nil {
			s.Data, s.Status, s.Why = nil, disk.Bad, err.Error()
			continue
		}
		s.Data, s.Status, s.Why = buf[at:at+size:at+size], disk.Good, ""
	}
	return out, nil
}

// ReadID asks the controller which identifier comes by next: C, H, R, N.
func (d *Drive) ReadID(t *bench.Track) (disk.SectorID, error) {
	if !d.Raw {
		return disk.SectorID{}, errors.New("reading identifiers: " + needRaw)
	}
	c := d.command(t, 0x0A, 0)
	if err := d.do(c); err != nil {
		return disk.SectorID{}, err
	}
	if len(c.Reply) < 7 {
		return disk.SectorID{}, fmt.Errorf("%d bytes of answer, want 7: %w", len(c.Reply), ErrIO)
	}
	return disk.SectorID{Cylinder: c.Reply[3], Head: c.Reply[4], Sector: c.Reply[5], SizeCode: c.Reply[6]}, nil
}

// Look reads identifiers in either encoding at each rate. MFM comes first: a board that ignores the FM bit gives
// identifiers of MFM whatever it is asked for. The rate that was asked for comes first, for FM is so coarse that a
// neighbouring rate can pass for its own.
func (d *Drive) Look(ctx context.Context, t *bench.Track) (*bench.Seen, error) {
	if !d.Raw {
		return nil, errors.New("reading identifiers: " + needRaw)
	}
	const most = 40 // enough that every sector of a track came by
	for _, e := range []disk.Encoding{disk.MFM, disk.FM} {
		for i, rate := range []float64{t.RateKbit, 250, 300, 500} {
			if i > 0 && rate == t.RateKbit {
				continue
			}
			try := *t
			try.Format.Encoding, try.RateKbit = e, rate
			var ids []disk.SectorID
			for misses := 0; len(ids) < most && misses < 3; {
				if err := ctx.Err(); err != nil {
					return nil, err
				}
				id, err := d.ReadID(&try)
				switch {
				case err == nil:
					ids = append(ids, id)
				case bench.Fatal(err):
					return nil, err
				case errors.Is(err, errNoMark) && len(ids) == 0:
					misses = 3
				default:
					misses++
				}
			}
			if len(ids) > 1 { // one by itself may be chance
				if e == disk.FM {
					rate /= 2
				}
				return bench.SeenOf(t, e, rate, ids), nil
			}
		}
	}
	return &bench.Seen{Cylinder: t.Cylinder, Head: t.Head}, nil
}
