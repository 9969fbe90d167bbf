package policy

import (
	"errors"
	"path"
	"strconv"
	"strings"

	"github.com/pelletier/go-toml/v2/unstable"
)

// Values of DriveRule.Role.
const (
	RoleCopies  = "copies"  // the default: it is given every card
	RoleShuttle = "shuttle" // it carries a chosen part away
)

// Selection chooses a part of what was off-loaded. What is given must all hold;
// of several globs under one key one must match, without regard to upper and
// lower case, and "*" matches slashes too. The zero value chooses everything.
type Selection struct {
	Days    Patterns // on which the offload began, like "2026-11-2?"
	Cards   Patterns // labels of cards
	Folders Patterns // of the offloads
	// Files are globs on the names of files, or on their whole paths on the card
	// where they hold a slash.
	Files Patterns
}

// Takes reports whether something of an offload may be chosen. An empty value
// matches no glob.
func (s Selection) Takes(day, card, folder string) bool {
	return (len(s.Days) == 0 || s.Days.matchingFolded(day)) && (len(s.Cards) == 0 || s.Cards.matchingFolded(card)) &&
		(len(s.Folders) == 0 || s.Folders.matchingFolded(folder))
}

// TakesFile reports whether a file of a chosen offload is chosen.
func (s Selection) TakesFile(name string) bool {
	if len(s.Files) == 0 {
		return true
	}
	for _, glob := range s.Files {
		held := name
		if !strings.Contains(glob, "/") {
			held = path.Base(name)
		}
		if globMatches(glob, held, true) {
			return true
		}
	}
	return false
}

// keys are the words for what can be chosen by.
func (s *Selection) keys() []selectKey {
	return []selectKey{{"days", &s.Days, checkDays}, {"cards", &s.Cards, checkPattern}, {"folders", &s.Folders, checkPattern}, {"files", &s.Files, checkPattern}}
}

type selectKey struct {
	key   string
	globs *Patterns
	check func(string) *flaw
}

// Text is how a person would write the selection.
func (s Selection) Text() string {
	var list []string
	for _, k := range s.keys() {
		for _, glob := range *k.globs {
			list = append(list, k.key+"="+glob)
		}
	}
	if len(list) == 0 {
		return "all"
	}
	return strings.Join(list, " ")
}

const selectForm = `write days=GLOB, cards=GLOB, folders=GLOB or files=GLOB, or "all" alone`

// ParseSelection reads what a person chooses by hand: KEY=GLOB each, or "all"
// alone.
func ParseSelection(words []string) (Selection, error) {
	var s Selection
	if len(words) == 1 && words[0] == "all" {
		return s, nil
	}
	if len(words) == 0 {
		return s, errors.New("nothing is selected; " + selectForm)
	}
	for _, word := range words {
		key, glob, ok := strings.Cut(word, "=")
		found := false
		for _, k := range s.keys() {
			if !ok || k.key != key {
				continue
			}
			found = true
			if f := k.check(glob); f != nil {
				return s, errors.New(key + ": " + f.message + hinted(f.hint))
			}
			if len(*k.globs) == maxListLength {
				return s, errors.New(key + " lists more than " + strconv.Itoa(maxListLength) + " globs")
			}
			*k.globs = append(*k.globs, glob)
		}
		if !found {
			return s, errors.New(quoted(word) + " is no selection; " + selectForm)
		}
	}
	return s, nil
}

func hinted(hint string) string {
	if hint == "" {
		return ""
	}
	return " (" + hint + ")"
}

// checkDays accepts a glob that a day like 2026-11-25 can match.
func checkDays(s string) *flaw {
	if f := checkPattern(s); f != nil {
		return f
	}
	if i := strings.IndexFunc(s, func(r rune) bool { return !strings.ContainsRune("0123456789-*?[]!", r) }); i >= 0 {
		return &flaw{message: quoted(s) + " matches no day", hint: `days are written like "2026-11-25"; "2026-11-*" is a month`, offset: i}
	}
	return nil
}

// selection reads "all" or a table of globs.
func (d *decoder) selection(v *value, dst **Selection) {
	if v.kind == unstable.String && v.text == "all" {
		*dst = &Selection{}
		return
	}
	const form = `write it in braces, like { cards = "SKUA_*", files = "*.MOV" }, or "all"`
	if v.kind != unstable.Table {
		d.fail(v.at, form, "select must be a table of globs, not %s", kindName(v.kind))
		return
	}
	if len(v.table.entries) == 0 {
		d.fail(v.at, form, "select is an empty table")
		return
	}
	s := &Selection{}
	d.fields(v.table, "select", []field{
		{"days", d.globs(&s.Days, checkDays)},
		{"cards", d.patterns(&s.Cards)},
		{"folders", d.patterns(&s.Folders)},
		{"files", d.patterns(&s.Files)},
	})
	*dst = s
}

// flag reads true or false.
func (d *decoder) flag(dst *bool) func(*value) {
	return func(v *value) {
		if v.kind != unstable.Bool {
			d.fail(v.at, "write true or false, without quotes", "%s must be true or false, not %s", v.key, kindName(v.kind))
			return
		}
		*dst = v.text == "true"
	}
}

// role holds the keys of a drive rule against each other.
func (d *decoder) role(t *table, r DriveRule) {
	only, other := []string{"select", "counts"}, RoleShuttle
	if r.Shuttle() {
		only, other = []string{"mirror", "mirror_folders", "when_full"}, RoleCopies
	}
	for _, key := range only {
		if v := t.find(key); v != nil {
			d.fail(v.at, "leave it out", "%s says nothing unless role is %s", key, quoted(other))
		}
	}
}
