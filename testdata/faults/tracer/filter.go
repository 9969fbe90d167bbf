//go:build linux && amd64

package tracer

import (
	"fmt"
	"maps"
	"slices"
	"unsafe"

	"golang.org/x/sys/unix"
)

// Offsets in struct seccomp_data, linux/seccomp.h.
const (
	offNumber  = 0
	offMachine = 4
)

const machineAMD64 = 0xc000003e // AUDIT_ARCH_X86_64, linux/audit.h

// Filter makes each I/O call of this process, and of all its threads, stop for
// its tracer. Without a tracer such calls fail from then on.
func Filter() error {
	load := func(off uint32) unix.SockFilter {
		return unix.SockFilter{Code: unix.BPF_LD | unix.BPF_W | unix.BPF_ABS, K: off}
	}
	answer := func(k uint32) unix.SockFilter { return unix.SockFilter{Code: unix.BPF_RET | unix.BPF_K, K: k} }
	equal := func(k uint32, yes, no uint8) unix.SockFilter {
		return unix.SockFilter{Code: unix.BPF_JMP | unix.BPF_JEQ | unix.BPF_K, Jt: yes, Jf: no, K: k}
	}
	program := []unix.SockFilter{
		load(offMachine), equal(machineAMD64, 1, 0), answer(unix.SECCOMP_RET_KILL_PROCESS),
		load(offNumber),
	}
	for _, nr := range slices.Sorted(maps.Keys(shapes)) {
		program = append(program, equal(uint32(nr), 0, 1), answer(unix.SECCOMP_RET_TRACE))
	}
	program = append(program, answer(unix.SECCOMP_RET_ALLOW))
	if err := unix.Prctl(unix.PR_SET_NO_NEW_PRIVS, 1, 0, 0, 0); err != nil {
		return fmt.Errorf("give up new privileges: %w", err)
	}
	fprog := unix.SockFprog{Len: uint16(len(program)), Filter: &program[0]}
	_, _, errno := unix.Syscall(unix.SYS_SECCOMP, unix.SECCOMP_SET_MODE_FILTER, unix.SECCOMP_FILTER_FLAG_TSYNC, uintptr(unsafe.Pointer(&fprog)))
	if errno != 0 {
		return fmt.Errorf("install a filter for system calls: %w", errno)
	}
	return nil
}
