package volume

import (
	"fmt"

	"remanence/internal/words"
)

// holder is what Suspects needs of a kind.
type holder interface {
	// held calls visit for everything that holds units, the volume's own parts first; -1 stands for none.
	held(visit func(name string, units []int))
	unitPlace(unit int) string
	// doubt says more that makes the content of files doubtful although it can be read.
	doubt(say func(name, what string))
}

// Suspects are the faults, by the name of the file, of content that can be read but need not be the file's own: a unit
// that another file holds too, a chain longer than the size asks for. What Get cannot read it says itself.
func Suspects(v Volume) map[string][]Fault {
	out := map[string][]Fault{}
	h, ok := v.(holder)
	if !ok {
		return out
	}
	say := func(name, what string) { out[name] = append(out[name], Fault{name, what}) }
	var names []string
	var lists [][]int
	owners := map[int][2]int{} // the first two holders of a unit, by number from 1
	h.held(func(name string, units []int) {
		names, lists = append(names, name), append(lists, units)
		me := len(names)
		for _, u := range units {
			switch o := owners[u]; {
			case o[0] == 0:
				owners[u] = [2]int{me, 0}
			case o[0] != me && o[1] == 0:
				owners[u] = [2]int{o[0], me}
			}
		}
	})
	for i, units := range lists {
		told := map[int]bool{}
		mine := map[int]bool{}
		for _, u := range units {
			if u < 0 {
				continue
			}
			o := owners[u]
			other := o[0]
			if other == i+1 {
				other = o[1]
			}
			if mine[u] {
				other = i + 1
			}
			mine[u] = true
			switch {
			case other == 0 || told[other]:
				continue
			case other == i+1:
				say(names[i], h.unitPlace(u)+" stands in it twice: its content is suspect")
			default:
				say(names[i], fmt.Sprintf("%s belongs to %s as well: its content from there on is suspect", h.unitPlace(u), names[other-1]))
			}
			told[other] = true
		}
	}
	h.doubt(say)
	return out
}

func (v *granule) held(visit func(name string, units []int)) {
	for _, code := range []int{codeBoot, codeDir} {
		if e := v.entry(code); e.used() && v.fixed(code, e) {
			list, _ := v.granulesOf(code)
			visit(e.name(), list)
		}
	}
	codes, names := v.primaries()
	for i, code := range codes {
		list, _ := v.granulesOf(code)
		visit(names[i], list)
	}
}

func (v *granule) unitPlace(g int) string { return v.place(g) }

// doubt tells of extents that hold more than their files: the size, or an extent, is another's.
func (v *granule) doubt(say func(name, what string)) {
	codes, names := v.primaries()
	for i, code := range codes {
		if held, granules, sectors := v.room(code); v.surplus(held, granules) {
			say(names[i], fmt.Sprintf("%s; its extents hold %d: what lies behind the size is left out", needs(sectors, "sector", granules, "granule"), held))
		}
	}
}

// needs says what a size takes up.
func needs(n int, thing string, units int, unit string) string {
	verb := "need"
	if n == 1 {
		verb = "needs"
	}
	return words.Count(n, thing) + " " + verb + " " + words.Count(units, unit)
}

func (v *fat12) held(visit func(name string, units []int)) {
	v.walk(func(n fatNode, e fatEntry) {
		if n.path != "" {
			list, _ := v.chain(e.cluster())
			visit(n.path, list)
		}
	}, nil)
}

func (v *fat12) unitPlace(c int) string { return fmt.Sprintf("cluster %d", c) }

// doubt tells of chains that are longer than their files: the size, or the chain, is another's.
func (v *fat12) doubt(say func(name, what string)) {
	v.walk(func(n fatNode, e fatEntry) {
		if n.path == "" || e.directory() {
			return
		}
		list, _ := v.chain(e.cluster())
		if need := (e.size() + int64(v.clusterBytes()) - 1) / int64(v.clusterBytes()); int64(len(list)) > need {
			say(n.path, fmt.Sprintf("%s; its chain has %d: what lies behind the size is left out", needs(int(e.size()), "byte", int(need), "cluster"), len(list)))
		}
	}, nil)
}

func (v *extentVolume) held(visit func(name string, units []int)) {
	for _, f := range v.files() {
		blocks, _ := v.layout(f)
		visit(f.name, blocks)
	}
}

func (v *extentVolume) unitPlace(b int) string            { return fmt.Sprintf("block %d", b) }
func (v *extentVolume) doubt(say func(name, what string)) {}
