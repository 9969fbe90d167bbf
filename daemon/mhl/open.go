package mhl

import (
	"context"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path"
	"slices"
	"strings"
)

// Open reads the history of root and those nested below it, and holds every
// manifest against the chain that names it and every reference against its
// manifest.
//
// An error is ErrNoHistory when there is none anywhere, a *DamageError when one
// can't be trusted, or says why the disk couldn't be read. A manifest that no
// chain names, as an interrupted Append leaves it, is no damage: History lists
// it and takes nothing from it.
//
// The files that newest generations list cost about 200 bytes each; OpenIndex
// does without.
func Open(root *os.Root) (*History, error) {
	return open(context.Background(), root, keepAll, nil)
}

// OpenIndex is Open for those who want the methods of History only: no
// generation has its Files and Dirs. It holds about 150 bytes for each file
// with a path of 30 bytes and one value.
//
// Manifests may have gigabytes, and reading them ends when ctx does. step, if not nil, is
// called after each MiB, and behind each file and folder, for whoever wants to know that
// the work gets on.
func OpenIndex(ctx context.Context, root *os.Root, step func()) (*History, error) {
	return open(ctx, root, keepIndex, step)
}

// keep says how much of what is read is remembered.
type keep int

const (
	keepNothing keep = iota // of files and folders: enough to add a generation
	keepIndex               // what History's methods need
	keepAll                 // the files and folders of the newest generation too
)

func open(ctx context.Context, root *os.Root, what keep, step func()) (*History, error) {
	h, damage, err := load(ctx, root, what, step, func(dir string, err error) error {
		return fmt.Errorf("list folder %s: %w", dir, err)
	})
	switch {
	case errors.Is(err, errUncounted):
		return open(ctx, root, keepIndex, step)
	case err != nil:
		return nil, err
	case len(damage) > 0:
		return nil, damage[0]
	}
	return h, nil
}

// load reads all that can be trusted and says what can't. unlisted is told of
// folders that can't be listed; its error ends the work.
func load(ctx context.Context, root *os.Root, what keep, step func(), unlisted func(dir string, err error) error) (*History, []*DamageError, error) {
	if step == nil {
		step = func() {}
	}
	dirs, err := historyDirs(ctx, root, step, unlisted)
	if err != nil {
		return nil, nil, err
	}
	l := &loader{ctx: ctx, root: root, what: what, step: step, records: maxTotalRecords, bytes: maxTotalBytes}
	top := newHistory(".")
	all := histories{".": top}
	found := false
	for _, dir := range dirs { // parents come before what is nested in them
		h, err := l.history(dir)
		if err != nil {
			return nil, nil, err
		}
		if h == nil {
			continue
		}
		found = true
		if dir == "." {
			*top = *h
			continue
		}
		all[dir] = h
		parent := path.Dir(dir)
		for all[parent] == nil {
			parent = path.Dir(parent)
		}
		all[parent].Nested = append(all[parent].Nested, h)
	}
	if !found && len(l.damage) == 0 {
		return nil, nil, ErrNoHistory
	}
	l.checkReferences(all)
	connect(all)
	return top, l.damage, nil
}

// historyDirs lists the folders that have an entry called ascmhl, whatever it
// is; parents come before what lies in them.
func historyDirs(ctx context.Context, root *os.Root, step func(), unlisted func(string, error) error) ([]string, error) {
	var dirs []string
	err := walk(root, func(name string, entry fs.DirEntry) error {
		if ctx.Err() != nil {
			return context.Cause(ctx)
		}
		if entry.IsDir() {
			step()
		}
		if path.Base(name) == FolderName {
			dirs = append(dirs, path.Dir(name))
		}
		return nil
	}, unlisted)
	if err != nil {
		return nil, err
	}
	slices.SortFunc(dirs, func(a, b string) int {
		if d := depth(a) - depth(b); d != 0 {
			return d
		}
		return strings.Compare(a, b)
	})
	return dirs, nil
}
