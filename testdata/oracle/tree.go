package oracle

import (
	"bytes"
	"fmt"
	"io/fs"
	"maps"
	"path"
	"slices"
	"strings"
	"time"
)

// Tree is all there is below a folder, by slash-separated path; "." is the
// folder itself.
type Tree map[string]Entry

// Entry is one thing in a Tree.
type Entry struct {
	Mode    fs.FileMode
	ModTime time.Time
	Data    []byte // of a regular file
	Link    string // where a symbolic link leads
}

// Take reads a folder whole, into memory, following no link.
func Take(fsys fs.FS) (Tree, error) {
	t := Tree{}
	err := fs.WalkDir(fsys, ".", func(name string, _ fs.DirEntry, err error) error {
		if err != nil {
			return err
		}
		info, err := fs.Lstat(fsys, name)
		if err != nil {
			return err
		}
		e := Entry{Mode: info.Mode(), ModTime: info.ModTime()}
		switch {
		case info.Mode().IsRegular():
			e.Data, err = fs.ReadFile(fsys, name)
		case info.Mode()&fs.ModeSymlink != 0:
			e.Link, err = fs.ReadLink(fsys, name)
		}
		if err != nil {
			return err
		}
		t[name] = e
		return nil
	})
	if err != nil {
		return nil, fmt.Errorf("look at everything: %w", err)
	}
	return t, nil
}

// Differences says what is other in t than it was before: for a card, which
// must not change, this is the whole question.
func (t Tree) Differences(before Tree) (list []string) {
	names := map[string]bool{}
	for name := range before {
		names[name] = true
	}
	for name := range t {
		names[name] = true
	}
	for _, name := range slices.Sorted(maps.Keys(names)) {
		was, there := before[name]
		is, still := t[name]
		switch {
		case !there:
			list = append(list, fmt.Sprintf("%q is new", name))
		case !still:
			list = append(list, fmt.Sprintf("%q is gone", name))
		case !bytes.Equal(was.Data, is.Data):
			list = append(list, fmt.Sprintf("%q holds other bytes", name))
		case was.Mode != is.Mode:
			list = append(list, fmt.Sprintf("%q is %s and was %s", name, is.Mode, was.Mode))
		case was.Link != is.Link:
			list = append(list, fmt.Sprintf("%q leads elsewhere", name))
		case !was.ModTime.Equal(is.ModTime):
			list = append(list, fmt.Sprintf("%q has another time", name))
		}
	}
	return list
}

// Finished lists the folders of a drive that claim to be a finished copy.
func (t Tree) Finished() (folders []string) {
	return t.histories(func(name string) bool { return !claimsNothing(name) })
}

// salvaged lists the folders that say they are incomplete, and whose history
// says of what they hold that it is right.
func (t Tree) salvaged() []string {
	return t.histories(func(name string) bool {
		whole, found := strings.CutSuffix(name, incomplete)
		return found && !claimsNothing(whole)
	})
}

// histories lists the outermost folders with a history of their own that are
// wanted.
func (t Tree) histories(wanted func(name string) bool) (folders []string) {
	within := func(name string) bool {
		return len(folders) > 0 && strings.HasPrefix(name, folders[len(folders)-1]+"/")
	}
	for _, name := range slices.SortedFunc(maps.Keys(t), byPath) {
		if name == "." || !t[name].Mode.IsDir() || within(name) || !t[path.Join(name, history)].Mode.IsDir() || !wanted(name) {
			continue
		}
		folders = append(folders, name)
	}
	return folders
}

// byPath puts what is in a folder right behind it.
func byPath(a, b string) int { return slices.Compare(strings.Split(a, "/"), strings.Split(b, "/")) }

// claimsNothing: a folder on the way says that it is unfinished, or the box's own.
func claimsNothing(name string) bool {
	for part := range strings.SplitSeq(name, "/") {
		if strings.HasSuffix(part, unfinished) || strings.HasSuffix(part, incomplete) || part == own {
			return true
		}
	}
	return false
}

// Standing gives the finished folders of a drive and all that is in them: what
// must be there, unchanged, from then on.
func (t Tree) Standing() Tree {
	standing := Tree{}
	for _, folder := range t.Finished() {
		for name, e := range t {
			if name == folder || strings.HasPrefix(name, folder+"/") {
				standing[name] = e
			}
		}
	}
	return standing
}

// below gives what is in a folder, by its path from there.
func (t Tree) below(folder string) Tree {
	all := Tree{}
	for name, e := range t {
		if rest, ok := strings.CutPrefix(name, folder+"/"); ok {
			all[rest] = e
		}
	}
	return all
}
