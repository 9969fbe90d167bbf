package policy

import (
	"strings"
	"testing"
)

func shuttleOf(t *testing.T, lines string) (DriveRule, error) {
	t.Helper()
	p, err := Parse("p.toml", []byte("[[card]]\nname = \"c\"\nlabel = \"SKUA*\"\n[[drive]]\nname = \"editor\"\nlabel = \"EDIT*\"\n"+lines))
	if err != nil {
		return DriveRule{}, err
	}
	return p.Drives[0], nil
}

func TestSelection_takes(t *testing.T) {
	t.Parallel()
	for _, tc := range []struct {
		sel             string
		day, card, path string
		offload, file   bool
	}{
		{`"all"`, "2026-11-25", "", "a", true, true},
		{`{ days = "2026-11-2?" }`, "2026-11-25", "SKUA_1", "a", true, true},
		{`{ days = "2026-11-2?" }`, "2026-11-30", "SKUA_1", "a", false, true},
		{`{ days = ["2026-11-24", "2026-11-30"] }`, "2026-11-30", "SKUA_1", "a", true, true},
		{`{ cards = "SKUA_*" }`, "2026-11-25", "skua_1", "a", true, true},
		{`{ cards = "*" }`, "2026-11-25", "", "a", false, true}, // a card without a label
		{`{ cards = "SKUA_*", days = "2026-11-24" }`, "2026-11-25", "SKUA_1", "a", false, true},
		{`{ folders = "2026-11-*/x" }`, "2026-11-25", "SKUA_1", "a", false, true},
		{`{ folders = "2026-11-*/f" }`, "2026-11-25", "SKUA_1", "a", true, true},
		{`{ files = "*.MOV" }`, "2026-11-25", "SKUA_1", "DCIM/100SKUAS/SKUA0001.mov", true, true},
		{`{ files = "*.MOV" }`, "2026-11-25", "SKUA_1", "DCIM/100.MOV/SKUA0001.JPG", true, false},
		{`{ files = "DCIM/*" }`, "2026-11-25", "SKUA_1", "DCIM/100SKUAS/SKUA0001.MOV", true, true},
		{`{ files = "DCIM/100*" }`, "2026-11-25", "SKUA_1", "sub/DCIM/100SKUAS/SKUA0001.MOV", true, false},
		{`{ files = ["*.WAV", "*.MOV"] }`, "2026-11-25", "SKUA_1", "a\nb.MOV", true, true},
		{`{ files = "\\[a\\]*" }`, "2026-11-25", "SKUA_1", "[a].JPG", true, true},
		{`{ files = "../*" }`, "2026-11-25", "SKUA_1", "a", true, false},
	} {
		r, err := shuttleOf(t, "role = \"shuttle\"\nselect = "+tc.sel+"\n")
		if err != nil || !r.Shuttle() || r.Counts || r.Select == nil {
			t.Errorf("%s: %+v, %v", tc.sel, r, err)
			continue
		}
		if got := r.Select.Takes(tc.day, tc.card, "2026-11-25/f"); got != tc.offload {
			t.Errorf("%s takes %s %s: %v", tc.sel, tc.day, tc.card, got)
		}
		if got := r.Select.TakesFile(tc.path); got != tc.file {
			t.Errorf("%s takes %q: %v", tc.sel, tc.path, got)
		}
	}
}

// A drive is no shuttle, and a shuttle counts for nothing, unless that is said.
func TestShuttle_isSaid(t *testing.T) {
	t.Parallel()
	for lines, want := range map[string]DriveRule{
		"":                                     {Role: RoleCopies},
		"role = \"copies\"":                    {Role: RoleCopies},
		"role = \"shuttle\"":                   {Role: RoleShuttle},
		"role = \"shuttle\"\ncounts = false":   {Role: RoleShuttle},
		"role = \"shuttle\"\ncounts = true":    {Role: RoleShuttle, Counts: true},
		"counts = true\nrole = \"shuttle\"":    {Role: RoleShuttle, Counts: true},
		"role = \"shuttle\"\nselect = \"all\"": {Role: RoleShuttle, Select: &Selection{}},
	} {
		r, err := shuttleOf(t, lines)
		if err != nil || r.Role != want.Role || r.Counts != want.Counts || (r.Select == nil) != (want.Select == nil) {
			t.Errorf("%s: %+v, %v", lines, r, err)
		}
	}
}

func TestShuttle_refuses(t *testing.T) {
	t.Parallel()
	for lines, want := range map[string]string{
		"role = \"courier\"":                                            "p.toml:7:8: role: \"courier\" is none of its values",
		"select = \"all\"":                                              "p.toml:7:10: select says nothing unless role is \"shuttle\"",
		"counts = true":                                                 "counts says nothing unless role is \"shuttle\"",
		"role = \"shuttle\"\ncounts = \"yes\"":                          "counts must be true or false, not text",
		"role = \"shuttle\"\nmirror = \"all\"":                          "mirror says nothing unless role is \"copies\"",
		"role = \"shuttle\"\nwhen_full = \"hold\"":                      "when_full says nothing unless role is \"copies\"",
		"role = \"shuttle\"\nselect = \"some\"":                         "select must be a table of globs, not text",
		"role = \"shuttle\"\nselect = {}":                               "select is an empty table",
		"role = \"shuttle\"\nselect = { day = \"2026-11-25\" }":         "\"day\" is not known in select",
		"role = \"shuttle\"\nselect = { days = \"25.11.2026\" }":        "days: \"25.11.2026\" matches no day",
		"role = \"shuttle\"\nselect = { days = [\"2026-*\", \"now\"] }": "days: \"now\" matches no day",
		"role = \"shuttle\"\nselect = { files = \"[a\" }":               "files: \"[\" has no \"]\"",
		"role = \"shuttle\"\nselect = { files = [] }":                   "files is an empty list",
	} {
		if _, err := shuttleOf(t, lines); err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("%s: %v; want %s", lines, err, want)
		}
	}
}

func TestParseSelection(t *testing.T) {
	t.Parallel()
	for _, words := range [][]string{{"all"}, {"days=2026-11-25", "days=2026-11-26", "cards=SKUA_*", "folders=*/x=y", "files=*.MOV"}} {
		s, err := ParseSelection(words)
		if err != nil || s.Text() != strings.Join(words, " ") {
			t.Errorf("%q: %q, %v", words, s.Text(), err)
		}
	}
	for want, words := range map[string][]string{
		"nothing is selected":                nil,
		"\"all\" is no selection":            {"all", "cards=a"},
		"\"day=2026-11-25\" is no selection": {"day=2026-11-25"},
		"\"*.MOV\" is no selection":          {"*.MOV"},
		"matches no day":                     {"days=yesterday"},
		"files: it is empty":                 {"files="},
		"files: \"[\" has no \"]\"":          {"files=[a"},
		"character that cannot":              {"files=\x1b[31m"},
		"files lists more than 64 globs":     strings.Split(strings.Repeat("files=a ", 65)[:65*8-1], " "),
		"longer than 256 bytes (":            {"cards=" + strings.Repeat("a", 257) + "("},
		"cards: the pattern ends in a ":      {`cards=a\`},
	} {
		if _, err := ParseSelection(words); err == nil || !strings.Contains(err.Error(), strings.TrimSuffix(want, " (")) {
			t.Errorf("%q: %v; want %s", words, err, want)
		}
	}
}
