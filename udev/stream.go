package udev

import (
	"context"
	"errors"
	"fmt"
	"sync"
	"time"

	"github.com/pilebones/go-udev/netlink"
	"golang.org/x/sys/unix"
)

// conn is an open event stream, as netlink.UEventConn is one. MonitorWithContext
// sends events and errors until ctx ends or the stream breaks, and closes queue
// on its way out.
type conn interface {
	MonitorWithContext(ctx context.Context, queue chan netlink.UEvent, errs chan error, matcher netlink.Matcher)
	Close() error
}

// openNetlink subscribes to udev's multicast group. Its events trail the
// kernel's and come after udev has written its database. queueBytes is how much
// the kernel keeps for a receiver that lags; 0 is go-udev's 2 MiB.
func openNetlink(queueBytes int) (conn, error) {
	c := &netlink.UEventConn{ReceiveBufferSize: queueBytes}
	if err := c.Connect(netlink.UdevEvent); err != nil {
		return nil, fmt.Errorf("subscribe to udev events: %w", err)
	}
	// The library looks five times a second whether it is to end, which is half of what
	// an idle box does at all. An event is received at once in any case.
	wait := unix.NsecToTimeval(endWait.Nanoseconds())
	if err := unix.SetsockoptTimeval(c.Fd, unix.SOL_SOCKET, unix.SO_RCVTIMEO, &wait); err != nil {
		return nil, errors.Join(fmt.Errorf("subscribe to udev events: %w", err), c.Close())
	}
	return c, nil
}

// endWait is how long the end of a stream may take.
const endWait = time.Second

var errClosed = errors.New("the event stream closed")

// receive takes everything from c and calls hint for each event of a block
// device (event true) and for each fault that c survived (event false): after
// either, the list may have changed. It returns why the stream broke, or nil when
// ctx ended, and leaves nothing running. hint must not block: the kernel
// drops what is not fetched in time.
func receive(ctx context.Context, c conn, hint func(event bool)) error {
	ctx, cancel := context.WithCancel(ctx)
	var reader sync.WaitGroup
	defer reader.Wait()
	defer cancel()

	queue := make(chan netlink.UEvent, 256)
	errs := make(chan error, 16)
	reader.Go(func() { c.MonitorWithContext(ctx, queue, errs, nil) })

	var last error
	for {
		select {
		case event, open := <-queue:
			if !open {
				return broken(ctx, errs, last)
			}
			last = nil
			if event.Env["SUBSYSTEM"] == "block" {
				hint(true)
			}
		case last = <-errs:
			hint(false)
		case <-ctx.Done():
			return nil
		}
	}
}

// broken returns the reason of a closed queue. It stands in errs or was taken from
// there just before.
func broken(ctx context.Context, errs <-chan error, last error) error {
	for {
		select {
		case last = <-errs:
			continue
		default:
		}
		switch {
		case ctx.Err() != nil:
			return nil
		case last == nil:
			return errClosed
		}
		return fmt.Errorf("receive udev events: %w", last)
	}
}
