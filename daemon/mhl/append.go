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

	"bothy/daemon/checksum"
)

// Written says what Append wrote. Paths are relative to the root.
type Written struct {
	Path   string // of the manifest
	C4     string // of the manifest
	Number int    // of the generation
	Chain  string // path of the chain
	// Nested says the same of the histories directly below.
	Nested []Written
	// LeftOut lists, sorted, the files given that the patterns leave out.
	LeftOut []string
}

// Append writes the next generation of the history in root, and of every
// history nested in a folder of gen, innermost first: a file goes into the
// innermost one, and the one around it refers to the manifest. When it returns
// without an error, all of it is durable. When it returns with one, nothing of
// the generation counts; what is left of it doesn't disturb Open or the next
// Append.
//
// Every change goes through sync, which may be nil. One Append at a time may
// work on a folder. An error may be a *DamageError: a history that can't be
// trusted isn't carried on.
func Append(root *os.Root, gen Generation, sync Syncer) (Written, error) {
	if sync == nil {
		sync = direct{}
	}
	p, err := newPlan(gen)
	if err != nil {
		return Written{}, fmt.Errorf("append generation: %w", err)
	}
	h, err := Open(root)
	if errors.Is(err, ErrNoHistory) {
		h = newHistory(".")
		connect(map[string]*History{".": h})
	} else if err != nil {
		return Written{}, fmt.Errorf("append generation: %w", err)
	}
	a := &appender{root: root, sync: sync, plan: p, histories: h.histories}
	written, err := a.write(h)
	if err != nil {
		return Written{}, fmt.Errorf("append generation: %w", err)
	}
	written.LeftOut = p.leftOut
	return written, nil
}

// appender writes one generation into several histories.
type appender struct {
	root      *os.Root
	sync      Syncer
	plan      *plan
	histories map[string]*History
}

// write does the nested histories first, so that what is referred to is durable
// before the reference is.
func (a *appender) write(h *History) (Written, error) {
	var nested []Written
	for _, n := range h.Nested {
		if _, ok := slices.BinarySearch(a.plan.Dirs, n.Dir); !ok {
			continue
		}
		w, err := a.write(n)
		if err != nil {
			return Written{}, err
		}
		nested = append(nested, w)
	}
	number, err := nextNumber(h)
	if err != nil {
		return Written{}, err
	}
	p := a.page(h, nested)
	s := store{a.root, a.sync, path.Join(h.Dir, FolderName)}
	if err := s.prepare(); err != nil {
		return Written{}, err
	}
	entry := link{number: number, name: fileName(number, p.Generation)}
	sum, err := checksum.New(checksum.C4)
	if err != nil {
		return Written{}, err
	}
	// Only an entry that came up since the folder was listed could be there.
	if _, err := a.root.Lstat(path.Join(s.dir, entry.name)); !errors.Is(err, fs.ErrNotExist) {
		return Written{}, fmt.Errorf("%s is there already (%v)", path.Join(s.dir, entry.name), err)
	}
	err = s.put(unfinishedManifest, entry.name, func(w io.Writer) error {
		return writeManifest(io.MultiWriter(w, sum), p)
	})
	if err != nil {
		return Written{}, err
	}
	entry.c4 = sum.Sum()
	links := append(slices.Clone(h.links), entry)
	err = s.put(unfinishedChain, ChainName, func(w io.Writer) error { return writeChain(w, links) })
	if err != nil {
		return Written{}, err
	}
	return Written{Path: path.Join(s.dir, entry.name), C4: entry.c4, Number: number,
		Chain: path.Join(s.dir, ChainName), Nested: nested}, nil
}

// nextNumber gives the smallest number behind the chain's last that no manifest
// left by an interrupted Append bears.
func nextNumber(h *History) (int, error) {
	number := 1
	if n := len(h.links); n > 0 {
		number = h.links[n-1].number + 1
	}
	taken := map[int]bool{}
	for _, orphan := range h.Orphans {
		taken[numberOf(path.Base(orphan))] = true
	}
	for taken[number] {
		number++
	}
	if number > maxGenerations {
		return 0, fmt.Errorf("history %s has no generation number left", h.Dir)
	}
	return number, nil
}

// page draws from the plan what belongs to one history.
func (a *appender) page(h *History, nested []Written) page {
	p := page{Generation: a.plan.Generation, root: a.plan.folders[h.Dir], folders: map[string]folderHash{}}
	p.Files, p.Dirs = nil, nil
	mine := &History{histories: a.histories}
	for _, f := range a.plan.Files {
		owner, local := mine.owner(f.Path)
		if owner != h {
			continue
		}
		f.Path = local
		if f.PreviousPath != "" {
			before, local := mine.owner(f.PreviousPath)
			if f.PreviousPath = local; before != h {
				f.PreviousPath = "" // it came from a history that can't be named here
			}
		}
		p.Files = append(p.Files, f)
	}
	for _, dir := range a.plan.Dirs {
		if owner, local := mine.owner(dir); owner == h {
			p.Dirs = append(p.Dirs, local)
			p.folders[local] = a.plan.folders[dir]
		}
	}
	for _, w := range nested {
		ref := w.Path
		if h.Dir != "." {
			ref = strings.TrimPrefix(ref, h.Dir+"/")
		}
		p.references = append(p.references, Reference{ref, w.C4})
	}
	if h.Dir != "." {
		p.Folder = path.Base(h.Dir)
	}
	return p
}

const maxFolderBytes = 200 // leaves room in the 255 bytes that a name may have

// fileName is that of section 6.3: number, folder, date and time of UTC.
func fileName(number int, g Generation) string {
	folder := strings.Map(func(r rune) rune {
		if r < 0x20 {
			return '_'
		}
		return r
	}, strings.ToValidUTF8(g.Folder, "_"))
	if len(folder) > maxFolderBytes {
		folder = strings.ToValidUTF8(folder[:maxFolderBytes], "")
	}
	return fmt.Sprintf("%04d_%s_%sZ.mhl", number, folder, g.At.UTC().Format("2006-01-02_150405"))
}
