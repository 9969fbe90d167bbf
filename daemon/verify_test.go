package daemon

import (
	"context"
	"io/fs"
	"os"
	"path/filepath"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"bothy/daemon/mhl"
)

// sealed makes a folder with one file and a history that knows it under two
// checksums. They are those of the nine bytes "123456789": MD5 as coreutils'
// md5sum and SHA-1 as sha1sum print them.
func sealed(t *testing.T, name string) string {
	t.Helper()
	dir := filepath.Join(t.TempDir(), name)
	if err := os.MkdirAll(filepath.Join(dir, "DCIM", "empty"), 0o755); err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(filepath.Join(dir, "DCIM", "a"), []byte("123456789"), 0o644); err != nil {
		t.Fatal(err)
	}
	root, err := os.OpenRoot(dir)
	if err != nil {
		t.Fatal(err)
	}
	defer root.Close()
	at := time.Date(2026, 11, 25, 14, 31, 0, 0, time.UTC)
	_, err = mhl.Append(root, mhl.Generation{
		Folder: name, Process: mhl.Transfer, At: at, Dirs: []string{"DCIM", "DCIM/empty"}, Ignore: []string{"*.tmp"},
		Files: []mhl.FileHash{{
			Path: "DCIM/a", SizeBytes: 9, Algorithm: "md5", Value: "25f9e794323b453885f5181f1b624d0b", Action: mhl.Original, HashedAt: at,
			Others: map[string]string{"sha1": "f7c3bc1d808e04732adf679965ccc34ca7ae3441"},
		}},
	}, nil)
	if err != nil {
		t.Fatal(err)
	}
	return dir
}

func TestVerifyFolder_finds(t *testing.T) {
	t.Parallel()
	for name, tc := range map[string]struct {
		folder string // default "skua"
		damage func(dir string) error
		want   []Finding // without sentences
	}{
		"nothing":          {},
		"what is left out": {damage: func(dir string) error { return os.WriteFile(filepath.Join(dir, "x.tmp"), nil, 0o644) }},
		"a flipped byte":   {damage: func(dir string) error { return os.WriteFile(filepath.Join(dir, "DCIM/a"), []byte("123456788"), 0o644) }, want: []Finding{{Kind: FoundChanged, Path: "DCIM/a"}}},
		"a shorter file":   {damage: func(dir string) error { return os.Truncate(filepath.Join(dir, "DCIM/a"), 8) }, want: []Finding{{Kind: FoundChanged, Path: "DCIM/a"}}},
		"a missing file":   {damage: func(dir string) error { return os.Remove(filepath.Join(dir, "DCIM/a")) }, want: []Finding{{Kind: FoundMissing, Path: "DCIM/a"}}},
		"a missing folder": {damage: func(dir string) error { return os.Remove(filepath.Join(dir, "DCIM/empty")) }, want: []Finding{{Kind: FoundMissing, Path: "DCIM/empty/"}}},
		"an extra file":    {damage: func(dir string) error { return os.WriteFile(filepath.Join(dir, "DCIM/b"), nil, 0o644) }, want: []Finding{{Kind: FoundExtra, Path: "DCIM/b"}}},
		"no history":       {damage: func(dir string) error { return os.RemoveAll(filepath.Join(dir, "ascmhl")) }, want: []Finding{{Kind: FoundNoHistory}}},
		"a missing chain":  {damage: func(dir string) error { return os.Remove(filepath.Join(dir, "ascmhl", mhl.ChainName)) }, want: []Finding{{Kind: FoundDamage, Path: "ascmhl/ascmhl_chain.xml"}}},
		"unfinished":       {folder: "skua.unfinished", want: []Finding{{Kind: FoundUnfinished}}},
		"incomplete":       {folder: "skua.incomplete", want: []Finding{{Kind: FoundUnfinished}}},
		"unfinished, flipped": {folder: "skua.unfinished", damage: func(dir string) error { return os.Truncate(filepath.Join(dir, "DCIM/a"), 0) },
			want: []Finding{{Kind: FoundUnfinished}, {Kind: FoundChanged, Path: "DCIM/a"}}},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			folder := tc.folder
			if folder == "" {
				folder = "skua"
			}
			dir := sealed(t, folder)
			if tc.damage != nil {
				if err := tc.damage(dir); err != nil {
					t.Fatal(err)
				}
			}
			rep, err := VerifyFolder(context.Background(), dir, VerifyOptions{Record: true})
			if err != nil {
				t.Fatal(err)
			}
			got := append([]Finding(nil), rep.Findings...)
			for i := range got {
				if got[i].Sentence == "" {
					t.Errorf("%s %s: no sentence", got[i].Kind, got[i].Path)
				}
				got[i].Sentence = ""
			}
			if diff := cmp.Diff(tc.want, got); diff != "" {
				t.Errorf("findings (-want +got):\n%s", diff)
			}
			if rep.Proven() != (len(tc.want) == 0) {
				t.Errorf("Proven() = %v", rep.Proven())
			}
			manifests, err := fs.Glob(os.DirFS(dir), "ascmhl/*.mhl")
			if err != nil {
				t.Fatal(err)
			}
			if recorded := len(manifests) == 2; recorded != rep.Proven() || recorded != (rep.Recorded != "") {
				t.Errorf("proven %v, but recorded as %q in %q", rep.Proven(), rep.Recorded, manifests)
			}
		})
	}
}

// What a verification records says the same as before, in every algorithm, and
// proves again.
func TestVerifyFolder_records_all_checksums(t *testing.T) {
	t.Parallel()
	dir := sealed(t, "skua")
	at := time.Date(2026, 12, 1, 8, 0, 0, 0, time.UTC)
	opts := VerifyOptions{
		Record: true, Creator: mhl.Creator{Tool: "bothy", Version: "test"},
		Now: func() (time.Time, bool) { return at, true },
	}
	if _, err := VerifyFolder(context.Background(), dir, opts); err != nil {
		t.Fatal(err)
	}
	root, err := os.OpenRoot(dir)
	if err != nil {
		t.Fatal(err)
	}
	defer root.Close()
	history, err := mhl.Open(root)
	if err != nil {
		t.Fatal(err)
	}
	newest := history.Generations[len(history.Generations)-1]
	if newest.Number != 2 || newest.Process != mhl.InPlace || !newest.At.Equal(at) || newest.Creator.Tool != "bothy" {
		t.Errorf("recorded %+v", newest.Generation)
	}
	values := map[string]string{}
	for _, k := range history.Latest("DCIM/a") {
		if k.Action != mhl.Verified || k.Generation != 2 || !k.HashedAt.Equal(at) {
			t.Errorf("recorded %+v", k)
		}
		values[k.Algorithm] = k.Value
	}
	want := map[string]string{"md5": "25f9e794323b453885f5181f1b624d0b", "sha1": "f7c3bc1d808e04732adf679965ccc34ca7ae3441"}
	if diff := cmp.Diff(want, values); diff != "" {
		t.Errorf("checksums (-want +got):\n%s", diff)
	}
	if diff := cmp.Diff([]string{"DCIM", "DCIM/empty"}, history.Dirs()); diff != "" {
		t.Errorf("folders (-want +got):\n%s", diff)
	}
	if !history.Ignored("x.tmp", false) {
		t.Error("what the history leaves out was forgotten")
	}
}

func TestVerifyFolder_errors(t *testing.T) {
	t.Parallel()
	if _, err := VerifyFolder(context.Background(), filepath.Join(t.TempDir(), "nowhere"), VerifyOptions{}); err == nil {
		t.Error("a folder that is not there was judged")
	}
	ctx, cancel := context.WithCancel(context.Background())
	cancel()
	if rep, err := VerifyFolder(ctx, sealed(t, "skua"), VerifyOptions{}); err == nil {
		t.Errorf("a verification that was stopped was judged: %+v", rep)
	}
}
