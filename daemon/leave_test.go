package daemon

import (
	"context"
	"errors"
	"testing"

	"bothy/daemon/offload"
	"bothy/daemon/state"
	"bothy/policy"
	"bothy/udev"
)

// A card may be pulled at the very moment at which its job has released it and
// the supervisor has not heard of it yet.
func TestLeave_releaseWhoseWordIsUnderWay(t *testing.T) {
	t.Parallel()
	for name, tc := range map[string]struct {
		released string
		done     bool // nothing more is read from it
		swapped  bool
		want     error // by which the job is cancelled
		verdict  state.Verdict
		blocked  bool
	}{
		"released and done with":              {"2 files", true, false, nil, state.Release, false},
		"released, done with and another in":  {"2 files", true, true, nil, state.Release, false},
		"released and still read":             {"2 files", false, false, offload.ErrCardGone, state.Release, false},
		"not released":                        {"", true, false, offload.ErrCardGone, state.Hold, false},
		"not released, another in its place":  {"", false, true, offload.ErrCardChanged, state.Hold, true},
		"another in its place while released": {"2 files", false, true, offload.ErrCardGone, state.Release, false},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			s := stillSupervisor(Config{})
			s.policy = &policy.Policy{Box: policy.Box{Copies: 1}}
			here := udev.Device{Name: "sda", Disk: "sda", DiskSeq: 1, SizeBytes: 1}
			c := &card{dev: here, rule: &policy.CardRule{}, phase: state.CardWorking, verdict: state.Hold, copies: 1}
			ctx, cancel := context.WithCancelCause(t.Context())
			c.job = &job{task: task{s: s, cancel: cancel, lane: s.traffic.join(nil, false)}, card: c}
			c.job.early.released, c.job.early.done = tc.released, tc.done
			c.job.early.basis = basis{{{DriveID: "a", Disks: []string{"sdb"}}}}
			s.cards = []*card{c}
			next := udev.Device{}
			if tc.swapped {
				next = udev.Device{Name: "sda", Disk: "sda", DiskSeq: 2, SizeBytes: 1}
			}
			s.leave(here, next)
			if got := context.Cause(ctx); !errors.Is(got, tc.want) {
				t.Errorf("the job is cancelled by %v, want %v", got, tc.want)
			}
			if _, gone := s.conditions[conditionKey{state.CardGone, "sda"}]; gone != (tc.verdict == state.Hold) || c.verdict != tc.verdict {
				t.Errorf("the card is %s, missed %v", c.verdict, gone)
			}
			if s.blocked["sda"] != tc.blocked {
				t.Errorf("the reader is blocked: %v", s.blocked["sda"])
			}
		})
	}
}
