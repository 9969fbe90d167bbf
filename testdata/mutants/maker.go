package mutants

import (
	"bytes"
	"math/bits"
	"math/rand/v2"
)

// material is what mutants are made of; workers share it and do not change it.
type material struct {
	sound  []int      // numbers of the seeds that are taken; all, if none is
	tokens [][][]byte // by argument
	texts  [][][]byte // by argument, then by seed
	limit  int        // bytes of one argument of a mutant
}

// Bounds on the length of what a mutant gives for one argument. The larger one costs
// too much time, and no bound of a parser here needs more.
const (
	leastLimit = 8 << 10
	mostLimit  = 32 << 10
)

func newMaterial(seeds []Seed, taken func(Seed) bool) *material {
	m := &material{}
	for i, s := range seeds {
		if taken(s) {
			m.sound = append(m.sound, i)
		}
	}
	if len(m.sound) == 0 {
		for i := range seeds {
			m.sound = append(m.sound, i)
		}
	}
	longest := 0
	for part := range seeds[0] {
		all := texts(seeds, part)
		m.texts = append(m.texts, all)
		m.tokens = append(m.tokens, append(tokensOf(all), nil))
		for _, s := range seeds {
			longest = max(longest, len(s[part]))
		}
	}
	m.limit = min(max(leastLimit, longest+longest/2), mostLimit)
	return m
}

// maker makes mutants, one at a time, in memory that it uses again.
type maker struct {
	*material
	pcg   rand.PCG
	part  int      // the argument that is changed
	input [][]byte // the newest mutant
	room  [][]byte
	spare []byte
	run   []byte
}

func newMaker(from *material) *maker {
	m := &maker{material: from}
	for range from.texts {
		m.room = append(m.room, make([]byte, 0, from.limit))
		m.input = append(m.input, nil)
	}
	return m
}

// mutant gives that of a number; it is there until the next one is made.
func (m *maker) mutant(number uint64) [][]byte {
	// Numbers that follow each other must not begin alike.
	m.pcg.Seed(number*0x9e3779b97f4a7c15, number^0x5851f42d4c957f2d)
	seed := m.seed()
	for part := range m.room {
		from := seed
		if len(m.room) > 1 && m.below(4) == 0 {
			from = m.seed()
		}
		text := m.texts[part][from]
		m.input[part] = append(m.room[part][:0], text[:min(len(text), m.limit)]...)
	}
	// One change, two, three ...: each half as often as the one before.
	for n := 1 + bits.TrailingZeros64(m.pcg.Uint64()|1<<7); n > 0; n-- {
		m.part = m.below(len(m.input))
		m.input[m.part] = changes[m.below(len(changes))](m, m.input[m.part])
	}
	return m.input
}

// seed draws one, half of the time a sound one: most seeds are odd, and a change to
// those is hardly ever taken.
func (m *maker) seed() int {
	if m.below(2) == 0 {
		return m.sound[m.below(len(m.sound))]
	}
	return m.below(len(m.texts[0]))
}

// other gives a text of some seed, for the argument that is changed.
func (m *maker) other() []byte { return m.texts[m.part][m.seed()] }

// anyToken gives a token of some seed, now and then of another argument.
func (m *maker) anyToken() []byte {
	tokens := m.tokens[m.part]
	if m.below(8) == 0 {
		tokens = m.tokens[m.below(len(m.tokens))]
	}
	return tokens[m.below(len(tokens))]
}

// below draws from 0 to n-1.
func (m *maker) below(n int) int {
	high, _ := bits.Mul64(m.pcg.Uint64(), uint64(n))
	return int(high)
}

// between draws from i to j-1.
func (m *maker) between(i, j int) int { return i + m.below(j-i) }

// span draws a part of b: short ones as often as long ones.
func (m *maker) span(b []byte) (i, j int) {
	if len(b) == 0 {
		return 0, 0
	}
	most := 1 << m.below(bits.Len(uint(len(b))))
	i = m.below(len(b))
	return i, min(len(b), i+1+m.below(most))
}

// far is how far from a place the next word, number or bracket is looked for.
const far = 256

func isWord(c byte) bool { return isLetterOrDigit(c) || c == '_' || c == '-' || c == '.' }

func isLetterOrDigit(c byte) bool {
	return c >= 'a' && c <= 'z' || c >= 'A' && c <= 'Z' || isDigit(c) || c >= 0x80
}

func isDigit(c byte) bool { return c >= '0' && c <= '9' }

// wordAt finds the word at or behind a place; there may be none.
func wordAt(b []byte, at int) (i, j int) { return runAt(b, at, isWord) }

func numberAt(b []byte, at int) (i, j int) { return runAt(b, at, isDigit) }

func runAt(b []byte, at int, is func(byte) bool) (i, j int) {
	end := min(len(b), at+far)
	for i = at; i < end && !is(b[i]); i++ {
	}
	if i == end {
		return at, at
	}
	j = i
	for i > 0 && is(b[i-1]) {
		i--
	}
	for j < len(b) && is(b[j]) {
		j++
	}
	return i, j
}

// lineAt finds the line that a place is in, with what ends it: a line break, or the
// NUL of messages.
func lineAt(b []byte, at int) (i, j int) {
	ends := func(c byte) bool { return c == '\n' || c == 0 }
	for i = at; i > 0 && !ends(b[i-1]); i-- {
	}
	for j = at; j < len(b); j++ {
		if ends(b[j]) {
			return i, j + 1
		}
	}
	return i, j
}

// elementAt finds the first element of XML behind a place that ends; there may be none.
func elementAt(b []byte, at int) (i, j int) {
	for i = at; i < min(len(b), at+far); i++ {
		if b[i] != '<' || i+1 == len(b) || !isWord(b[i+1]) {
			continue
		}
		_, end := wordAt(b, i+1)
		name := b[i+1 : end]
		for j = end; j < min(len(b), end+8*far); {
			n := bytes.Index(b[j:min(len(b), end+8*far)], closes)
			if n < 0 {
				break
			}
			j += n + len(closes)
			if bytes.HasPrefix(b[j:], name) && j+len(name) < len(b) && b[j+len(name)] == '>' {
				return i, j + len(name) + 1
			}
		}
	}
	return at, at
}

var closes = []byte("</")

// pieceAt finds the first thing behind a place that opens and closes; there may be
// none. What is in it is not understood: a bracket in quotes counts.
func pieceAt(b []byte, at int) (i, j int) {
	end := min(len(b), at+far)
	for i, open := at, 0; i < end && open < 4; i++ {
		var closing byte
		switch b[i] {
		case '"', '\'':
			closing = b[i]
			if n := bytes.IndexByte(b[i+1:min(len(b), i+far)], closing); n >= 0 {
				return i, i + 1 + n + 1
			}
			continue
		case '<', '>': // a tag, or what is between two
			closing = '<' ^ '>' ^ b[i]
			if n := bytes.IndexByte(b[i+1:min(len(b), i+far)], closing); n >= 0 {
				return i, i + 1 + n + 1
			}
			continue
		case '{', '[':
			closing = b[i] + 2
		case '(':
			closing = ')'
		default:
			continue
		}
		open++
		depth := 0
		for j := i; j < min(len(b), i+4*far); j++ {
			switch b[j] {
			case b[i]:
				depth++
			case closing:
				if depth--; depth == 0 {
					return i, j + 1
				}
			}
		}
	}
	return at, at
}
