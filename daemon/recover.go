package daemon

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path"
	"slices"
	"strings"

	"github.com/zeebo/xxh3"

	"bothy/daemon/ledger"
	"bothy/daemon/mhl"
	"bothy/daemon/offload"
	"bothy/daemon/status"
)

// Bounds on what a drive may make the box read of it: it is hostile input.
const (
	maxSnapshots    = 64
	maxFoundFolders = 200_000
	maxFoundDepth   = 12
)

// recover takes over what a drive tells of offloads that this box did not make:
// from the ledgers that other boxes left on it, and then from the manifests of the
// copies that none of them knows. Nothing is believed to be proven; a patrol reads
// it first of all.
func (e *errand) recover(ctx context.Context) {
	d := e.drives[0]
	e.out.recovered = &status.Recovered{Drive: d.identity.Name}
	if d.opened == nil {
		e.out.err = d.err
		return
	}
	err := e.takeSnapshots(ctx, d)
	if err == nil {
		err = e.takeManifests(ctx, d)
	}
	e.out.err = err
}

// takeSnapshots reads the ledgers that boxes left on a drive.
func (e *errand) takeSnapshots(ctx context.Context, d *jobDrive) error {
	items, err := ask(ctx, &e.task, d, func(_ context.Context, o *Opened, _ func()) ([]offload.Item, error) { return o.FS.List(ownFolder) })
	if errors.Is(err, fs.ErrNotExist) {
		return nil
	}
	if err != nil {
		return fmt.Errorf("list %s: %w", ownFolder, err)
	}
	n := 0
	for _, item := range items {
		if !item.Mode.IsRegular() || !isSnapshot(item.Name) {
			continue
		}
		if n++; n > maxSnapshots {
			e.refuse(item.Name, fmt.Errorf("the drive holds more than %d ledgers; the rest are not read", maxSnapshots))
			break
		}
		if err := e.takeSnapshot(ctx, d, path.Join(ownFolder, item.Name)); err != nil {
			if ctx.Err() != nil || d.hung() {
				return err
			}
			e.refuse(item.Name, err)
		}
	}
	return nil
}

// refuse notes what could not be taken over.
func (e *errand) refuse(what string, why error) {
	r := e.out.recovered
	if len(r.Refused) < status.MaxRefused {
		r.Refused = append(r.Refused, fmt.Sprintf("%s: %v", what, why))
	}
}

// takeSnapshot takes over what one ledger knows, but for what was lost.
func (e *errand) takeSnapshot(ctx context.Context, d *jobDrive, name string) (err error) {
	folder, err := os.MkdirTemp(e.s.cfg.StateDir, "recover-*")
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, os.RemoveAll(folder)) }()
	other, err := ask(ctx, &e.task, d, func(ctx context.Context, o *Opened, step func()) (*ledger.Ledger, error) {
		f, err := o.FS.Open(name)
		if err != nil {
			return nil, err
		}
		defer f.Close()
		return ledger.OpenSnapshot(ctx, &sourceReader{from: f, step: step}, folder)
	})
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, other.Close()) }()
	if other.BoxID() == e.boxID {
		return nil // it is what this box wrote itself
	}
	if err := e.takeDrives(ctx, other); err != nil {
		return err
	}
	list, err := other.Whereabouts(ctx)
	if err != nil {
		return err
	}
	for _, w := range list {
		if err := e.takeOffload(ctx, d, other, w); err != nil {
			return err
		}
	}
	e.out.recovered.Snapshots++
	return nil
}

// takeDrives makes the drives known that another ledger knows.
func (e *errand) takeDrives(ctx context.Context, other *ledger.Ledger) error {
	theirs, err := other.Drives(ctx)
	if err != nil {
		return err
	}
	ours, err := e.s.ledger.Drives(ctx)
	if err != nil {
		return err
	}
	for _, d := range theirs {
		if slices.ContainsFunc(ours, func(o ledger.Drive) bool { return o.ID == d.ID }) {
			continue
		}
		d.DiskKey = "" // by which way its disk is attached there is nothing to this box
		if err := e.s.ledger.PutDrive(ctx, d); err != nil {
			return err
		}
	}
	return nil
}

func (e *errand) takeOffload(ctx context.Context, d *jobDrive, other *ledger.Ledger, w ledger.Whereabouts) error {
	f := ledger.Found{Offload: w.Offload}
	for _, c := range w.Copies {
		if holds(w, c.DriveID) == "" {
			continue
		}
		if c.DriveID == d.identity.ID {
			if err := e.thereBy(ctx, d, c); err != nil {
				e.out.recovered.Missing++
				continue
			}
		}
		f.Copies = append(f.Copies, c)
	}
	if len(f.Copies) == 0 {
		return nil
	}
	var err error
	if f.Files, err = other.Files(ctx, w.ID); err != nil {
		return err
	}
	return e.takeFound(ctx, f)
}

func (e *errand) takeFound(ctx context.Context, f ledger.Found) error {
	offloads, copies, err := e.s.ledger.Import(ctx, f)
	if err != nil {
		return err
	}
	e.out.recovered.Offloads += offloads
	e.out.recovered.Copies += copies
	return nil
}

// takeManifests finds the copies on a drive that the ledger does not know.
func (e *errand) takeManifests(ctx context.Context, d *jobDrive) error {
	folders, err := e.s.ledger.FoldersOn(ctx, d.identity.ID) // those of void offloads too: they stay what they are
	if err != nil {
		return err
	}
	known := map[string]bool{}
	for _, folder := range folders {
		known[folder] = true
	}
	w := copyFinder{known: known}
	if _, err := ask(ctx, &e.task, d, func(ctx context.Context, o *Opened, step func()) (struct{}, error) {
		return struct{}{}, w.walk(ctx, o.FS, "", 0, step)
	}); err != nil {
		return fmt.Errorf("look for copies: %w", err)
	}
	for _, folder := range w.found {
		f, err := ask(ctx, &e.task, d, func(ctx context.Context, o *Opened, step func()) (ledger.Found, error) {
			return foundBy(ctx, o, folder, d.identity, step)
		})
		if err == nil {
			err = e.takeFound(ctx, f)
		}
		if err != nil {
			if ctx.Err() != nil || d.hung() {
				return err
			}
			e.refuse(folder, err)
			continue
		}
		e.out.recovered.ByManifest++
	}
	return nil
}

// copyFinder looks for finished copies that nobody has told of.
type copyFinder struct {
	known  map[string]bool
	found  []string
	looked int
}

func (w *copyFinder) walk(ctx context.Context, f offload.FS, dir string, depth int, step func()) error {
	if step(); ctx.Err() != nil {
		return context.Cause(ctx)
	}
	if w.looked++; w.looked > maxFoundFolders || depth > maxFoundDepth {
		return nil
	}
	items, err := f.List(cmp.Or(dir, "."))
	if err != nil {
		return err
	}
	isHistory := func(i offload.Item) bool { return i.Mode.IsDir() && i.Name == mhl.FolderName }
	if dir != "" && slices.ContainsFunc(items, isHistory) {
		w.found = append(w.found, dir)
		return nil
	}
	for _, item := range items {
		name := path.Join(dir, item.Name)
		if !item.Mode.IsDir() || name == ownFolder || strings.HasSuffix(name, offload.UnfinishedSuffix) || w.known[name] {
			continue
		}
		if err := w.walk(ctx, f, name, depth+1, step); err != nil {
			return err
		}
	}
	return nil
}

// foundBy makes an offload of what a copy's own manifests say. The same content on
// another drive is the same offload.
func foundBy(ctx context.Context, o *Opened, folder string, on Identity, step func()) (ledger.Found, error) {
	h, err := o.history(ctx, folder, step)
	if err != nil {
		return ledger.Found{}, err
	}
	var f ledger.Found
	id := xxh3.New()
	for _, name := range h.Files() {
		values := h.Latest(name)
		if len(values) == 0 {
			return f, fmt.Errorf("%q has no checksum that can be used", name)
		}
		k := values[0]
		item, err := o.FS.Lstat(path.Join(folder, name))
		if err != nil {
			return f, err
		}
		size := k.SizeBytes
		if size < 0 {
			size = item.SizeBytes
		}
		modified := k.ModTime
		if modified.IsZero() {
			modified = item.ModTime
		}
		f.Files = append(f.Files, ledger.File{Path: name, SizeBytes: size, ModTime: modified, Algorithm: k.Algorithm, Checksum: k.Value})
		f.Offload.Bytes += size
		f.Offload.Checksum = k.Algorithm
		fmt.Fprintf(id, "%d %s %s %s\n", size, k.Algorithm, k.Value, name)
		step()
	}
	if len(f.Files) == 0 {
		return f, errors.New("its manifests know no file")
	}
	f.Offload.ID = fmt.Sprintf("%s%016x", ledger.FoundPrefix, id.Sum64())
	f.Offload.CardLabel, f.Offload.Folder, f.Offload.Verify = path.Base(folder), folder, string(offload.VerifyReadBack)
	f.Offload.Verdict, f.Offload.Reason = "hold", "it was found on "+on.Name+" by its manifests; what became of its card is not known"
	if n := len(h.Generations); n > 0 {
		f.Offload.Started = ledger.Moment{Wall: h.Generations[0].At, Trusted: false}
	}
	status := ledger.CopyUnproven
	if strings.HasSuffix(folder, offload.IncompleteSuffix) {
		status = ledger.CopyIncomplete
	}
	f.Copies = []ledger.Copy{{DriveID: on.ID, Folder: folder, Status: status}}
	return f, nil
}

// sourceReader reads a file from its beginning to its end.
type sourceReader struct {
	from offload.Source
	at   int64
	step func()
}

func (r *sourceReader) Read(p []byte) (int, error) {
	if r.step(); r.at >= r.from.Size() {
		return 0, io.EOF
	}
	n, err := r.from.ReadAt(p, r.at)
	r.at += int64(n)
	if n > 0 && errors.Is(err, io.EOF) {
		err = nil
	}
	return n, err
}

// recoverDrive has a drive looked through, and waits for that.
func (s *supervisor) recoverDrive(ctx context.Context, target string) (*status.Recovered, error) {
	answers := make(chan errandOutcome, 1)
	s.post(func() {
		d := s.driveNamed(target)
		switch {
		case s.ledger == nil:
			answers <- errandOutcome{err: fmt.Errorf("%w: there is no ledger to take anything into", ErrRefused)}
		case d == nil || !d.usable():
			answers <- errandOutcome{err: notInOrder(target)}
		case s.power.low():
			answers <- errandOutcome{err: fmt.Errorf("%w: %s", ErrRefused, s.powerSentence())}
		default:
			s.errands.asked = append(s.errands.asked, errandRequest{d.identity.ID, nil, func(out errandOutcome) { answers <- out }})
		}
	})
	select {
	case a := <-answers:
		return a.recovered, a.err
	case <-ctx.Done():
		return nil, ctx.Err()
	case <-s.quit:
		return nil, errStopping
	}
}
