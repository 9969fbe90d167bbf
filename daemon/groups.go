package daemon

import (
	"fmt"

	"bothy/daemon/offload"
)

// group is a set of drives that lack the same files.
type group struct {
	drives []*jobDrive
	plan   *offload.Plan
}

// groups sorts the drives by what they lack. A card that brings manifests of
// its own is copied whole or not at all: they speak of all its files.
func (j *job) groups() []group {
	var list []group
	index := map[string]int{}
	for _, d := range j.drives {
		if d.opened == nil || d.hung() {
			continue
		}
		key := j.lacks(d)
		if key == "" {
			continue
		}
		i, ok := index[key]
		if !ok {
			i = len(list)
			index[key] = i
			list = append(list, group{plan: j.lacking(d)})
		}
		list[i].drives = append(list[i].drives, d)
	}
	return list
}

// lacks tells drives apart that lack different files: it names the sets of the
// tally that a drive has no copy of; empty when it lacks nothing.
func (j *job) lacks(d *jobDrive) string {
	used := make([]bool, len(j.tally.sets))
	for i := range j.plan.Files {
		used[j.tally.set[i]] = used[j.tally.set[i]] || !j.tally.standsOn(i, d.identity.ID)
	}
	var key []byte
	for n, lacking := range used {
		if lacking {
			key = fmt.Appendf(key, "%d,", n)
		}
	}
	return string(key)
}

func (j *job) lacking(d *jobDrive) *offload.Plan {
	if j.plan.HasHistory() || len(j.tally.sets) == 1 { // nothing stands anywhere
		return j.plan
	}
	i := -1
	return j.plan.Only(func(offload.Entry) bool {
		i++ // it is asked in the order of the plan
		return !j.tally.standsOn(i, d.identity.ID)
	})
}

// wanted is how many copies of a group somebody waits for: those that are
// wanted, but for those that stand already.
func (j *job) wanted(g group) int {
	distinct := bySet(j.tally, func(s []stand) int { return offload.Distinct(j.livePlaces(s)) })
	fewest := j.box.Copies
	j.tally.each(g.plan, func(i int) { fewest = min(fewest, distinct(i)) })
	return max(1, j.box.Copies-fewest)
}
