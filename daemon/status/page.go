package status

import (
	"bytes"
	"crypto/sha256"
	"embed"
	"fmt"
	"html/template"
	"io"
	"net/http"
	"path"
	"time"
)

//go:embed page.html find.html page.css page.js openapi.json
var assets embed.FS

// pageTemplate is parsed once, with the page of what was found; html/template escapes by context.
var pageTemplate = template.Must(template.ParseFS(assets, "page.html", "find.html"))

// What is said where a list is empty.
const (
	noCards  = "No card is in. Put one in; the box does the rest."
	noDrives = "No drive is attached and none is known."
)

// Page writes d as the page of GET /. days may be nil: what the ledger alone
// knows is not shown then.
func Page(w io.Writer, d *Document, days *DayList) error {
	err := pageTemplate.ExecuteTemplate(w, "page.html", struct {
		*view
		NoCards, NoDrives string
		Where             *whereView
	}{newView(d), noCards, noDrives, viewWhere(days)})
	if err != nil {
		return fmt.Errorf("render page: %w", err)
	}
	return nil
}

func (h *handler) servePage(w http.ResponseWriter, r *http.Request) {
	s, _ := h.States.Current()
	var body bytes.Buffer
	if err := Page(&body, NewDocument(s), h.newestDays(r.Context())); err != nil {
		h.pageFailed(w, r, err)
		return
	}
	send(w, r, http.StatusOK, htmlType, body.Bytes())
}

const htmlType = "text/html; charset=utf-8"

func (h *handler) pageFailed(w http.ResponseWriter, r *http.Request, err error) {
	h.Log.ErrorContext(r.Context(), "page not rendered", "error", err)
	sendProblem(w, r, http.StatusInternalServerError, "the page cannot be rendered")
}

// serveAsset serves script and style, which a browser may keep as long as it
// asks whether they are still the same.
func serveAsset(w http.ResponseWriter, r *http.Request) {
	name := path.Base(r.URL.Path)
	data, err := assets.ReadFile(name)
	if err != nil {
		sendProblem(w, r, http.StatusNotFound, "there is nothing at this path")
		return
	}
	types := map[string]string{".css": "text/css; charset=utf-8", ".js": "text/javascript; charset=utf-8", ".json": "application/json"}
	w.Header().Set("Content-Type", types[path.Ext(name)])
	w.Header().Set("Cache-Control", "no-cache")
	w.Header().Set("ETag", fmt.Sprintf("%q", fmt.Sprintf("%x", sha256.Sum256(data))[:16]))
	http.ServeContent(w, r, name, time.Time{}, bytes.NewReader(data))
}
