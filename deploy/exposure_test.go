package deploy

import (
	"encoding/json"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"bothy/testdata/judges"
)

// exposureTenths bounds what systemd's own judge gives the service, from 0 for
// none to 100; it says 3.3 in its list.
const exposureTenths = "33"

// exposedFor is, for each point that the judge counts against the service, what
// would be lost with it. Measured in a systemd guest, or read in the code named.
var exposedFor = map[string]string{
	"User=/DynamicUser=":                                  "only root mounts",
	"CapabilityBoundingSet=~CAP_SYS_ADMIN":                "mounting, the read-only gate, flushing a disk",
	"CapabilityBoundingSet=~CAP_(DAC_*|FOWNER|IPC_OWNER)": "cards and drives have files of other owners",
	"CapabilityBoundingSet=~CAP_(CHOWN|FSETID|SETFCAP)":   "the control socket is given to group bothy; as a group of the service's own it would keep a box without that group from starting",
	"SystemCallFilter=~@mount":                            "mounting: two calls of the set are allowed",
	"SystemCallFilter=~@clock":                            "reading adjtimex; CAP_SYS_TIME is not there, so nothing is set",
	"SystemCallFilter=~@privileged":                       "the set holds chown and adjtimex",
	"ProtectClock=":                                       "forbids reading adjtimex",
	"PrivateDevices=":                                     "hides cards and drives",
	"DeviceAllow=":                                        "cards and drives are block devices of any kind",
	"PrivateNetwork=":                                     "silently drops udev's events, and the page",
	"RestrictAddressFamilies=~AF_NETLINK":                 "udev's events",
	"RestrictAddressFamilies=~AF_UNIX":                    "the control socket, the watchdog",
	"RestrictAddressFamilies=~AF_(INET|INET6)":            "the page",
	"IPAddressDeny=":                                      "the policy says where the page is; a second place that forbids it would be looked for in vain",
	"PrivateUsers=":                                       "only root of the whole system mounts block devices",
	"RestrictSUIDSGID=":                                   "takes openat2 away, which keeps paths inside their root",
	"RootDirectory=/RootImage=":                           "a policy names folders of the system",
	"ProcSubset=":                                         "/proc/swaps tells which disks the system swaps to: hidden, they would pass for media",
	"ProtectHome=":                                        "a folder of a policy may be there; what covers /home would hide its disk",
	"UMask=":                                              "whoever gets the drive must be able to read what is on it",
}

// TestService_exposure has systemd judge the service: what is counted against it
// is known, has a reason, and is not more than it was.
func TestService_exposure(t *testing.T) {
	t.Parallel()
	analyze := judgeOfServices(t)
	out, err := exec.Command(analyze, "security", "--offline=true", "--no-pager", "--json=short", "bothy.service").Output()
	if err != nil {
		t.Fatalf("systemd-analyze security: %v", err)
	}
	var points []struct {
		Name     string `json:"name"`
		Exposure any    `json:"exposure"`
	}
	if err := json.Unmarshal(out, &points); err != nil {
		t.Fatalf("read what systemd-analyze says: %v\n%s", err, out)
	}
	var counted []string
	for _, p := range points {
		if p.Exposure != nil && p.Exposure != "" {
			counted = append(counted, p.Name)
			if exposedFor[p.Name] == "" {
				t.Errorf("%s is counted against the service, and nothing says why it is needed", p.Name)
			}
		}
	}
	for name := range exposedFor {
		if !slices.Contains(counted, name) {
			t.Errorf("%s is not counted against the service any more: its reason can go", name)
		}
	}
	text, err := exec.Command(analyze, "security", "--offline=true", "--no-pager", "--threshold="+exposureTenths, "bothy.service").CombinedOutput()
	if err != nil {
		t.Errorf("the service is more exposed than %s tenths:\n%s", exposureTenths, text)
	}
	for line := range strings.Lines(string(text)) {
		if strings.Contains(line, "Overall") {
			t.Log(strings.TrimSpace(line))
		}
	}
}

func judgeOfServices(t *testing.T) string {
	t.Helper()
	analyze := judges.Need(t, "systemd-analyze")
	if version, err := exec.Command(analyze, "--version").Output(); err != nil || !strings.HasPrefix(string(version), "systemd 252 ") {
		t.Skipf("left out: this is not the systemd of Debian 12, and each judges in its own way: %.20s", version)
	}
	return analyze
}

// allTakenAway is what systemd can still take from a service that mounts media, listens to
// udev and serves a page, whatever is lost with it: the kernel's keeping paths inside their
// root, the clock's word, who swaps, folders under /home, drives that others may read, the
// page for anybody but this machine.
const allTakenAway = `
UMask=0077
ProtectHome=yes
ProtectClock=yes
RestrictSUIDSGID=yes
ProcSubset=pid
RootDirectory=/srv
IPAddressDeny=any
IPAddressAllow=localhost
CapabilityBoundingSet=
CapabilityBoundingSet=CAP_SYS_ADMIN CAP_DAC_OVERRIDE
SystemCallFilter=~adjtimex clock_adjtime
SystemCallFilter=~@clock @privileged
SystemCallFilter=mount umount2
`

// TestService_exposureFloor shows how far down the judge goes for one service that does
// what this one is for: its lowest is above 2.0, a bound that is often asked for.
func TestService_exposureFloor(t *testing.T) {
	t.Parallel()
	analyze := judgeOfServices(t)
	unit, err := os.ReadFile("bothy.service")
	if err != nil {
		t.Fatal(err)
	}
	text, install, ok := strings.Cut(string(unit), "[Install]")
	if !ok {
		t.Fatal("bothy.service has no [Install]")
	}
	bare := filepath.Join(t.TempDir(), "bare.service")
	if err := os.WriteFile(bare, []byte(text+allTakenAway+"[Install]"+install), 0o644); err != nil {
		t.Fatal(err)
	}
	for tenths, within := range map[string]bool{"22": true, "21": false} {
		out, err := exec.Command(analyze, "security", "--offline=true", "--no-pager", "--threshold="+tenths, bare).CombinedOutput()
		if !strings.Contains(string(out), "Overall") || (err == nil) != within {
			t.Errorf("at most %s tenths: %v, want %v\n%s", tenths, err == nil, within, out)
		}
	}
}
