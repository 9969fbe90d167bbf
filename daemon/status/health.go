package status

import (
	"net/http"
	"strings"

	"bothy/daemon/state"
)

// ailments lists, in words, why the box is not well: it is not watching, or a
// condition needs a person. Nothing listed means well.
func ailments(s *state.State) []string {
	var out []string
	if s.Phase != state.Watching {
		out = append(out, phaseSentence(string(s.Phase)))
	}
	for _, c := range s.Conditions {
		k := c.Kind()
		if !k.NeedsPerson {
			continue
		}
		line := k.Sentence
		if c.Subject != "" {
			line = c.Subject + ": " + line
		}
		if c.Detail != "" {
			line += ": " + c.Detail
		}
		out = append(out, clean(long(line)))
	}
	return out
}

// serveHealth answers 200 "ok", or 503 and one sentence a line.
func (h *handler) serveHealth(w http.ResponseWriter, r *http.Request) {
	s, _ := h.States.Current()
	code, body := http.StatusOK, "ok\n"
	if bad := ailments(s); len(bad) > 0 {
		code, body = http.StatusServiceUnavailable, strings.Join(bad, "\n")+"\n"
	}
	send(w, r, code, "text/plain; charset=utf-8", []byte(body))
}
