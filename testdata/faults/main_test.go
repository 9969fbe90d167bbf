//go:build linux && amd64

package faults

import (
	"flag"
	"fmt"
	"os"
	"testing"

	"bothy/testdata/faults/tracer"
)

var (
	every    = flag.Bool("every", false, "every case, not a sample")
	strideOf = flag.Int("stride", 0, "one of so many of the sampled cases; 0: as the test has it")
	turn     = flag.Int("turn", -1, "of the cases that take turns, the third of turn `N` alone, 0 to 2; -1: all")
	from     = flag.Int("from", 0, "begin with this case")
	siteAt   = flag.String("site", "", "only this site: its number or its name")
	firstAt  = flag.String("first", "", "TestPairs: only this first site")
	match    = flag.String("match", "", "only cases whose line matches this regular expression")
	only     = flag.String("fault", "", "only this fault")
	folder   = flag.String("in", "", "where the media are (default: memory)")
	abreast  = flag.Int("abreast", 4, "cases at a time")
	sites    = flag.Bool("sites", false, "list the sites")
)

// TestMain lets this very program be the box, or a mounter.
func TestMain(m *testing.M) {
	if o := os.Getenv(ordersIn); o != "" {
		if err := beBox(o); err != nil {
			fmt.Fprintln(os.Stderr, "box:", err)
			os.Exit(1)
		}
		os.Exit(0)
	}
	if o := os.Getenv(mountOrdersIn); o != "" {
		if err := beMounter(o); err != nil {
			fmt.Fprintln(os.Stderr, "mounter:", err)
			os.Exit(1)
		}
		os.Exit(0)
	}
	flag.Parse()
	os.Exit(m.Run())
}

// mayTrace leaves a test out where nobody is allowed to stop another program.
func mayTrace(t *testing.T) {
	t.Helper()
	null, err := os.OpenFile(os.DevNull, os.O_RDWR, 0)
	if err != nil {
		t.Fatal(err)
	}
	defer null.Close()
	fd := null.Fd()
	if _, err := tracer.Run(tracer.Program{Path: "/bin/true", Args: []string{"true"}, Files: []uintptr{fd, fd, fd}, Limit: lifeLimit}, nil); err != nil {
		t.Skipf("left out: no program can be traced here: %v", err)
	}
}
