package volume

import (
	"fmt"
	"os"
	"unsafe"

	"golang.org/x/sys/unix"
)

// CheckMedium asks the device at node which insertion it holds now. Opening it
// makes the kernel ask a reader that stays in place, so a swapped card shows as
// a new diskseq here even before its event arrives. An empty reader gives
// ENOMEDIUM, a device that is gone ENXIO, ENODEV or ENOENT.
func CheckMedium(diskNode string) (diskseq uint64, sizeBytes int64, err error) {
	f, err := openDevice(diskNode)
	if err != nil {
		return 0, 0, fmt.Errorf("check medium: %w", err)
	}
	defer f.Close()
	if err := ioctlPointer(f, unix.BLKGETDISKSEQ, unsafe.Pointer(&diskseq)); err != nil {
		return 0, 0, fmt.Errorf("check medium %s: diskseq: %w", diskNode, err)
	}
	var size uint64
	if err := ioctlPointer(f, unix.BLKGETSIZE64, unsafe.Pointer(&size)); err != nil {
		return 0, 0, fmt.Errorf("check medium %s: size: %w", diskNode, err)
	}
	return diskseq, int64(size), nil
}

// SetReadOnly makes the kernel refuse writes to a whole disk and its
// partitions, and checks that it does. It is a gate, not a wall: it must be
// closed before the first mount, it does not stop a mount that can already
// write, and it is open again after the disk was unplugged.
func SetReadOnly(diskNode string) error {
	ro, err := setGate(diskNode, 1)
	if err != nil {
		return err
	}
	if !ro {
		return fmt.Errorf("set %s read-only: %w", diskNode, ErrNotReadOnly)
	}
	return nil
}

// SetWritable opens the gate again. A device that stays when its medium goes (a
// card reader, a loop device) keeps the gate of the last card closed, so a drive
// in that place could not be written. A disk that cannot be written for reasons
// of its own (a switch, its firmware) gives ErrReadOnly. Never call it for an
// insertion that was mounted as a card.
func SetWritable(diskNode string) error {
	ro, err := setGate(diskNode, 0)
	if err != nil {
		return err
	}
	if ro {
		return fmt.Errorf("set %s writable: %w", diskNode, ErrReadOnly)
	}
	return nil
}

// setGate sets the kernel's flag and reads back what holds then.
func setGate(diskNode string, closed int) (ro bool, err error) {
	f, err := openDevice(diskNode)
	if err != nil {
		return false, fmt.Errorf("set read-only flag: %w", err)
	}
	defer f.Close()
	if err := unix.IoctlSetPointerInt(int(f.Fd()), unix.BLKROSET, closed); err != nil {
		return false, fmt.Errorf("set read-only flag of %s: %w", diskNode, err)
	}
	return readOnly(f)
}

// ReadOnly reports whether the kernel refuses writes to the device at node.
func ReadOnly(diskNode string) (bool, error) {
	f, err := openDevice(diskNode)
	if err != nil {
		return false, fmt.Errorf("look whether read-only: %w", err)
	}
	defer f.Close()
	return readOnly(f)
}

func readOnly(f *os.File) (bool, error) {
	n, err := unix.IoctlGetInt(int(f.Fd()), unix.BLKROGET)
	if err != nil {
		return false, fmt.Errorf("look whether %s is read-only: %w", f.Name(), err)
	}
	return n != 0, nil
}

// openDevice opens a block device for reading and nothing else.
func openDevice(node string) (*os.File, error) {
	fd, err := unix.Open(node, unix.O_RDONLY|unix.O_CLOEXEC|unix.O_NOCTTY, 0)
	if err != nil {
		return nil, &os.PathError{Op: "open", Path: node, Err: err}
	}
	var st unix.Stat_t
	if err := unix.Fstat(fd, &st); err != nil {
		unix.Close(fd)
		return nil, &os.PathError{Op: "stat", Path: node, Err: err}
	}
	if st.Mode&unix.S_IFMT != unix.S_IFBLK {
		unix.Close(fd)
		return nil, &os.PathError{Op: "open", Path: node, Err: unix.ENOTBLK}
	}
	return os.NewFile(uintptr(fd), node), nil
}

func ioctlPointer(f *os.File, request uint, p unsafe.Pointer) error {
	if _, _, errno := unix.Syscall(unix.SYS_IOCTL, f.Fd(), uintptr(request), uintptr(p)); errno != 0 {
		return errno
	}
	return nil
}
