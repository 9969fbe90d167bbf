package diagnose

import (
	"context"
	"fmt"
	"os"
	"strings"
)

// System is what the system tells, with a daemon or without. version is this
// program's; of the files in stateDir names and sizes are told, and no content.
func System(version, policyFile, stateDir string) []Part {
	return []Part{
		{Name: "versions.txt", What: "of this program, the kernel and the distribution", Take: func(ctx context.Context) ([]byte, error) {
			system, err := Files("/proc/version", "/etc/os-release", "/proc/cmdline", "/proc/uptime", "/proc/meminfo")(ctx)
			return append([]byte("bothy "+version+"\n"), system...), err
		}},
		{Name: "policy.toml", What: "the policy, word for word", Take: Files(policyFile)},
		{Name: "service.txt", What: "what systemd says of the service", Take: Said("systemctl", "--no-pager", "--full", "-n", "0", "status", "bothy.service")},
		{Name: "unit.txt", What: "the service's unit, with what was changed in it", Take: Said("systemctl", "--no-pager", "cat", "bothy.service")},
		{Name: "journal.txt", What: "the newest 5,000 lines of its journal", Take: Said("journalctl", "--no-pager", "-u", "bothy.service", "-n", "5000", "-o", "short-iso-precise")},
		{Name: "kernel.txt", What: "the newest 1,000 complaints of the kernel since this boot", Take: Said("journalctl", "--no-pager", "-k", "-b", "-p", "warning", "-n", "1000", "-o", "short-monotonic")},
		{Name: "disks.txt", What: "disks and partitions as the kernel has them", Take: Said("lsblk", "--bytes", "-o", "NAME,KNAME,SIZE,RO,RM,ROTA,TRAN,FSTYPE,LABEL,UUID,MODEL,SERIAL,STATE,MOUNTPOINTS")},
		{Name: "usb.txt", What: "what hangs on which USB port, and how fast", Take: usbPorts},
		{Name: "supplies.txt", What: "batteries and supplies, as the kernel has them", Take: Said("sh", "-c", "grep -rs '' /sys/class/power_supply/*/uevent || echo none")},
		{Name: "state.txt", What: "names and sizes of the files in the state folder", Take: Said("ls", "-laR", "--time-style=full-iso", stateDir)},
		{Name: "space.txt", What: "how full the box's own file systems are", Take: Said("df", "-h", "/", stateDir)},
	}
}

// usbPorts lists the USB devices by port; lsusb is on few boxes.
func usbPorts(context.Context) ([]byte, error) {
	const root = "/sys/bus/usb/devices"
	entries, err := os.ReadDir(root)
	if err != nil {
		return nil, err
	}
	var b strings.Builder
	for _, e := range entries {
		fmt.Fprintf(&b, "%-12s", e.Name())
		for _, attribute := range []string{"idVendor", "idProduct", "speed", "manufacturer", "product"} {
			if text, err := os.ReadFile(root + "/" + e.Name() + "/" + attribute); err == nil {
				fmt.Fprintf(&b, " %.80q", strings.TrimSpace(string(text)))
			}
		}
		b.WriteByte('\n')
	}
	return []byte(b.String()), nil
}
