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
// and follows no link. A folder that can't be listed, or not to its end, goes
// to unlisted, which decides whether that ends the walk. It holds only the names
// of folders.
func walk(root *os.Root, visit func(name string, entry fs.DirEntry) error, unlisted func(dir string, err error) error) error {
	entries := 0
	pending := []string{"."}
	for len(pending) > 0 {
		dir := pending[len(pending)-1]
		pending = pending[:len(pending)-1]
		before := len(pending)
		err := eachEntry(root, dir, func(entry fs.DirEntry) error {
			if entries++; entries > maxEntries {
				return stop{fmt.Errorf("list folder %.200s: %w", dir, errTree)}
			}
			name := path.Join(dir, entry.Name())
			if err := visit(name, entry); err != nil {
				return stop{err}
			}
			if entry.IsDir() && entry.Name() != FolderName {
				if depth(name) > maxTreeDepth {
					return stop{fmt.Errorf("list folder %.200s: %w", name, errTree)}
				}
				pending = append(pending, name)
			}
			return nil
		})
		var ended stop
		if errors.As(err, &ended) {
			return ended.error
		} else if err != nil {
			if err := unlisted(dir, err); err != nil {
				return err
			}
		}
		slices.Sort(pending[before:]) // the file system's order isn't the same twice
	}
	return nil
}

// stop ends a walk, other than an error of listing a folder.
type stop struct{ error }

// eachEntry calls visit for what lies in a real folder, a few at a time.
func eachEntry(root *os.Root, dir string, visit func(fs.DirEntry) error) error {
	f, err := openPlain(root, dir, fs.ModeDir)
	if err != nil {
		return err
	}
	defer f.Close()
	for {
		some, err := f.ReadDir(256)
		for _, entry := range some {
			if err := visit(entry); err != nil {
				return err
			}
		}
		if errors.Is(err, io.EOF) {
			return nil
		} else if err != nil {
			return err
		}
	}
}

// readDir lists at most limit entries of a real folder, sorted.
func readDir(root *os.Root, dir string, limit int) ([]fs.DirEntry, error) {
	var list []fs.DirEntry
	err := eachEntry(root, dir, func(entry fs.DirEntry) error {
		list = append(list, entry)
		if len(list) > limit {
			return errTree
		}
		return nil
	})
	if err != nil {
		return nil, err
	}
	slices.SortFunc(list, func(a, b fs.DirEntry) int { return strings.Compare(a.Name(), b.Name()) })
	return list, nil
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
