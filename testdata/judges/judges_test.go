package judges

import (
	"os"
	"os/exec"
	"strings"
	"testing"
)

// A judge that is missing is a gap that is told, and in CI a failure.
func TestNeed(t *testing.T) {
	if os.Getenv("JUDGES_CHILD") != "" {
		Need(t, "no-such-program-of-this-name")
		t.Log("it went on without its judge")
		return
	}
	if path := Need(t, "sh"); !strings.HasSuffix(path, "/sh") {
		t.Errorf("sh is %s", path)
	}
	for ci, want := range map[string]string{"true": "--- FAIL: TestNeed", "": "--- SKIP: TestNeed"} {
		cmd := exec.Command(os.Args[0], "-test.run", "^TestNeed$", "-test.v")
		cmd.Env = append(os.Environ(), "JUDGES_CHILD=1", "CI="+ci)
		out, err := cmd.CombinedOutput()
		if (err != nil) != (ci == "true") || !strings.Contains(string(out), want) || strings.Contains(string(out), "went on") ||
			ci == "" && !strings.Contains(string(out), "left out: ") {
			t.Errorf("with CI=%q: %v\n%s", ci, err, out)
		}
	}
}
