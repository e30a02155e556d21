// Command host boots the emulated PC twice and checks from outside what the bench did in it: the disk images byte by
// byte and by fsck.fat, the bytes that reached the controller and the identifier table in memory that it would fetch.
//
// What the emulation cannot show (shared knowledge, measured on qemu 7.2): FORMAT leaves the image as it was, FM, marks,
// CRCs and rotation are not modelled. So exact recordings are proven up to the pins of the chip. No real drive is used.
package main

import (
	"bufio"
	"bytes"
	"context"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"net"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strconv"
	"strings"
	"time"

	"remanence/disk"
	"remanence/machine"
	"remanence/volume"
)

func main() {
	if len(os.Args) != 2 {
		fmt.Fprintln(os.Stderr, "usage: host FOLDER (with vmlinux, floppy-raw.ko, floppy-stock.ko, init)")
		os.Exit(2)
	}
	start := time.Now()
	c := &check{dir: os.Args[1]}
	if err := c.all(); err != nil {
		fmt.Fprintln(os.Stderr, "emulated-pc:", err)
		os.Exit(1)
	}
	fmt.Printf("emulated-pc: %d checks passed, %d failed, %.1f s\n", c.passed, c.failed, time.Since(start).Seconds())
	if c.failed > 0 {
		os.Exit(1)
	}
}

type check struct {
	dir            string
	passed, failed int
}

func (c *check) ok(what string, yes bool, detail string) {
	if yes {
		c.passed++
		fmt.Printf("%-78s ok\n", what)
		return
	}
	c.failed++
	fmt.Printf("%-78s FAILED\n%s\n", what, detail)
}

// volumeImage is a FAT12 volume of our own making with a few files on it.
func volumeImage(set *machine.Set, ref string) (*disk.Image, error) {
	rec, err := set.Recording(ref)
	if err != nil {
		return nil, err
	}
	v, err := volume.New("fat12", rec, volume.NewOptions{})
	if err != nil {
		return nil, err
	}
	for i, n := range []string{"TIDES.TXT", "HERON.BIN", "MARSH.DAT"} {
		data := make([]byte, 9000+i*20011)
		for k := range data {
			data[k] = byte(k*(i+3) ^ k>>7)
		}
		if err := v.Put(n, data, volume.PutOptions{}); err != nil {
			return nil, err
		}
	}
	return v.Image(), nil
}

func (c *check) all() error {
	set, err := machine.Load("")
	if err != nil {
		return err
	}
	tmp, err := os.MkdirTemp("", "emulated")
	if err != nil {
		return err
	}
	defer os.RemoveAll(tmp)
	hd, err := volumeImage(set, "mfm18x512")
	if err != nil {
		return err
	}
	dd, err := volumeImage(set, "mfm8x512")
	if err != nil {
		return err
	}
	a, b := filepath.Join(tmp, "a.img"), filepath.Join(tmp, "b.img")
	blank := func(path string, n int) error { return os.WriteFile(path, bytes.Repeat([]byte{0xAA}, n), 0o644) }
	if err := errors.Join(blank(a, len(hd.Data)), blank(b, len(dd.Data))); err != nil {
		return err
	}
	qemuA := []string{"-drive", "if=none,id=a,format=raw,file=" + a, "-device", "floppy,unit=0,drive=a,drive-type=144"}
	qemuB := []string{"-drive", "if=none,id=b,format=raw,file=" + b, "-device", "floppy,unit=1,drive=b,drive-type=120"}

	// First boot: raw commands.
	plan := `open /dev/fd0 mfm18x512 0 1
write /hd.img
write /hd.img
read
close
open /dev/fd1 fm10x256 1 1
format 17 0
sync fm
close
open /dev/fd1 fm16x128 1 1
format 6 0
sync fm128
close
open /dev/fd1 fm10x256 1 2
format 9 0
close
open /dev/fd1 mfm8x512 1 1
check dd48
close
`
	out, trace, chrn, err := c.boot(tmp, "floppy-raw.ko", plan, map[string][]byte{"hd.img": hd.Data},
		append(append([]string{"-trace", "fdc_ioport_write", "-trace", "memory_region_ops_write"}, qemuA...), qemuB...))
	if err != nil {
		return err
	}
	got, err := os.ReadFile(a)
	if err != nil {
		return err
	}
	n := hd.Geometry.Cylinders * hd.Geometry.Heads
	c.ok("raw commands are found and used", strings.Contains(out, "/dev/fd0 (raw commands)"), out)
	c.ok("whole disk formatted, written and verified", strings.Contains(out, fmt.Sprintf("write /hd.img => verified true, %d of %d tracks, 0 resumed", n, n)), out)
	c.ok("second run finds every track right and writes none", strings.Contains(out, fmt.Sprintf("verified true, %d of %d tracks, %d resumed", n, n, n)), out)
	c.ok("the disk's image equals ours byte by byte", bytes.Equal(got, hd.Data), firstDifference(got, hd.Data))
	c.ok("read back into an image of the same SHA-256", strings.Contains(out, fmt.Sprintf("lost 0 sha256 %x", sha256.Sum256(hd.Data))), out)
	fs, err := exec.Command("fsck.fat", "-n", a).CombinedOutput()
	c.ok("fsck.fat finds nothing wrong on it", err == nil, fmt.Sprintf("%v: %s", err, fs))
	commands := controllerBytes(trace)
	// Source of the command bytes: 765 data sheet, FORMAT TRACK; 0D is FM, 4D MFM; gap and fill as the recording says.
	has := func(hexBytes string) bool {
		b, _ := hex.DecodeString(hexBytes)
		return bytes.Contains(commands, b)
	}
	c.ok("FM format, 10 x 256: 0D, drive 1, size code 1, 10 sectors, gap 12, fill E5", has("0d01010a0ce5"), fmt.Sprintf("% x", tail(commands)))
	c.ok("FM format, 16 x 128: 0D, size code 0, 16 sectors", has("0d010010"), fmt.Sprintf("% x", tail(commands)))
	c.ok("MFM format, 18 x 512: 4D, size code 2, 18 sectors, gap 108, fill F6", has("4d0002126cf6"), fmt.Sprintf("% x", tail(commands)))
	c.ok("double stepping: cylinder 9 is sought at step 18", has("0f0112"), fmt.Sprintf("% x", tail(commands)))
	c.ok("zero-based FM table in the order of the track", chrn["fm"] == "11000001 11000501 11000101 11000601 11000201 11000701 11000301 11000801 11000401 11000901", chrn["fm"])
	want := ""
	for i := 1; i <= 16; i++ {
		want += fmt.Sprintf("0600%02x00 ", i)
	}
	c.ok("FM table with 128-byte sectors", chrn["fm128"] == strings.TrimSpace(want), chrn["fm128"])
	c.check(out)

	// Second boot: the distribution's own module, without raw commands; drive A protected.
	plan = `open /dev/fd1 mfm8x512 1 1
write /dd.img
read
close
open /dev/fd1 fm16x128 1 1
format 17 0
close
open /dev/fd0 mfm18x512 0 1
write /hd2.img
close
`
	out, _, _, err = c.boot(tmp, "floppy-stock.ko", plan, map[string][]byte{"dd.img": dd.Data, "hd2.img": make([]byte, len(hd.Data))},
		append([]string{"-drive", "if=none,id=a,format=raw,readonly=on,file=" + a, "-device", "floppy,unit=0,drive=a,drive-type=144"}, qemuB...))
	if err != nil {
		return err
	}
	if got, err = os.ReadFile(b); err != nil {
		return err
	}
	c.ok("without raw commands the driver's own formatting is used", strings.Contains(out, "/dev/fd1 (driver's own formatting)"), out)
	c.ok("8 x 512 written and verified that way", strings.Contains(out, "verified true, 80 of 80 tracks"), out)
	c.ok("that image equals ours byte by byte", bytes.Equal(got, dd.Data), firstDifference(got, dd.Data))
	fs, err = exec.Command("fsck.fat", "-n", b).CombinedOutput()
	c.ok("fsck.fat finds nothing wrong on it either", err == nil, fmt.Sprintf("%v: %s", err, fs))
	c.ok("128-byte sectors are refused, with what they need", strings.Contains(out, "unable: ") && strings.Contains(out, "CONFIG_BLK_DEV_FD_RAWCMD"), out)
	c.ok("a protected disk is not written and nothing is verified", strings.Contains(out, "verified false, 0 of 160 tracks") && strings.Contains(out, "write-protected"), out)
	if got, err = os.ReadFile(a); err != nil {
		return err
	}
	c.ok("the protected disk is as it was", bytes.Equal(got, hd.Data), firstDifference(got, hd.Data))
	return nil
}

// check: the emulation turns nothing and reads back in MFM what was written "in FM", so these are the honest findings.
func (c *check) check(out string) {
	c.ok("a check comes to its end and claims no figure that needs rotation", strings.Contains(out, "check dd48 => rpm 0 fm no gap3 0 blind 0"), out)
	for _, l := range []string{
		"CHECK MFM at 250 kbit/s: ok true",
		"CHECK speed: ok false unknown true: not measurable",
		"CHECK FM: ok false unknown false: what is written as FM reads as MFM just as well",
		"CHECK mark FA: ok false unknown false: no controller of this class",
		"CHECK gap 3: ok false unknown true: not measurable",
		"CHECK index gap: ok false unknown true: not measurable",
	} {
		c.ok(l, strings.Contains(out, l), out)
	}
}

func tail(b []byte) []byte { return b[max(0, len(b)-200):] }

func firstDifference(a, b []byte) string {
	if len(a) != len(b) {
		return fmt.Sprintf("%d bytes, want %d", len(a), len(b))
	}
	for i := range a {
		if a[i] != b[i] {
			return fmt.Sprintf("byte %d: %02x, want %02x", i, a[i], b[i])
		}
	}
	return ""
}

// boot runs the plan in a fresh PC; out is the console, trace what the emulator wrote down, chrn the identifier tables
// that lay in memory at the plan's sync lines.
func (c *check) boot(tmp, ko, plan string, files map[string][]byte, args []string) (out, trace string, chrn map[string]string, err error) {
	read := func(name string) []byte {
		b, e := os.ReadFile(filepath.Join(c.dir, name))
		err = errors.Join(err, e)
		return b
	}
	archive := cpio(append([]file{{"init", read("init")}, {"floppy.ko", read(ko)}, {"plan", []byte(plan)}}, list(files)...))
	if err != nil {
		return
	}
	initrd, sock, tracePath := filepath.Join(tmp, "initrd"), filepath.Join(tmp, ko+".sock"), filepath.Join(tmp, ko+".trace")
	if err = os.WriteFile(initrd, archive, 0o644); err != nil {
		return
	}
	traceFile, err := os.Create(tracePath)
	if err != nil {
		return
	}
	defer traceFile.Close()
	ctx, cancel := context.WithTimeout(context.Background(), 110*time.Second)
	defer cancel()
	cmd := exec.CommandContext(ctx, "qemu-system-x86_64", append([]string{"-M", "pc", "-accel", "tcg", "-m", "256", "-smp", "1", "-nodefaults", "-no-reboot",
		"-display", "none", "-serial", "stdio", "-monitor", "none", "-qmp", "unix:" + sock + ",server=on,wait=off", "-kernel", filepath.Join(c.dir, "vmlinux"),
		"-initrd", initrd, "-append", "console=ttyS0 quiet loglevel=3 panic=-1"}, args...)...)
	cmd.Stderr = traceFile
	stdin, err := cmd.StdinPipe()
	if err != nil {
		return
	}
	stdout, err := cmd.StdoutPipe()
	if err != nil {
		return
	}
	if err = cmd.Start(); err != nil {
		return
	}
	chrn = map[string]string{}
	var text strings.Builder
	for s := bufio.NewScanner(stdout); s.Scan(); {
		l := strings.TrimRight(s.Text(), "\r")
		text.WriteString(l + "\n")
		if name, ok := strings.CutPrefix(l, "SYNC "); ok {
			b, _ := os.ReadFile(tracePath)
			chrn[name] = dma(sock, string(b))
			if _, e := io.WriteString(stdin, "go\n"); e != nil {
				break
			}
		}
	}
	werr := cmd.Wait()
	b, _ := os.ReadFile(tracePath)
	if werr != nil {
		err = fmt.Errorf("qemu: %w: %s%s", werr, text.String(), b[max(0, len(b)-2000):])
	}
	return text.String(), string(b), chrn, err
}

// dma reads, through the emulator's monitor, the memory that channel 2 of the DMA controller was last set to.
func dma(sock, trace string) string {
	var base, count [2]int
	page := 0
	for _, m := range regexp.MustCompile(`addr 0x(\w+) value 0x(\w+) size 1 name 'dma-`).FindAllStringSubmatch(trace, -1) {
		at, _ := strconv.ParseInt(m[1], 16, 64)
		v, _ := strconv.ParseInt(m[2], 16, 64)
		switch at {
		case 4:
			base = [2]int{base[1], int(v)}
		case 5:
			count = [2]int{count[1], int(v)}
		case 0x81:
			page = int(v)
		}
	}
	n := (count[1]<<8 | count[0]) + 1
	conn, err := net.Dial("unix", sock)
	if err != nil {
		return err.Error()
	}
	defer conn.Close()
	r := bufio.NewReader(conn)
	ask := func(s string) string {
		if s != "" {
			if _, err := io.WriteString(conn, s+"\n"); err != nil {
				return err.Error()
			}
		}
		for {
			l, err := r.ReadString('\n')
			if err != nil || strings.Contains(l, `"return"`) || strings.Contains(l, `"QMP"`) || strings.Contains(l, `"error"`) {
				return l
			}
		}
	}
	ask("")
	ask(`{"execute":"qmp_capabilities"}`)
	answer := ask(fmt.Sprintf(`{"execute":"human-monitor-command","arguments":{"command-line":"xp /%dbx 0x%x"}}`, n, page<<16|base[1]<<8|base[0]))
	var a struct {
		Return string `json:"return"`
	}
	if json.Unmarshal([]byte(answer), &a) != nil {
		return answer
	}
	var out strings.Builder
	for i, m := range regexp.MustCompile(`0x(\w\w)\b`).FindAllStringSubmatch(a.Return, -1) {
		if i > 0 && i%4 == 0 {
			out.WriteByte(' ')
		}
		out.WriteString(m[1])
	}
	return out.String()
}

// controllerBytes are the bytes written to the controller's data register.
func controllerBytes(trace string) []byte {
	var out []byte
	for _, m := range regexp.MustCompile(`fdc_ioport_write write reg 0x05 val 0x(\w+)`).FindAllStringSubmatch(trace, -1) {
		v, _ := strconv.ParseUint(m[1], 16, 8)
		out = append(out, byte(v))
	}
	return out
}

type file struct {
	name string
	data []byte
}

func list(m map[string][]byte) []file {
	var out []file
	for n, d := range m {
		out = append(out, file{n, d})
	}
	return out
}

// cpio is an archive in the "newc" form that the kernel unpacks as its first file system.
func cpio(files []file) []byte {
	var b bytes.Buffer
	ino := 0
	entry := func(name string, mode, major, minor int, data []byte) {
		ino++
		fmt.Fprintf(&b, "070701%08X%08X%08X%08X%08X%08X%08X%08X%08X%08X%08X%08X%08X", ino, mode, 0, 0, 1, 0, len(data), 0, 0, major, minor, len(name)+1, 0)
		b.WriteString(name)
		b.WriteByte(0)
		pad(&b)
		b.Write(data)
		pad(&b)
	}
	for _, d := range []string{"dev", "proc", "sys"} {
		entry(d, 0o040755, 0, 0, nil)
	}
	entry("dev/console", 0o020600, 5, 1, nil)
	for _, f := range files {
		entry(f.name, 0o100755, 0, 0, f.data)
	}
	entry("TRAILER!!!", 0, 0, 0, nil)
	return b.Bytes()
}

func pad(b *bytes.Buffer) {
	for b.Len()%4 != 0 {
		b.WriteByte(0)
	}
}
