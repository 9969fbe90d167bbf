package ledger

import (
	"cmp"
	"context"
	"database/sql"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"strings"

	"github.com/klauspost/compress/zstd"
)

// Found is an offload that another box made, or that was found on a drive.
type Found struct {
	Offload Offload // under the id that the other box gave it
	Files   []File
	Copies  []Copy // those that are, or were said to be, finished
}

// Import takes an offload over that this box did not make: what it held, and where
// copies of it are said to be. It believes no proof: copies are recorded as
// CopyUnproven, or CopyIncomplete, until this box has read them itself. Nor does
// such an offload ever recognise a card, so that nothing is released for its sake;
// and it is on hold, whatever was said of it elsewhere.
// Of an offload that is known already only copies are added, on drives where none
// is known. What manifests alone tell of is the same offload as one that some ledger
// knows when it holds the same files with the same checksums, whichever comes first.
// Drives must be known.
func (l *Ledger) Import(ctx context.Context, f Found) (offloads, copies int, err error) {
	if err := checkKey("offload id", f.Offload.ID); err != nil {
		return 0, 0, fmt.Errorf("import offload: %w", err)
	}
	if err := staysWithin(f); err != nil {
		return 0, 0, fmt.Errorf("import offload %q: %w", f.Offload.ID, err)
	}
	err = l.changeAndMove(ctx, func(tx *sql.Tx) error {
		offloads, copies = 0, 0
		r, err := offloadByID(ctx, tx, f.Offload.ID)
		unknown := errors.Is(err, ErrUnknown)
		if err != nil && !unknown {
			return err
		}
		if ByManifests(f.Offload.ID) && (unknown || r.offload.Status == OffloadVoid) {
			same, err := offloadsHolding(ctx, tx, f.Files, false)
			if err != nil {
				return err
			}
			if len(same) > 0 {
				r, unknown = same[0], false
			}
		}
		if unknown {
			offloads = 1
			if r, err = importOffload(ctx, tx, f); err != nil {
				return err
			}
			if err := addSheets(ctx, tx, l.size); err != nil {
				return err
			}
		}
		if copies, err = importCopies(ctx, tx, r.offload, f.Copies); err != nil || ByManifests(r.offload.ID) {
			return err
		}
		return takeOverFound(ctx, tx, r.offload, f.Files)
	})
	if err != nil {
		return 0, 0, fmt.Errorf("import offload %s: %w", f.Offload.ID, err)
	}
	return offloads, copies, nil
}

// staysWithin refuses names that lead out of the folder of a copy, or would if work
// folders were called by them: another ledger is hostile input, and what is
// damaged is put right under the names that it gives.
func staysWithin(f Found) error {
	if strings.ContainsAny(f.Offload.ID, `/\`) {
		return fmt.Errorf("offload id %q: %w", f.Offload.ID, errLeadsOut)
	}
	names := []string{f.Offload.Folder}
	for _, c := range f.Copies {
		names = append(names, c.Folder, c.ManifestPath)
	}
	for _, file := range f.Files {
		names = append(names, file.Path)
	}
	for _, name := range names {
		if name != "" && (name == "." || !fs.ValidPath(name)) {
			return fmt.Errorf("path %q: %w", name, errLeadsOut)
		}
	}
	return nil
}

var errLeadsOut = errors.New("leads elsewhere")

// FoundPrefix begins the ids of offloads of which only the manifests of copies tell.
const FoundPrefix = "found-"

// ByManifests reports whether an offload is known by the manifests of its copies
// alone.
func ByManifests(id string) bool { return strings.HasPrefix(id, FoundPrefix) }

// offloadsHolding finds the offloads that hold just these files: those that only
// manifests tell of, or the others.
func offloadsHolding(ctx context.Context, tx *sql.Tx, files []File, found bool) (same []offloadRow, err error) {
	var bytes int64
	for _, f := range files {
		bytes += f.SizeBytes
	}
	rows, err := queryAll(ctx, tx, scanOffloads, "SELECT "+offloadColumns+` FROM offloads
		WHERE files = ? AND bytes = ? AND status = 'done' ORDER BY seq`, len(files), bytes)
	if err != nil {
		return nil, err
	}
	for _, r := range rows {
		if ByManifests(r.offload.ID) != found {
			continue
		}
		held, err := filesOf(ctx, tx, r.offload.Seq)
		if err != nil {
			return nil, err
		}
		if sameFiles(held, files) {
			same = append(same, r)
		}
	}
	return same, nil
}

func sameFiles(rows []fileRow, files []File) bool {
	type content struct {
		size                int64
		algorithm, checksum string
	}
	held := make(map[string]content, len(rows))
	for _, r := range rows {
		held[r.file.Path] = content{r.file.SizeBytes, r.file.Algorithm, r.file.Checksum}
	}
	for _, f := range files {
		if held[f.Path] != (content{f.SizeBytes, f.Algorithm, f.Checksum}) {
			return false
		}
	}
	return len(rows) > 0 && len(held) == len(files)
}

// takeOverFound makes one of two: what only manifests told of is known now.
func takeOverFound(ctx context.Context, tx *sql.Tx, o Offload, files []File) error {
	same, err := offloadsHolding(ctx, tx, files, true)
	if err != nil {
		return err
	}
	for _, r := range same {
		rows, err := copiesOf(ctx, tx, r.offload)
		if err != nil {
			return err
		}
		var copies []Copy
		for _, row := range rows {
			copies = append(copies, row.copy)
			row.copy.Status, row.copy.Folder, row.copy.Reason = CopyLost, "", "it is a copy of offload "+o.ID
			if err := row.put(ctx, tx); err != nil {
				return err
			}
		}
		if _, err := importCopies(ctx, tx, o, copies); err != nil {
			return err
		}
		r.offload.Status, r.offload.Verdict, r.offload.Reason = OffloadVoid, "hold", "it is offload "+o.ID
		if err := r.update(ctx, tx); err != nil {
			return err
		}
	}
	return nil
}

func importOffload(ctx context.Context, tx *sql.Tx, f Found) (offloadRow, error) {
	o := f.Offload
	for _, text := range []*string{&o.CardLabel, &o.Rule, &o.Folder, &o.Verify, &o.Checksum, &o.Reason} {
		*text = cleanText(*text)
	}
	o.CardKey, o.Status, o.Files = "", OffloadDone, len(f.Files)
	if o.Verdict != "hold" { // it was another's to say, and no window of this box says it after him
		said := cmp.Or(cleanText(o.Verdict), "nothing")
		if o.Reason != "" {
			said += " (" + o.Reason + ")"
		}
		o.Verdict, o.Reason = "hold", "another box said of its card: "+said+"; this box has not judged it"
	}
	if err := tx.QueryRowContext(ctx, nextSeq).Scan(&o.Seq); err != nil {
		return offloadRow{}, err
	}
	r, err := offloadRowOf(o)
	if err != nil {
		return offloadRow{}, err
	}
	if err := r.insert(ctx, tx); err != nil {
		return offloadRow{}, err
	}
	rows := make([]fileRow, len(f.Files))
	for i, file := range f.Files {
		if err := checkKey("path", file.Path); err != nil {
			return offloadRow{}, err
		}
		if file.SizeBytes < 0 {
			return offloadRow{}, fmt.Errorf("%s: size %d is negative", file.Path, file.SizeBytes)
		}
		file.Algorithm, file.Checksum, file.Sample = cleanText(file.Algorithm), cleanText(file.Checksum), cleanText(file.Sample)
		rows[i] = fileRow{file: file, modified: stampOf(file.ModTime)}
	}
	if _, _, err := putFiles(ctx, tx, o.Seq, rows); err != nil {
		return offloadRow{}, err
	}
	return offloadByID(ctx, tx, o.ID)
}

func importCopies(ctx context.Context, tx *sql.Tx, o Offload, copies []Copy) (added int, err error) {
	known, err := copiesOf(ctx, tx, o)
	for _, c := range copies {
		if err != nil {
			return 0, err
		}
		var one int
		one, err = importCopy(ctx, tx, o, known, c)
		added += one
	}
	return added, err
}

// importCopy reports 1 when the copy was added.
func importCopy(ctx context.Context, tx *sql.Tx, o Offload, known []copyRow, c Copy) (int, error) {
	drive, err := driveByID(ctx, tx, c.DriveID)
	if err != nil {
		return 0, err
	}
	for _, k := range known {
		if k.driveNo == drive.number {
			return 0, nil
		}
	}
	switch c.Status {
	case CopyProven, CopyUnproven:
		c.Status = CopyUnproven
	case CopyIncomplete:
	default:
		return 0, nil
	}
	c.OffloadID, c.Folder, c.Reason = o.ID, cleanText(c.Folder), cleanText(c.Reason)
	c.ManifestPath, c.ManifestC4 = cleanText(c.ManifestPath), cleanText(c.ManifestC4)
	row := copyRow{seq: o.Seq, driveNo: drive.number, copy: c, updated: c.Updated.columns()}
	return 1, row.put(ctx, tx)
}

// maxSnapshotBytes bounds an unpacked snapshot: what a drive holds is hostile.
const maxSnapshotBytes = 4 << 30

// OpenSnapshot unpacks what Snapshot wrote into a folder and opens it. It returns
// ErrDamaged for what cannot be a ledger and ErrNewer for one of a newer program.
// Close it, and remove the folder.
func OpenSnapshot(ctx context.Context, from io.Reader, folder string) (*Ledger, error) {
	path := filepath.Join(folder, "ledger.db")
	if err := unpackSnapshot(ctx, from, path); err != nil {
		return nil, fmt.Errorf("unpack a copy of a ledger: %w", err)
	}
	return Open(ctx, path)
}

func unpackSnapshot(ctx context.Context, from io.Reader, path string) (err error) {
	in, err := zstd.NewReader(&ctxReader{ctx: ctx, from: from}, zstd.WithDecoderConcurrency(1), zstd.WithDecoderMaxWindow(64<<20))
	if err != nil {
		return err
	}
	defer in.Close()
	out, err := os.OpenFile(path, os.O_WRONLY|os.O_CREATE|os.O_EXCL, 0o600)
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, out.Close()) }()
	n, err := io.Copy(out, io.LimitReader(in, maxSnapshotBytes+1))
	switch {
	case ctx.Err() != nil:
		return context.Cause(ctx)
	case err != nil:
		return fmt.Errorf("%w: %w", ErrDamaged, err)
	case n > maxSnapshotBytes:
		return fmt.Errorf("%w: it is larger than %d bytes", ErrDamaged, int64(maxSnapshotBytes))
	}
	return nil
}
