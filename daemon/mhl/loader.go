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

	"bothy/daemon/checksum"
)

// loader reads histories that share bounds.
type loader struct {
	ctx     context.Context
	root    *os.Root
	what    keep
	step    func() // to be called after each portion that was read
	records int    // how many more may be read
	known   int    // how many paths are known
	bytes   int64  // how many more may be read
	damage  []*DamageError
}

// errUncounted says that there may be more paths than are taken, which can't be
// told without remembering them.
var errUncounted = errors.New("paths weren't counted")

func (l *loader) damaged(name string, cause error, format string, args ...any) {
	l.damage = append(l.damage, damaged(name, cause, format, args...))
}

// history reads the one of dir; nil when its ascmhl folder is empty or can't be
// trusted at all. An error is one of reading the disk.
func (l *loader) history(dir string) (*History, error) {
	inside := path.Join(dir, FolderName)
	list, err := readDir(l.root, inside, 3*maxGenerations)
	if errors.Is(err, errKind) || errors.Is(err, errTree) {
		l.damaged(inside, err, "this can't be a history")
		return nil, nil
	} else if err != nil {
		return nil, fmt.Errorf("list folder %s: %w", inside, err)
	}
	h := newHistory(dir)
	hasChain := false
	for _, entry := range list {
		switch {
		case entry.Name() == ChainName:
			hasChain = true
		case numberOf(entry.Name()) > 0:
			h.Orphans = append(h.Orphans, path.Join(inside, entry.Name()))
		}
	}
	if hasChain {
		err := l.generations(h)
		return h, err
	}
	if len(h.Orphans) == 0 {
		return nil, nil
	}
	return h, nil
}

// generations reads what the chain names and strikes it off the orphans.
func (l *loader) generations(h *History) error {
	inside := path.Join(h.Dir, FolderName)
	chain := path.Join(inside, ChainName)
	var links []link
	ok, err := l.read(chain, MaxChainBytes, func(r io.Reader) (err error) {
		links, err = readChain(r)
		return err
	}, "")
	if err != nil || !ok {
		return err
	}
	h.links = links
	for i, entry := range links {
		name := path.Join(inside, entry.name)
		h.Orphans = slices.DeleteFunc(h.Orphans, func(o string) bool { return o == name })
		if err := l.generation(h, name, entry, i == len(links)-1); err != nil {
			return err
		}
		switch {
		case l.known <= maxRecords:
		case l.what == keepNothing:
			return errUncounted
		default:
			l.damaged(name, errRecords, "the history is too large")
			return nil
		}
	}
	h.files.trim()
	l.checkGaps(h)
	return nil
}

// generation reads one manifest and takes it in if nothing about it is damaged.
func (l *loader) generation(h *History, name string, entry link, newest bool) error {
	var m *manifest
	var files []FileHash
	h.files.begin()
	take := func(f FileHash) error {
		if l.what == keepNothing {
			l.known++
			return nil
		}
		if l.what == keepAll && newest {
			files = append(files, f)
		}
		return h.files.stage(entry.number, f)
	}
	ok, err := l.read(name, MaxManifestBytes, func(r io.Reader) (err error) {
		m, err = readManifest(r, &l.records, take)
		return err
	}, entry.c4)
	switch {
	case err != nil:
		return err
	case !ok:
		h.files.drop()
		return nil
	}
	m.Files = files
	if l.what == keepNothing {
		l.known += len(m.Dirs)
		m.Dirs = nil
	}
	before := len(h.files.newest) + len(h.dirs)
	if err := h.add(name, entry, m); err != nil {
		l.damaged(name, err, "the history is too large")
	}
	l.known += len(h.files.newest) + len(h.dirs) - before
	if l.what < keepAll {
		h.Generations[len(h.Generations)-1].Dirs = nil
	}
	return nil
}

// checkGaps holds that a generation missing from the chain left its manifest
// behind, as an interrupted Append does.
func (l *loader) checkGaps(h *History) {
	next := 1
	for _, entry := range h.links {
		for ; next < entry.number; next++ {
			left := slices.ContainsFunc(h.Orphans, func(o string) bool { return numberOf(path.Base(o)) == next })
			if !left {
				l.damaged(path.Join(h.Dir, FolderName, ChainName), nil, "generation %d is missing", next)
				return
			}
		}
		next = entry.number + 1
	}
}

// read opens a file of at most limit bytes, parses it and, when c4 is given,
// compares its checksum. ok is false when something about it is damaged; the
// damage is noted. An error is one of reading the disk.
func (l *loader) read(name string, limit int64, parse func(io.Reader) error, c4 string) (ok bool, err error) {
	f, err := openPlain(l.root, name, 0)
	switch {
	case errors.Is(err, fs.ErrNotExist):
		l.damaged(name, nil, "the chain names it, but it is missing")
		return false, nil
	case errors.Is(err, errKind):
		l.damaged(name, err, "it can't be read")
		return false, nil
	case err != nil:
		return false, fmt.Errorf("open %s: %w", name, err)
	}
	defer f.Close()
	limit = min(limit, l.bytes)
	info, err := f.Stat()
	if err != nil {
		return false, fmt.Errorf("look at %s: %w", name, err)
	}
	if info.Size() > limit {
		l.damaged(name, nil, "it has %d bytes, more than the %d that are taken", info.Size(), limit)
		return false, nil
	}
	l.bytes -= info.Size()
	sum, err := checksum.New(checksum.C4)
	if err != nil {
		return false, err
	}
	defer l.step()
	source := &readErrors{r: io.TeeReader(io.LimitReader(f, limit), sum), ctx: l.ctx, step: l.step}
	parseErr := parse(source)
	if _, err := io.Copy(io.Discard, source); err != nil {
		return false, fmt.Errorf("read %s: %w", name, err)
	}
	switch {
	case source.err != nil:
		return false, fmt.Errorf("read %s: %w", name, source.err)
	case c4 != "" && !checksum.Equal(checksum.C4, sum.Sum(), c4):
		l.damaged(name, nil, "it has changed since the chain was written")
		return false, nil
	case parseErr != nil:
		l.damaged(name, parseErr, "it can't be understood")
		return false, nil
	}
	return true, nil
}

// readErrors remembers an error of the disk, or that ctx has ended, to tell it from one of
// the text, and steps after each stepBytes.
type readErrors struct {
	r     io.Reader
	ctx   context.Context
	step  func()
	since int // bytes read since the last step
	err   error
}

// stepBytes is what the engine reads at a time: who is patient with that is so with this.
const stepBytes = 1 << 20

func (e *readErrors) Read(p []byte) (int, error) {
	if e.ctx.Err() != nil {
		e.err = context.Cause(e.ctx)
		return 0, e.err
	}
	n, err := e.r.Read(p)
	if e.since += n; e.since >= stepBytes {
		e.since = 0
		e.step()
	}
	if err != nil && !errors.Is(err, io.EOF) {
		e.err = err
	}
	return n, err
}

// checkReferences holds that what a generation refers to is there, unchanged.
func (l *loader) checkReferences(all histories) {
	known := map[string]string{}
	for _, h := range all {
		for _, entry := range h.links {
			known[path.Join(h.Dir, FolderName, entry.name)] = entry.c4
		}
	}
	for _, dir := range slices.Sorted(maps.Keys(all)) {
		for _, g := range all[dir].Generations {
			for _, ref := range g.References {
				name := path.Join(dir, ref.Path)
				c4, ok := known[name]
				switch {
				case !ok:
					l.damaged(name, nil, "generation %d of %s refers to it, but no chain names it", g.Number, dir)
				case !checksum.Equal(checksum.C4, c4, ref.C4):
					l.damaged(name, nil, "it isn't what generation %d of %s refers to", g.Number, dir)
				}
			}
		}
	}
}
