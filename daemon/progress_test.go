package daemon

import (
	"testing"
	"testing/synctest"
	"time"

	"bothy/daemon/offload"
	"bothy/daemon/state"
	"bothy/policy"
	"bothy/udev"
)

// pacedRun is an invented offload of four files to two drives, of which the
// second holds two files already.
func pacedRun() (*job, *offload.Job) {
	s := &supervisor{calls: make(chan func(), 64), quit: make(chan struct{})}
	s.offloads = []*state.Offload{{ID: "b-1", Running: true, Copies: []state.Copy{{DriveID: "gannet"}, {DriveID: "fulmar"}}}}
	j := &job{task: task{s: s, box: policy.Box{Copies: 2}}, dev: udev.Device{Slot: "invented-reader-1"}}
	ej := &offload.Job{Verify: offload.VerifyReadBack, Plan: &offload.Plan{Bytes: 400e6}, Drives: []offload.Drive{
		{ID: "gannet"}, {ID: "fulmar", Held: map[string]offload.Checksums{"a": {}, "b": {}}},
	}}
	for _, name := range []string{"a", "b", "c", "d"} {
		ej.Plan.Files = append(ej.Plan.Files, offload.Entry{Path: name, SizeBytes: 100e6})
	}
	return j, ej
}

func looking(read, gannet int64, phase state.CopyPhase) offload.Progress {
	return offload.Progress{BytesRead: read, Copies: []offload.CopyProgress{
		{DriveID: "gannet", Phase: phase, BytesWritten: gannet},
		{DriveID: "fulmar", Phase: state.CopyCopying, BytesReadBack: 200e6, BytesProven: 200e6},
	}}
}

// The engine is looked at four times a second; a look is shown twice a second,
// and at once when a copy goes into another phase.
func TestPaced_showsWithoutFlooding(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		j, ej := pacedRun()
		watch := j.paced("b-1", ej)
		shown := func() int {
			n := len(j.s.calls)
			for range n {
				(<-j.s.calls)()
			}
			return n
		}
		for i := range int64(8) {
			watch(looking(i*10e6, i*10e6, state.CopyCopying))
			time.Sleep(250 * time.Millisecond) // of the bubble
		}
		if n := shown(); n != 4 {
			t.Errorf("%d of 8 looks in two seconds were shown, want 4", n)
		}
		watch(looking(80e6, 80e6, state.CopyProving))
		watch(looking(80e6, 80e6, state.CopyBehind))
		if n := shown(); n != 2 {
			t.Errorf("%d of 2 changes of phase were shown", n)
		}
		o := j.s.offloads[0]
		if o.Done != 0.1 || o.Copies[1].Done != 0.5 || o.BytesPerSecond != 40e6 || o.BytesRead != 80e6 {
			t.Errorf("the offload: %+v", *o)
		}
		if o.Left.Total <= 0 || o.Left.Total != o.Left.Copy+o.Left.Proof {
			t.Errorf("left: %+v", o.Left)
		}
		if got := j.s.speeds.reader("invented-reader-1"); got != 40e6 {
			t.Errorf("the reader gave %.0f bytes per second", got)
		}
	})
}

// A copy is not in its way any more when its engine has ended.
func TestCopiesEnded_leaveNothing(t *testing.T) {
	t.Parallel()
	j, _ := pacedRun()
	o := j.s.offloads[0]
	o.BytesPerSecond, o.Left = 1, state.Left{Total: time.Second, Copy: time.Second}
	o.Copies[0].Left, o.Copies[1].Left = o.Left, o.Left
	o.Copies[1].Done = 0.4
	j.s.copiesEnded("b-1", offload.Result{Copies: []offload.CopyResult{
		{DriveID: "gannet", Phase: state.CopyProven}, {DriveID: "fulmar", Phase: state.CopyFailed},
	}})
	if o.BytesPerSecond != 0 || o.Left != (state.Left{}) || o.Copies[0].Left != (state.Left{}) || o.Copies[1].Left != (state.Left{}) {
		t.Errorf("something is left: %+v", *o)
	}
	if o.Copies[0].Done != 1 || o.Copies[1].Done != 0.4 {
		t.Errorf("done %v and %v", o.Copies[0].Done, o.Copies[1].Done)
	}
}
