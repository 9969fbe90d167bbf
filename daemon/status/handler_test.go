package status

import (
	"context"
	"encoding/json"
	"errors"
	"net/http"
	"net/http/httptest"
	"strings"
	"testing"
	"time"

	"bothy/daemon/state"

	"github.com/google/go-cmp/cmp"
)

func publisher(s *state.State) *state.Publisher {
	var p state.Publisher
	p.Publish(s)
	return &p
}

// sampleConfig serves the sample; the ledger knows one more offload.
func sampleConfig() Config {
	return Config{
		States: publisher(sampleState()),
		Lookup: func(_ context.Context, id string) (state.Offload, bool, error) {
			switch id {
			case "b7c1-2":
				return state.Offload{ID: id, Sequence: 2, CardLabel: "OLD", Verdict: state.Release}, true, nil
			case "b7c1-broken":
				return state.Offload{}, false, errors.New("read /var/lib/bothy/ledger.db: fault")
			}
			return state.Offload{}, false, nil
		},
		Metrics: http.HandlerFunc(func(w http.ResponseWriter, _ *http.Request) { _, _ = w.Write([]byte("metrics here\n")) }),
	}
}

func ask(h http.Handler, method, path, body string) *httptest.ResponseRecorder {
	rec := httptest.NewRecorder()
	req := httptest.NewRequest(method, "/", strings.NewReader(body))
	req.URL.Path = path // also what a request line could not carry
	h.ServeHTTP(rec, req)
	return rec
}

func TestHandler_answers(t *testing.T) {
	t.Parallel()
	h := Handler(sampleConfig())
	bare := Handler(Config{States: publisher(sampleState())})
	const get = "GET, HEAD"
	for _, tc := range []struct {
		handler      http.Handler
		method, path string
		status       int
		allow, holds string
	}{
		{h, "GET", "/", 200, "", "<!DOCTYPE html>"},
		{h, "GET", "/page.js", 200, "", "EventSource"},
		{h, "GET", "/page.css", 200, "", "prefers-color-scheme"},
		{h, "GET", "/metrics", 200, "", "metrics here"},
		{bare, "GET", "/metrics", 404, "", "there is nothing"},
		{h, "GET", "/v1/status", 200, "", `"sequence": 1,`},
		{h, "GET", "/v1/offloads", 200, "", `"b7c1-12"`},
		{h, "GET", "/v1/drives", 200, "", `"razorbill"`},
		{h, "GET", "/v1/offloads/b7c1-11", 200, "", `"SKUA_A002"`},
		{h, "GET", "/v1/offloads/b7c1-2", 200, "", `"OLD"`},
		{bare, "GET", "/v1/offloads/b7c1-2", 404, "", "no offload"},
		{h, "GET", "/v1/offloads/b7c1-3", 404, "", "no offload"},
		{h, "GET", "/v1/offloads/b7c1-broken", 500, "", "the ledger cannot be read"},
		{h, "GET", "/v1/offloads/", 400, "", "1 to 128"},
		{h, "GET", "/v1/offloads/../status", 400, "", "1 to 128"},
		{h, "GET", "/v1/offloads/" + strings.Repeat("a", 129), 400, "", "1 to 128"},
		{h, "GET", "/v1/offloads/\u202e<b>", 400, "", "1 to 128"},
		{h, "GET", "/v1/status/", 404, "", "there is nothing"},
		{h, "GET", "/../etc/passwd", 404, "", "there is nothing"},
		{h, "GET", "/page.html", 404, "", "there is nothing"},
		{h, "POST", "/v1/status", 405, get, "GET, HEAD only"},
		{h, "DELETE", "/v1/offloads/b7c1-11", 405, get, "GET, HEAD only"},
		{h, "OPTIONS", "/", 405, get, "GET, HEAD only"},
		{h, "GEt", "/", 405, get, "GET, HEAD only"},
		// Nothing acts over the address that everybody can reach.
		{h, "POST", "/v1/stop", 404, "", "there is nothing"},
		{h, "POST", "/v1/enrol", 404, "", "there is nothing"},
	} {
		rec := ask(tc.handler, tc.method, tc.path, "")
		if rec.Code != tc.status || rec.Header().Get("Allow") != tc.allow || !strings.Contains(rec.Body.String(), tc.holds) {
			t.Errorf("%s %.40q: %d, Allow %q, body %.80q", tc.method, tc.path, rec.Code, rec.Header().Get("Allow"), rec.Body)
		}
		if rec.Code >= 400 {
			checkProblem(t, rec)
		}
		for _, kv := range security {
			if kv[0] != "Cache-Control" && rec.Header().Get(kv[0]) != kv[1] {
				t.Errorf("%s %.40q: header %s is %q", tc.method, tc.path, kv[0], rec.Header().Get(kv[0]))
			}
		}
	}
}

// RFC 9457 sections 3 and 4.2.1: the media type, a status member equal to the
// answer's, and under about:blank the phrase of the status as title.
func checkProblem(t *testing.T, rec *httptest.ResponseRecorder) {
	t.Helper()
	var got map[string]any
	if err := json.Unmarshal(rec.Body.Bytes(), &got); err != nil {
		t.Fatalf("problem %q: %v", rec.Body, err)
	}
	if rec.Header().Get("Content-Type") != "application/problem+json" || got["type"] != "about:blank" ||
		got["status"] != float64(rec.Code) || got["title"] != http.StatusText(rec.Code) {
		t.Errorf("problem document: %s: %s", rec.Header().Get("Content-Type"), rec.Body)
	}
}

func TestHandler_head(t *testing.T) {
	t.Parallel()
	h := Handler(sampleConfig())
	for _, path := range []string{"/", "/healthz", "/v1/status", "/v1/events", "/page.js", "/nothing"} {
		rec := ask(h, http.MethodHead, path, "")
		if rec.Body.Len() != 0 || rec.Header().Get("Content-Type") == "" {
			t.Errorf("HEAD %s: %d bytes, type %q", path, rec.Body.Len(), rec.Header().Get("Content-Type"))
		}
	}
}

func TestHandler_assetsAreRevalidated(t *testing.T) {
	t.Parallel()
	h := Handler(sampleConfig())
	tag := ask(h, http.MethodGet, "/page.js", "").Header().Get("ETag")
	req := httptest.NewRequest(http.MethodGet, "/page.js", nil)
	req.Header.Set("If-None-Match", tag)
	rec := httptest.NewRecorder()
	h.ServeHTTP(rec, req)
	if rec.Code != http.StatusNotModified || tag == "" {
		t.Errorf("ETag %q: status %d", tag, rec.Code)
	}
}

// RFC 9110 section 13.1.2: who has what the newest State says is told so in a few bytes, and
// whoever has that of another life of the daemon, or an older one, gets it.
func TestHandler_stateThatIsKnown(t *testing.T) {
	t.Parallel()
	cfg, states := sampleConfig(), publisher(sampleState())
	cfg.States = states
	again := func(h http.Handler, tag string) *httptest.ResponseRecorder {
		req := httptest.NewRequest(http.MethodGet, "/v1/status", nil)
		req.Header.Set("If-None-Match", tag)
		rec := httptest.NewRecorder()
		h.ServeHTTP(rec, req)
		return rec
	}
	h := Handler(cfg)
	tag := ask(h, http.MethodGet, "/v1/status", "").Header().Get("ETag")
	if rec := again(h, tag); rec.Code != http.StatusNotModified || rec.Body.Len() != 0 || tag == "" {
		t.Errorf("ETag %q: status %d, %d bytes", tag, rec.Code, rec.Body.Len())
	}
	if rec := again(Handler(cfg), tag); rec.Code != http.StatusOK || rec.Body.Len() == 0 {
		t.Errorf("another life: status %d, %d bytes", rec.Code, rec.Body.Len())
	}
	later := sampleState()
	later.Moment = later.Moment.Add(5 * time.Second)
	states.Publish(later)
	if rec := again(h, tag); rec.Code != http.StatusNotModified || rec.Body.Len() != 0 {
		t.Errorf("only time has passed: status %d, %d bytes", rec.Code, rec.Body.Len())
	}
	newer := sampleState()
	newer.Cards[0].Reason = "another"
	states.Publish(newer)
	if rec := again(h, tag); rec.Code != http.StatusOK || rec.Body.Len() == 0 {
		t.Errorf("a newer one: status %d, %d bytes", rec.Code, rec.Body.Len())
	}
}

func TestHealth(t *testing.T) {
	t.Parallel()
	ledger := state.Condition{Code: state.LedgerFailing, Detail: "disk is full\nok"}
	for _, tc := range []struct {
		name   string
		in     state.State
		status int
		body   string
	}{
		{"well", state.State{Phase: state.Watching}, 200, "ok\n"},
		{"danger that needs nobody at the box", state.State{Phase: state.Watching, Conditions: []state.Condition{{Code: state.DriveFull}}}, 200, "ok\n"},
		{"starting", state.State{Phase: state.Starting}, 503, "the box is starting and checks itself\n"},
		{"never published", state.State{}, 503, "the box is in a phase unknown to this program: \n"},
		{"needs a person", state.State{Phase: state.Watching, Conditions: []state.Condition{ledger}}, 503, "the ledger cannot be written: disk is full\\u000aok\n"},
		{"unknown code", state.State{Phase: state.Watching, Conditions: []state.Condition{{Code: "later"}}}, 503, "later\n"},
	} {
		rec := ask(Handler(Config{States: publisher(&tc.in)}), http.MethodGet, "/healthz", "")
		if rec.Code != tc.status || rec.Body.String() != tc.body {
			t.Errorf("%s: %d %q, want %d %q", tc.name, rec.Code, rec.Body, tc.status, tc.body)
		}
		if got := NewDocument(&tc.in).Healthy; got != (tc.status == 200) {
			t.Errorf("%s: the document says healthy: %t", tc.name, got)
		}
	}
}

func TestHandler_boundsRequests(t *testing.T) {
	t.Parallel()
	c := sampleConfig()
	inside, leave := make(chan struct{}), make(chan struct{})
	c.Metrics = http.HandlerFunc(func(http.ResponseWriter, *http.Request) { inside <- struct{}{}; <-leave })
	c.MaxRequests = 2
	h := Handler(c)
	done := make(chan struct{})
	for range 2 {
		go func() { ask(h, http.MethodGet, "/metrics", ""); done <- struct{}{} }()
		<-inside
	}
	rec := ask(h, http.MethodGet, "/v1/status", "")
	if rec.Code != http.StatusServiceUnavailable || rec.Header().Get("Retry-After") == "" {
		t.Errorf("third request: %d", rec.Code)
	}
	checkProblem(t, rec)
	close(leave)
	<-done
	<-done
	if rec := ask(h, http.MethodGet, "/v1/status", ""); rec.Code != http.StatusOK {
		t.Errorf("after the others left: %d", rec.Code)
	}
}

// A document that the page's server sends is what the client reads.
func TestDocument_roundTrip(t *testing.T) {
	t.Parallel()
	var got Document
	if err := json.Unmarshal(ask(Handler(sampleConfig()), http.MethodGet, "/v1/status", "").Body.Bytes(), &got); err != nil {
		t.Fatal(err)
	}
	s := sampleState()
	s.Sequence = 1
	if diff := cmp.Diff(NewDocument(s), &got); diff != "" {
		t.Errorf("(-sent +received):\n%s", diff)
	}
}
