package status

import (
	"encoding/json"
	"net/http"
	"strconv"
	"strings"
)

// Problem is an error as RFC 9457 defines it. Its type is always about:blank,
// so Title is the phrase of the status code and Detail says what happened.
type Problem struct {
	Type   string `json:"type"`
	Title  string `json:"title"`
	Status int    `json:"status"`
	Detail string `json:"detail,omitempty"`
}

// Error returns the detail, or the title where there is none, fit for a
// terminal.
func (p *Problem) Error() string {
	if lines := cleanLines(p.Detail); len(lines) > 0 {
		return strings.Join(lines, "\n")
	}
	return strconv.Itoa(p.Status) + " " + clean(p.Title)
}

func sendProblem(w http.ResponseWriter, r *http.Request, status int, detail string) {
	body, err := encode(Problem{Type: "about:blank", Title: http.StatusText(status), Status: status, Detail: cut(detail, maxPolicyError)})
	if err != nil { // four plain fields always encode; without a body the status still stands
		body = nil
	}
	send(w, r, status, "application/problem+json", body)
}

// readProblem makes an error of an answer that is not a success.
func readProblem(status int, body []byte) error {
	p := &Problem{Type: "about:blank", Title: http.StatusText(status), Status: status}
	var sent Problem
	if json.Unmarshal(body, &sent) == nil && sent.Status == status {
		p.Title, p.Detail = sent.Title, sent.Detail
	}
	return p
}
