package mhl

import (
	"context"
	"errors"
	"fmt"
	"io"
	"maps"
	"os"
	"path"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
	"github.com/google/go-cmp/cmp/cmpopts"
	"pgregory.net/rapid"

	"bothy/daemon/checksum"
)

// mutation is something done to a folder, and what Verify must say of it.
type mutation struct {
	do   func(root *os.Root) error
	want func(*found)
}

type found struct{ Mismatched, Missing, Extra []string }

// drawMutation draws one for the file name with content.
func drawMutation(t *rapid.T, name, content string, number int) mutation {
	fresh := path.Join(path.Dir(name), fmt.Sprintf("other%d", number))
	switch rapid.SampledFrom([]string{"flip", "cut", "grow", "missing", "extra", "rename", "nothing"}).Draw(t, "mutation") {
	case "flip":
		if content == "" {
			return mutation{}
		}
		at := rapid.IntRange(0, len(content)-1).Draw(t, "at")
		flipped := []byte(content)
		flipped[at] ^= 1 << rapid.IntRange(0, 7).Draw(t, "bit")
		return mutation{func(r *os.Root) error { return r.WriteFile(name, flipped, 0o644) },
			func(f *found) { f.Mismatched = append(f.Mismatched, name) }}
	case "cut":
		if content == "" {
			return mutation{}
		}
		return mutation{func(r *os.Root) error { return r.WriteFile(name, []byte(content[1:]), 0o644) },
			func(f *found) { f.Mismatched = append(f.Mismatched, name) }}
	case "grow":
		return mutation{func(r *os.Root) error { return r.WriteFile(name, []byte(content+"\x00"), 0o644) },
			func(f *found) { f.Mismatched = append(f.Mismatched, name) }}
	case "missing":
		return mutation{func(r *os.Root) error { return r.Remove(name) },
			func(f *found) { f.Missing = append(f.Missing, name) }}
	case "extra":
		return mutation{func(r *os.Root) error { return r.WriteFile(fresh, nil, 0o644) },
			func(f *found) { f.Extra = append(f.Extra, fresh) }}
	case "rename":
		return mutation{func(r *os.Root) error { return r.Rename(name, fresh) },
			func(f *found) { f.Missing, f.Extra = append(f.Missing, name), append(f.Extra, fresh) }}
	}
	return mutation{}
}

// For any tree, in any algorithm, after one to three generations, Verify finds
// the changes made to it and nothing else.
func TestVerify_findsExactlyWhatChanged(t *testing.T) {
	t.Parallel()
	base := t.TempDir()
	number := 0
	rapid.Check(t, func(rt *rapid.T) {
		number++
		dir := filepath.Join(base, fmt.Sprint(number))
		must(rt, os.Mkdir(dir, 0o755))
		defer os.RemoveAll(dir)
		element := rapid.StringMatching(`[a-cæ &<'][A-B_.]?`)
		files := map[string]string{}
		for _, top := range rapid.SliceOfNDistinct(element, 1, 4, rapid.ID[string]).Draw(rt, "top") {
			for _, name := range rapid.SliceOfNDistinct(element, 1, 3, rapid.ID[string]).Draw(rt, "inner") {
				files[top+"/in/"+name] = rapid.StringN(0, 40, 60).Draw(rt, "content")
			}
		}
		root := folder(rt, dir, files)
		defer root.Close()
		algorithm := rapid.SampledFrom(checksum.Names()).Draw(rt, "algorithm")
		for i := range rapid.IntRange(1, 3).Draw(rt, "generations") {
			action := Verified
			if i == 0 {
				action = Original
			}
			_, err := Append(root, generation(rt, files, algorithm, action), nil)
			must(rt, err)
		}
		var want found
		for i, name := range slices.Sorted(maps.Keys(files)) {
			if m := drawMutation(rt, name, files[name], i); m.do != nil {
				must(rt, m.do(root))
				m.want(&want)
			}
		}
		report, err := Verify(context.Background(), root, nil, nil)
		must(rt, err)
		got := found{paths(report.Mismatched), paths(report.Missing), paths(report.Extra)}
		slices.Sort(want.Extra)
		if d := cmp.Diff(want, got, cmpopts.EquateEmpty()); d != "" {
			rt.Fatal(d)
		}
		if n := len(want.Mismatched) + len(want.Missing); len(report.OK) != len(files)-n || len(report.Unreadable)+len(report.HistoryDamage) != 0 {
			rt.Fatalf("%+v", report)
		}
		if clean := cmp.Equal(found{}, want); report.Proven() != clean {
			rt.Fatalf("Proven() = %v", report.Proven())
		}
	})
}

func TestVerify_folders(t *testing.T) {
	t.Parallel()
	files := survey()
	files["EMPTY/"], files["GONE/"], files["FILE/"] = "", "", ""
	root := tempFolder(t, files)
	_, err := Append(root, generation(t, files, checksum.XXH64, Original), nil)
	must(t, err)
	must(t, root.Remove("GONE"))
	must(t, root.Remove("FILE"))
	must(t, root.WriteFile("FILE", nil, 0o644))
	must(t, root.Mkdir("NEW", 0o755))
	must(t, root.Rename("CLIPS", "real"))
	must(t, root.Symlink("real", "CLIPS"))
	report, err := Verify(t.Context(), root, nil, nil)
	must(t, err)
	got := found{paths(report.Mismatched), paths(report.Missing), paths(report.Extra)}
	want := found{[]string{"CLIPS/", "FILE/"}, []string{"GONE/"},
		[]string{"CLIPS", "FILE", "NEW/", "real/", "real/A003/", "real/A003/A003C001.MOV"}}
	if d := cmp.Diff(want, got); d != "" {
		t.Error(d)
	}
}

func TestVerify_kinds(t *testing.T) {
	t.Parallel()
	files := survey()
	root := tempFolder(t, files)
	_, err := Append(root, generation(t, files, checksum.XXH64, Original), nil)
	must(t, err)
	name := "DCIM/100SKUA_/SKUA0001.JPG"
	must(t, root.Rename(name, "copy.jpg"))
	must(t, root.Symlink("../../copy.jpg", name))
	report, err := Verify(t.Context(), root, nil, nil)
	must(t, err)
	if len(report.Mismatched) != 1 || !strings.Contains(report.Mismatched[0].Sentence, "a symbolic link instead of a file") {
		t.Errorf("Verify() = %+v", report)
	}
}

type failing struct{}

func (failing) Read([]byte) (int, error) { return 0, errInjected }
func (failing) Close() error             { return nil }

// The caller's reader is used, its bytes are counted, and its errors are said.
func TestVerify_callersReader(t *testing.T) {
	t.Parallel()
	files := survey()
	root := tempFolder(t, files)
	_, err := Append(root, generation(t, files, checksum.XXH64, Original), nil)
	must(t, err)
	var total, size int64
	for _, content := range files {
		size += int64(len(content))
	}
	bad := "CLIPS/A003/A003C001.MOV"
	open := func(name string) (io.ReadCloser, error) {
		if name == bad {
			return failing{}, nil
		}
		return io.NopCloser(strings.NewReader(files[name])), nil
	}
	report, err := Verify(t.Context(), root, open, func(n int64) { total += n })
	must(t, err)
	if want := size - int64(len(files[bad])); total != want || report.Bytes != want {
		t.Errorf("progress said %d bytes, report %d, want %d", total, report.Bytes, want)
	}
	if len(report.Unreadable) != 1 || report.Unreadable[0].Path != bad || len(report.OK) != 3 {
		t.Errorf("Verify() = %+v", report)
	}
}

func TestVerify_cancelled(t *testing.T) {
	t.Parallel()
	root := tempFolder(t, survey())
	_, err := Append(root, generation(t, survey(), checksum.XXH64, Original), nil)
	must(t, err)
	ctx, cancel := context.WithCancel(t.Context())
	cancel()
	if report, err := Verify(ctx, root, nil, nil); !errors.Is(err, context.Canceled) || len(report.OK) != 0 {
		t.Errorf("Verify() = %+v, %v", report, err)
	}
}

// Every value on record counts: a second algorithm that disagrees is found, and
// so are generations that contradict each other.
func TestVerify_everyValueCounts(t *testing.T) {
	t.Parallel()
	files := map[string]string{"clip.mov": "one", "other.mov": "two"}
	root := tempFolder(t, files)
	g := generation(t, files, checksum.XXH64, Original)
	g.Files[0].Others = map[string]string{checksum.MD5: sumOf(t, checksum.MD5, "not one")}
	_, err := Append(root, g, nil)
	must(t, err)
	g = generation(t, files, checksum.XXH64, Verified)
	g.Files[1].Value = sumOf(t, checksum.XXH64, "not two")
	_, err = Append(root, g, nil)
	must(t, err)
	report, err := Verify(t.Context(), root, nil, nil)
	must(t, err)
	if d := cmp.Diff([][]string{{"clip.mov"}, {"other.mov"}}, [][]string{paths(report.Mismatched), paths(report.HistoryDamage)}); d != "" {
		t.Error(d)
	}
}

// A value recorded as failed never becomes what a file should be.
func TestVerify_failedValueIsNoMeasure(t *testing.T) {
	t.Parallel()
	files := map[string]string{"clip.mov": "one", "never.mov": "x"}
	root := tempFolder(t, files)
	g := generation(t, map[string]string{"clip.mov": "one"}, checksum.XXH64, Original)
	_, err := Append(root, g, nil)
	must(t, err)
	must(t, root.WriteFile("clip.mov", []byte("0ne"), 0o644))
	g = generation(t, map[string]string{"clip.mov": "0ne", "never.mov": "x"}, checksum.XXH64, Failed)
	_, err = Append(root, g, nil)
	must(t, err)
	report, err := Verify(t.Context(), root, nil, nil)
	must(t, err)
	if d := cmp.Diff([]string{"clip.mov", "never.mov"}, paths(report.Mismatched)); d != "" {
		t.Error(d)
	}
}

// A file that moved is looked for where it is now.
func TestVerify_moved(t *testing.T) {
	t.Parallel()
	root := tempFolder(t, map[string]string{"old.mov": "one"})
	_, err := Append(root, generation(t, map[string]string{"old.mov": "one"}, checksum.XXH64, Original), nil)
	must(t, err)
	must(t, root.Rename("old.mov", "new.mov"))
	g := generation(t, map[string]string{"new.mov": "one"}, checksum.MD5, Verified)
	g.Files[0].PreviousPath = "old.mov"
	_, err = Append(root, g, nil)
	must(t, err)
	accepted(t, root.Name())
	report, err := Verify(t.Context(), root, nil, nil)
	if err != nil || !report.Proven() || len(report.OK) != 1 {
		t.Errorf("Verify() = %+v, %v", report, err)
	}
	h, err := Open(root)
	must(t, err)
	if known := h.Latest("new.mov"); len(known) != 2 || len(h.Latest("old.mov")) != 0 {
		t.Errorf("Latest() = %+v", known)
	}
}

// One thing that is wrong is enough, and two do not make up for each other.
func TestReport_proven(t *testing.T) {
	t.Parallel()
	one := []Finding{{Path: "a", Sentence: "wrong"}}
	lists := func(r *Report) []*[]Finding {
		return []*[]Finding{&r.Mismatched, &r.Missing, &r.Extra, &r.Unreadable, &r.HistoryDamage}
	}
	if !(Report{OK: []string{"a"}, Orphans: []string{"o"}}).Proven() {
		t.Error("nothing is wrong, and it is not proven")
	}
	for i := range lists(&Report{}) {
		for k := range lists(&Report{}) {
			var r Report
			*lists(&r)[i] = one
			*lists(&r)[k] = one
			if r.Proven() {
				t.Errorf("it is called proven: %+v", r)
			}
		}
	}
}

// A folder that cannot be listed may hide anything: it is said, once.
func TestVerifier_unlisted(t *testing.T) {
	t.Parallel()
	v := &verifier{}
	for range 2 {
		for _, dir := range []string{"DCIM", "MISC"} {
			if err := v.unlisted(dir, errInjected); err != nil {
				t.Errorf("the rest is not looked at: %v", err)
			}
		}
	}
	want := []string{"DCIM/", "MISC/"}
	if got := paths(v.report.Unreadable); !slices.Equal(got, want) || v.report.Proven() {
		t.Errorf("%q, proven: %v; want %q", got, v.report.Proven(), want)
	}
}

// A folder that a file stands in the way of is no folder that is as recorded.
func TestVerify_fileInTheWay(t *testing.T) {
	t.Parallel()
	files := map[string]string{"A.TXT": "a", "DCIM/": "", "DCIM/100SKUAS/": "", "DCIM/100SKUAS/EMPTY/": ""}
	root := tempFolder(t, files)
	_, err := Append(root, generation(t, files, checksum.XXH128, Original), nil)
	must(t, err)
	must(t, root.RemoveAll("DCIM"))
	must(t, root.WriteFile("DCIM", nil, 0o644))
	report, err := Verify(context.Background(), root, nil, nil)
	must(t, err)
	wrong := slices.Concat(paths(report.Unreadable), paths(report.Missing), paths(report.Mismatched))
	slices.Sort(wrong)
	if want := []string{"DCIM/", "DCIM/100SKUAS/", "DCIM/100SKUAS/EMPTY/"}; !slices.Equal(wrong, want) {
		t.Errorf("%q, want %q", wrong, want)
	}
}

// A folder that is recorded though it holds nothing, and one that is not though it
// holds a file that is, are nothing that nobody knows of.
func TestVerify_knownFolders(t *testing.T) {
	t.Parallel()
	files := map[string]string{"MISC/LOGS/A.TXT": "a", "DCIM/": "", "DCIM/EMPTY/": ""}
	root := tempFolder(t, files)
	written, err := Append(root, generation(t, files, checksum.XXH128, Original), nil)
	must(t, err)
	// Others record no folder but those that they find empty.
	text := string(read(t, root, written.Path))
	short := regexp.MustCompile(`(?s)\s*<directoryhash>\s*<path[^>]*>MISC[^<]*</path>.*?</directoryhash>`).ReplaceAllString(text, "")
	if len(short) >= len(text) || strings.Contains(short, ">MISC<") {
		t.Fatalf("MISC is recorded:\n%s", short)
	}
	must(t, root.WriteFile(written.Path, []byte(short), 0o644))
	change(t, root, written.Chain, written.C4, sumOf(t, checksum.C4, short))
	report, err := Verify(context.Background(), root, nil, nil)
	must(t, err)
	if !report.Proven() {
		t.Errorf("an untouched copy is not proven: %+v", report)
	}
	must(t, root.MkdirAll("DCIM/ANOTHER", 0o755))
	report, err = Verify(context.Background(), root, nil, nil)
	must(t, err)
	if got := paths(report.Extra); !slices.Equal(got, []string{"DCIM/ANOTHER/"}) {
		t.Errorf("nobody recorded %q", got)
	}
}

// A tree that grows beyond bounds while its files are read was not looked through.
func TestVerify_growsBeyondBounds(t *testing.T) {
	t.Parallel()
	files := map[string]string{"A.TXT": "a"}
	root := tempFolder(t, files)
	_, err := Append(root, generation(t, files, checksum.XXH128, Original), nil)
	must(t, err)
	_, err = Verify(context.Background(), root, func(name string) (io.ReadCloser, error) {
		must(t, root.MkdirAll(strings.Repeat("d/", maxTreeDepth+1)+"d", 0o755))
		return root.Open(name)
	}, nil)
	if !errors.Is(err, errTree) {
		t.Errorf("Verify() = %v", err)
	}
}

// A chain that was cut anywhere, by a power cut say, is none: its first entries
// alone would be an older history that looks whole.
func TestReadChain_cutAnywhere(t *testing.T) {
	t.Parallel()
	var whole strings.Builder
	links := []link{}
	for n := 1; n <= 3; n++ {
		links = append(links, link{number: n, name: fmt.Sprintf("%04d_skua_2026-11-25_143100Z.mhl", n), c4: sumOf(t, checksum.C4, fmt.Sprint(n))})
	}
	must(t, writeChain(&whole, links))
	text := strings.TrimRight(whole.String(), "\n")
	if got, err := readChain(strings.NewReader(text)); err != nil || len(got) != len(links) {
		t.Fatalf("%d entries, %v", len(got), err)
	}
	for n := range len(text) {
		if got, err := readChain(strings.NewReader(text[:n])); err == nil {
			t.Errorf("cut after %d of %d bytes it has %d entries", n, len(text), len(got))
		}
	}
	for name, change := range map[string][2]string{
		"markup that does not end inside an entry": {"<path>", "<path><path"},
		"an entry with another end":                {"</c4>", "</c5>"},
		"a name that another number has":           {"0002_skua", "0003_skua"},
		"a checksum that is none":                  {links[1].c4, "c4"},
		"numbers that do not grow":                 {`sequencenr="2"`, `sequencenr="1"`},
		"no number":                                {`sequencenr="2"`, `sequencenr="0"`},
		"more generations than there may be":       {`sequencenr="3"`, `sequencenr="99999"`},
	} {
		bad := strings.Replace(text, change[0], change[1], 1)
		if bad == text {
			t.Errorf("%s: %q is not in the chain", name, change[0])
		}
		if got, err := readChain(strings.NewReader(bad)); err == nil {
			t.Errorf("%s: %d entries", name, len(got))
		}
	}
}
