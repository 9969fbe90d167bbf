package ledger

import (
	"context"
	"database/sql"
	"fmt"
)

// keptVerdicts bounds how many verdicts are kept of one offload; the oldest are
// dropped, so that a drive that comes and goes cannot fill the disk.
const keptVerdicts = 1000

// Verdict is one verdict that an offload had.
type Verdict struct {
	Verdict string // "hold" or "release"
	Reason  string
	Status  string // of the offload
	At      Moment
}

// noteVerdict keeps a verdict, if it is another than the last one.
func noteVerdict(ctx context.Context, tx *sql.Tx, o Offload, at Moment) error {
	list, err := verdictsOf(ctx, tx, o, 1)
	if err != nil {
		return err
	}
	v := Verdict{o.Verdict, o.Reason, o.Status, at}
	if n := len(list); n > 0 && list[n-1].Verdict == v.Verdict && list[n-1].Reason == v.Reason && list[n-1].Status == v.Status {
		return nil
	}
	columns := at.columns()
	args := append([]any{o.Seq, v.Verdict, v.Reason, v.Status}, columns.args()...)
	_, err = tx.ExecContext(ctx, `INSERT INTO verdicts (offload_seq, verdict, reason, status,
		at_wall, at_trusted, at_boot, at_since_boot_ns, seal) VALUES (?,?,?,?,?,?,?,?,?)`,
		append(args, v.seal(o.ID, columns))...)
	if err != nil {
		return err
	}
	_, err = tx.ExecContext(ctx, `DELETE FROM verdicts WHERE offload_seq = ? AND seq <=
		(SELECT seq FROM verdicts WHERE offload_seq = ? ORDER BY seq DESC LIMIT 1 OFFSET ?)`, o.Seq, o.Seq, keptVerdicts)
	return err
}

func (v *Verdict) seal(offloadID string, at momentColumns) int64 {
	return newSealer("verdicts").add(offloadID, v.Verdict, v.Reason, v.Status).addMoment(at).sum()
}

// Verdicts returns the verdicts that an offload had, oldest first, at most the
// newest 1,000. Of an offload that a ledger before version 3 brought to its end
// only the last is known.
func (l *Ledger) Verdicts(ctx context.Context, offloadID string) ([]Verdict, error) {
	var list []Verdict
	err := l.view(ctx, func(tx *sql.Tx) error {
		r, err := offloadByID(ctx, tx, offloadID)
		if err != nil {
			return err
		}
		o := r.offload
		list, err = verdictsOf(ctx, tx, o, keptVerdicts)
		if len(list) == 0 && o.Verdict != "" {
			list = append(list, Verdict{o.Verdict, o.Reason, o.Status, o.Ended})
		}
		return err
	})
	if err != nil {
		return nil, fmt.Errorf("list verdicts of offload %s: %w", offloadID, err)
	}
	return list, nil
}

// verdictsOf reads the newest verdicts of an offload, oldest first.
func verdictsOf(ctx context.Context, q queryer, o Offload, limit int) ([]Verdict, error) {
	return queryAll(ctx, q, func(rows *sql.Rows) (v Verdict, err error) {
		var at momentColumns
		var seal int64
		targets := append([]any{&v.Verdict, &v.Reason, &v.Status}, at.targets()...)
		if err := rows.Scan(append(targets, &seal)...); err != nil {
			return v, err
		}
		if seal != v.seal(o.ID, at) {
			return v, broken("verdicts", o.ID)
		}
		v.At, err = at.moment()
		return v, err
	}, `SELECT verdict, reason, status, at_wall, at_trusted, at_boot, at_since_boot_ns, seal FROM
		(SELECT * FROM verdicts WHERE offload_seq = ? ORDER BY seq DESC LIMIT ?) ORDER BY seq`, o.Seq, limit)
}
