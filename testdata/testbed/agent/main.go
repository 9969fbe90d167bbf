// Command agent is the testbed's hand inside the guest. The same static binary
// has two lives: as /init of the initial RAM file system it loads the modules,
// mounts the root and starts systemd; as a systemd service it answers the
// driver's requests on a virtio-serial port.
//
// It does whatever the host asks, as root: it belongs in a throw-away guest
// and nowhere else, and nothing the project ships contains it.
package main

import (
	"fmt"
	"os"
)

func main() {
	run := serve
	if os.Getpid() == 1 {
		run = initialise
	}
	if err := run(); err != nil {
		fmt.Fprintln(os.Stderr, "testbed agent:", err)
		os.Exit(1)
	}
}
