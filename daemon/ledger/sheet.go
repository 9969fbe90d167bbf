package ledger

import (
	"bytes"
	"context"
	"database/sql"
	"errors"
	"fmt"
	"math"
	"unicode/utf8"

	"github.com/zeebo/xxh3"
)

// sizes are what the looking for names in their middle is measured by. None is a
// matter of what is found.
type sizes struct {
	sheet      int64 // files on one sheet
	sheetBytes int   // names that take more are not kept on one
	few        int64 // files that are looked through one by one where a name would lead to more
	stretch    int   // of the index of names is gone along first, so many times what there is room for
	kept       int   // files whose names are kept while the sheets are gone through; up to twice as many
}

var usualSizes = sizes{sheet: 1024, sheetBytes: 4 << 20, few: 20_000, stretch: 4, kept: 2048}

// sheet is a row of name_sheets.
type sheet struct {
	first, last int64 // numbers of files
	sum, seal   int64
	marks       []byte
	names       []byte
}

func (s *sheet) computeSeal() int64 {
	return newSealer("name_sheets").addInt(s.first, s.last, s.sum, sumOf(s.marks)).sum()
}

func sumOf(bytes []byte) int64 { return int64(xxh3.Hash(bytes)) }

// markBytes is how long the marks of a sheet are. Camera names of a usual sheet set
// about one bit in three.
const markBytes = 1024

// eachMark gives the bit of each three and four bytes that stand together in a text.
func eachMark(text []byte, do func(bit int)) {
	mark := func(bytes uint32) { do(int(bytes * 0x9e3779b1 >> 19)) } // 13 bits, of 8 * markBytes
	for i := 2; i < len(text); i++ {
		three := uint32(text[i-2])<<16 | uint32(text[i-1])<<8 | uint32(text[i])
		mark(three)
		if i > 2 {
			mark(uint32(text[i-3])<<24 | three)
		}
	}
}

func marksOf(names []byte) []byte {
	if len(names) == 0 {
		return []byte{}
	}
	marks := make([]byte, markBytes)
	eachMark(names, func(bit int) { marks[bit/8] |= 1 << (bit % 8) })
	return marks
}

// mayHold reports false when some piece is in no name on a sheet with these marks.
func mayHold(marks []byte, p *pieces) bool {
	for _, bit := range p.bits {
		if marks[bit/8]&(1<<(bit%8)) == 0 {
			return false
		}
	}
	return true
}

// fillSheets makes the sheets that a ledger of an older version lacks. Were power cut
// before it is done, it is done the next time.
func (l *Ledger) fillSheets(ctx context.Context) error {
	next, last, err := sheetsLack(ctx, l.read)
	if err != nil || last-next < l.size.sheet-1 {
		return classify(err)
	}
	if err := l.changeAndMove(ctx, func(tx *sql.Tx) error { return addSheets(ctx, tx, l.size) }); err != nil {
		return fmt.Errorf("write the sheets of names: %w", err)
	}
	return nil
}

// addSheets makes the sheets that have become full since the last one.
func addSheets(ctx context.Context, tx *sql.Tx, size sizes) error {
	next, last, err := sheetsLack(ctx, tx)
	if err != nil {
		return err
	}
	if next < 1 || next > last+1 { // it tells of files that are not there
		if _, err := tx.ExecContext(ctx, "DELETE FROM name_sheets WHERE last_file < 1 OR last_file > ?", last); err != nil {
			return err
		}
		if next, last, err = sheetsLack(ctx, tx); err != nil {
			return err
		}
	}
	for ; ; next += size.sheet {
		// Numbers have no gaps, but those of a ledger that somebody put on a drive may.
		if err := tx.QueryRowContext(ctx, "SELECT coalesce(min(file_no), ?1) FROM files WHERE file_no >= ?1", next).Scan(&next); err != nil {
			return err
		}
		if last-next < size.sheet-1 {
			return nil
		}
		s := sheet{first: next, last: next + size.sheet - 1}
		if s.names, err = namesOf(ctx, tx, s.first, s.last, size.sheetBytes); err != nil {
			return err
		}
		s.sum, s.marks = sumOf(s.names), marksOf(s.names)
		if _, err := tx.ExecContext(ctx, "INSERT OR REPLACE INTO name_sheets (first_file, last_file, names_sum, seal, marks, names) VALUES (?,?,?,?,?,?)",
			s.first, s.last, s.sum, s.computeSeal(), s.marks, s.names); err != nil {
			return err
		}
	}
}

// sheetsLack returns the number of the first file that comes after all sheets and
// that of the last file.
func sheetsLack(ctx context.Context, q queryer) (next, last int64, err error) {
	err = q.QueryRowContext(ctx, `SELECT coalesce((SELECT last_file FROM name_sheets ORDER BY first_file DESC LIMIT 1), 0),
		(SELECT coalesce(max(file_no), 0) FROM files)`).Scan(&next, &last)
	return next + 1, last, err
}

// namesOf returns the names of files as a sheet holds them; nothing when a number
// is not given to a file, or they are too long, or hold what is no text.
func namesOf(ctx context.Context, q queryer, first, last int64, atMost int) ([]byte, error) {
	names, left := []byte{'/'}, last-first+1
	err := eachName(ctx, q, first, last, func(name []byte, _ int64) bool {
		if len(names)+len(name) >= atMost || !isText(name) {
			return false
		}
		names, left = append(append(names, name...), '/'), left-1
		return true
	})
	if left > 0 {
		names = []byte{}
	}
	return names, err
}

// eachName gives the names of files in lower case, as the column name has them but
// for what is no text. A name is good until do returns, and that says whether to go on.
func eachName(ctx context.Context, q queryer, first, last int64, do func(name []byte, number int64) bool) (err error) {
	rows, err := q.QueryContext(ctx, "SELECT file_no, path FROM files WHERE file_no BETWEEN ? AND ? ORDER BY file_no", first, last)
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, rows.Close()) }()
	var name []byte
	for rows.Next() {
		var number int64
		var path sql.RawBytes
		if err := rows.Scan(&number, &path); err != nil {
			return err
		}
		name = append(name[:0], path[bytes.LastIndexByte(path, '/')+1:]...)
		for i, c := range name {
			if c >= 'A' && c <= 'Z' {
				name[i] = c + 'a' - 'A'
			}
		}
		if !do(name, number) {
			return nil
		}
	}
	return rows.Err()
}

// isText says no of what SQLite reads in ways of its own.
func isText(name []byte) bool { return utf8.Valid(name) && bytes.IndexByte(name, 0) < 0 }

// eachCandidate gives every file whose name holds the pieces of the glob that is
// asked for, with the name in lower case, which is good until do returns; some that
// are not meant too. It ends when do says so.
func (s *search) eachCandidate(do func(name []byte, number int64) (more bool)) error {
	untold, more, err := s.eachOnSheets(do)
	for _, u := range untold {
		if err != nil || !more {
			return err
		}
		err = eachName(s.ctx, s.tx, u.first, u.last, func(name []byte, number int64) bool {
			if s.pieces.in(name) || !isText(name) {
				more = do(name, number)
			}
			return more
		})
	}
	return err
}

// span is a range of file numbers.
type span struct{ first, last int64 }

// eachOnSheets is eachCandidate for the files on sound sheets, and returns which
// files those do not tell of.
func (s *search) eachOnSheets(do func(name []byte, number int64) bool) (untold []span, more bool, err error) {
	sheets, untold, err := s.sheets()
	if err != nil {
		return nil, false, err
	}
	on := make(map[int64]sheet, len(sheets))
	numbers := make([]int64, len(sheets))
	for i, one := range sheets {
		on[one.first], numbers[i] = one, one.first
	}
	rows, err := s.tx.QueryContext(s.ctx, "SELECT n.first_file, n.names FROM json_each(?) j CROSS JOIN name_sheets n ON n.first_file = j.value", jsonNumbers(numbers))
	if err != nil {
		return nil, false, err
	}
	defer func() { err = errors.Join(err, rows.Close()) }()
	for rows.Next() {
		var first int64
		var names sql.RawBytes
		if err := rows.Scan(&first, &names); err != nil {
			return nil, false, err
		}
		one := on[first]
		if one.names = names; len(names) == 0 || one.sum != sumOf(names) {
			continue
		}
		delete(on, first)
		if !one.look(&s.pieces, do) {
			return nil, false, nil
		}
	}
	for _, one := range on { // their names were damaged
		untold = append(untold, span{one.first, one.last})
	}
	return untold, true, rows.Err()
}

// sheets returns the sound sheets that may hold the pieces, without their names, and
// which files no sound sheet tells of.
func (s *search) sheets() (list []sheet, untold []span, err error) {
	rows, err := s.tx.QueryContext(s.ctx, "SELECT first_file, last_file, names_sum, seal, marks FROM name_sheets ORDER BY first_file")
	if err != nil {
		return nil, nil, err
	}
	defer func() { err = errors.Join(err, rows.Close()) }()
	next := int64(1)
	for rows.Next() {
		var on sheet
		var marks sql.RawBytes
		if err := rows.Scan(&on.first, &on.last, &on.sum, &on.seal, &marks); err != nil {
			return nil, nil, err
		}
		on.marks = marks
		if len(marks) != markBytes || on.first < next || on.seal != on.computeSeal() {
			continue
		}
		if on.first > next {
			untold = append(untold, span{next, on.first - 1})
		}
		next = on.last + 1
		if mayHold(marks, &s.pieces) {
			on.marks = nil
			list = append(list, on)
		}
	}
	return list, append(untold, span{next, math.MaxInt64}), rows.Err()
}

// look gives the files on a sheet whose names hold the pieces.
func (s *sheet) look(p *pieces, do func(name []byte, number int64) bool) (more bool) {
	piece := p.rarest()
	number, counted := s.first-1, 0 // slashes before counted tell the number
	for end := 0; ; {
		at := bytes.Index(s.names[end:], piece)
		if at < 0 {
			return true
		}
		at += end
		begin := bytes.LastIndexByte(s.names[:at], '/') + 1
		end = at + bytes.IndexByte(s.names[at:], '/')
		if name := s.names[begin:end]; p.in(name) {
			number += int64(bytes.Count(s.names[counted:begin], []byte{'/'}))
			counted = begin
			if !do(name, number) {
				return false
			}
		}
	}
}
