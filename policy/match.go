package policy

import (
	"fmt"
	"slices"
	"strings"
)

// answer is what one rule says about one medium.
type answer int

const (
	no answer = iota
	yes
	needsTree // yes, if it holds what the rule asks for; that is not known yet
	unclear   // the same, and it could not be found out
)

func (a answer) String() string {
	switch a {
	case yes:
		return "yes"
	case no:
		return "no"
	}
	return "perhaps"
}

// condition is one key of a rule applied to one medium.
type condition struct {
	word     string // for sentences
	patterns Patterns
	value    string
}

// matches asks all conditions but what a card holds. why names the first that
// fails, or all of them.
func (c *Conditions) matches(f *Facts) (ok bool, why string) {
	list := []condition{
		{"label", c.Label, f.Label},
		{"uuid", c.UUID, f.UUID},
		{"serial", c.Serial, f.Serial},
		{"vendor", c.Vendor, f.Vendor},
		{"model", c.Model, f.Model},
		{"slot", c.Slot, f.Slot},
		{"fs", c.FS, f.FS},
		{"bus", c.Bus, f.Bus},
	}
	properties := make([]string, 0, len(c.Udev))
	for property := range c.Udev {
		properties = append(properties, property)
	}
	slices.Sort(properties) // so that the sentence is the same each time
	for _, property := range properties {
		list = append(list, condition{property, c.Udev[property], f.Properties[property]})
	}
	var reasons []string
	for _, each := range list {
		if len(each.patterns) == 0 {
			continue
		}
		pattern, ok := each.patterns.matching(each.value)
		if !ok {
			return false, each.mismatch()
		}
		reasons = append(reasons, fmt.Sprintf("%s %s matches %s", each.word, quoted(each.value), quoted(pattern)))
	}
	if c.Size.given() {
		if !c.Size.Contains(f.SizeBytes) {
			return false, fmt.Sprintf("size %s (%d bytes) is outside %s", sizeText(f.SizeBytes), f.SizeBytes, quoted(c.Size.Text))
		}
		reasons = append(reasons, fmt.Sprintf("size %s is within %s", sizeText(f.SizeBytes), quoted(c.Size.Text)))
	}
	return true, strings.Join(reasons, ", ")
}

func (c condition) mismatch() string {
	if c.value == "" {
		return fmt.Sprintf("it has no %s, and the rule asks for %s", c.word, c.patterns.orList())
	}
	why := fmt.Sprintf("%s %s does not match %s", c.word, quoted(c.value), c.patterns.orList())
	if c.patterns.matchingFolded(c.value) {
		why += "; only upper and lower case differ"
	}
	return why
}

// orList names a few patterns for a sentence.
func (ps Patterns) orList() string {
	const most = 4
	names := make([]string, 0, most)
	for _, p := range ps[:min(len(ps), most)] {
		names = append(names, quoted(p))
	}
	list := strings.Join(names, " or ")
	if len(ps) > most {
		list += fmt.Sprintf(" or %d others", len(ps)-most)
	}
	return list
}

// ask asks a card rule; look remembers how much has been listed.
func (r *CardRule) ask(f *Facts, look *look) (answer, string) {
	if f.Path != "" {
		return no, "a folder is never a card"
	}
	ok, why := r.matches(f)
	switch {
	case !ok:
		return no, why
	case len(r.Holds) == 0 && why == "":
		return no, "the rule asks for nothing" // not from Parse
	case len(r.Holds) == 0:
		return yes, why
	case f.Tree == nil:
		return needsTree, joinReasons(why, "what it holds is not known yet")
	}
	for _, path := range r.Holds {
		found, doubt := look.holds(path)
		switch {
		case found:
			why = joinReasons(why, "it holds "+quoted(path))
		case doubt != "":
			return unclear, fmt.Sprintf("%s was not found: %s", quoted(path), doubt)
		default:
			return no, fmt.Sprintf("it holds nothing like %s", quoted(path))
		}
	}
	return yes, why
}

// ask asks a drive rule.
func (r *DriveRule) ask(f *Facts) (answer, string) {
	switch {
	case r.Path != "" && f.Path == "":
		return no, "the rule takes the folder " + quoted(r.Path) + " only"
	case r.Path == "" && f.Path != "":
		return no, "the rule takes devices only"
	case r.Path != f.Path:
		return no, fmt.Sprintf("path %s is not %s", quoted(f.Path), quoted(r.Path))
	case r.Path != "":
		return yes, fmt.Sprintf("path is %s", quoted(r.Path))
	}
	ok, why := r.matches(f)
	switch {
	case !ok:
		return no, why
	case why == "":
		return no, "the rule asks for nothing" // not from Parse
	}
	return yes, why
}

func joinReasons(first, second string) string {
	if first == "" {
		return second
	}
	return first + ", " + second
}
