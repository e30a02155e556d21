//go:build linux && (amd64 || 386)

package kernel

import (
	"bufio"
	"errors"
	"fmt"
	"os"
	"runtime"
	"strings"
	"syscall"
	"unsafe"

	"remanence/bench"
)

// native is the layout of this program's own word size; the kernel translates it. Raw commands are the exception: it
// does not translate them, so they go in the layout of the kernel (measured under an amd64 kernel).
func native() layout {
	if unsafe.Sizeof(uintptr(0)) == 8 {
		return layout64
	}
	return layout32
}

func kernelLayout() layout {
	var u syscall.Utsname
	if syscall.Uname(&u) == nil {
		var b []byte
		for _, c := range u.Machine {
			if c == 0 {
				break
			}
			b = append(b, byte(c))
		}
		if string(b) == "x86_64" {
			return layout64
		}
	}
	return native()
}

type port struct {
	f    *os.File
	path string
	own  layout
	raw  layout
}

// Open opens a drive for writing, without the driver's own guessing. A device that is mounted is refused.
func Open(path string) (Port, error) {
	if err := Mounted(path); err != nil {
		return nil, err
	}
	fd, err := syscall.Open(path, syscall.O_RDWR|syscall.O_NONBLOCK|syscall.O_CLOEXEC|syscall.O_EXCL, 0)
	if err != nil {
		return nil, fmt.Errorf("%s: %w", path, err)
	}
	return &port{f: os.NewFile(uintptr(fd), path), path: path, own: native(), raw: kernelLayout()}, nil
}

// Mounted refuses a device with a mounted file system on it.
func Mounted(path string) error {
	var st syscall.Stat_t
	if err := syscall.Stat(path, &st); err != nil {
		return fmt.Errorf("%s: %w", path, err)
	}
	if st.Mode&syscall.S_IFMT != syscall.S_IFBLK {
		return fmt.Errorf("%s: is no block device", path)
	}
	major, minor := uint64(st.Rdev)>>8&0xFFF, uint64(st.Rdev)&0xFF|uint64(st.Rdev)>>12&0xFFF00
	if major != 2 { // Linux devices list: 2 block, floppy disks
		return fmt.Errorf("%s: is block device %d:%d, and floppy drives are 2:0 and up; nothing else is written", path, major, minor)
	}
	f, err := os.Open("/proc/self/mountinfo")
	if err != nil {
		return nil // no proc, no mounts to be seen; O_EXCL refuses them all the same
	}
	defer f.Close()
	for s := bufio.NewScanner(f); s.Scan(); {
		w := strings.Fields(s.Text())
		if len(w) > 4 && w[2] == fmt.Sprintf("%d:%d", major, minor) {
			return fmt.Errorf("%s: is mounted on %s; unmount it first", path, w[4])
		}
	}
	return nil
}

func (p *port) Name() string { return p.path }

// ioctl gives the driver a number or the address of a buffer. The thread is held so that a signal meant for another
// does not come between.
func (p *port) ioctl(req uint32, arg uintptr) error {
	_, _, e := syscall.Syscall(syscall.SYS_IOCTL, p.f.Fd(), uintptr(req), arg)
	return errno(e)
}

func errno(e syscall.Errno) error {
	switch e {
	case 0:
		return nil
	case syscall.EINTR:
		return ErrInterrupted
	case syscall.EOPNOTSUPP, syscall.ENOTTY:
		return ErrNoRaw
	case syscall.EROFS:
		return bench.ErrWriteProtected
	case syscall.ENXIO, syscall.ENODEV:
		return bench.ErrNoDisk
	case syscall.EIO:
		return ErrIO
	}
	return fmt.Errorf("the driver says %w", e)
}

func (p *port) buffer(req uint32, b []byte) error {
	runtime.LockOSThread()
	defer runtime.UnlockOSThread()
	_, _, e := syscall.Syscall(syscall.SYS_IOCTL, p.f.Fd(), uintptr(req), uintptr(unsafe.Pointer(&b[0])))
	runtime.KeepAlive(b)
	return errno(e)
}

func (p *port) Raw(c *Command) error {
	var pin runtime.Pinner
	defer pin.Unpin()
	address := uint64(0)
	if len(c.Data) > 0 {
		pin.Pin(&c.Data[0])
		address = uint64(uintptr(unsafe.Pointer(&c.Data[0])))
	}
	b := c.bytes(p.raw, address)
	err := p.buffer(fdRAWCMD, b)
	c.take(p.raw, b)
	if errors.Is(err, ErrIO) && c.Flags&rawHardFailure != 0 {
		return bench.ErrNoDisk
	}
	return err
}

func (p *port) SetParams(f *Params) error { return p.buffer(p.own.setParams(), f.bytes(p.own)) }
func (p *port) FormatBegin() error        { return p.ioctl(fdFMTBEG, 0) }
func (p *port) FormatEnd() error          { return p.ioctl(fdFMTEND, 0) }
func (p *port) Flush() error              { return p.ioctl(fdFLUSH, 0) }
func (p *port) Reset() error              { return p.ioctl(fdRESET, 2) }

func (p *port) FormatTrack(head, track uint32) error {
	d := [3]uint32{0, head, track} // format_descr: device (ignored), head, track
	return p.buffer(fdFMTTRK, unsafe.Slice((*byte)(unsafe.Pointer(&d[0])), 12))
}

func (p *port) Poll() (State, error) {
	b := make([]byte, p.own.state)
	if err := p.buffer(p.own.pollState(), b); err != nil {
		return State{}, err
	}
	// A 386 program under an amd64 kernel gets flags 0 always: then nothing is known.
	known := !(p.own.word == 4 && p.raw.word == 8)
	return State{Changed: b[0]>>4&1 != 0, Writable: b[0]>>5&1 != 0, Known: known}, nil
}

func fileError(err error) error {
	var e syscall.Errno
	if errors.As(err, &e) {
		return errno(e)
	}
	return err
}

func (p *port) ReadAt(b []byte, off int64) (int, error) {
	n, err := p.f.ReadAt(b, off)
	return n, fileError(err)
}
func (p *port) WriteAt(b []byte, off int64) (int, error) {
	n, err := p.f.WriteAt(b, off)
	return n, fileError(err)
}
func (p *port) Sync() error  { return fileError(p.f.Sync()) }
func (p *port) Close() error { return p.f.Close() }
