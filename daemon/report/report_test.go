package report

import (
	"bytes"
	"errors"
	"flag"
	"io"
	"iter"
	"os"
	"path/filepath"
	"regexp"
	"runtime"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"

	"bothy/testdata/shown"
)

var update = flag.Bool("update", false, "renew golden files")

func golden(t *testing.T, name string, got []byte) {
	t.Helper()
	path := filepath.Join("testdata", name)
	if *update {
		if err := os.WriteFile(path, got, 0o644); err != nil {
			t.Fatal(err)
		}
	}
	want, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	if diff := cmp.Diff(string(want), string(got)); diff != "" {
		t.Errorf("%s (-file +made):\n%s", name, diff)
	}
}

func written(t testing.TB, d *Day, f Format) []byte {
	t.Helper()
	var b bytes.Buffer
	if err := Write(&b, d, f); err != nil {
		t.Fatal(err)
	}
	return b.Bytes()
}

// Whoever passes -sample DIR gets a larger generated day to look at.
var sampleDir = flag.String("sample", "", "write a large sample report to `DIR`")

func TestWrite_sample(t *testing.T) {
	t.Parallel()
	empty := &Day{Date: "2026-11-26", BoxID: "k3v7q2ma"}
	for _, f := range []Format{FormatHTML, FormatCSV} {
		golden(t, "sample."+string(f), written(t, sampleDay(4), f))
		golden(t, "empty."+string(f), written(t, empty, f))
		if *sampleDir != "" {
			if err := os.WriteFile(filepath.Join(*sampleDir, "sample."+string(f)), written(t, sampleDay(300), f), 0o644); err != nil {
				t.Fatal(err)
			}
		}
	}
}

// A release is said only where the verdict is exactly that and the offload counts.
func TestHTML_saysReleaseOnlyOfOne(t *testing.T) {
	t.Parallel()
	for verdict, want := range map[string]bool{"release": true, "hold": false, "": false, "RELEASE": false, "release ": false} {
		for _, void := range []bool{false, true} {
			d := &Day{Date: "2026-11-25", BoxID: "b", Offloads: []Offload{{CardLabel: "SKUA", Verdict: verdict, Void: void}}}
			page, table := written(t, d, FormatHTML), written(t, d, FormatCSV)
			want := want && !void
			if got := bytes.Contains(page, []byte("RELEASE")); got != want {
				t.Errorf("verdict %q, void %v: the page says release: %v", verdict, void, got)
			}
			if got := bytes.Contains(page, []byte(`class="verdict safe"`)); got != want {
				t.Errorf("verdict %q, void %v: the page shows a release: %v", verdict, void, got)
			}
			if got := bytes.Contains(table, []byte(",release,")); got != want {
				t.Errorf("verdict %q, void %v: the table says release: %v", verdict, void, got)
			}
		}
	}
}

// The page needs nothing beside it, and its style is the one that it is served with.
func TestHTML_selfContained(t *testing.T) {
	t.Parallel()
	page := written(t, sampleDay(4), FormatHTML)
	for _, bad := range []string{`(?i)<script`, `(?i)\sstyle=`, `(?i)\son[a-z]+=`, `(?i)https?:`, `(?i)<(img|link|iframe|form)`, `url\(`, `@import`, `(?i)href=`} {
		if hit := regexp.MustCompile(bad).Find(page); hit != nil {
			t.Errorf("the page holds %q", hit)
		}
	}
	if !bytes.Contains(page, []byte("<style>"+style+"</style>")) {
		t.Error("the style sheet is not the one that StyleSource names")
	}
	if sums, list := bytes.Index(page, []byte(`class="totals"`)), bytes.Index(page, []byte(`class="files"`)); sums < 0 || list < sums {
		t.Errorf("sums at %d, the list of files at %d", sums, list)
	}
}

func TestOurs(t *testing.T) {
	t.Parallel()
	for _, f := range []Format{FormatHTML, FormatCSV} {
		begin := written(t, sampleDay(1), f)
		begin = begin[:min(len(begin), MarkBytes)]
		other := FormatCSV
		if f == FormatCSV {
			other = FormatHTML
		}
		for what, ours := range map[string]bool{
			"ours":                       Ours(f, begin, "k3v7q2ma"),
			"another box's":              !Ours(f, begin, "k3v7q2mb"),
			"a longer box's":             !Ours(f, begin, "k3v7q2m"),
			"the other format":           !Ours(other, begin, "k3v7q2ma"),
			"empty":                      !Ours(f, nil, "k3v7q2ma"),
			"somebody's":                 !Ours(f, []byte("<!DOCTYPE html>\n<title>my notes</title>"), "k3v7q2ma"),
			"ours with a mark before it": !Ours(f, append([]byte("\ufeff"), begin...), "k3v7q2ma"),
		} {
			if !ours {
				t.Errorf("%s: %s is judged wrongly", f, what)
			}
		}
	}
}

// An error in a list is that of the report, whichever time it comes.
func TestWrite_listThatEndsEarly(t *testing.T) {
	t.Parallel()
	broken := errors.New("the ledger is damaged")
	for _, when := range []int{1, 2} {
		for _, f := range []Format{FormatHTML, FormatCSV} {
			d, asked := sampleDay(2), 0
			whole := d.Offloads[1].Files
			d.Offloads[1].Files = func(yield func(File, error) bool) {
				asked++
				for file, err := range whole {
					if asked == when {
						yield(File{}, broken)
						return
					}
					if !yield(file, err) {
						return
					}
				}
			}
			err := Write(io.Discard, d, f)
			if want := f == FormatHTML || when == 1; errors.Is(err, broken) != want {
				t.Errorf("%s, broken when asked for the %d. time: %v", f, when, err)
			}
		}
	}
}

// Whoever takes nothing more is told nothing more.
type full struct{ left int }

func (w *full) Write(p []byte) (int, error) {
	if w.left -= len(p); w.left < 0 {
		return 0, io.ErrShortWrite
	}
	return len(p), nil
}

func TestWrite_noRoom(t *testing.T) {
	t.Parallel()
	for _, f := range []Format{FormatHTML, FormatCSV} {
		for left := range 4 {
			d, given := sampleDay(1), 0
			d.Offloads[0].Files = counted(listOf(20_000, func(i int) File { return still(i, 2, begun) }), &given)
			if err := Write(&full{left: left * bufferBytes}, d, f); !errors.Is(err, io.ErrShortWrite) {
				t.Errorf("%s with room for %d portions: %v", f, left, err)
			}
			most := 5_000 // not many more than were taken
			if f == FormatHTML {
				most += 20_000 // for the sums
			}
			if given > most {
				t.Errorf("%s with room for %d portions: %d files were asked for", f, left, given)
			}
		}
	}
}

func counted(files iter.Seq2[File, error], n *int) iter.Seq2[File, error] {
	return func(yield func(File, error) bool) {
		for f, err := range files {
			if *n++; !yield(f, err) {
				return
			}
		}
	}
}

// A day of 100,000 files needs no more memory than one of few.
func TestWrite_memory(t *testing.T) {
	const files, limit = 100_000, 4 << 20
	for _, f := range []Format{FormatHTML, FormatCSV} {
		var before, now runtime.MemStats
		d := sampleDay(1)
		runtime.GC()
		runtime.ReadMemStats(&before)
		most, given := uint64(0), 0
		d.Offloads[0].Files = listOf(files, func(i int) File {
			if given++; given%20_000 == 0 {
				runtime.GC()
				runtime.ReadMemStats(&now)
				most = max(most, now.HeapAlloc)
			}
			return still(i, 2, begun)
		})
		if err := Write(io.Discard, d, f); err != nil {
			t.Fatal(err)
		}
		if given < files || most == 0 {
			t.Fatalf("%s: %d files were asked for, memory was looked at: %v", f, given, most > 0)
		}
		if most > before.HeapAlloc+limit {
			t.Errorf("%s: %d bytes more than before, limit %d", f, most-before.HeapAlloc, limit)
		}
	}
}

// WCAG 2.2 AA, 4.5:1, on paper, in light and in the dark.
func TestStyle_contrast(t *testing.T) {
	t.Parallel()
	schemes := regexp.MustCompile(`(?s):root \{(.*?)\}`).FindAllStringSubmatch(style, -1)
	if len(schemes) != 3 {
		t.Fatalf("%d colour schemes, want light, dark and printed", len(schemes))
	}
	schemes[2][1] = schemes[0][1] + schemes[2][1] // what is printed is light, but for what is said anew
	for i, scheme := range schemes {
		colour := map[string]string{}
		for _, m := range regexp.MustCompile(`--([a-z]+): #([0-9a-f]{6});`).FindAllStringSubmatch(scheme[1], -1) {
			colour[m[1]] = m[2]
		}
		for _, over := range []string{"ink", "soft", "safe", "caution", "danger"} {
			for _, under := range []string{"paper", "band"} {
				if c, err := shown.Contrast(colour[over], colour[under]); err != nil || c < 4.5 {
					t.Errorf("scheme %d: %s on %s is %.2f:1 (%v)", i, over, under, c, err)
				}
			}
		}
		if c, err := shown.Contrast(colour["edge"], colour["paper"]); err != nil || c < 3 {
			t.Errorf("scheme %d: lines are %.2f:1 (%v)", i, c, err)
		}
	}
	if !strings.Contains(style, "@media screen and (prefers-color-scheme: dark)") {
		t.Error("the dark might be printed")
	}
}
