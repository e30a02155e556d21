package picture

import (
	"fmt"
	"image/color"
	"strings"
)

// Colour is a role, not a value: what it looks like is the theme's business. Values and contrasts are those of the
// project's look (paper and ink; one accent; one hue in seven steps for margin).
type Colour uint8

const (
	None    Colour = iota
	Paper          // the page
	Card           // what lies on it
	Ink            // text and lines that matter
	Soft           // text and lines beside the matter
	Rule           // separating lines, never the only carrier of meaning
	Oxide          // the one accent: what can be done, where one is
	Hue0           // margin: none left
	Hue1           //
	Hue2           //
	Hue3           //
	Hue4           //
	Hue5           //
	Hue6           // margin: ample
	Black          // print
	White          // print
	Trace          // curves and bars: a step of the hue that stands out on paper in either theme
	colours = iota
)

// Theme gives each role a value.
type Theme struct {
	Name string
	rgb  [colours]color.RGBA
}

// Light and Dark are the two themes of the project's look. The margin hue is the same in both: its steps are told
// apart from paper by an outline, and by the number on hover.
var (
	Light = theme("light", "#FAF7F1", "#FFFFFF", "#1F2328", "#5B5F66", "#D9D3C7", "#8C3F1F", "#17495A")
	Dark  = theme("dark", "#17191C", "#202327", "#ECE8E1", "#A8A59E", "#3A3D42", "#E59A73", "#8FB3BC")
)

var hueHex = [7]string{"#E6EEF0", "#BFD3D8", "#8FB3BC", "#5E909C", "#356C7A", "#17495A", "#0A2E3C"}

// cssNames are the custom properties of the roles; a page may define them itself.
var cssNames = [colours]string{"", "paper", "card", "ink", "soft", "rule", "oxide", "m0", "m1", "m2", "m3", "m4", "m5", "m6", "black", "white", "trace"}

// classLetters are the second letters of the class names: fi fills with ink, si strokes with it.
const classLetters = "-pcisro0123456kwt"

func theme(name string, hex ...string) *Theme {
	t := &Theme{Name: name}
	for i, h := range hex {
		t.rgb[[]Colour{Paper, Card, Ink, Soft, Rule, Oxide, Trace}[i]] = parseHex(h)
	}
	for i, h := range hueHex {
		t.rgb[Hue0+Colour(i)] = parseHex(h)
	}
	t.rgb[Black], t.rgb[White] = color.RGBA{A: 255}, color.RGBA{255, 255, 255, 255}
	return t
}

func parseHex(s string) color.RGBA {
	c := color.RGBA{A: 255}
	if _, err := fmt.Sscanf(s, "#%02X%02X%02X", &c.R, &c.G, &c.B); err != nil {
		panic("picture: colour " + s)
	}
	return c
}

// RGBA is the value of a role.
func (t *Theme) RGBA(c Colour) color.RGBA {
	if int(c) < colours {
		return t.rgb[c]
	}
	return color.RGBA{}
}

// Hex is the value of a role as #RRGGBB.
func (t *Theme) Hex(c Colour) string {
	v := t.RGBA(c)
	return fmt.Sprintf("#%02X%02X%02X", v.R, v.G, v.B)
}

// Hue is the step of the margin hue for a margin of 0..1: pale for none left, dark for ample. A margin below 0 (not
// measured) gets the middle step.
func Hue(margin float64) Colour {
	switch {
	case !(margin >= 0): // NaN too
		return Hue3
	case margin >= 1:
		return Hue6
	}
	return Hue0 + Colour(margin*7)
}

// over is the ink that stands out on c in both themes.
func (c Colour) over() Colour {
	switch {
	case c >= Hue4 && c <= Hue6:
		return Hue0
	case c == Hue3: // the middle step is nearer to white than it looks
		return Black
	case c >= Hue0 && c < Hue3:
		return Hue6
	case c == Ink || c == Soft || c == Oxide || c == Trace:
		return Paper
	case c == Black:
		return White
	case c == White:
		return Black
	}
	return Ink
}

func (t *Theme) vars() string {
	var b strings.Builder
	for c := Paper; c < colours; c++ {
		if (c >= Hue0 && c <= Hue6 && t != Light) || c == Black || c == White {
			continue // the same in every theme
		}
		fmt.Fprintf(&b, "--%s:%s;", cssNames[c], t.Hex(c))
	}
	return strings.TrimSuffix(b.String(), ";")
}

// Variables gives the custom properties of all roles to the elements selector chooses (":root" for a page): light,
// dark where the reader prefers it, light again on paper.
func Variables(selector string) string {
	return selector + "{color-scheme:light dark;" + Light.vars() + ";--black:#000;--white:#fff}" +
		"@media screen and (prefers-color-scheme:dark){" + selector + "{" + Dark.vars() + "}}"
}

// Classes are the rules that colour inline pictures by the custom properties of Variables; a page with pictures
// needs both once.
func Classes() string { return classes(nil) }

// classes gives the rules for the class names in used, or all of them.
func classes(used map[string]bool) string {
	var b strings.Builder
	for c := Paper; c < colours; c++ {
		for _, k := range []struct{ letter, property string }{{"f", "fill"}, {"s", "stroke"}} {
			name := k.letter + classLetters[c:c+1]
			if used == nil || used[name] {
				fmt.Fprintf(&b, ".%s{%s:var(--%s)}", name, k.property, cssNames[c])
			}
		}
	}
	return b.String()
}
