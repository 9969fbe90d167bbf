package told

import (
	"bytes"
	"context"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"sync"
	"syscall"
	"testing"
)

// account is what is done about one command of the documents.
type account struct {
	// here: it is run in the world, and must exit with code and say what matches says.
	// as is what is run in its place, where what stands in the document cannot be known
	// before, or never ends; empty: the command as it stands.
	code     int
	as, says string
	// elsewhere: it is run by that test, whose file has the text holds (or the command).
	test, file, holds string
	// never: it is not run at all, and why.
	never string
	// beside: it is run in that folder of the repository, and not in the world.
	beside string
	// daemon: it runs until it is told to end.
	daemon bool
}

// accounts are those of the commands that no rule below takes. A command that stands in
// no document any more must go from here.
var accounts = map[string]account{
	"go run ./daemon/bothy rehearse": {beside: ".", says: `VERDICT: RELEASE`},

	"./deploy/package /tmp/bothy":                                              packages,
	"sudo apt install /tmp/bothy/bothy_*_$(dpkg --print-architecture).deb":     readmeInstalls,
	"sudo cp /usr/share/doc/bothy/examples/policy.toml /etc/bothy/policy.toml": readmeInstalls,
	"sudo editor /etc/bothy/policy.toml":                                       readmeInstalls,
	"bothy check-policy /etc/bothy/policy.toml && sudo systemctl reload bothy": readmeInstalls,

	"promtool check config --agent prometheus/box.yml":    fleetGuide,
	"promtool check config prometheus/shore.yml":          fleetGuide,
	"promtool test rules prometheus/bothy.rules.test.yml": fleetGuide,
	"amtool check-config alertmanager/alertmanager.yml":   fleetGuide,

	"apt remove":               {test: "TestInstall_lifeOfThePackage", file: "deploy/install_test.go", holds: `"apt-get -y remove bothy"`},
	"apt purge":                {test: "TestInstall_lifeOfThePackage", file: "deploy/install_test.go", holds: `"apt-get -y purge bothy"`},
	"deploy/package DIR":       packages,
	"go list":                  {test: "TestImports_runDown", file: "daemon/bothy/imports_test.go", holds: `"go", "list"`},
	"git check-ignore":         {test: "TestIgnore_agreesWithGit", file: "daemon/mhl/ignore_test.go", holds: `"check-ignore"`},
	"systemd-analyze security": {test: "TestService_exposure", file: "deploy/exposure_test.go", holds: `exec.Command(analyze, "security"`},
	"promtool test rules":      fleetGuide,
	"sudo bothy enrol /dev/sdb1 --name bay-3":   {says: `^/dev/sdb1 \(/dev/loop[0-9]+\) is enrolled as bay-3, identity `},
	"bothy check-policy /etc/bothy/policy.toml": {says: `sound`},
	"systemctl edit bothy.socket":               {never: "it opens an editor on a booted system; what is to be written there is systemd's own syntax"},
	"systemctl enable bothy.socket && systemctl stop bothy && systemctl start bothy.socket bothy": {test: "TestStory_installedFromPackage", file: "testdata/stories/installed_test.go", holds: "systemctl enable bothy.socket && systemctl stop bothy && systemctl start bothy.socket bothy"},
	"bothy status":                             {says: `^box skerry-2: `},
	"sudo bothy status":                        {says: `^box skerry-2: `},
	"sudo bothy recover bay-1 bay-2":           {says: `(?s)^bay-1: .*^bay-2: `},
	"sudo cp /etc/bothy/policy.toml /mnt/usb/": {says: `^$`},
	"journalctl BOTHY_CARD=SKUA_003":           {test: "TestStory_installedFromPackage", file: "testdata/stories/installed_test.go", holds: "journalctl BOTHY_CARD="},
	"journalctl -k":                            {says: `No journal files|^\w{3} \d\d `}, // of a machine that was not booted
	"ss -ltnp":                                 {says: `^State `},
	"ss -lxp":                                  {says: `^Netid `},
	"sudo apt install --no-install-recommends PACKAGE": {test: "TestStory_installedFromPackage", file: "testdata/stories/installed_test.go", holds: "apt-get install -q -y --no-install-recommends"},
	"systemctl edit bothy":                             {never: "it opens an editor on a booted system; what is to be written there is systemd's own syntax"},
	"systemctl enable systemd-time-wait-sync":          {never: "it changes a booted system, with a unit of systemd's own; TestBox_waitsForTheClock holds our drop-in against systemd's parser"},
	"udevadm info -q property /dev/sdb1":               {says: `^DEVNAME=/dev/loop`},

	"bothy check-policy /etc/bothy/policy.toml && systemctl reload bothy":           {says: `sound`},
	"bothy copy /media/card --to /mnt/one --to /mnt/two":                            {says: `proven`},
	"bothy copy ./card --to /mnt/one --verify read-back-twice --json | jq .verdict": {says: `^"hold"$`},
	"sudo bothy diagnose":                             {says: `-\d{8}T\d{6}Z\.tar\.gz`},
	"sudo bothy diagnose -o /mnt/usb/skerry-2.tar.gz": {says: `/mnt/usb/skerry-2\.tar\.gz`},
	"bothy enrol /dev/sdb1 --name bay-3":              {says: `^/dev/sdb1 \(/dev/loop[0-9]+\) is enrolled as bay-3, identity `},
	"bothy explain /dev/sdb1":                         {says: `^taken as a drive by rule "bay"`},
	"bothy explain abcdefgh-12":                       {as: "bothy explain OFFLOAD", says: `: release: `},
	"udevadm info -q property /dev/sdb1 | bothy explain --properties - --policy ./policy.toml": {says: `^taken as a drive by rule "bay"`},
	"bothy handover editor-1 --select days=2026-11-25 --select 'files=*.MOV'":                  {says: `1 file of 1 offload selected .*: 1 brought and proven now`},
	"bothy handover editor-1 --select 'cards=SKUA_*' --json | jq -r '.undelivered[]'":          {says: `^$`},
	"bothy list": {says: `^2026-11-25: `},
	"bothy list offloads --card 'SKUA_*' --since 2026-11-20":                                    {says: `released: card SKUA_003`},
	"bothy list files --name '*.MOV' --drive bay-7 --limit 1000":                                {says: `^file DCIM/100SKUAS/SKUA0042.MOV$`},
	`bothy list files --name 'DCIM/100*/*' --json | jq -r '.files[] | "\(.checksum) \(.path)"'`: {says: `^[0-9a-f]{32} DCIM/100SKUAS/SKUA0042.MOV$`},
	"bothy missing bay-7": {says: `^drive bay-7 lacks 2 offloads$`},
	"bothy missing bay-7 --json | jq '[.offloads[].size_bytes] | add'":                            {says: `^320000$`},
	"bothy recover bay-1 bay-2":                                                                   {says: `(?s)^bay-1: .*^bay-2: `},
	"bothy rehearse":                                                                              {says: `VERDICT: RELEASE`},
	"bothy report today -o today.html":                                                            {says: `^$`},
	"bothy report 2026-11-25 --csv > 2026-11-25.csv":                                              {says: `^$`},
	"bothy retire bay-3":                                                                          {says: `^nothing was changed; add --confirm`},
	"bothy retire bay-3 --confirm":                                                                {says: `^bay-3 is retired: `},
	"sudo bothy run --policy ./policy.toml --state-dir ./state --run-dir ./run":                   {daemon: true, says: `ready|watching`},
	"systemctl reload bothy":                                                                      {says: `^$`},
	"bothy status --json | jq -r '.cards[] | \"\\(.label) \\(.verdict)\"'":                        {says: `^$`},
	"bothy status --json | jq '.offloads[] | select(.running) | .done, .left_seconds'":            {says: `^$`},
	"bothy verify /mnt/bay-1/2026-11-25/*":                                                        {says: `^proven: `},
	"bothy verify --record --json /mnt/bay-1/2026-11-25/skerry-2-SKUA_003-143100":                 {says: `"proven":true`},
	"bothy where SKUA0042.MOV":                                                                    {says: `bay-7: proven`},
	"bothy where 'SKUA00*' --limit 1000":                                                          {says: `SKUA0042.MOV`},
	"bothy where SKUA0042.MOV --json | jq -r '.files[].places[] | select(.proven) | .drive_name'": {says: `^bay-7$`},
	"bothy status --follow":                                                                       {as: toTheEnd, says: `the daemon has ended`},
	"bothy stop":                                                                                  {as: toTheEnd, says: `the daemon has ended`},

	"journalctl -x -u bothy":                {test: "TestStory_installedFromPackage", file: "testdata/stories/installed_test.go"},
	"journalctl BOTHY_CONDITION=drive-full": {test: "TestStory_installedFromPackage", file: "testdata/stories/installed_test.go", holds: "journalctl BOTHY_CONDITION="},

	"sudo ./testdata/bench":            {beside: ".", as: "./testdata/bench --help", says: `--runs N`},
	"go run ./testdata/mutate FILE...": {beside: ".", as: "go run ./testdata/mutate -list daemon/power.go", says: `power.go:\d+`},
	"go run ./testdata/plant":          {beside: ".", as: "go run ./testdata/plant -list", says: `\w`},
}

// readmeInstalls is what that test does: it takes the README's own lines.
var readmeInstalls = account{test: "TestInstall_lifeOfThePackage", file: "deploy/install_test.go", holds: `"\n## Install on a box in five lines\n"`}

// packages is what that package's tests all rest on.
var packages = account{test: "TestPackage_contents", file: "deploy/package_test.go", holds: `exec.Command("./package", dir)`}

// fleetGuide is what that test does: it takes the lines of the guide's own block.
var fleetGuide = account{test: "TestGuide_commands", file: "deploy/fleet/fleet_test.go", holds: `read(t, "README.md"), "` + "```sh"}

// toTheEnd stops the daemon while somebody follows it, who sees it end.
const toTheEnd = `bothy status --follow | { read -r first && bothy stop && cat; }`

// last are commands that end the world.
var last = []string{"bothy stop", "bothy status --follow"}

// TestDocs_everyCommand: each command that a document tells a reader to type is run
// here, or in short, or by a test that is named, or it is said why not.
func TestDocs_everyCommand(t *testing.T) {
	t.Parallel()
	if os.Geteuid() != 0 {
		if os.Getenv("CI") == "true" {
			t.Fatal("this needs root, and in CI nothing may be left out")
		}
		t.Skip("left out: a root of its own, with a drive made from an image, needs root")
	}
	w, programs, sources := newWorld(t), newTests(t), map[string]string{}
	walk(t, func(name string, data []byte) { sources[name] = string(data) })
	var here, short, elsewhere, never, ends []string
	var lookUps sync.WaitGroup // beside the world, which mostly waits
	defer lookUps.Wait()
	used, done := map[string]bool{}, map[string]bool{}
	for _, p := range pages(t) {
		inBlock := len(p.blocks)
		for n, c := range p.commands() {
			if done[c.text] {
				continue
			}
			done[c.text] = true
			a, known := accounts[c.text]
			given := words(c.text)
			used[c.text] = known
			switch {
			case known && a.never != "":
				never = append(never, c.String()+": "+a.never)
			case known && a.test != "":
				if a.holds == "" {
					a.holds = c.text
				}
				if text := sources[a.file]; !strings.Contains(text, "func "+a.test+"(t *testing.T)") || !strings.Contains(text, a.holds) {
					t.Errorf("%s: %s in %s does not run it: want there %q", c, a.test, a.file, a.holds)
				}
				elsewhere = append(elsewhere, c.text+": "+a.test)
			case known && slices.Contains(last, c.text):
				ends = append(ends, c.text)
			case known && a.beside != "":
				w.beside(c, a)
				if a.as != "" {
					short = append(short, c.text)
				} else {
					here = append(here, c.text)
				}
			case known:
				w.here(c, a)
				here = append(here, c.text)
			case slices.Contains(given, "./testdata/check"):
				w.beside(c, account{as: strings.Replace(c.text, "./testdata/check", "./testdata/check -n", 1), says: `^check: would run: `})
				short = append(short, c.text)
			case given[0] == "go" && given[1] == "test" || strings.HasPrefix(c.text, "FUZZ="):
				lookUps.Go(func() {
					if err := programs.lookUp(given[2:]); err != nil {
						t.Errorf("%s: %v", c, err)
					}
				})
				short = append(short, c.text)
			case given[0] == "man":
				w.here(c, account{says: `(?i)bothy`})
				here = append(here, c.text)
			case n >= inBlock && given[0] == "bothy": // its words are looked up by TestDocs_bothy
			default:
				t.Errorf("%s:%d: %s\n\tis run by nothing: give it an account", c.page, c.number, c.text)
			}
		}
	}
	for i, text := range ends {
		if i == 0 {
			w.here(line{text: text}, accounts[text])
		}
		here = append(here, text)
	}
	for text := range accounts {
		if !used[text] {
			t.Errorf("no document tells of this any more: %s", text)
		}
	}
	t.Logf("%d run here, %d in short (flags read, tests found), %d by other tests, %d not run", len(here), len(short), len(elsewhere), len(never))
	for _, told := range []struct {
		what string
		list []string
	}{{"here", here}, {"in short", short}, {"by other tests", elsewhere}, {"not run", never}} {
		t.Logf("%s:\n\t%s", told.what, strings.Join(told.list, "\n\t"))
	}
}

// here runs a command in the world.
func (w *world) here(c line, a account) {
	w.t.Helper()
	if a.daemon {
		var log bytes.Buffer
		cmd := w.until(c.text, &log, "/run/notify2")
		must(w.t, cmd.Process.Signal(syscall.SIGTERM))
		if err := cmd.Wait(); err != nil {
			w.t.Errorf("%s: %v\n%s", c, err, &log)
		}
		return
	}
	text := c.text
	if a.as != "" {
		text = strings.ReplaceAll(a.as, "OFFLOAD", w.offload)
	}
	out, code := w.run(text)
	a.judge(w.t, c, out, code)
}

func (a account) judge(t *testing.T, c line, out string, code int) {
	t.Helper()
	if code != a.code || !regexp.MustCompile("(?m)"+a.says).MatchString(out) {
		t.Errorf("%s\n\texits with %d, want %d and %q:\n%s", c, code, a.code, a.says, out)
	}
}

// beside runs a command in a folder of the repository.
func (w *world) beside(c line, a account) {
	w.t.Helper()
	text := c.text
	if a.as != "" {
		text = a.as
	}
	ctx, cancel := context.WithTimeout(w.t.Context(), patience)
	defer cancel()
	cmd := exec.CommandContext(ctx, "bash", "-o", "pipefail", "-c", text)
	cmd.Dir, cmd.Env = filepath.Join(root, a.beside), append(os.Environ(), "CGO_ENABLED=0") // as all else is built
	out, err := cmd.CombinedOutput()
	if cmd.ProcessState == nil {
		w.t.Errorf("%s: %v", c, err)
		return
	}
	a.judge(w.t, c, string(out), cmd.ProcessState.ExitCode())
}
