package mhl

import (
	"errors"
	"fmt"
	"path"
	"slices"
	"strings"

	"bothy/daemon/checksum"
)

// plan is a generation that was checked and put in order.
type plan struct {
	Generation
	folders map[string]folderHash
	leftOut []string
}

func newPlan(gen Generation) (*plan, error) {
	p := &plan{Generation: gen}
	if gen.Folder == "" || strings.Contains(gen.Folder, "/") || formatTime(gen.At) == "" {
		return nil, fmt.Errorf("a generation needs the name of its folder (%q) and a date (%v)", gen.Folder, gen.At)
	}
	switch gen.Process {
	case InPlace, Transfer, Flatten:
	default:
		return nil, fmt.Errorf("process %q isn't one of the standard", gen.Process)
	}
	p.Ignore = DefaultIgnore()
	for _, pattern := range gen.Ignore {
		if !slices.Contains(p.Ignore, pattern) {
			p.Ignore = append(p.Ignore, pattern)
		}
	}
	ignore, err := ParseIgnore(p.Ignore)
	if err != nil {
		return nil, err
	}
	if err := p.takeFiles(ignore); err != nil {
		return nil, err
	}
	if err := p.takeDirs(ignore); err != nil {
		return nil, err
	}
	p.folders, err = folderHashes(p.Files, p.Dirs)
	return p, err
}

// takeFiles checks the files, spells their values as the standard does and
// sorts them.
func (p *plan) takeFiles(ignore *Ignore) error {
	files := make([]FileHash, 0, len(p.Files))
	for _, f := range p.Files {
		if ignore.Match(f.Path, false) {
			p.leftOut = append(p.leftOut, f.Path)
			continue
		}
		f, err := tidy(f)
		if err != nil {
			return fmt.Errorf("file %.200q: %w", f.Path, err)
		}
		files = append(files, f)
	}
	slices.SortFunc(files, func(a, b FileHash) int { return strings.Compare(a.Path, b.Path) })
	for i := range max(0, len(files)-1) {
		if files[i].Path == files[i+1].Path {
			return fmt.Errorf("file %.200q: it is listed twice", files[i].Path)
		}
	}
	slices.Sort(p.leftOut)
	p.Files = files
	return nil
}

func tidy(f FileHash) (FileHash, error) {
	if !EncodablePath(f.Path) || (f.PreviousPath != "" && !EncodablePath(f.PreviousPath)) {
		return f, errors.New("a manifest can't carry its path")
	}
	switch f.Action {
	case Original, Verified, Failed:
	default:
		return f, fmt.Errorf("action %q isn't one of the standard", f.Action)
	}
	values := f.values()
	if f.Algorithm == "" || len(values) != len(f.Others)+1 {
		return f, errors.New("its checksum is missing or given twice")
	}
	f.Others = nil
	for algorithm, value := range values {
		digest, err := checksum.Decode(algorithm, value)
		if err != nil {
			return f, err
		}
		if value, err = checksum.Encode(algorithm, digest); err != nil {
			return f, err
		}
		if algorithm == f.Algorithm {
			f.Value = value
			continue
		}
		if f.Others == nil {
			f.Others = map[string]string{}
		}
		f.Others[algorithm] = value
	}
	return f, nil
}

// takeDirs adds the parents of files and folders, and sorts.
func (p *plan) takeDirs(ignore *Ignore) error {
	all := map[string]bool{}
	add := func(dir string) {
		for ; dir != "." && !all[dir]; dir = path.Dir(dir) {
			all[dir] = true
		}
	}
	for _, f := range p.Files {
		add(path.Dir(f.Path))
	}
	for _, dir := range p.Dirs {
		switch {
		case dir == "." || ignore.Match(dir, true):
		case !EncodablePath(dir):
			return fmt.Errorf("folder %.200q: a manifest can't carry its path", dir)
		default:
			add(dir)
		}
	}
	for _, f := range p.Files {
		if all[f.Path] {
			return fmt.Errorf("file %.200q: it is also listed as a folder", f.Path)
		}
	}
	p.Dirs = keys(all)
	slices.Sort(p.Dirs)
	return nil
}
