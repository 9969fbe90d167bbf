package mhl

import (
	"context"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path"
	"slices"
	"strings"
	"time"

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
//
// It holds about 150 bytes for each folder, what it compares in the largest
// chain of nested folders (two digests for each file that lies directly in one
// of them), and nothing for other files, nor for those of older generations.
func Append(root *os.Root, gen Generation, sync Syncer) (Written, error) {
	if sync == nil {
		sync = direct{}
	}
	h, err := carryOn(root, sync)
	if err != nil {
		return Written{}, fmt.Errorf("append generation: %w", err)
	}
	p, err := newPlan(gen, h.histories)
	if err != nil {
		return Written{}, fmt.Errorf("append generation: %w", err)
	}
	a := &appender{root: root, sync: sync, plan: p, written: map[string]Written{}}
	written, err := a.write(h)
	if err != nil {
		return Written{}, fmt.Errorf("append generation: %w", err)
	}
	written.LeftOut = p.leftOut
	return written, nil
}

// carryOn finds the histories that a generation is added to.
func carryOn(root *os.Root, sync Syncer) (*History, error) {
	var step func()
	if w, ok := sync.(ReadWatcher); ok {
		step = w.Read
	}
	h, err := open(context.Background(), root, keepNothing, step)
	if errors.Is(err, ErrNoHistory) {
		h = newHistory(".")
		connect(histories{".": h})
		return h, nil
	}
	return h, err
}

// appender writes one generation into several histories.
type appender struct {
	root    *os.Root
	sync    Syncer
	plan    *plan
	written map[string]Written // by folder
}

// write does the nested histories first, so that what is referred to is durable
// before the reference is. Those that are equally deep in each other lie side
// by side, so the files come by once for each level.
func (a *appender) write(top *History) (Written, error) {
	levels := [][]*History{{top}}
	for last := levels[0]; len(last) > 0; {
		var next []*History
		for _, h := range last {
			for _, n := range h.Nested {
				if _, ok := a.plan.folders.index(n.Dir); ok {
					next = append(next, n)
				}
			}
		}
		slices.SortFunc(next, func(a, b *History) int { return comparePaths(a.Dir, b.Dir) })
		levels = append(levels, next)
		last = next
	}
	for _, level := range slices.Backward(levels) {
		if err := a.level(level); err != nil {
			return Written{}, err
		}
	}
	return a.written[top.Dir], nil
}

func (a *appender) level(level []*History) error {
	if len(level) == 0 {
		return nil
	}
	files := a.plan.files()
	defer files.stop()
	for _, h := range level {
		if err := a.one(h, files); err != nil {
			return err
		}
	}
	return nil
}

// one writes the manifest and the chain of one history.
func (a *appender) one(h *History, files *stream) error {
	number, err := nextNumber(h)
	if err != nil {
		return err
	}
	s := store{a.root, a.sync, path.Join(h.Dir, FolderName)}
	if err := s.prepare(); err != nil {
		return err
	}
	p := a.page(h, files)
	entry := link{number: number, name: fileName(number, p.Folder, p.At)}
	sum, err := checksum.New(checksum.C4)
	if err != nil {
		return err
	}
	// Only an entry that came up since the folder was listed could be there.
	if _, err := a.root.Lstat(path.Join(s.dir, entry.name)); !errors.Is(err, fs.ErrNotExist) {
		return fmt.Errorf("%s is there already (%v)", path.Join(s.dir, entry.name), err)
	}
	err = s.put(unfinishedManifest, entry.name, func(w io.Writer) error {
		return writeManifest(io.MultiWriter(w, sum), p)
	})
	if err != nil {
		return err
	}
	entry.c4 = sum.Sum()
	links := append(slices.Clone(h.links), entry)
	err = s.put(unfinishedChain, ChainName, func(w io.Writer) error { return writeChain(w, links) })
	if err != nil {
		return err
	}
	w := Written{Path: path.Join(s.dir, entry.name), C4: entry.c4, Number: number, Chain: path.Join(s.dir, ChainName)}
	for _, n := range h.Nested {
		if inner, ok := a.written[n.Dir]; ok {
			w.Nested = append(w.Nested, inner)
		}
	}
	a.written[h.Dir] = w
	return nil
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

const maxFolderBytes = 200 // leaves room in the 255 bytes that a name may have

// fileName is that of section 6.3: number, folder, date and time of UTC.
func fileName(number int, folder string, at time.Time) string {
	folder = strings.Map(func(r rune) rune {
		if r < 0x20 {
			return '_'
		}
		return r
	}, strings.ToValidUTF8(folder, "_"))
	if len(folder) > maxFolderBytes {
		folder = strings.ToValidUTF8(folder[:maxFolderBytes], "")
	}
	return fmt.Sprintf("%04d_%s_%sZ.mhl", number, folder, at.UTC().Format("2006-01-02_150405"))
}
