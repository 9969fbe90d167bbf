package status

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"net"
	"net/http"
	"net/http/httptest"
	"path/filepath"
	"regexp"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"bothy/testdata/shown"
)

// fakeArchive answers with what it holds and keeps what it was asked.
type fakeArchive struct {
	asked  *[]any
	days   DayList
	files  FileList
	err    error
	wanted string // the only drive and offload there is
}

func (a fakeArchive) note(v any) {
	if a.asked != nil {
		*a.asked = append(*a.asked, v)
	}
}

func (a fakeArchive) Days(_ context.Context, q Question) (DayList, error) {
	a.note(q)
	return a.days, a.err
}

func (a fakeArchive) Files(_ context.Context, q Question) (FileList, error) {
	a.note(q)
	return a.files, a.err
}

func (a fakeArchive) Missing(_ context.Context, drive string, limit int) (MissingList, error) {
	a.note([]any{drive, limit})
	if drive != a.wanted {
		return MissingList{}, fmt.Errorf("drive %q: %w", drive, ErrNoSuch)
	}
	return MissingList{DriveID: "d-4", DriveName: drive, Offloads: a.days.Days[0].Offloads, More: true}, a.err
}

func (a fakeArchive) Verdicts(_ context.Context, id string) (VerdictList, error) {
	a.note(id)
	if id != a.wanted {
		return VerdictList{}, ErrNoSuch
	}
	return sampleVerdicts(func(s string) string { return s }), a.err
}

func sampleDays() *DayList { return filledDays(func() string { return "" }) }

// filledDays is two invented days, with every string that a medium or a person
// gives replaced by text(), unless that is empty.
func filledDays(text func() string) *DayList {
	is := textOr(text)
	return &DayList{More: true, Days: []Day{
		{Day: "2026-11-25", ClockTrusted: true, Files: 1218, SizeBytes: 137.3e9, Offloads: []Stored{
			NewStored(Stored{ID: "b7c1-11", CardLabel: is("SKUA_A002"), Folder: is("2026-11-25/skerry-2-SKUA_A002-1358"), Started: at(13, 58, 2), ClockTrusted: true, Verdict: "release", Files: 1204, SizeBytes: 41.3e9,
				Copies: []StoredCopy{{"d-1", is("gannet"), is("2026-11-25/skerry-2-SKUA_A002-1358"), "proven"}, {"d-2", is("fulmar"), is("2026-11-25/skerry-2-SKUA_A002-1358"), "proven"}}}),
			NewStored(Stored{ID: "b7c1-10", CardLabel: is("TERN_CLIPS"), Started: at(12, 1, 0), ClockTrusted: true, Verdict: "hold", Reason: is("1 proven copy stands"), Files: 14, SizeBytes: 96e9,
				Copies: []StoredCopy{{"d-1", is("gannet"), is("2026-11-25/skerry-2-TERN_CLIPS-1201"), "lost"}}}),
		}},
		{Offloads: []Stored{NewStored(Stored{ID: "b7c1-1", Verdict: "maybe", Copies: []StoredCopy{{DriveID: is("d-9"), Status: is("odd")}}})}},
	}}
}

func textOr(text func() string) func(string) string {
	return func(s string) string {
		if t := text(); t != "" {
			return t
		}
		return s
	}
}

func sampleFiles(text func() string) FileList {
	is := textOr(text)
	return FileList{More: true, Files: []StoredFile{NewStoredFile(StoredFile{
		Path: is("DCIM/100SKUAS/SKUA0042.MOV"), SizeBytes: 2.1e9, Modified: at(9, 0, 0), Algorithm: is("xxh128"), Checksum: is("00ff"),
		OffloadID: "b7c1-11", CardLabel: is("SKUA_A002"), Folder: is("f"), Started: at(13, 58, 2),
		Places: []FilePlace{
			{StoredCopy{"d-1", is("gannet"), is("2026-11-25/skerry-2"), "proven"}, true, at(14, 0, 1)},
			{StoredCopy{"d-2", is("fulmar"), is("2026-11-25/skerry-2"), "lost"}, true, at(14, 0, 2)},
			{StoredCopy{"d-3", "", "", "open"}, false, time.Time{}},
		},
	}), NewStoredFile(StoredFile{Path: is("x")})}}
}

func sampleVerdicts(is func(string) string) VerdictList {
	return VerdictList{OffloadID: "b7c1-11", CardLabel: Brief(is("SKUA_A002")), Verdicts: []PastVerdict{
		NewPastVerdict(PastVerdict{Verdict: "hold", Reason: is("copying to 2 drives"), Status: "open"}),
		NewPastVerdict(PastVerdict{At: at(14, 11, 39), Verdict: "hold", Reason: is("1 proven copy stands; needs 1 more drive"), Status: "done"}),
		NewPastVerdict(PastVerdict{At: at(14, 11, 40), ClockTrusted: true, Verdict: "release", Reason: is("2 proven copies stand on gannet and fulmar"), Status: "done"}),
		NewPastVerdict(PastVerdict{At: at(15, 0, 0), ClockTrusted: true, Verdict: "perhaps", Status: "void"}),
	}}
}

func archiveConfig(asked *[]any) Config {
	c := sampleConfig()
	c.Archive = fakeArchive{asked: asked, days: *sampleDays(), files: sampleFiles(func() string { return "" }), wanted: "b7c1-11"}
	return c
}

func get(h http.Handler, target string) *httptest.ResponseRecorder {
	rec := httptest.NewRecorder()
	h.ServeHTTP(rec, httptest.NewRequest(http.MethodGet, target, nil))
	return rec
}

func TestArchive_answers(t *testing.T) {
	t.Parallel()
	day := func(d int) time.Time { return time.Date(2026, 11, d, 0, 0, 0, 0, time.UTC) }
	for _, tc := range []struct {
		target string
		status int
		holds  string
		asked  any // nil: the archive must not be asked
	}{
		{"/v1/days", 200, `"SKUA_A002"`, Question{Limit: 100}},
		{"/v1/days?card=SKUA*&since=2026-11-24&until=2026-11-25&drive=gannet&limit=7", 200, `"more": true`, Question{Card: "SKUA*", Drive: "gannet", Since: day(24), Until: day(25), Limit: 7}},
		{"/v1/days?limit=5000", 200, "", Question{Limit: 1000}},
		{"/v1/days?limit=-3", 200, "", Question{Limit: 1}},
		{"/v1/days?name=x", 400, "not known here", nil},
		{"/v1/files?name=*.MOV&offload=b7c1-11", 200, `"proven_at": "2026-11-25T14:00:01Z"`, Question{Name: "*.MOV", Offload: "b7c1-11", Limit: 100}},
		{"/v1/files?offload=../etc", 400, "1 to 128", nil},
		{"/v1/files?limit=many", 400, "not a number", nil},
		{"/v1/files?limit=99999999999999999999", 400, "not a number", nil},
		{"/v1/files?since=yesterday", 400, "2026-11-25", nil},
		{"/v1/files?until=2026-02-30", 400, "2026-11-25", nil},
		{"/v1/files?name=a&name=b", 400, "more than once", nil},
		{"/v1/files?name=" + strings.Repeat("a", 1025), 400, "longer than 1024", nil},
		{"/v1/files?%1b%5b2J=a", 400, "not known here", nil},
		{"/v1/drives/b7c1-11/missing?limit=3", 200, `"drive_name": "b7c1-11"`, []any{"b7c1-11", 3}},
		{"/v1/drives/shore%20store/missing", 404, "not in the ledger", []any{"shore store", 100}},
		{"/v1/drives/a/b/missing", 404, "nothing at this path", nil},
		{"/v1/drives//missing", 404, "nothing at this path", nil},
		{"/v1/offloads/b7c1-11/verdicts", 200, `"2 proven copies stand on gannet and fulmar"`, "b7c1-11"},
		{"/v1/offloads/b7c1-12/verdicts", 404, "not in the ledger", "b7c1-12"},
		{"/v1/offloads/%3Cb%3E/verdicts", 400, "1 to 128", nil},
		{"/v1/offloads/b7c1-11/verdicts?limit=1", 400, "not known here", nil},
		{"/find", 200, `<form class="find" role="search" method="get" action="/find">`, nil},
		{"/find?name=*.MOV", 200, "SKUA0042.MOV", Question{Name: "*.MOV", Limit: 100}},
		{"/find?nmae=*.MOV", 400, "not known here", nil},
		{"/", 200, `id="where"`, Question{Limit: pageOffloads}},
	} {
		var asked []any
		rec := get(Handler(archiveConfig(&asked)), tc.target)
		if rec.Code != tc.status || !strings.Contains(rec.Body.String(), tc.holds) {
			t.Errorf("%.60s: %d %.300q", tc.target, rec.Code, rec.Body)
		}
		if rec.Code >= 400 && !strings.HasPrefix(tc.target, "/find") {
			checkProblem(t, rec)
		}
		var want []any
		if tc.asked != nil {
			want = []any{tc.asked}
		}
		if diff := cmp.Diff(want, asked); diff != "" {
			t.Errorf("%.60s was asked (-want +got):\n%s", tc.target, diff)
		}
		if rec.Header().Get("Content-Security-Policy") != security[0][1] {
			t.Errorf("%.60s: the policy of what a page may do is %q", tc.target, rec.Header().Get("Content-Security-Policy"))
		}
	}
	bare := Handler(sampleConfig())
	for _, target := range []string{"/find", "/v1/days", "/v1/files", "/v1/drives/d-1/missing"} {
		if rec := get(bare, target); rec.Code != http.StatusNotFound {
			t.Errorf("%s without an archive: %d", target, rec.Code)
		}
	}
	if rec := get(bare, "/"); strings.Contains(rec.Body.String(), `id="where"`) || strings.Contains(rec.Body.String(), "<form") {
		t.Error("the page without an archive offers to find things")
	}
}

// Whose fault it is shows in the answer; what the ledger says of itself does not.
func TestArchive_faults(t *testing.T) {
	t.Parallel()
	for _, tc := range []struct {
		err    error
		status int
		holds  string
	}{
		{fmt.Errorf("name: %w: a [ has no ]", ErrQuestion), 400, "a [ has no ]"},
		{fmt.Errorf("drive %q: %w", "x", ErrNoSuch), 404, "not in the ledger"},
		{errors.New("read /var/lib/bothy/ledger.db: fault"), 500, "the ledger cannot be read"},
		{fmt.Errorf("find: %w", context.DeadlineExceeded), 503, "ask for less"},
	} {
		c := sampleConfig()
		c.Archive = fakeArchive{err: tc.err}
		h := Handler(c)
		for _, target := range []string{"/v1/days", "/v1/files?name=x", "/find?name=x"} {
			rec := get(h, target)
			if rec.Code != tc.status || !strings.Contains(rec.Body.String(), tc.holds) || strings.Contains(rec.Body.String(), "/var/lib") {
				t.Errorf("%v, %s: %d %.200q", tc.err, target, rec.Code, rec.Body)
			}
		}
		if rec := get(h, "/"); rec.Code != 200 || strings.Contains(rec.Body.String(), `id="where"`) {
			t.Errorf("%v: the page: %d", tc.err, rec.Code)
		}
	}
}

// What was found can act as nothing, whatever it is called.
func TestFind_structureIsThatOfHarmlessText(t *testing.T) {
	t.Parallel()
	page := func(text string) []byte {
		c := archiveConfig(nil)
		c.Archive = fakeArchive{files: sampleFiles(func() string { return text })}
		rec := httptest.NewRecorder()
		req := httptest.NewRequest(http.MethodGet, "/find", nil)
		values := req.URL.Query()
		values.Set("name", text[:min(len(text), 500)])
		req.URL.RawQuery = values.Encode()
		Handler(c).ServeHTTP(rec, req)
		return rec.Body.Bytes()
	}
	typed := regexp.MustCompile(`value="[^"]*"`)
	bones := func(b []byte) []string { return skeleton(t, typed.ReplaceAll(b, []byte(`value=""`))) }
	want := bones(page("puffin"))
	if len(want) < 40 {
		t.Fatalf("the page has %d elements", len(want))
	}
	for _, h := range shown.Hostile {
		b := page(h)
		shown.MustPrint(t, "page", string(b))
		if diff := cmp.Diff(want, bones(b)); diff != "" {
			t.Errorf("%.60q changes the page (-harmless +hostile):\n%s", h, diff)
		}
		if limit := 64 << 10; len(b) > limit {
			t.Errorf("%.60q: the page has %d bytes, limit %d", h, len(b), limit)
		}
	}
}

// whereTexts writes all that a terminal is told, one after the other.
func whereTexts(t *testing.T, text func() string) string {
	t.Helper()
	var b bytes.Buffer
	days, files, verdicts := filledDays(text), sampleFiles(text), sampleVerdicts(textOr(text))
	missing := MissingList{DriveID: "d-4", DriveName: Brief(textOr(text)("razorbill")), Offloads: days.Days[0].Offloads}
	for _, err := range []error{
		DaysText(&b, days, false), DaysText(&b, days, true), FilesText(&b, &files), FilesText(&b, &FileList{}), VerdictsText(&b, &verdicts),
		VerdictsText(&b, &VerdictList{OffloadID: "b7c1-12"}), MissingText(&b, &missing), MissingText(&b, &MissingList{DriveName: "gannet"}),
	} {
		if err != nil {
			t.Fatal(err)
		}
	}
	return b.String()
}

func TestWhereText(t *testing.T) {
	t.Parallel()
	golden(t, "where.txt", []byte(whereTexts(t, func() string { return "" })))
	want := strings.Count(whereTexts(t, func() string { return "puffin" }), "\n")
	for _, h := range shown.Hostile {
		got := whereTexts(t, func() string { return h })
		shown.MustPrint(t, "text", got)
		if n := strings.Count(got, "\n"); n != want {
			t.Errorf("%.40q: %d lines, want %d", h, n, want)
		}
	}
	fake := whereTexts(t, func() string { return "RELEASE card SKUA" })
	if strings.Contains("\n"+fake, "\nRELEASE") {
		t.Errorf("a line begins like a release:\n%s", fake)
	}
}

// The client asks what it was asked and understands the answer; a drive's name
// and a glob may hold anything.
func TestClient_archive(t *testing.T) {
	t.Parallel()
	var asked []any
	c := archiveConfig(&asked)
	socket := filepath.Join(t.TempDir(), "s")
	l, err := net.Listen("unix", socket)
	if err != nil {
		t.Fatal(err)
	}
	srv := httptest.NewUnstartedServer(Handler(c))
	srv.Listener.Close()
	srv.Listener = l
	srv.Start()
	defer srv.Close()
	client, err := Dial(socket)
	if err != nil {
		t.Fatal(err)
	}
	defer client.Close()
	ctx := t.Context()
	q := Question{Name: "a b/*?&=#\u00e9", Card: "%41", Drive: "shore store", Offload: "b7c1-1", Since: time.Date(2026, 11, 24, 0, 0, 0, 0, time.UTC), Limit: 9}
	files, err1 := client.Files(ctx, q)
	q.Name, q.Offload = "", ""
	days, err2 := client.Days(ctx, q)
	verdicts, err3 := client.Verdicts(ctx, "b7c1-11")
	missing, err4 := client.Missing(ctx, "b7c1-11", 5)
	if err := errors.Join(err1, err2, err3, err4); err != nil {
		t.Fatal(err)
	}
	wantQ := q
	wantQ.Name, wantQ.Offload = "a b/*?&=#\u00e9", "b7c1-1"
	if diff := cmp.Diff([]any{wantQ, q, "b7c1-11", []any{"b7c1-11", 5}}, asked); diff != "" {
		t.Errorf("asked (-want +got):\n%s", diff)
	}
	wantFiles, wantVerdicts := sampleFiles(func() string { return "" }), sampleVerdicts(func(s string) string { return s })
	for _, diff := range []string{cmp.Diff(&wantFiles, files), cmp.Diff(sampleDays(), days), cmp.Diff(&wantVerdicts, verdicts), cmp.Diff(sampleDays().Days[0].Offloads, missing.Offloads)} {
		if diff != "" {
			t.Errorf("(-sent +received):\n%s", diff)
		}
	}
	asked = nil
	_, err = client.Missing(ctx, "what/is\n\x1b[2Jthis?", 0)
	var problem *Problem
	if !errors.As(err, &problem) || problem.Status != http.StatusNotFound || strings.ContainsAny(err.Error(), "\n\x1b") {
		t.Errorf("a drive of an odd name: %v", err)
	}
}

// Lists are never null, however empty the ledger.
func TestArchive_emptyListsAreLists(t *testing.T) {
	t.Parallel()
	c := sampleConfig()
	c.Archive = fakeArchive{days: DayList{Days: []Day{}}, files: FileList{Files: []StoredFile{}}}
	for target, want := range map[string]string{"/v1/days": `{"days":[],"more":false}`, "/v1/files": `{"files":[],"more":false}`} {
		var got bytes.Buffer
		if err := json.Compact(&got, get(Handler(c), target).Body.Bytes()); err != nil || got.String() != want {
			t.Errorf("%s: %s, %v", target, got.String(), err)
		}
	}
}
