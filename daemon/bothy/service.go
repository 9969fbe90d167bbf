package main

import (
	"context"
	"os"
	"strings"
)

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
