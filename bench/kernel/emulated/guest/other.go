//go:build !(linux && amd64)

package main

func main() { println("the guest of the emulated PC is built for linux on amd64") }
