package main

import (
	"fmt"
	"go/ast"
	"go/token"
	"strings"
)

// finder walks through one file, from the outside to the inside.
type finder struct {
	*source
	funcs  []*ast.FuncType // around the node that is looked at
	turned map[ast.Expr]bool
	cases  []caseOf
}

// caseOf is what a case asks for. No block of a coverage profile holds it, and so
// whoever reaches the switch reaches it.
type caseOf struct{ cond, where ast.Node }

func (f *finder) find(tree *ast.File) {
	f.turned = map[ast.Expr]bool{}
	var way []ast.Node
	ast.Inspect(tree, func(n ast.Node) bool {
		if n == nil {
			switch way[len(way)-1].(type) {
			case *ast.FuncDecl, *ast.FuncLit:
				f.funcs = f.funcs[:len(f.funcs)-1]
			}
			way = way[:len(way)-1]
			return true
		}
		if d, ok := n.(*ast.GenDecl); ok && d.Tok != token.VAR {
			return false // what is constant cannot be woken
		}
		way = append(way, n)
		f.node(n)
		return true
	})
}

func (f *finder) node(n ast.Node) {
	switch n := n.(type) {
	case *ast.FuncDecl:
		f.function(n.Type, n.Body)
	case *ast.FuncLit:
		f.function(n.Type, n.Body)
	case *ast.BlockStmt:
		f.statements(n.List)
	case *ast.CaseClause:
		f.statements(n.Body)
	case *ast.CommClause:
		f.statements(n.Body)
	case *ast.IfStmt:
		f.turn(n.Cond)
	case *ast.ForStmt:
		if n.Cond != nil {
			f.turn(n.Cond)
		}
	case *ast.SwitchStmt:
		for _, s := range n.Body.List {
			for _, cond := range s.(*ast.CaseClause).List {
				f.cases = append(f.cases, caseOf{cond, n})
				if n.Tag == nil {
					f.turn(cond)
				}
			}
		}
	case *ast.BinaryExpr:
		f.operator(n)
	case *ast.ReturnStmt:
		f.result(n)
	case *ast.BasicLit:
		f.integer(n)
	case *ast.Ident:
		f.truth(n)
	}
}

// add adds a mutant that changes a node.
func (f *finder) add(n ast.Node, at token.Pos, what string, write func(m *mutant, of func(ast.Node) string) string) {
	p := f.set.Position(at)
	m := &mutant{file: f.name, line: p.Line, col: p.Column, what: what, reachedAt: p, outside: len(f.funcs) == 0}
	for _, c := range f.cases {
		if at >= c.cond.Pos() && at < c.cond.End() {
			m.reachedAt = f.set.Position(c.where.Pos())
		}
	}
	f.mutants = append(f.mutants, m)
	f.sites = append(f.sites, &site{
		start: f.offset(n.Pos()), end: f.offset(n.End()), mutants: []*mutant{m},
		write: func(of func(ast.Node) string) string { return write(m, of) },
	})
}

// function returns at once, where what it would return is known to be fine.
func (f *finder) function(kind *ast.FuncType, body *ast.BlockStmt) {
	f.funcs = append(f.funcs, kind)
	if body == nil || len(body.List) == 0 {
		return
	}
	text := "return"
	switch {
	case kind.Results == nil || len(kind.Results.List) == 0:
	case kind.Results.NumFields() == 1 && isName(kind.Results.List[0].Type, "error"):
		text = "return nil"
	default:
		return
	}
	first := body.List[0]
	if _, ok := first.(*ast.ReturnStmt); ok {
		return // nil for the error there is the same
	}
	f.add(first, first.Pos(), text+" at once", func(m *mutant, of func(ast.Node) string) string {
		return fmt.Sprintf("if mutantAwake(%d) { %s }; %s", m.number, text, of(first))
	})
}

// turn turns a condition round.
func (f *finder) turn(cond ast.Expr) {
	f.turned[cond] = true
	f.add(cond, cond.Pos(), "if not ("+f.brief(cond)+")", func(m *mutant, of func(ast.Node) string) string {
		return fmt.Sprintf("(mutantAwake(%d) != (%s))", m.number, of(cond))
	})
}

var swapped = map[token.Token]token.Token{
	token.LSS: token.LEQ, token.LEQ: token.LSS, token.GTR: token.GEQ, token.GEQ: token.GTR,
	token.EQL: token.NEQ, token.NEQ: token.EQL, token.LAND: token.LOR, token.LOR: token.LAND,
	token.ADD: token.SUB, token.SUB: token.ADD,
}

func (f *finder) operator(b *ast.BinaryExpr) {
	to, ok := swapped[b.Op]
	if !ok || f.turned[b] && (b.Op == token.EQL || b.Op == token.NEQ) {
		return // turned round already
	}
	f.add(b, b.OpPos, fmt.Sprintf("%s for %s in %s", to, b.Op, f.brief(b)), func(m *mutant, of func(ast.Node) string) string {
		x, y := of(b.X), of(b.Y)
		if b.Op == token.ADD || b.Op == token.SUB {
			return fmt.Sprintf("mutantSum(%d, %s, %s, %t)", m.number, x, y, b.Op == token.SUB)
		}
		return fmt.Sprintf("(!mutantAwake(%[1]d) && (%[2]s %[3]s %[5]s) || mutantAwake(%[1]d) && (%[2]s %[4]s %[5]s))", m.number, x, b.Op, to, y)
	})
}

// statements leaves out what stands in a list of statements.
func (f *finder) statements(list []ast.Stmt) {
	for _, s := range list {
		switch s := s.(type) {
		case *ast.ExprStmt:
			call, ok := s.X.(*ast.CallExpr)
			if !ok || isName(call.Fun, "panic") {
				continue // the compiler knows that nothing follows it
			}
		case *ast.AssignStmt:
			if s.Tok == token.DEFINE {
				continue
			}
		case *ast.IncDecStmt:
		case *ast.BranchStmt:
			if s.Tok != token.CONTINUE && s.Tok != token.BREAK {
				continue
			}
		default:
			continue
		}
		f.add(s, s.Pos(), "without "+f.brief(s), func(m *mutant, of func(ast.Node) string) string {
			return fmt.Sprintf("if !mutantAwake(%d) { %s }", m.number, of(s))
		})
	}
}

// result gives nil where a function would give an error.
func (f *finder) result(r *ast.ReturnStmt) {
	kind := f.funcs[len(f.funcs)-1]
	if kind.Results == nil || kind.Results.NumFields() != len(r.Results) || len(r.Results) == 0 {
		return
	}
	last := r.Results[len(r.Results)-1]
	if !isName(kind.Results.List[len(kind.Results.List)-1].Type, "error") || isName(last, "nil") {
		return
	}
	f.add(last, last.Pos(), "nil for "+f.brief(last), func(m *mutant, of func(ast.Node) string) string {
		return fmt.Sprintf("mutantError(%d, %s)", m.number, of(last))
	})
}

// integer makes a number one larger; the modes of files are left alone.
func (f *finder) integer(l *ast.BasicLit) {
	if l.Kind != token.INT || strings.HasPrefix(l.Value, "0o") {
		return
	}
	f.add(l, l.Pos(), "one more than "+l.Value, func(m *mutant, _ func(ast.Node) string) string {
		return fmt.Sprintf("mutantInt(%d, %s)", m.number, l.Value)
	})
}

func (f *finder) truth(id *ast.Ident) {
	if id.Name != "true" && id.Name != "false" {
		return
	}
	f.add(id, id.Pos(), "the contrary of "+id.Name, func(m *mutant, _ func(ast.Node) string) string {
		return fmt.Sprintf("(mutantAwake(%d) != %s)", m.number, id.Name)
	})
}

func isName(e ast.Expr, name string) bool {
	id, ok := e.(*ast.Ident)
	return ok && id.Name == name
}
