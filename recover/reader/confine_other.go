//go:build !linux

package reader

// confine leaves the limits to the watchdog, the step counter and the parent's clock.
func confine(memory, seconds int64) error { return nil }
