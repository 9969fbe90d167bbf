//go:build linux && amd64

package tracer

import (
	"bytes"
	"encoding/binary"
	"fmt"
	"os"
	"path"
	"strings"

	"golang.org/x/sys/unix"
)

// Call is one system call, before or after it is carried out.
type Call struct {
	Name   string
	Kind   Kind
	Path   string // of the file or folder it is about, absolute; empty when there is none
	To     string // the other name, of a rename or a link
	Thread int
	Args   [6]uint64
	Count  int   // bytes to transfer; -1 when the call has no such number
	Result int64 // after it was carried out; below 0: minus an errno

	process int
	shape   shape
}

// Descriptor gives what a descriptor of the program refers to, as a path that
// leads to the very file, whatever it is called now.
func (c *Call) Descriptor() string {
	if c.shape.fd < 0 || c.shape.path >= 0 {
		return ""
	}
	return c.fdLink(int(int32(c.Args[c.shape.fd])))
}

// Opened leads to the file that an open has opened.
func (c *Call) Opened() string { return c.fdLink(int(c.Result)) }

// Opens tells whether the call opens a file.
func (c *Call) Opens() bool { return c.shape.createsIfAsked }

func (c *Call) fdLink(fd int) string { return fmt.Sprintf("/proc/%d/fd/%d", c.process, fd) }

func argsOf(r *unix.PtraceRegs) [6]uint64 {
	return [6]uint64{r.Rdi, r.Rsi, r.Rdx, r.R10, r.R8, r.R9}
}

// look finds out what a call that is about to be carried out is about.
func look(process, thread int, r *unix.PtraceRegs) (*Call, bool) {
	s, known := shapes[r.Orig_rax]
	if !known {
		return nil, false
	}
	c := &Call{Name: s.name, Kind: s.kind, Thread: thread, Args: argsOf(r), Count: -1, process: process, shape: s}
	if s.count >= 0 {
		c.Count = int(c.Args[s.count])
	}
	c.Path = c.find(s.fd, s.path)
	if s.toPath >= 0 {
		c.To = c.find(s.toFD, s.toPath)
	}
	if s.createsIfAsked && c.openFlags()&unix.O_CREAT != 0 {
		c.Kind = Make
	}
	return c, true
}

func (c *Call) openFlags() uint64 {
	if c.shape.indirect < 0 {
		return c.Args[c.shape.flags]
	}
	how := c.memory(c.Args[c.shape.indirect], 8) // struct open_how begins with its flags
	if len(how) < 8 {
		return 0
	}
	return binary.NativeEndian.Uint64(how)
}

// find gives an absolute path from a descriptor, a name, or both.
func (c *Call) find(fdArg, pathArg int) string {
	name := ""
	if pathArg >= 0 {
		name = c.text(c.Args[pathArg])
		if path.IsAbs(name) {
			return path.Clean(name)
		}
	}
	link := fmt.Sprintf("/proc/%d/cwd", c.process)
	if fdArg >= 0 && int32(c.Args[fdArg]) != unix.AT_FDCWD {
		link = c.fdLink(int(int32(c.Args[fdArg])))
	}
	where, err := os.Readlink(link)
	if err != nil || !path.IsAbs(where) {
		return "" // a pipe, a socket, or none at all
	}
	return path.Join(strings.TrimSuffix(where, " (deleted)"), name)
}

// text reads a string that ends with a zero byte.
func (c *Call) text(at uint64) string {
	if at == 0 {
		return ""
	}
	var all []byte
	for len(all) < unix.PathMax {
		n := 4096 - int(at%4096) // a string may end where the memory does
		part := c.memory(at, min(n, 256))
		if len(part) == 0 {
			return string(all)
		}
		if i := bytes.IndexByte(part, 0); i >= 0 {
			return string(append(all, part[:i]...))
		}
		all = append(all, part...)
		at += uint64(len(part))
	}
	return string(all)
}

func (c *Call) memory(at uint64, n int) []byte {
	buf := make([]byte, n)
	local := unix.Iovec{Base: &buf[0]}
	local.SetLen(n)
	got, err := unix.ProcessVMReadv(c.process, []unix.Iovec{local}, []unix.RemoteIovec{{Base: uintptr(at), Len: n}}, 0)
	if err != nil {
		return nil
	}
	return buf[:got]
}

// Data gives the first bytes, up to 4 KiB, of what a write is about to write.
func (c *Call) Data() []byte {
	if c.Kind != Write || c.Count <= 0 {
		return nil
	}
	return c.memory(c.Args[1], min(c.Count, 4096))
}
