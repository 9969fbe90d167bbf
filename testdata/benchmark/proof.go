package main

import (
	"context"
	"errors"
	"fmt"
	"io/fs"
	"path/filepath"
)

// errUnproven: a copy is not what was written to the card, so the time that it
// took means nothing.
var errUnproven = errors.New("a copy is not proven")

// proveCopy compares a copy with what the card was given when it was made. It
// reads the drive, not memory, and lets xxhsum do the comparing.
func proveCopy(ctx context.Context, d *disk, folder string, c content) error {
	if err := d.mount(ctx); err != nil {
		return err
	}
	root := filepath.Join(d.point, folder)
	return d.unthrottled(func() error {
		if err := errors.Join(d.flush(), forget()); err != nil {
			return err
		}
		return proveFolder(ctx, root, c)
	})
}

// proveFolder is proveCopy on a folder.
func proveFolder(ctx context.Context, root string, c content) error {
	files := 0
	err := filepath.WalkDir(root, func(path string, e fs.DirEntry, err error) error {
		switch {
		case err != nil:
			return err
		case e.IsDir() && (e.Name() == "ascmhl" || e.Name() == "lost+found"):
			return fs.SkipDir
		case !e.IsDir():
			files++
		}
		return nil
	})
	if err != nil {
		return fmt.Errorf("%w: look through %s: %w", errUnproven, root, err)
	}
	if files != c.files {
		return fmt.Errorf("%w: %s holds %d files and the card %d", errUnproven, root, files, c.files)
	}
	if _, err := toolIn(ctx, root, "xxhsum", "--check", "--quiet", "--strict", c.sums); err != nil {
		if ctx.Err() != nil {
			return context.Cause(ctx)
		}
		return fmt.Errorf("%w: %w", errUnproven, err)
	}
	return nil
}
