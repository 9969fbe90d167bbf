package ledger

import (
	"database/sql"
	"errors"
	"slices"
	"strings"
)

// byName finds the numbers of files in the order of names, and then fetches those.
func (s *search) byName(which string, args ...any) ([]fileRow, error) {
	find := s.byPieces
	if s.name.exact || !s.pieces.within() {
		find = func(which string, args []any) ([]int64, error) { return s.alongIndex(which, args, nil, nil, s.room) }
	}
	numbers, err := find(which, args)
	if err != nil {
		return nil, err
	}
	return s.fetch(numbers)
}

// alongIndex goes along the index of names, which is enough to say which files they
// are: from a name on and until before another, where those are given.
func (s *search) alongIndex(which string, args []any, from, to *string, room int) ([]int64, error) {
	parts, more := s.conditions()
	between, bounds := s.between(from, to)
	parts, args = append(append([]string{which}, parts...), between...), append(append(slices.Clone(args), more...), bounds...)
	return s.numbers("SELECT f.file_no FROM files f INDEXED BY files_by_name WHERE "+strings.Join(parts, " AND ")+" ORDER BY f.name, f.offload_seq DESC LIMIT ?",
		append(args, room)...)
}

// between makes conditions on a name of what is known of where it stands in the
// index. The names given must begin as the glob does.
func (s *search) between(from, to *string) (parts []string, args []any) {
	if p := s.name.prefix; p != "" && !s.name.exact {
		if from == nil {
			from = &p
		}
		if end := after(p); to == nil && end != "" {
			to = &end
		}
	}
	if from != nil {
		parts, args = append(parts, "f.name >= ?"), append(args, *from)
	}
	if to != nil {
		parts, args = append(parts, "f.name < ?"), append(args, *to)
	}
	return parts, args
}

// stretch returns the name that ends the first stretch of the index, or all: there
// is no more than one.
func (s *search) stretch() (end string, all bool, err error) {
	where, args := s.between(nil, nil)
	err = s.tx.QueryRowContext(s.ctx, "SELECT lower(f.name) FROM files f INDEXED BY files_by_name WHERE "+strings.Join(append(where, "TRUE"), " AND ")+
		" ORDER BY f.name LIMIT 1 OFFSET ?", append(args, s.size.stretch*s.room)...).Scan(&end)
	if errors.Is(err, sql.ErrNoRows) {
		return "", true, nil
	}
	return end, false, err
}
