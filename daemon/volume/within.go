package volume

import (
	"errors"
	"os"

	"golang.org/x/sys/unix"
)

// ErrElsewhere says that something else is mounted on the way.
var ErrElsewhere = errors.New("another file system is mounted there")

// SameMount makes sure that a folder below root is one of root's own mount: what
// is written there goes where root's disks are, and nowhere else. It is
// ErrElsewhere when something is mounted on the way. No link is followed.
func SameMount(root *os.Root, path string) error {
	f, err := openBeneath(root, path, unix.O_RDONLY|unix.O_DIRECTORY)
	if errors.Is(err, unix.EXDEV) {
		return &os.PathError{Op: "look at", Path: path, Err: ErrElsewhere}
	}
	if err != nil {
		return err
	}
	return f.Close()
}
