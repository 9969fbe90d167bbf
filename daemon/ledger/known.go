package ledger

import (
	"context"
	"database/sql"
	"fmt"
)

// KnownFile is a file of a card that came before, and where it is proven.
type KnownFile struct {
	File
	OffloadID string
	On        []Place // by drive id; empty when it is proven nowhere
}

// Place is one drive on which a file is proven.
type Place struct {
	DriveID    string
	DiskKey    string // the physical disk; "" when unknown
	Folder     string // of the copy, relative to the drive; "" when no copy is recorded
	CopyStatus string // a file may be proven in a copy that is not, or not any more
}

// KnownFiles returns every file of every offload of the card with this key,
// newest offload first, by path within one. Void offloads are left out. The
// empty key recognises nothing.
func (l *Ledger) KnownFiles(ctx context.Context, cardKey string) ([]KnownFile, error) {
	if cardKey == "" {
		return nil, nil
	}
	var known []KnownFile
	err := l.view(ctx, func(tx *sql.Tx) (err error) {
		known, err = knownFiles(ctx, tx, cardKey)
		return err
	})
	if err != nil {
		return nil, fmt.Errorf("look up card %s: %w", cardKey, err)
	}
	return known, nil
}

// knownFiles reads the files of a card. cardKey is not empty.
func knownFiles(ctx context.Context, q queryer, cardKey string) (known []KnownFile, err error) {
	offloads, err := offloadsOfCard(ctx, q, cardKey)
	if err != nil {
		return nil, err
	}
	for _, r := range offloads {
		if r.offload.Status == OffloadVoid {
			continue
		}
		if known, err = appendKnown(ctx, q, known, r.offload); err != nil {
			return nil, err
		}
	}
	return known, nil
}

// appendKnown adds the files of one offload with their places.
func appendKnown(ctx context.Context, q queryer, known []KnownFile, o Offload) ([]KnownFile, error) {
	places, err := placesOf(ctx, q, o)
	if err != nil {
		return nil, err
	}
	files, err := filesOf(ctx, q, o.Seq)
	if err != nil {
		return nil, err
	}
	index := make(map[string]int, len(files))
	for _, f := range files {
		index[f.file.Path] = len(known)
		known = append(known, KnownFile{File: f.file, OffloadID: o.ID})
	}
	err = eachProof(ctx, q, o.Seq, func(file fileRow, driveNo int64, driveID string) {
		if i, ok := index[file.file.Path]; ok {
			known[i].On = append(known[i].On, places[driveNo])
		}
	})
	return known, err
}

// placesOf returns what a proof on a drive points to, by the drive's number. A
// proof's own seal has vouched for the drive's id; this vouches for the rest.
func placesOf(ctx context.Context, q queryer, o Offload) (map[int64]Place, error) {
	drives, err := queryAll(ctx, q, func(rows *sql.Rows) (driveRow, error) { return scanDrive(rows) },
		"SELECT "+driveColumns+" FROM drives")
	if err != nil {
		return nil, err
	}
	places := make(map[int64]Place, len(drives))
	for _, r := range drives {
		places[r.number] = Place{DriveID: r.drive.ID, DiskKey: r.drive.DiskKey}
	}
	copies, err := copiesOf(ctx, q, o)
	if err != nil {
		return nil, err
	}
	for _, r := range copies {
		place := places[r.driveNo]
		place.Folder, place.CopyStatus = r.copy.Folder, r.copy.Status
		places[r.driveNo] = place
	}
	return places, nil
}
