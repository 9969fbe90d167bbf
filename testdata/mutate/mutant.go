package main

import (
	"cmp"
	"fmt"
	"go/ast"
	"go/parser"
	"go/token"
	"os"
	"path/filepath"
	"slices"
	"strings"
)

// mutant is one change at one place.
type mutant struct {
	number    int // from 1, over all files of a run
	file      string
	line, col int
	what      string
	reachedAt token.Position
	outside   bool // of any function
}

func (m *mutant) String() string {
	return fmt.Sprintf("%4d %s:%d: %s", m.number, filepath.ToSlash(m.file), m.line, m.what)
}

// site is a piece of a file that mutants stand in. Sites may lie in each other.
type site struct {
	start, end int // bytes of the file
	mutants    []*mutant
	// write gives the piece with its mutants asleep in it; of gives a part of the
	// piece, with the sites in that.
	write func(of func(n ast.Node) string) string
}

// source is a file and all that can be changed in it.
type source struct {
	name, pkg string
	whole     []byte
	set       *token.FileSet
	sites     []*site
	mutants   []*mutant
}

// sourcesOf finds the mutants of files. They are numbered in the order of the
// files, and within a file by place.
func sourcesOf(files []string) (all []*source, err error) {
	number := 0
	for _, name := range files {
		whole, err := os.ReadFile(name)
		if err != nil {
			return nil, err
		}
		set := token.NewFileSet()
		tree, err := parser.ParseFile(set, name, whole, parser.SkipObjectResolution)
		if err != nil {
			return nil, fmt.Errorf("parse %s: %w", name, err)
		}
		s := &source{name: filepath.Clean(name), pkg: tree.Name.Name, whole: whole, set: set}
		(&finder{source: s}).find(tree)
		slices.SortStableFunc(s.sites, func(a, b *site) int { return cmp.Or(cmp.Compare(a.start, b.start), cmp.Compare(b.end, a.end)) })
		slices.SortStableFunc(s.mutants, func(a, b *mutant) int { return cmp.Or(cmp.Compare(a.line, b.line), cmp.Compare(a.col, b.col)) })
		for _, m := range s.mutants {
			number++
			m.number = number
		}
		all = append(all, s)
	}
	return all, nil
}

// text is the file with its mutants in it, but for those that are left out.
func (s *source) text(without map[*mutant]bool) string {
	kept := slices.DeleteFunc(slices.Clone(s.sites), func(at *site) bool {
		return slices.ContainsFunc(at.mutants, func(m *mutant) bool { return without[m] })
	})
	return s.part(0, len(s.whole), kept)
}

func (s *source) part(start, end int, sites []*site) string {
	var b strings.Builder
	at := start
	for len(sites) > 0 {
		outer := sites[0]
		n := 1
		for n < len(sites) && sites[n].start < outer.end {
			n++
		}
		inner := sites[1:n]
		sites = sites[n:]
		b.Write(s.whole[at:outer.start])
		b.WriteString(outer.write(func(node ast.Node) string {
			from, to := s.offset(node.Pos()), s.offset(node.End())
			return s.part(from, to, slices.DeleteFunc(slices.Clone(inner), func(x *site) bool { return x.start < from || x.end > to }))
		}))
		at = outer.end
	}
	b.Write(s.whole[at:end])
	return b.String()
}

func (s *source) offset(p token.Pos) int { return s.set.Position(p).Offset }

// brief is the text of a node in one line.
func (s *source) brief(n ast.Node) string {
	const longest = 90
	text := strings.Join(strings.Fields(string(s.whole[s.offset(n.Pos()):s.offset(n.End())])), " ")
	if r := []rune(text); len(r) > longest {
		text = string(r[:longest]) + "..."
	}
	return text
}

// awake is added to a package with mutants: at most one of them is awake, and
// the environment says which.
const awake = `package %s

import (
	"os"
	"strconv"
)

var mutantNumber, _ = strconv.Atoi(os.Getenv("` + mutantVariable + `"))

func mutantAwake(n int) bool { return n == mutantNumber }

func mutantError(n int, err error) error {
	if mutantAwake(n) {
		return nil
	}
	return err
}

func mutantInt(n, v int) int {
	if mutantAwake(n) {
		return v + 1
	}
	return v
}

func mutantSum[T ~int | ~int32 | ~int64 | ~uint64](n int, a, b T, minus bool) T {
	if minus != mutantAwake(n) {
		return a - b
	}
	return a + b
}

var _, _ = mutantError, mutantInt
var _ = mutantSum[int]
`

const mutantVariable = "BOTHY_MUTANT"
