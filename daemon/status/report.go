package status

import (
	"context"
	"errors"
	"io"
	"net/http"
	"strings"
	"time"

	"bothy/daemon/report"
)

const reportsPrefix = "/reports/"

// Bounds on reports. They are made while they are sent, so that none is held in
// memory, and somebody who takes nothing for a while is cut off.
const (
	maxReports = 2
	reportTime = 10 * time.Minute
)

// ReportDay reports whether day may name a day in a path; which there are, the
// box knows.
func ReportDay(day string) bool {
	if _, err := time.Parse(time.DateOnly, day); err == nil {
		return true
	}
	return day == "today" || day == "yesterday"
}

// serveReport answers to /reports/DAY.html and /reports/DAY.csv.
func (h *handler) serveReport(w http.ResponseWriter, r *http.Request) {
	day, end, _ := strings.Cut(strings.TrimPrefix(r.URL.Path, reportsPrefix), ".")
	format := report.Format(end)
	if !ReportDay(day) {
		sendProblem(w, r, http.StatusBadRequest, report.NoDay(brief(day)).Error())
		return
	}
	if format != report.FormatHTML && format != report.FormatCSV {
		sendProblem(w, r, http.StatusNotFound, "a report is DAY.html or DAY.csv")
		return
	}
	select {
	case h.reports <- struct{}{}:
		defer func() { <-h.reports }()
	default:
		w.Header().Set("Retry-After", "5")
		sendProblem(w, r, http.StatusServiceUnavailable, "other reports are being made; try again in a few seconds")
		return
	}
	ctx, cancel := context.WithTimeout(r.Context(), reportTime)
	defer cancel()
	d, err := h.Report(ctx, day)
	switch {
	case errors.Is(err, report.ErrNoDay):
		sendProblem(w, r, http.StatusBadRequest, err.Error())
	case err != nil:
		h.Log.ErrorContext(ctx, "report not made", "path", r.URL.Path, "error", err)
		sendProblem(w, r, http.StatusInternalServerError, ledgerUnread)
	case d == nil:
		sendProblem(w, r, http.StatusNotFound, "nothing was copied on that day: "+day)
	default:
		h.sendReport(w, r, d, format)
	}
}

// sendReport sends a report while it is made. One that cannot be made to its end
// is torn off, so that nobody takes a part for the whole.
func (h *handler) sendReport(w http.ResponseWriter, r *http.Request, d *report.Day, format report.Format) {
	head := w.Header()
	head.Set("Content-Type", "text/html; charset=utf-8")
	if format == report.FormatCSV {
		head.Set("Content-Type", "text/csv; charset=utf-8; header=present")
	}
	head.Set("Content-Security-Policy", "default-src 'none'; style-src "+report.StyleSource()+
		"; base-uri 'none'; form-action 'none'; frame-ancestors 'none'")
	head.Set("Content-Disposition", `inline; filename="`+d.Date+"."+string(format)+`"`)
	if r.Method == http.MethodHead {
		return
	}
	sent := &patientWriter{w: w, control: http.NewResponseController(w)}
	err := report.Write(sent, d, format)
	if err == nil {
		return
	}
	h.Log.WarnContext(r.Context(), "report not sent whole", "path", r.URL.Path, "error", err)
	if sent.bytes == 0 {
		head.Del("Content-Disposition")
		sendProblem(w, r, http.StatusInternalServerError, ledgerUnread)
		return
	}
	panic(http.ErrAbortHandler) // the server's word for an answer that is torn off
}

// patientWriter gives each portion as long as other answers have in whole.
type patientWriter struct {
	w       io.Writer
	control *http.ResponseController
	bytes   int64
}

func (p *patientWriter) Write(b []byte) (int, error) {
	// Where no deadline can be set, that of the server holds.
	_ = p.control.SetWriteDeadline(time.Now().Add(writeTimeout))
	n, err := p.w.Write(b)
	p.bytes += int64(n)
	return n, err
}
