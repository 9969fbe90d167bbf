package testbed

import (
	"bytes"
	"math/rand/v2"
	"os"
	"path/filepath"
	"testing"
)

// cutImage is what CutPower leaves of an image of n blocks of 512 dashes, one
// letter a block; a block that is not all of one letter is a question mark.
func cutImage(t *testing.T, n int, log string, entries int, seed uint64) (string, Loss) {
	t.Helper()
	before, after := filepath.Join(t.TempDir(), "before"), filepath.Join(t.TempDir(), "after")
	if err := os.WriteFile(before, bytes.Repeat([]byte("-"), 512*n), 0o644); err != nil {
		t.Fatal(err)
	}
	loss, err := CutPower(before, log, after, entries, 512, rand.New(rand.NewPCG(seed, 0)))
	if err != nil {
		t.Fatal(err)
	}
	data, err := os.ReadFile(after)
	if err != nil {
		t.Fatal(err)
	}
	picture := make([]byte, n)
	for i := range picture {
		block := data[512*i : 512*(i+1)]
		if picture[i] = '?'; bytes.Count(block, block[:1]) == 512 {
			picture[i] = block[0]
		}
	}
	return string(picture), loss
}

func TestCutPower(t *testing.T) {
	t.Parallel()
	write := func(at int64, letters string) LogEntry {
		var data []byte
		for _, l := range letters {
			data = append(data, bytes.Repeat([]byte{byte(l)}, 512)...)
		}
		return LogEntry{Offset: at * 512, Length: int64(len(data)), Data: data}
	}
	flush := LogEntry{flags: logFlush}
	log := writeLog(t, write(0, "a"), flush, write(1, "b"), write(2, "cde"), write(1, "f"), flush, write(0, "g"))
	seen := map[string]bool{}
	for seed := range uint64(150) {
		picture, loss := cutImage(t, 6, log, 5, seed)
		if loss.Flushes != 1 || loss.Entries != 5 || loss.Volatile != 3 {
			t.Fatalf("loss %+v", loss)
		}
		seen[picture] = true
	}
	// What was flushed is always there; each of the rest may be; either of two
	// writes to one block may be the last to arrive; a write may be cut short.
	for _, want := range []string{"a-----", "ab----", "abcde-", "af----", "afcde-", "a-cde-", "a-c---", "a-cd--"} {
		if !seen[want] {
			t.Errorf("%s was never left: %v", want, seen)
		}
		delete(seen, want)
	}
	for _, may := range []string{"abc---", "abcd--", "afc---", "afcd--"} {
		delete(seen, may)
	}
	if len(seen) > 0 {
		t.Errorf("no disk leaves these: %v", seen)
	}
	if picture, loss := cutImage(t, 6, log, 6, 1); picture != "afcde-" || loss.Volatile != 0 {
		t.Errorf("just after a flush: %s, %+v", picture, loss)
	}
	if _, loss := cutImage(t, 6, log, -1, 1); loss.Entries != 7 || loss.Volatile != 1 {
		t.Errorf("of the whole log: %+v", loss)
	}
	if _, err := CutPower(log, log, filepath.Join(t.TempDir(), "x"), 8, 512, rand.New(rand.NewPCG(1, 1))); err == nil {
		t.Error("an entry that is not in the log was reached")
	}
	odd := writeLog(t, LogEntry{Length: 512, Data: make([]byte, 512), flags: 2})
	if _, err := CutPower(log, odd, filepath.Join(t.TempDir(), "x"), -1, 512, rand.New(rand.NewPCG(1, 1))); err == nil {
		t.Error("an entry with an unknown flag was taken for an ordinary write")
	}
}

func TestLogWatch(t *testing.T) {
	t.Parallel()
	log := writeLog(t, LogEntry{Length: 1024, Data: make([]byte, 1024)}, LogEntry{flags: logFlush})
	whole, err := os.ReadFile(log)
	if err != nil {
		t.Fatal(err)
	}
	grow := func(entries byte, bytes int) {
		part := append([]byte(nil), whole[:bytes]...)
		if len(part) > 16 {
			part[16] = entries
		}
		if err := os.WriteFile(log, part, 0o644); err != nil {
			t.Fatal(err)
		}
	}
	grow(0, 0)
	w, err := WatchLog(log)
	if err != nil {
		t.Fatal(err)
	}
	defer w.Close()
	for step, want := range []int{0, 1, 0, 1} {
		switch step {
		case 1:
			grow(1, len(whole)-300) // the second entry is being written
		case 3:
			grow(2, len(whole))
		}
		list, err := w.New()
		if err != nil || len(list) != want {
			t.Fatalf("step %d: %d entries, %v; want %d", step, len(list), err, want)
		}
		if want > 0 && list[0].Flush() != (step == 3) {
			t.Errorf("step %d: %+v", step, list[0])
		}
	}
	if w.Entries() != 2 {
		t.Errorf("%d entries", w.Entries())
	}
}
