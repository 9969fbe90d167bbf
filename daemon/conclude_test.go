package daemon

import (
	"errors"
	"fmt"
	"io"
	"testing"
	"time"

	"bothy/daemon/checksum"
	"bothy/daemon/ledger"
	"bothy/daemon/mhl"
	"bothy/daemon/offload"
	"bothy/daemon/state"
	"bothy/policy"
)

// While the clock is not to be trusted a folder is named after the newest file
// on the card, unless that is plainly nonsense; else after the clock.
func TestJob_folderName(t *testing.T) {
	t.Parallel()
	clock := time.Date(2026, 1, 1, 0, 0, 30, 0, time.UTC) // such as a box without a battery begins with
	shot := time.Date(2026, 11, 24, 9, 14, 5, 0, time.UTC)
	for name, tc := range map[string]struct {
		files   []time.Time
		trusted bool
		want    string
	}{
		"the clock is trusted":         {[]time.Time{shot}, true, "2026-01-01/000030"},
		"one file":                     {[]time.Time{shot}, false, "2026-11-24/091405"},
		"the newest comes first":       {[]time.Time{shot, shot.Add(-time.Hour)}, false, "2026-11-24/091405"},
		"the newest comes last":        {[]time.Time{shot.Add(-time.Hour), shot}, false, "2026-11-24/091405"},
		"all are older than the clock": {[]time.Time{clock.Add(-time.Minute), clock.AddDate(-9, 0, 0)}, false, "2026-01-01/000030"},
		"no files":                     {nil, false, "2026-01-01/000030"},
		"another century": {[]time.Time{shot, clock.AddDate(100, 0, 0).Add(time.Hour), clock.AddDate(100, 0, 20),
			clock.AddDate(200, 0, 0)}, false, "2026-11-24/091405"},
		"nearly another century": {[]time.Time{shot, clock.AddDate(100, 0, 0).Add(-time.Second)}, false, "2126-01-01/000029"},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			cfg := Config{Now: func() (time.Time, bool) { return clock, tc.trusted }}
			j := &job{task: task{s: stillSupervisor(cfg)}, rule: policy.CardRule{Folder: "{date}/{time}"}, plan: &offload.Plan{}}
			for i, at := range tc.files {
				j.plan.Files = append(j.plan.Files, offload.Entry{Path: fmt.Sprint("DCIM/", i), ModTime: at})
			}
			got, err := j.folderName()
			// A name that no trusted clock stands for says so after the template.
			if err != nil || len(got) < len(tc.want) || got[:len(tc.want)] != tc.want || (got == tc.want) != tc.trusted {
				t.Errorf("%q, %v; want %q", got, err, tc.want)
			}
		})
	}
}

// What the engine gives back reaches everybody who rests on it: a ledger that
// failed meanwhile is known to have, the counters go on, and a file that the card
// did not give whole stands on no drive, whatever the copy holds of it.
func TestJob_conclude(t *testing.T) {
	t.Parallel()
	s := stillSupervisor(Config{})
	plan := &offload.Plan{}
	for _, name := range []string{"DCIM/a.jpg", "DCIM/b.jpg", "DCIM/c.jpg", "DCIM/d.jpg"} {
		plan.Files = append(plan.Files, offload.Entry{Path: name})
	}
	j := &job{task: task{s: s}, early: newEarly(), plan: plan, tally: newTally(plan), known: map[string]offload.Checksums{}}
	j.drives = []*jobDrive{{identity: Identity{ID: "a"}, opened: &Opened{Disks: []string{"sda"}}}, {identity: Identity{ID: "b"}, opened: &Opened{Disks: []string{"sdb"}}}}
	broken := errors.New("the ledger is full")
	cause := errors.New("the card gave up")
	err := j.conclude(t.Context(), ledger.Offload{ID: unrecorded + "x"}, group{drives: j.drives, plan: plan}, make([]offload.Drive, 2), offload.Result{
		Copies: []offload.CopyResult{
			{DriveID: "a", Phase: state.CopyIncomplete, FilesProven: 2, BytesWritten: 50},
			{DriveID: "b", Phase: state.CopyFailed, Err: offload.ErrDriveFull, BytesWritten: 7},
		},
		Unreadable: map[string]string{"DCIM/b.jpg": "input/output error"}, Changed: []string{"DCIM/c.jpg"},
		RecorderErr: broken, CardErr: cause, BytesRead: 60, Mismatches: 3, ReadBackErrors: 4, FlushFailures: 5,
	}, true)
	if !errors.Is(err, cause) {
		t.Errorf("about the card: %v", err)
	}
	for len(s.calls) > 0 {
		(<-s.calls)()
	}
	if !errors.Is(j.recorderErr, broken) {
		t.Errorf("about the ledger: %v", j.recorderErr)
	}
	for i, want := range []bool{true, false, false, true} {
		if got := j.tally.standsOn(i, "a"); got != want || j.tally.standsOn(i, "b") {
			t.Errorf("%s stands on a: %v, want %v; on b, which failed: %v", plan.Files[i].Path, got, want, j.tally.standsOn(i, "b"))
		}
	}
	c := s.counters
	if c.OffloadsFinished != 1 || c.BytesRead != 60 || c.BytesWritten != 57 || c.FilesProven != 2 || c.CopiesProven != 0 || c.CopiesFailed != 1 ||
		c.ReadBackMismatch != 3 || c.ReadBackErrors != 4 || c.FlushFailures != 5 {
		t.Errorf("counted: %+v", c)
	}
}

// A finished copy that turned out damaged counts no more, also when the ledger
// was never told of it; then it is not looked for there.
func TestJob_loseDamaged(t *testing.T) {
	t.Parallel()
	j := &job{task: task{s: stillSupervisor(Config{})}, early: newEarly()}
	j.s.ledger = openLedger(t)
	res := offload.Result{
		Copies: []offload.CopyResult{
			{DriveID: "a", DriveName: "Skerry a", Phase: state.CopyProven, Folder: "f"},
			{DriveID: "b", DriveName: "Skerry b", Phase: state.CopyProven, Folder: "f"},
		},
		Damaged: map[string][]string{"b": {"DCIM/a.jpg"}},
	}
	j.loseDamaged(t.Context(), ledger.Offload{ID: unrecorded + "x"}, &res)
	if a, b := res.Copies[0], res.Copies[1]; a.Phase != state.CopyProven || a.Err != nil || b.Phase != state.CopyFailed || !errors.Is(b.Err, offload.ErrMismatch) {
		t.Errorf("%s: %v; %s: %v", a.Phase, a.Err, b.Phase, b.Err)
	}
	if len(j.notes) != 1 || j.notes[0].code != state.CopyDamaged || j.recorderErr != nil {
		t.Errorf("notes %+v, the ledger: %v", j.notes, j.recorderErr)
	}
}

// zeros is a drive on which every file is so long, and nothing but zeros.
type zeros struct {
	offload.FS
	sizeBytes int64
}

func (z zeros) OpenMedium(string) (offload.Source, error) { return z, nil }
func (z zeros) Size() int64                               { return z.sizeBytes }
func (zeros) Close() error                                { return nil }

func (z zeros) ReadAt(p []byte, at int64) (int, error) {
	n := int(min(int64(len(p)), z.sizeBytes-at))
	clear(p[:n])
	if n < len(p) {
		return n, io.EOF
	}
	return n, nil
}

// A manifest may be as long as those that are written and read, and not longer: a
// copy with the longest one still stands when it is looked at again.
func TestSumOf_longestManifest(t *testing.T) {
	t.Parallel()
	sum := func(sizeBytes int64) (string, error) {
		return sumOf(t.Context(), zeros{sizeBytes: sizeBytes}, "ascmhl/0001.mhl", checksum.C4, func() {})
	}
	if _, err := sum(mhl.MaxManifestBytes); err != nil {
		t.Errorf("the longest: %v", err)
	}
	if sum, err := sum(mhl.MaxManifestBytes + 1); err == nil {
		t.Errorf("one byte more: %s", sum)
	}
}
