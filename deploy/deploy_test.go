// Package deploy holds what is installed beside the program and, in its tests,
// the proof that each of those files is what its reader expects.
//
// The files are checked twice: for what this project promises in them (read
// here), and for being well-formed (by the program that will read them, where
// it is installed). In CI a missing program is a failure, elsewhere a skip that
// says so. Nothing here starts a service or touches a device.
package deploy

import (
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"testing"

	"github.com/coreos/go-systemd/v22/unit"

	"bothy/testdata/judges"
)

// values returns what the unit sets for a key, each setting split at spaces.
func values(opts []*unit.UnitOption, section, name string) []string {
	var all []string
	for _, o := range opts {
		if o.Section == section && o.Name == name {
			all = append(all, strings.Fields(o.Value)...)
		}
	}
	return all
}

func readUnit(t *testing.T) []*unit.UnitOption {
	t.Helper()
	f, err := os.Open("bothy.service")
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	opts, err := unit.DeserializeOptions(f)
	if err != nil {
		t.Fatal(err)
	}
	return opts
}

func TestService_keys(t *testing.T) {
	t.Parallel()
	opts := readUnit(t)
	for _, want := range []struct{ section, name, value string }{
		{"Service", "Type", "notify"},
		{"Service", "NotifyAccess", "main"},
		{"Service", "ExecStart", "/usr/bin/bothy run"},
		{"Service", "ExecReload", "/bin/sh -c 'kill -HUP $MAINPID'"},
		{"Service", "WatchdogSec", "30"},
		{"Service", "Restart", "on-failure"},
		{"Service", "RestartSec", "2"},
		{"Service", "TimeoutStopSec", "15"},
		{"Service", "StateDirectory", "bothy"},
		{"Service", "RuntimeDirectory", "bothy"},
		{"Service", "PrivateMounts", "yes"},
		{"Service", "NoNewPrivileges", "yes"},
		{"Service", "ProtectSystem", "strict"},
		{"Unit", "StartLimitIntervalSec", "0"},
		{"Install", "WantedBy", "multi-user.target"},
	} {
		if got := strings.Join(values(opts, want.section, want.name), " "); got != want.value {
			t.Errorf("[%s] %s = %q, want %q", want.section, want.name, got, want.value)
		}
	}
}

// Each of these was measured in a systemd guest (version 252): without it the
// daemon loses the thing named.
func TestService_lets_the_daemon_work(t *testing.T) {
	t.Parallel()
	opts := readUnit(t)
	for _, want := range []struct{ name, value, loses string }{
		{"RestrictAddressFamilies", "AF_NETLINK", "device events"},
		{"RestrictAddressFamilies", "AF_UNIX", "the control socket and sd_notify"},
		{"RestrictAddressFamilies", "AF_INET", "the page"},
		{"RestrictAddressFamilies", "AF_INET6", "the page"},
		{"ReadWritePaths", "/sys/class/leds", "lights"},
		{"ReadWritePaths", "/sys/devices", "lights, which are links to below there"},
		{"CapabilityBoundingSet", "CAP_SYS_ADMIN", "mounting"},
		{"CapabilityBoundingSet", "CAP_DAC_OVERRIDE", "cards and drives with files of other owners"},
		{"CapabilityBoundingSet", "CAP_CHOWN", "the group of the control socket"},
		{"SystemCallFilter", "mount", "mounting"},
		{"SystemCallFilter", "umount2", "unmounting"},
		{"SystemCallFilter", "@system-service", "everything else"},
		{"SystemCallFilter", "adjtimex", "the trust in the clock"},
		{"SystemCallFilter", "mincore", "the proof that a read-back came from the medium"},
		{"DeviceAllow", "block-*", "cards and drives"},
	} {
		if !slices.Contains(values(opts, "Service", want.name), want.value) {
			t.Errorf("%s lacks %s: the daemon loses %s", want.name, want.value, want.loses)
		}
	}
	for name, why := range map[string]string{
		"PrivateDevices":      "hides the disks",
		"PrivateNetwork":      "silently drops udev's events",
		"ProtectClock":        "forbids reading adjtimex",
		"RestrictSUIDSGID":    "takes openat2 away",
		"RootDirectory":       "hides the folders that a policy names",
		"DynamicUser":         "cannot mount",
		"User":                "cannot mount",
		"TemporaryFileSystem": "hides the folders that a policy names",
	} {
		if got := values(opts, "Service", name); len(got) > 0 {
			t.Errorf("%s=%s: it %s", name, strings.Join(got, " "), why)
		}
	}
}

// systemd's own parser knows every key; an unknown or misspelt one is a warning
// on standard error, which counts as a failure here.
func TestService_systemd_analyze(t *testing.T) {
	t.Parallel()
	analyze := judges.Need(t, "systemd-analyze")
	data, err := os.ReadFile("bothy.service")
	if err != nil {
		t.Fatal(err)
	}
	// The program is not installed where the unit expects it while it is tested.
	self, err := os.Executable()
	if err != nil {
		t.Fatal(err)
	}
	text := strings.Replace(string(data), "/usr/bin/bothy", self, 1)
	path := filepath.Join(t.TempDir(), "bothy.service")
	if err := os.WriteFile(path, []byte(text), 0o644); err != nil {
		t.Fatal(err)
	}
	out, err := exec.Command(analyze, "verify", "--man=no", path).CombinedOutput()
	if err != nil {
		t.Fatalf("systemd-analyze verify: %v\n%s", err, out)
	}
	for line := range strings.Lines(string(out)) {
		if strings.Contains(line, path) {
			t.Errorf("systemd-analyze verify: %s", line)
		}
	}
}

var ruleToken = regexp.MustCompile(`^([A-Z]+)(\{[^}]+\})?(==|!=|=|\+=|-=|:=)"[^"]*"$`)

func TestUdevRules_only_set_properties(t *testing.T) {
	t.Parallel()
	data, err := os.ReadFile("70-bothy.rules")
	if err != nil {
		t.Fatal(err)
	}
	known := []string{"ACTION", "SUBSYSTEM", "SUBSYSTEMS", "ENV", "ATTR", "GOTO", "LABEL"}
	rules := 0
	for i, line := range strings.Split(string(data), "\n") {
		if line = strings.TrimSpace(line); line == "" || strings.HasPrefix(line, "#") {
			continue
		}
		rules++
		for token := range strings.SplitSeq(line, ", ") {
			m := ruleToken.FindStringSubmatch(token)
			if m == nil {
				t.Errorf("line %d: %s is not KEY OPERATOR \"VALUE\"", i+1, token)
				continue
			}
			if !slices.Contains(known, m[1]) {
				t.Errorf("line %d: %s: the rules may match and set, nothing else (no RUN, no PROGRAM, no IMPORT)", i+1, m[1])
			}
		}
	}
	if rules == 0 {
		t.Error("the file holds no rule")
	}
}

// 'udevadm verify' came with systemd 254; an older one is asked nothing.
func TestUdevRules_udevadm(t *testing.T) {
	t.Parallel()
	udevadm := judges.Need(t, "udevadm")
	if help, err := exec.Command(udevadm, "--help").CombinedOutput(); err != nil || !strings.Contains(string(help), "verify") {
		t.Skip("this udevadm has no 'verify' command; it came with systemd 254")
	}
	if out, err := exec.Command(udevadm, "verify", "70-bothy.rules").CombinedOutput(); err != nil {
		t.Errorf("udevadm verify: %v\n%s", err, out)
	}
}

func TestModulesLoad_names_the_triggers(t *testing.T) {
	t.Parallel()
	data, err := os.ReadFile("bothy.modules-load.conf")
	if err != nil {
		t.Fatal(err)
	}
	var got []string
	for line := range strings.Lines(string(data)) {
		if line = strings.TrimSpace(line); line != "" && line[0] != '#' && line[0] != ';' {
			got = append(got, line)
		}
	}
	// The kernel's names: drivers/leds/trigger/ledtrig-{pattern,timer}.c.
	if want := []string{"ledtrig-pattern", "ledtrig-timer"}; !slices.Equal(got, want) {
		t.Errorf("modules %q, want %q", got, want)
	}
}

func TestSysusers_makes_the_group(t *testing.T) {
	t.Parallel()
	data, err := os.ReadFile("bothy.sysusers.conf")
	if err != nil {
		t.Fatal(err)
	}
	if !regexp.MustCompile(`(?m)^g bothy -$`).Match(data) {
		t.Errorf("no line makes group bothy:\n%s", data)
	}
	sysusers := judges.Need(t, "systemd-sysusers")
	root := t.TempDir()
	conf, err := filepath.Abs("bothy.sysusers.conf")
	if err != nil {
		t.Fatal(err)
	}
	if err := os.Mkdir(filepath.Join(root, "etc"), 0o755); err != nil {
		t.Fatal(err)
	}
	if out, err := exec.Command(sysusers, "--root="+root, conf).CombinedOutput(); err != nil {
		t.Fatalf("systemd-sysusers: %v\n%s", err, out)
	}
	groups, err := os.ReadFile(filepath.Join(root, "etc", "group"))
	if err != nil {
		t.Fatal(err)
	}
	if !regexp.MustCompile(`(?m)^bothy:`).Match(groups) {
		t.Errorf("systemd-sysusers made no group bothy:\n%s", groups)
	}
}
