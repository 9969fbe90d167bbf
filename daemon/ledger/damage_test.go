package ledger

import (
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"reflect"
	"testing"
)

// reference returns the bytes of a filled ledger, at rest, and what it says.
func reference(t *testing.T) ([]byte, contents) {
	t.Helper()
	path := filepath.Join(t.TempDir(), "ledger.db")
	l, err := Open(t.Context(), path)
	must(t, err)
	fill(t, l)
	said, err := readAll(t.Context(), l)
	must(t, err)
	must(t, l.Close())
	data, err := os.ReadFile(path)
	must(t, err)
	return data, said
}

// reopen writes files into a folder and reads the ledger there. Every error must
// be one that says damage.
func reopen(t *testing.T, dir, what string, files map[string][]byte) (said contents, damaged bool) {
	t.Helper()
	path := filepath.Join(dir, "ledger.db")
	removeWithCompanions(path)
	for name, data := range files {
		must(t, os.WriteFile(filepath.Join(dir, name), data, 0o600))
	}
	l, err := Open(t.Context(), path)
	if err == nil {
		said, err = readAll(t.Context(), l)
		must(t, l.Close())
	}
	if err != nil && !errors.Is(err, ErrDamaged) {
		t.Errorf("%s: %v, want ErrDamaged", what, err)
	}
	return said, err != nil
}

// Failure catalogue, row 22. A flipped bit is found or harmless: what is read
// equals what was written, or an error says otherwise.
func TestOpen_flippedByte(t *testing.T) {
	t.Parallel()
	data, want := reference(t)
	step := 127 // of the rest; prime, so that it walks through the pages' insides
	if raceDetector {
		step = 1499
	}
	const parts = 4
	for part := range parts {
		t.Run(fmt.Sprint(part), func(t *testing.T) {
			t.Parallel()
			dir, found, harmless := t.TempDir(), 0, 0
			for i := range data {
				inHeader := i < headerBytes && (!raceDetector || i%5 == 0)
				if i%parts != part || (!inHeader && (i/parts)%step != 0) {
					continue
				}
				mask := byte(1) << (i % 8)
				data := append([]byte(nil), data...)
				data[i] ^= mask
				what := fmt.Sprintf("byte %d of page %d, mask %#02x", i%4096, i/4096+1, mask)
				said, damaged := reopen(t, dir, what, map[string][]byte{"ledger.db": data})
				if damaged {
					found++
					continue
				}
				harmless++
				if !reflect.DeepEqual(said, want) {
					t.Errorf("%s: read something else without an error", what)
				}
			}
			t.Logf("%d found, %d harmless", found, harmless)
		})
	}
}

func TestOpen_cutShort(t *testing.T) {
	t.Parallel()
	data, _ := reference(t)
	dir := t.TempDir()
	for length := 0; length < len(data); length += 1 + length/7 {
		for _, n := range []int{length, length / 512 * 512, length / 4096 * 4096} {
			what := fmt.Sprintf("cut to %d of %d bytes", n, len(data))
			if _, damaged := reopen(t, dir, what, map[string][]byte{"ledger.db": data[:n]}); !damaged {
				t.Errorf("%s: not found", what)
			}
		}
	}
}

// history is a database, its write-ahead log, and what the ledger said after
// every commit in that log.
func history(t *testing.T) (db, log []byte, said []contents) {
	t.Helper()
	path := filepath.Join(t.TempDir(), "ledger.db")
	l := openLedger(t, path)
	fill(t, l)
	must(t, checkpoint(t.Context(), l.write))
	for n := range 6 {
		now, err := readAll(t.Context(), l)
		must(t, err)
		said = append(said, now)
		d := drive(n % 3)
		d.FreeBytes, d.LastSeen = int64(n), at(20+n)
		must(t, l.PutDrive(t.Context(), d)) // one page
	}
	now, err := readAll(t.Context(), l)
	must(t, err)
	db, err = os.ReadFile(path)
	must(t, err)
	log, err = os.ReadFile(path + "-wal")
	must(t, err)
	return db, log, append(said, now)
}

func TestOpen_flippedByteInLog(t *testing.T) {
	t.Parallel()
	db, log, said := history(t)
	dir := t.TempDir()
	for i := 0; i < len(log); i += stride(log) {
		checkLogFlip(t, dir, i, db, log, said)
	}
	for i := range logHeaderBytes { // every byte
		checkLogFlip(t, dir, i, db, log, said)
	}
	for frame := range len(log) / frameBytes {
		if raceDetector && frame > 0 {
			break
		}
		for i := range frameHeaderBytes {
			checkLogFlip(t, dir, logHeaderBytes+frame*frameBytes+i, db, log, said)
		}
	}
}

// stride is how far apart the places in a log are that a test tries.
func stride(log []byte) int {
	if raceDetector {
		return 1 + len(log)/12
	}
	return 1 + len(log)/60
}

const frameBytes = frameHeaderBytes + 4096

// checkLogFlip: only in the very last commit a flip may pass, as a cut before
// it. A salt in the one before makes that look like a frame of an earlier use of
// the file, with the same effect.
func checkLogFlip(t *testing.T, dir string, i int, db, log []byte, said []contents) {
	t.Helper()
	frames := len(log) / frameBytes
	if frames != len(said)-1 {
		t.Fatalf("%d frames for %d commits", frames, len(said)-1)
	}
	log = append([]byte(nil), log...)
	log[i] ^= 1 << (i % 8)
	what := fmt.Sprintf("byte %d of %d of the log", i, len(log))
	got, damaged := reopen(t, dir, what, map[string][]byte{"ledger.db": db, "ledger.db-wal": log})
	if damaged {
		return
	}
	hit := (i - logHeaderBytes) / frameBytes
	if i < logHeaderBytes || hit < frames-2 || (hit == frames-2 && !isSalt(i)) {
		t.Errorf("%s: not found", what)
	} else if !reflect.DeepEqual(got, said[hit]) {
		t.Errorf("%s: what is read was never the case", what)
	}
}

func isSalt(i int) bool {
	const salts, sums = 8, 16
	i = (i - logHeaderBytes) % frameBytes
	return i >= salts && i < sums
}

// A log that ends early is what a power cut leaves: the newest whole commit in
// it stands.
func TestOpen_tornLog(t *testing.T) {
	t.Parallel()
	db, log, said := history(t)
	dir := t.TempDir()
	seen := map[int]bool{}
	for n := 0; n <= len(log); n += stride(log) {
		got, damaged := reopen(t, dir, "cut", map[string][]byte{"ledger.db": db, "ledger.db-wal": log[:n]})
		which := -1
		for i := range said {
			if reflect.DeepEqual(got, said[i]) {
				which = i
			}
		}
		if damaged || which < 0 {
			t.Errorf("cut to %d of %d bytes: damaged %v, state %d", n, len(log), damaged, which)
		}
		seen[which] = true
	}
	if len(seen) < 4 {
		t.Errorf("the cuts reached only states %v: this proves little", seen)
	}
}

// What withdraws a claim is out of the log at once: losing the log must not
// bring the claim back.
func TestWithdrawal_doesNotHangOnTheLog(t *testing.T) {
	t.Parallel()
	ctx := t.Context()
	path := filepath.Join(t.TempDir(), "ledger.db")
	changed := file(3)
	changed.Checksum = "another"
	for name, withdraw := range map[string]func(l *Ledger, id string) error{
		"unproven": func(l *Ledger, id string) error { return l.RecordUnproven(ctx, id, "drive-0", paths(files(1))) },
		"lost": func(l *Ledger, id string) error {
			return l.PutCopy(ctx, Copy{OffloadID: id, DriveID: "drive-0", Status: CopyLost})
		},
		"other facts": func(l *Ledger, id string) error { return l.RecordFiles(ctx, id, []File{changed}) },
	} {
		l, err := Open(ctx, path+name)
		must(t, err)
		must(t, l.PutDrive(ctx, drive(0)))
		o := begin(t, l, "card-a", 9)
		must(t, l.RecordProven(ctx, o.ID, "drive-0", paths(files(9)), at(1)),
			l.PutCopy(ctx, Copy{OffloadID: o.ID, DriveID: "drive-0", Status: CopyProven}), withdraw(l, o.ID))
		data, err := os.ReadFile(path + name)
		must(t, err)
		must(t, l.Close())
		must(t, os.WriteFile(path+name+".bare", data, 0o600))
		bare := openLedger(t, path+name+".bare")
		copies, err := bare.Copies(ctx, o.ID)
		must(t, err)
		if len(copies) != 1 || copies[0].Status != CopyLost {
			t.Errorf("%s: without its log the ledger says %+v", name, copies)
		}
	}
}

func FuzzOpen(f *testing.F) {
	f.Add([]byte{}, []byte{})
	f.Add([]byte("SQLite format 3\x00"), []byte{0x37, 0x7f, 0x06, 0x82})
	f.Fuzz(func(t *testing.T, db, log []byte) {
		reopen(t, t.TempDir(), "fuzzed", map[string][]byte{"ledger.db": db, "ledger.db-wal": log})
	})
}
