package policy

import (
	"fmt"
	"strings"
	"unicode"
	"unicode/utf8"
)

// FolderFacts fill a folder template. All of them may be hostile.
type FolderFacts struct {
	Date         string // for {date}; see Box.Day
	Time         string // for {time}; see Box.Clock
	Box          string // for {box}
	Label        string // for {label}, the card's
	Slot         string // for {slot}, the card's ID_PATH
	Sequence     int64  // for {seq}, the offload's number
	ClockTrusted bool   // false: a name made from Date or Time says that it is unsure
}

const (
	// maxElement bounds one element of a folder name, in bytes. File systems
	// take 255 (FAT and exFAT 255 UTF-16 units); the engine adds endings.
	maxElement       = 120
	maxTemplate      = 256
	maxTemplateDepth = 8
	// unsure ends a name that was made from a clock nobody set.
	unsure = "-clock-unsure"
	// forbidden cannot be in a name on exFAT (Microsoft's exFAT specification,
	// table 35) nor on NTFS (MS-FSCC 2.1.5.2); besides these, both exclude
	// U+0000 to U+001F.
	forbidden = `"*/:<>?\|`
)

var placeholders = []string{"date", "time", "box", "label", "slot", "seq"}

// reserved are names with a meaning of their own on a drive.
var reserved = []string{"ascmhl", ".bothy", "reports"}

// reservedEndings mark folders in a certain state; a finished one must not
// look as if it were in it.
var reservedEndings = []string{".unfinished", ".incomplete"}

// templatePart is literal text or a placeholder, never both.
type templatePart struct{ literal, placeholder string }

// parseTemplate splits a folder template into its elements and these into parts.
func parseTemplate(s string) ([][]templatePart, *flaw) {
	if f := checkLine(s, maxTemplate); f != nil {
		return nil, f
	}
	var elements [][]templatePart
	offset := 0
	for text := range strings.SplitSeq(s, "/") {
		parts, f := parseElement(text)
		if f != nil {
			f.offset += offset
			return nil, f
		}
		elements = append(elements, parts)
		offset += len(text) + 1
	}
	if len(elements) > maxTemplateDepth {
		return nil, flawf("", "%s is deeper than %d folders", quoted(s), maxTemplateDepth)
	}
	return elements, nil
}

// parseElement splits one element and judges its literal text.
func parseElement(text string) ([]templatePart, *flaw) {
	const form = `a folder reads like "` + DefaultFolder + `"`
	switch {
	case text == "":
		return nil, flawf("no slash comes first, last or twice in a row", "a folder on the way has no name")
	case text[0] == '.' || text[0] == ' ':
		return nil, flawf(form, "%s begins with a dot or a space", quoted(text))
	case text[len(text)-1] == '.' || text[len(text)-1] == ' ':
		return nil, flawf("other computers drop it without a word", "%s ends in a dot or a space", quoted(text))
	case safeElement(text, "") != text && !strings.ContainsAny(text, forbidden+"{}"):
		return nil, flawf("choose another name", "%s cannot be the name of a folder on every drive", quoted(text))
	}
	var parts []templatePart
	for at := 0; at < len(text); {
		open := strings.IndexAny(text[at:], "{}"+forbidden)
		if open < 0 {
			return append(parts, templatePart{literal: text[at:]}), nil
		}
		if open > 0 {
			parts = append(parts, templatePart{literal: text[at : at+open]})
		}
		at += open
		if text[at] != '{' {
			return nil, &flaw{message: fmt.Sprintf("%q cannot be in the name of a folder", text[at]), hint: form, offset: at}
		}
		name, _, closed := strings.Cut(text[at+1:], "}")
		if !closed {
			return nil, &flaw{message: `"{" has no "}"`, hint: form, offset: at}
		}
		if !isOneOf(name, placeholders) {
			return nil, &flaw{message: quoted("{"+name+"}") + " is not known", hint: suggestion(name, placeholders), offset: at}
		}
		parts = append(parts, templatePart{placeholder: name})
		at += len(name) + 2
	}
	return parts, nil
}

// FolderName fills the rule's template: a slash path, relative to the drive,
// at most maxTemplateDepth elements of at most 120 bytes. Every element is
// printable, free of what exFAT and NTFS forbid, begins with neither dot nor
// space, ends in neither, and is no name with a meaning of its own (to Windows,
// to ASC MHL, to this program). The name need not be unique: two offloads may
// share one, and the caller has to tell them apart. The error, for a rule that
// Parse did not make, says what is wrong with the template.
func (r *CardRule) FolderName(facts FolderFacts) (string, error) {
	elements, f := parseTemplate(r.Folder)
	if f != nil {
		return "", fmt.Errorf("fill folder template %s: %s", quoted(r.Folder), f.message)
	}
	values := map[string]string{
		"date":  orElse(facts.Date, "no-date"),
		"time":  orElse(facts.Time, "no-time"),
		"box":   orElse(facts.Box, "no-box"),
		"label": orElse(facts.Label, "no-label"),
		"slot":  orElse(facts.Slot, "no-slot"),
		"seq":   fmt.Sprintf("%05d", max(0, facts.Sequence)),
	}
	dated := false
	names := make([]string, len(elements))
	for i, parts := range elements {
		var name strings.Builder
		for _, part := range parts {
			name.WriteString(part.literal + values[part.placeholder])
			dated = dated || part.placeholder == "date" || part.placeholder == "time"
		}
		ending := ""
		if i == len(elements)-1 && dated && !facts.ClockTrusted {
			ending = unsure
		}
		names[i] = safeElement(name.String(), ending)
	}
	return strings.Join(names, "/"), nil
}

// orElse cleans a value so that a hostile one cannot make up an element, and
// replaces it when nothing remains.
func orElse(value, otherwise string) string {
	if clean := trimmed(cleaned(value)); clean != "" {
		return clean
	}
	return otherwise
}

// cleaned replaces what some file system, terminal or page would choke on.
func cleaned(s string) string {
	s = s[:min(len(s), maxValue)]
	return strings.Map(func(r rune) rune {
		if r == utf8.RuneError || !unicode.IsPrint(r) || strings.ContainsRune(forbidden, r) {
			return '_'
		}
		return r
	}, s)
}

func trimmed(s string) string { return strings.Trim(s, ". ") }

// safeElement makes s one valid element that ends in ending.
func safeElement(s, ending string) string {
	const spare = 2 // for the underlines below
	s = trimmed(cleaned(s))
	if most := maxElement - spare - len(ending); len(s) > most {
		for most > 0 && !utf8.RuneStart(s[most]) {
			most--
		}
		s = trimmed(s[:most])
	}
	s += ending
	for _, e := range reservedEndings {
		if len(s) >= len(e) && strings.EqualFold(s[len(s)-len(e):], e) {
			s += "_"
		}
	}
	if s == "" || isDeviceName(s) {
		return "_" + s
	}
	for _, name := range reserved {
		if strings.EqualFold(s, name) {
			return "_" + s
		}
	}
	return s
}

// isDeviceName reports whether Windows takes s for one of its devices, with
// any extension and in any case (Microsoft, "Naming Files, Paths, and
// Namespaces"; list from memory).
func isDeviceName(s string) bool {
	base, _, _ := strings.Cut(s, ".")
	base = strings.ToUpper(strings.TrimRight(base, " "))
	switch base {
	case "CON", "PRN", "AUX", "NUL":
		return true
	}
	for _, prefix := range []string{"COM", "LPT"} {
		if digit, ok := strings.CutPrefix(base, prefix); ok && digit != "" && utf8.RuneCountInString(digit) == 1 {
			return strings.ContainsAny(digit, "0123456789¹²³")
		}
	}
	return false
}
