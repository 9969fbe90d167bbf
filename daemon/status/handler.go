package status

import (
	"context"
	"crypto/rand"
	"crypto/sha256"
	"fmt"
	"net/http"
	"strconv"
	"strings"
	"time"

	"bothy/daemon/state"
)

// security are the headers of every answer. The policy allows the page its own
// script, style, form and requests and nothing else; nobody may frame it.
var security = [][2]string{
	{"Content-Security-Policy", "default-src 'none'; script-src 'self'; style-src 'self'; connect-src 'self'; " +
		"base-uri 'none'; form-action 'self'; frame-ancestors 'none'"},
	{"X-Content-Type-Options", "nosniff"},
	{"Referrer-Policy", "no-referrer"},
	{"Cross-Origin-Resource-Policy", "same-origin"},
	{"Cross-Origin-Opener-Policy", "same-origin"},
	{"Cache-Control", "no-store"},
}

type handler struct {
	Config
	control   *control      // nil: nothing acts
	requests  chan struct{} // one slot per request under way
	listeners chan struct{} // one slot per follower
	reports   chan struct{} // one slot per report being made
	life      string        // tells this life of the daemon from any other
}

// Handler serves the read-only windows.
func Handler(c Config) http.Handler { return newHandler(c, nil) }

func newHandler(c Config, act *control) *handler {
	c = c.withDefaults()
	return &handler{
		Config: c, control: act,
		requests: make(chan struct{}, c.MaxRequests), listeners: make(chan struct{}, c.MaxListeners),
		reports: make(chan struct{}, maxReports), life: rand.Text(),
	}
}

// route is what one path answers to; get also serves HEAD.
type route struct{ get, post http.HandlerFunc }

func (rt route) allow() string {
	if rt.post != nil {
		return "POST"
	}
	return "GET, HEAD"
}

const offloadsPrefix = "/v1/offloads/"

func (h *handler) find(path string) (route, bool) {
	switch path {
	case "/":
		return route{get: h.servePage}, true
	case "/page.css", "/page.js", "/v1/openapi.json":
		return route{get: serveAsset}, true
	case "/healthz":
		return route{get: h.serveHealth}, true
	case "/metrics":
		if h.Metrics != nil {
			return route{get: h.Metrics.ServeHTTP}, true
		}
	case "/v1/status":
		return route{get: h.document(func(s *state.State) any { return NewDocument(s) })}, true
	case "/v1/offloads":
		return route{get: h.document(func(s *state.State) any { return OffloadList{renderAll(s.Offloads, renderOffload)} })}, true
	case "/v1/drives":
		return route{get: h.document(func(s *state.State) any { return DriveList{renderAll(s.Drives, renderDrive)} })}, true
	case "/v1/events":
		return route{get: h.serveEvents}, true
	}
	if get, ok := h.findArchive(path); ok {
		return route{get: get}, true
	}
	if strings.HasPrefix(path, offloadsPrefix) {
		return route{get: h.serveOffload}, true
	}
	if h.Report != nil && strings.HasPrefix(path, reportsPrefix) {
		return route{get: h.serveReport}, true
	}
	if h.control != nil {
		if post := h.control.find(path); post != nil {
			return route{post: post}, true
		}
	}
	return route{}, false
}

// ServeHTTP implements http.Handler.
func (h *handler) ServeHTTP(w http.ResponseWriter, r *http.Request) {
	for _, kv := range security {
		w.Header().Set(kv[0], kv[1])
	}
	slots := h.requests
	if r.URL.Path == "/v1/events" {
		slots = h.listeners
	}
	select {
	case slots <- struct{}{}:
		defer func() { <-slots }()
	default:
		w.Header().Set("Retry-After", "5")
		sendProblem(w, r, http.StatusServiceUnavailable, "too many requests at a time; try again in a few seconds")
		return
	}
	rt, ok := h.find(r.URL.Path)
	if !ok {
		sendProblem(w, r, http.StatusNotFound, "there is nothing at this path")
		return
	}
	serve := rt.post
	if r.Method == http.MethodGet || r.Method == http.MethodHead {
		serve = rt.get
	} else if r.Method != http.MethodPost {
		serve = nil
	}
	if serve == nil {
		w.Header().Set("Allow", rt.allow())
		sendProblem(w, r, http.StatusMethodNotAllowed, "this path answers to "+rt.allow()+" only")
		return
	}
	serve(w, r)
}

// document serves what render makes of the newest State. Who has it already, and
// says so, is told no more than that: over a bad link little is asked often.
func (h *handler) document(render func(*state.State) any) http.HandlerFunc {
	return func(w http.ResponseWriter, r *http.Request) {
		s, _ := h.States.Current()
		v := render(s)
		tag, err := h.tag(v)
		if err == nil {
			w.Header().Set("ETag", tag)
			if r.Header.Get("If-None-Match") == tag {
				w.WriteHeader(http.StatusNotModified)
				return
			}
		}
		h.sendJSON(w, r, http.StatusOK, v)
	}
}

// tag names what an answer says. A State is published every few seconds also when
// nothing happens; that time has passed makes no other answer.
func (h *handler) tag(v any) (string, error) {
	if d, ok := v.(*Document); ok {
		still := *d
		still.Moment, still.Sequence = time.Time{}, 0
		v = &still
	}
	body, err := encode(v)
	if err != nil {
		return "", err
	}
	return fmt.Sprintf(`"%s-%x"`, h.life, sha256.Sum256(body)), nil
}

func (h *handler) sendJSON(w http.ResponseWriter, r *http.Request, status int, v any) {
	body, err := encode(v)
	if err != nil {
		h.Log.ErrorContext(r.Context(), "answer not rendered", "path", r.URL.Path, "error", err)
		sendProblem(w, r, http.StatusInternalServerError, "the answer cannot be rendered")
		return
	}
	send(w, r, status, "application/json", body)
}

// serveOffload looks in the State first and then asks Lookup.
func (h *handler) serveOffload(w http.ResponseWriter, r *http.Request) {
	id := strings.TrimPrefix(r.URL.Path, offloadsPrefix)
	if !offloadID(id) {
		sendProblem(w, r, http.StatusBadRequest, badOffloadID)
		return
	}
	o, found, err := h.offload(r.Context(), id)
	switch {
	case err != nil:
		h.Log.ErrorContext(r.Context(), "offload not looked up", "offload", id, "error", err)
		sendProblem(w, r, http.StatusInternalServerError, ledgerUnread)
	case !found:
		sendProblem(w, r, http.StatusNotFound, "there is no offload with this id")
	default:
		h.sendJSON(w, r, http.StatusOK, NewOffload(o))
	}
}

func (h *handler) offload(ctx context.Context, id string) (state.Offload, bool, error) {
	s, _ := h.States.Current()
	for _, o := range s.Offloads {
		if o.ID == id {
			return o, true, nil
		}
	}
	if h.Lookup == nil {
		return state.Offload{}, false, nil
	}
	return h.Lookup(ctx, id)
}

const badOffloadID = "an offload's id is 1 to 128 letters, digits, '.', '_' and '-'"

func offloadID(s string) bool {
	for i := range len(s) {
		c := s[i]
		switch {
		case c >= 'a' && c <= 'z', c >= 'A' && c <= 'Z', c >= '0' && c <= '9', c == '.', c == '_', c == '-':
		default:
			return false
		}
	}
	return len(s) >= 1 && len(s) <= 128
}

// send writes a whole answer. An error of the write means that the client has
// gone, which is its own business.
func send(w http.ResponseWriter, r *http.Request, status int, contentType string, body []byte) {
	w.Header().Set("Content-Type", contentType)
	w.Header().Set("Content-Length", strconv.Itoa(len(body)))
	w.WriteHeader(status)
	if r.Method != http.MethodHead {
		_, _ = w.Write(body)
	}
}
