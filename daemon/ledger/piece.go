package ledger

import (
	"bytes"
	"strings"
)

// pieces are what is literal in a glob. Whatever the glob means holds them, in their
// order; not all that holds them is meant.
type pieces struct {
	list [][]byte // in lower case
	head bool     // the first one begins the name
	tail bool     // the last one ends it
	bits []int    // marks of a sheet that holds them
}

// piecesOf takes the pieces out of a glob in SQLite's spelling.
func piecesOf(glob string) (p pieces) {
	open := false // the last piece is not over
	for at := 0; at < len(glob); {
		text, size := literalOf(glob[at:])
		switch {
		case text == "":
			open = false
		case open:
			p.list[len(p.list)-1] = append(p.list[len(p.list)-1], text...)
		default:
			p.list, open = append(p.list, []byte(text)), true
			p.head = p.head || at == 0
		}
		at += size
	}
	p.tail = open
	for i, text := range p.list {
		around := bytes.Clone(text)
		if i == 0 && p.head {
			around = append([]byte{'/'}, around...)
		}
		if i == len(p.list)-1 && p.tail {
			around = append(around, '/')
		}
		eachMark(around, func(bit int) { p.bits = append(p.bits, bit) })
	}
	return p
}

// literalOf returns what the first part of a glob stands for, "" when for one of
// several, and how long it is. SQLite takes the last two characters of the first
// plane, and all that is no text, for U+FFFD.
func literalOf(glob string) (text string, size int) {
	switch {
	case glob[0] == '*' || glob[0] == '?':
		return "", 1
	case strings.HasPrefix(glob, "\ufffd") || strings.HasPrefix(glob, "\ufffe") || strings.HasPrefix(glob, "\uffff"):
		return "", len("\ufffd")
	case glob[0] != '[':
		return glob[:1], 1
	}
	first := 1
	if strings.HasPrefix(glob, "[^") {
		first = 2
	}
	size = first + 1 + strings.IndexByte(glob[first+1:], ']') + 1 // a ] that comes first is one of them
	if size == len("[x]") {
		return glob[1:2], size
	}
	return "", size
}

// within reports whether the glob has a piece that is not just its beginning.
func (p *pieces) within() bool {
	return len(p.list) > 1 || len(p.list) == 1 && !p.head
}

// rarest returns the piece that is likely to be in the fewest names: a long one. Many
// names begin as others do, or end as they do.
func (p *pieces) rarest() (piece []byte) {
	most := 0
	for i, text := range p.list {
		score := 2*len(text) + 1
		if i == 0 && p.head || i == len(p.list)-1 && p.tail {
			score = len(text)
		}
		if score > most {
			piece, most = text, score
		}
	}
	return piece
}

// in reports whether a name in lower case holds the pieces in their order.
func (p *pieces) in(name []byte) bool {
	for i, text := range p.list {
		at := 0
		switch {
		case i == 0 && p.head:
			if !bytes.HasPrefix(name, text) {
				return false
			}
		case i == len(p.list)-1 && p.tail:
			if !bytes.HasSuffix(name, text) {
				return false
			}
			at = len(name) - len(text)
		default:
			if at = bytes.Index(name, text); at < 0 {
				return false
			}
		}
		name = name[at+len(text):]
	}
	return true
}
