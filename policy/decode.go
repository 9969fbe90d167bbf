package policy

import (
	"bytes"
	"errors"
	"fmt"
	"slices"
	"strconv"
	"strings"
	"unicode/utf8"

	"github.com/pelletier/go-toml/v2/unstable"
)

// Parse reads the policy in data; file is what errors call it. The error, if
// any, is of type [Errors]: everything that could be found wrong at once. With
// [ErrNoRules] what the file says otherwise is returned too.
func Parse(file string, data []byte) (*Policy, error) {
	d := &decoder{file: file}
	if len(data) > maxFileBytes {
		d.fail(position{1, 1}, "", "the file is larger than %d bytes", maxFileBytes)
		return nil, d.errs
	}
	// Some editors put a byte order mark first; it means nothing in UTF-8. The
	// copy has no spare capacity: the parser reckons places by it.
	data = slices.Clip(bytes.Clone(bytes.TrimPrefix(data, []byte("\ufeff"))))
	root, f, at := document(data)
	if f != nil {
		d.fail(at, f.hint, "%s", f.message)
		return nil, d.errs
	}
	p := d.policy(root)
	switch {
	case len(d.errs) == 0:
		return p, nil
	case errors.Is(d.errs, ErrNoRules):
		return p, d.errs
	}
	return nil, d.errs.ordered()
}

// decoder turns the tree into a Policy and collects what is wrong with it.
type decoder struct {
	file string
	errs Errors
}

func (d *decoder) fail(at position, hint, format string, args ...any) {
	d.errs = append(d.errs, &Error{
		File: d.file, Line: at.line, Col: at.col,
		Message: fmt.Sprintf(format, args...), Hint: hint,
	})
}

// failIn reports a flaw of the string v, at its very character if possible.
func (d *decoder) failIn(v *value, f *flaw) {
	at := v.at
	if v.plain && f.offset > 0 {
		at.col += 1 + utf8.RuneCountInString(v.text[:min(f.offset, len(v.text))])
	}
	d.fail(at, f.hint, "%s: %s", v.key, f.message)
}

// field is a key that a table may have and what to do with its value.
type field struct {
	key  string
	read func(*value)
}

// fields reads every entry of t; what names the table in messages.
func (d *decoder) fields(t *table, what string, fields []field) {
	for _, e := range t.entries {
		i := slices.IndexFunc(fields, func(f field) bool { return f.key == e.key })
		if i < 0 {
			d.fail(e.at, unknownKeyHint(e.key, what, fields), "%s is not known in %s", quoted(e.key), what)
			continue
		}
		fields[i].read(e.value)
	}
}

// homes says in which tables a key is at home, for keys put in the wrong one.
var homes = map[string]string{
	"copies": "[box]", "parallel": "[box]", "timezone": "[box]", "listen": "[status]", "web_config": "[status]", "begin": "[power]", "park": "[power]",
	"holds": "[[card]]", "folder": "[[card]]", "verify": "[[card]]", "checksum": "[[card]]", "dirty": "[[card]]", "ignore": "[[card]]",
	"path": "[[drive]]", "reserve": "[[drive]]", "enrol": "[[drive]]", "read_back": "[[drive]]",
	"role": "[[drive]]", "select": "[[drive]]", "counts": "[[drive]]",
	"shows": "[[light]]", "led": "[[light]]", "colour": "[[light]]",
}

func unknownKeyHint(key, what string, fields []field) string {
	known := make([]string, len(fields))
	for i, f := range fields {
		known[i] = f.key
	}
	if home := homes[key]; home != "" && home != what {
		return "it belongs in " + home
	}
	return suggestion(key, known)
}

// kindName says what a value is, for people.
func kindName(kind unstable.Kind) string {
	switch kind {
	case unstable.String:
		return "text"
	case unstable.Integer:
		return "a whole number"
	case unstable.Float:
		return "a decimal number"
	case unstable.Bool:
		return "true or false"
	case unstable.Array:
		return "a list"
	case unstable.Table:
		return "a table"
	}
	return "a date or time"
}

// isText reports whether v is a string and complains if not.
func (d *decoder) isText(v *value) bool {
	if v.kind == unstable.String {
		return true
	}
	hint := ""
	switch v.kind {
	case unstable.Integer, unstable.Float, unstable.Bool:
		hint = "put it in quotes"
	case unstable.Array:
		hint = "write one text, without brackets"
	}
	d.fail(v.at, hint, "%s must be text in quotes, not %s", v.key, kindName(v.kind))
	return false
}

// text reads a string that passes check.
func (d *decoder) text(dst *string, check func(string) *flaw) func(*value) {
	return func(v *value) {
		if !d.isText(v) {
			return
		}
		if f := check(v.text); f != nil {
			d.failIn(v, f)
			return
		}
		*dst = v.text
	}
}

// choice reads one of a few words.
func (d *decoder) choice(dst *string, words ...string) func(*value) {
	return d.text(dst, func(s string) *flaw {
		if isOneOf(s, words) {
			return nil
		}
		return flawf(suggestion(s, words), "%s is none of its values", quoted(s))
	})
}

// list reads a list of strings that each pass check.
func (d *decoder) list(dst *[]string, check func(string) *flaw) func(*value) {
	return func(v *value) {
		if v.kind != unstable.Array {
			d.fail(v.at, `write it in brackets, like ["one", "two"]`, "%s must be a list, not %s", v.key, kindName(v.kind))
			return
		}
		switch {
		case len(v.items) == 0:
			d.fail(v.at, "leave it out to ask nothing", "%s is an empty list", v.key)
		case len(v.items) > maxListLength:
			d.fail(v.at, "", "%s lists more than %d values", v.key, maxListLength)
		}
		for _, item := range v.items {
			var s string
			d.text(&s, check)(item)
			if slices.Contains(*dst, s) && s != "" {
				d.fail(item.at, "keep one of them", "%s lists %s twice", v.key, quoted(s))
			}
			*dst = append(*dst, s)
		}
	}
}

// patterns reads one glob or a list of them.
func (d *decoder) patterns(dst *Patterns) func(*value) { return d.globs(dst, checkPattern) }

// globs is patterns that pass check.
func (d *decoder) globs(dst *Patterns, check func(string) *flaw) func(*value) {
	return func(v *value) {
		if v.kind == unstable.Array {
			d.list((*[]string)(dst), check)(v)
			return
		}
		var s string
		before := len(d.errs)
		if d.text(&s, check)(v); len(d.errs) == before {
			*dst = Patterns{s}
		}
	}
}

// integer reads a whole number from low to high.
func (d *decoder) integer(dst *int, low, high int) func(*value) {
	return func(v *value) {
		if v.kind != unstable.Integer {
			hint := ""
			if v.kind == unstable.String {
				hint = "write it without quotes"
			}
			d.fail(v.at, hint, "%s must be a whole number, not %s", v.key, kindName(v.kind))
			return
		}
		n, err := strconv.ParseInt(strings.ReplaceAll(v.text, "_", ""), 0, 32)
		if err != nil || int(n) < low || int(n) > high {
			d.fail(v.at, fmt.Sprintf("from %d to %d", low, high), "%s cannot be %s", v.key, v.text)
			return
		}
		*dst = int(n)
	}
}

// size reads a size in bytes of at least least.
func (d *decoder) size(dst *int64, least int64) func(*value) {
	return func(v *value) {
		if !d.isText(v) {
			return
		}
		n, f := parseSize(v.text)
		if f == nil && n < least {
			f = flawf("manifests and the ledger's copy need room", "%s is less than %s", quoted(v.text), sizeText(least))
		}
		if f != nil {
			d.failIn(v, f)
			return
		}
		*dst = n
	}
}

// single returns the one table that v must be.
func (d *decoder) single(v *value) *table {
	if v.kind != unstable.Table {
		hint := "write [" + v.key + "]"
		if v.kind == unstable.Array {
			hint += ", once and in single brackets"
		}
		d.fail(v.at, hint, "%s must be one table, not %s", v.key, kindName(v.kind))
		return &table{at: v.at}
	}
	return v.table
}

// each calls read for each of the tables that v must be a list of.
func (d *decoder) each(v *value, read func(*table)) {
	if v.kind != unstable.Array {
		d.fail(v.at, "write [["+v.key+"]], in double brackets", "%s must be a list of rules, not %s", v.key, kindName(v.kind))
		return
	}
	if len(v.items) > maxRules {
		d.fail(v.items[maxRules].at, "", "there are more than %d %s rules", maxRules, v.key)
		return
	}
	for _, item := range v.items {
		if item.kind != unstable.Table {
			d.fail(item.at, "write [["+v.key+"]], in double brackets", "a %s rule must be a table, not %s", v.key, kindName(item.kind))
			continue
		}
		read(item.table)
	}
}

func isOneOf(s string, words []string) bool { return slices.Contains(words, s) }
