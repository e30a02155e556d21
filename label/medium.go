package label

import (
	"fmt"
	"strings"
)

// Medium is what a label is about: one disk, or one cassette with its sides.
type Medium struct {
	Number    string `json:"number"` // the number it will be found by; the largest thing on the label, and in the QR code
	Type      string `json:"type"`   // "disk" or "tape"
	Title     string `json:"title"`
	Machine   string `json:"machine"`   // "z80-fm10"
	Recording string `json:"recording"` // "fm10x256", "pulse500"
	Place     string `json:"place"`     // "40 cylinders, 1 side", "C-30"
	Date      string `json:"date"`
	Start     string `json:"start"` // what to do at the machine, in a few words
	Sides     []Side `json:"sides"`
}

// Side is what lies on one side; a disk has one, whatever its sides, since its volume does.
type Side struct {
	Name  string `json:"name"` // "A", "B"; "" for a disk
	Items []Item `json:"items"`
	// Proof is how the side was proven, in a few words, or NotProven; "" where nothing is known of that, and nothing
	// is printed.
	Proof string `json:"proof,omitempty"`
}

// NotProven as a side's Proof marks everything that is printed of its medium: it did not come back whole.
const NotProven = "not proven"

// unproven is the mark of a medium, "" for none. It names the side where only one of two is meant.
func (m *Medium) unproven() string {
	var names []string
	for _, s := range m.Sides {
		if s.Proof == NotProven {
			names = append(names, s.Name)
		}
	}
	switch {
	case len(names) == 0:
		return ""
	case len(names) < len(m.Sides) && names[0] != "":
		return "side " + names[0] + " " + NotProven
	}
	return NotProven
}

// proof is what is known of the proof of all sides.
func (m *Medium) proof() string {
	if len(m.Sides) == 2 && m.Sides[0].Proof != m.Sides[1].Proof {
		var p []string
		for _, s := range m.Sides {
			if s.Proof != "" {
				p = append(p, "side "+s.Name+" "+s.Proof)
			}
		}
		return strings.Join(p, "; ")
	}
	if len(m.Sides) == 0 {
		return ""
	}
	return m.Sides[0].Proof
}

// Item is one file, in its order on the medium.
type Item struct {
	Name    string `json:"name"`  // as the machine knows it
	Where   string `json:"where"` // counter position or granules: "012"
	Size    string `json:"size"`  // with its unit
	Path    string `json:"path"`  // in the archive
	Note    string `json:"note"`
	Damaged bool   `json:"damaged"`
}

// maxNumber is the longest number; longer ones would not be the largest thing on a label.
const maxNumber = 24

// Check says what of a medium can't be printed.
func (m *Medium) Check() error {
	if m.Number == "" {
		return fmt.Errorf("medium %q: it has no number", m.Title)
	}
	if len(m.Number) > maxNumber {
		return fmt.Errorf("medium %q: a number of %d characters, want %d at most", m.Number, len(m.Number), maxNumber)
	}
	for i, r := range m.Number {
		if r <= ' ' || r > '~' {
			return fmt.Errorf("medium %q: character %d of its number is %q; want letters, digits and signs of ASCII without spaces, so that every reader of QR codes gives the same back", m.Number, i+1, r)
		}
	}
	if m.Type != "disk" && m.Type != "tape" {
		return fmt.Errorf("medium %s: type %q, want disk or tape", m.Number, m.Type)
	}
	if len(m.Sides) > 2 {
		return fmt.Errorf("medium %s: %d sides, want 2 at most", m.Number, len(m.Sides))
	}
	return nil
}

// shown is an item's name with what a reader must know of it.
func (it *Item) shown() string {
	s := strings.TrimSpace(it.Name)
	if s == "" {
		s = "(no name)"
	}
	if it.Damaged {
		s += " (damaged)"
	}
	return s
}

func (m *Medium) count() int {
	n := 0
	for _, s := range m.Sides {
		n += len(s.Items)
	}
	return n
}

// small is the line of facts at a label's foot.
func (m *Medium) small() string {
	var p []string
	for _, s := range []string{m.Recording, m.Place, m.Machine} {
		if s != "" {
			p = append(p, s)
		}
	}
	return strings.Join(p, " · ")
}
