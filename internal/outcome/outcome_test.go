package outcome

import (
	"context"
	"errors"
	"fmt"
	"testing"
)

func TestStatus(t *testing.T) {
	base := errors.New("cylinder 3: no index")
	for _, tt := range []struct {
		err  error
		want int
	}{
		{nil, 0},
		{ErrIncomplete, 1},
		{As(Usage, base), 2},
		{base, 3},
		{As(Output, base), 4},
		{fmt.Errorf("disk.img: %w", As(Output, base)), 4},
		{As(Input, As(Output, base)), 4}, // the place that knows best decides
		{context.Canceled, 130},
		{As(Output, fmt.Errorf("cylinder 7: %w", context.Canceled)), 130},
	} {
		if got := Status(tt.err); got != tt.want {
			t.Errorf("Status(%v) = %d, want %d", tt.err, got, tt.want)
		}
	}
	if As(Input, nil) != nil || Hint(Input, nil, "x") != nil {
		t.Error("no error became one")
	}
	if got := HintOf(fmt.Errorf("x: %w", Hint(Usage, base, "say --force"))); got != "say --force" {
		t.Errorf("hint %q", got)
	}
}
