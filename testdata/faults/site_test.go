//go:build linux && amd64

package faults

import (
	"fmt"
	"path/filepath"
	"regexp"
	"strings"
	"time"

	"golang.org/x/sys/unix"

	"bothy/testdata/faults/tracer"
)

// site is one system call of a life, so named that it is found again in another
// run: by the medium, the path on it, the call, and how often that call was made
// there before.
type site struct {
	name string // "drive-a/2026-06-01 fsync #2"
	call string
	kind tracer.Kind
	role string // card, drive-a, state, claims.jsonl
}

// changes: the call leaves something on a medium, or says something.
func (s site) changes() bool {
	return s.kind == tracer.Write || s.kind == tracer.Make || s.kind == tracer.Alter || s.kind == tracer.Flush
}

// madeUp are names that no two runs share.
var madeUp = regexp.MustCompile(`\.write-check-[0-9]+|\.(snapshot|new)-[0-9]+|ledger-[a-z0-9]{8}\.|etilqs_[0-9a-f]+`)

// fault is what is done at a site.
type fault string

const (
	eio         fault = "error"
	enospc      fault = "full"
	short       fault = "short"
	hang        fault = "hang"
	crashBefore fault = "crash-before"
	crashAfter  fault = "crash-after"
)

// faultsOf are the ways in which a site can go wrong. A call that is no more
// than a look changes nothing, so that dying there is dying after the last
// change: that is a site already.
func faultsOf(s site) []fault {
	if s.role == claimsFile {
		return []fault{crashBefore, crashAfter}
	}
	list := []fault{eio}
	if s.kind == tracer.Write || s.kind == tracer.Make {
		list = append(list, enospc)
	}
	switch s.call {
	case "read", "pread64", "write", "pwrite64", "getdents64":
		list = append(list, short)
	}
	list = append(list, hang)
	if s.changes() {
		list = append(list, crashBefore, crashAfter)
	}
	return list
}

// watcher stands between the box and the kernel in one life.
type watcher struct {
	base      string
	at        string // the site of the fault; empty for none
	fault     fault
	thenCrash bool // the process dies right after the call that failed
	tracer    *tracer.Tracer
	media     map[string]*medium // when what is flushed is to be known
	atRelease bool               // the process dies when it has said that the card is released

	seen    map[string]int
	reached []site
	hit     bool
	holding bool
}

func newWatcher(w *world, at string, f fault) *watcher {
	h := &watcher{base: w.base, at: at, fault: f, seen: map[string]int{}}
	h.tracer = tracer.New(h)
	return h
}

// locate names a call, or says that it is none of ours.
func (h *watcher) locate(c *tracer.Call) (site, bool) {
	rel, ok := strings.CutPrefix(c.Path, h.base+"/")
	if !ok {
		return site{}, false
	}
	role, _, _ := strings.Cut(rel, "/")
	if role == "policy.toml" || role == "run" || role == "stderr" || role == claimsFile && c.Kind != tracer.Write {
		return site{}, false
	}
	name := madeUp.ReplaceAllString(rel, "#") + " " + c.Name
	h.seen[name]++
	return site{name: fmt.Sprintf("%s #%d", name, h.seen[name]), call: c.Name, kind: c.Kind, role: role}, true
}

// Before implements tracer.Handler.
func (h *watcher) Before(c *tracer.Call) tracer.Do {
	s, ours := h.locate(c)
	if !ours {
		return tracer.Do{}
	}
	h.reached = append(h.reached, s)
	if h.holding && s.role == claimsFile && strings.Contains(string(c.Data()), `"Decided":true`) {
		h.tracer.Release()
	}
	if h.atRelease && s.role == claimsFile && strings.Contains(string(c.Data()), `"Released":true`) {
		h.hit = true
		return tracer.Do{What: tracer.KillAfter}
	}
	m := h.media[s.role]
	if m != nil {
		m.before(c)
	}
	if s.name == h.at {
		h.hit = true
		if do := h.strike(s, c, m); do.What != tracer.Let {
			return do
		}
	}
	if m != nil && s.kind == tracer.Flush {
		return tracer.Do{What: tracer.Show}
	}
	return tracer.Do{}
}

// strike is what the fault does to the call.
func (h *watcher) strike(s site, c *tracer.Call, m *medium) tracer.Do {
	h.holding = h.fault == hang
	fails := h.fault == eio || h.fault == enospc
	if fails && m != nil && s.kind == tracer.Flush {
		m.failed(c)
	}
	if fails && h.thenCrash && s.kind != tracer.Close {
		return tracer.Do{What: tracer.Kill}
	}
	return h.fault.strike(c, h.tracer, hangAtMost(s.role))
}

// strike is what a fault does to a call; one that hangs goes on after a time.
func (f fault) strike(c *tracer.Call, by *tracer.Tracer, hangs time.Duration) tracer.Do {
	switch f {
	case eio, enospc:
		errno := unix.EIO
		if f == enospc {
			errno = unix.ENOSPC
		}
		if c.Kind == tracer.Close { // it is closed all the same
			return tracer.Do{What: tracer.FailAfter, Errno: errno}
		}
		return tracer.Do{What: tracer.Fail, Errno: errno}
	case short:
		if n := shorter(c); n > 0 {
			return tracer.Do{What: tracer.Shorten, Count: n}
		}
	case hang:
		by.WakeAfter(hangs)
		return tracer.Do{What: tracer.Hold}
	case crashBefore:
		return tracer.Do{What: tracer.Kill}
	case crashAfter:
		return tracer.Do{What: tracer.KillAfter}
	}
	return tracer.Do{}
}

// After implements tracer.Handler.
func (h *watcher) After(c *tracer.Call) {
	rel := strings.TrimPrefix(c.Path, h.base+"/")
	role, _, _ := strings.Cut(rel, "/")
	if m := h.media[role]; m != nil && c.Kind == tracer.Flush {
		m.after(c)
	}
}

// shorter is about half of what was asked for; direct I/O does whole blocks.
func shorter(c *tracer.Call) int {
	switch {
	case c.Name == "getdents64":
		return 320 // room for one entry at least, as the longest name needs it
	case c.Count >= 2*4096:
		return c.Count / 2 &^ 4095
	default:
		return c.Count / 2
	}
}

// hangAtMost bounds how long a call hangs that the box has no patience with: its
// own disk's. Nothing is concluded from it. Media are given up before.
func hangAtMost(role string) time.Duration {
	if role == stateDir {
		return 300 * time.Millisecond
	}
	return 20 * patience
}

func (w *world) dir(name string) string { return filepath.Join(w.base, name) }
