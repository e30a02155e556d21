package volume

import (
	"encoding/binary"
	"fmt"
)

// label is the label entry of the root directory, nil where it has none.
func (v *fat12) label() fatEntry {
	d := v.dir("", 0, 0)
	for _, at := range d.places {
		e := v.entry(at)
		if e.end() {
			break
		}
		if !e.free() && e.label() {
			return e
		}
	}
	return nil
}

// extended reports whether the boot sector has serial, label and type text.
func (v *fat12) extended() bool { return !v.noBPB && v.sectorBytes >= 512 && v.im.Data[0x26] == 0x29 }

// Info describes the volume.
func (v *fat12) Info() Info {
	in := Info{Kind: "fat12", Recording: v.im.Recording, Unit: "cluster", UnitBytes: v.clusterBytes(), Units: v.clusters, Slots: v.rootEntries}
	if l := v.label(); l != nil {
		in.Name, in.Date = printable(l[:11]), l.date()
	} else if v.extended() {
		if in.Name = printable(v.im.Data[0x2B:0x36]); in.Name == "NO NAME" {
			in.Name = ""
		}
	}
	for c := 2; c < v.clusters+2; c++ {
		if v.next(c) == 0 {
			in.Free++
		}
	}
	d := v.dir("", 0, 0)
	ended := false
	for _, at := range d.places {
		e := v.entry(at)
		ended = ended || e.end()
		if ended || e.free() {
			in.FreeSlots++
		}
	}
	in.Details = []Detail{
		{"sectors", fmt.Sprintf("%d of %d bytes, %d a track, %d sides", v.total, v.sectorBytes, v.perTrack, v.heads)},
		{"tables", fmt.Sprintf("%d of %d sectors, media byte %02Xh", v.tables, v.perTable, v.media)},
	}
	if v.extended() {
		in.Details = append(in.Details, Detail{"serial number", fmt.Sprintf("%08X", binary.LittleEndian.Uint32(v.im.Data[0x27:]))})
	}
	return in
}

// Map is the use of the clusters.
func (v *fat12) Map() []Unit {
	units := make([]Unit, v.clusters)
	for i := range units {
		units[i] = Unit{Number: i + 2, Place: fmt.Sprintf("cluster %d", i+2)}
		switch n := v.next(i + 2); {
		case n == fatBad:
			units[i].State = UnitLocked
		case n != 0:
			units[i].State = UnitLost
		}
	}
	v.walk(func(n fatNode, e fatEntry) {
		if n.path == "" {
			return
		}
		state := UnitUsed
		if e.directory() {
			state = UnitSystem
		}
		list, _ := v.chain(e.cluster())
		for _, c := range list {
			u := &units[c-2]
			if u.File != "" {
				u.State = UnitShared
				continue
			}
			u.State, u.File = state, n.path
		}
	}, nil)
	return units
}
