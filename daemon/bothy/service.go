package main

import (
	"context"
	"log/slog"
	"net"
	"os"
	"strings"

	"github.com/coreos/go-systemd/v22/activation"
)

// passedSocket gives the socket that the service manager has opened for the page, as
// sd_listen_fds(3) says; nil when it has passed none. Each call gives another listener
// on it, so closing one leaves the socket open.
func passedSocket(log *slog.Logger) func() (net.Listener, error) {
	sockets := activation.Files(true)
	if len(sockets) == 0 {
		return nil
	}
	for _, more := range sockets[1:] {
		log.Warn("one socket is enough for the page; this one is not served", "socket", more.Name())
		more.Close()
	}
	return func() (net.Listener, error) { return net.FileListener(sockets[0]) }
}

// forwardHangups turns signals into reload requests; one that is waiting stands
// for all that come before it is served.
func forwardHangups(ctx context.Context, from <-chan os.Signal, to chan<- struct{}) {
	for {
		select {
		case <-ctx.Done():
			return
		case <-from:
		}
		select {
		case to <- struct{}{}:
		default:
		}
	}
}

// serviceDir returns the first folder that systemd made for the service, or
// fallback outside of one.
func serviceDir(variable, fallback string) string {
	if first, _, _ := strings.Cut(os.Getenv(variable), ":"); first != "" {
		return first
	}
	return fallback
}
