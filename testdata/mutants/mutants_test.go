package mutants

import (
	"bytes"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"runtime"
	"slices"
	"strings"
	"testing"
	"time"
)

var small = []Seed{{`{"device":"/dev/sdf1","name":"kittiwake"}`}, {"a = 1\nb = \"x\"\n"}, {"<a><b>7</b></a>"}, {""}}

func newRun(t testing.TB, n uint64, check Check) *run {
	return &run{seeds: small, check: check, t: t, end: n, workers: 4, patience: time.Hour, out: t.Output(), again: "repeat "}
}

// The failure that is told is that of the lowest number, however many work and
// whichever way it fails.
func TestRun_lowestFailure(t *testing.T) {
	t.Parallel()
	bad := func(input [][]byte) bool { return bytes.Contains(input[0], []byte("kittiwake\"}}")) }
	want := uint64(0)
	for m := newMaker(newMaterial(small, func(Seed) bool { return false })); !bad(m.mutant(want)); want++ {
	}
	for how, fail := range map[string]func(t testing.TB){
		"error": func(t testing.TB) { t.Errorf("%s", "wrong") },
		"fail":  func(t testing.TB) { t.Fail() },
		"fatal": func(t testing.TB) { t.Fatal("wrong") },
		"panic": func(testing.TB) { panic("wrong") },
		"index": func(testing.TB) { _ = small[len(small)] },
		"skip":  func(t testing.TB) { t.Skip() },
	} {
		got := newRun(t, want+10_000, func(t testing.TB, input [][]byte) bool {
			if bad(input) {
				fail(t)
			}
			return false
		}).do()
		if got == nil || got.number != want || got.what == "" || !strings.Contains(got.input, "kittiwake") {
			t.Errorf("%s: %+v, want mutant %d", how, got, want)
		}
	}
}

// Also when a higher one has failed before.
func TestRun_lowerFailureComesLater(t *testing.T) {
	t.Parallel()
	// The first of each of two portions, each of which a worker of its own has.
	m := newMaker(newMaterial(small, func(Seed) bool { return false }))
	numbers := map[string][]uint64{}
	for k := range uint64(2 * portion) {
		text := string(m.mutant(k)[0])
		numbers[text] = append(numbers[text], k)
	}
	low, high := uint64(nobody), uint64(nobody)
	for text, at := range numbers {
		switch {
		case len(at) != 1 || slices.ContainsFunc(small, func(s Seed) bool { return s[0] == text }):
		case at[0] < portion:
			low = min(low, at[0])
		default:
			high = min(high, at[0])
		}
	}
	var r *run
	r = newRun(t, 2*portion, func(t testing.TB, input [][]byte) bool {
		switch at := numbers[string(input[0])]; {
		case slices.Contains(at, low):
			for r.limit.Load() != high {
				runtime.Gosched()
			}
			t.Error("the lower one")
		case slices.Contains(at, high):
			t.Error("the higher one")
		}
		return false
	})
	r.workers = 2
	if got := r.do(); got == nil || got.number != low || got.what != "the lower one\n" {
		t.Errorf("%+v, want mutant %d, and not %d", got, low, high)
	}
}

// Each number is tried once, and what was taken is counted.
func TestRun_triesEach(t *testing.T) {
	t.Parallel()
	for _, n := range []uint64{0, 1, portion, 1000*portion + 1} {
		want := map[string]int{}
		m := newMaker(newMaterial(small, func(Seed) bool { return false }))
		for k := range n {
			want[string(m.mutant(k)[0])]++
		}
		inputs := make(chan string, 100)
		r := newRun(t, n, func(_ testing.TB, input [][]byte) bool {
			inputs <- string(input[0])
			return false
		})
		ended := make(chan *failure)
		go func() {
			ended <- r.do()
			close(inputs)
		}()
		got := map[string]int{}
		for range r.seeds { // these come first, as they are
			<-inputs
		}
		go func() { <-ended }()
		for text := range inputs {
			got[text]++
		}
		if len(got) != len(want) {
			t.Errorf("of %d mutants %d were different ones, want %d", n, len(got), len(want))
		}
		for text, times := range want {
			if got[text] != times {
				t.Errorf("%q was tried %d times, want %d", text, got[text], times)
			}
		}
	}
	r := newRun(t, 1000, func(_ testing.TB, input [][]byte) bool { return true })
	if r.do() != nil || r.taken != 1000 {
		t.Errorf("%d of 1000 were taken", r.taken)
	}
}

// told passes on what is written.
type told chan string

func (w told) Write(p []byte) (int, error) {
	w <- string(p)
	return len(p), nil
}

// A check that does not come to an end is told with its number, and goes on.
func TestRun_tellsWhatHangs(t *testing.T) {
	t.Parallel()
	said := make(told, 200) // each of the hundred may take long on a busy machine, and is told once
	tried := 0              // by the one worker, beside the seeds
	r := newRun(t, 100, func(_ testing.TB, input [][]byte) bool {
		if tried++; tried == len(small)+1+17 {
			for text := range said {
				if strings.HasPrefix(text, "mutant 17 does not come to an end") && strings.Contains(text, "again: repeat 17\n") {
					break
				}
				t.Logf("told of another that took long: %s", text)
			}
		}
		return false
	})
	r.out, r.patience, r.workers = said, time.Millisecond, 1
	if got := r.do(); got != nil {
		t.Errorf("%+v", got)
	}
}

// A mutant is the same whoever makes it, and after whichever.
func TestMutant_isItsNumber(t *testing.T) {
	t.Parallel()
	seeds := []Seed{{"a", "1"}, {"Battery", ""}, {"", strings.Repeat("x", 3000)}}
	from := newMaterial(seeds, func(s Seed) bool { return s[1] == "" })
	forth, back := newMaker(from), newMaker(from)
	var all []string
	for k := range uint64(2000) {
		all = append(all, written(forth.mutant(k)))
	}
	for k := range slices.Backward(all) {
		if got := written(back.mutant(uint64(k))); got != all[k] {
			t.Fatalf("mutant %d is %s and was %s", k, got, all[k])
		}
	}
	slices.Sort(all)
	if n := len(slices.Compact(all)); n < 500 {
		t.Errorf("2000 numbers name %d mutants", n)
	}
}

// Each sort of change changes something, on every sort of text, and stays within
// the bounds.
func TestChanges(t *testing.T) {
	t.Parallel()
	seeds := slices.Concat(small, []Seed{{strings.Repeat("[", 20_000)}, {"\x00\x00"}, {"\"'<{[("}, {"</></a><a"}, {"<é>x</é>"}})
	m := newMaker(newMaterial(seeds, func(Seed) bool { return false }))
	m.pcg.Seed(1, 2)
	for i, change := range changes {
		changed := 0
		for n := range 1000 {
			before := m.texts[0][n%len(seeds)]
			after := change(m, append(m.room[0][:0], before...))
			if !bytes.Equal(before, after) {
				changed++
			}
			if len(after) > m.limit || cap(after) != cap(m.room[0]) && len(after) > 0 {
				t.Fatalf("change %d made %d bytes of %d", i, len(after), len(before))
			}
		}
		if changed < 100 {
			t.Errorf("change %d changed something %d times of 1000", i, changed)
		}
	}
}

// Where something begins and ends.
func TestPlaces(t *testing.T) {
	t.Parallel()
	for _, tc := range []struct {
		find func([]byte, int) (int, int)
		text string
		at   int
		want string
	}{
		{wordAt, "id = ab-1.x;", 7, "ab-1.x"}, {wordAt, "== b", 0, "b"}, {wordAt, "==", 0, ""}, {wordAt, "", 0, ""}, {wordAt, "ab", 2, ""},
		{numberAt, "x12y345", 2, "12"}, {numberAt, "x12y345", 3, "345"}, {numberAt, "xyz", 0, ""},
		{lineAt, "a\nbc\nd", 3, "bc\n"}, {lineAt, "a\nbc", 3, "bc"}, {lineAt, "A=1\x00B=2\x00", 5, "B=2\x00"}, {lineAt, "", 0, ""},
		{pieceAt, `x = "a b"`, 0, `"a b"`}, {pieceAt, `{"a":[1,{}]} x`, 0, `{"a":[1,{}]}`}, {pieceAt, "<a>7</a>", 1, ">7<"}, {pieceAt, "<a>7</a>", 0, "<a>"}, {pieceAt, "[[(x)", 0, "(x)"}, {pieceAt, "''", 0, "''"}, {pieceAt, "'", 0, ""},
		{elementAt, "x<a b='c'>1<d/></a>2</a>", 0, "<a b='c'>1<d/></a>"}, {elementAt, "<a></b></ab></a", 0, ""}, {elementAt, "<<a></a>", 0, "<a></a>"}, {elementAt, "<", 0, ""},
	} {
		if i, j := tc.find([]byte(tc.text), tc.at); tc.text[i:j] != tc.want {
			t.Errorf("in %q at %d: %q, want %q", tc.text, tc.at, tc.text[i:j], tc.want)
		}
	}
}

// The judge of how a corpus is written is the go command: it reads what we write.
func TestWritten_isReadByGo(t *testing.T) {
	t.Parallel()
	dir := t.TempDir()
	input := [][]byte{[]byte("a\x00\xff\u202e\"`\n"), []byte("")}
	one := input[:1]
	for name, text := range map[string]string{
		"go.mod": "module corpus\n\ngo 1.26\n",
		"corpus_test.go": `package corpus

import "testing"

func FuzzOne(f *testing.F) {
	f.Fuzz(func(t *testing.T, a []byte) { t.Errorf("one %q", a) })
}

func FuzzTwo(f *testing.F) {
	f.Fuzz(func(t *testing.T, a, b string) { t.Errorf("two %q %q", a, b) })
}
`,
		"testdata/fuzz/FuzzOne/seed": written(one), "testdata/fuzz/FuzzTwo/seed": written(input),
	} {
		path := filepath.Join(dir, name)
		if err := os.MkdirAll(filepath.Dir(path), 0o755); err != nil {
			t.Fatal(err)
		}
		if err := os.WriteFile(path, []byte(text), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	cmd := exec.CommandContext(t.Context(), "go", "test", ".")
	cmd.Dir, cmd.Env = dir, append(os.Environ(), "GOFLAGS=")
	out, _ := cmd.CombinedOutput() // fails, as its tests do
	for _, want := range []string{`one "a\x00\xff\u202e\"` + "`" + `\n"`, `two "a\x00\xff\u202e\"` + "`" + `\n" ""`} {
		if !strings.Contains(string(out), want) {
			t.Errorf("the go command did not read %s:\n%s", want, out)
		}
	}
	for folder, want := range map[string][][]byte{"FuzzOne": one, "FuzzTwo": input, "FuzzNone": nil} {
		seeds, err := committed(filepath.Join(dir, "testdata/fuzz", folder))
		if err != nil || len(seeds) != min(len(want), 1) {
			t.Fatalf("%s: %d seeds, %v", folder, len(seeds), err)
		}
		for _, s := range seeds {
			for part := range s {
				if len(s) != len(want) || s[part] != string(want[part]) {
					t.Errorf("%s: %q, want %q", folder, s, want)
				}
			}
		}
	}
	for _, text := range []string{"", "[]byte(\"a\")", corpusHead, corpusHead + "\nint(7)", corpusHead + "\n[]byte(\"a)", corpusHead + "\n[]byte(\"a\""} {
		if s, err := parseSeed(text); err == nil {
			t.Errorf("%q is %q", text, s)
		}
	}
}

// What Try prints for a failure is a command that repeats it, and nothing but it.
func TestTry(t *testing.T) {
	switch os.Getenv("MUTANTS_CHILD") {
	case "bad":
		Try(t, "FuzzNone", small, func(t testing.TB, input [][]byte) bool {
			if bytes.Contains(input[0], []byte("kitti\x00wake")) || bytes.Contains(input[0], []byte("=wake")) {
				t.Errorf("%q", input)
			}
			return len(input[0])%2 == 0
		})
		return
	case "idle":
		Try(t, "FuzzNone", small, func(testing.TB, [][]byte) bool { return false })
		return
	}
	t.Parallel()
	child := func(kind string, args ...string) (string, bool) {
		cmd := exec.CommandContext(t.Context(), os.Args[0], append([]string{"-test.run", "^TestTry$", "-test.v"}, args...)...)
		cmd.Env = append(os.Environ(), "MUTANTS_CHILD="+kind)
		out, err := cmd.CombinedOutput()
		return string(out), err == nil
	}
	out, ok := child("bad", "-mutants", "1000000")
	found := regexp.MustCompile(`(?s)mutant (\d+): (.*?)\n.*again: go test \./testdata/mutants -run '\^TestTry\$' -mutant (\d+)\n`).FindStringSubmatch(out)
	if ok || found == nil || found[1] != found[3] {
		t.Fatalf("ok %v, %s", ok, out)
	}
	if again, ok := child("bad", "-mutant", found[3]); ok || !strings.Contains(again, "mutant "+found[1]+": "+found[2]+"\n") {
		t.Errorf("the failure is not repeated: %s", again)
	}
	if out, ok := child("bad", "-mutants", found[1]); !ok || !strings.Contains(out, found[1]+" mutants of 4 seeds") {
		t.Errorf("one before it fails, too: %s", out)
	}
	if out, ok := child("bad", "-mutants", "1", "-mutants-first", found[1]); ok || !strings.Contains(out, "mutant "+found[1]+": ") {
		t.Errorf("it is not the first from its number on: %s", out)
	}
	if out, ok := child("bad", "-mutants", "1", "-mutants-first", "7"); !ok || !strings.Contains(out, ": 1 mutants of 4 seeds") {
		t.Errorf("not only number 7 was tried: %s", out)
	}
	if out, ok := child("idle", "-mutants", "6000"); ok || !strings.Contains(out, "one side of the parser only") {
		t.Errorf("nothing was taken, and nobody told: %s", out)
	}
}

// What making a mutant costs, beside which a check's own cost is to be held.
func BenchmarkMutant(b *testing.B) {
	for name, seeds := range map[string][]Seed{"small": small, "manifest": {{strings.Repeat("<hash><path size=\"3\">Clips/A002C006.mov</path></hash>\n", 45)}}} {
		b.Run(name, func(b *testing.B) {
			b.ReportAllocs()
			m := newMaker(newMaterial(seeds, func(Seed) bool { return false }))
			for number := uint64(0); b.Loop(); number++ {
				m.mutant(number)
			}
		})
	}
}
