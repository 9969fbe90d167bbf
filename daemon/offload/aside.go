package offload

import (
	"errors"
	"fmt"
	"io/fs"
	"path"
	"strings"
)

// What a drive did not give back is not removed at once: the file system would
// give the same blocks to the file that is written in its place. It is kept in a
// folder of the unfinished one, out of the way of the card's own names, until
// the copy is complete. A run that goes on with the unfinished folder removes
// it, as all that it does not know.
const asideName = "bothy-aside"

// aside is a drive's folder for files that take up bad places, and for what is
// salvaged piece by piece.
type aside struct {
	folder string // below the unfinished folder; empty until it is needed
	made   bool
	files  int // so many were put there, named by their numbers
}

// asidePlace gives a name that nothing has, in a folder that is there.
func (t *target) asidePlace() (string, error) {
	t.asideTurn.Lock()
	defer t.asideTurn.Unlock()
	if t.aside.folder == "" {
		t.aside.folder = t.at(t.freeName(asideName))
	}
	if !t.aside.made {
		err := t.call(func() error { return t.drive.FS.Mkdir(t.aside.folder) })
		if err != nil && !errors.Is(err, fs.ErrExist) { // it may be there nevertheless, and is removed in the end
			return "", fmt.Errorf("make folder %q: %w", t.aside.folder, err)
		}
		t.aside.made = true
	}
	t.aside.files++
	return path.Join(t.aside.folder, fmt.Sprint(t.aside.files)), nil
}

// freeName is a name for the unfinished folder that the card has not.
func (t *target) freeName(want string) string {
	taken := map[string]bool{}
	take := func(name string) {
		top, _, _ := strings.Cut(name, "/")
		taken[t.drive.Limits.Fold(top)] = true
	}
	for _, d := range t.run.job.Plan.Dirs {
		take(d.Path)
	}
	for _, f := range t.run.files {
		take(f.Path)
	}
	name := want
	for n := 2; taken[t.drive.Limits.Fold(name)]; n++ {
		name = fmt.Sprintf("%s-%d", want, n)
	}
	return name
}

// putAside gets a file out of the way whose bytes the drive did not give back.
// Where that fails it is removed, as long as the drive answers.
func (t *target) putAside(name string) {
	if t.hung() {
		return
	}
	to, err := t.asidePlace()
	if err == nil {
		err = t.call(func() error { return t.drive.FS.Rename(name, to) })
	}
	if err != nil && !t.hung() {
		t.call(func() error { return t.drive.FS.Remove(name) })
	}
}

// dropAside removes what was put aside, and reports whether there was anything.
func (t *target) dropAside() (dropped bool, err error) {
	t.asideTurn.Lock()
	defer t.asideTurn.Unlock()
	if t.aside.folder == "" {
		return false, nil
	}
	remove := func(name string) error {
		err := t.call(func() error { return t.drive.FS.Remove(name) })
		if err != nil && !errors.Is(err, fs.ErrNotExist) {
			return fmt.Errorf("remove %q, which was put aside: %w", name, err)
		}
		return nil
	}
	for n := 1; n <= t.aside.files; n++ {
		if err := remove(path.Join(t.aside.folder, fmt.Sprint(n))); err != nil {
			return dropped, err
		}
		dropped = true
	}
	if err := remove(t.aside.folder); err != nil {
		return dropped, err
	}
	t.aside = aside{}
	return dropped, nil
}
