package offload

import (
	"os"
	"slices"
	"testing"
)

// TestStint_takenBack: of what a drive that is let go has in its queue, any part
// may be taken back. A file with a hole is never handed on, and another file's
// bytes or end are not its own.
func TestStint_takenBack(t *testing.T) {
	t.Parallel()
	const begin, end = fileBegins, fileEnds
	type step struct {
		what event
		file int
	}
	for _, tc := range []struct {
		name  string
		steps []step
		whole []int
	}{
		{"nothing", []step{{begin, 0}, {fileData, 0}, {fileData, 0}, {end, 0}, {begin, 1}, {fileData, 1}, {fileData, 1}, {end, 1}}, []int{0, 1}},
		{"a portion", []step{{begin, 0}, {fileData, 0}, {end, 0}, {begin, 1}, {fileData, 1}, {fileData, 1}, {end, 1}}, []int{1}},
		{"all portions", []step{{begin, 0}, {end, 0}, {begin, 1}, {fileData, 1}, {fileData, 1}, {end, 1}}, []int{1}},
		{"the end and the next beginning", []step{{begin, 0}, {fileData, 0}, {fileData, 1}, {end, 1}}, nil},
		{"all but the next end", []step{{begin, 0}, {fileData, 0}, {fileData, 0}, {end, 1}}, nil},
		{"the rest of a file", []step{{begin, 0}, {fileData, 0}, {begin, 1}, {fileData, 1}, {fileData, 1}, {end, 1}}, []int{1}},
		{"the beginning", []step{{fileData, 0}, {end, 0}, {begin, 1}, {fileData, 1}, {fileData, 1}, {end, 1}}, []int{1}},
		{"the end of the pass", []step{{begin, 0}, {fileData, 0}, {fileData, 0}}, nil},
	} {
		t.Run(tc.name, func(t *testing.T) {
			t.Parallel()
			g := newRig(t, memoryDir(t), tree{"A.MOV": file1(noise(1, 2*testChunk)), "B.MOV": file1(noise(2, 2*testChunk))}, 1)
			g.job.Portions.Buffers = 8
			r := newRun(&g.job)
			r.start(t.Context())
			s := newStint(r.targets[0], 2, &cardRead{})
			readings := []*reading{newReading(r.files[0], 1, false), newReading(r.files[1], 1, false)}
			for _, step := range tc.steps {
				m := message{what: step.what, reading: readings[step.file]}
				if step.what == fileData {
					m.chunk = <-r.ring.free
					m.chunk.n = testChunk
					m.chunk.refs.Store(1)
				}
				s.queue <- m
			}
			close(s.queue)
			s.writeFiles()
			var whole []int
			for l := range s.toProve {
				whole = append(whole, l.reading.file.index)
			}
			if !slices.Equal(whole, tc.whole) || len(r.ring.free) != g.job.Portions.Buffers || r.targets[0].faults != 0 {
				t.Errorf("handed on: %v; %d buffers came back; %d faults", whole, len(r.ring.free), r.targets[0].faults)
			}
			if open := g.drives[0].unclosed(); len(open) > 0 {
				t.Errorf("left open: %q", open)
			}
			for i, name := range []string{"A.MOV", "B.MOV"} {
				if _, err := os.Lstat(g.on(0, work(name))); (err == nil) != slices.Contains(whole, i) {
					t.Errorf("%s is left: %v", name, err == nil)
				}
			}
		})
	}
}
