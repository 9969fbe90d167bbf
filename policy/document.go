package policy

import (
	"bytes"
	"errors"
	"sort"
	"strings"
	"unicode/utf8"

	"github.com/pelletier/go-toml/v2"
	"github.com/pelletier/go-toml/v2/unstable"
)

// position is a place in the file, both from 1, columns in characters.
type position struct{ line, col int }

// table is a TOML table that still knows where everything stood.
type table struct {
	at      position
	entries []entry           // in the order of the file
	byKey   map[string]*value // the same, for finding
}

type entry struct {
	key   string
	at    position
	value *value
}

// value is one TOML value. Kind Table stands for tables of every notation and
// kind Array for lists of every notation.
type value struct {
	kind  unstable.Kind
	at    position
	key   string // the key it stands under, for messages
	text  string // a string's content; a scalar's literal
	plain bool   // text stands in the file as it is, one column right of at
	items []*value
	table *table
}

func (t *table) find(key string) *value { return t.byKey[key] }

func (t *table) add(key string, at position, v *value) {
	if t.byKey == nil {
		t.byKey = make(map[string]*value)
	}
	t.byKey[key] = v
	t.entries = append(t.entries, entry{key, at, v})
}

// document turns the text of a policy into a tree. The error, if any, is the
// first breach of TOML's grammar or of its rule that nothing is defined twice.
func document(data []byte) (*table, *flaw, position) {
	b := &builder{root: &table{at: position{1, 1}}, data: data, starts: []int{0}}
	for i, c := range data {
		if c == '\n' {
			b.starts = append(b.starts, i+1)
		}
	}
	// The whole decoder also finds what the bare parser does not: keys and
	// tables that are defined twice.
	var discard map[string]any
	if err := toml.Unmarshal(data, &discard); err != nil {
		line, col := 1, 1
		if syntax, ok := errors.AsType[*toml.DecodeError](err); ok {
			line, col = syntax.Position()
		}
		return nil, grammarFlaw(err), b.positionOf(line, col)
	}
	if f, at := b.build(); f != nil {
		return nil, f, at
	}
	return b.root, nil, position{}
}

func grammarFlaw(err error) *flaw {
	text := strings.TrimPrefix(err.Error(), "toml: ")
	hint := ""
	switch {
	case strings.Contains(text, "at start of value"), strings.Contains(text, "expected 'true'"), strings.Contains(text, "expected 'false'"):
		hint = `text stands in quotes, like name = "stills"`
	case strings.Contains(text, "already"), strings.Contains(text, "twice"), strings.Contains(text, "duplicate"):
		hint = "keep one of the two"
	case strings.Contains(text, "UTF-8"), strings.Contains(text, "utf8"):
		hint = "save the file as UTF-8"
	case strings.Contains(text, "expected '=' after key"):
		hint = "a line reads key = value"
	case strings.Contains(text, "close"), strings.Contains(text, "unterminated"), strings.Contains(text, "new line"), strings.Contains(text, "incomplete"):
		hint = "look for a missing quote or bracket"
	}
	return &flaw{message: "this is not TOML: " + legible(text), hint: hint}
}

// builder collects the parser's expressions into a tree.
type builder struct {
	parser  unstable.Parser
	data    []byte
	starts  []int // byte offset of each line
	root    *table
	current *table // the one the newest header opened
}

func (b *builder) build() (*flaw, position) {
	b.parser.Reset(b.data)
	b.current = b.root
	for b.parser.NextExpression() {
		node := b.parser.Expression()
		if f, at := b.expression(node); f != nil {
			return f, at
		}
	}
	if err := b.parser.Error(); err != nil {
		return grammarFlaw(err), position{1, 1} // cannot be: the decoder accepted it
	}
	return nil, position{}
}

func (b *builder) expression(node *unstable.Node) (*flaw, position) {
	switch node.Kind {
	case unstable.KeyValue:
		return b.put(b.current, node)
	case unstable.Table, unstable.ArrayTable:
		path, at := b.keys(node.Key())
		parent, ok := b.descend(b.root, path[:len(path)-1], at)
		if !ok {
			return clash(path), at[0]
		}
		last, lastAt := path[len(path)-1], at[len(at)-1]
		if node.Kind == unstable.Table {
			if b.current, ok = b.descend(parent, []string{last}, []position{lastAt}); !ok {
				return clash(path), lastAt
			}
			return nil, position{}
		}
		list := parent.find(last)
		if list == nil {
			list = &value{kind: unstable.Array, at: lastAt, key: last}
			parent.add(last, lastAt, list)
		}
		if list.kind != unstable.Array {
			return clash(path), lastAt
		}
		b.current = &table{at: lastAt}
		list.items = append(list.items, &value{kind: unstable.Table, at: lastAt, key: last, table: b.current})
	}
	return nil, position{}
}

func clash(path []string) *flaw {
	return flawf("keep one of the two", "%s is defined twice", legible(strings.Join(path, ".")))
}

// descend walks path down from t and makes the tables that are not there yet.
func (b *builder) descend(t *table, path []string, at []position) (*table, bool) {
	for i, key := range path {
		v := t.find(key)
		if v == nil {
			v = &value{kind: unstable.Table, at: at[i], key: key, table: &table{at: at[i]}}
			t.add(key, at[i], v)
		}
		if v.kind == unstable.Array && len(v.items) > 0 {
			v = v.items[len(v.items)-1]
		}
		if v.table == nil {
			return nil, false
		}
		t = v.table
	}
	return t, true
}

// put stores a key with its value below t.
func (b *builder) put(t *table, node *unstable.Node) (*flaw, position) {
	path, at := b.keys(node.Key())
	last := len(path) - 1
	parent, ok := b.descend(t, path[:last], at)
	if !ok || parent.find(path[last]) != nil {
		return clash(path), at[0]
	}
	v, f, where := b.value(node.Value(), path[last], at[last])
	parent.add(path[last], at[last], v)
	return f, where
}

// value converts node; what has no place of its own is said to stand at near.
func (b *builder) value(node *unstable.Node, key string, near position) (*value, *flaw, position) {
	v := &value{kind: node.Kind, at: near, key: key, text: string(node.Data)}
	if raw := node.Raw; raw.Length > 0 {
		v.at = b.positionAt(int(raw.Offset))
		text := b.parser.Raw(raw)
		v.plain = node.Kind == unstable.String && len(text) == len(node.Data)+2 && bytes.Equal(text[1:len(text)-1], node.Data)
	}
	children := node.Children()
	switch node.Kind {
	case unstable.Array:
		for children.Next() {
			item, f, at := b.value(children.Node(), key, v.at)
			if f != nil {
				return v, f, at
			}
			v.items = append(v.items, item)
		}
	case unstable.InlineTable:
		v.kind = unstable.Table
		v.table = &table{at: v.at}
		for children.Next() {
			if f, at := b.put(v.table, children.Node()); f != nil {
				return v, f, at
			}
		}
	}
	return v, nil, position{}
}

// keys returns the parts of a dotted key and where each stands; at least one.
func (b *builder) keys(it unstable.Iterator) (path []string, at []position) {
	for it.Next() {
		path = append(path, string(it.Node().Data))
		at = append(at, b.positionAt(int(it.Node().Raw.Offset)))
	}
	return path, at
}

func (b *builder) positionAt(offset int) position {
	line := sort.Search(len(b.starts), func(i int) bool { return b.starts[i] > offset })
	start := b.starts[line-1]
	return position{line, 1 + utf8.RuneCount(b.data[start:min(offset, len(b.data))])}
}

// positionOf turns a line and a column in bytes into a position that exists.
func (b *builder) positionOf(line, byteCol int) position {
	line = min(max(line, 1), len(b.starts))
	start := b.starts[line-1]
	end := len(b.data)
	if i := bytes.IndexByte(b.data[start:], '\n'); i >= 0 {
		end = start + i
	}
	return position{line, 1 + utf8.RuneCount(b.data[start:min(max(start, start+byteCol-1), end)])}
}
