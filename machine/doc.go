// Package machine holds the profiles: what a class of computer, a disk recording, a line code, a label sheet or a
// medium is like, written down as TOML and never as code.
//
// A profile is one file. The files of the project are embedded; a user's own lie in the configuration folder under
// the same folder names (machines, recordings, linecodes, sheets, parameters, media) and add to them, or override
// the one with the same name. A key that the profile's type does not have and a value that cannot be are errors
// that carry file and line, so that a slip of the finger never becomes a disk that no machine reads.
//
// Worked example: the file recordings/mine.toml
//
//	name = "fm10x256"       # overrides the project's own of that name
//	title = "ours"
//	sectors = 10            # the key belongs under [track]
//
// is refused with "recordings/mine.toml:3: key \"sectors\": a recording has no such key".
package machine
