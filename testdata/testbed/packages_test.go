package testbed

import (
	"regexp"
	"strings"
	"testing"
	"time"
)

// The tests of packages that deal with block devices run on a kernel that has
// every file system of the daemon's, with a udev that is at work.
func TestGuest_packages(t *testing.T) {
	t.Parallel()
	g := Start(t, Options{MemoryMiB: 1024})
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
