package mutants

import (
	"bytes"
	"slices"
)

// change makes one change to b, in place where there is room.
type change func(m *maker, b []byte) []byte

// changes are drawn with equal chances; what stands twice comes twice as often. Most
// of what we parse is text in lines, words and brackets, so most of them leave that
// whole: of inputs that end at the first sign a few are enough.
var changes = []change{
	(*maker).flipBit, (*maker).setByte, (*maker).cut, (*maker).double, (*maker).move, (*maker).insertText,
	(*maker).splice, (*maker).number, (*maker).number, (*maker).token, (*maker).token, (*maker).token, (*maker).partOfWord,
	(*maker).line, (*maker).line, (*maker).piece, (*maker).piece, (*maker).fill, (*maker).fill, (*maker).pile, (*maker).end,
}

func (m *maker) flipBit(b []byte) []byte {
	if len(b) > 0 {
		b[m.below(len(b))] ^= 1 << m.below(8)
	}
	return b
}

// signs mean something to some parser.
const signs = "\x00\x01\t\n\r\x1b !\"#$%&'*+,-./0129:;<=>?@AZ[\\]^_`az{|}~\x7f\x80\x85\xa0\xbf\xc0\xc3\xe2\xed\xef\xf4\xff"

func (m *maker) setByte(b []byte) []byte {
	switch {
	case len(b) == 0:
		return b
	case m.below(4) == 0:
		b[m.below(len(b))] = byte(m.below(256))
	default:
		b[m.below(len(b))] = signs[m.below(len(signs))]
	}
	return b
}

func (m *maker) cut(b []byte) []byte {
	i, j := m.span(b)
	return m.replace(b, i, j, nil)
}

func (m *maker) double(b []byte) []byte {
	i, j := m.span(b)
	return m.replace(b, j, j, b[i:j])
}

func (m *maker) move(b []byte) []byte {
	i, j := m.span(b)
	m.spare = append(m.spare[:0], b[i:j]...)
	b = m.replace(b, i, j, nil)
	at := m.below(len(b) + 1)
	return m.replace(b, at, at, m.spare)
}

func (m *maker) insertText(b []byte) []byte {
	at := m.below(len(b) + 1)
	return m.replace(b, at, at, m.text())
}

// splice ends b as another seed ends, or begins it as another begins.
func (m *maker) splice(b []byte) []byte {
	other := m.other()
	i, j := m.below(len(b)+1), m.below(len(other)+1)
	switch m.below(3) {
	case 0: // at the same place, as fields often are
		i = min(i, len(other))
		return m.replace(b, i, len(b), other[i:])
	case 1: // from line to line
		i, _ = lineAt(b, i)
		j, _ = lineAt(other, j)
	}
	if m.below(2) == 0 {
		return m.replace(b, i, len(b), other[j:])
	}
	return m.replace(b, 0, i, other[:j])
}

// numbers lie at the edges of what some type or parser holds.
var numbers = list("0", "-0", "00", "1", "-1", "+1", "2", "7", "9", "10", "16", "17", "31", "32", "33", "63", "64", "65", "99", "100", "101", "127", "128", "129", "-128",
	"255", "256", "257", "999", "1000", "1024", "4095", "4096", "4097", "9999", "10000", "32767", "32768", "65535", "65536", "65537", "1048576", "2147483647", "2147483648", "-2147483648", "-2147483649",
	"4294967295", "4294967296", "9223372036854775807", "9223372036854775808", "-9223372036854775808", "-9223372036854775809", "18446744073709551615",
	"18446744073709551616", "99999999999999999999999999999999", "1e3", "1e308", "1e309", "1.5", ".5", "5.", "0x7f", "0b1", "0o7", "1_0", "nan", "inf", "")

func (m *maker) number(b []byte) []byte {
	i, j := numberAt(b, m.below(len(b)+1))
	if i == j {
		return m.token(b)
	}
	switch m.below(4) {
	case 0: // a near one
		d := &b[m.between(i, j)]
		*d = '0' + byte(m.below(10))
		return b
	case 1: // a far one
		at := m.between(i, j+1)
		d := byte('0' + m.below(10))
		m.spare = append(m.spare[:0], bytes.Repeat([]byte{d}, 1+m.below(20))...)
		return m.replace(b, at, at, m.spare)
	}
	return m.replace(b, i, j, numbers[m.below(len(numbers))])
}

// token puts a word of any seed before, behind or in the place of a word.
func (m *maker) token(b []byte) []byte {
	i, j := wordAt(b, m.below(len(b)+1))
	switch m.below(6) {
	case 0:
		i = j
	case 1:
		j = i
	case 2: // in capitals or not
		if i < j {
			b[m.between(i, j)] ^= 0x20
		}
		return b
	case 3:
		return m.replace(b, i, j, nil)
	}
	return m.replace(b, i, j, m.anyToken())
}

// partOfWord leaves of a word, such as a name or a date, what stands before or behind
// one of its signs.
func (m *maker) partOfWord(b []byte) []byte {
	i, j := wordAt(b, m.below(len(b)+1))
	if i == j {
		return b
	}
	at := m.between(i, j)
	for n := i; n < j && isLetterOrDigit(b[at]); n++ {
		if at++; at == j {
			at = i
		}
	}
	if m.below(2) == 0 {
		return m.replace(b, i, at, nil)
	}
	return m.replace(b, at, j, nil)
}

// line takes a line away, doubles it, brings it elsewhere, or puts another there.
func (m *maker) line(b []byte) []byte {
	i, j := lineAt(b, m.below(len(b)+1))
	switch m.below(5) {
	case 0:
		return m.replace(b, i, j, nil)
	case 1:
		return m.replace(b, j, j, b[i:j])
	case 2:
		to, _ := lineAt(b, m.below(len(b)+1))
		return m.replace(b, to, to, b[i:j])
	case 3:
		m.spare = append(m.spare[:0], b[i:j]...)
		b = m.replace(b, i, j, nil)
		to, _ := lineAt(b, m.below(len(b)+1))
		return m.replace(b, to, to, m.spare)
	}
	other := m.other()
	from, end := lineAt(other, m.below(len(other)+1))
	return m.replace(b, i, i, other[from:end])
}

// piece does the same with what stands in brackets, quotes or tags.
func (m *maker) piece(b []byte) []byte {
	i, j := m.anyPiece(b)
	if i == j {
		return m.line(b)
	}
	switch m.below(5) {
	case 0:
		return m.replace(b, i, j, nil)
	case 1:
		return m.replace(b, j, j, b[i:j])
	case 2:
		from, end := m.anyPiece(b)
		return m.replace(b, i, j, b[from:end])
	case 3: // into itself
		at := m.between(i, j)
		return m.replace(b, at, at, b[i:j])
	}
	other := m.other()
	from, end := m.anyPiece(other)
	return m.replace(b, i, j, other[from:end])
}

// anyPiece finds one that opens and closes: with all it holds where it is an element
// of XML, and with the comma before or behind it where it is one of a list.
func (m *maker) anyPiece(b []byte) (i, j int) {
	at := m.below(len(b) + 1)
	if m.below(2) == 0 {
		i, j = elementAt(b, at)
	}
	if i == j {
		i, j = pieceAt(b, at)
	}
	switch {
	case i == j || m.below(2) == 0:
	case j < len(b) && b[j] == ',':
		j++
	case i > 0 && b[i-1] == ',':
		i--
	}
	return i, j
}

// fill leaves the brackets and quotes where they are, and puts something else between.
func (m *maker) fill(b []byte) []byte {
	i, j := pieceAt(b, m.below(len(b)+1))
	if j-i < 2 {
		return m.insertText(b)
	}
	i, j = i+1, j-1
	switch m.below(6) {
	case 0:
		return m.replace(b, i, j, m.anyToken())
	case 1:
		return m.replace(b, i, j, nil)
	case 2:
		return m.replace(b, i, i, m.text())
	case 3:
		return m.replace(b, j, j, m.text())
	}
	return m.replace(b, i, j, m.text())
}

// pile puts something in its place many times over: what is deep, long or many.
func (m *maker) pile(b []byte) []byte {
	i, j := m.span(b)
	switch m.below(3) {
	case 0:
		i, j = lineAt(b, i)
	case 1:
		i, j = m.anyPiece(b)
	}
	m.spare = append(m.spare[:0], b[i:min(j, i+512)]...)
	if len(m.spare) == 0 {
		m.spare = append(m.spare, signs[m.below(len(signs))])
	}
	one := len(m.spare)
	for times := 1 << m.below(11); times > 1 && len(m.spare)+one < m.limit; times-- {
		m.spare = append(m.spare, m.spare[:one]...)
	}
	return m.replace(b, j, j, m.spare)
}

// end lets b end early, or begin late.
func (m *maker) end(b []byte) []byte {
	at := m.below(len(b) + 1)
	if m.below(4) == 0 {
		return m.replace(b, 0, at, nil)
	}
	return b[:at]
}

// odd is what names and texts may be made of to hurt somebody.
var odd = list("", "..", "../", "../..", "/..", "/", "//", "/etc/shadow", ".", "./", " ", "\t", "\n", "\r\n", "\n\n", "\x00", "\\u0000", "\\x00", "\x01", "\x1b[2J", "\\x1b",
	"\u202e", "\\u202e", "\u200b", "\u2028", "\ufeff", "\ufffd", "\ufffe", "\u0301", "\U0001F426", "\u00f8", "\xff", "\\xff", "\xc3", "\xed\xa0\x80", "\\ud800", "\xf4\x90\x80\x80", "\x85",
	"&lt;", "&#0;", "&#x202e;", "&x;", "&", "<!--", "-->", "<![CDATA[", "]]>", "<?x?>", "<!DOCTYPE x [<!ENTITY x \"y\">]>", "<b/>", "<b>", "</b>", "<", ">",
	"\"", "'", "\"\"\"", "'''", "\\", "\\\"", "{", "}", "{}", "[", "]", "[]", "[[", "]]", "=", ":", "::", ",", ";", "#", "*", "**", "?", "[!a]", "{date}", "%s", "$x", "`", "~", "-", "_",
	"null", "true", "false", "now", "0", "1979-05-27T07:32:00Z", "9999-12-31", "COM1", "NUL", "a:b", "trailing.", "A=", "=A", "@")

// text is something odd, or a run of one sign.
func (m *maker) text() []byte {
	if m.below(8) > 0 {
		return odd[m.below(len(odd))]
	}
	n := edges[m.below(len(edges))] + m.below(3) - 1
	m.run = m.run[:0]
	sign := signs[m.below(len(signs))]
	if m.below(2) == 0 {
		sign = 'a'
	}
	for range min(n, m.limit) {
		m.run = append(m.run, sign)
	}
	return m.run
}

// edges are lengths at which something is too long for somebody.
var edges = []int{1, 8, 16, 32, 60, 64, 65, 128, 129, 255, 256, 300, 512, 1024, 4096}

// replace puts with in the place of b[i:j], unless b grew too long.
func (m *maker) replace(b []byte, i, j int, with []byte) []byte {
	if len(b)-(j-i)+len(with) > m.limit {
		return b
	}
	return slices.Replace(b, i, j, with...)
}

func list(words ...string) (all [][]byte) {
	for _, w := range words {
		all = append(all, []byte(w))
	}
	return all
}
