package mhl

import (
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path"
	"slices"
	"strings"
	"syscall"
)

// The bounds on a folder tree.
const (
	maxEntries   = 2 << 20 // files and folders of all kinds
	maxTreeDepth = 256
)

var errTree = errors.New("there are more entries or levels than this program takes")

// walk calls visit for everything below root, but looks into no ascmhl folder
// and follows no link. A folder that can't be listed goes to unlisted, which
// decides whether that ends the walk.
func walk(root *os.Root, visit func(name string, entry fs.DirEntry) error, unlisted func(dir string, err error) error) error {
	entries := 0
	pending := []string{"."}
	for len(pending) > 0 {
		dir := pending[len(pending)-1]
		pending = pending[:len(pending)-1]
		list, err := readDir(root, dir, maxEntries-entries)
		if errors.Is(err, errTree) {
			return fmt.Errorf("list folder %.200s: %w", dir, err)
		} else if err != nil {
			if err := unlisted(dir, err); err != nil {
				return err
			}
		}
		entries += len(list)
		for _, entry := range list {
			name := path.Join(dir, entry.Name())
			if err := visit(name, entry); err != nil {
				return err
			}
			if entry.IsDir() && entry.Name() != FolderName {
				if depth(name) > maxTreeDepth {
					return fmt.Errorf("list folder %.200s: %w", name, errTree)
				}
				pending = append(pending, name)
			}
		}
	}
	return nil
}

// readDir lists at most limit entries of a real folder, sorted.
func readDir(root *os.Root, dir string, limit int) ([]fs.DirEntry, error) {
	f, err := openPlain(root, dir, fs.ModeDir)
	if err != nil {
		return nil, err
	}
	defer f.Close()
	var list []fs.DirEntry
	for {
		some, err := f.ReadDir(1024)
		list = append(list, some...)
		switch {
		case len(list) > limit:
			return nil, errTree
		case errors.Is(err, io.EOF):
			slices.SortFunc(list, func(a, b fs.DirEntry) int { return strings.Compare(a.Name(), b.Name()) })
			return list, nil
		case err != nil:
			return nil, err
		}
	}
}

// errKind says that a name is something other than expected.
var errKind = errors.New("is not what it should be")

// openPlain opens a regular file (kind 0) or a folder (kind fs.ModeDir), and
// nothing else: no link is followed in the last place, and no pipe or device
// is waited for.
func openPlain(root *os.Root, name string, kind fs.FileMode) (*os.File, error) {
	before, err := root.Lstat(name)
	if err != nil {
		return nil, err
	}
	if before.Mode().Type() != kind {
		return nil, fmt.Errorf("%s %w: %s", name, errKind, describe(before.Mode()))
	}
	f, err := root.OpenFile(name, os.O_RDONLY|syscall.O_NONBLOCK, 0)
	if err != nil {
		return nil, err
	}
	after, err := f.Stat()
	if err == nil && !os.SameFile(before, after) {
		err = fmt.Errorf("%s %w: it changed while being opened", name, errKind)
	}
	if err != nil {
		f.Close()
		return nil, err
	}
	return f, nil
}

// describe names what a mode stands for.
func describe(mode fs.FileMode) string {
	switch mode.Type() {
	case 0:
		return "a file"
	case fs.ModeDir:
		return "a folder"
	case fs.ModeSymlink:
		return "a symbolic link"
	case fs.ModeNamedPipe:
		return "a pipe"
	case fs.ModeSocket:
		return "a socket"
	}
	return "a device"
}
