package offload

import (
	"maps"
	"testing"

	"bothy/daemon/state"
)

// What was salvaged is told as such, and what gave nothing at all is told too.
func TestResult_Missing(t *testing.T) {
	t.Parallel()
	res := Result{
		Unreadable: map[string]string{"A.MOV": "a bad place", "B.MOV": "it cannot be opened"},
		Salvaged:   []state.Salvage{{Path: "A.MOV", As: "A.MOV" + SalvageSuffix}, {MoreFiles: 3}},
	}
	if got := res.Missing(); !maps.Equal(got, map[string]string{"B.MOV": "it cannot be opened"}) {
		t.Errorf("%v", got)
	}
	if len(res.Unreadable) != 2 {
		t.Errorf("what was given is changed: %v", res.Unreadable)
	}
	if got := (&Result{}).Missing(); len(got) != 0 {
		t.Errorf("of nothing: %v", got)
	}
}
