package daemon

import (
	"context"
	"errors"
	"fmt"
	"io"
	"path"
	"time"

	"bothy/daemon/checksum"
	"bothy/daemon/ledger"
	"bothy/daemon/mhl"
	"bothy/daemon/offload"
	"bothy/daemon/state"
	"bothy/daemon/volume"
)

// slice is how long a patrol works before it lets the drive go for a while.
const slice = 5 * time.Minute

// A group of proofs is noted when it has this many files.
const patrolGroup = 64

// patrol proves one copy again, against the checksums taken when the card was
// read and not against what the copy itself says. It goes on where an earlier
// slice ended.
func (e *errand) patrol(ctx context.Context) {
	r := e.piece.round
	d := e.drives[0]
	if d.opened == nil || !e.s.claims.offload(&e.task, r.Offload.ID) {
		return
	}
	until := time.Now().Add(slice)
	files, err := e.s.ledger.Files(ctx, r.Offload.ID)
	if err != nil {
		e.recorderFailed(err)
		return
	}
	done, err := e.s.ledger.ProvenSince(ctx, r.Offload.ID, d.identity.ID, r.ProvenUpTo)
	if err != nil {
		e.recorderFailed(err)
		return
	}
	b := patrolBooks{errand: e, drive: d}
	for _, f := range files {
		if done[f.Path] {
			b.passed++
			continue
		}
		if time.Now().After(until) || e.yield(ctx) != nil {
			b.note(ctx)
			return
		}
		if !b.prove(ctx, f) {
			b.note(ctx)
			return
		}
		e.tell(float64(b.passed+len(b.damaged)) / float64(len(files)))
	}
	b.note(ctx)
	e.out.found = len(b.damaged) > 0
	if len(b.damaged) == 0 && ctx.Err() == nil {
		e.endRound(ctx, d, files)
	}
}

// patrolBooks keep what a patrol has found and not yet noted.
type patrolBooks struct {
	errand  *errand
	drive   *jobDrive
	proven  []string
	damaged []string
	passed  int
}

// prove reads one file; it is false when the drive cannot be gone on with.
func (b *patrolBooks) prove(ctx context.Context, f ledger.File) bool {
	e := b.errand
	name := path.Join(e.piece.round.Copy.Folder, f.Path)
	if inHistory(f.Path) && path.Base(f.Path) == mhl.ChainName {
		b.proven = append(b.proven, f.Path) // it has grown since; reading the history looks at it
		b.passed++
		return true
	}
	sum, err := e.sumOfFile(ctx, b.drive, name, f)
	switch {
	case ctx.Err() != nil || b.drive.hung():
		return false
	case err == nil && sum == f.Checksum:
		b.proven = append(b.proven, f.Path)
		b.passed++
	case b.drive.opened.Medium != nil && b.drive.opened.Medium.Check() != nil:
		b.drive.err = fmt.Errorf("%w: in the middle of a patrol", offload.ErrDriveGone)
		return false
	default:
		if err == nil {
			err = fmt.Errorf("%w: %s %s instead of %s", offload.ErrMismatch, f.Algorithm, sum, f.Checksum)
		}
		if len(b.damaged) == 0 {
			e.find(b.drive.identity.ID, state.CopyDamaged, fmt.Sprintf("%s on %s: %q: %v", e.piece.round.Copy.Folder, b.drive.identity.Name, f.Path, err))
		}
		b.damaged = append(b.damaged, f.Path)
		if b.withdraw(ctx, f.Path); len(b.damaged) == 1 {
			e.doubt(b.drive.identity.ID)
		}
		if e.piece.round.Copy.Status == ledger.CopyUnproven {
			e.copyLost(ctx, b.drive, e.piece.round.Copy, fmt.Errorf("%q: %w", f.Path, err))
		}
	}
	if len(b.proven) >= patrolGroup {
		b.note(ctx)
	}
	return true
}

// withdraw takes the proof of a file back at once.
func (b *patrolBooks) withdraw(ctx context.Context, name string) {
	e := b.errand
	e.recorderFailed(e.s.ledger.RecordUnproven(context.WithoutCancel(ctx), e.piece.round.Offload.ID, b.drive.identity.ID, []string{name}))
}

// note records what was proven.
func (b *patrolBooks) note(ctx context.Context) {
	e := b.errand
	if len(b.proven) == 0 {
		return
	}
	e.recorderFailed(e.s.ledger.RecordProven(context.WithoutCancel(ctx), e.piece.round.Offload.ID, b.drive.identity.ID, b.proven, moment(e.s.cfg.Now)))
	b.proven = nil
}

// patrolPortion is how much is read before it is asked whether a card goes first.
const patrolPortion = 2 << 20

// sumOfFile reads a file of a copy from the medium, with leave for every portion.
func (e *errand) sumOfFile(ctx context.Context, d *jobDrive, name string, f ledger.File) (string, error) {
	sum, err := checksum.New(f.Algorithm)
	if err != nil {
		return "", err
	}
	src, err := ask(ctx, &e.task, d, func(_ context.Context, o *Opened, _ func()) (offload.Source, error) { return o.FS.OpenMedium(name) })
	if err != nil {
		return "", err
	}
	defer func() {
		if !d.hung() { // else somebody is stuck in it
			src.Close()
		}
	}()
	if src.Size() != f.SizeBytes {
		return "", fmt.Errorf("%w: %d bytes instead of %d", offload.ErrMismatch, src.Size(), f.SizeBytes)
	}
	buf := volume.AlignedBuffer(patrolPortion)
	for at := int64(0); at < f.SizeBytes; {
		if err := e.yield(ctx); err != nil {
			return "", err
		}
		n, err := ask(ctx, &e.task, d, func(context.Context, *Opened, func()) (int, error) { return src.ReadAt(buf, at) })
		if err != nil && !errors.Is(err, io.EOF) {
			return "", fmt.Errorf("read at byte %d: %w", at, err)
		}
		if n == 0 {
			return "", fmt.Errorf("%w: it ends after %d of %d bytes", offload.ErrMismatch, at, f.SizeBytes)
		}
		sum.Write(buf[:n]) // a hash never fails
		at += int64(n)
	}
	return sum.Sum(), nil
}

// endRound adds a generation to the copy's history, and notes that the copy has
// been proven whole.
func (e *errand) endRound(ctx context.Context, d *jobDrive, files []ledger.File) {
	r := e.piece.round
	w, err := ask(ctx, &e.task, d, func(ctx context.Context, o *Opened, step func()) (mhl.Written, error) {
		return e.addGeneration(ctx, o, r.Copy.Folder, files, step)
	})
	if err != nil {
		if !d.hung() && ctx.Err() == nil {
			var damage *mhl.DamageError
			if errors.As(err, &damage) || errors.Is(err, errSaysOtherwise) {
				e.copyLost(ctx, d, r.Copy, err)
				return
			}
			d.err = fmt.Errorf("record a patrol: %w", err)
		}
		return
	}
	e.recorderFailed(e.s.ledger.RoundDone(context.WithoutCancel(ctx), r, w.Path, w.C4, moment(e.s.cfg.Now)))
	e.out.proven = true
}

// addGeneration says on the drive that files were proven again. It is durable
// when it returns nil, and was read back.
func (e *errand) addGeneration(ctx context.Context, o *Opened, folder string, files []ledger.File, step func()) (mhl.Written, error) {
	root, err := o.Root.OpenRoot(folder)
	if err != nil {
		return mhl.Written{}, err
	}
	defer root.Close()
	at, trusted := e.s.cfg.Now()
	gen := mhl.Generation{
		Folder: path.Base(folder), Process: mhl.InPlace, At: at, ClockTrusted: trusted,
		Creator: mhl.Creator{Tool: "Bothy", Version: e.s.cfg.Version, Hostname: e.boxName,
			Comment: "Read back from the drive, and held against the checksums taken when the card was read."},
	}
	for _, f := range files {
		if inHistory(f.Path) {
			continue
		}
		gen.Files = append(gen.Files, mhl.FileHash{
			Path: f.Path, SizeBytes: f.SizeBytes, ModTime: f.ModTime, Algorithm: f.Algorithm, Value: f.Checksum, Action: mhl.Verified, HashedAt: at,
		})
	}
	history, err := mhl.OpenIndex(ctx, root, step)
	if err != nil {
		return mhl.Written{}, err
	}
	if err := saysSame(history, files); err != nil {
		return mhl.Written{}, err
	}
	gen.Dirs = history.Dirs()
	if n := len(history.Generations); n > 0 {
		gen.Ignore = history.Generations[n-1].Ignore
	}
	w, err := mhl.Append(root, gen, flushing{o.FS, step})
	if err != nil {
		return w, err
	}
	step()
	sum, err := sumOf(ctx, o.FS, path.Join(folder, w.Path), checksum.C4, step)
	if err == nil && sum != w.C4 {
		err = offload.ErrMismatch
	}
	if err != nil {
		return w, fmt.Errorf("read the manifest back: %w", err)
	}
	return w, nil
}

// flushing has the whole drive flushed wherever a manifest is: nobody waits for a
// patrol, and drives differ in what they make of the lesser flush.
type flushing struct {
	fs   offload.FS
	step func() // the work gets on
}

func (f flushing) Read() { f.step() }

func (f flushing) Do(step mhl.Step, change func() error) error {
	defer f.step()
	if err := change(); err != nil {
		return err
	}
	if step.Op == mhl.OpSync || step.Op == mhl.OpSyncDir {
		return flushAll(f.fs)
	}
	return nil
}

// saysSame: a history says nothing else of files than the card did.
func saysSame(history *mhl.History, files []ledger.File) error {
	for _, f := range files {
		if inHistory(f.Path) {
			continue
		}
		for _, known := range history.Latest(f.Path) {
			if known.Algorithm == f.Algorithm && !checksum.Equal(f.Algorithm, known.Value, f.Checksum) {
				return fmt.Errorf("%q: %w", f.Path, errSaysOtherwise)
			}
		}
	}
	return nil
}

// agrees: a copy's manifest is there as it was written, and its history can be read
// and says what the card did. Whoever has only the drive proves the copy by that.
func agrees(ctx context.Context, o *Opened, c ledger.Copy, files []ledger.File, step func()) error {
	if err := manifestStands(ctx, o.FS, c, step); err != nil {
		return err
	}
	history, err := o.history(ctx, c.Folder, step)
	if err != nil {
		return err
	}
	return saysSame(history, files)
}

// errSaysOtherwise: nobody who has only the drive could prove the copy.
var errSaysOtherwise = errors.New("the copy's own manifests say otherwise than the card")
