package offload

import (
	"errors"
	"os"
	"testing"
)

// TestLstatIn_leadsElsewhere: a damaged or hostile file system may list names
// that no file can have; to look at them would be to leave the folder.
func TestLstatIn_leadsElsewhere(t *testing.T) {
	t.Parallel()
	dir, err := os.Open(t.TempDir())
	if err != nil {
		t.Fatal(err)
	}
	defer dir.Close()
	for _, name := range []string{"", ".", "..", "/etc", "../..", "a/../../b", "a/"} {
		if item, err := lstatIn(int(dir.Fd()), name); !errors.Is(err, ErrRefused) {
			t.Errorf("%q: %+v, %v", name, item, err)
		}
	}
}
