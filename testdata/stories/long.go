package stories

import (
	"flag"
	"testing"

	"bothy/testdata/judges"
)

var (
	longFlag  = flag.Bool("long", false, "tell the stories, too, for which every check has not the time")
	arm64Flag = flag.Bool("arm64", false, "tell the stories of emulated boards, which a check does only when it is asked to")
	turnFlag  = flag.Int("turn", -1, "of the stories that take turns, tell those of turn `N` alone, 0 to 2; -1: all")
)

// longStory ends a story that was not asked for. What it tries must be tried by
// another test, too, if less truly.
func longStory(t *testing.T) {
	t.Helper()
	if !*longFlag {
		t.Skip("a long story: -long tells it")
	}
}

// inTurn ends a story whose turn it is not: continuous integration has 40 minutes, and
// tells a third of these stories for each submission. What such a story tries must be
// tried in every run by another test, too, if less truly. Turns are given out so that
// each takes about as long as the others.
func inTurn(t *testing.T, turn int) {
	t.Helper()
	if *turnFlag >= 0 && turn != *turnFlag {
		t.Skipf("it is the turn of others: -turn %d tells it", turn)
	}
}

// onABoard ends a story of an emulated board that was not asked for. To build its guest,
// once, costs more than all other guests together, and it boots each time.
func onABoard(t *testing.T) {
	t.Helper()
	if !*arm64Flag {
		t.Skip("a story of an emulated board: -arm64 tells it")
	}
	judges.Need(t, "qemu-system-aarch64")
}
