package daemon

import (
	"fmt"
	"runtime"
	"slices"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"pgregory.net/rapid"

	"bothy/daemon/offload"
)

// bigPlan is the plan of an invented card, 1000 files a folder.
func bigPlan(files int) *offload.Plan {
	p := &offload.Plan{}
	for i := range files {
		p.Files = append(p.Files, offload.Entry{
			Path: fmt.Sprintf("DCIM/%03dSKUAS/SKUA%06d.JPG", 100+i/1000, i), SizeBytes: 1000, ModTime: time.Unix(int64(i), 0),
		})
		p.Bytes += 1000
	}
	return p
}

// The tally says what plain maps say, whatever is added and lost.
func TestTally_likePlainMaps(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		plan := &offload.Plan{}
		for _, n := range rapid.Permutation([]string{"a", "b/x", "b.y", "c", "d/e/f"}).Draw(t, "files") {
			plan.Files = append(plan.Files, offload.Entry{Path: n})
		}
		tl := newTally(plan)
		plain := map[string][]string{}
		for range rapid.IntRange(0, 40).Draw(t, "steps") {
			name := rapid.SampledFrom(plan.Files).Draw(t, "file").Path
			drive := rapid.SampledFrom([]string{"d1", "d2", "d3"}).Draw(t, "drive")
			i, ok := tl.find(name)
			if !ok || plan.Files[i].Path != name {
				t.Fatalf("%q is found at %d, %v", name, i, ok)
			}
			if rapid.Bool().Draw(t, "add") {
				id := rapid.SampledFrom([]string{"o1", "o2"}).Draw(t, "offload")
				tl.add(i, stand{offload.Place{DriveID: drive}, id})
				if s := drive + " " + id; !slices.Contains(plain[name], s) {
					plain[name] = append(plain[name], s)
				}
			} else {
				tl.lose(i, drive)
				plain[name] = slices.DeleteFunc(plain[name], func(s string) bool { return s[:2] == drive })
			}
		}
		for i, e := range plan.Files {
			var got []string
			for _, s := range tl.stands(i) {
				got = append(got, s.DriveID+" "+s.offloadID)
			}
			if !slices.Equal(got, plain[e.Path]) {
				t.Errorf("%s stands on %q, want %q", e.Path, got, plain[e.Path])
			}
		}
		if _, ok := tl.find("b"); ok {
			t.Error("a folder is found")
		}
	})
}

func TestTally_eachOfAPart(t *testing.T) {
	t.Parallel()
	plan := bigPlan(10)
	n := 0
	part := plan.Only(func(offload.Entry) bool { n++; return n%3 == 0 })
	var got []int
	newTally(plan).each(part, func(i int) { got = append(got, i) })
	if diff := cmp.Diff([]int{2, 5, 8}, got); diff != "" {
		t.Errorf("indexes (-want +got):\n%s", diff)
	}
}

// Files that stand in the same copies share one entry, also when a drive has lost
// them, one after the other.
func TestTally_losesTogether(t *testing.T) {
	t.Parallel()
	tally := newTally(bigPlan(1000))
	for i := range tally.files {
		for _, id := range []string{"a", "b"} {
			tally.add(i, stand{Place: offload.Place{DriveID: id}, offloadID: "o"})
		}
	}
	for i := range tally.files {
		tally.lose(i, "a")
		if tally.standsOn(i, "a") || !tally.standsOn(i, "b") {
			t.Fatalf("file %d stands in %+v", i, tally.stands(i))
		}
	}
	if n := len(tally.sets); n > 8 {
		t.Errorf("%d files need %d entries", len(tally.files), n)
	}
}

// provenJob is a job whose files all stand proven on some drives.
func provenJob(plan *offload.Plan, drives int) *job {
	var cfg Config
	cfg.setDefaults()
	j := &job{task: task{s: newSupervisor(cfg)}, plan: plan, tally: newTally(plan)}
	j.box.Copies = 2
	for k := range drives {
		id := fmt.Sprintf("drive-%d", k)
		d := &jobDrive{identity: Identity{ID: id}, opened: &Opened{Disks: []string{id}}}
		j.drives = append(j.drives, d)
		for i := range plan.Files {
			j.tally.add(i, stand{d.place(), "box-1"})
		}
	}
	return j
}

func heapBytes() int64 {
	runtime.GC()
	runtime.GC() // what finalizers let go
	var m runtime.MemStats
	runtime.ReadMemStats(&m)
	return int64(m.HeapAlloc)
}

// accountBytes is what a job keeps of each file beyond the plan, while it also
// holds the account for a verdict.
func accountBytes(plan *offload.Plan, drives int) (jobBytes, withAccount int64) {
	before := heapBytes()
	j := provenJob(plan, drives)
	if _, ok := j.tally.find(plan.Files[0].Path); !ok { // as for a card that was here before
		return -1, -1
	}
	held := heapBytes()
	a := j.account()
	with := heapBytes()
	runtime.KeepAlive(a)
	runtime.KeepAlive(j)
	n := int64(len(plan.Files))
	return (held - before) / n, (with - before) / n
}

// Many drives cost a file no more than one. Not parallel: others would use
// memory meanwhile.
func TestJob_bytesPerFile(t *testing.T) {
	plan := bigPlan(100_000)
	job, all := accountBytes(plan, 4)
	if job > 20 || all > 150 {
		t.Errorf("a job keeps %d bytes of each file, %d with its account; want 20 and 150 at most", job, all)
	}
	if _, one := accountBytes(plan, 1); all > one+2 {
		t.Errorf("4 drives cost %d bytes a file, one costs %d", all, one)
	}
	runtime.KeepAlive(plan)
}

func BenchmarkJob_account(b *testing.B) {
	plan := bigPlan(100_000)
	job, all := accountBytes(plan, 4)
	j := provenJob(plan, 4)
	for b.Loop() {
		if v, _, reason := offload.Judge(j.account()); v != "release" {
			b.Fatal(reason)
		}
	}
	b.ReportMetric(float64(job), "job-B/file")
	b.ReportMetric(float64(all), "with-account-B/file")
}
