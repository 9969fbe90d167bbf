package offload

import (
	"errors"
	"fmt"
	"io/fs"
	"path"

	"bothy/daemon/volume"
)

// checkAbove makes sure that what stands of the folders above the copy's are
// folders of this drive: no link that leads elsewhere, and nothing else mounted
// there, which would be another disk than the one that is counted.
func (t *target) checkAbove() error {
	for dir := path.Dir(t.drive.Folder); dir != "." && dir != "/"; dir = path.Dir(dir) {
		if err := t.checkOwnFolder(dir); err != nil {
			return err
		}
	}
	return nil
}

// checkOwnFolder looks at one; that it is not there is fine.
func (t *target) checkOwnFolder(dir string) error {
	item, err := t.lstat(dir)
	switch {
	case errors.Is(err, fs.ErrNotExist):
		return nil
	case err != nil:
		return fmt.Errorf("look for %q: %w", dir, err)
	case !item.Mode.IsDir():
		kind := "a file"
		if !item.Mode.IsRegular() {
			kind = kindOf(item.Mode)
		}
		return fmt.Errorf("%w: %q on the drive is %s, where a folder must be", ErrRefused, dir, kind)
	}
	err = t.call(func() error { return volume.SameMount(t.drive.Root, dir) })
	if errors.Is(err, volume.ErrElsewhere) {
		return fmt.Errorf("%w: %q on the drive: %w", ErrRefused, dir, volume.ErrElsewhere)
	}
	if err != nil && !errors.Is(err, fs.ErrNotExist) {
		return fmt.Errorf("look at %q: %w", dir, err)
	}
	return nil
}
