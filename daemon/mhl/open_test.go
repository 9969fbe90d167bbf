package mhl

import (
	"bytes"
	"errors"
	"os"
	"path/filepath"
	"strings"
	"syscall"
	"testing"

	"bothy/daemon/checksum"
)

// twoGenerations makes a folder with a history of two generations.
func twoGenerations(t *testing.T) (root *os.Root, first, second Written) {
	t.Helper()
	root = tempFolder(t, survey())
	first, err := Append(root, generation(t, survey(), checksum.XXH64, Original), nil)
	must(t, err)
	second, err = Append(root, generation(t, survey(), checksum.XXH64, Verified), nil)
	must(t, err)
	return root, first, second
}

func TestOpen_noHistory(t *testing.T) {
	t.Parallel()
	root := tempFolder(t, survey())
	if _, err := Open(root); !errors.Is(err, ErrNoHistory) {
		t.Errorf("Open() = %v, want ErrNoHistory", err)
	}
	if _, err := Verify(t.Context(), root, nil, nil); !errors.Is(err, ErrNoHistory) {
		t.Errorf("Verify() = %v, want ErrNoHistory", err)
	}
	must(t, root.Mkdir(FolderName, 0o755)) // as a crash right after mkdir leaves it
	if _, err := Open(root); !errors.Is(err, ErrNoHistory) {
		t.Errorf("Open() with an empty ascmhl = %v, want ErrNoHistory", err)
	}
}

func TestOpen_damage(t *testing.T) {
	t.Parallel()
	const chain = FolderName + "/" + ChainName
	outside := filepath.Join(t.TempDir(), "outside.mhl")
	must(t, os.WriteFile(outside, []byte(hashOf("a")), 0o644))
	tests := map[string]struct {
		spoil func(t *testing.T, root *os.Root, first, second Written)
		want  string
	}{
		"manifest changed": {func(t *testing.T, root *os.Root, first, _ Written) {
			change(t, root, first.Path, "skerry-2", "skerry-3")
		}, "has changed since the chain was written"},
		"manifest cut": {func(t *testing.T, root *os.Root, first, _ Written) {
			data := read(t, root, first.Path)
			must(t, root.WriteFile(first.Path, data[:len(data)/2], 0o644))
		}, "has changed since"},
		"manifest empty": {func(t *testing.T, root *os.Root, _, second Written) {
			must(t, root.WriteFile(second.Path, nil, 0o644))
		}, "has changed since"},
		"byte behind the manifest": {func(t *testing.T, root *os.Root, _, second Written) {
			must(t, root.WriteFile(second.Path, append(read(t, root, second.Path), ' '), 0o644))
		}, "has changed since"},
		"manifest missing": {func(t *testing.T, root *os.Root, first, _ Written) {
			must(t, root.Remove(first.Path))
		}, "it is missing"},
		"manifest is a link": {func(t *testing.T, root *os.Root, first, _ Written) {
			must(t, root.Rename(first.Path, "moved.mhl"))
			must(t, root.Symlink("../moved.mhl", first.Path))
		}, "a symbolic link"},
		"manifest links outside": {func(t *testing.T, root *os.Root, first, _ Written) {
			must(t, root.Remove(first.Path))
			must(t, root.Symlink(outside, first.Path))
		}, "a symbolic link"},
		"manifest is a pipe": {func(t *testing.T, root *os.Root, first, _ Written) {
			must(t, root.Remove(first.Path))
			must(t, syscall.Mkfifo(filepath.Join(root.Name(), first.Path), 0o644))
		}, "a pipe"},
		"manifest is a folder": {func(t *testing.T, root *os.Root, first, _ Written) {
			must(t, root.Remove(first.Path))
			must(t, root.Mkdir(first.Path, 0o755))
		}, "a folder"},
		"manifest huge": {func(t *testing.T, root *os.Root, first, _ Written) {
			must(t, os.Truncate(filepath.Join(root.Name(), first.Path), MaxManifestBytes+1))
		}, "more than"},
		"chain huge": {func(t *testing.T, root *os.Root, _, _ Written) {
			must(t, os.Truncate(filepath.Join(root.Name(), chain), MaxChainBytes+1))
		}, "more than"},
		"chain empty": {func(t *testing.T, root *os.Root, _, _ Written) {
			must(t, root.WriteFile(chain, nil, 0o644))
		}, "can't be understood"},
		"chain leads away": {func(t *testing.T, root *os.Root, first, _ Written) {
			change(t, root, chain, filepath.Base(first.Path), "/etc/shadow")
		}, "isn't a manifest in this folder"},
		"chain has another C4": {func(t *testing.T, root *os.Root, first, second Written) {
			change(t, root, chain, first.C4, second.C4)
		}, "has changed since"},
		"chain lost its first entry": {func(t *testing.T, root *os.Root, first, _ Written) {
			text := string(read(t, root, chain))
			from, to := strings.Index(text, "  <hashlist sequencenr"), strings.Index(text, "</hashlist>")+len("</hashlist>\n")
			must(t, root.WriteFile(chain, []byte(text[:from]+text[to:]), 0o644))
			must(t, root.Remove(first.Path))
		}, "generation 1 is missing"},
		"chain is a link": {func(t *testing.T, root *os.Root, _, _ Written) {
			must(t, root.Rename(chain, "chain.xml"))
			must(t, root.Symlink("../chain.xml", chain))
		}, "a symbolic link"},
		"ascmhl is a link": {func(t *testing.T, root *os.Root, _, _ Written) {
			must(t, root.Rename(FolderName, "elsewhere"))
			must(t, root.Symlink("elsewhere", FolderName))
		}, "a symbolic link"},
		"ascmhl is a file": {func(t *testing.T, root *os.Root, _, _ Written) {
			must(t, root.Rename(FolderName, "elsewhere"))
			must(t, root.WriteFile(FolderName, nil, 0o644))
		}, "can't be a history"},
		"manifest leads out, chain agrees": {func(t *testing.T, root *os.Root, first, _ Written) {
			change(t, root, first.Path, ">CLIPS/A003/A003C001.MOV<", ">../../../etc/shadow<")
			change(t, root, chain, first.C4, sumOf(t, checksum.C4, string(read(t, root, first.Path))))
		}, errPath.Error()},
	}
	for name, tt := range tests {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			root, first, second := twoGenerations(t)
			tt.spoil(t, root, first, second)
			var damage *DamageError
			if _, err := Open(root); !errors.As(err, &damage) || !strings.Contains(damage.Error(), tt.want) {
				t.Errorf("Open() = %v, want damage with %q", err, tt.want)
			}
			report, err := Verify(t.Context(), root, nil, nil)
			if err != nil || len(report.HistoryDamage) == 0 || report.Proven() {
				t.Errorf("Verify() = %+v, %v, want history damage", report, err)
			}
			before := listing(t, root)
			if _, err := Append(root, generation(t, survey(), checksum.XXH64, Verified), nil); !errors.As(err, &damage) {
				t.Errorf("Append() = %v, want damage", err)
			}
			if after := listing(t, root); after != before {
				t.Errorf("a refused Append changed the folder:\n%s\n%s", before, after)
			}
		})
	}
}

// listing names everything in a folder, with sizes.
func listing(t tb, root *os.Root) string {
	t.Helper()
	var all bytes.Buffer
	must(t, filepath.Walk(root.Name(), func(name string, info os.FileInfo, err error) error {
		if err == nil && !info.IsDir() {
			all.WriteString(name + " " + info.ModTime().String() + "\n")
		}
		return err
	}))
	return all.String()
}

// One changed manifest doesn't keep the other generations from finding a
// changed file.
func TestVerify_damageHidesNothing(t *testing.T) {
	t.Parallel()
	root, _, second := twoGenerations(t)
	change(t, root, second.Path, "skerry-2", "skerry-3")
	change(t, root, "DCIM/100SKUA_/SKUA0001.JPG", "skua", "Skua")
	report, err := Verify(t.Context(), root, nil, nil)
	if err != nil || len(report.HistoryDamage) != 1 || len(report.Mismatched) != 1 || len(report.OK) != 3 {
		t.Errorf("Verify() = %+v, %v", report, err)
	}
}

// A history whose newest pattern hides everything hides no recorded file.
func TestVerify_patternsHideNoRecordedFile(t *testing.T) {
	t.Parallel()
	root, _, second := twoGenerations(t)
	change(t, root, second.Path, "<pattern>.DS_Store</pattern>", "<pattern>*</pattern>")
	change(t, root, second.Chain, second.C4, sumOf(t, checksum.C4, string(read(t, root, second.Path))))
	change(t, root, "DCIM/100SKUA_/SKUA0001.JPG", "skua", "Skua")
	report, err := Verify(t.Context(), root, nil, nil)
	if err != nil || len(report.Mismatched) != 1 || report.Files != 4 {
		t.Errorf("Verify() = %+v, %v", report, err)
	}
}

func TestOpen_treeTooDeep(t *testing.T) {
	t.Parallel()
	root := tempFolder(t, nil)
	must(t, root.MkdirAll(strings.Repeat("d/", maxTreeDepth+1)+"d", 0o755))
	if _, err := Open(root); !errors.Is(err, errTree) {
		t.Errorf("Open() = %v, want errTree", err)
	}
}

func TestReadDir_limit(t *testing.T) {
	t.Parallel()
	root := tempFolder(t, map[string]string{"a": "", "b": "", "c": ""})
	if list, err := readDir(root, ".", 3); err != nil || len(list) != 3 {
		t.Errorf("readDir() = %v, %v", list, err)
	}
	if _, err := readDir(root, ".", 2); !errors.Is(err, errTree) {
		t.Errorf("readDir() = %v, want errTree", err)
	}
}
