package label

import (
	"encoding/json"
	"fmt"

	"remanence/internal/outcome"
)

// maxManifest bounds what is read as a manifest, in bytes; maxMedia the media in it.
const (
	maxManifest = 64 << 20
	maxMedia    = 10_000
)

// FromManifest reads the media that a make result's manifest.json lists for labels. Name is for messages.
func FromManifest(name string, data []byte) ([]Medium, error) {
	if len(data) > maxManifest {
		return nil, outcome.As(outcome.Input, fmt.Errorf("%s: %d bytes, want %d at most", name, len(data), maxManifest))
	}
	var m struct {
		Version int      `json:"remanence-manifest"`
		Labels  []Medium `json:"labels"`
	}
	if err := json.Unmarshal(data, &m); err != nil {
		return nil, outcome.As(outcome.Input, fmt.Errorf("%s: no manifest: %w", name, err))
	}
	if m.Version != 1 {
		return nil, outcome.As(outcome.Input, fmt.Errorf("%s: remanence-manifest is %d, want 1", name, m.Version))
	}
	if len(m.Labels) > maxMedia {
		return nil, outcome.As(outcome.Input, fmt.Errorf("%s: %d media, want %d at most", name, len(m.Labels), maxMedia))
	}
	for i := range m.Labels {
		if err := m.Labels[i].Check(); err != nil {
			return nil, outcome.As(outcome.Input, fmt.Errorf("%s: %w", name, err))
		}
	}
	return m.Labels, nil
}
