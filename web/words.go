package web

import (
	"cmp"
	"encoding/hex"
	"fmt"
	"html/template"
	"math"
	"reflect"
	"strings"

	"remanence/internal/words"
	"remanence/picture"
	"remanence/program"
)

var functions = template.FuncMap{
	"size": size, "hexaddr": func(n int) string { return fmt.Sprintf("%04Xh", n) },
	"inc": func(n int) int { return n + 1 }, "dec": func(n int) int { return n - 1 },
	"deref": func(n *int) int { return *n },
	"last":  func(n int) string { return fmt.Sprintf("%04Xh", n-1) },
	"pct":   func(x *float64) string { return fmt.Sprintf("%.0f %%", 100**x) },
	"percent": func(x float64) string {
		if x < 0 || math.IsNaN(x) {
			return "not measured"
		}
		return fmt.Sprintf("%.0f %%", 100*x)
	},
	"said": inPageWords, "breaks": breaks, "remarks": remarks,
	"state": state, "kind": kindWords, "join": strings.Join, "clock": clock,
	"seconds":  func(s float64) string { return fmt.Sprintf("%.1f s", s) },
	"lower":    strings.ToLower,
	"count":    func(n any, thing string) string { return words.Count(int(reflect.ValueOf(n).Int()), thing) }, // int or int64
	"slist":    func(list ...string) []string { return list },
	"kindtext": func(kind string) string { return kindWords(program.Kind(kind)) },
}

func size(n int64) string {
	switch {
	case n < 1024:
		return words.Count(int(n), "byte")
	case n < 100<<10:
		return fmt.Sprintf("%.1f KiB", float64(n)/1024)
	case n < 1<<20:
		return fmt.Sprintf("%.0f KiB", float64(n)/1024)
	case n < 100<<20:
		return fmt.Sprintf("%.1f MiB", float64(n)/(1<<20))
	case n < 1<<30:
		return fmt.Sprintf("%.0f MiB", float64(n)/(1<<20))
	}
	return fmt.Sprintf("%.1f GiB", float64(n)/(1<<30))
}

// clock is a time on a tape in minutes and seconds.
func clock(s float64) string {
	s = math.Round(10*s) / 10 // 59.96 s are 1:00.0
	return fmt.Sprintf("%d:%04.1f", int(s)/60, math.Mod(s, 60))
}

// breaks lets a long path be broken after a folder and before its extension, rather than anywhere.
func breaks(path string) template.HTML {
	s := strings.ReplaceAll(template.HTMLEscapeString(path), "/", "/<wbr>")
	if i := strings.LastIndexByte(s, '.'); i > 0 {
		s = s[:i] + "<wbr>" + s[i:]
	}
	return template.HTML(s)
}

// state of a file in a word.
func state(r program.Report) string {
	switch {
	case r.Kind == program.Unknown:
		return "data"
	case r.Whole, remarks(r):
		return "whole"
	}
	return "damaged"
}

// remarks says that the faults of a file cost nothing of it: line ends of another system, links that loading makes anew.
// Such a file is packed like a whole one.
func remarks(r program.Report) bool { return !r.Whole && r.Complete() }

var kindNames = map[program.Kind]string{
	program.LoadModule: "load module", program.MachineTape: "machine-code tape", program.BASICDisk: "BASIC, disk form",
	program.BASICTape: "BASIC, tape form", program.Text: "text", program.IntelHex: "Intel HEX", program.SRecord: "S-records",
	program.SectorImage: "disk image", program.Audio: "recording", program.Captures: "captures", program.Unknown: "no known kind",
}

func kindWords(k program.Kind) string { return cmp.Or(kindNames[k], string(k)) }

// inline draws a picture into the page; id is a word unique in the page.
func inline(c *picture.Canvas, id string) template.HTML {
	if c == nil {
		return ""
	}
	var b strings.Builder
	if err := c.SVG(&b, picture.SVGOptions{Inline: true, ID: id}); err != nil {
		return template.HTML("<p>The picture could not be drawn.</p>")
	}
	return template.HTML(b.String()) // written by our own drawing room, which escapes all text
}

// rows are bytes for people.
type row struct {
	Offset string
	Cells  []cell
	Text   string
}

// cell is a run of bytes of one field within a row.
type cell struct {
	Hex    string
	Field  int  // -1: none
	Marked bool // of the chain that is shown
}

// rowsOf lays bytes out in rows of 16; field says to which field an offset belongs.
func rowsOf(data []byte, at int, field func(int) int) []row {
	var rows []row
	for i := 0; i < len(data); i += 16 {
		line := data[i:min(i+16, len(data))]
		r := row{Offset: fmt.Sprintf("%06X", at+i)}
		var text strings.Builder
		for j := 0; j < len(line); {
			f, k := field(at+i+j), j+1
			for k < len(line) && field(at+i+k) == f {
				k++
			}
			var h strings.Builder
			for _, b := range line[j:k] {
				h.WriteString(strings.ToUpper(hex.EncodeToString([]byte{b})) + " ")
			}
			r.Cells = append(r.Cells, cell{Hex: strings.TrimSpace(h.String()), Field: f})
			j = k
		}
		for _, b := range line {
			if b >= 0x20 && b < 0x7F {
				text.WriteByte(b)
			} else {
				text.WriteRune('·')
			}
		}
		r.Text = text.String()
		rows = append(rows, r)
	}
	return rows
}
