package deploy

import (
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"

	"bothy/daemon/state"
	"bothy/testdata/judges"
)

// journalctl(1) is the judge of the catalogue: it compiles it, and explains each
// condition by its number.
func TestCatalog_journalctl(t *testing.T) {
	t.Parallel()
	journalctl := judges.Need(t, "journalctl")
	root := t.TempDir()
	for dir, file := range map[string]string{"usr/lib/systemd/catalog": "bothy.catalog", "var/lib/systemd/catalog": ""} {
		if err := os.MkdirAll(filepath.Join(root, dir), 0o755); err != nil {
			t.Fatal(err)
		}
		if file == "" {
			continue
		}
		data, err := os.ReadFile(file)
		if err != nil {
			t.Fatal(err)
		}
		if err := os.WriteFile(filepath.Join(root, dir, file), data, 0o644); err != nil {
			t.Fatal(err)
		}
	}
	ask := func(args ...string) string {
		t.Helper()
		out, err := exec.Command(journalctl, append([]string{"--root=" + root, "--quiet"}, args...)...).CombinedOutput()
		if err != nil {
			t.Fatalf("journalctl %q: %v\n%s", args, err, out)
		}
		return string(out)
	}
	if out := ask("--update-catalog"); out != "" {
		t.Errorf("journalctl complains of the catalogue:\n%s", out)
	}
	for _, k := range state.Kinds {
		if text := ask("--dump-catalog", k.Code.MessageID()); !strings.Contains(text, k.Sentence) || !strings.Contains(text, k.Hint) {
			t.Errorf("journalctl explains %s so:\n%s", k.Code, text)
		}
	}
}
