package health

import (
	"context"
	"errors"
	"fmt"
	"maps"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"syscall"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"bothy/testdata/judges"
	"bothy/testdata/mutants"
)

// samples are written by us after smartctl's documentation of its JSON and its own
// output where no disk answers; none was taken from a disk. Serial numbers and
// models are invented.
var samples = map[string]struct {
	json string
	want Reading
}{
	"a sound disk": {`{"json_format_version":[1,0],"smartctl":{"version":[7,3],"exit_status":0},"device":{"name":"/dev/sdx","type":"sat","protocol":"ATA"},
		"model_name":"INVENTED 2000","smart_status":{"passed":true},"temperature":{"current":31},"ata_smart_attributes":{"revision":16,"table":[
		{"id":5,"name":"Reallocated_Sector_Ct","value":100,"worst":100,"thresh":36,"when_failed":"","raw":{"value":0,"string":"0"}},
		{"id":190,"name":"Airflow_Temperature_Cel","value":60,"worst":40,"thresh":45,"when_failed":"past","raw":{"value":40,"string":"40"}}]}}`,
		Reading{Assessed: true, Passed: true, HasCelsius: true, Celsius: 31}},
	"one that fails": {`{"smartctl":{"exit_status":24},"smart_status":{"passed":false},"temperature":{"current":58},"ata_smart_attributes":{"table":[
		{"id":5,"name":"Reallocated_Sector_Ct","value":3,"worst":3,"thresh":36,"when_failed":"now"}]}}`,
		Reading{Assessed: true, Failing: []string{"Reallocated_Sector_Ct"}, HasCelsius: true, Celsius: 58}},
	"an attribute fails, the disk thinks well of itself": {`{"smartctl":{},"smart_status":{"passed":true},"ata_smart_attributes":{"table":[
		{"id":199,"name":"evil\u001b[2J","when_failed":"now"},{"id":7,"when_failed":"now"}]}}`,
		Reading{Assessed: true, Passed: true, Failing: []string{"attribute 199", "attribute 7"}}},
	"solid state": {`{"smartctl":{"exit_status":8},"device":{"protocol":"NVMe"},"smart_status":{"passed":false,"nvme":{"value":4}},
		"nvme_smart_health_information_log":{"critical_warning":4,"temperature":41},"temperature":{"current":41}}`,
		Reading{Assessed: true, Failing: []string{"reliability"}, HasCelsius: true, Celsius: 41}},
	"a bridge that passes nothing":              {`{"smartctl":{"messages":[{"string":"/dev/sdx: Unable to detect device type","severity":"error"}],"exit_status":1}}`, Reading{}},
	"a bridge that passes the temperature only": {`{"smartctl":{"exit_status":4},"temperature":{"current":29}}`, Reading{HasCelsius: true, Celsius: 29}},
	"one that sleeps":                           {`{"smartctl":{"messages":[{"string":"Device is in STANDBY mode, exit(2)","severity":"information"}],"exit_status":2}}`, Reading{}},
	"nonsense":                                  {`{"smartctl":{},"smart_status":{},"temperature":{"current":5000},"ata_smart_attributes":{}}`, Reading{}},
}

func TestParse(t *testing.T) {
	t.Parallel()
	for name, s := range samples {
		got, err := Parse([]byte(s.json))
		if diff := cmp.Diff(s.want, got); err != nil || diff != "" {
			t.Errorf("%s: %v (-want +got):\n%s", name, err, diff)
		}
		if bad := len(s.want.Failing) > 0 || s.want.Assessed && !s.want.Passed; (got.Trouble() != "") != bad {
			t.Errorf("%s: %q", name, got.Trouble())
		}
	}
	for _, data := range []string{"", "{}", "[]", "smartctl 7.3", `{"smartctl":5}`, `{"smartctl":{},"smart_status":{"passed":"yes"}}`, `{"smart_status":{"passed":true}}`} {
		if got, err := Parse([]byte(data)); err == nil || got.Known() {
			t.Errorf("%q: %+v", data, got)
		}
	}
	var many []string
	for i := range 100 {
		many = append(many, fmt.Sprintf(`{"id":%d,"name":"%s","when_failed":"now"}`, i, strings.Repeat("n", 1000)))
	}
	got, err := Parse([]byte(`{"smartctl":{},"ata_smart_attributes":{"table":[` + strings.Join(many, ",") + `]}}`))
	if err != nil || len(got.Failing) != maxFailing || len(got.Trouble()) > 1000 {
		t.Errorf("%d, %d bytes: %v", len(got.Failing), len(got.Trouble()), err)
	}
}

func fuzzedAnswers() (seeds []mutants.Seed) {
	for _, name := range slices.Sorted(maps.Keys(samples)) {
		seeds = append(seeds, mutants.Seed{samples[name].json})
	}
	return seeds
}

// Whatever comes: no good word without one in the answer, and all that is kept can
// be shown.
func checkParsed(t testing.TB, data []byte) (taken bool) {
	r, err := Parse(data)
	if r.Passed && !r.Assessed || err != nil && r.Known() || len(r.Failing) > maxFailing || r.HasCelsius && (r.Celsius < minCelsius || r.Celsius > maxCelsius) {
		t.Errorf("%+v, %v", r, err)
	}
	for _, name := range r.Failing {
		if name == "" || strings.ContainsAny(name, "\n\x1b\u202e") || len([]rune(name)) > maxNameRunes+20 {
			t.Errorf("%q", name)
		}
	}
	return err == nil
}

func FuzzHealth(f *testing.F) {
	for _, seed := range fuzzedAnswers() {
		f.Add([]byte(seed[0]))
	}
	f.Fuzz(func(t *testing.T, data []byte) { checkParsed(t, data) })
}

func TestParse_mutants(t *testing.T) {
	mutants.Try(t, "FuzzHealth", fuzzedAnswers(), func(t testing.TB, input [][]byte) bool { return checkParsed(t, input[0]) })
}

// program is a stand-in for smartctl.
func program(t *testing.T, script string) Smartctl {
	t.Helper()
	path := filepath.Join(t.TempDir(), "smartctl")
	if err := os.WriteFile(path, []byte("#!/bin/sh\n"+script), 0o700); err != nil {
		t.Fatal(err)
	}
	return Smartctl{Path: path, Limit: time.Minute}
}

// What it says counts, whatever its exit code; it is asked about just this node,
// and not to wake it.
func TestSmartctl_asks(t *testing.T) {
	t.Parallel()
	s := program(t, `[ "$*" = "--json=c -n standby -H -A -i -- /dev/sdx" ] || exit 3
echo '`+samples["one that fails"].json+`'; exit 24`)
	got, err := s.Read(t.Context(), "/dev/sdx")
	if diff := cmp.Diff(samples["one that fails"].want, got); err != nil || diff != "" {
		t.Errorf("%v\n%s", err, diff)
	}
	for what, script := range map[string]string{
		"nothing": "exit 1", "noise": "echo hello",
		"too much": "echo '{\"smartctl\":{},\"smart_status\":{\"passed\":true}}'; head -c 3000000 /dev/zero | tr '\\0' ' '",
	} {
		s := program(t, script)
		if got, err := s.Read(t.Context(), "/dev/sdx"); err == nil || got.Known() {
			t.Errorf("%s: %+v", what, got)
		}
	}
	if _, err := (Smartctl{Path: "/nowhere/smartctl"}).Read(t.Context(), "/dev/sdx"); err == nil {
		t.Error("a program that is not there has answered")
	}
}

// One that hangs is killed with all that it has started.
func TestSmartctl_hangs(t *testing.T) {
	t.Parallel()
	pid := filepath.Join(t.TempDir(), "pid")
	s := program(t, "sleep 100000 & echo $! > "+pid+".new; mv "+pid+".new "+pid+"; wait")
	ctx, cancel := context.WithCancel(t.Context())
	ended := make(chan error, 1)
	go func() { _, err := s.Read(ctx, "/dev/sdx"); ended <- err }()
	var child int
	for child == 0 {
		if data, err := os.ReadFile(pid); err == nil {
			child, _ = strconv.Atoi(strings.TrimSpace(string(data)))
		}
		if t.Context().Err() != nil {
			t.Fatal("it never began")
		}
	}
	cancel()
	if err := <-ended; !errors.Is(err, context.Canceled) {
		t.Errorf("%v", err)
	}
	for running(child) { // until the kernel has done it; the test's own limit ends this
	}
	s.Limit = time.Millisecond
	if _, err := s.Read(t.Context(), "/dev/sdx"); !errors.Is(err, context.DeadlineExceeded) {
		t.Errorf("%v", err)
	}
}

// running: it is there and no zombie.
func running(pid int) bool {
	data, err := os.ReadFile(fmt.Sprintf("/proc/%d/stat", pid))
	if err != nil {
		return false
	}
	_, rest, _ := strings.Cut(string(data), ") ")
	return !strings.HasPrefix(rest, "Z") && syscall.Kill(pid, 0) == nil
}

// The real program, about something that is no disk: the answer is read, and
// nothing is known.
func TestSmartctl_real(t *testing.T) {
	t.Parallel()
	s, ok := Find()
	if !ok {
		judges.Need(t, "smartctl")
		t.Fatal("smartctl is here, and was not found")
	}
	if out, err := exec.Command(s.Path, "--json=c", "--version").Output(); err != nil {
		t.Fatal(err)
	} else if r, err := Parse(out); err != nil || r.Known() {
		t.Errorf("%+v, %v", r, err)
	}
	if r, err := s.Read(t.Context(), "/dev/null"); err != nil || r.Known() || r.Trouble() != "" {
		t.Errorf("%+v, %v", r, err)
	}
}
