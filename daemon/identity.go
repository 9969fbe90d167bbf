package daemon

import (
	"errors"
	"fmt"
	"io"
	"io/fs"
	"path"
	"slices"

	"bothy/daemon/identity"
	"bothy/daemon/offload"
)

// Where a drive carries what is ours.
const (
	ownFolder    = ".bothy"
	identityFile = ownFolder + "/drive.toml"
)

// Identity says which drive a drive is.
type Identity = identity.Identity

// errNotEnrolled: the drive carries no identity.
var errNotEnrolled = errors.New("the drive is not enrolled")

// readIdentity reads a drive's identity. What a drive says is hostile input.
func readIdentity(o *Opened) (Identity, error) {
	item, err := o.FS.Lstat(ownFolder)
	if errors.Is(err, fs.ErrNotExist) {
		return Identity{}, errNotEnrolled
	}
	if err != nil {
		return Identity{}, fmt.Errorf("look for %s: %w", ownFolder, err)
	}
	if !item.Mode.IsDir() {
		return Identity{}, fmt.Errorf("%s on the drive is no folder", ownFolder)
	}
	item, err = o.FS.Lstat(identityFile)
	if errors.Is(err, fs.ErrNotExist) {
		return Identity{}, errNotEnrolled
	}
	if err != nil {
		return Identity{}, fmt.Errorf("look for %s: %w", identityFile, err)
	}
	if !item.Mode.IsRegular() || item.SizeBytes > identity.MaxBytes {
		return Identity{}, fmt.Errorf("%s on the drive is no identity file", identityFile)
	}
	f, err := o.Root.Open(identityFile)
	if err != nil {
		return Identity{}, fmt.Errorf("open %s: %w", identityFile, err)
	}
	defer f.Close()
	data, err := io.ReadAll(io.LimitReader(f, identity.MaxBytes))
	if err != nil {
		return Identity{}, fmt.Errorf("read %s: %w", identityFile, err)
	}
	id, err := identity.Parse(data)
	if err != nil {
		return Identity{}, fmt.Errorf("parse %s: %w", identityFile, err)
	}
	return id, nil
}

// writeIdentity enrols a drive, or gives an enrolled one another name.
func writeIdentity(o *Opened, id Identity) error {
	data, err := id.Bytes()
	if err != nil {
		return err
	}
	return writeOwn(o, identityFile, func(w io.Writer) error {
		_, err := w.Write(data)
		return err
	})
}

// writeOwn writes a file of ours on a drive so that at any moment the old one
// or the new one is there whole.
func writeOwn(o *Opened, name string, write func(io.Writer) error) error {
	if err := makeFolder(o, path.Dir(name)); err != nil {
		return err
	}
	if item, err := o.FS.Lstat(name); err == nil && !item.Mode.IsRegular() {
		return fmt.Errorf("write %s: something else has that name", name)
	}
	// The one place that replaces a file on a drive: ours, by a newer one of ours.
	return putOwn(o, name+".tmp", name, o.Root.Rename, write)
}

// makeFolder sees to it that there is a folder of that name.
func makeFolder(o *Opened, dir string) error {
	if err := o.FS.Mkdir(dir); err != nil && !errors.Is(err, fs.ErrExist) {
		return fmt.Errorf("make %s: %w", dir, err)
	}
	if item, err := o.FS.Lstat(dir); err != nil || !item.Mode.IsDir() {
		return fmt.Errorf("%s on the drive is no folder", dir)
	}
	return nil
}

// putOwn writes a file under a name that is only ours, flushes it, and gives it
// its own.
func putOwn(o *Opened, temp, name string, rename func(from, to string) error, write func(io.Writer) error) error {
	if err := o.FS.Remove(temp); err != nil && !errors.Is(err, fs.ErrNotExist) {
		return fmt.Errorf("remove %s: %w", temp, err)
	}
	f, err := o.FS.Create(temp, 0)
	if err != nil {
		return fmt.Errorf("create %s: %w", temp, err)
	}
	err = write(f)
	if err == nil {
		err = f.Sync()
	}
	if cerr := f.Close(); err == nil {
		err = cerr
	}
	if err == nil {
		err = rename(temp, name)
	}
	if err != nil {
		return errors.Join(fmt.Errorf("write %s: %w", name, err), o.FS.Remove(temp))
	}
	if err := o.FS.SyncDir(path.Dir(name)); err != nil {
		return fmt.Errorf("flush %s: %w", path.Dir(name), err)
	}
	return o.FS.SyncAll()
}

// freeFolder finds a name, from the wanted one on, that free says yes to.
func freeFolder(want string, free func(name string) bool) (string, error) {
	for n := 1; n < 10_000; n++ {
		name := want
		if n > 1 {
			name = fmt.Sprintf("%s-%d", want, n)
		}
		if free(name) {
			return name, nil
		}
	}
	return "", fmt.Errorf("no free name like %q", want)
}

// nameFree reports whether a drive holds a name in no form that a copy's folder
// takes. A drive that cannot be asked has no say: the engine finds out, and the
// others go on.
func nameFree(f offload.FS, name string) bool {
	return !slices.ContainsFunc(suffixes[:], func(suffix string) bool {
		_, err := f.Lstat(name + suffix)
		return err == nil
	})
}

// nameSeenFree is nameFree for those who must know: a drive that cannot be
// asked may hold the name.
func nameSeenFree(f offload.FS, name string) bool {
	return !slices.ContainsFunc(suffixes[:], func(suffix string) bool {
		_, err := f.Lstat(name + suffix)
		return !errors.Is(err, fs.ErrNotExist)
	})
}
