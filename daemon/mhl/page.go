package mhl

import (
	"iter"
	"path"
	"strings"
)

// page is what one manifest says: the part of a plan that belongs to one
// history.
type page struct {
	*plan
	Folder     string
	history    *History
	first      int // the place of the history's folder in the plan's
	files      *stream
	references []Reference
}

func (a *appender) page(h *History, files *stream) page {
	p := page{plan: a.plan, Folder: a.plan.Folder, history: h, files: files}
	p.first, _ = a.plan.folders.index(h.Dir)
	for _, n := range h.Nested {
		if w, ok := a.written[n.Dir]; ok {
			p.references = append(p.references, Reference{p.local(w.Path), w.C4})
		}
	}
	if h.Dir != "." {
		p.Folder = path.Base(h.Dir)
	}
	return p
}

// local gives a path from the history's folder.
func (p page) local(name string) string {
	if p.history.Dir == "." {
		return name
	}
	return strings.TrimPrefix(name, p.history.Dir+"/")
}

// dirs ranges over the history's folders: their place in the plan's and their
// path from the history's own.
func (p page) dirs() iter.Seq2[int, string] {
	return func(yield func(int, string) bool) {
		for i := p.first + 1; i < len(p.folders.paths) && within(p.folders.paths[i], p.history.Dir); i++ {
			owner, local := p.histories.owner(p.folders.paths[i])
			if owner == p.history && !yield(i, local) {
				return
			}
		}
	}
}

// records ranges over the history's files, with paths from its folder. They
// can be ranged over once. An error is the last that it yields.
func (p page) records() iter.Seq2[*record, error] {
	return func(yield func(*record, error) bool) {
		came, want := &tally{}, p.tallies[p.history]
		if want == nil {
			want = &tally{}
		}
		came.SetSeed(want.Seed())
		for r := range p.files.within(p.history.Dir) {
			owner, local := p.histories.owner(r.Path)
			if owner != p.history {
				continue
			}
			came.add(r)
			r.Path = local
			if r.PreviousPath != "" {
				before, local := p.histories.owner(r.PreviousPath)
				if r.PreviousPath = local; before != p.history {
					r.PreviousPath = "" // it came from a history that can't be named here
				}
			}
			if !yield(r, nil) {
				return
			}
		}
		switch {
		case p.files.err != nil:
			yield(nil, p.files.err)
		case came.Sum64() != want.Sum64():
			yield(nil, errChanged)
		}
	}
}
