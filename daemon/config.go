// Package daemon is the supervisor of Bothy: it takes in what devices there
// are, decides what each of them is, sends cards through the copy engine to
// every drive, and publishes one State that answers for each card whether it
// may be reused.
//
// One goroutine owns the truth. Everything that takes time (mounting, copying,
// proving) runs on goroutines of its own and reports back to that one; lights,
// page, metrics and the journal look at the published State alone.
//
// What it guarantees: a card is released only after the engine has finished as
// many proven copies on distinct disks as the policy wants, after that was
// noted, and after the card has confirmed that it is still the one that was
// read. In every doubt it holds and says why. A broken policy, ledger, light or
// status endpoint is a condition and never a crash.
//
// What it will not do: write to a card, delete a finished copy, or act on
// anything that comes over HTTP.
package daemon

import (
	"context"
	"io"
	"log/slog"
	"net"
	"os"
	"time"

	"bothy/daemon/health"
	"bothy/daemon/state"
	"bothy/daemon/supply"
	"bothy/daemon/volume"
	"bothy/udev"
)

// Config is all that a daemon depends on. Zero values mean the running system.
type Config struct {
	PolicyPath string
	StateDir   string // the ledger's folder; made when missing
	RunDir     string // private mount points; made when missing
	SocketPath string // of the control socket; "" means none
	// Listen overrides the policy's status address: HOST:PORT, "off", or ""
	// for the policy's.
	Listen string
	// PageListener gives the socket that the page is served on, whatever address the
	// policy names; nil means that it is opened here. Asked again after a fault.
	PageListener func() (net.Listener, error)
	LEDRoot      string // "" means /sys/class/leds
	Version      string
	Log          *slog.Logger
	// Notify tells systemd, e.g. "READY=1", and after each published State the
	// status line, changed or not; nil means nobody is told.
	Notify func(state string)
	// Published is given each State right after it was published, on the
	// goroutine that owns the truth, which waits for it; nil means nobody is.
	Published func(*state.State)
	// Watchdog is the interval at which systemd wants to hear from the daemon;
	// 0 means never.
	Watchdog time.Duration
	// Reload asks for the policy to be read again; it may be nil.
	Reload <-chan struct{}

	Devices udev.Source
	Volumes Volumes
	// FolderThere tells whether a folder that a drive rule names is there. It
	// may hang.
	FolderThere func(path string) bool
	// SystemDisks names the whole disks of the running system.
	SystemDisks func() (map[string]bool, error)
	// MountedDisks names whole disks that somebody else has mounted, and where.
	MountedDisks func() (map[string]string, error)
	// Now gives the wall clock and whether it is known to be right.
	Now func() (time.Time, bool)
	// Health asks drives how they are; nil asks nobody.
	Health health.Prober
	// Supply tells how the box is supplied. It may hang.
	Supply func() supply.Reading
	// SupplyEvery is how often it is asked; 0 means every half minute.
	SupplyEvery time.Duration
	// Settle is how long after an I/O error a device is given to disappear.
	Settle time.Duration
	// Patience is how long a medium may take over one call before it is given
	// up. 0 means a minute.
	Patience time.Duration
}

func (c *Config) setDefaults() {
	if c.Log == nil {
		c.Log = slog.New(slog.NewTextHandler(io.Discard, nil))
	}
	if c.Notify == nil {
		c.Notify = func(string) {}
	}
	if c.Published == nil {
		c.Published = func(*state.State) {}
	}
	if c.StateDir == "" {
		c.StateDir = "/var/lib/bothy"
	}
	if c.RunDir == "" {
		c.RunDir = "/run/bothy"
	}
	if c.LEDRoot == "" {
		c.LEDRoot = "/sys/class/leds"
	}
	if c.Devices == nil {
		c.Devices = &udev.Monitor{}
	}
	if c.Volumes == nil {
		c.Volumes = &mounts{mounter: volume.Mounter{Dir: c.mountDir()}}
	}
	if c.Patience <= 0 {
		c.Patience = time.Minute
	}
	if c.Supply == nil {
		c.Supply = func() supply.Reading { return supply.Read(os.DirFS(supply.ClassFolder)) }
	}
	if c.SupplyEvery <= 0 {
		c.SupplyEvery = 30 * time.Second
	}
	if c.FolderThere == nil {
		c.FolderThere = isFolder
	}
	if c.SystemDisks == nil {
		c.SystemDisks = volume.SystemDisks
	}
	if c.MountedDisks == nil {
		c.MountedDisks = func() (map[string]string, error) { return volume.MountedDisks(c.mountDir()) }
	}
	if c.Now == nil {
		c.Now = wallClock
	}
}

func (c *Config) mountDir() string { return c.RunDir + "/mounts" }

// Run runs the daemon until ctx ends, then parks the work that is under way
// and returns nil. An error means that it could not run at all.
func Run(ctx context.Context, cfg Config) error {
	cfg.setDefaults()
	s := newSupervisor(cfg)
	defer s.close()
	return s.run(ctx)
}
