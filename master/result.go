package master

import (
	"fmt"
	"path/filepath"
	"slices"
	"strings"

	"remanence/disk"
	"remanence/disk/track"
	"remanence/plan"
	"remanence/program"
	"remanence/volume"
)

// Result is what make did. Its JSON is what plan --json and make --json print; paths are relative to the output folder.
type Result struct {
	Machine    string         `json:"machine"`
	Title      string         `json:"title,omitempty"`
	LowerBound int            `json:"lower-bound"`
	Media      []*Medium      `json:"media"`
	LeftOut    []plan.LeftOut `json:"left-out"`
	Notes      []string       `json:"notes,omitempty"`
	Preset     string         `json:"medium,omitempty"` // what the simulated drive and deck did
	Seed       uint64         `json:"seed,omitempty"`
	Labels     string         `json:"labels,omitempty"`
	Report     string         `json:"report,omitempty"`
	Manifest   string         `json:"manifest,omitempty"`
	Verified   bool           `json:"verified"` // every medium came back whole
	Outputs    []Output       `json:"-"`
	Arranged   *Arrangement   `json:"-"`
}

// Medium is one disk or tape side that was planned, and made.
type Medium struct {
	plan.Medium
	Image    string  `json:"image"`    // raw sector image; "" for a tape
	Captures string  `json:"captures"` // zip of interval captures, as a perfect drive would read the disk
	Audio    string  `json:"audio"`    // sound of the side; "" for a disk
	Verified bool    `json:"verified"`
	Faults   []Fault `json:"faults,omitempty"` // why it is not verified
	Proof    Proof   `json:"proof,omitzero"`

	Back    *disk.Image     `json:"-"` // what was read back of a disk
	Tracks  []*track.Result `json:"-"`
	Volume  volume.Info     `json:"-"`
	Units   []volume.Unit   `json:"-"`
	Wrong   map[string]bool `json:"-"` // files that did not come back: names on a disk, paths on a tape; see Lost
	SideRun *SideProof      `json:"-"`
}

// Fault is one thing that went wrong, in the order place, what, consequence, what to do.
type Fault struct {
	Where       string `json:"where"`
	What        string `json:"what"`
	Consequence string `json:"consequence,omitempty"`
	Do          string `json:"do,omitempty"`
}

// Proof is how a medium was read back.
type Proof struct {
	SectorsExpected int     `json:"sectors-expected,omitempty"`
	SectorsGood     int     `json:"sectors-good,omitempty"`
	LeastMargin     float64 `json:"least-margin,omitempty"` // 0..1 of the half window, of the sectors that were read
	SpeedPercent    float64 `json:"speed-percent,omitempty"`
	FilesExpected   int     `json:"files-expected"`
	FilesGood       int     `json:"files-good"`
	LevelDBFS       float64 `json:"level-dbfs,omitempty"`
}

// Output is one file that was written.
type Output struct {
	Path   string `json:"path"` // relative to the output folder
	What   string `json:"what"`
	Size   int64  `json:"size"`
	SHA256 string `json:"sha256"`
}

// Planned is the result of arranging alone: nothing is written, nothing proven.
func Planned(a *Arrangement) *Result {
	r := &Result{Machine: a.Plan.Machine, Title: a.Plan.Title, LowerBound: a.Plan.LowerBound, LeftOut: a.Plan.LeftOut,
		Notes: slices.Concat(a.Plan.Notes, a.asleep()), Media: []*Medium{}, Arranged: a}
	for _, m := range a.Plan.Media {
		r.Media = append(r.Media, &Medium{Medium: *m})
	}
	return r
}

// asleep names what goes on a disk as text that stands for machine code: the machine keeps it, and does not run it.
func (a *Arrangement) asleep() []string {
	if !slices.Contains(a.Machine.Programs, program.LoadModule) {
		return nil
	}
	var names []string
	for _, m := range a.Plan.Media {
		for _, f := range m.Files {
			if m.Disk != nil && (f.Kind == program.IntelHex || f.Kind == program.SRecord) && !slices.Contains(a.Machine.Programs, f.Kind) {
				names = append(names, filepath.Base(f.Path))
			}
		}
	}
	if len(names) == 0 {
		return nil
	}
	if more := len(names) - 4; more > 0 {
		names = append(names[:4], fmt.Sprintf("%d more", more))
	}
	return []string{fmt.Sprintf("%s keeps HEX and S-records as text and does not run them; 'remanence convert FILE -o NAME.CMD --to load-module' makes programs of them: %s", a.Machine.Name, strings.Join(names, ", "))}
}

// Lost reports whether a file of the medium did not come back.
func (m *Medium) Lost(f *plan.Placed) bool { return m.Wrong[m.key(f)] }

func (m *Medium) lose(f *plan.Placed) { m.Wrong[m.key(f)] = true }

// key is what a file is known by on its medium. Two programs of a tape may have one name; the files of an image that
// came whole have one path.
func (m *Medium) key(f *plan.Placed) string {
	if m.Disk != nil {
		return f.Name
	}
	return f.Path
}
