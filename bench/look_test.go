package bench

import (
	"strings"
	"testing"

	"remanence/disk"
)

// Identifiers that read over data that do not are a recording all the same: a damaged disk is not called blank.
func TestSeenWithoutData(t *testing.T) {
	s := &Seen{Encoding: disk.MFM, RateKbit: 250, Counted: true, Transitions: 40_000}
	if got := s.String(); !strings.Contains(got, "a recording in MFM at 250 kbit/s, of which no sector reads") {
		t.Error(got)
	}
}
