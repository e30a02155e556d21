//go:build !unix

package adapter

import "os/exec"

func ownGroup(*exec.Cmd) {}

func killGroup(c *exec.Cmd) {
	if c.Process != nil {
		_ = c.Process.Kill() // it may be gone already
	}
}
