package daemon

import (
	"errors"
	"fmt"
	"io/fs"
	"path"

	"bothy/daemon/offload"
)

// putInPlace moves a sound file to where a damaged one stands, and that one
// aside. Power may fail between any two of its steps: what is missing then is
// found missing the next time.
func putInPlace(f offload.FS, sound, place, aside string, step func()) error {
	for _, name := range []string{place, aside} {
		if err := noLinksAbove(f, name); err != nil {
			return err
		}
	}
	if item, err := f.Lstat(place); err == nil {
		if err := onlyOurs(f, item, place); err != nil {
			return err
		}
		if err := makeFolders(f, path.Dir(aside)); err != nil {
			return err
		}
		step()
		free, err := freeFolder(aside, func(name string) bool {
			_, err := f.Lstat(name)
			return errors.Is(err, fs.ErrNotExist)
		})
		if err != nil {
			return err
		}
		if err := f.Rename(place, free); err != nil {
			return fmt.Errorf("move the damaged file aside: %w", err)
		}
		step()
	} else if !errors.Is(err, fs.ErrNotExist) {
		return err
	}
	if err := makeFolders(f, path.Dir(place)); err != nil {
		return err
	}
	if err := f.Rename(sound, place); err != nil {
		return fmt.Errorf("put the sound file in its place: %w", err)
	}
	step()
	if err := f.SyncDir(path.Dir(place)); err != nil {
		return fmt.Errorf("%w: folder %q: %w", errNotFlushed, path.Dir(place), err)
	}
	return nil
}

// errNotFlushed: what was to be made durable may be in memory only. The kernel says so
// once; whoever flushes again is told that all is well.
var errNotFlushed = errors.New("it could not be flushed")

// flushAll flushes all of a drive.
func flushAll(f offload.FS) error {
	if err := f.SyncAll(); err != nil {
		return fmt.Errorf("%w: %w", errNotFlushed, err)
	}
	return nil
}

// noLinksAbove refuses a name below something that is no folder: a link may lead to
// what is somebody's.
func noLinksAbove(f offload.FS, name string) error {
	for dir := path.Dir(name); dir != "."; dir = path.Dir(dir) {
		item, err := f.Lstat(dir)
		if errors.Is(err, fs.ErrNotExist) {
			continue
		}
		if err != nil {
			return err
		}
		if !item.Mode.IsDir() {
			return fmt.Errorf("%s is no folder", dir)
		}
	}
	return nil
}

// onlyOurs refuses a folder with something in it, which was never a file of a copy:
// what is moved aside is removed in the end.
func onlyOurs(f offload.FS, item offload.Item, place string) error {
	if !item.Mode.IsDir() {
		return nil
	}
	items, err := f.List(place)
	if err == nil && len(items) > 0 {
		err = fmt.Errorf("%s is a folder now, with something in it", place)
	}
	return err
}

// makeFolders makes a folder and those above it.
func makeFolders(f offload.FS, dir string) error {
	if dir == "." {
		return nil
	}
	if err := makeFolders(f, path.Dir(dir)); err != nil {
		return err
	}
	if err := f.Mkdir(dir); err != nil && !errors.Is(err, fs.ErrExist) {
		return fmt.Errorf("make folder %q: %w", dir, err)
	}
	return nil
}
