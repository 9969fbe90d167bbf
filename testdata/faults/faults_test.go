//go:build linux && amd64

package faults

import (
	"strings"
	"testing"

	"bothy/testdata/faults/tracer"
)

// ready is a world whose box has seen its drives before.
func ready(t *testing.T, drives ...string) *world {
	t.Helper()
	w := newWorld(t, drives...)
	w.noCard = true
	if end := w.live(nil); end.Status != 0 || !w.last().Idle {
		t.Fatalf("the first life ended with status %d: %s", end.Status, w.stderr())
	}
	w.noCard = false
	return w
}

func trialsOf(sites []site) []trial {
	return trialsAt(sites, func(site) bool { return true }, func(at trial) (list []trial) {
		for _, at.fault = range faultsOf(at.site) {
			list = append(list, at)
		}
		return list
	})
}

// TestBeginning: every fault at every call of a box's very first life, in which
// it makes its ledger and enrols the drives.
func TestBeginning(t *testing.T) {
	mayTrace(t)
	w := newWorld(t, "drive-a", "drive-b")
	w.noCard = true
	sites := record(t, w, 2)
	show(t, sites)
	campaign(t, w, len(sites), pick(trialsOf(sites), never, 60))
}

// TestOffload: every fault at every call of an offload.
func TestOffload(t *testing.T) {
	mayTrace(t)
	w := ready(t, "drive-a", "drive-b")
	sites := record(t, w, 3)
	show(t, sites)
	campaign(t, w, len(sites), pick(trialsOf(sites), thirdOf(func(c trial) bool {
		return c.site.changes() && c.fault == crashAfter && c.site.role != stateDir
	}), 40))
}

// TestPowerCuts: after every call that changes something the power goes, and the
// drives lose what was not flushed, in four ways.
func TestPowerCuts(t *testing.T) {
	mayTrace(t)
	w := ready(t, "drive-a", "drive-b")
	sites := record(t, w, 3)
	show(t, sites)
	trials := trialsAt(sites, site.changes, func(at trial) (list []trial) {
		for _, how := range losses {
			at.fault, at.loss = crashAfter, how
			list = append(list, at)
		}
		return list
	})
	campaign(t, w, len(sites), pick(trials, func(c trial) bool {
		return c.site.role == claimsFile && c.loss == all
	}, 25))
}

// TestCutsAfterRecovery: the process dies after a call that changes something on
// a drive; what it had not flushed is still in memory when the next life finds it
// there. When that life has released the card the power goes.
func TestCutsAfterRecovery(t *testing.T) {
	mayTrace(t)
	w := ready(t, "drive-a", "drive-b")
	sites := record(t, w, 2)
	trials := trialsAt(sites, func(s site) bool { return s.changes() && w.before[s.role] != nil }, func(at trial) []trial {
		at.fault, at.thenCut = crashAfter, true
		return []trial{at}
	})
	campaign(t, w, len(sites), pick(trials, func(c trial) bool {
		return strings.HasSuffix(c.site.name, ".unfinished renameat #1")
	}, 10))
}

// TestFlushes: each flush of a drive fails; then the power goes, at the end or at
// once. No file that it was for may be part of a finished copy, if it was not
// written again under a new inode: what a flush has failed for stays lost.
func TestFlushes(t *testing.T) {
	mayTrace(t)
	w := ready(t, "drive-a", "drive-b")
	sites := record(t, w, 3)
	show(t, sites)
	trials := trialsAt(sites, func(s site) bool { return s.kind == tracer.Flush && w.before[s.role] != nil }, func(at trial) []trial {
		end, once := at, at
		end.fault, end.loss = eio, all
		once.fault, once.loss, once.thenCrash = eio, zeroes, true
		return []trial{end, once}
	})
	campaign(t, w, len(sites), pick(trials, thirdOf(func(c trial) bool { return !c.thenCrash }), 4))
}

// trialsAt makes the trials of the sites that are wanted.
func trialsAt(sites []site, wanted func(site) bool, make func(at trial) []trial) (trials []trial) {
	for i, s := range sites {
		if wanted(s) {
			trials = append(trials, make(trial{number: i, site: s})...)
		}
	}
	return trials
}

func show(t *testing.T, list []site) {
	t.Helper()
	if *sites {
		for i, s := range list {
			t.Logf("%4d %s", i, s.name)
		}
	}
}
