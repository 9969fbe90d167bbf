package testbed

import (
	"flag"
	"regexp"
	"strings"
	"testing"
	"time"

	"bothy/testdata/judges"
)

var arm64Flag = flag.Bool("arm64", false, "boot emulated boards, too")

// The tests of packages that deal with block devices run on a kernel that has
// every file system of the daemon's, with a udev that is at work.
func TestGuest_packages(t *testing.T) {
	t.Parallel()
	runPackages(t, Start(t, Options{MemoryMiB: 1024}))
}

// They do on boards, too: other numbers of system calls, other structures, and pages of
// 16 KiB, by which the cache is counted and dropped while direct reading goes by sectors.
func TestGuest_boards(t *testing.T) {
	if !*arm64Flag {
		t.Skip("emulated boards: -arm64 boots them")
	}
	judges.Need(t, "qemu-system-aarch64")
	for _, arch := range []string{"arm64", "arm64-16k"} {
		t.Run(arch, func(t *testing.T) { runPackages(t, Start(t, Options{Arch: arch, MemoryMiB: 1024})) })
	}
}

func runPackages(t *testing.T, g *Guest) {
	t.Helper()
	for _, pkg := range []string{"./daemon/volume", "./udev"} {
		t.Run(strings.TrimPrefix(pkg, "./"), func(t *testing.T) {
			out := g.RunTestBinary(pkg, 30*time.Minute)
			if !regexp.MustCompile(`(?m)^--- PASS`).MatchString(out) {
				t.Errorf("not one test passed:\n%s", out)
			}
			t.Logf("what took more than ten seconds:\n%s",
				strings.Join(regexp.MustCompile(`(?m)^--- PASS: \S+ \(\d{2,}\..*$`).FindAllString(out, -1), "\n"))
			for line := range strings.Lines(out) {
				if strings.Contains(line, "left out: ") {
					t.Errorf("even here: %s", line)
				}
			}
		})
	}
}
