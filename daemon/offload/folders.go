package offload

import (
	"errors"
	"fmt"
	"io/fs"
	"path"
)

// makeFolders makes the unfinished folder with all folders that the copy needs.
func (t *target) makeFolders() error {
	if err := t.ensure(t.work, map[string]bool{}); err != nil {
		return err
	}
	t.setFolder(t.work)
	// Below the unfinished folder one flush at the end of the offload makes
	// all names durable; flushing each of 10,000 folders here would not.
	for _, dir := range t.run.job.Plan.Dirs {
		err := t.call(func() error { return t.drive.FS.Mkdir(t.at(dir.Path)) })
		if err != nil && !errors.Is(err, fs.ErrExist) {
			return fmt.Errorf("make folder %q: %w", t.at(dir.Path), err)
		}
	}
	return nil
}

// ensure makes a folder and those above it, durably.
func (t *target) ensure(name string, made map[string]bool) error {
	if name == "." || name == "" || made[name] {
		return nil
	}
	if err := t.ensure(path.Dir(name), made); err != nil {
		return err
	}
	made[name] = true
	err := t.call(func() error { return t.drive.FS.Mkdir(name) })
	if err == nil {
		return t.call(func() error { return t.drive.FS.SyncDir(path.Dir(name)) })
	}
	if !errors.Is(err, fs.ErrExist) {
		return fmt.Errorf("make folder %q: %w", name, err)
	}
	item, err := t.lstat(name)
	if err != nil {
		return fmt.Errorf("make folder %q: %w", name, err)
	}
	if !item.Mode.IsDir() {
		return fmt.Errorf("make folder %q: %w: something else has that name", name, ErrRefused)
	}
	return nil
}

func (t *target) lstat(name string) (item Item, err error) {
	err = t.call(func() error {
		item, err = t.drive.FS.Lstat(name)
		return err
	})
	return item, err
}

// clearStrays removes from an unfinished folder of our own what this run will
// not go on with: half a manifest, a file that has left the card, one that was
// written and not proven. It returns the bytes of the files it removed.
func (t *target) clearStrays() (freedBytes int64, err error) {
	item, err := t.lstat(t.work)
	if errors.Is(err, fs.ErrNotExist) {
		return 0, nil
	}
	if err == nil && !item.Mode.IsDir() {
		err = fmt.Errorf("%w: something else has that name", ErrRefused)
	}
	if err != nil {
		return 0, fmt.Errorf("look for %q: %w", t.work, err)
	}
	c := clearing{target: t, keep: map[string]bool{}, dirs: map[string]bool{}}
	for _, f := range t.run.files {
		_, c.keep[f.Path] = t.drive.Held[f.Path]
	}
	for _, d := range t.run.job.Plan.Dirs {
		c.dirs[d.Path] = true
	}
	err = c.clear("", 0)
	return c.freed, err
}

type clearing struct {
	target     *target
	keep, dirs map[string]bool
	freed      int64
}

func (c *clearing) clear(dir string, depth int) error {
	t := c.target
	if depth > MaxDepth+1 {
		return fmt.Errorf("look through %q: %w: too deep", t.at(dir), ErrRefused)
	}
	var items []Item
	err := t.call(func() (err error) {
		items, err = t.drive.FS.List(t.at(dir))
		return err
	})
	if err != nil {
		return fmt.Errorf("look through %q: %w", t.at(dir), err)
	}
	for _, item := range items {
		name := join(dir, item.Name)
		if item.Mode.IsDir() {
			if err := c.clear(name, depth+1); err != nil {
				return err
			}
			if c.dirs[name] {
				continue
			}
		} else if c.keep[name] && item.Mode.IsRegular() {
			continue
		}
		if err := t.call(func() error { return t.drive.FS.Remove(t.at(name)) }); err != nil {
			return fmt.Errorf("remove unfinished %q: %w", t.at(name), err)
		}
		if item.Mode.IsRegular() {
			c.freed += item.SizeBytes
		}
	}
	return nil
}

// discard removes a file that must not count from the unfinished folder.
func (t *target) discard(f *file) {
	if t.isSetAside() {
		return
	}
	if _, err := t.lstat(t.at(f.Path)); err != nil {
		return
	}
	if err := t.call(func() error { return t.drive.FS.Remove(t.at(f.Path)) }); err != nil {
		t.setAsideFor(fmt.Errorf("remove void %q: %w", t.at(f.Path), err))
	}
}
