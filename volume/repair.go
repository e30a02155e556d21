package volume

import (
	"bytes"
	"encoding/binary"
	"fmt"
	"slices"

	"remanence/disk"
)

// rebuilder is what repair needs of a kind.
type rebuilder interface {
	Volume
	// fresh is an empty sound volume on a disk of the same shape, with everything that belongs to the volume itself
	// (boot code, name, date, command, lock-outs, label, serial) taken over.
	fresh() (Volume, error)
	// carry takes over what Put does not: passwords, attribute bits, raw dates.
	carry(to Volume, from, name string)
	// loose is the data of units that are marked as taken but that no file holds, piece by piece.
	loose() [][]byte
}

// Repair builds a sound volume of everything that v still gives. v is not changed. Every file that needed a change,
// is damaged or had to be left out is among the changes; the faults that Check found go with the old volume.
func Repair(v Volume) (Volume, []Change, error) {
	r, ok := v.(rebuilder)
	if !ok {
		return nil, nil, fmt.Errorf("%s volumes cannot be repaired", v.Kind())
	}
	to, err := r.fresh()
	if err != nil {
		return nil, nil, err
	}
	if d, ok := v.(Directories); ok {
		for _, name := range d.Directories() {
			if ValidName(v.Kind(), name) == nil {
				_ = to.(Directories).MakeDirectory(name, "") // a full disk shows with the files
			}
		}
	}
	var out []Change
	for _, c := range Copy(to, v, nil, CopyOptions{Binary: true}) {
		if c.To != "" {
			r.carry(to, c.From, c.To)
		}
		if c.To != c.From || len(c.What) > 0 || c.Fault != "" {
			out = append(out, c)
		}
	}
	n := 0
	for _, data := range r.loose() {
		if len(bytes.Trim(data, "\x00\xE5\xFF")) == 0 {
			continue // nothing was ever written there
		}
		n++
		name, _ := NameFor(v.Kind(), fmt.Sprintf("LOST%d.DAT", n), func(s string) bool { _, _, err := to.Get(s); return err == nil })
		c := Change{From: "units that no file holds", To: name, Size: len(data), What: []string{"found without a name"}}
		if err := to.Put(name, data, PutOptions{}); err != nil {
			c.To, c.Fault = "", err.Error()
		}
		out = append(out, c)
	}
	return to, out, nil
}

// recordingFor is a recording of the shape of im, enough for making another one.
func recordingFor(im *disk.Image) (rec *disk.Recording) {
	g := im.Geometry
	format := func(c, h int) disk.TrackFormat {
		t := g.Shape(c, h)
		return disk.TrackFormat{Encoding: t.Encoding, Sectors: t.Sectors, Size: t.Size, FirstID: t.FirstID, Fill: 0xE5}
	}
	r := &disk.Recording{Name: im.Recording, Cylinders: g.Cylinders, Sides: g.Heads, Track: format(g.Cylinders-1, g.Heads-1)}
	for c := range g.Cylinders {
		for h := range g.Heads {
			if g.Shape(c, h) != g.Shape(g.Cylinders-1, g.Heads-1) {
				r.Zones = append(r.Zones, disk.Zone{Cylinders: []int{c, c}, Heads: []int{h}, Track: format(c, h)})
			}
		}
	}
	return r
}

func (v *granule) fresh() (Volume, error) {
	mark := directoryMark(0, v.mfm)
	if s, ok := v.im.Sector(v.dirPlaces()[0]); ok && s.Mark != disk.MarkData && s.Mark != 0 {
		mark = s.Mark
	}
	var locked []int
	for _, c := range v.lockedCylinders() {
		if c != 0 && c != v.dir && !v.cylinderUsed(c) {
			locked = append(locked, c)
		}
	}
	o := NewOptions{Directory: v.dir, DirectoryMark: int(mark), LockedOut: locked, Boot: slices.Clone(v.im.Data[:granuleSectorBytes])}
	if v.down {
		o.Rounding = "down"
	}
	n, err := newGranule(recordingFor(v.im), o)
	if err != nil {
		return nil, err
	}
	to := n.(*granule)
	old, t := v.sector(0), to.sector(0)
	copy(t[2*granuleTable:0xD0], old[2*granuleTable:0xD0])
	for i := 0xD0; i < 0xE0; i++ {
		if old[i] >= ' ' && old[i] <= '~' {
			t[i] = old[i]
		} else if i < 0xD8 {
			t[i] = ' '
		}
	}
	if impossibleDate(t[0xD8:0xE0]) {
		copy(t[0xD8:], "01/01/79")
	}
	if old[0xCB] != 0 || old[0xCD] != 0 {
		t[0xCC], t[0xCD] = byte(v.cyls-35), v.flags()
	}
	if bytes.IndexByte(old[0xE0:], 0x0D) >= 0 {
		copy(t[0xE0:], old[0xE0:0x100])
	}
	if g := v.offsets[0]; g >= 0 { // the boot granule's other sectors may hold more of a loader
		copy(to.im.Data[granuleSectorBytes:v.bytes()], v.im.Data[granuleSectorBytes:v.bytes()])
	}
	return to, nil
}

// cylinderUsed reports whether a file lies on a cylinder.
func (v *granule) cylinderUsed(c int) bool {
	return slices.ContainsFunc(v.Map()[c*v.perCyl:(c+1)*v.perCyl], func(u Unit) bool { return u.File != "" })
}

func (v *granule) carry(to Volume, from, name string) {
	a, err1 := v.find(from)
	n := to.(*granule)
	b, err2 := n.find(name)
	if err1 != nil || err2 != nil {
		return
	}
	old, e := v.entry(a), n.entry(b)
	e[0] = old[0]&^0x80 | 0x10
	copy(e[1:3], old[1:3])
	e[4] = old[4]
	copy(e[16:20], old[16:20])
}

func (v *granule) loose() (out [][]byte) {
	last := -2
	for _, u := range v.Map() {
		if u.State != UnitLost {
			continue
		}
		data := v.im.Data[v.offsets[u.Number] : v.offsets[u.Number]+int64(v.bytes())]
		if u.Number == last+1 {
			out[len(out)-1] = append(out[len(out)-1], data...)
		} else {
			out = append(out, slices.Clone(data))
		}
		last = u.Number
	}
	return out
}

func (v *fat12) fresh() (Volume, error) {
	im := v.im.Clone()
	to := &fat12{fatShape: v.fatShape, im: im, noBPB: v.noBPB}
	for n := range to.tables {
		t := to.table(n)
		clear(t)
		fatSet(t, 0, 0xF00|int(v.media))
		fatSet(t, 1, 0xFFF)
		for c := 2; c < v.clusters+2; c++ {
			if v.next(c) == fatBad {
				fatSet(t, c, fatBad)
			}
		}
	}
	clear(im.Data[v.root*v.sectorBytes : v.data*v.sectorBytes])
	if l := v.label(); l != nil {
		e := to.entry(v.root * v.sectorBytes)
		copy(e[:11], l[:11])
		e[11] = attrLabel
		copy(e[0x16:0x1A], l[0x16:0x1A])
	}
	return to, nil
}

func (v *fat12) carry(to Volume, from, name string) {
	_, old, err1 := v.find(from)
	_, e, err2 := to.(*fat12).find(name)
	if err1 == nil && err2 == nil {
		e[11] = old[11] & 0x27
		copy(e[0x16:0x1A], old[0x16:0x1A])
		d, t := binary.LittleEndian.Uint16(old[0x18:]), binary.LittleEndian.Uint16(old[0x16:])
		if impossibleStamp(d, t) {
			binary.LittleEndian.PutUint16(e[0x16:], 0)
			binary.LittleEndian.PutUint16(e[0x18:], 0x0021)
		}
	}
}

func (v *fat12) loose() (out [][]byte) {
	owned := make([]bool, v.clusters+2)
	v.walk(func(n fatNode, e fatEntry) {
		if n.path != "" {
			list, _ := v.chain(e.cluster())
			for _, c := range list {
				owned[c] = true
			}
		}
	}, nil)
	for _, l := range v.lostChains(func(c int) bool { return owned[c] }) {
		var data []byte
		for _, c := range l {
			data = append(data, v.im.Data[v.offset(c):v.offset(c)+v.clusterBytes()]...)
		}
		out = append(out, data)
	}
	return out
}

func (v *extentVolume) fresh() (Volume, error) {
	to := extentOn(v.p, v.im.Clone())
	for i := 0; i <= v.p.DRM; i++ {
		copy(to.entry(i), bytes.Repeat([]byte{extentFree}, entryBytes))
	}
	kept := 0
	for i := 0; i <= v.p.DRM; i++ { // label and stamps of later systems stay
		if e := v.entry(i); e.other() && e[0] == 0x20 {
			copy(to.entry(kept), e)
			kept++
		}
	}
	return to, nil
}

func (v *extentVolume) carry(to Volume, from, name string) {
	f, err1 := v.find(from)
	n := to.(*extentVolume)
	g, err2 := n.find(name)
	if err1 != nil || err2 != nil {
		return
	}
	old := v.entry(f.entries[0])
	for _, i := range g.entries {
		for j := 1; j < 12; j++ {
			n.entry(i)[j] |= old[j] & 0x80
		}
	}
}

func (v *extentVolume) loose() [][]byte { return nil } // nothing but the directory says that a block is taken
