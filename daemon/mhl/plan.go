package mhl

import (
	"errors"
	"fmt"
	"hash/maphash"
	"iter"
	"slices"
	"strings"
)

// plan is a generation that was checked, with what must be known of it before
// the first line of a manifest can be written.
type plan struct {
	Generation           // Ignore is complete
	histories  histories // those that the files go into
	ignore     *Ignore   // what is left out
	source     iter.Seq[FileHash]
	folders    *folderTable
	leftOut    []string
	tallies    map[*History]*tally
}

// tally is a summary of the files that go into one history. The files come by
// twice, and a manifest must list the ones that its folders were hashed from.
type tally struct{ maphash.Hash }

func (t *tally) add(r *record) {
	t.WriteString(r.Path)
	for i := range r.set.all() {
		t.WriteString(r.sums[i])
	}
	t.WriteByte('/') // ends no path, so that nothing runs into what follows
}

var (
	errOrder   = errors.New("files come out of order")
	errChanged = errors.New("the files that came the second time aren't those of the first")
)

func newPlan(gen Generation, all histories) (*plan, error) {
	p := &plan{Generation: gen, histories: all}
	if gen.Folder == "" || strings.Contains(gen.Folder, "/") || formatTime(gen.At) == "" {
		return nil, fmt.Errorf("a generation needs the name of its folder (%q) and a date (%v)", gen.Folder, gen.At)
	}
	switch gen.Process {
	case InPlace, Transfer, Flatten:
	default:
		return nil, fmt.Errorf("process %q isn't one of the standard", gen.Process)
	}
	p.Ignore = DefaultIgnore()
	for _, pattern := range gen.Ignore {
		if !slices.Contains(p.Ignore, pattern) {
			p.Ignore = append(p.Ignore, pattern)
		}
	}
	var err error
	if p.ignore, err = ParseIgnore(p.Ignore); err != nil {
		return nil, err
	}
	if p.Dirs, err = p.namedDirs(); err != nil {
		return nil, err
	}
	p.source = inOrder(p.Generation)
	err = p.survey()
	if errors.Is(err, errOrder) && gen.Each != nil {
		p.Files, p.Each = slices.Collect(gen.Each), nil
		p.source = inOrder(p.Generation)
		err = p.survey()
	}
	return p, err
}

// namedDirs checks and sorts the folders given.
func (p *plan) namedDirs() ([]string, error) {
	dirs := make([]string, 0, len(p.Dirs))
	for _, dir := range p.Dirs {
		switch {
		case dir == "." || p.ignore.Match(dir, true):
		case !EncodablePath(dir):
			return nil, fmt.Errorf("folder %.200q: a manifest can't carry its path", dir)
		default:
			dirs = append(dirs, dir)
		}
	}
	slices.SortFunc(dirs, comparePaths)
	return dirs, nil
}

// survey has all files come by once: checks them, finds those left out, and
// hashes the folders.
func (p *plan) survey() error {
	p.leftOut, p.tallies = nil, map[*History]*tally{}
	seed := maphash.MakeSeed()
	h := newFolderHasher(p.Dirs)
	for r, err := range p.records(func(path string) { p.leftOut = append(p.leftOut, path) }) {
		if err != nil {
			return err
		}
		if err := h.file(r); err != nil {
			return err
		}
		owner, _ := p.histories.owner(r.Path)
		t := p.tallies[owner]
		if t == nil {
			t = &tally{}
			t.SetSeed(seed)
			p.tallies[owner] = t
		}
		t.add(&r)
	}
	slices.Sort(p.leftOut)
	var err error
	p.folders, err = h.finish()
	return err
}

// records ranges over the files that go into manifests, checked. An error is
// the last that it yields. leftOut is told of the others.
func (p *plan) records(leftOut func(path string)) iter.Seq2[record, error] {
	return func(yield func(record, error) bool) {
		last, some := "", false
		for f := range p.source {
			if p.ignore.Match(f.Path, false) {
				leftOut(f.Path)
				continue
			}
			r, err := newRecord(f)
			if err != nil {
				err = fmt.Errorf("file %.200q: %w", f.Path, err)
			} else if some {
				switch c := comparePaths(last, r.Path); {
				case c == 0:
					err = fmt.Errorf("file %.200q: it is listed twice", r.Path)
				case c > 0:
					err = fmt.Errorf("file %.200q: %w", r.Path, errOrder)
				}
			}
			if !yield(r, err) || err != nil {
				return
			}
			last, some = r.Path, true
		}
	}
}

// stream hands out records one by one, for those who write one history after
// the other.
type stream struct {
	next  func() (record, error, bool)
	stop  func()
	ahead record
	err   error
	done  bool
}

// files begins at the first. The caller calls stop.
func (p *plan) files() *stream {
	s := &stream{}
	s.next, s.stop = iter.Pull2(p.records(func(string) {}))
	s.advance()
	return s
}

func (s *stream) advance() {
	var ok bool
	s.ahead, s.err, ok = s.next()
	s.done = !ok || s.err != nil
}

// within gives, one by one, the files that lie in dir, and passes over those
// before it. The order makes them come in one piece. An error stays in s.
func (s *stream) within(dir string) iter.Seq[*record] {
	return func(yield func(*record) bool) {
		for !s.done && !within(s.ahead.Path, dir) {
			if comparePaths(s.ahead.Path, dir) > 0 {
				return // there is none
			}
			s.advance()
		}
		for !s.done && within(s.ahead.Path, dir) {
			if !yield(&s.ahead) {
				return
			}
			s.advance()
		}
	}
}
