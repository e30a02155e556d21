package reader

import "syscall"

// confine asks the kernel to hold the limits: memory that can be written (RLIMIT_DATA counts private writable maps
// since Linux 4.7; address space alone is no measure for a Go program), processor time, no file of any length, no
// core. Eight descriptors above the standard three are what the Go runtime itself may want.
func confine(memory, seconds int64) error {
	for _, l := range []struct {
		what int
		n    uint64
	}{
		{syscall.RLIMIT_DATA, uint64(memory) + 128<<20}, // the runtime's own share
		{syscall.RLIMIT_CPU, uint64(seconds)},
		{syscall.RLIMIT_FSIZE, 0},
		{syscall.RLIMIT_CORE, 0},
		{syscall.RLIMIT_NOFILE, 11},
	} {
		if err := syscall.Setrlimit(l.what, &syscall.Rlimit{Cur: l.n, Max: l.n}); err != nil {
			return err
		}
	}
	return nil
}
