package ledger

import (
	"context"
	"database/sql"
	"fmt"
)

// keptConditions bounds the log of conditions; older ones are dropped, so that a
// fault that comes and goes cannot fill the disk.
const keptConditions = 10_000

// Condition is one line of the log of conditions: raised, or cleared.
type Condition struct {
	Seq     int64
	Code    string
	Subject string
	Detail  string
	Raised  bool // false: cleared
	At      Moment
}

// LogCondition records that a condition was raised or cleared.
func (l *Ledger) LogCondition(ctx context.Context, code, subject, detail string, raised bool, at Moment) error {
	c := Condition{Code: cleanText(code), Subject: cleanText(subject), Detail: cleanText(detail), Raised: raised}
	columns := at.columns()
	err := l.change(ctx, func(tx *sql.Tx) error {
		args := append([]any{c.Code, c.Subject, c.Detail, c.raisedColumn()}, columns.args()...)
		result, err := tx.ExecContext(ctx, `INSERT INTO conditions (code, subject, detail, raised,
			at_wall, at_trusted, at_boot, at_since_boot_ns, seal) VALUES (?,?,?,?,?,?,?,?,?)`,
			append(args, c.seal(columns))...)
		if err != nil {
			return err
		}
		seq, err := result.LastInsertId()
		if err != nil {
			return err
		}
		_, err = tx.ExecContext(ctx, "DELETE FROM conditions WHERE seq <= ?", seq-keptConditions)
		return err
	})
	if err != nil {
		return fmt.Errorf("log condition %s: %w", code, err)
	}
	return nil
}

func (c *Condition) raisedColumn() int64 {
	if c.Raised {
		return 1
	}
	return 0
}

func (c *Condition) seal(at momentColumns) int64 {
	return newSealer("conditions").add(c.Code, c.Subject, c.Detail).addInt(c.raisedColumn()).addMoment(at).sum()
}

// Conditions returns the newest lines of the log, newest first; all that are
// kept when limit is 0 or less.
func (l *Ledger) Conditions(ctx context.Context, limit int) ([]Condition, error) {
	if limit <= 0 {
		limit = -1
	}
	var log []Condition
	err := l.view(ctx, func(tx *sql.Tx) (err error) {
		log, err = queryAll(ctx, tx, scanCondition, `SELECT seq, code, subject, detail, raised,
			at_wall, at_trusted, at_boot, at_since_boot_ns, seal FROM conditions ORDER BY seq DESC LIMIT ?`, limit)
		return err
	})
	if err != nil {
		return nil, fmt.Errorf("list conditions: %w", err)
	}
	return log, nil
}

func scanCondition(rows *sql.Rows) (c Condition, err error) {
	var at momentColumns
	var raised, seal int64
	targets := append([]any{&c.Seq, &c.Code, &c.Subject, &c.Detail, &raised}, at.targets()...)
	if err := rows.Scan(append(targets, &seal)...); err != nil {
		return c, err
	}
	c.Raised = raised != 0
	if seal != c.seal(at) {
		return c, broken("conditions", c.Code)
	}
	c.At, err = at.moment()
	return c, err
}
