package main

import (
	"bytes"
	"path/filepath"

	"remanence/internal/safefile"
	"remanence/picture"
	"remanence/tape"
	"remanence/tape/audio"
)

// tapePictures draws one recording into a folder, each picture as SVG and PNG.
func tapePictures(env *Env, r *tape.Result, path, folder string, force bool) error {
	f, err := audio.Open(path)
	if err != nil {
		return err
	}
	defer f.Close()
	pics, err := tape.Pictures(env.Context, r, f)
	if err != nil {
		return err
	}
	for _, p := range pics {
		p.Canvas.Background = picture.Paper
		var svg, png bytes.Buffer
		if err := p.Canvas.SVG(&svg, picture.SVGOptions{}); err != nil {
			return err
		}
		if err := p.Canvas.PNG(&png, 2, nil); err != nil {
			return err
		}
		for ext, b := range map[string][]byte{".svg": svg.Bytes(), ".png": png.Bytes()} {
			if err := safefile.WriteFile(filepath.Join(folder, p.Name+ext), b, force); err != nil {
				return err
			}
		}
	}
	env.Note("%d pictures in %s", len(pics), folder)
	return nil
}
