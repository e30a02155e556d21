package starter

import (
	"fmt"
	"strings"
)

// Class is what a starter tape needs to know of a machine class, beside its profile: the two programs and how its own
// loader is fed. Another class is one more entry of Classes and one assembly source for each program (doc/starter.md
// says what they have to do).
type Class struct {
	Machine   string // profile name
	Recording string // the disks that its program makes
	Code      string // line code of its tape loader
	Form      string // block form of its tapes

	Stage1   []byte // the receiver of the link, loaded and entered at Stage1At by the machine's own loader
	Stage1At int
	Stage2   []byte // the rest, brought in by the link; the byte at TracksAt is set to the number of tracks
	TracksAt int
	RAMKiB   int // the least memory in which both run

	Load  []string // what to do at the machine to load a machine-code tape, for the sheet
	Start string   // what to do to start it
	Again string   // what to do when the tape is to be loaded once more
}

// Classes are the machine classes that have a starter program.
var Classes = []*Class{
	{
		Machine: "z80-fm10", Recording: "fm10x256", Code: "pulse500", Form: "pulse500",
		Stage1: stage1, Stage1At: Stage1At, Stage2: stage2, TracksAt: tracksAt, RAMKiB: 16,
		Load: []string{
			"Take every disk out, hold BREAK and press the reset button: the machine starts in tape BASIC.",
			"Answer the question for the memory size with ENTER alone.",
			"Give the command that loads a machine-code tape, and the name STARTE when it asks for one.",
			"Start the player. Two marks in the top right corner of the screen show that it hears the tape.",
		},
		Start: "When the loader asks again, answer with a slash and ENTER at once: / ENTER",
		Again: "Hold BREAK, press reset, and give the load command again. The tape holds the program three times, so the next copy may do without rewinding.",
	},
}

// ClassOf finds the class of a machine, or says why there is none.
func ClassOf(machine string) (*Class, error) {
	var names []string
	for _, c := range Classes {
		if c.Machine == machine {
			return c, nil
		}
		names = append(names, c.Machine)
	}
	return nil, fmt.Errorf("machine %s: no starter program was written for it; there is one for %s (doc/starter.md says how to add another)", machine, strings.Join(names, ", "))
}
