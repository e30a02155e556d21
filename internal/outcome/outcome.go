// Package outcome gives errors the exit status that scripts rely on: 1 done but something is damaged, unverified or
// missing; 2 the call is wrong; 3 an input cannot be used; 4 an output or device failed.
package outcome

import (
	"context"
	"errors"
)

// Class is the exit status an error asks for.
type Class int

const (
	Damaged Class = 1
	Usage   Class = 2
	Input   Class = 3
	Output  Class = 4
)

type classed struct {
	class Class
	hint  string
	err   error
}

func (c *classed) Error() string { return c.err.Error() }
func (c *classed) Unwrap() error { return c.err }

// As marks err; nil stays nil. The innermost mark wins, so that the place that knows best decides.
func As(class Class, err error) error {
	if err == nil {
		return nil
	}
	var c *classed
	if errors.As(err, &c) {
		return err
	}
	return &classed{class: class, err: err}
}

// Hint adds a line that says what to do instead, printed below the error.
func Hint(class Class, err error, hint string) error {
	if err == nil {
		return nil
	}
	return &classed{class, hint, err}
}

// HintOf is the hint of err, "" if it has none.
func HintOf(err error) string {
	var c *classed
	if errors.As(err, &c) {
		return c.hint
	}
	return ""
}

// ErrIncomplete is returned by a command that did its work and already said what is damaged, unverified or missing.
var ErrIncomplete = &classed{Damaged, "", errors.New("done, but not everything is whole")}

// Status is the exit status for err: 0 for nil, 130 for a cancelled context, 3 for an unmarked error.
func Status(err error) int {
	var c *classed
	switch {
	case err == nil:
		return 0
	case errors.Is(err, context.Canceled): // whatever class the work gave it: the person stopped it
		return 130
	case errors.As(err, &c):
		return int(c.class)
	}
	return int(Input)
}
