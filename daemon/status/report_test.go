package status

import (
	"context"
	"errors"
	"io"
	"net/http"
	"net/http/httptest"
	"strings"
	"testing"

	"bothy/daemon/report"
)

// reporting serves days: one that is sound, one whose list ends early at once, one
// where it ends late, and one of which nothing is known.
func reporting() Config {
	c := sampleConfig()
	c.Report = func(_ context.Context, day string) (*report.Day, error) {
		d := &report.Day{Date: day, BoxID: "b7c1", BoxName: "<b>skerry</b>", Offloads: []report.Offload{{CardLabel: "SKUA_A002"}}}
		files := func(good int, err error) {
			d.Offloads[0].Files = func(yield func(report.File, error) bool) {
				for range good {
					if !yield(report.File{Path: "DCIM/SKUA0001.JPG"}, nil) {
						return
					}
				}
				if err != nil {
					yield(report.File{}, err)
				}
			}
		}
		switch day {
		case "2026-11-25", "today":
			files(3, nil)
		case "2026-11-24":
			files(0, errors.New("damaged"))
		case "2026-11-23":
			files(100_000, errors.New("damaged"))
		case "2026-11-22":
			return nil, errors.New("open /var/lib/bothy/ledger.db: fault")
		case "0000-01-01":
			return nil, report.ErrNoDay
		default:
			return nil, nil
		}
		return d, nil
	}
	return c
}

func TestReport_answers(t *testing.T) {
	t.Parallel()
	h, bare := Handler(reporting()), Handler(sampleConfig())
	for _, tc := range []struct {
		handler      http.Handler
		method, path string
		status       int
		holds        string
	}{
		{h, "GET", "/reports/2026-11-25.html", 200, "&lt;b&gt;skerry&lt;/b&gt;"},
		{h, "GET", "/reports/2026-11-25.csv", 200, "DCIM/SKUA0001.JPG"},
		{h, "GET", "/reports/today.html", 200, "SKUA_A002"},
		{h, "HEAD", "/reports/2026-11-25.html", 200, ""},
		{h, "GET", "/reports/2026-11-26.html", 404, "nothing was copied on that day: 2026-11-26"},
		{h, "GET", "/reports/yesterday.csv", 404, "nothing was copied on that day: yesterday"},
		{h, "GET", "/reports/2026-11-25.pdf", 404, "DAY.html or DAY.csv"},
		{h, "GET", "/reports/2026-11-25", 404, "DAY.html or DAY.csv"},
		{h, "GET", "/reports/2026-11-25.html.csv", 404, "DAY.html or DAY.csv"},
		{h, "GET", "/reports/2026-02-30.html", 400, "YYYY-MM-DD"},
		{h, "GET", "/reports/0000-01-01.html", 400, "YYYY-MM-DD"},
		{h, "GET", "/reports/../2026-11-25.html", 400, "YYYY-MM-DD"},
		{h, "GET", "/reports/\u202e<b>.html", 400, "YYYY-MM-DD"},
		{h, "GET", "/reports/" + strings.Repeat("9", 5000), 400, "YYYY-MM-DD"},
		{h, "GET", "/reports/", 400, "YYYY-MM-DD"},
		{h, "GET", "/reports/2026-11-24.html", 500, "the ledger cannot be read"},
		{h, "GET", "/reports/2026-11-24.csv", 500, "the ledger cannot be read"},
		{h, "GET", "/reports/2026-11-22.csv", 500, "the ledger cannot be read"},
		{h, "POST", "/reports/2026-11-25.html", 405, "GET, HEAD only"},
		{bare, "GET", "/reports/2026-11-25.html", 404, "there is nothing"},
	} {
		rec := ask(tc.handler, tc.method, tc.path, "")
		body := rec.Body.String()
		if rec.Code != tc.status || !strings.Contains(body, tc.holds) || tc.method == "HEAD" && body != "" {
			t.Errorf("%s %.60q: %d %.200s", tc.method, tc.path, rec.Code, body)
		}
		kind := rec.Header().Get("Content-Type")
		if problem := kind == "application/problem+json"; problem != (tc.status != 200) {
			t.Errorf("%s %.60q: %s", tc.method, tc.path, kind)
		}
		if strings.Contains(body, "/var/lib") {
			t.Errorf("%s %.60q tells of the box's inside", tc.method, tc.path)
		}
	}
	csp := ask(h, "GET", "/reports/2026-11-25.html", "").Header().Get("Content-Security-Policy")
	if !strings.Contains(csp, "style-src 'sha256-") || strings.Contains(csp, "script-src") || !strings.HasPrefix(csp, "default-src 'none'") {
		t.Errorf("policy of a report: %s", csp)
	}
}

// No more than some are made at a time.
func TestReport_bounded(t *testing.T) {
	t.Parallel()
	c := reporting()
	begun, goOn := make(chan struct{}), make(chan struct{})
	c.Report = func(context.Context, string) (*report.Day, error) {
		begun <- struct{}{}
		<-goOn
		return nil, nil
	}
	h := Handler(c)
	ended := make(chan int)
	for range maxReports {
		go func() { ended <- ask(h, "GET", "/reports/2026-11-25.html", "").Code }()
		<-begun
	}
	rec := ask(h, "GET", "/reports/2026-11-25.html", "")
	if rec.Code != http.StatusServiceUnavailable || rec.Header().Get("Retry-After") == "" {
		t.Errorf("one more: %d", rec.Code)
	}
	close(goOn)
	for range maxReports {
		if code := <-ended; code != http.StatusNotFound {
			t.Errorf("one of them: %d", code)
		}
	}
}

// A report that cannot be made to its end does not look whole.
func TestReport_tornOff(t *testing.T) {
	t.Parallel()
	srv := httptest.NewServer(Handler(reporting()))
	t.Cleanup(srv.Close)
	for _, format := range []string{"html", "csv"} {
		resp, err := srv.Client().Get(srv.URL + "/reports/2026-11-23." + format)
		if err != nil {
			t.Fatal(err)
		}
		body, err := io.ReadAll(resp.Body)
		resp.Body.Close()
		if resp.StatusCode == http.StatusOK && err == nil {
			t.Errorf("%s: %d bytes came as if they were all", format, len(body))
		}
	}
}

func TestClient_report(t *testing.T) {
	t.Parallel()
	path := socketPath(t)
	serving(t, Control{Config: reporting(), Path: path, Actions: newRecorder(nil)})
	client := dial(t, path)
	var got strings.Builder
	if err := client.Report(t.Context(), &got, "2026-11-25", report.FormatCSV); err != nil || !strings.Contains(got.String(), "SKUA0001") {
		t.Errorf("%v: %s", err, got.String())
	}
	for day, want := range map[string]int{"2026-11-26": 404, "2026-11-22": 500, "a/b?c": 400} {
		got.Reset()
		err := client.Report(t.Context(), &got, day, report.FormatHTML)
		var said *Problem
		if !errors.As(err, &said) || said.Status != want || got.Len() != 0 {
			t.Errorf("%s: %v, and %d bytes", day, err, got.Len())
		}
	}
	var said *Problem
	if err := client.Report(t.Context(), io.Discard, "2026-11-23", report.FormatCSV); err == nil || errors.As(err, &said) {
		t.Errorf("a report that was torn off: %v", err)
	}
}

// The page leads from an offload to the report of its day.
func TestPage_leadsToReports(t *testing.T) {
	t.Parallel()
	s := sampleState()
	s.Offloads[0].Day = "2026-11-25"
	s.Offloads[1].Day = "\"><script>"
	var page strings.Builder
	if err := Page(&page, NewDocument(s), nil); err != nil {
		t.Fatal(err)
	}
	if n := strings.Count(page.String(), `<a href="/reports/`); n != 1 || !strings.Contains(page.String(), `<a href="/reports/2026-11-25.html">report of 2026-11-25</a>`) {
		t.Errorf("%d links to reports:\n%s", n, page.String())
	}
}
