package words

import "testing"

// Plurals as English dictionaries give them.
func TestCount(t *testing.T) {
	for _, tt := range []struct {
		n           int
		thing, want string
	}{{1, "sector", "1 sector"}, {0, "sector", "0 sectors"}, {2, "entry", "2 entries"}, {1, "entry", "1 entry"}, {3, "key", "3 keys"}} {
		if got := Count(tt.n, tt.thing); got != tt.want {
			t.Errorf("Count(%d, %q) = %q: want %q", tt.n, tt.thing, got, tt.want)
		}
	}
}
