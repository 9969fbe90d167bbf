package ledger

import (
	"context"
	"database/sql"
	"encoding/json"
	"errors"
	"fmt"
	"strings"
)

// Values of Offload.Status.
const (
	OffloadOpen = "open" // work goes on, or will when the card is back
	OffloadDone = "done" // the verdict stands
	OffloadVoid = "void" // another card got in between; never believed again
)

// Offload is one card's content at one insertion.
type Offload struct {
	ID           string // BOXID-SEQ, given by BeginOffload
	Seq          int64  // the order of offloads, from 1
	CardKey      string // recognises the card when it comes again; "" never does
	CardLabel    string
	Rule         string
	Folder       string
	Verify       string
	Checksum     string
	CopiesWanted int
	Files        int   // how many files it will record; 0 when not known
	Bytes        int64 // sum of their sizes
	Started      Moment
	Ended        Moment // zero while open
	Status       string // OffloadOpen, OffloadDone or OffloadVoid
	Verdict      string // "hold", "release", or "" while undecided
	Reason       string
	RefersTo     []string // ids of earlier offloads that hold the rest of the card
	LeftOut      []string // sentences
	Salvaged     []Salvage
}

// offloadRow is an Offload as it is stored.
type offloadRow struct {
	offload  Offload
	started  momentColumns
	ended    momentColumns
	refersTo string
	leftOut  string
	salvaged string
	seal     int64
}

const offloadColumns = `seq, id, card_key, card_label, rule, folder, verify, checksum, copies_wanted, files, bytes,
	started_wall, started_trusted, started_boot, started_since_boot_ns,
	ended_wall, ended_trusted, ended_boot, ended_since_boot_ns,
	status, verdict, reason, refers_to, left_out, salvaged, seal`

func (r *offloadRow) targets() []any {
	o := &r.offload
	all := []any{&o.Seq, &o.ID, &o.CardKey, &o.CardLabel, &o.Rule, &o.Folder, &o.Verify, &o.Checksum,
		&o.CopiesWanted, &o.Files, &o.Bytes}
	all = append(all, r.started.targets()...)
	all = append(all, r.ended.targets()...)
	return append(all, &o.Status, &o.Verdict, &o.Reason, &r.refersTo, &r.leftOut, &r.salvaged, &r.seal)
}

func (r *offloadRow) computeSeal() int64 {
	o := &r.offload
	s := newSealer("offloads").addInt(o.Seq).
		add(o.ID, o.CardKey, o.CardLabel, o.Rule, o.Folder, o.Verify, o.Checksum).
		addInt(int64(o.CopiesWanted), int64(o.Files), o.Bytes).addMoment(r.started).addMoment(r.ended).
		add(o.Status, o.Verdict, o.Reason, r.refersTo, r.leftOut)
	if r.salvaged != noSalvage { // rows of version 1 have none
		s = s.add(r.salvaged)
	}
	return s.sum()
}

// scanOffload reads a row of offloads and believes it only with its seal.
func scanOffload(row interface{ Scan(...any) error }) (r offloadRow, err error) {
	if err := row.Scan(r.targets()...); err != nil {
		return r, err
	}
	o := &r.offload
	if r.seal != r.computeSeal() {
		return r, broken("offloads", o.ID)
	}
	if o.Started, err = r.started.moment(); err != nil {
		return r, err
	}
	if o.Ended, err = r.ended.moment(); err != nil {
		return r, err
	}
	if err := json.Unmarshal([]byte(r.refersTo), &o.RefersTo); err != nil {
		return r, fmt.Errorf("%w: refers_to of %s: %w", ErrDamaged, o.ID, err)
	}
	if err := json.Unmarshal([]byte(r.leftOut), &o.LeftOut); err != nil {
		return r, fmt.Errorf("%w: left_out of %s: %w", ErrDamaged, o.ID, err)
	}
	if err := json.Unmarshal([]byte(r.salvaged), &o.Salvaged); err != nil {
		return r, fmt.Errorf("%w: salvaged of %s: %w", ErrDamaged, o.ID, err)
	}
	if len(o.Salvaged) == 0 {
		o.Salvaged = nil
	}
	return r, nil
}

// offloadByID returns ErrUnknown when there is no such offload.
func offloadByID(ctx context.Context, q queryer, id string) (offloadRow, error) {
	r, err := scanOffload(q.QueryRowContext(ctx, "SELECT "+offloadColumns+" FROM offloads WHERE id = ?", id))
	if errors.Is(err, sql.ErrNoRows) {
		return r, fmt.Errorf("offload %q: %w", id, ErrUnknown)
	}
	if err == nil && r.offload.ID != id {
		return r, broken("offloads", id)
	}
	return r, err
}

// BeginOffload records a new open offload and returns it with the Seq and ID it
// was given and its text as stored. Neither was ever given before, nor will be.
func (l *Ledger) BeginOffload(ctx context.Context, o Offload) (Offload, error) {
	if o.CardKey != "" {
		if err := checkKey("card key", o.CardKey); err != nil {
			return Offload{}, fmt.Errorf("begin offload: %w", err)
		}
	}
	for _, text := range []*string{&o.CardLabel, &o.Rule, &o.Folder, &o.Verify, &o.Checksum, &o.Reason} {
		*text = cleanText(*text)
	}
	o.Status = OffloadOpen
	var begun offloadRow
	err := l.changeAndMove(ctx, func(tx *sql.Tx) (err error) {
		if err := tx.QueryRowContext(ctx, nextSeq).Scan(&o.Seq); err != nil {
			return err
		}
		if o.ID, err = l.freeID(ctx, tx, &o.Seq); err != nil {
			return err
		}
		r, err := offloadRowOf(o)
		if err != nil {
			return err
		}
		if err := r.insert(ctx, tx); err != nil {
			return err
		}
		begun, err = offloadByID(ctx, tx, r.offload.ID)
		return err
	})
	if err != nil {
		return Offload{}, fmt.Errorf("begin offload: %w", err)
	}
	return begun.offload, nil
}

// freeID makes an id of a number, or of one beyond it when another ledger has told
// of an offload with that id.
func (l *Ledger) freeID(ctx context.Context, tx *sql.Tx, seq *int64) (string, error) {
	for ; ; *seq++ {
		id := fmt.Sprintf("%s-%d", l.boxID, *seq)
		var taken bool
		if err := tx.QueryRowContext(ctx, "SELECT EXISTS (SELECT 1 FROM offloads WHERE id = ?)", id).Scan(&taken); err != nil || !taken {
			return id, err
		}
	}
}

// nextSeq gives a number that no offload ever had.
const nextSeq = `SELECT 1 + max((SELECT coalesce(max(seq), 0) FROM sqlite_sequence WHERE name = 'offloads'),
	(SELECT coalesce(max(seq), 0) FROM offloads))`

func offloadRowOf(o Offload) (*offloadRow, error) {
	r := &offloadRow{offload: o, started: o.Started.columns(), ended: o.Ended.columns()}
	var err error
	if r.refersTo, err = jsonList(o.RefersTo); err != nil {
		return nil, err
	}
	if r.leftOut, err = jsonList(o.LeftOut); err != nil {
		return nil, err
	}
	r.salvaged, err = jsonSalvages(o.Salvaged)
	return r, err
}

func (r *offloadRow) insert(ctx context.Context, tx *sql.Tx) error {
	o := &r.offload
	args := []any{o.Seq, o.ID, o.CardKey, o.CardLabel, o.Rule, o.Folder, o.Verify, o.Checksum,
		o.CopiesWanted, o.Files, o.Bytes}
	args = append(args, r.started.args()...)
	args = append(args, r.ended.args()...)
	args = append(args, o.Status, o.Verdict, o.Reason, r.refersTo, r.leftOut, r.salvaged, r.computeSeal())
	_, err := tx.ExecContext(ctx, "INSERT INTO offloads ("+offloadColumns+") VALUES (?"+strings.Repeat(",?", len(args)-1)+")", args...)
	return err
}

// update writes what of an offload changes.
func (r *offloadRow) update(ctx context.Context, tx *sql.Tx) error {
	o := &r.offload
	args := append([]any{o.Verdict, o.Reason, o.Status}, r.ended.args()...)
	_, err := tx.ExecContext(ctx, `UPDATE offloads SET verdict = ?, reason = ?, status = ?,
		ended_wall = ?, ended_trusted = ?, ended_boot = ?, ended_since_boot_ns = ?, seal = ? WHERE seq = ?`,
		append(args, r.computeSeal(), o.Seq)...)
	return err
}

// jsonList writes a list as JSON, nil as an empty one.
func jsonList(list []string) (string, error) {
	clean := make([]string, len(list))
	for i, s := range list {
		clean[i] = cleanText(s)
	}
	text, err := json.Marshal(clean)
	return string(text), err
}

// UpdateOffload sets the verdict, its reason and the status of an offload. Ended
// becomes at, or zero when status is OffloadOpen. A void offload stays void:
// ErrRefused.
func (l *Ledger) UpdateOffload(ctx context.Context, id, verdict, reason, status string, at Moment) error {
	err := l.changeAndMove(ctx, func(tx *sql.Tx) error {
		r, err := offloadByID(ctx, tx, id)
		if err != nil {
			return err
		}
		o := &r.offload
		if o.Status == OffloadVoid && (status != OffloadVoid || verdict == "release") {
			return fmt.Errorf("%w: it is void", ErrRefused)
		}
		if status == OffloadVoid && verdict == "release" {
			return fmt.Errorf("%w: a void offload releases nothing", ErrRefused)
		}
		if o.Verdict != "" { // a ledger before version 3 has not noted it
			if err := noteVerdict(ctx, tx, *o, o.Ended); err != nil {
				return err
			}
		}
		o.Verdict, o.Reason, o.Status = verdict, cleanText(reason), status
		r.ended = momentColumns{}
		if status != OffloadOpen {
			r.ended = at.columns()
		}
		if err := r.update(ctx, tx); err != nil {
			return err
		}
		return noteVerdict(ctx, tx, *o, at)
	})
	if err != nil {
		return fmt.Errorf("update offload %s: %w", id, err)
	}
	return nil
}
