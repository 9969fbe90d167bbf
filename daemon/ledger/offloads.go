package ledger

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
)

// Offload returns one offload, or ErrUnknown.
func (l *Ledger) Offload(ctx context.Context, id string) (Offload, error) {
	var r offloadRow
	err := l.view(ctx, func(tx *sql.Tx) (err error) {
		r, err = offloadByID(ctx, tx, id)
		return err
	})
	if err != nil {
		return Offload{}, fmt.Errorf("read offload %s: %w", id, err)
	}
	return r.offload, nil
}

// Offloads returns the newest offloads, newest first; all of them when limit is
// 0 or less.
func (l *Ledger) Offloads(ctx context.Context, limit int) ([]Offload, error) {
	if limit <= 0 {
		limit = -1 // SQLite's word for no limit
	}
	var offloads []Offload
	err := l.view(ctx, func(tx *sql.Tx) error {
		rows, err := queryAll(ctx, tx, scanOffloads, "SELECT "+offloadColumns+" FROM offloads ORDER BY seq DESC LIMIT ?", limit)
		for _, r := range rows {
			offloads = append(offloads, r.offload)
		}
		return err
	})
	if err != nil {
		return nil, fmt.Errorf("list offloads: %w", err)
	}
	return offloads, nil
}

// Whereabouts is an offload with its copies.
type Whereabouts struct {
	Offload
	Copies []Copy // by drive id
}

// Whereabouts returns every offload that is not void with its copies, oldest
// first, all as of one moment. It asks the database twice, however many there are.
func (l *Ledger) Whereabouts(ctx context.Context) ([]Whereabouts, error) {
	var list []Whereabouts
	err := l.view(ctx, func(tx *sql.Tx) error {
		rows, err := queryAll(ctx, tx, scanOffloads, "SELECT "+offloadColumns+" FROM offloads WHERE status <> ? ORDER BY seq", OffloadVoid)
		if err != nil {
			return err
		}
		list, err = withCopies(ctx, tx, rows, "SELECT seq FROM offloads WHERE status <> ?", OffloadVoid)
		return err
	})
	if err != nil {
		return nil, fmt.Errorf("list the whereabouts of offloads: %w", err)
	}
	return list, nil
}

// withCopies adds their copies to offloads, which are those that the query which
// gives seqs. However many they are, that is one question to the database.
func withCopies(ctx context.Context, q queryer, offloads []offloadRow, which string, args ...any) ([]Whereabouts, error) {
	list := make([]Whereabouts, len(offloads))
	ids, index := make(map[int64]string, len(offloads)), make(map[int64]int, len(offloads))
	for i, r := range offloads {
		list[i].Offload = r.offload
		ids[r.offload.Seq], index[r.offload.Seq] = r.offload.ID, i
	}
	copies, err := copiesIn(ctx, q, ids, which, args...)
	for _, c := range copies {
		w := &list[index[c.seq]]
		w.Copies = append(w.Copies, c.copy)
	}
	return list, err
}

func scanOffloads(rows *sql.Rows) (offloadRow, error) { return scanOffload(rows) }

// FoldersOn returns the folders of every copy on a drive, in no order: also those
// of void offloads, and of copies that are lost or not finished.
func (l *Ledger) FoldersOn(ctx context.Context, driveID string) ([]string, error) {
	var folders []string
	err := l.view(ctx, func(tx *sql.Tx) (err error) {
		folders, err = queryAll(ctx, tx, func(rows *sql.Rows) (folder string, err error) { return folder, rows.Scan(&folder) },
			"SELECT folder FROM copies JOIN drives USING (drive_no) WHERE id = ? AND folder <> ''", driveID)
		return err
	})
	if err != nil {
		return nil, fmt.Errorf("list the folders on drive %s: %w", driveID, err)
	}
	return folders, nil
}

// OffloadsOfCard returns the offloads of the card with this key that are not
// void, newest first; none for the empty key.
func (l *Ledger) OffloadsOfCard(ctx context.Context, cardKey string) ([]Offload, error) {
	if cardKey == "" {
		return nil, nil
	}
	var list []Offload
	err := l.view(ctx, func(tx *sql.Tx) error {
		rows, err := offloadsOfCard(ctx, tx, cardKey)
		for _, r := range rows {
			if r.offload.Status != OffloadVoid {
				list = append(list, r.offload)
			}
		}
		return err
	})
	if err != nil {
		return nil, fmt.Errorf("list the offloads of card %s: %w", cardKey, err)
	}
	return list, nil
}

// OpenOffload returns the newest open offload of the card with this key; ok is
// false when there is none, and always for the empty key.
func (l *Ledger) OpenOffload(ctx context.Context, cardKey string) (o Offload, ok bool, err error) {
	if cardKey == "" {
		return Offload{}, false, nil
	}
	err = l.view(ctx, func(tx *sql.Tx) error {
		offloads, err := offloadsOfCard(ctx, tx, cardKey)
		for _, r := range offloads {
			if r.offload.Status == OffloadOpen {
				o, ok = r.offload, true
				return err
			}
		}
		return err
	})
	if err != nil {
		return Offload{}, false, fmt.Errorf("look for the open offload of card %s: %w", cardKey, err)
	}
	return o, ok, nil
}

// offloadsOfCard returns every offload of a card, newest first. cardKey is not
// empty.
func offloadsOfCard(ctx context.Context, q queryer, cardKey string) ([]offloadRow, error) {
	rows, err := queryAll(ctx, q, scanOffloads,
		"SELECT "+offloadColumns+" FROM offloads WHERE card_key = ? AND card_key <> '' ORDER BY seq DESC", cardKey)
	for _, r := range rows {
		if r.offload.CardKey != cardKey { // the index led to another card's row
			return nil, errors.Join(err, broken("offloads", r.offload.ID))
		}
	}
	return rows, err
}
