package web

import (
	"regexp"
	"strings"
)

// The rooms below speak to the command line: they name its options and commands. A page has buttons and boxes, and inPageWords
// puts their names in place. Each line is a phrase of plan, program, tape or master and the page's own.
var pageWords = strings.NewReplacer(
	"; --include-damaged takes it along", "; tick “Take damaged files along” to take it",
	"read it back with 'remanence tape read', and pack what comes out", "read it back under Prove, and add what comes out",
	"decode them with 'remanence disk decode', and pack the image", "read them back under Prove, and add the image",
	"take its files out with 'remanence volume get'", "take its files out to pack them",
	"a job that says where it goes (to) takes it as data", "it is not packed",
	"because neither the job nor --machine names one", "because none was chosen",
	"'remanence convert FILE -o NAME.CMD --to load-module' makes programs of them", "they are packed as they are",
	", or record every program twice (--copies 2)", ", or set two copies of each program under Arrange",
	"; convert --line-ends cr sets them right", "; it is packed as it is",
	"; the class has other codes (convert --encoding)", "; the class has other codes",
	"; convert --strip takes them off", "",
	"it needs a relocating loader (convert --relocate)", "it needs a relocating loader",
	" (say --raw to store them)", "",
	" (--entry)", "",
	"or write its bytes as they are with --raw", "or leave it on disk",
	"no files: nothing to pack", "There is nothing to pack",
	"begin another with --work", "remove some first",
	"tape read listens to the recording itself", "the recording itself is listened to under Prove",
	"give both recordings to 'tape read'", "read both recordings together under Prove",
	"record a second pass and give both to 'tape read'", "record a second pass and read both together under Prove",
)

// An option or a command that no line above knows: it goes, with the brackets round it.
var strayOption = regexp.MustCompile(` ?\((?:say |convert )?--[a-z][a-z-]*(?: [a-z0-9]+)?\)`)

// inPageWords is what a room below says, in the words of the page.
func inPageWords(what string) string {
	return strayOption.ReplaceAllString(pageWords.Replace(what), "")
}
