//go:build linux && amd64

package faults

import (
	"fmt"
	"maps"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
)

func sorted(all map[string]site) (list []site) {
	for _, name := range slices.Sorted(maps.Keys(all)) {
		list = append(list, all[name])
	}
	return list
}

// chosen: what -site and -fault ask for.
func chosen(c trial) bool {
	if *siteAt != "" && *siteAt != strconv.Itoa(c.number) && *siteAt != c.site.name {
		return false
	}
	if *match != "" && !regexp.MustCompile(*match).MatchString(c.String()) {
		return false
	}
	return *only == "" || *only == c.named()
}

// pick leaves all trials or, without -every and a wish for certain ones, those
// that always have their turn and each stride-th of the others.
func pick(trials []trial, always func(trial) bool, stride int) (list []trial) {
	if *strideOf > 0 {
		stride = *strideOf
	}
	n := 0
	for _, c := range trials {
		if !chosen(c) {
			continue
		}
		if n++; *every || *siteAt != "" || *match != "" || *strideOf == 0 && always(c) || n%stride == 0 {
			list = append(list, c)
		}
	}
	return list[min(*from, len(list)):]
}

func never(trial) bool { return false }

// thirdOf leaves a third of the cases that are always in the sample when cases take turns:
// what they strike at is struck in process, at every call, in each run.
func thirdOf(always func(trial) bool) func(trial) bool {
	n := 0
	return func(c trial) bool {
		if !always(c) {
			return false
		}
		n++
		return *turn < 0 || n%3 == *turn
	}
}

// sideBySide does n things, as many at a time as are wanted abreast.
func sideBySide(n int, do func(worker, i int)) {
	var next atomic.Int64
	var workers sync.WaitGroup
	for worker := range min(*abreast, n) {
		workers.Go(func() {
			for i := int(next.Add(1)) - 1; i < n; i = int(next.Add(1)) - 1 {
				do(worker, i)
			}
		})
	}
	workers.Wait()
}

// campaign runs trials side by side and tells what came of them.
func campaign(t *testing.T, template *world, sites int, trials []trial) {
	t.Helper()
	if len(trials) == 0 {
		t.Fatal("no case is like that")
	}
	var unreached, crashed, released, held atomic.Int64
	var mu sync.Mutex
	per := map[string]int{} // guarded by mu
	sideBySide(len(trials), func(_, i int) {
		v := trials[i].run(template)
		if !v.reached {
			v = trials[i].run(template) // two drives at work do not always meet alike
		}
		mu.Lock()
		per[trials[i].named()]++
		mu.Unlock()
		switch {
		case !v.reached:
			unreached.Add(1)
		case v.crashed:
			crashed.Add(1)
		case v.ended.Released:
			released.Add(1)
		case v.ended.Decided:
			held.Add(1)
		}
		for _, s := range v.wrong {
			t.Errorf("go test ./testdata/faults -run %s %s: %s", t.Name(), trials[i], s)
		}
		if testing.Verbose() && (i+1)%100 == 0 {
			fmt.Printf("%s: %d of %d\n", t.Name(), i+1, len(trials))
		}
	})
	t.Logf("%d call sites, %d cases (%s); %d sites were not come by again; the life with the fault ended with the process %d times, else with the release %d times and with hold %d times",
		sites, len(trials), counts(per), unreached.Load(), crashed.Load(), released.Load(), held.Load())
	if len(trials) > 20 && unreached.Load()*10 > int64(len(trials)) {
		t.Errorf("%d of %d sites were not come by again: the cases mean little", unreached.Load(), len(trials))
	}
}

func counts(per map[string]int) string {
	var list []string
	for _, k := range slices.Sorted(maps.Keys(per)) {
		list = append(list, fmt.Sprintf("%s %d", k, per[k]))
	}
	return strings.Join(list, ", ")
}
