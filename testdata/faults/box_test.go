//go:build linux && amd64

package faults

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"log/slog"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"time"

	"bothy/daemon"
	"bothy/daemon/offload"
	"bothy/daemon/state"
	"bothy/daemon/volume"
	"bothy/testdata/faults/tracer"
	"bothy/udev"
)

// orders is what one life of the box is told, through its environment.
type orders struct {
	Base     string
	Life     int
	Drives   []string // below Base, as the card is
	Patience time.Duration
	NoCard   bool
	Traced   bool
	Log      bool
}

// ordersIn names the variable of the environment that makes this test program a
// box.
const ordersIn = "BOTHY_FAULTS_ORDERS"

// said is one line of what the box says, in claims.jsonl.
type said struct {
	Life     int
	Sequence uint64
	Released bool
	Decided  bool
	Idle     bool
	Reason   string
	Copies   []string
	Raised   []string
}

const (
	cardDir    = "card"
	stateDir   = "state"
	claimsFile = "claims.jsonl"
	cardLabel  = "SKUA_A003"
)

const boxPolicy = `[box]
name   = "skerry-faults"
copies = 2

[status]
listen = "off"

[[card]]
name     = "stills"
label    = "SKUA_*"
checksum = "sha1"

[[drive]]
name    = "bay"
slot    = "invented-bay-*"
reserve = "1MB"
`

// fileSystems are what the drives take themselves for: how they are written and
// flushed differs by it.
var fileSystems = map[string]string{"drive-a": "ext4", "drive-b": "vfat", "drive-c": "exfat"}

// beBox is one life of the box: it ends when the card is decided and nothing is
// under way.
func beBox(text string) error {
	var o orders
	if err := json.Unmarshal([]byte(text), &o); err != nil {
		return fmt.Errorf("read orders: %w", err)
	}
	if o.Traced {
		if err := tracer.Filter(); err != nil {
			return err
		}
	}
	claims, err := os.OpenFile(filepath.Join(o.Base, claimsFile), os.O_WRONLY|os.O_APPEND|os.O_CREATE, 0o644)
	if err != nil {
		return err
	}
	defer claims.Close()
	ctx, stop := context.WithCancel(context.Background())
	defer stop()
	b := &box{orders: o, claims: claims, stop: stop}
	// Each life has its hour, so that names are the same in every run.
	now := time.Date(2026, 6, 1, 12+o.Life, 0, 0, 0, time.UTC)
	cfg := daemon.Config{
		PolicyPath: filepath.Join(o.Base, "policy.toml"), StateDir: filepath.Join(o.Base, stateDir), RunDir: filepath.Join(o.Base, "run"),
		LEDRoot: filepath.Join(o.Base, "no-leds"), Listen: "off", Version: "test", Devices: b, Volumes: b, Published: b.published,
		SystemDisks:  func() (map[string]bool, error) { return nil, nil },
		MountedDisks: func() (map[string]string, error) { return nil, nil },
		Now:          func() (time.Time, bool) { return now, true },
		Settle:       time.Millisecond, Patience: o.Patience,
	}
	if o.Log {
		cfg.Log = slog.New(slog.NewTextHandler(os.Stderr, nil))
	}
	return errors.Join(daemon.Run(ctx, cfg), b.err)
}

// box is where the invented devices come from and where claims go to.
type box struct {
	orders
	claims *os.File
	stop   context.CancelFunc
	last   string
	err    error
}

// published runs on the goroutine that owns the truth, before anybody else is
// told.
func (b *box) published(st *state.State) {
	s := said{Life: b.Life, Idle: b.idle(st)}
	for _, c := range st.Cards {
		s.Released = c.Verdict == state.Release
		s.Decided = c.Phase == state.CardDecided
		s.Reason = c.Reason
	}
	for _, o := range st.Offloads {
		for _, c := range o.Copies {
			if c.Phase == state.CopyProven {
				s.Copies = append(s.Copies, c.DriveName+":"+c.Folder)
			}
		}
	}
	for _, c := range st.Conditions {
		s.Raised = append(s.Raised, fmt.Sprintf("%s %s: %s", c.Code, c.Subject, c.Detail))
	}
	line, err := json.Marshal(s)
	if err == nil && string(line) != b.last {
		b.last = string(line)
		s.Sequence = st.Sequence
		line, err = json.Marshal(s)
		if err == nil {
			_, err = b.claims.Write(append(line, '\n'))
		}
	}
	b.err = errors.Join(b.err, err)
	if s.Idle || b.err != nil {
		b.stop()
	}
}

// idle: everything that is in was looked at, and nothing is under way.
func (b *box) idle(st *state.State) bool {
	media := len(b.Drives) + 1
	if b.NoCard {
		media--
	}
	return st.Phase == state.Watching && len(st.Devices) == media &&
		!slices.ContainsFunc(st.Devices, func(d state.Device) bool { return d.Decision == "looking" }) &&
		!slices.ContainsFunc(st.Drives, func(d state.Drive) bool { return d.InUse }) &&
		!slices.ContainsFunc(st.Cards, func(c state.Card) bool { return c.Phase != state.CardDecided }) &&
		!slices.ContainsFunc(st.Offloads, func(o state.Offload) bool { return o.Running })
}

// Watch implements udev.Source: everything is in from the start.
func (b *box) Watch(ctx context.Context, out chan<- udev.Snapshot) error {
	snap := udev.Snapshot{Events: 1, Rescans: 1}
	for i, dir := range append([]string{cardDir}, b.Drives...) {
		if dir == cardDir && b.NoCard {
			continue
		}
		dev := udev.Device{
			Name: dir, Node: "/invented/" + dir, Disk: dir, DiskSeq: uint64(i + 1), SizeBytes: 64 << 30, Removable: true,
			Slot: "invented-bay-" + dir, Label: strings.ToUpper(dir), UUID: "INVENTED-" + dir, FSType: "invented", Bus: "invented",
			DiskKey: "invented-" + dir, Initialized: true,
		}
		if dir == cardDir {
			dev.Slot, dev.Label = "invented-reader", cardLabel
		}
		snap.Devices = append(snap.Devices, dev)
	}
	select {
	case out <- snap:
	case <-ctx.Done():
	}
	<-ctx.Done()
	return ctx.Err()
}

// Card implements daemon.Volumes.
func (b *box) Card(_ context.Context, dev udev.Device) (*daemon.Opened, error) { return b.open(dev) }

// Drive implements daemon.Volumes.
func (b *box) Drive(_ context.Context, dev udev.Device, _ bool) (*daemon.Opened, error) {
	return b.open(dev)
}

// Folder implements daemon.Volumes.
func (b *box) Folder(context.Context, string) (*daemon.Opened, error) {
	return nil, errors.New("there are no folders")
}

// open is what the box does with a folder of a mounted file system; only which
// disk it is on is made up, and what it takes itself for.
func (b *box) open(dev udev.Device) (*daemon.Opened, error) {
	root, err := os.OpenRoot(filepath.Join(b.Base, dev.Name))
	if err != nil {
		return nil, err
	}
	limits := volume.LimitsOf(fileSystems[dev.Name])
	return &daemon.Opened{
		Root: root, Limits: limits, Disks: []string{dev.Disk}, FS: &offload.RootFS{Root: root, Limits: limits},
		Release: func(context.Context) error {
			if dev.Name == cardDir {
				return root.Close()
			}
			return errors.Join(volume.SyncFS(root), root.Close())
		},
	}, nil
}
