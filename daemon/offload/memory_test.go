package offload

import (
	"context"
	"fmt"
	"slices"
	"strings"
	"sync"

	"bothy/daemon/mhl"
)

// memory is a Recorder that keeps everything, in order.
type memory struct {
	err   error        // returned by every call
	onAll func(string) // told of every event, before it counts

	mu     sync.Mutex
	events []string // "read PATH", "proven DRIVE PATH", "finishing DRIVE", "finished DRIVE FOLDER"
	sums   map[string]Checksums
}

func (m *memory) add(events ...string) error {
	if m.onAll != nil {
		for _, e := range events {
			m.onAll(e)
		}
	}
	m.mu.Lock()
	defer m.mu.Unlock()
	m.events = append(m.events, events...)
	return m.err
}

func (m *memory) Read(_ context.Context, files []FileSum) error {
	var list []string
	m.mu.Lock()
	if m.sums == nil {
		m.sums = map[string]Checksums{}
	}
	for _, f := range files {
		m.sums[f.Path] = f.Checksums
		list = append(list, "read "+f.Path)
	}
	m.mu.Unlock()
	return m.add(list...)
}

func (m *memory) Proven(_ context.Context, drive string, paths []string) error {
	var list []string
	for _, p := range paths {
		list = append(list, "proven "+drive+" "+p)
	}
	return m.add(list...)
}

func (m *memory) Unproven(_ context.Context, drive string, paths []string) error {
	var list []string
	for _, p := range paths {
		list = append(list, "unproven "+drive+" "+p)
	}
	return m.add(list...)
}

func (m *memory) Finishing(_ context.Context, drive, folder string, w mhl.Written) error {
	if w.C4 == "" {
		return fmt.Errorf("no manifest is named")
	}
	return m.add("finishing " + drive + " " + folder)
}

func (m *memory) Finished(_ context.Context, drive, folder string) error {
	return m.add("finished " + drive + " " + folder)
}

// at is the place of an event in the order, -1 when it did not happen.
func (m *memory) at(event string) int {
	m.mu.Lock()
	defer m.mu.Unlock()
	return slices.Index(m.events, event)
}

func (m *memory) has(prefix string) bool {
	m.mu.Lock()
	defer m.mu.Unlock()
	return slices.ContainsFunc(m.events, func(e string) bool { return strings.HasPrefix(e, prefix) })
}

// held is what a later run is told about a drive.
func (m *memory) held(drive string) map[string]Checksums {
	m.mu.Lock()
	defer m.mu.Unlock()
	held := map[string]Checksums{}
	for _, e := range m.events {
		if p, ok := strings.CutPrefix(e, "proven "+drive+" "); ok {
			held[p] = m.sums[p]
		}
	}
	return held
}
