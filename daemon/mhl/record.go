package mhl

import (
	"errors"
	"fmt"
	"iter"
	"math/bits"
	"slices"
	"strings"

	"bothy/daemon/checksum"
)

// algorithms are the names of checksum.Names at the places that sums and
// algorithmSet give them: the order of the schema.
var algorithms = [...]string{checksum.C4, checksum.MD5, checksum.SHA1, checksum.XXH128, checksum.XXH3, checksum.XXH64}

// sums has a value for each of algorithms, "" where there is none. It takes the
// place of a map for each of 100,000 files.
type sums [len(algorithms)]string

// algorithmSet has a bit for each of algorithms.
type algorithmSet uint8

// all ranges over the places in the set, in the order of the schema.
func (s algorithmSet) all() iter.Seq[int] {
	return func(yield func(int) bool) {
		for ; s != 0; s &= s - 1 {
			if !yield(bits.TrailingZeros8(uint8(s))) {
				return
			}
		}
	}
}

// place gives that of an algorithm, -1 when it is unknown.
func place(algorithm string) int { return slices.Index(algorithms[:], algorithm) }

// record is a file that was checked, with its values in the standard's
// spelling.
type record struct {
	FileHash
	sums sums
	set  algorithmSet
}

// newRecord checks f.
func newRecord(f FileHash) (r record, err error) {
	r.FileHash = f
	if !EncodablePath(f.Path) || (f.PreviousPath != "" && !EncodablePath(f.PreviousPath)) {
		return r, errors.New("a manifest can't carry its path")
	}
	switch f.Action {
	case Original, Verified, Failed:
	default:
		return r, fmt.Errorf("action %q isn't one of the standard", f.Action)
	}
	if _, twice := f.Others[f.Algorithm]; f.Algorithm == "" || twice {
		return r, errors.New("its checksum is missing or given twice")
	}
	if err := r.take(f.Algorithm, f.Value); err != nil {
		return r, err
	}
	for algorithm, value := range f.Others {
		if err := r.take(algorithm, value); err != nil {
			return r, err
		}
	}
	return r, nil
}

func (r *record) take(algorithm, value string) error {
	var digest [64]byte // the longest
	if _, err := checksum.AppendDigest(digest[:0], algorithm, value); err != nil {
		return err
	}
	if algorithm != checksum.C4 {
		value = strings.ToLower(value)
	}
	i := place(algorithm)
	r.sums[i] = value
	r.set |= 1 << i
	return nil
}

// comparePaths orders paths as a walk of the tree meets them that takes what
// lies in a folder by the bytes of its names, files and folders alike, and each
// folder's content right behind the folder. That is the order of the bytes, but
// with the slash before every other.
func comparePaths(a, b string) int {
	for i := range min(len(a), len(b)) {
		switch x, y := a[i], b[i]; {
		case x == y:
		case x == '/':
			return -1
		case y == '/':
			return 1
		default:
			return int(x) - int(y)
		}
	}
	return len(a) - len(b)
}

// within reports whether path lies somewhere in the folder dir.
func within(path, dir string) bool {
	return dir == "." || (len(path) > len(dir) && path[len(dir)] == '/' && path[:len(dir)] == dir)
}

// parent gives the folder that path lies in. It is path.Dir for a path that is
// clean, and makes no new string.
func parent(path string) string {
	if i := strings.LastIndexByte(path, '/'); i >= 0 {
		return path[:i]
	}
	return "."
}

// inOrder gives the files of a generation, those of a slice in the order of
// comparePaths. The slice, which several may share, is left as it is.
func inOrder(gen Generation) iter.Seq[FileHash] {
	if gen.Each != nil {
		return gen.Each
	}
	byPath := func(a, b FileHash) int { return comparePaths(a.Path, b.Path) }
	if slices.IsSortedFunc(gen.Files, byPath) {
		return slices.Values(gen.Files)
	}
	order := make([]int32, len(gen.Files))
	for i := range order {
		order[i] = int32(i)
	}
	slices.SortFunc(order, func(a, b int32) int { return comparePaths(gen.Files[a].Path, gen.Files[b].Path) })
	return func(yield func(FileHash) bool) {
		for _, i := range order {
			if !yield(gen.Files[i]) {
				return
			}
		}
	}
}
