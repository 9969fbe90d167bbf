// Package judges finds the programs of others that tests hold ours against.
//
// It is for tests only.
package judges

import (
	"os"
	"os/exec"
	"testing"
)

// Need returns the path of an independent program. Without it the test is left out,
// and says so; in continuous integration nothing may be left out, and the test fails.
func Need(t testing.TB, program string) string {
	t.Helper()
	path, err := exec.LookPath(program)
	if err == nil {
		return path
	}
	if os.Getenv("CI") == "true" {
		t.Fatalf("%s is not installed, and in CI nothing may be left out", program)
	}
	t.Skipf("left out: %s is not installed, so nothing independent judges this", program)
	return ""
}
