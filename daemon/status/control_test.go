package status

import (
	"encoding/json"
	"strings"
	"testing"

	"bothy/testdata/mutants"
	"bothy/testdata/shown"
)

func TestControl_requests(t *testing.T) {
	t.Parallel()
	for _, tc := range []struct {
		method, path, body string
		status             int
		call, holds        string
	}{
		{"POST", "/v1/enrol", `{"device":"/dev/sdf1","name":"kittiwake"}`, 200, "enrol /dev/sdf1 as kittiwake", `"drive_id": "d-9"`},
		{"POST", "/v1/enrol", ` {"device":"sdf1"} `, 200, "enrol sdf1 as ", "d-9"},
		{"POST", "/v1/retire", `{"drive":"kittiwake"}`, 200, "retire kittiwake false", `"below": []`},
		{"POST", "/v1/retire", `{"drive":"kittiwake","confirm":"yes"}`, 200, "retire kittiwake true", `"retired": true`},
		{"POST", "/v1/retire", `{"drive":"kittiwake","confirm":"no"}`, 400, "", "is \\\"yes\\\" or absent"},
		{"POST", "/v1/retire", `{"drive":"kittiwake","confirm":true}`, 400, "", "a string is wanted"},
		{"POST", "/v1/retire", `{"confirm":"yes"}`, 400, "", "is missing"},
		{"GET", "/v1/retire", ``, 405, "", "POST only"},
		{"POST", "/v1/handover", `{"drive":"editor-1","select":"cards=SKUA_*\nfiles=*.MOV"}`, 200, `hand over to editor-1 ["cards=SKUA_*" "files=*.MOV"]`, `"files": 3`},
		{"POST", "/v1/handover", `{"drive":"editor-1"}`, 200, `hand over to editor-1 []`, `"drive": "editor-1\u202e"`},
		{"POST", "/v1/handover", `{"drive":""}`, 400, "", "is missing"},
		{"POST", "/v1/handover", `{"drive":"a","select":["all"]}`, 400, "", "a string is wanted"},
		{"POST", "/v1/handover", `{"drive":"a","selection":"all"}`, 400, "", "not known here"},
		{"POST", "/v1/handover", `{"drive":"a","select":"` + strings.Repeat(`x\n`, 256) + `"}`, 400, "", "more than 256 globs"},
		{"GET", "/v1/handover", ``, 405, "", "POST only"},
		{"POST", "/v1/reload", ``, 204, "reload", ""},
		{"POST", "/v1/reload", `{}`, 204, "reload", ""},
		{"POST", "/v1/stop", "\n", 204, "stop", ""},
		{"GET", "/v1/stop", ``, 405, "", "POST only"},
		{"PUT", "/v1/reload", ``, 405, "", "POST only"},
		{"POST", "/v1/stop", `{"now":"yes"}`, 400, "", "not known here"},
		{"POST", "/v1/stop", `true`, 400, "", "not a JSON object"},
		{"POST", "/v1/enrol", ``, 400, "", "not a JSON object"},
		{"POST", "/v1/enrol", `[]`, 400, "", "not a JSON object"},
		{"POST", "/v1/enrol", `{"name":"a"}`, 400, "", "is missing"},
		{"POST", "/v1/enrol", `{"device":""}`, 400, "", "is missing"},
		{"POST", "/v1/enrol", `{"Device":"/dev/sdf1"}`, 400, "", "not known here"},
		{"POST", "/v1/enrol", `{"device":"a","device":"b"}`, 400, "", "given twice"},
		{"POST", "/v1/enrol", `{"device":1}`, 400, "", "a string is wanted"},
		{"POST", "/v1/enrol", `{"device":null}`, 400, "", "a string is wanted"},
		{"POST", "/v1/enrol", `{"device":{"a":"b"}}`, 400, "", "a string is wanted"},
		{"POST", "/v1/enrol", `{"device":"a"} {}`, 400, "", "something follows"},
		{"POST", "/v1/enrol", `{"device":"a"`, 400, "", "does not end"},
		{"POST", "/v1/enrol", `{"device":"a" "b"}`, 400, "", "not sound JSON"},
		{"POST", "/v1/enrol", "{\"device\":\"a\xff\"}", 400, "", "not UTF-8"},
		{"POST", "/v1/enrol", `{"device":"a\u0000b"}`, 400, "", "control character"},
		{"POST", "/v1/enrol", `{"device":"a","name":"\u202eb"}`, 400, "", "does not print"},
		{"POST", "/v1/enrol", `{"device":"a","name":"` + strings.Repeat("n", 65) + `"}`, 400, "", "longer than 64"},
		{"POST", "/v1/enrol", `{"device":"` + strings.Repeat("d", 4097) + `"}`, 400, "", "longer than 4096"},
		{"POST", "/v1/enrol", strings.Repeat(" ", maxControlBody+1), 413, "", "at most"},
		{"POST", "/v1/enrol", strings.Repeat("[", maxControlBody), 400, "", "not a JSON object"},
	} {
		acts := newRecorder(nil)
		rec := ask(newHandler(sampleConfig(), &control{actions: acts}), tc.method, tc.path, tc.body)
		call := ""
		select {
		case call = <-acts.calls:
		default:
		}
		if rec.Code != tc.status || call != tc.call || !strings.Contains(rec.Body.String(), tc.holds) {
			t.Errorf("%s %s %.60q: %d, the daemon was told %q, body %.200q", tc.method, tc.path, tc.body, rec.Code, call, rec.Body)
		}
		if rec.Code >= 400 {
			checkProblem(t, rec)
		}
	}
}

var fuzzedRequests = []mutants.Seed{{`{"device":"/dev/sdf1","name":"kittiwake"}`}, {`{"device":"a","device":"b"}`}, {`{"Device":"a"}`}, {`{}`}, {``}, {`{"device":"\ud800"}`},
	{`{"device":"a"}x`}, {"{\"device\":\"\x00\"}"}, {`{"device":"a","name":"\u202e"}`}, {`[[[[`}, {`{"device":`}}

// What the strict reader takes, encoding/json reads the same way.
func checkRequest(t testing.TB, body []byte) (taken bool) {
	target, name, err := readEnrol(body)
	if err != nil {
		shown.MustPrint(t, "refusal", clean(err.Error()))
		return false
	}
	var plain struct{ Device, Name string }
	if err := json.Unmarshal(body, &plain); err != nil || plain.Device != target || plain.Name != name {
		t.Errorf("%q: read %q %q, encoding/json reads %q %q, %v", body, target, name, plain.Device, plain.Name, err)
	}
	shown.MustPrint(t, "name", name)
	if target == "" || len(target) > maxTarget || strings.ContainsAny(target, "\x00\n\x1b") {
		t.Errorf("target %q came through", target)
	}
	return true
}

func FuzzControl(f *testing.F) {
	for _, s := range fuzzedRequests {
		f.Add([]byte(s[0]))
	}
	f.Fuzz(func(t *testing.T, body []byte) { checkRequest(t, body) })
}

func TestControl_mutants(t *testing.T) {
	mutants.Try(t, "FuzzControl", fuzzedRequests, func(t testing.TB, input [][]byte) bool { return checkRequest(t, input[0]) })
}
