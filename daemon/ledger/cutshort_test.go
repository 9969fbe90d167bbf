package ledger

import (
	"context"
	"errors"
	"fmt"
	"path/filepath"
	"sync"
	"testing"

	"github.com/google/go-cmp/cmp"
)

// countdown is a context that ends when it is looked at for the n-th time: a call
// that takes it is cut short at that place, between any two of its statements.
type countdown struct {
	context.Context
	end context.CancelFunc

	mu   sync.Mutex
	left int // guarded by mu
}

func newCountdown(t *testing.T, n int) *countdown {
	ctx, end := context.WithCancel(t.Context())
	t.Cleanup(end)
	return &countdown{Context: ctx, end: end, left: n}
}

func (c *countdown) look() {
	c.mu.Lock()
	defer c.mu.Unlock()
	if c.left--; c.left == 0 {
		c.end()
	}
}

func (c *countdown) Done() <-chan struct{} {
	c.look()
	return c.Context.Done()
}

func (c *countdown) Err() error {
	c.look()
	return c.Context.Err()
}

// ended reports whether the end was reached, without being a look.
func (c *countdown) ended() bool { return c.Context.Err() != nil }

// mostLooks bounds how often a call can look at its context.
const mostLooks = 2000

// Whatever is written is written as a whole or not at all, wherever the call is
// cut short; and when the call says that it is done, it is.
func TestWrites_cutShortAnywhere(t *testing.T) {
	t.Parallel()
	id := func(l *Ledger, seq string) string { return l.BoxID() + "-" + seq }
	other := file(1)
	other.Checksum = "another"
	for name, write := range map[string]func(context.Context, *Ledger) error{
		"begin": func(ctx context.Context, l *Ledger) error {
			_, err := l.BeginOffload(ctx, offload("card-c", 3))
			return err
		},
		"end": func(ctx context.Context, l *Ledger) error {
			return l.UpdateOffload(ctx, id(l, "4"), "release", "enough", OffloadDone, at(20))
		},
		"files":       func(ctx context.Context, l *Ledger) error { return l.RecordFiles(ctx, id(l, "4"), files(20)) },
		"other facts": func(ctx context.Context, l *Ledger) error { return l.RecordFiles(ctx, id(l, "4"), []File{other}) },
		"proofs": func(ctx context.Context, l *Ledger) error {
			return l.RecordProven(ctx, id(l, "4"), drive(1).ID, paths(files(12)), at(20))
		},
		"proofs taken back": func(ctx context.Context, l *Ledger) error {
			return l.RecordUnproven(ctx, id(l, "1"), drive(0).ID, paths(files(3)))
		},
		"copy proven": func(ctx context.Context, l *Ledger) error {
			return l.PutCopy(ctx, Copy{OffloadID: id(l, "1"), DriveID: drive(0).ID, Folder: "another", Status: CopyProven, Updated: at(20)})
		},
		"copy lost": func(ctx context.Context, l *Ledger) error {
			return l.PutCopy(ctx, Copy{OffloadID: id(l, "1"), DriveID: drive(0).ID, Folder: "f", Status: CopyLost, Updated: at(20)})
		},
		"drive": func(ctx context.Context, l *Ledger) error { return l.PutDrive(ctx, drive(7)) },
		"salvage": func(ctx context.Context, l *Ledger) error {
			return l.RecordSalvages(ctx, id(l, "4"), []Salvage{{Path: "a"}})
		},
		"condition": func(ctx context.Context, l *Ledger) error { return l.LogCondition(ctx, "c", "s", "d", true, at(20)) },
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			l := openLedger(t, filepath.Join(t.TempDir(), "ledger.db"))
			fill(t, l)
			before := written(t, l)
			for n := 1; ; n++ {
				ctx := newCountdown(t, n)
				err := write(ctx, l)
				changed := cmp.Diff(before, written(t, l))
				if err == nil && changed == "" {
					t.Fatalf("cut short at look %d: it says that it is done, and nothing has changed", n)
				}
				if err != nil && changed != "" {
					t.Fatalf("cut short at look %d: %v, and part of it is there (-before +after):\n%s", n, err, changed)
				}
				if err == nil && !ctx.ended() || n == mostLooks {
					must(t, err)
					return
				}
				if err == nil {
					return // cut after the commit: from here on it is done anyway
				}
				if !errors.Is(err, context.Canceled) {
					t.Fatalf("cut short at look %d: %v", n, err)
				}
			}
		})
	}
}

// written is what the writing calls of these tests can change.
func written(t *testing.T, l *Ledger) (all []any) {
	t.Helper()
	ctx := t.Context()
	note := func(value any, err error) {
		must(t, err)
		all = append(all, value)
	}
	first, fourth := l.BoxID()+"-1", l.BoxID()+"-4"
	offloads, err := l.Offloads(ctx, 0)
	note(offloads, err)
	drives, err := l.Drives(ctx)
	note(drives, err)
	conditions, err := l.Conditions(ctx, 0)
	note(conditions, err)
	files, err := l.Files(ctx, fourth)
	note(files, err)
	copies, err := l.Copies(ctx, first)
	note(copies, err)
	proven, err := l.Proven(ctx, first, drive(0).ID)
	note(proven, err)
	proven, err = l.Proven(ctx, fourth, drive(1).ID)
	note(proven, err)
	return all
}

// A question that is cut short has no answer: never a shorter one, which would
// be a card that was never seen, or a drive without copies.
func TestReads_cutShortAnywhere(t *testing.T) {
	t.Parallel()
	l := newLedger(t)
	fill(t, l)
	id := l.BoxID() + "-1"
	for name, read := range map[string]func(context.Context) (any, error){
		"known files": func(ctx context.Context) (any, error) { return l.KnownFiles(ctx, "card-a") },
		"copies":      func(ctx context.Context) (any, error) { return l.Copies(ctx, id) },
		"proven":      func(ctx context.Context) (any, error) { return l.Proven(ctx, id, drive(0).ID) },
		"files":       func(ctx context.Context) (any, error) { return l.Files(ctx, id) },
		"offload":     func(ctx context.Context) (any, error) { return l.Offload(ctx, id) },
		"offloads":    func(ctx context.Context) (any, error) { return l.Offloads(ctx, 0) },
		"drives":      func(ctx context.Context) (any, error) { return l.Drives(ctx) },
		"ages":        func(ctx context.Context) (any, error) { return l.ProofAges(ctx, drive(0).ID) },
		"count":       func(ctx context.Context) (any, error) { return l.DriveCopyCount(ctx, drive(0).ID) },
		"conditions":  func(ctx context.Context) (any, error) { return l.Conditions(ctx, 0) },
		"open": func(ctx context.Context) (any, error) {
			o, ok, err := l.OpenOffload(ctx, "card-a")
			return struct {
				Offload Offload
				OK      bool
			}{o, ok}, err
		},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			want, err := read(t.Context())
			must(t, err)
			for n := 1; n < mostLooks; n++ {
				ctx := newCountdown(t, n)
				got, err := read(ctx)
				if err == nil {
					if diff := cmp.Diff(want, got); diff != "" {
						t.Fatalf("cut short at look %d it answers otherwise (-want +got):\n%s", n, diff)
					}
				} else if !errors.Is(err, context.Canceled) {
					t.Fatalf("cut short at look %d: %v", n, err)
				}
				if !ctx.ended() {
					return
				}
			}
		})
	}
}

// A caller who gave up is told so, and not that the ledger fails; but what the
// ledger has found wrong must not pass for somebody's giving up.
func TestEndedBy(t *testing.T) {
	t.Parallel()
	over, end := context.WithCancel(t.Context())
	end()
	closed := errors.New("sql: statement is closed")
	for name, tc := range map[string]struct {
		ctx     context.Context
		err     error
		gaveUp  bool
		remains error
	}{
		"done":                          {over, nil, false, nil},
		"closed under it":               {over, closed, true, closed},
		"closed, and nobody gave up":    {t.Context(), closed, false, closed},
		"it said so itself":             {over, context.Canceled, true, context.Canceled},
		"damage, when somebody gave up": {over, fmt.Errorf("read: %w", ErrDamaged), false, ErrDamaged},
		"unknown, likewise":             {over, ErrUnknown, false, ErrUnknown},
		"refused, likewise":             {over, ErrRefused, false, ErrRefused},
	} {
		got := endedBy(tc.ctx, tc.err)
		if errors.Is(got, context.Canceled) != tc.gaveUp || !errors.Is(got, tc.remains) {
			t.Errorf("%s: %v", name, got)
		}
	}
}
