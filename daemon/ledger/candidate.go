package ledger

import (
	"slices"
	"strings"
)

// candidate is a file whose name holds what is literal in the glob that is asked for.
type candidate struct {
	name   string // in lower case
	number int64
}

// candidates are those with the first names, as many as are kept.
type candidates struct {
	list  []candidate
	keep  int
	from  string  // no name before this is taken
	bound *string // all names before this are in the list, nothing else is; nil: all names
}

func (c *candidates) add(name []byte, number int64) bool {
	if string(name) < c.from || c.bound != nil && string(name) >= *c.bound {
		return true
	}
	c.list = append(c.list, candidate{string(name), number})
	if len(c.list) >= 2*c.keep {
		c.sort()
		bound := c.list[c.keep].name
		c.bound = &bound
		kept, _ := slices.BinarySearchFunc(c.list, bound, func(k candidate, name string) int { return strings.Compare(k.name, name) })
		clear(c.list[kept:])
		c.list = c.list[:kept]
	}
	return true
}

func (c *candidates) sort() {
	slices.SortFunc(c.list, func(a, b candidate) int { return strings.Compare(a.name, b.name) })
}

// next takes the first candidates off the list, about so many: equal names stay together.
func (c *candidates) next(about int) (numbers []int64) {
	end := min(about, len(c.list))
	for end > 0 && end < len(c.list) && c.list[end].name == c.list[end-1].name {
		end++
	}
	for _, k := range c.list[:end] {
		numbers = append(numbers, k.number)
	}
	c.list = c.list[end:]
	return numbers
}

// byPieces finds numbers of files by name: in a stretch of the index first, where
// what is everywhere is found, then on the sheets, and, when more hold the pieces
// than are kept and too few of those are meant, in the rest of the index.
func (s *search) byPieces(which string, args []any) ([]int64, error) {
	end, all, err := s.stretch()
	if err != nil {
		return nil, err
	}
	if all {
		return s.alongIndex(which, args, nil, nil, s.room)
	}
	numbers, err := s.alongIndex(which, args, nil, &end, s.room)
	if err != nil || len(numbers) >= s.room {
		return numbers, err
	}
	found := candidates{keep: s.size.kept, from: end}
	if err := s.eachCandidate(found.add); err != nil {
		return nil, err
	}
	found.sort()
	for len(numbers) < s.room && len(found.list) > 0 {
		more, err := s.meant(found.next(2*s.room), which, args, "f.name, f.offload_seq DESC, f.file_no", s.room-len(numbers))
		if err != nil {
			return nil, err
		}
		numbers = append(numbers, more...)
	}
	if found.bound == nil || len(numbers) >= s.room {
		return numbers, nil
	}
	rest, err := s.alongIndex(which, args, found.bound, nil, s.room-len(numbers))
	return append(numbers, rest...), err
}

// ofOffloads finds files of many offloads by the pieces of their names.
func (s *search) ofOffloads(seqs []int64) ([]fileRow, error) {
	var numbers []int64
	err := s.eachCandidate(func(_ []byte, number int64) bool {
		numbers = append(numbers, number)
		return int64(len(numbers)) <= s.size.few
	})
	if err != nil {
		return nil, err
	}
	if int64(len(numbers)) > s.size.few { // then there are enough soon
		return s.byOffload(seqs)
	}
	numbers, err = s.meant(numbers, ofThese, []any{jsonNumbers(seqs)}, "f.offload_seq DESC, f.path", s.room)
	if err != nil {
		return nil, err
	}
	return s.fetch(numbers)
}

// meant returns which of these files are meant, in an order.
func (s *search) meant(numbers []int64, which string, args []any, order string, room int) ([]int64, error) {
	parts, more := s.conditions()
	query := "SELECT f.file_no FROM json_each(?) j CROSS JOIN files f ON f.file_no = j.value WHERE " +
		strings.Join(append([]string{which}, parts...), " AND ") + " ORDER BY " + order + " LIMIT ?"
	return s.numbers(query, append(append(append([]any{jsonNumbers(numbers)}, args...), more...), room)...)
}
