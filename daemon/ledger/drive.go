package ledger

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
)

// Drive is a drive the box has met.
type Drive struct {
	ID        string // from its .bothy/drive.toml; the key, never empty
	Name      string
	DiskKey   string // identity of the physical disk; "" when unknown
	FSType    string
	FSUUID    string
	Label     string
	Box       string // the box that enrolled it
	SizeBytes int64
	FreeBytes int64 // when last seen
	FirstSeen Moment
	LastSeen  Moment
	Retired   bool // out of use: its copies count no more
}

// driveRow is a Drive as it is stored.
type driveRow struct {
	number    int64
	drive     Drive
	firstSeen momentColumns
	lastSeen  momentColumns
	retired   int64
	seal      int64
}

const driveColumns = `drive_no, id, name, disk_key, fs_type, fs_uuid, label, box, size_bytes, free_bytes,
	first_seen_wall, first_seen_trusted, first_seen_boot, first_seen_since_boot_ns,
	last_seen_wall, last_seen_trusted, last_seen_boot, last_seen_since_boot_ns, retired, seal`

func (r *driveRow) targets() []any {
	d := &r.drive
	all := []any{&r.number, &d.ID, &d.Name, &d.DiskKey, &d.FSType, &d.FSUUID, &d.Label, &d.Box, &d.SizeBytes, &d.FreeBytes}
	all = append(all, r.firstSeen.targets()...)
	all = append(all, r.lastSeen.targets()...)
	return append(all, &r.retired, &r.seal)
}

func (r *driveRow) computeSeal() int64 {
	d := &r.drive
	s := newSealer("drives").add(d.ID, d.Name, d.DiskKey, d.FSType, d.FSUUID, d.Label, d.Box).
		addInt(d.SizeBytes, d.FreeBytes).addMoment(r.firstSeen).addMoment(r.lastSeen)
	if r.retired != 0 {
		s.add("retired")
	}
	return s.sum()
}

// scanDrive reads a row of drives and believes it only with its seal.
func scanDrive(row interface{ Scan(...any) error }) (r driveRow, err error) {
	if err := row.Scan(r.targets()...); err != nil {
		return r, err
	}
	if r.seal != r.computeSeal() {
		return r, broken("drives", r.drive.ID)
	}
	r.drive.Retired = r.retired != 0
	if r.drive.FirstSeen, err = r.firstSeen.moment(); err != nil {
		return r, err
	}
	r.drive.LastSeen, err = r.lastSeen.moment()
	return r, err
}

// driveByID returns ErrUnknown when there is no such drive.
func driveByID(ctx context.Context, q queryer, id string) (driveRow, error) {
	r, err := scanDrive(q.QueryRowContext(ctx, "SELECT "+driveColumns+" FROM drives WHERE id = ?", id))
	if errors.Is(err, sql.ErrNoRows) {
		return r, fmt.Errorf("drive %q: %w", id, ErrUnknown)
	}
	if err == nil && r.drive.ID != id {
		return r, broken("drives", id)
	}
	return r, err
}

// PutDrive records what is known of a drive now. FirstSeen and Retired of a drive
// that is known already stay what they were, and another name is remembered with
// the one before.
func (l *Ledger) PutDrive(ctx context.Context, d Drive) error {
	if err := checkKey("drive id", d.ID); err != nil {
		return fmt.Errorf("record drive: %w", err)
	}
	if d.DiskKey != "" {
		if err := checkKey("disk key", d.DiskKey); err != nil {
			return fmt.Errorf("record drive %s: %w", d.ID, err)
		}
	}
	for _, text := range []*string{&d.Name, &d.FSType, &d.FSUUID, &d.Label, &d.Box} {
		*text = cleanText(*text)
	}
	err := l.change(ctx, func(tx *sql.Tx) error {
		known, err := driveByID(ctx, tx, d.ID)
		if err != nil && !errors.Is(err, ErrUnknown) {
			return err
		}
		r := driveRow{drive: d, firstSeen: d.FirstSeen.columns(), lastSeen: d.LastSeen.columns(), retired: number(d.Retired)}
		if err != nil {
			return r.put(ctx, tx)
		}
		r.firstSeen, r.number, r.retired = known.firstSeen, known.number, known.retired
		if err := r.put(ctx, tx); err != nil || known.drive.Name == d.Name {
			return err
		}
		return putDriveEvent(ctx, tx, r.number, DriveEvent{What: DriveRenamed, Name: d.Name, NameBefore: known.drive.Name, At: d.LastSeen})
	})
	if err != nil {
		return fmt.Errorf("record drive %s: %w", d.ID, err)
	}
	return nil
}

func (r *driveRow) put(ctx context.Context, tx *sql.Tx) error {
	d := &r.drive
	args := []any{sql.NullInt64{Int64: r.number, Valid: r.number != 0}, // the next one
		d.ID, d.Name, d.DiskKey, d.FSType, d.FSUUID, d.Label, d.Box, d.SizeBytes, d.FreeBytes}
	args = append(args, r.firstSeen.args()...)
	args = append(args, r.lastSeen.args()...)
	_, err := tx.ExecContext(ctx, `INSERT INTO drives (`+driveColumns+`)
		VALUES (?,?,?,?,?,?,?,?,?,?, ?,?,?,?, ?,?,?,?, ?,?)
		ON CONFLICT (drive_no) DO UPDATE SET name = excluded.name, disk_key = excluded.disk_key,
			fs_type = excluded.fs_type, fs_uuid = excluded.fs_uuid, label = excluded.label, box = excluded.box,
			size_bytes = excluded.size_bytes, free_bytes = excluded.free_bytes,
			last_seen_wall = excluded.last_seen_wall, last_seen_trusted = excluded.last_seen_trusted,
			last_seen_boot = excluded.last_seen_boot, last_seen_since_boot_ns = excluded.last_seen_since_boot_ns,
			retired = excluded.retired, seal = excluded.seal`,
		append(args, r.retired, r.computeSeal())...)
	return err
}

func number(b bool) int64 {
	if b {
		return 1
	}
	return 0
}

// Drives returns every drive known, by name, then by id.
func (l *Ledger) Drives(ctx context.Context) ([]Drive, error) {
	var drives []Drive
	err := l.view(ctx, func(tx *sql.Tx) error {
		rows, err := queryAll(ctx, tx, func(rows *sql.Rows) (driveRow, error) { return scanDrive(rows) },
			"SELECT "+driveColumns+" FROM drives ORDER BY name, id")
		for _, r := range rows {
			drives = append(drives, r.drive)
		}
		return err
	})
	if err != nil {
		return nil, fmt.Errorf("list drives: %w", err)
	}
	return drives, nil
}

// DriveCopyCount returns how many proven copies the ledger knows on a drive;
// 0 for a drive it does not know.
func (l *Ledger) DriveCopyCount(ctx context.Context, driveID string) (int, error) {
	count := 0
	err := l.view(ctx, func(tx *sql.Tx) error {
		drive, err := driveByID(ctx, tx, driveID)
		if errors.Is(err, ErrUnknown) {
			return nil
		}
		if err != nil {
			return err
		}
		return tx.QueryRowContext(ctx, "SELECT count(*) FROM copies WHERE drive_no = ? AND status = ?",
			drive.number, CopyProven).Scan(&count)
	})
	if err != nil {
		return 0, fmt.Errorf("count copies on drive %s: %w", driveID, err)
	}
	return count, nil
}
