package deploy

import (
	"bytes"
	"cmp"
	"encoding/json"
	"errors"
	"flag"
	"fmt"
	"io"
	"maps"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"testing"

	gocmp "github.com/google/go-cmp/cmp"
)

var update = flag.Bool("update", false, "write deploy/debian/copyright anew")

const copyrightFile = "debian/copyright"

// TestCopyright_is_that_of_what_is_linked makes the package's copyright file
// from the licence files of every module whose code is in the program, for each
// architecture there is a package for, and compares. Its form is that of
// https://www.debian.org/doc/packaging-manuals/copyright-format/1.0/
func TestCopyright_is_that_of_what_is_linked(t *testing.T) {
	t.Parallel()
	got, err := copyrightText()
	if err != nil {
		t.Fatal(err)
	}
	if *update {
		if err := os.WriteFile(copyrightFile, got, 0o644); err != nil {
			t.Fatal(err)
		}
	}
	want, err := os.ReadFile(copyrightFile)
	if err != nil {
		t.Fatal(err)
	}
	if diff := gocmp.Diff(string(want), string(got)); diff != "" {
		t.Errorf("%s has fallen behind; 'go test ./deploy -run Copyright -update' renews it (-file +made):\n%s", copyrightFile, diff)
	}
}

const copyrightHead = `Format: https://www.debian.org/doc/packaging-manuals/copyright-format/1.0/
Upstream-Name: bothy
Comment: The program is one file with all its libraries in it. Each paragraph
 after the first names one of them by its import path, as a folder. Made from
 the libraries' own licence files by a test; what these say stands word for word,
 but for the licences that Debian keeps in /usr/share/common-licenses.

Files: *
Copyright: 2026 the Bothy authors
License: GPL-3+
 On Debian systems the text of the GNU General Public License, version 3, is in
 /usr/share/common-licenses/GPL-3.
`

// linkedModule is a library, with the folders of it whose code is linked.
type linkedModule struct {
	root    string
	folders map[string]bool
}

func copyrightText() ([]byte, error) {
	modules := map[string]linkedModule{}
	for _, goarch := range []string{"amd64", "arm64"} {
		if err := addLinked(modules, goarch); err != nil {
			return nil, err
		}
	}
	out := bytes.NewBufferString(copyrightHead)
	for _, name := range slices.Sorted(maps.Keys(modules)) {
		paragraph, err := copyrightOf(name, modules[name])
		if err != nil {
			return nil, fmt.Errorf("licence of %s: %w", name, err)
		}
		out.WriteString("\n" + paragraph)
	}
	return out.Bytes(), nil
}

// addLinked asks the go command what is in the program on one architecture.
func addLinked(modules map[string]linkedModule, goarch string) error {
	cmd := exec.Command("go", "list", "-deps", "-json=Dir,Standard,Module", "../daemon/bothy")
	cmd.Env = append(os.Environ(), "CGO_ENABLED=0", "GOOS=linux", "GOARCH="+goarch)
	text, err := cmd.Output()
	if err != nil {
		return fmt.Errorf("list what is linked: %w", err)
	}
	root, err := exec.Command("go", "env", "GOROOT").Output()
	if err != nil {
		return fmt.Errorf("find the standard library: %w", err)
	}
	for d := json.NewDecoder(bytes.NewReader(text)); ; {
		var p struct {
			Dir      string
			Standard bool
			Module   *struct {
				Path, Dir string
				Main      bool
			}
		}
		switch err := d.Decode(&p); {
		case errors.Is(err, io.EOF):
			return nil
		case err != nil:
			return fmt.Errorf("list what is linked: %w", err)
		}
		name, dir := "Go", strings.TrimSpace(string(root)) // the runtime and the standard library
		if !p.Standard {
			if p.Module.Main {
				continue
			}
			name, dir = p.Module.Path, p.Module.Dir
		}
		if modules[name].folders == nil {
			modules[name] = linkedModule{dir, map[string]bool{}}
		}
		for folder := p.Dir; len(folder) >= len(dir); folder = filepath.Dir(folder) {
			modules[name].folders[folder] = true
		}
	}
}

var (
	licenceName = regexp.MustCompile(`^(LICEN[CS]E|COPYING|NOTICE)`)
	noticeLine  = regexp.MustCompile(`(?im)^[ \t*]*(copyright (?:\(c\)|©)?[ \t]*[0-9]{4}.*)$`)
	apacheTerms = regexp.MustCompile(`(?s)[ \t]*Apache License\s+Version 2\.0, January 2004.*?(END OF TERMS AND CONDITIONS\s+APPENDIX: How to apply.*?limitations under the License\.\n?|\z)`)
	gplTerms    = regexp.MustCompile(`(?s)^\s*GNU GENERAL PUBLIC LICENSE\s+Version 3, 29 June 2007.*`)
)

// notLinked are licence files of what is not in the program, by module and name.
var notLinked = map[string]string{
	"Go/src/crypto/internal/boring/LICENSE":   "what takes its place is compiled with GOEXPERIMENT=boringcrypto only",
	"modernc.org/sqlite/LICENSE-3RD-PARTY.md": "lists modules, each of which has its own paragraph, and tools",
	"modernc.org/sqlite/LICENSE-SQLITE_VEC":   "an extension that is not imported",
	"modernc.org/memory/LICENSE-LOGO":         "a picture",
}

// copyrightOf writes a module's paragraph from its licence files.
func copyrightOf(name string, m linkedModule) (string, error) {
	var texts []string
	for _, folder := range slices.Sorted(maps.Keys(m.folders)) {
		entries, err := os.ReadDir(folder)
		if err != nil {
			return "", err
		}
		for _, e := range entries {
			file := filepath.Join(folder, e.Name())
			rel, err := filepath.Rel(m.root, file)
			if err != nil {
				return "", err
			}
			if e.IsDir() || !licenceName.MatchString(e.Name()) || notLinked[name+"/"+rel] != "" {
				continue
			}
			text, err := os.ReadFile(file)
			if err != nil {
				return "", err
			}
			if s := strings.TrimSpace(string(text)); !slices.Contains(texts, s) {
				texts = append(texts, s)
			}
		}
	}
	text := strings.Join(texts, "\n\n")
	kinds := kindsOf(text)
	if len(kinds) == 0 {
		return "", errors.New("no licence that is known here; look at it")
	}
	text = gplTerms.ReplaceAllString(text, "GNU General Public License, version 3: see /usr/share/common-licenses/GPL-3\n")
	var holders []string
	for _, match := range noticeLine.FindAllStringSubmatch(text, -1) {
		holder := strings.TrimSpace(match[1][len("copyright"):])
		if !slices.Contains(holders, holder) {
			holders = append(holders, holder)
		}
	}
	text = apacheTerms.ReplaceAllString(text, "Apache License, Version 2.0: see /usr/share/common-licenses/Apache-2.0\n")
	holder := cmp.Or(strings.Join(holders, "\n "), "the authors of "+name)
	return fmt.Sprintf("Files: %s/*\nCopyright: %s\nLicense: %s\n%s", name, holder, strings.Join(kinds, " and "), folded(text)), nil
}

// kindsOf names what a text grants, by the words that each licence is known by.
func kindsOf(text string) (kinds []string) {
	redistribution := strings.Contains(text, "Redistribution and use in source and binary forms")
	endorse := regexp.MustCompile(`(?i)to endorse or\s+promote\s+products`).MatchString(text)
	for _, k := range []struct {
		name string
		is   bool
	}{
		{"Apache-2.0", strings.Contains(text, "Apache License")},
		{"BSD-2-clause", redistribution && !endorse},
		{"BSD-3-clause", redistribution && endorse},
		{"Expat", strings.Contains(text, "Permission is hereby granted, free of charge")},
		{"GPL-3", gplTerms.MatchString(text)},
		{"public-domain", strings.Contains(text, "SQLite Is Public Domain")},
	} {
		if k.is {
			kinds = append(kinds, k.name)
		}
	}
	return kinds
}

// folded indents a text as the continuation of a field.
func folded(text string) string {
	var b strings.Builder
	for line := range strings.SplitSeq(strings.TrimSpace(text), "\n") {
		if line = strings.TrimRight(line, " \t\r"); line == "" {
			line = "."
		}
		b.WriteString(" " + line + "\n")
	}
	return b.String()
}
