package mhl

import (
	"context"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"maps"
	"os"
	"path"
	"slices"
	"strings"
	"unsafe"

	"bothy/daemon/checksum"
)

// Finding is one thing that is wrong.
type Finding struct {
	Path     string // relative to the root; a folder's ends with a slash
	Sentence string // what is the matter, for a person
}

// Report is what Verify found. Every list is sorted by path.
type Report struct {
	OK            []string  // files whose every known checksum agrees
	Mismatched    []Finding // other content, size or kind than recorded
	Missing       []Finding // recorded files and folders that aren't there
	Extra         []Finding // what no generation records and no pattern leaves out
	Unreadable    []Finding
	HistoryDamage []Finding // histories that can't be trusted; then Extra stays empty
	Orphans       []string  // manifests that no chain names; harmless
	Files         int       // files that the histories know
	Bytes         int64     // bytes read from files
}

// Proven reports whether nothing at all is wrong.
func (r Report) Proven() bool {
	return len(r.Mismatched)+len(r.Missing)+len(r.Extra)+len(r.Unreadable)+len(r.HistoryDamage) == 0
}

const readBufferBytes = 1 << 20

// Verify reads every file that the histories in root know and compares it with
// every checksum that they know of it, and looks for what is missing and what
// is extra. open gives a file to read, so that the caller decides how it comes
// from the medium; nil opens it through the page cache, which proves nothing
// about the medium. progress, if given, is told of bytes as they are read.
//
// What is wrong is in the Report. An error says that there was nothing to
// verify (ErrNoHistory), that ctx ended, or that the tree is beyond bounds; the
// Report is then incomplete.
func Verify(ctx context.Context, root *os.Root, open func(path string) (io.ReadCloser, error),
	progress func(bytes int64)) (Report, error) {
	if open == nil {
		open = func(name string) (io.ReadCloser, error) { return openPlain(root, name, 0) }
	}
	if progress == nil {
		progress = func(int64) {}
	}
	v := &verifier{root: root, open: open, progress: progress, buffer: alignedBuffer(readBufferBytes)}
	h, damage, err := load(ctx, root, keepIndex, nil, v.unlisted)
	if err != nil {
		return v.report, fmt.Errorf("verify folder: %w", err)
	}
	v.history = h
	for _, d := range damage {
		v.report.HistoryDamage = append(v.report.HistoryDamage, Finding{d.Path, d.Sentence})
	}
	names := h.Files()
	if err := v.files(ctx, names); err != nil {
		return v.report, fmt.Errorf("verify folder: %w", err)
	}
	v.dirs()
	if len(damage) == 0 { // otherwise much would only seem to be extra
		if err := v.extra(names); err != nil {
			return v.report, fmt.Errorf("verify folder: %w", err)
		}
	}
	v.finish()
	return v.report, ctx.Err()
}

type verifier struct {
	root     *os.Root
	open     func(string) (io.ReadCloser, error)
	progress func(int64)
	buffer   []byte
	history  *History
	report   Report
}

func (v *verifier) unlisted(dir string, err error) error {
	finding := Finding{dir + "/", "the folder can't be listed: " + err.Error()}
	if !slices.Contains(v.report.Unreadable, finding) { // the tree is walked twice
		v.report.Unreadable = append(v.report.Unreadable, finding)
	}
	return nil
}

func (v *verifier) files(ctx context.Context, names []string) error {
	for _, name := range names {
		v.report.Files++
		list, sentence := v.file(ctx, name)
		if err := ctx.Err(); err != nil {
			return err
		}
		if list == nil {
			v.report.OK = append(v.report.OK, name)
			continue
		}
		*list = append(*list, Finding{name, sentence})
	}
	return nil
}

// file gives the list that the file belongs to and why; no list when it is as
// recorded.
func (v *verifier) file(ctx context.Context, name string) (list *[]Finding, sentence string) {
	info, err := v.root.Lstat(name)
	switch {
	case errors.Is(err, fs.ErrNotExist):
		return &v.report.Missing, "the file is missing"
	case err != nil:
		return &v.report.Unreadable, err.Error()
	case !info.Mode().IsRegular():
		return &v.report.Mismatched, "it is " + describe(info.Mode()) + " instead of a file"
	}
	known := v.history.Latest(name)
	if len(known) == 0 {
		return &v.report.Mismatched, "no generation has a checksum that it could be held against"
	}
	if size := known[0].SizeBytes; size >= 0 && size != info.Size() {
		return &v.report.Mismatched, fmt.Sprintf("it has %d bytes instead of %d", info.Size(), size)
	}
	values := map[string]Known{}
	for _, k := range known {
		if other, ok := values[k.Algorithm]; ok {
			return &v.report.HistoryDamage, fmt.Sprintf("generations %d and %d give it different checksums (%s)",
				k.Generation, other.Generation, k.Algorithm)
		}
		values[k.Algorithm] = k
	}
	sums, err := v.read(ctx, name, slices.Sorted(maps.Keys(values)))
	if err != nil {
		return &v.report.Unreadable, err.Error()
	}
	for _, algorithm := range slices.Sorted(maps.Keys(values)) {
		if k := values[algorithm]; !checksum.Equal(algorithm, sums[algorithm], k.Value) {
			return &v.report.Mismatched, fmt.Sprintf("its content has changed: %s is %s, generation %d says %s",
				algorithm, sums[algorithm], k.Generation, k.Value)
		}
	}
	return nil, ""
}

// read hashes a file in all algorithms at once.
func (v *verifier) read(ctx context.Context, name string, algorithms []string) (sums map[string]string, err error) {
	hashes := make([]checksum.Hash, len(algorithms))
	for i, algorithm := range algorithms {
		if hashes[i], err = checksum.New(algorithm); err != nil {
			return nil, err
		}
	}
	f, err := v.open(name)
	if err != nil {
		return nil, err
	}
	defer f.Close()
	for {
		if err := ctx.Err(); err != nil {
			return nil, err
		}
		n, err := f.Read(v.buffer)
		for _, h := range hashes {
			h.Write(v.buffer[:n])
		}
		v.report.Bytes += int64(n)
		v.progress(int64(n))
		if errors.Is(err, io.EOF) {
			break
		} else if err != nil {
			return nil, err
		}
	}
	sums = map[string]string{}
	for i, algorithm := range algorithms {
		sums[algorithm] = hashes[i].Sum()
	}
	return sums, nil
}

func (v *verifier) dirs() {
	for _, dir := range v.history.Dirs() {
		info, err := v.root.Lstat(dir)
		switch {
		case errors.Is(err, fs.ErrNotExist):
			v.report.Missing = append(v.report.Missing, Finding{dir + "/", "the folder is missing"})
		case err != nil:
			v.report.Unreadable = append(v.report.Unreadable, Finding{dir + "/", err.Error()})
		case !info.IsDir():
			v.report.Mismatched = append(v.report.Mismatched,
				Finding{dir + "/", "it is " + describe(info.Mode()) + " instead of a folder"})
		}
	}
}

// extra looks for what nothing records. names has the files that are known.
func (v *verifier) extra(names []string) error {
	dirs := map[string]bool{".": true}
	for _, dir := range v.history.Dirs() {
		dirs[dir] = true
	}
	for _, name := range names {
		for dir := parent(name); !dirs[dir]; dir = parent(dir) {
			dirs[dir] = true
		}
	}
	known := func(name string, isDir bool) bool {
		if isDir {
			return dirs[name]
		}
		_, ok := slices.BinarySearch(names, name)
		return ok
	}
	return walk(v.root, func(name string, entry fs.DirEntry) error {
		isDir := entry.IsDir()
		if known(name, isDir) || (isDir && entry.Name() == FolderName) || v.history.Ignored(name, isDir) {
			return nil
		}
		owner, _ := v.history.histories.owner(name)
		if len(owner.Generations) == 0 || (isDir && !owner.folders) {
			return nil
		}
		finding := Finding{name, "no generation records it: " + describe(entry.Type())}
		if isDir {
			finding.Path += "/"
		}
		v.report.Extra = append(v.report.Extra, finding)
		return nil
	}, v.unlisted)
}

func (v *verifier) finish() {
	for _, h := range v.history.histories {
		v.report.Orphans = append(v.report.Orphans, h.Orphans...)
		if len(h.Generations)+len(h.links) == 0 && len(h.Orphans) > 0 {
			v.report.HistoryDamage = append(v.report.HistoryDamage,
				Finding{path.Join(h.Dir, FolderName, ChainName), "the chain is missing, so no manifest can be trusted"})
		}
	}
	slices.Sort(v.report.Orphans)
	for _, list := range [][]Finding{v.report.Mismatched, v.report.Missing, v.report.Extra,
		v.report.Unreadable, v.report.HistoryDamage} {
		slices.SortFunc(list, func(a, b Finding) int { return strings.Compare(a.Path, b.Path) })
	}
}

// alignedBuffer begins at a page border, as a reader past the page cache may
// demand.
func alignedBuffer(n int) []byte {
	const page = 4096
	b := make([]byte, n+page)
	skip := (page - int(uintptr(unsafe.Pointer(&b[0]))%page)) % page
	return b[skip : skip+n]
}
