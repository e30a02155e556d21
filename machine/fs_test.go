package machine

import (
	"io/fs"
	"testing/fstest"
)

// fsOf is a folder in which every family has one profile, src.
func fsOf(src []byte) fs.FS {
	m := fstest.MapFS{}
	for _, d := range []string{"machines", "recordings", "linecodes", "sheets", "parameters", "media", "drives", "controllers", "disks"} {
		m[d+"/x.toml"] = &fstest.MapFile{Data: src}
	}
	return m
}
