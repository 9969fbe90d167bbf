package main

import (
	"bufio"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"os"
	"strings"
	"sync"
	"time"

	"bothy/daemon"
	shows "bothy/daemon/status"
	"bothy/udev"
)

// daemonLife is the first argument of the process that runs the daemon.
const daemonLife = "--daemon"

// boxConfig is the first line that the daemon's process reads.
type boxConfig struct {
	Policy string        `json:"policy"` // paths
	State  string        `json:"state"`
	Run    string        `json:"run"`
	Socket string        `json:"socket"`
	Trace  bool          `json:"trace"` // watch every read
	Gap    time.Duration `json:"gap"`   // least time between two looks at the status
	Media  []medium      `json:"media"`
}

// medium is a block device and what udev would say of it.
type medium struct {
	Name  string `json:"name"`
	Label string `json:"label"`
	Slot  string `json:"slot"`
}

// plugCall is each further line: the media that appear now.
type plugCall struct {
	Plug []string `json:"plug"`
}

// boxEvent is a line that the daemon's process prints.
type boxEvent struct {
	At   time.Duration   `json:"at"` // ticks
	What string          `json:"what"`
	Doc  *shows.Document `json:"doc,omitempty"`  // of a status
	Peak int64           `json:"peak,omitempty"` // KiB, of the end
	Look []look          `json:"look,omitempty"` // of the end
}

// What an event tells.
const (
	eventPlugged = "plugged"    // a snapshot was handed to the daemon
	eventStatus  = "status"     // what the box shows now
	eventRead    = "first-read" // the first bytes of a card's file were asked for
	eventEnd     = "end"
)

// box is the process around a daemon.
type box struct {
	cfg   boxConfig
	trace *trace
	news  chan struct{} // a State was published

	mu      sync.Mutex
	out     *json.Encoder // guarded by mu
	devices []udev.Device // guarded by mu
	plugged chan struct{}
}

// runBox is the life of the daemon's process: the real daemon, told about
// devices by its standard input, until that ends.
func runBox(ctx context.Context, in io.Reader, out io.Writer) error {
	lines := json.NewDecoder(bufio.NewReader(in))
	b := &box{news: make(chan struct{}, 1), plugged: make(chan struct{}, 1), out: json.NewEncoder(out)}
	if err := lines.Decode(&b.cfg); err != nil {
		return fmt.Errorf("read what to run: %w", err)
	}
	b.trace = newTrace(func() { b.tell(boxEvent{What: eventRead}) })
	cfg := daemon.Config{
		PolicyPath: b.cfg.Policy, StateDir: b.cfg.State, RunDir: b.cfg.Run, SocketPath: b.cfg.Socket, Listen: "off",
		LEDRoot: b.cfg.Run + "/no-leds", Version: "benchmark", Devices: b, Notify: b.notify,
		Log: slog.New(slog.NewTextHandler(os.Stderr, &slog.HandlerOptions{Level: slog.LevelWarn})),
	}
	if b.cfg.Trace {
		cfg.Volumes = newTracedVolumes(b.cfg.Run+"/mounts", b.trace)
	}
	daemon.KeepSmall()
	ctx, stop := context.WithCancel(ctx)
	defer stop()
	var work sync.WaitGroup
	var told error
	work.Go(func() {
		defer stop()
		told = b.listen(lines)
	})
	work.Go(func() { b.follow(ctx) })
	err := daemon.Run(ctx, cfg)
	stop()
	peak, perr := peakKB()
	b.tell(boxEvent{What: eventEnd, Peak: peak, Look: b.trace.looks()})
	if err := errors.Join(err, perr); err != nil {
		return err // what still listens ends with the process
	}
	work.Wait()
	return told
}

// tell prints an event.
func (b *box) tell(e boxEvent) {
	b.mu.Lock()
	defer b.mu.Unlock()
	if e.At == 0 {
		e.At = ticks()
	}
	_ = b.out.Encode(e) // a parent that is gone has closed the input too
}

// listen plugs in what it is told to until there is nothing more to hear.
func (b *box) listen(lines *json.Decoder) error {
	tree := udev.Tree{Sys: "/sys", Run: "/run/udev"}
	for {
		var call plugCall
		if err := lines.Decode(&call); err != nil {
			return nil // the parent has closed it, or is gone
		}
		for _, m := range b.cfg.Media {
			for _, name := range call.Plug {
				if m.Name != name {
					continue
				}
				d, err := tree.Lookup(name)
				if err != nil {
					return fmt.Errorf("plug %s: %w", name, err)
				}
				b.plug(dress(d, m))
			}
		}
		select {
		case b.plugged <- struct{}{}:
		default:
		}
	}
}

// dress gives a loop device what udev would say of a card or a drive in a slot.
func dress(d udev.Device, m medium) udev.Device {
	d.Label, d.Slot, d.FSType, d.FSUsage = m.Label, m.Slot, "ext4", "filesystem"
	d.UUID, d.DiskKey, d.Bus = "BENCH-"+m.Label, "bench-"+m.Label, "bench"
	d.Removable, d.ReadOnly, d.Rotational, d.Virtual, d.Initialized = true, false, false, false, true
	return d
}

func (b *box) plug(d udev.Device) {
	b.mu.Lock()
	defer b.mu.Unlock()
	b.devices = append(b.devices, d)
}

// Watch implements udev.Source.
func (b *box) Watch(ctx context.Context, out chan<- udev.Snapshot) error {
	for n := uint64(1); ; n++ {
		b.mu.Lock()
		snap := udev.Snapshot{Devices: append([]udev.Device(nil), b.devices...), Events: n, Rescans: n}
		b.mu.Unlock()
		at := ticks()
		select {
		case out <- snap:
		case <-ctx.Done():
			return ctx.Err()
		}
		b.tell(boxEvent{At: at, What: eventPlugged})
		select {
		case <-b.plugged:
		case <-ctx.Done():
			return ctx.Err()
		}
	}
}

// notify is called after each State that the daemon publishes.
func (b *box) notify(line string) {
	if !strings.HasPrefix(line, "STATUS=") {
		return
	}
	select {
	case b.news <- struct{}{}:
	default:
	}
}

// peakKB is the most memory that this process ever had resident.
func peakKB() (int64, error) {
	text, err := os.ReadFile("/proc/self/status")
	if err != nil {
		return 0, fmt.Errorf("read the peak of memory: %w", err)
	}
	return fieldKB(string(text), "VmHWM")
}

// fieldKB finds "NAME: N kB" in what /proc says.
func fieldKB(text, name string) (int64, error) {
	for line := range strings.Lines(text) {
		var kb int64
		if key, rest, ok := strings.Cut(line, ":"); ok && key == name {
			if _, err := fmt.Sscanf(strings.TrimSpace(rest), "%d kB", &kb); err != nil {
				return 0, fmt.Errorf("read %s: %w", name, err)
			}
			return kb, nil
		}
	}
	return 0, fmt.Errorf("read %s: it is not there", name)
}
