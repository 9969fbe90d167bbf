package daemon

import (
	"os"
	"strings"
	"time"

	"golang.org/x/sys/unix"

	"bothy/daemon/ledger"
)

// synchronised is the file that systemd's time service makes once the clock
// was set from the network. A target of that name may be active without it.
const synchronised = "/run/systemd/timesync/synchronized"

// maxError is the largest error, in microseconds, with which a clock counts as
// right.
const maxError = 16_000_000

// wallClock returns the time and whether it is known to be right. Boards often
// have no clock that outlives a power cut.
func wallClock() (time.Time, bool) {
	now := time.Now().UTC()
	if _, err := os.Stat(synchronised); err == nil {
		return now, true
	}
	var t unix.Timex
	status, err := unix.Adjtimex(&t)
	return now, err == nil && status != unix.TIME_ERROR && t.Status&unix.STA_UNSYNC == 0 && t.Maxerror < maxError
}

// moment is now, as well as the box can know it.
func moment(now func() (time.Time, bool)) ledger.Moment {
	at, trusted := now()
	m := ledger.Moment{Wall: at, Trusted: trusted}
	if id, err := os.ReadFile("/proc/sys/kernel/random/boot_id"); err == nil {
		m.BootID = strings.TrimSpace(string(id))
	}
	var since unix.Timespec
	if unix.ClockGettime(unix.CLOCK_BOOTTIME, &since) == nil {
		m.SinceBoot = time.Duration(since.Nano())
	}
	return m
}
