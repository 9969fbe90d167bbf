package ledger

import (
	"bytes"
	"errors"
	"io/fs"
	"os"
	"os/exec"
	"path/filepath"
	"sync"
	"testing"

	"github.com/google/go-cmp/cmp"
)

func TestSnapshot_isAWholeLedger(t *testing.T) {
	t.Parallel()
	l := newLedger(t)
	fill(t, l)
	want, err := readAll(t.Context(), l)
	must(t, err)
	var compressed bytes.Buffer
	must(t, l.Snapshot(t.Context(), &compressed))

	path := filepath.Join(t.TempDir(), "ledger.db")
	unpackWithOther(t, compressed.Bytes(), path)
	copied := openLedger(t, path)
	got, err := readAll(t.Context(), copied)
	must(t, err)
	if diff := cmp.Diff(want, got); diff != "" {
		t.Errorf("(-ledger +snapshot):\n%s", diff)
	}
	next, err := copied.BeginOffload(t.Context(), offload("c", 0))
	must(t, err)
	if next.Seq != 5 {
		t.Errorf("the snapshot goes on with %d, want 5", next.Seq)
	}
	checkWithOtherProgram(t, path)
}

// unpackWithOther uses the zstd command of the format's own project, where there
// is one, and the library otherwise.
func unpackWithOther(t *testing.T, compressed []byte, path string) {
	t.Helper()
	program, err := exec.LookPath("zstd")
	if err != nil {
		if os.Getenv("CI") == "true" {
			t.Fatal("the zstd command (Debian: zstd) is missing")
		}
		unpack(t, bytes.NewReader(compressed), path)
		return
	}
	command := exec.CommandContext(t.Context(), program, "-q", "-d", "-c")
	command.Stdin = bytes.NewReader(compressed)
	data, err := command.Output()
	must(t, err)
	must(t, os.WriteFile(path, data, 0o600))
}

type fullDisk struct{ room int }

var errFull = errors.New("no space left")

func (d *fullDisk) Write(p []byte) (int, error) {
	if d.room -= len(p); d.room < 0 {
		return 0, errFull
	}
	return len(p), nil
}

func TestSnapshot_fullDrive(t *testing.T) {
	t.Parallel()
	l := newLedger(t)
	fill(t, l)
	for _, room := range []int{0, 100, 1000} {
		if err := l.Snapshot(t.Context(), &fullDisk{room}); !errors.Is(err, errFull) {
			t.Errorf("room for %d bytes: %v", room, err)
		}
	}
}

// Readers and snapshots run beside a writer. Every picture they get is one that
// a commit left: an offload with all its files or with none.
func TestLedger_readersBesideAWriter(t *testing.T) {
	t.Parallel()
	ctx := t.Context()
	l := newLedger(t)
	must(t, l.PutDrive(ctx, drive(0)))
	const offloads, perOffload = 12, 40
	done := make(chan struct{})
	var all sync.WaitGroup
	read := func(look func() error) {
		for {
			if err := look(); err != nil {
				t.Error(err)
				return
			}
			select {
			case <-done:
				return
			default:
			}
		}
	}
	for range 3 {
		all.Go(func() {
			read(func() error {
				list, err := l.Offloads(ctx, 0)
				for _, o := range list {
					files, err := l.Files(ctx, o.ID)
					if err != nil {
						return err
					}
					if len(files) != 0 && len(files) != perOffload {
						t.Errorf("offload %s: half a commit, %d files", o.ID, len(files))
					}
				}
				return err
			})
		})
	}
	all.Go(func() { read(func() error { return l.Snapshot(ctx, discard{}) }) })
	var writers sync.WaitGroup
	for range 2 {
		writers.Go(func() {
			for range offloads / 2 {
				o, err := l.BeginOffload(ctx, offload("card-a", perOffload))
				if err == nil {
					err = errors.Join(l.RecordFiles(ctx, o.ID, files(perOffload)),
						l.RecordProven(ctx, o.ID, "drive-0", paths(files(perOffload)), at(1)))
				}
				if err != nil {
					t.Error(err)
				}
			}
		})
	}
	writers.Wait()
	close(done)
	all.Wait()
	list, err := l.Offloads(ctx, 0)
	must(t, err)
	if len(list) != offloads || list[0].Seq != offloads {
		t.Errorf("%d offloads, newest %d", len(list), list[0].Seq)
	}
}

// The log is empty when the ledger is closed, whoever has not let go of it yet.
func TestClose_besideAReader(t *testing.T) {
	t.Parallel()
	path := filepath.Join(t.TempDir(), "ledger.db")
	l, err := Open(t.Context(), path)
	must(t, err)
	must(t, l.PutDrive(t.Context(), drive(0)))
	late, err := l.read.Conn(t.Context())
	must(t, err)
	var drives int
	must(t, late.QueryRowContext(t.Context(), "SELECT count(*) FROM drives").Scan(&drives))
	before, err := os.Stat(path + "-wal")
	must(t, err)
	must(t, l.Close())
	after, err := os.Stat(path + "-wal")
	if err == nil && (after.Size() != 0 || before.Size() == 0) || err != nil && !errors.Is(err, fs.ErrNotExist) {
		t.Errorf("the log had %d bytes and is %v, %v now", before.Size(), after, err)
	}
	must(t, late.Close())
}

// A second process, here a second handle, may work on the ledger meanwhile.
func TestLedger_twoHandles(t *testing.T) {
	t.Parallel()
	path := filepath.Join(t.TempDir(), "ledger.db")
	var all sync.WaitGroup
	for range 2 {
		all.Go(func() {
			l, err := Open(t.Context(), path) // one of the two begins it
			if err != nil {
				t.Error(err)
				return
			}
			for range 5 {
				if _, err := l.BeginOffload(t.Context(), offload("c", 0)); err != nil {
					t.Error(err)
				}
			}
			if err := l.Close(); err != nil {
				t.Error(err)
			}
		})
	}
	all.Wait()
	l := openLedger(t, path)
	list, err := l.Offloads(t.Context(), 0)
	must(t, err)
	if len(list) != 10 || list[0].Seq != 10 {
		t.Errorf("%d offloads", len(list))
	}
}

// The views answer an editor's questions through their own client.
func TestViews(t *testing.T) {
	t.Parallel()
	l := newLedger(t)
	fill(t, l)
	for query, want := range map[string]string{
		"SELECT count(*), sum(proven) FROM what_is_where WHERE copy_status = 'proven'":                                                                              "60|60\n",
		"SELECT drive_name, folder, copy_status, proven, proven_at FROM what_is_where WHERE path LIKE '%0001.MOV' AND card_label = 'SKUA_A003' AND offload_seq = 3": "Skerry drive-1|2026-11-25/skua-A003|lost|0|\n",
		"SELECT offload_seq, copy_status FROM what_is_missing WHERE drive = 'drive-1'":                                                                              "1|\n",
		"SELECT count(*) FROM what_is_missing WHERE drive <> 'drive-1'":                                                                                             "0\n",
	} {
		if got := askOther(t, l.path, query); got != want {
			t.Errorf("%s\n got %q\nwant %q", query, got, want)
		}
	}
}

func BenchmarkRecordFiles100000(b *testing.B) {
	l, err := Open(b.Context(), filepath.Join(b.TempDir(), "ledger.db"))
	if err != nil {
		b.Fatal(err)
	}
	defer l.Close()
	all := files(100_000)
	if err := l.PutDrive(b.Context(), drive(0)); err != nil {
		b.Fatal(err)
	}
	for b.Loop() {
		o, err := l.BeginOffload(b.Context(), offload("c", len(all)))
		if err == nil {
			err = l.RecordFiles(b.Context(), o.ID, all)
		}
		if err == nil {
			err = l.RecordProven(b.Context(), o.ID, "drive-0", paths(all), at(1))
		}
		if err == nil {
			_, err = l.KnownFiles(b.Context(), "c")
		}
		if err != nil {
			b.Fatal(err)
		}
	}
}
