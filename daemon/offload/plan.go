package offload

import (
	"context"
	"errors"
	"fmt"
	"io/fs"
	"path"
	"time"

	"bothy/daemon/mhl"
)

// Bounds on what a card may hold. A tree beyond them is not footage.
const (
	MaxEntries = 2_000_000
	MaxDepth   = 128
	maxPath    = 3500 // bytes; leaves room for a drive's folder below PATH_MAX
	// maxUnlisted folders may fail to be listed, each of which can take a bad
	// card many seconds; then the card cannot be listed.
	maxUnlisted = 100
)

// Entry is one regular file of a card.
type Entry struct {
	Path      string // relative to the card's root, slash separated
	SizeBytes int64
	ModTime   time.Time
	// InHistory marks a file of an ascmhl folder: it is copied and proven like
	// any other, but a manifest does not list it.
	InHistory bool
}

// Folder is one folder of a card.
type Folder struct {
	Path    string
	ModTime time.Time
}

// LeftOut is something on the card that no copy will hold.
type LeftOut struct {
	Path string
	Why  string
	// Ignored: the policy says that it may be lost. Everything else holds the card.
	Ignored bool
}

// Plan is what an offload is going to copy.
type Plan struct {
	Files   []Entry
	Dirs    []Folder
	LeftOut []LeftOut
	Bytes   int64 // sum of Files' sizes
	// Unlisted counts the folders among LeftOut that could not be listed, as
	// happens on a damaged card and on one that was just pulled.
	Unlisted int
}

// NewPlan lists a card. It fails only when the card cannot be listed at all or
// is beyond the bounds; entries that cannot be copied are in LeftOut.
func NewPlan(ctx context.Context, card FS, ignore *mhl.Ignore) (*Plan, error) {
	w := planner{ctx: ctx, card: card, ignore: ignore, plan: &Plan{}}
	if err := w.walk("", 0, false); err != nil {
		return nil, err
	}
	return w.plan, nil
}

type planner struct {
	ctx     context.Context
	card    FS
	ignore  *mhl.Ignore
	plan    *Plan
	entries int
}

func (w *planner) walk(dir string, depth int, inHistory bool) error {
	if err := w.ctx.Err(); err != nil {
		return err
	}
	name := dir
	if name == "" {
		name = "."
	}
	items, err := w.card.List(name)
	if err != nil && dir != "" && w.ctx.Err() == nil && !errors.Is(err, ErrRefused) && w.plan.Unlisted < maxUnlisted {
		w.plan.Unlisted++
		w.leave(dir, "it cannot be listed: "+err.Error(), false)
		return nil
	}
	if err != nil {
		return fmt.Errorf("list %q: %w", name, err)
	}
	w.entries += len(items)
	if w.entries > MaxEntries {
		return fmt.Errorf("list %q: %w: more than %d entries", name, ErrRefused, MaxEntries)
	}
	for _, item := range items {
		if err := w.take(dir, item, depth, inHistory); err != nil {
			return err
		}
	}
	return nil
}

func (w *planner) take(dir string, item Item, depth int, inHistory bool) error {
	name := path.Join(dir, item.Name)
	isDir := item.Mode.IsDir()
	history := inHistory || (isDir && item.Name == mhl.FolderName)
	switch {
	case item.Name == "" || item.Name == "." || item.Name == ".." || len(name) > maxPath:
		w.leave(name, "its name or path is longer than any drive can hold", false)
	case !mhl.EncodablePath(name):
		w.leave(name, "its name holds characters that no manifest can carry", false)
	case !history && w.ignore.Match(name, isDir):
		w.leave(name, "ignored by the policy", true)
	case isDir && depth >= MaxDepth:
		w.leave(name, fmt.Sprintf("it lies more than %d folders deep", MaxDepth), false)
	case isDir:
		w.plan.Dirs = append(w.plan.Dirs, Folder{Path: name, ModTime: item.ModTime})
		return w.walk(name, depth+1, history)
	case item.Mode.IsRegular():
		w.plan.Files = append(w.plan.Files, Entry{Path: name, SizeBytes: item.SizeBytes, ModTime: item.ModTime, InHistory: history})
		w.plan.Bytes += item.SizeBytes
	default:
		w.leave(name, "it is "+kindOf(item.Mode)+", not a file", false)
	}
	return nil
}

func (w *planner) leave(name, why string, ignored bool) {
	w.plan.LeftOut = append(w.plan.LeftOut, LeftOut{Path: name, Why: why, Ignored: ignored})
}

// Held counts the entries that keep the card from being released.
func (p *Plan) Held() int {
	n := 0
	for _, l := range p.LeftOut {
		if !l.Ignored {
			n++
		}
	}
	return n
}

func kindOf(m fs.FileMode) string {
	switch {
	case m&fs.ModeSymlink != 0:
		return "a link"
	case m&fs.ModeNamedPipe != 0:
		return "a pipe"
	case m&fs.ModeSocket != 0:
		return "a socket"
	case m&fs.ModeDevice != 0:
		return "a device node"
	}
	return "of an unknown kind"
}

// Only gives the plan of a part of the card: the files that take says yes to
// and the folders they lie in. A card whose files do not all go along is not
// copied with its own histories, which would speak of files that are not
// there; the caller sees to that.
func (p *Plan) Only(take func(Entry) bool) *Plan {
	part := &Plan{LeftOut: p.LeftOut, Unlisted: p.Unlisted}
	needed := map[string]bool{}
	for _, e := range p.Files {
		if !take(e) {
			continue
		}
		part.Files = append(part.Files, e)
		part.Bytes += e.SizeBytes
		for dir := path.Dir(e.Path); dir != "." && !needed[dir]; dir = path.Dir(dir) {
			needed[dir] = true
		}
	}
	if len(part.Files) == len(p.Files) {
		return p
	}
	for _, d := range p.Dirs {
		if needed[d.Path] {
			part.Dirs = append(part.Dirs, d)
		}
	}
	return part
}

// HasHistory reports whether the card carries manifests of its own.
func (p *Plan) HasHistory() bool {
	for _, e := range p.Files {
		if e.InHistory {
			return true
		}
	}
	return false
}
