package computer

import _ "embed"

//go:generate z80asm -o rom.bin ../asm/rom.asm

//go:embed rom.bin
var rom []byte

// Where the read-only memory leaves what the loader found.
const (
	loadResult = 0x4000 // 1: whole, 2: a checksum was wrong
	loadEntry  = 0x4001
	loaderAt   = 0x10
)

// LoadTape puts the processor at the class's tape loader: play the tape, then RunFor until it halts.
func (c *Computer) LoadTape() {
	copy(c.Memory[:], rom)
	c.PC, c.Halted = loaderAt, false
}

// Loaded reports how the loader ended: whether it has, and whether the program was whole.
func (c *Computer) Loaded() (ended, whole bool) {
	return c.Halted && c.Memory[loadResult] != 0, c.Memory[loadResult] == 1
}

// StartLoaded does what a person does next: starts what was loaded.
func (c *Computer) StartLoaded() { c.Halted = false }
