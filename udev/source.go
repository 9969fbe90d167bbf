package udev

import "context"

// Snapshot is the whole list of devices at one moment. It is never changed after
// it was sent and may be kept.
type Snapshot struct {
	// Devices are all block devices, sorted by Name.
	Devices []Device
	// Events counts the block device events received since Watch began. All
	// of them had arrived before Devices was read.
	Events uint64
	// Rescans counts the enumerations, this one included.
	Rescans uint64
	// Reconnects counts how often the event stream was opened again after it
	// had been lost; attempts that failed are not counted.
	Reconnects uint64
	// Lost is why the event stream is down now or why the list is not
	// complete; nil when all is well. Changes still show while it is set, only
	// later.
	Lost error
}

// Source tells what devices there are.
type Source interface {
	// Watch sends a Snapshot at the start and whenever devices may have
	// changed, until ctx ends; it closes nothing and then returns. Who receives
	// slowly gets the newest Snapshot and misses those in between.
	Watch(ctx context.Context, out chan<- Snapshot) error
}
