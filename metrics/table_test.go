package metrics

import (
	"fmt"
	"os"
	"slices"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
	"github.com/prometheus/client_golang/prometheus"
)

const tableFile = "../deploy/fleet/METRICS.md"

const tableHead = `# What a box measures

Made by a test in ` + "`metrics`" + ` (` + "`go test ./metrics -update`" + `) from the code itself. Beside these a box tells of its process and its
Go runtime what the Prometheus client library does (` + "`process_*`, `go_*`" + `).

The values that a label takes, where they are few: ` + "`phase`" + ` %s for the box and %s for cards, ` + "`kind`" + ` %s for holds and %s
for work among drives, ` + "`verdict`" + ` %s, ` + "`severity`" + ` notice, attention, danger. ` + "`rule`" + ` is a name from the
policy, ` + "`slot`" + ` the place a reader is plugged into, ` + "`drive`" + ` the name a drive was given when it was enrolled, ` + "`code`" + ` a condition's (the table of
them is in ` + "`daemon/state/condition.go`" + `). There are at most %d drives, %d combinations of slot, rule and verdict, and %d codes; nothing
that a card holds or calls itself is ever a label.

| metric | type | labels | meaning |
|---|---|---|---|
`

// The table that people read is the code's own. Types and labels are those of a
// real scrape, which shows every metric (TestCollector_labelNames).
func TestTable_isTheCode(t *testing.T) {
	t.Parallel()
	reg := prometheus.NewPedanticRegistry()
	reg.MustRegister(NewCollector(sample))
	families, err := reg.Gather()
	if err != nil {
		t.Fatal(err)
	}
	list := func(words []string) string { return strings.Join(words, ", ") }
	var b strings.Builder
	fmt.Fprintf(&b, tableHead, list(Phases), list(CardPhases), list(HoldKinds), list(Errands), list(Verdicts), MaxDrives, MaxSlotCards, MaxCodes)
	for _, f := range families {
		var labels []string
		for _, l := range f.GetMetric()[0].GetLabel() {
			labels = append(labels, l.GetName())
		}
		slices.Sort(labels)
		fmt.Fprintf(&b, "| `%s` | %s | %s | %s |\n", f.GetName(), strings.ToLower(f.GetType().String()), strings.Join(labels, ", "), f.GetHelp())
	}
	if *update {
		if err := os.WriteFile(tableFile, []byte(b.String()), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	want, err := os.ReadFile(tableFile)
	if err != nil {
		t.Fatal(err)
	}
	if diff := cmp.Diff(string(want), b.String()); diff != "" {
		t.Errorf("%s (-want +got):\n%s", tableFile, diff)
	}
}
