package daemon

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

	"golang.org/x/sys/unix"

	"bothy/daemon/ledger"
	"bothy/daemon/mhl"
	"bothy/daemon/report"
)

// handedOver: what was brought to a shuttle, or stood there before it was one.
func handedOver(c ledger.Copy, driveID string) bool {
	return c.DriveID == driveID && c.Folder != "" && (c.Status == ledger.CopyHanded || c.Status == ledger.CopyProven)
}

// leaveDelivery leaves on a shuttle what tells of the whole delivery.
func (e *errand) leaveDelivery(ctx context.Context, d *jobDrive, list []ledger.Whereabouts) {
	// Whatever ended the errand is no fault of the drive.
	if err := e.leaveCollection(ctx, d); err != nil && ctx.Err() == nil && d.err == nil {
		d.err = err
	}
	var ids []string
	for _, w := range list {
		ids = append(ids, w.ID)
	}
	e.leaveDays(ctx, []*jobDrive{d}, ids)
	e.tidy(ctx, d)
}

// tidy removes what this box keeps hidden on drives, but for the identity: a
// shuttle may have been a drive before, or power may have failed.
func (e *errand) tidy(ctx context.Context, d *jobDrive) {
	var ours []string
	for _, name := range []string{"ledger-" + e.boxID + ".db.zst", "ledger-" + e.boxID + ".db.zst.tmp", "report-" + e.boxID + ".tmp",
		"collection-" + e.boxID + ".tmp", path.Base(identityFile) + ".tmp"} {
		ours = append(ours, path.Join(ownFolder, name))
	}
	if err := e.clearOwn(ctx, d, ours...); err != nil && ctx.Err() == nil {
		e.s.cfg.Log.Warn("hidden files of this box are still on the shuttle", "drive", d.identity.Name, "err", err)
	}
}

// leaveCollection writes the collection of all that was handed over with a shuttle:
// the newest manifest of every folder. Each must be there, and be the one that was
// written.
func (e *errand) leaveCollection(ctx context.Context, d *jobDrive) error {
	all, err := e.s.ledger.Whereabouts(ctx)
	if err != nil {
		e.recorderFailed(err)
		return err
	}
	var members []mhl.Member
	for _, w := range all {
		for _, c := range w.Copies {
			if !handedOver(c, d.identity.ID) || c.ManifestPath == "" {
				continue
			}
			name := path.Join(c.Folder, c.ManifestPath)
			_, err := ask(ctx, &e.task, d, func(ctx context.Context, o *Opened, step func()) (struct{}, error) {
				return struct{}{}, manifestStands(ctx, o.FS, c, step)
			})
			switch {
			case err == nil:
				members = append(members, mhl.Member{Path: name, C4: c.ManifestC4})
			case ctx.Err() != nil || d.hung():
				return cmpErr(d.err, ctx.Err())
			default:
				e.s.cfg.Log.Warn("a manifest is not in the collection", "drive", d.identity.Name, "path", name, "err", err)
			}
		}
	}
	h, owner := d.share, e.boxID
	_, err = ask(ctx, &e.task, d, func(ctx context.Context, o *Opened, step func()) (struct{}, error) {
		leave, err := h.enterOwn(ctx)
		if err != nil {
			return struct{}{}, err
		}
		defer leave()
		return struct{}{}, writeCollection(o, owner, members, step)
	})
	if err != nil {
		return fmt.Errorf("write the collection: %w", err)
	}
	return nil
}

// writeCollection writes the collection under its name, or one that is free when
// somebody else has that. One of ours that would name nothing is removed.
func writeCollection(o *Opened, owner string, members []mhl.Member, step func()) error {
	begin := mhl.CollectionBegin(owner)
	var name string
	var replaces bool
	var unseen error
	_, err := freeFolder(strings.TrimSuffix(mhl.CollectionName, ".xml"), func(base string) bool {
		step()
		name = base + ".xml"
		item, err := o.FS.Lstat(name)
		if errors.Is(err, fs.ErrNotExist) {
			replaces = false
			return true
		}
		unseen = err
		replaces = err == nil && item.Mode.IsRegular() && beginsWith(o, name, begin)
		return replaces || err != nil
	})
	if err := cmpErr(unseen, err); err != nil {
		return err
	}
	if len(members) == 0 {
		if replaces {
			return o.FS.Remove(name)
		}
		return nil
	}
	rename := o.FS.Rename // which replaces nothing
	if replaces {
		rename = o.Root.Rename
	}
	return putOwn(o, path.Join(ownFolder, "collection-"+owner+".tmp"), name, rename, func(w io.Writer) error {
		return mhl.WriteCollection(stepping{w, step}, owner, members)
	})
}

// beginsWith reports whether a regular file begins so. One that cannot be read
// does not.
func beginsWith(o *Opened, name, begin string) bool {
	got, err := beginOf(o, name, len(begin))
	return err == nil && string(got) == begin
}

func beginOf(o *Opened, name string, n int) ([]byte, error) {
	f, err := o.Root.OpenFile(name, os.O_RDONLY|unix.O_NONBLOCK|unix.O_NOFOLLOW, 0)
	if err != nil {
		return nil, err
	}
	defer f.Close()
	begin := make([]byte, n)
	n, err = io.ReadFull(f, begin)
	if errors.Is(err, io.EOF) || errors.Is(err, io.ErrUnexpectedEOF) {
		err = nil
	}
	return begin[:n], err
}

// onlyHanded leaves of a day what a shuttle carries.
func (m *dayMaker) onlyHanded(list []ledger.Whereabouts) []ledger.Whereabouts {
	return slices.DeleteFunc(list, func(w ledger.Whereabouts) bool {
		return !slices.ContainsFunc(w.Copies, func(c ledger.Copy) bool { return handedOver(c, m.only) })
	})
}

// carries reports whether a file stands on the shuttle that a report is for.
func (m *dayMaker) carries(f report.File, copies []report.Copy) bool {
	for i, c := range copies {
		if c.DriveID == m.only && !f.ProvenAt[i].IsZero() {
			return true
		}
	}
	return false
}
