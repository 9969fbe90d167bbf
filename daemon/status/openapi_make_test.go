package status

import (
	"go/ast"
	"go/parser"
	"go/token"
	"reflect"
	"strings"
	"testing"
	"time"
)

// tree is JSON that is being made. Maps are written in the order of their keys.
type tree = map[string]any

// schemas makes a schema of each type that an answer consists of, with what the
// source says beside the type and its fields.
type schemas struct {
	t    *testing.T
	docs map[string]string // by Type and Type.Field
	made tree
}

func newSchemas(t *testing.T) *schemas {
	t.Helper()
	s := &schemas{t: t, docs: map[string]string{}, made: tree{}}
	files := token.NewFileSet()
	for _, name := range []string{"document.go", "archive.go", "problem.go"} {
		f, err := parser.ParseFile(files, name, nil, parser.ParseComments)
		if err != nil {
			t.Fatal(err)
		}
		for _, d := range f.Decls {
			g, ok := d.(*ast.GenDecl)
			if !ok || g.Tok != token.TYPE {
				continue
			}
			for _, spec := range g.Specs {
				s.read(g, spec.(*ast.TypeSpec))
			}
		}
	}
	return s
}

func (s *schemas) read(g *ast.GenDecl, spec *ast.TypeSpec) {
	fields, ok := spec.Type.(*ast.StructType)
	if !ok {
		return
	}
	s.docs[spec.Name.Name] = strings.TrimSpace(strings.ReplaceAll(g.Doc.Text(), "\n", " "))
	for _, f := range fields.Fields.List {
		for _, name := range f.Names {
			s.docs[spec.Name.Name+"."+name.Name] = strings.TrimSpace(strings.ReplaceAll(f.Comment.Text(), "\n", " "))
		}
	}
}

// of refers to the schema of v's type, which is made when it is not there yet.
func (s *schemas) of(v any) tree { return s.schema(reflect.TypeOf(v)) }

func (s *schemas) schema(t reflect.Type) tree {
	switch {
	case t == reflect.TypeFor[time.Time]():
		return tree{"type": "string", "format": "date-time"}
	case t.Kind() == reflect.Pointer:
		return s.schema(t.Elem())
	case t.Kind() == reflect.Struct:
		if s.made[t.Name()] == nil {
			s.made[t.Name()] = tree{} // for one that holds itself
			s.made[t.Name()] = s.object(t)
		}
		return tree{"$ref": "#/components/schemas/" + t.Name()}
	}
	switch t.Kind() {
	case reflect.String:
		return tree{"type": "string"}
	case reflect.Bool:
		return tree{"type": "boolean"}
	case reflect.Float64:
		return tree{"type": "number"}
	case reflect.Int, reflect.Int64:
		return tree{"type": "integer", "format": "int64"}
	case reflect.Uint64:
		return tree{"type": "integer", "minimum": 0}
	case reflect.Slice:
		return tree{"type": "array", "items": s.schema(t.Elem())}
	case reflect.Array:
		return tree{"type": "array", "items": s.schema(t.Elem()), "minItems": t.Len(), "maxItems": t.Len()}
	case reflect.Map:
		return tree{"type": "object", "additionalProperties": s.schema(t.Elem())}
	}
	s.t.Fatalf("no schema for %v", t)
	return nil
}

func (s *schemas) object(t reflect.Type) tree {
	properties, required := tree{}, []string{}
	s.fields(t, func(owner string, f reflect.StructField) {
		name, options, _ := strings.Cut(f.Tag.Get("json"), ",")
		if name == "" || name == "-" {
			s.t.Fatalf("%s.%s has no name in JSON", owner, f.Name)
		}
		p := s.schema(f.Type)
		doc := s.docs[owner+"."+f.Name]
		if doc != "" && p["$ref"] == nil { // beside a reference nothing counts in OpenAPI 3.0
			p["description"] = doc
		}
		properties[name] = p
		if options == "" {
			required = append(required, name)
		}
	})
	object := tree{"type": "object", "properties": properties, "required": required}
	if doc := s.docs[t.Name()]; doc != "" {
		object["description"] = doc
	}
	return object
}

// fields goes through the fields as encoding/json sees them.
func (s *schemas) fields(t reflect.Type, each func(owner string, f reflect.StructField)) {
	for i := range t.NumField() {
		f := t.Field(i)
		if f.Anonymous {
			s.fields(f.Type, each)
			continue
		}
		each(t.Name(), f)
	}
}
