package ledger

import (
	"fmt"
	"slices"
	"testing"

	"github.com/google/go-cmp/cmp"
)

// What is kept is bounded however many names there are, and it is the first ones.
func TestCandidates_bounded(t *testing.T) {
	t.Parallel()
	var all []string
	c := candidates{keep: 10, from: "b"}
	for i := range 5000 {
		name := fmt.Sprintf("%c%d", 'a'+i*7%5, i*7919%300)
		if name >= c.from {
			all = append(all, name)
		}
		c.add([]byte(name), int64(i))
		if len(c.list) >= 2*c.keep || cap(c.list) > 8*c.keep {
			t.Fatalf("%d are kept", len(c.list))
		}
	}
	c.sort()
	slices.Sort(all)
	if c.bound == nil {
		t.Fatal("it does not say that there are more")
	}
	var got []string
	for _, k := range c.list {
		got = append(got, k.name)
	}
	before, _ := slices.BinarySearch(all, *c.bound)
	if diff := cmp.Diff(all[:before], got); diff != "" || all[before] != *c.bound {
		t.Errorf("bound %s (-want +got):\n%s", *c.bound, diff)
	}
}

// Equal names that are more than are kept are found by the index.
func TestFindFiles_manyOfOneName(t *testing.T) {
	t.Parallel()
	ctx := t.Context()
	l := newLedger(t)
	l.size = smallSizes
	var want []int64
	for i := range 40 {
		o, err := l.BeginOffload(ctx, offload("c", 2))
		must(t, err)
		must(t, l.RecordFiles(ctx, o.ID, called("index.htm", fmt.Sprintf("a%02d", i))))
		want = append(want, o.Seq)
		if i%3 == 0 {
			must(t, l.UpdateOffload(ctx, o.ID, "hold", "", OffloadVoid, at(1)))
			want = want[:len(want)-1]
		}
	}
	slices.Reverse(want)
	for _, limit := range []int{1, 3, 12, 26, 40} {
		list, more, err := l.FindFiles(ctx, FileQuery{OffloadQuery{Limit: limit}, "*dex*"})
		must(t, err)
		var got []int64
		for _, f := range list {
			got = append(got, f.Offload.Seq)
		}
		if diff := cmp.Diff(want[:min(limit, len(want))], got); diff != "" || more != (limit < len(want)) {
			t.Errorf("limit %d (more %v, -want +got):\n%s", limit, more, diff)
		}
	}
}
