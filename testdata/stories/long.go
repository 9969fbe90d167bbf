package stories

import (
	"flag"
	"testing"
)

var longFlag = flag.Bool("long", false, "tell the stories, too, for which every check has not the time")

// longStory ends a story that was not asked for. What it tries must be tried by
// another test, too, if less truly.
func longStory(t *testing.T) {
	t.Helper()
	if !*longFlag {
		t.Skip("a long story: -long tells it")
	}
}
