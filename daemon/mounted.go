package daemon

import (
	"sync"

	"bothy/udev"
)

// mounted knows which insertions are mounted, or about to be. As long as an old
// mount of a device lives, what is mounted anew from the same device may show
// the old one's folders with the new one's bytes.
type mounted struct {
	mu    sync.Mutex
	alive map[insertionKey]int // guarded by mu; mounts, and jobs that mean to mount
	// vacated, if set, is called without mu when an insertion has none any more.
	vacated func()
}

// insertionKey names one insertion of one disk.
type insertionKey struct {
	disk string
	seq  uint64
}

func newMounted(vacated func()) *mounted {
	return &mounted{alive: map[insertionKey]int{}, vacated: vacated}
}

// enter must be called before anything is mounted; a folder counts for nothing.
func (m *mounted) enter(dev udev.Device) {
	if dev.Disk == "" {
		return
	}
	m.mu.Lock()
	defer m.mu.Unlock()
	m.alive[insertionKey{dev.Disk, dev.DiskSeq}]++
}

// leave takes one enter back and tells when it was the last.
func (m *mounted) leave(dev udev.Device) {
	if m.leaveQuietly(dev) && m.vacated != nil {
		m.vacated()
	}
}

// leaveQuietly is leave for the supervisor's own goroutine, which sees for
// itself to those who waited; it reports whether it was the last.
func (m *mounted) leaveQuietly(dev udev.Device) bool {
	if dev.Disk == "" {
		return false
	}
	m.mu.Lock()
	defer m.mu.Unlock()
	key := insertionKey{dev.Disk, dev.DiskSeq}
	if m.alive[key]--; m.alive[key] > 0 {
		return false
	}
	delete(m.alive, key)
	return true
}

// still reports whether an insertion is mounted, or about to be.
func (m *mounted) still(dev udev.Device) bool {
	m.mu.Lock()
	defer m.mu.Unlock()
	return m.alive[insertionKey{dev.Disk, dev.DiskSeq}] > 0
}

// before reports whether another insertion of the same disk is still mounted.
func (m *mounted) before(dev udev.Device) bool {
	m.mu.Lock()
	defer m.mu.Unlock()
	for key := range m.alive {
		if key.disk == dev.Disk && key.seq != dev.DiskSeq {
			return true
		}
	}
	return false
}
