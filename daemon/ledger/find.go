package ledger

import (
	"context"
	"database/sql"
	"encoding/json"
	"fmt"
	"strings"
	"time"
)

// MaxFound bounds what one question is answered with.
const MaxFound = 1000

// OffloadQuery says which offloads are meant; what is left empty asks nothing.
// Void offloads are never meant.
type OffloadQuery struct {
	ID      string
	Card    string    // a glob on the card's label
	DriveID string    // a drive that holds a finished copy
	Since   time.Time // begun not before this, in whole seconds, by the clock of then
	Until   time.Time // begun before this
	Limit   int       // 1 to MaxFound; whatever else is MaxFound
}

// FileQuery says which files are meant.
type FileQuery struct {
	OffloadQuery
	// Name is a glob on the last part of the path, or on the whole path, part by
	// part, where it holds a slash. Upper and lower case of ASCII are the same.
	Name string
}

// FoundFile is a file with all that is known of where it is.
type FoundFile struct {
	File
	Offload Offload
	On      []Standing // by drive id
}

// Standing is how a file stands on a drive that has a copy of its offload.
type Standing struct {
	DriveID    string
	DriveName  string
	Folder     string // of the copy, relative to the drive
	CopyStatus string
	Proven     bool   // this very file was read back from the drive and was the same
	ProvenAt   Moment // the last time; zero when it was not
}

func (q OffloadQuery) limit() int {
	if q.Limit < 1 || q.Limit > MaxFound {
		return MaxFound
	}
	return q.Limit
}

func (q OffloadQuery) all() bool { q.Limit = 0; return q == OffloadQuery{} }

// FindOffloads returns the offloads that are meant with their copies, newest
// first, and whether there are more. A drive that is not known is ErrUnknown, a
// card that is no glob ErrGlob.
func (l *Ledger) FindOffloads(ctx context.Context, q OffloadQuery) (list []Whereabouts, more bool, err error) {
	err = l.view(ctx, func(tx *sql.Tx) error {
		where, args, err := q.where(ctx, tx)
		if err != nil {
			return err
		}
		rows, err := queryAll(ctx, tx, scanOffloads, "SELECT "+offloadColumns+" FROM offloads o WHERE "+where+" ORDER BY seq DESC LIMIT ?",
			append(args, q.limit()+1)...)
		if err != nil {
			return err
		}
		if len(rows) > q.limit() {
			rows, more = rows[:q.limit()], true
		}
		var seqs []int64
		for _, r := range rows {
			seqs = append(seqs, r.offload.Seq)
		}
		list, err = withCopies(ctx, tx, rows, "SELECT value FROM json_each(?)", jsonNumbers(seqs))
		return err
	})
	if err != nil {
		return nil, false, fmt.Errorf("find offloads: %w", err)
	}
	return list, more, nil
}

// finished are the statuses of copies that stand under their final names.
const finished = "('" + CopyProven + "', '" + CopyUnproven + "', '" + CopyIncomplete + "', '" + CopyHanded + "')"

// where makes a condition on offloads o.
func (q OffloadQuery) where(ctx context.Context, tx *sql.Tx) (string, []any, error) {
	parts, args := []string{"o.status <> '" + OffloadVoid + "'"}, []any(nil)
	add := func(part string, arg ...any) { parts, args = append(parts, part), append(args, arg...) }
	if q.ID != "" {
		add("o.id = ?", q.ID)
	}
	if q.Card != "" {
		p, err := parseGlob(q.Card)
		if err != nil {
			return "", nil, fmt.Errorf("card %q: %w", q.Card, err)
		}
		add("lower(o.card_label) GLOB ?", p.glob)
	}
	if q.DriveID != "" {
		drive, err := driveByID(ctx, tx, q.DriveID)
		if err != nil {
			return "", nil, err
		}
		add("EXISTS (SELECT 1 FROM copies c WHERE c.offload_seq = o.seq AND c.drive_no = ? AND c.status IN "+finished+")", drive.number)
	}
	// A stamp goes on with a point, a Z or nothing after the second.
	const second = "2006-01-02T15:04:05"
	if !q.Since.IsZero() {
		add("o.started_wall >= ?", q.Since.UTC().Format(second))
	}
	if !q.Until.IsZero() {
		add("o.started_wall < ? AND o.started_wall <> ''", q.Until.UTC().Format(second))
	}
	return strings.Join(parts, " AND "), args, nil
}

// FindFiles returns the files that are meant and where they are, and whether
// there are more. Where a name is asked for and nothing else they come by name, and
// of one name the newest offload first; so they do where a name that begins with
// letters is asked for among more files than are looked through one by one. Otherwise
// they come by offload, the newest first, and by path.
func (l *Ledger) FindFiles(ctx context.Context, q FileQuery) (list []FoundFile, more bool, err error) {
	err = l.view(ctx, func(tx *sql.Tx) error {
		s := search{ctx: ctx, tx: tx, query: q, size: l.size, room: q.limit() + 1}
		rows, err := s.files()
		if err != nil {
			return err
		}
		if len(rows) > q.limit() {
			rows, more = rows[:q.limit()], true
		}
		list, err = locate(ctx, tx, rows)
		return err
	})
	if err != nil {
		return nil, false, fmt.Errorf("find files: %w", err)
	}
	return list, more, nil
}

// search is one question for files.
type search struct {
	ctx    context.Context
	tx     *sql.Tx
	query  FileQuery
	size   sizes
	room   int // how many files at most
	name   pattern
	pieces pieces   // of the name
	whole  *pattern // of the path; nil when the name alone is asked for
}

// ofThese is the condition on a file f that it belongs to one of a list of offloads.
const ofThese = "f.offload_seq IN (SELECT value FROM json_each(?))"

func (s *search) files() (rows []fileRow, err error) {
	name := s.query.Name
	if i := strings.LastIndexByte(name, '/'); i >= 0 {
		whole, err := parseGlob(name)
		if err != nil {
			return nil, fmt.Errorf("name %q: %w", s.query.Name, err)
		}
		s.whole, name = &whole, name[i+1:]
	}
	if s.name, err = parseGlob(name); err != nil {
		return nil, fmt.Errorf("name %q: %w", s.query.Name, err)
	}
	s.pieces = piecesOf(s.name.glob)
	if s.query.all() && s.query.Name != "" {
		return s.byName("f.offload_seq NOT IN (SELECT seq FROM offloads WHERE status = 'void')")
	}
	where, args, err := s.query.where(s.ctx, s.tx)
	if err != nil {
		return nil, err
	}
	seqs, files, err := s.offloads(where, args)
	if err != nil {
		return nil, err
	}
	switch {
	case files <= s.size.few:
		return s.byOffload(seqs)
	case s.name.prefix != "":
		return s.byName(ofThese, jsonNumbers(seqs))
	case s.pieces.within():
		return s.ofOffloads(seqs)
	}
	return s.byOffload(seqs)
}

// offloads lists the offloads that are meant, newest first.
func (s *search) offloads(where string, args []any) (seqs []int64, files int64, err error) {
	_, err = queryAll(s.ctx, s.tx, func(rows *sql.Rows) (n struct{}, err error) {
		var seq, holds int64
		err = rows.Scan(&seq, &holds)
		seqs, files = append(seqs, seq), files+holds
		return n, err
	}, "SELECT o.seq, o.files FROM offloads o WHERE "+where+" ORDER BY o.seq DESC", args...)
	return seqs, files, err
}

// conditions are what is asked of the path of a file f.
func (s *search) conditions() (parts []string, args []any) {
	if s.query.Name == "" {
		return nil, nil
	}
	if s.name.exact {
		parts, args = append(parts, "f.name = ?"), append(args, s.name.prefix)
	} else {
		parts, args = append(parts, "lower(f.name) GLOB ?"), append(args, s.name.glob)
	}
	if s.whole != nil { // with as many slashes no star can stand for one
		parts = append(parts, "lower(f.path) GLOB ? AND length(f.path) - length(replace(f.path, '/', '')) = ?")
		args = append(args, s.whole.glob, strings.Count(s.query.Name, "/"))
	}
	return parts, args
}

func (s *search) numbers(query string, args ...any) ([]int64, error) {
	return queryAll(s.ctx, s.tx, func(rows *sql.Rows) (n int64, err error) {
		err = rows.Scan(&n)
		return n, err
	}, query, args...)
}

// fetch reads files in the order of the numbers given.
func (s *search) fetch(numbers []int64) ([]fileRow, error) {
	return queryAll(s.ctx, s.tx, func(rows *sql.Rows) (fileRow, error) { return scanFile(rows) },
		"SELECT "+fileColumnsOf("f")+" FROM json_each(?) j JOIN files f ON f.file_no = j.value ORDER BY j.key", jsonNumbers(numbers))
}

// byOffload goes through the files of offloads until there are enough.
func (s *search) byOffload(seqs []int64) (rows []fileRow, err error) {
	parts, args := s.conditions()
	query := "SELECT " + fileColumnsOf("f") + " FROM files f WHERE " +
		strings.Join(append([]string{"f.offload_seq = ?"}, parts...), " AND ") + " ORDER BY f.path LIMIT ?"
	for _, seq := range seqs {
		if len(rows) >= s.room {
			break
		}
		of, err := queryAll(s.ctx, s.tx, func(rows *sql.Rows) (fileRow, error) { return scanFile(rows) },
			query, append(append([]any{seq}, args...), s.room-len(rows))...)
		if err != nil {
			return nil, err
		}
		rows = append(rows, of...)
	}
	return rows, nil
}

func fileColumnsOf(table string) string {
	return table + "." + strings.ReplaceAll(fileColumns, ", ", ", "+table+".")
}

// jsonNumbers writes numbers as the list that json_each reads: one parameter,
// however many they are.
func jsonNumbers(list []int64) string {
	if len(list) == 0 {
		return "[]"
	}
	text, _ := json.Marshal(list) // numbers always encode
	return string(text)
}
