package master

import (
	"encoding/json"
	"math"

	"remanence/internal/safefile"
	"remanence/label"
	"remanence/plan"
	"remanence/program"
)

// Manifest is the JSON beside the outputs: what went in, what came out, and by which SHA-256 to know it again.
type Manifest struct {
	Version   int            `json:"remanence-manifest"` // 1
	Machine   string         `json:"machine"`
	Recording string         `json:"recording,omitempty"`
	Title     string         `json:"title,omitempty"`
	Medium    string         `json:"medium"` // the simulated drive and deck it was proven with
	Seed      uint64         `json:"seed"`
	Verified  bool           `json:"verified"`
	Inputs    []Input        `json:"inputs"`
	Outputs   []Output       `json:"outputs"`
	Media     []*Medium      `json:"media"`  // as make --json has them
	Labels    []label.Medium `json:"labels"` // what labels and shelf take from here
	LeftOut   []plan.LeftOut `json:"left-out"`
}

// Input is one file of the archive.
type Input struct {
	Path   string       `json:"path"`
	Size   int64        `json:"size"`
	SHA256 string       `json:"sha256"`
	Kind   program.Kind `json:"kind"`
	Whole  bool         `json:"whole"`
	On     []string     `json:"on"` // media it went to
}

func (mk *maker) manifest(r *Result) error {
	m := Manifest{Version: 1, Machine: r.Machine, Title: r.Title, Medium: r.Preset, Seed: r.Seed, Verified: r.Verified, Outputs: r.Outputs,
		Media: r.Media, Labels: LabelMedia(r), LeftOut: r.LeftOut}
	if mk.a.Recording != nil {
		m.Recording = mk.a.Recording.Reference()
	}
	on := mediaOf(r)
	m.Inputs = []Input{}
	for i := range mk.a.Files {
		f := &mk.a.Files[i]
		in := Input{f.Path, f.Size, f.Report.SHA256, f.Report.Kind, f.Report.Whole, on[f.Path]}
		if in.On == nil {
			in.On = []string{}
		}
		m.Inputs = append(m.Inputs, in)
	}
	b, err := json.MarshalIndent(m, "", " ")
	if err != nil {
		return err
	}
	r.Manifest = manifestName
	return safefile.WriteFile(mk.path(manifestName), append(b, '\n'), mk.o.Force)
}

// mediaOf is on which media each path lies.
func mediaOf(r *Result) map[string][]string {
	on := map[string][]string{}
	for _, m := range r.Media {
		for _, f := range m.Files {
			if l := on[f.Path]; len(l) == 0 || l[len(l)-1] != m.ID {
				on[f.Path] = append(l, m.ID)
			}
		}
	}
	return on
}

func round3(v float64) float64 { return math.Round(v*1000) / 1000 }
