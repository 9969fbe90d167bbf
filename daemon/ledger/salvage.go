package ledger

import (
	"context"
	"database/sql"
	"encoding/json"
	"fmt"
)

// Salvage is a file of a card that was not read whole in one go. What was saved
// of it is no file of the offload, and counts nowhere.
type Salvage struct {
	Path         string     `json:"path,omitzero"` // on the card
	As           string     `json:"as,omitzero"`   // in the copies; empty: nothing was saved
	SizeBytes    int64      `json:"size_bytes"`
	MissingBytes int64      `json:"missing_bytes"`
	Missing      [][2]int64 `json:"missing,omitzero"` // from and up to, in bytes
	MoreRanges   int        `json:"more_ranges,omitzero"`
	MoreFiles    int        `json:"more_files,omitzero"` // it stands for so many
}

// noSalvage is how it is stored that there is none.
const noSalvage = "[]"

func jsonSalvages(list []Salvage) (string, error) {
	if len(list) == 0 {
		return noSalvage, nil
	}
	clean := make([]Salvage, len(list))
	for i, s := range list {
		s.Path, s.As = cleanText(s.Path), cleanText(s.As)
		clean[i] = s
	}
	text, err := json.Marshal(clean)
	return string(text), err
}

// RecordSalvages replaces what is recorded of an offload's salvages.
func (l *Ledger) RecordSalvages(ctx context.Context, offloadID string, list []Salvage) error {
	err := l.change(ctx, func(tx *sql.Tx) error {
		r, err := offloadByID(ctx, tx, offloadID)
		if err != nil {
			return err
		}
		if r.salvaged, err = jsonSalvages(list); err != nil {
			return err
		}
		_, err = tx.ExecContext(ctx, "UPDATE offloads SET salvaged = ?, seal = ? WHERE seq = ?", r.salvaged, r.computeSeal(), r.offload.Seq)
		return err
	})
	if err != nil {
		return fmt.Errorf("record salvages of offload %s: %w", offloadID, err)
	}
	return nil
}
