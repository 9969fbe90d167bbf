package stories

import (
	"os"
	"testing"
)

func TestMain(m *testing.M) {
	m.Run()
	if dir, err := ofRun(); err == nil {
		os.RemoveAll(dir)
	}
}
