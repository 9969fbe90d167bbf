package ledger

import (
	"bytes"
	"context"
	"database/sql"
	"errors"
	"flag"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
	"github.com/klauspost/compress/zstd"
)

var updateGolden = flag.Bool("update", false, "write the golden files that are missing")

// ledgerOf makes a ledger of other steps than the program's and returns its
// writing handle.
func ledgerOf(t *testing.T, path string, steps []string) *sql.DB {
	t.Helper()
	must(t, os.WriteFile(path, nil, 0o600))
	db, err := dialWriter(path)
	must(t, err)
	t.Cleanup(func() { must(t, db.Close()) })
	must(t, migrate(t.Context(), db, steps, "future22"))
	return db
}

func TestOpen_newerIsRefusedAndUntouched(t *testing.T) {
	t.Parallel()
	path := filepath.Join(t.TempDir(), "ledger.db")
	steps, err := migrations()
	must(t, err)
	db := ledgerOf(t, path, append(steps, "CREATE TABLE future (x INTEGER) STRICT"))
	must(t, checkpoint(t.Context(), db))
	_, err = db.ExecContext(t.Context(), "INSERT INTO future VALUES (1)") // in the log
	must(t, err)
	before := readBoth(t, path)
	_, aside, err := OpenOrReplace(t.Context(), path)
	want := fmt.Sprintf("has version %d, this program knows up to %d", len(steps)+1, len(steps))
	if !errors.Is(err, ErrNewer) || errors.Is(err, ErrDamaged) || aside != "" || !strings.Contains(err.Error(), want) {
		t.Errorf("aside %q, %v; want ErrNewer: %s", aside, err, want)
	}
	if !bytes.Equal(before, readBoth(t, path)) {
		t.Error("the newer ledger was changed")
	}
}

func readBoth(t *testing.T, path string) []byte {
	t.Helper()
	db, err := os.ReadFile(path)
	must(t, err)
	log, err := os.ReadFile(path + "-wal")
	must(t, err)
	return append(db, log...)
}

func TestMigrate_failingStepChangesNothing(t *testing.T) {
	t.Parallel()
	path := filepath.Join(t.TempDir(), "ledger.db")
	l := openLedger(t, path)
	fill(t, l)
	before, err := readAll(t.Context(), l)
	must(t, err)
	steps, err := migrations()
	must(t, err)
	bad := append(steps, "ALTER TABLE drives ADD COLUMN colour TEXT", "nonsense")
	if err := migrate(t.Context(), l.write, bad, ""); err == nil {
		t.Fatal("nonsense was accepted")
	}
	after, err := readAll(t.Context(), l)
	must(t, err)
	if diff := cmp.Diff(before, after); diff != "" {
		t.Errorf("(-before +after):\n%s", diff)
	}
	must(t, inspect(t.Context(), path, steps))
	// The same steps without the nonsense go through, keep the box's id and
	// leave what an inspection by the newer program accepts.
	good := bad[:len(steps)+1]
	must(t, migrate(t.Context(), l.write, good, ""), migrate(t.Context(), l.write, good, ""), inspect(t.Context(), path, good))
	id, err := readBox(t.Context(), l.write, len(good))
	must(t, err)
	if id != l.BoxID() {
		t.Errorf("the migration made box %q of box %q", id, l.BoxID())
	}
}

// A ledger as each version wrote it is kept for ever and must open for ever: a
// file here is never written again.
func TestOpen_everyVersion(t *testing.T) {
	t.Parallel()
	steps, err := migrations()
	must(t, err)
	for version := 1; version <= len(steps); version++ {
		golden := filepath.Join("testdata", fmt.Sprintf("invented-ledger-v%d.db.zst", version))
		if _, err := os.Stat(golden); errors.Is(err, os.ErrNotExist) && *updateGolden && version == len(steps) {
			writeGolden(t, golden)
		}
		path := filepath.Join(t.TempDir(), "ledger.db")
		data, err := os.ReadFile(golden)
		must(t, err)
		unpack(t, bytes.NewReader(data), path)
		l := openLedger(t, path)
		got, err := readAll(t.Context(), l)
		must(t, err)
		again := newLedger(t)
		fill(t, again)
		want, err := readAll(t.Context(), again)
		must(t, err)
		// The boxes differ in nothing but their id.
		wantText, gotText := fmt.Sprintf("%+v", want), fmt.Sprintf("%+v", got)
		if diff := cmp.Diff(strings.ReplaceAll(wantText, again.BoxID(), l.BoxID()), gotText); diff != "" {
			t.Errorf("version %d (-want +got):\n%s", version, diff)
		}
	}
}

func writeGolden(t *testing.T, golden string) {
	t.Helper()
	l := newLedger(t)
	fill(t, l)
	var out bytes.Buffer
	must(t, l.Snapshot(context.WithoutCancel(t.Context()), &out), os.MkdirAll(filepath.Dir(golden), 0o755),
		os.WriteFile(golden, out.Bytes(), 0o644))
}

func unpack(t *testing.T, compressed *bytes.Reader, path string) {
	t.Helper()
	in, err := zstd.NewReader(compressed)
	must(t, err)
	defer in.Close()
	var out bytes.Buffer
	_, err = out.ReadFrom(in)
	must(t, err)
	must(t, os.WriteFile(path, out.Bytes(), 0o600))
}
