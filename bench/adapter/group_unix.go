//go:build unix

package adapter

import (
	"os/exec"
	"syscall"
)

// ownGroup puts the program and whatever it starts into a group of their own, so that all of it can be ended.
func ownGroup(c *exec.Cmd) { c.SysProcAttr = &syscall.SysProcAttr{Setpgid: true} }

func killGroup(c *exec.Cmd) {
	if c.Process != nil {
		_ = syscall.Kill(-c.Process.Pid, syscall.SIGKILL) // it may be gone already
	}
}
