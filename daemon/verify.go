package daemon

import (
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"strings"
	"time"

	"bothy/daemon/mhl"
	"bothy/daemon/offload"
	"bothy/daemon/volume"
)

// What a verification can find. The words are part of the published contract.
const (
	FoundUnfinished = "unfinished" // the folder's name says that the copy is no finished one
	FoundNoHistory  = "no-history" // there is nothing to prove it by
	FoundDamage     = "history"    // a manifest or its chain is damaged
	FoundChanged    = "changed"    // content, size or kind is not that of the manifest
	FoundMissing    = "missing"    // a file or folder of the manifest is not there
	FoundExtra      = "extra"      // no manifest knows it
	FoundUnreadable = "unreadable" // it cannot be read from its medium
)

// VerifyOptions says how a folder is verified. The zero value is useful.
type VerifyOptions struct {
	// Record appends a generation that says what was verified, if all is proven.
	Record bool
	// Creator is what a recorded generation says of its maker.
	Creator mhl.Creator
	// Now gives the moment that a recorded generation carries, and whether the
	// clock is trusted. Nil: the wall clock.
	Now func() (at time.Time, trusted bool)
	// Progress is told of bytes as they are read; nil when nobody looks.
	Progress func(bytes int64)
}

// Finding is one thing that keeps a folder from being proven.
type Finding struct {
	Kind     string // one of the Found constants
	Path     string // relative to the folder; "" when it is about the folder itself
	Sentence string // what is the matter, for a person
}

// VerifyReport is what a verification found.
type VerifyReport struct {
	Folder   string    // absolute
	Files    int       // files that the history knows
	Bytes    int64     // bytes read from files
	Findings []Finding // grouped by kind, then by path; empty when all is proven
	Recorded string    // the manifest that was appended, below Folder; "" when none was
}

// Proven reports whether everything that the history knows is there with the
// very bytes, and nothing besides.
func (r VerifyReport) Proven() bool { return len(r.Findings) == 0 }

// VerifyFolder proves one copy again from its own history alone: every file is
// read from its medium, past the page cache, and compared with every checksum
// that the history knows of it. What is wrong with the copy is a finding and no
// error; an error says that the folder could not be judged.
//
// A folder whose name says unfinished or incomplete is verified too, but is
// never proven: something was missing from the start. A history that knows no
// file proves nothing either.
func VerifyFolder(ctx context.Context, folder string, opts VerifyOptions) (VerifyReport, error) {
	abs, err := filepath.Abs(folder)
	if err != nil {
		return VerifyReport{}, fmt.Errorf("verify %s: %w", folder, err)
	}
	rep := VerifyReport{Folder: abs}
	root, err := os.OpenRoot(abs)
	if err != nil {
		return rep, fmt.Errorf("verify %s: %w", folder, err)
	}
	defer root.Close()
	// What is still in memory must reach the medium before it is read from there.
	if err := volume.SyncFS(root); err != nil {
		return rep, fmt.Errorf("verify %s: %w", folder, err)
	}
	open := func(path string) (io.ReadCloser, error) { return volume.OpenDirect(root, path) }
	found, err := mhl.Verify(ctx, root, open, opts.Progress)
	switch {
	case errors.Is(err, mhl.ErrNoHistory):
		rep.add(FoundNoHistory, mhl.Finding{Sentence: "there is no ASC MHL history here to prove it by"})
	case err != nil:
		return rep, fmt.Errorf("verify %s: %w", folder, err)
	}
	rep.take(found)
	if opts.Record && rep.Proven() {
		if rep.Recorded, err = recordVerified(root, found.OK, opts); err != nil {
			return rep, fmt.Errorf("record that %s was verified: %w", folder, err)
		}
	}
	return rep, nil
}

// take turns what package mhl found into findings.
func (r *VerifyReport) take(found mhl.Report) {
	r.Files, r.Bytes = found.Files, found.Bytes
	switch base := filepath.Base(r.Folder); {
	case strings.HasSuffix(base, offload.UnfinishedSuffix):
		r.add(FoundUnfinished, mhl.Finding{Sentence: "this is unfinished work and no copy; the card that it is of must not be reused for its sake"})
	case strings.HasSuffix(base, offload.IncompleteSuffix):
		r.add(FoundUnfinished, mhl.Finding{Sentence: "this is what could be saved of a damaged card and no whole copy"})
	}
	r.add(FoundDamage, found.HistoryDamage...)
	r.add(FoundChanged, found.Mismatched...)
	r.add(FoundMissing, found.Missing...)
	r.add(FoundExtra, found.Extra...)
	r.add(FoundUnreadable, found.Unreadable...)
	if len(r.Findings) == 0 && len(found.OK) == 0 {
		r.add(FoundNoHistory, mhl.Finding{Sentence: "its history knows no file, so there is nothing to prove"})
	}
}

func (r *VerifyReport) add(kind string, found ...mhl.Finding) {
	for _, f := range found {
		r.Findings = append(r.Findings, Finding{Kind: kind, Path: f.Path, Sentence: f.Sentence})
	}
}

// recordVerified appends a generation that says: every file of paths agrees with
// all that earlier generations say of it. paths must be the whole of what the
// history knows.
func recordVerified(root *os.Root, paths []string, opts VerifyOptions) (string, error) {
	history, err := mhl.Open(root)
	if err != nil {
		return "", err
	}
	now := opts.Now
	if now == nil {
		now = wallClock
	}
	at, trusted := now()
	gen := mhl.Generation{
		Folder: filepath.Base(root.Name()), Process: mhl.InPlace, Creator: opts.Creator,
		At: at, ClockTrusted: trusted, Dirs: history.Dirs(),
	}
	if n := len(history.Generations); n > 0 {
		gen.Ignore = history.Generations[n-1].Ignore
	}
	for _, path := range paths {
		info, err := root.Lstat(path)
		if err != nil {
			return "", err
		}
		f := mhl.FileHash{
			Path: path, SizeBytes: info.Size(), ModTime: info.ModTime(),
			Action: mhl.Verified, HashedAt: at, Others: map[string]string{},
		}
		for _, known := range history.Latest(path) {
			if f.Algorithm == "" {
				f.Algorithm, f.Value = known.Algorithm, known.Value
			} else if known.Algorithm != f.Algorithm {
				f.Others[known.Algorithm] = known.Value
			}
		}
		gen.Files = append(gen.Files, f)
	}
	written, err := mhl.Append(root, gen, nil)
	if err != nil {
		return "", err
	}
	return written.Path, nil
}
