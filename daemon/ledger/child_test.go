package ledger

import (
	"bufio"
	"context"
	"errors"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"testing"
)

const childEnv = "BOTHY_TEST_LEDGER_CHILD" // path of the ledger that the child writes

// killedChild writes offloads until it is killed and prints the id of each when
// everything about it has been committed.
func killedChild(path string) int {
	ctx := context.Background()
	l, err := Open(ctx, path)
	if err != nil {
		fmt.Println("open:", err)
		return 1
	}
	if err := l.PutDrive(ctx, drive(0)); err != nil {
		fmt.Println("drive:", err)
		return 1
	}
	for {
		o, err := l.BeginOffload(ctx, offload("card-a", 20))
		if err == nil {
			err = errors.Join(
				l.RecordFiles(ctx, o.ID, files(20)),
				l.RecordProven(ctx, o.ID, "drive-0", paths(files(20)), at(3)),
				l.PutCopy(ctx, Copy{OffloadID: o.ID, DriveID: "drive-0", Folder: o.Folder, Status: CopyProven, Updated: at(4)}),
				l.UpdateOffload(ctx, o.ID, "hold", "needs 1 more drive", OffloadDone, at(5)))
		}
		if err != nil {
			fmt.Println("write:", err)
			return 1
		}
		fmt.Println(o.ID)
	}
}

// Crash here means SIGKILL; a power cut is the testbed's to give.
func TestCommit_survivesKill(t *testing.T) {
	t.Parallel()
	path := filepath.Join(t.TempDir(), "ledger.db")
	var promised []string
	for life := 1; life <= 4; life++ {
		promised = append(promised, runUntilKilled(t, path, 3*life)...)
		checkPromises(t, path, promised)
	}
	checkWithOtherProgram(t, path)
}

// runUntilKilled kills the child once it has made that many promises, at
// whatever it is doing then, and returns all it made.
func runUntilKilled(t *testing.T, path string, promises int) (ids []string) {
	t.Helper()
	child := exec.CommandContext(t.Context(), os.Args[0])
	child.Env = append(os.Environ(), childEnv+"="+path)
	out, err := child.StdoutPipe()
	must(t, err)
	must(t, child.Start())
	lines := bufio.NewScanner(out)
	for lines.Scan() {
		ids = append(ids, lines.Text())
		if len(ids) == promises {
			must(t, child.Process.Kill())
		}
	}
	if err := child.Wait(); len(ids) < promises || err == nil || err.Error() != "signal: killed" {
		t.Fatalf("the child ended by itself (%v) after %q", err, ids)
	}
	return ids
}

func checkPromises(t *testing.T, path string, promised []string) {
	t.Helper()
	ctx := t.Context()
	l, err := Open(ctx, path)
	must(t, err)
	defer func() { must(t, l.Close()) }()
	for _, id := range promised {
		o, err := l.Offload(ctx, id)
		must(t, err)
		if o.Status != OffloadDone || o.Verdict != "hold" {
			t.Errorf("offload %s is %s, %s", id, o.Status, o.Verdict)
		}
		proven, err := l.Proven(ctx, id, "drive-0")
		must(t, err)
		copies, err := l.Copies(ctx, id)
		must(t, err)
		if len(proven) != 20 || len(copies) != 1 || copies[0].Status != CopyProven {
			t.Errorf("offload %s: %d files proven, copies %+v", id, len(proven), copies)
		}
	}
	all, err := l.Offloads(ctx, 0)
	must(t, err)
	seen := map[int64]bool{}
	for _, o := range all {
		if seen[o.Seq] {
			t.Errorf("sequence number %d was given twice", o.Seq)
		}
		seen[o.Seq] = true
	}
}

// checkWithOtherProgram has Debian's sqlite3 command, which shares no code with
// the library in use here, examine the file and count what is in it.
func checkWithOtherProgram(t *testing.T, path string) {
	t.Helper()
	if got := askOther(t, path, "PRAGMA integrity_check; PRAGMA foreign_key_check;"); got != "ok\n" {
		t.Errorf("sqlite3 finds: %s", got)
	}
}

func askOther(t *testing.T, path, query string) string {
	t.Helper()
	program, err := exec.LookPath("sqlite3")
	if err != nil {
		if os.Getenv("CI") == "true" {
			t.Fatal("the sqlite3 command (Debian: sqlite3) is missing")
		}
		t.Skip("left out: the sqlite3 command (Debian: sqlite3) is missing, so no independent program examines the ledger")
	}
	out, err := exec.CommandContext(t.Context(), program, "-batch", "-readonly", path, query).CombinedOutput()
	if err != nil {
		t.Fatalf("sqlite3: %v: %s", err, out)
	}
	return string(out)
}
