package status

import (
	"bytes"
	"context"
	"encoding/json"
	"go/ast"
	"go/parser"
	"go/token"
	"io"
	"net/http"
	"slices"
	"strconv"
	"strings"
	"testing"

	"github.com/getkin/kin-openapi/openapi3"
	"github.com/getkin/kin-openapi/openapi3filter"
	"github.com/getkin/kin-openapi/routers"
	"github.com/getkin/kin-openapi/routers/legacy"

	"bothy/daemon/report"
	"bothy/daemon/state"
)

// endpoint is a row of the table that the served description is made from.
type endpoint struct {
	path, summary string
	query         []string // names of what may be asked
	answer        any      // of a JSON answer
	media         string   // of any other; several, with spaces between
	pages         bool     // problems are pages for a person, too
	wrong         []int    // statuses of problems, besides those that all have
	example       string   // a request that is answered with 200
}

var endpoints = []endpoint{
	{path: "/", summary: "The page, for a person.", media: "text/html"},
	{path: "/page.css", summary: "The page's style.", media: "text/css"},
	{path: "/page.js", summary: "The page's script; it needs none.", media: "text/javascript"},
	{path: "/find", summary: "Files by name, for a person.", query: fileKeys, media: "text/html", pages: true, wrong: []int{400, 404, 500}, example: "/find?name=*.MOV"},
	{path: "/healthz", summary: "ok, or with status 503 what is the matter, one sentence a line.", media: "text/plain"},
	{path: "/metrics", summary: "Metrics in the formats of Prometheus.", media: "text/plain"},
	{path: "/v1/openapi.json", summary: "This description.", answer: openapiAny},
	{path: "/v1/status", summary: "Everything that the box publishes, of one moment. If-None-Match with its ETag is answered with 304 while there is nothing new.", answer: Document{}},
	{path: "/v1/offloads", summary: "The newest offloads.", answer: OffloadList{}},
	{path: "/v1/offloads/{id}", summary: "One offload, however old.", answer: Offload{}, wrong: []int{400, 404}, example: "/v1/offloads/b7c1-12"},
	{path: "/v1/offloads/{id}/verdicts", summary: "Every verdict that an offload ever had.", answer: VerdictList{}, wrong: []int{400, 404}, example: "/v1/offloads/b7c1-11/verdicts"},
	{path: "/v1/drives", summary: "The drives, attached ones first.", answer: DriveList{}},
	{path: "/v1/drives/{id}/missing", summary: "What a drive, named by id or name, lacks of what others have.", query: []string{"limit"}, answer: MissingList{}, wrong: []int{400, 404}, example: "/v1/drives/b7c1-11/missing"},
	{path: "/v1/days", summary: "What was offloaded, by day.", query: []string{"card", "drive", "since", "until", "limit"}, answer: DayList{}, wrong: []int{400, 404}},
	{path: "/v1/files", summary: "Files by name, and where they are.", query: fileKeys, answer: FileList{}, wrong: []int{400, 404}, example: "/v1/files?name=*.MOV"},
	{path: "/v1/events", summary: "An event for each new state, as Server-Sent Events; endless.", media: "text/event-stream"},
	{path: "/reports/{report}", summary: "The report of a day, DAY.html or DAY.csv, with a DAY like 2026-11-25, today or yesterday.", media: "text/html text/csv", wrong: []int{400, 404}, example: "/reports/2026-11-25.html"},
}

// openapiAny stands for an object of any kind.
var openapiAny = map[string]any{}

var questions = map[string]tree{
	"name":    {"description": "glob on a file's name, or on its path where it holds a slash", "schema": tree{"type": "string", "maxLength": maxQuestion}},
	"card":    {"description": "glob on the card's label", "schema": tree{"type": "string", "maxLength": maxQuestion}},
	"drive":   {"description": "id or name of a drive that has a finished copy", "schema": tree{"type": "string", "maxLength": maxQuestion}},
	"offload": {"description": "id of an offload", "schema": tree{"type": "string", "maxLength": 128}},
	"since":   {"description": "the first day, in the box's time zone", "schema": tree{"type": "string", "format": "date"}},
	"until":   {"description": "the last day", "schema": tree{"type": "string", "format": "date"}},
	"limit":   {"description": "entries at most", "schema": tree{"type": "integer", "minimum": 1, "maximum": MaxEntries, "default": defaultEntries}},
}

func describe(t *testing.T) []byte {
	t.Helper()
	s := newSchemas(t)
	paths := tree{}
	problem := func(what string) tree {
		return tree{"description": what, "content": tree{"application/problem+json": tree{"schema": s.of(Problem{})}}}
	}
	for _, e := range endpoints {
		content := tree{}
		for _, media := range strings.Fields(e.media) {
			content[media] = tree{"schema": tree{"type": "string"}}
		}
		answers := tree{"503": problem("too many requests at a time, or it takes too long; Retry-After says when to come again")}
		for _, code := range e.wrong {
			answers[strconv.Itoa(code)] = problem(http.StatusText(code))
			if e.pages {
				answers[strconv.Itoa(code)] = tree{"description": http.StatusText(code), "content": content}
			}
		}
		if e.answer != nil {
			answers["500"] = problem("the ledger cannot be read")
			content = tree{"application/json": tree{"schema": s.jsonSchema(e.answer)}}
		}
		answers["200"] = tree{"description": "as asked", "content": content}
		var parameters []any
		for _, name := range e.query {
			q := tree{"name": name, "in": "query"}
			for k, v := range questions[name] {
				q[k] = v
			}
			parameters = append(parameters, q)
		}
		for _, name := range []string{"id", "report"} {
			if strings.Contains(e.path, "{"+name+"}") {
				parameters = append(parameters, tree{"name": name, "in": "path", "required": true, "schema": tree{"type": "string"}})
			}
		}
		switch e.path {
		case "/v1/status", "/v1/offloads", "/v1/drives":
			answers["304"] = tree{"description": "nothing is new since the ETag that was sent"}
			parameters = append(parameters, tree{"name": "If-None-Match", "in": "header", "schema": tree{"type": "string"}})
		case "/healthz":
			answers["503"] = tree{"description": "what is the matter", "content": content}
		}
		get := tree{"summary": e.summary, "responses": answers}
		if parameters != nil {
			get["parameters"] = parameters
		}
		paths[e.path] = tree{"get": get}
	}
	body, err := json.MarshalIndent(tree{
		"openapi": "3.0.3",
		"info": tree{
			"title": "Bothy's status endpoint", "version": "1",
			"description": "Everything here only reads; HEAD is answered wherever GET is. Answers may gain fields: whoever reads them passes over what he does not know. Errors are problem documents (RFC 9457). Where the policy names a web configuration file, TLS and a password are asked for.",
			"license":     tree{"name": "GPL-3.0-or-later", "url": "https://www.gnu.org/licenses/gpl-3.0.html"},
		},
		"paths": paths, "components": tree{"schemas": s.made},
	}, "", " ")
	if err != nil {
		t.Fatal(err)
	}
	return append(body, '\n')
}

func (s *schemas) jsonSchema(v any) tree {
	if _, ok := v.(map[string]any); ok {
		return tree{"type": "object"}
	}
	return s.of(v)
}

// The description is made from the types that are sent, so it cannot fall behind.
func TestOpenAPI_isThatOfTheTypes(t *testing.T) {
	t.Parallel()
	golden(t, "../openapi.json", describe(t))
}

func loadDescription(t *testing.T) *openapi3.T {
	t.Helper()
	served := ask(Handler(sampleConfig()), "GET", "/v1/openapi.json", "")
	doc, err := openapi3.NewLoader().LoadFromData(served.Body.Bytes())
	if err != nil {
		t.Fatal(err)
	}
	if err := doc.Validate(context.Background()); err != nil {
		t.Fatalf("kin-openapi finds the description wrong by OpenAPI 3.0: %v", err)
	}
	return doc
}

// Every answer is one that the description allows, by github.com/getkin/kin-openapi,
// an independent reader of OpenAPI 3.0 (https://spec.openapis.org/oas/v3.0.3).
func TestOpenAPI_holdsForTheHandlers(t *testing.T) {
	t.Parallel()
	doc := loadDescription(t)
	router, err := legacy.NewRouter(doc)
	if err != nil {
		t.Fatal(err)
	}
	for _, media := range []string{"text/html", "text/css", "text/csv", "text/javascript"} { // are text like any other
		openapi3filter.RegisterBodyDecoder(media, openapi3filter.PlainBodyDecoder)
	}
	for name, c := range describedConfigs() {
		h := Handler(c)
		for _, e := range endpoints {
			if e.path == "/v1/events" { // endless: its own tests read it
				continue
			}
			asked := []string{e.example}
			if e.example == "" {
				asked = []string{e.path}
			}
			filled := strings.NewReplacer("{id}", "none-such", "{report}", "yesterday.csv").Replace(e.path)
			asked = append(asked, filled, filled+"?limit=x", filled+"?since=never")
			for i, target := range asked {
				if strings.Contains(target, "?") && e.query == nil {
					continue
				}
				rec := get(h, target)
				if i == 0 && name == "full" && rec.Code != http.StatusOK && e.path != "/healthz" {
					t.Errorf("%s: %d\n%s", target, rec.Code, rec.Body)
				}
				checkAgainst(t, router, target, rec.Code, rec.Header(), rec.Body.Bytes())
			}
		}
	}
}

func checkAgainst(t *testing.T, router routers.Router, target string, code int, head http.Header, body []byte) {
	t.Helper()
	r, err := http.NewRequest(http.MethodGet, "http://box"+target, nil)
	if err != nil {
		t.Fatal(err)
	}
	route, params, err := router.FindRoute(r)
	if err != nil {
		t.Errorf("%s is not described: %v", target, err)
		return
	}
	err = openapi3filter.ValidateResponse(context.Background(), &openapi3filter.ResponseValidationInput{
		RequestValidationInput: &openapi3filter.RequestValidationInput{Request: r, PathParams: params, Route: route},
		Status:                 code, Header: head, Body: io.NopCloser(bytes.NewReader(body)),
		Options: &openapi3filter.Options{IncludeResponseStatus: true, MultiError: true},
	})
	if err != nil {
		t.Errorf("%s answers with %d otherwise than it is described: %v\n%.300s", target, code, err, body)
	}
}

// Whatever path the handlers know is described.
func TestOpenAPI_leavesNoPathOut(t *testing.T) {
	t.Parallel()
	doc := loadDescription(t)
	files := token.NewFileSet()
	for _, name := range []string{"handler.go", "archive.go", "report.go"} {
		f, err := parser.ParseFile(files, name, nil, 0)
		if err != nil {
			t.Fatal(err)
		}
		ast.Inspect(f, func(n ast.Node) bool {
			lit, ok := n.(*ast.BasicLit)
			if !ok || lit.Kind != token.STRING {
				return true
			}
			path, err := strconv.Unquote(lit.Value)
			if err != nil || !strings.HasPrefix(path, "/") || path == "/missing" || path == "/verdicts" {
				return true
			}
			if !slices.ContainsFunc(doc.Paths.InMatchingOrder(), func(p string) bool {
				return p == path || strings.HasSuffix(path, "/") && strings.HasPrefix(p, path+"{")
			}) {
				t.Errorf("%s: %s is not described", files.Position(lit.Pos()), path)
			}
			return true
		})
	}
}

// describedConfigs are boxes with everything, and with as little as there can be.
func describedConfigs() map[string]Config {
	return map[string]Config{
		"full": {
			States: publisher(sampleState()), Metrics: http.HandlerFunc(func(w http.ResponseWriter, _ *http.Request) { w.Header().Set("Content-Type", "text/plain") }),
			Archive: fakeArchive{days: *sampleDays(), files: sampleFiles(func() string { return "" }), wanted: "b7c1-11"},
			Report:  reporting().Report,
		},
		"empty": {
			States: publisher(&state.State{}), Metrics: http.HandlerFunc(func(w http.ResponseWriter, _ *http.Request) { w.Header().Set("Content-Type", "text/plain") }),
			Archive: fakeArchive{days: DayList{Days: []Day{}}, files: FileList{Files: []StoredFile{}}},
			Report:  func(context.Context, string) (*report.Day, error) { return nil, nil },
		},
	}
}
