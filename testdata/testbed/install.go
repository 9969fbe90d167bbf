package testbed

import (
	"context"
	"os"
	"path"
	"path/filepath"
	"strings"
	"testing"
	"time"
)

// Where the daemon's parts belong in the guest, as in the shipped unit.
const (
	daemonPath = "/usr/bin/bothy"
	unitPath   = "/etc/systemd/system/bothy.service"
	policyPath = "/etc/bothy/policy.toml"
)

// BuildDaemon builds the bothy command for amd64, static, and returns its path.
func BuildDaemon(t testing.TB) string {
	t.Helper()
	return buildFor(t, architectures["amd64"], "bothy", "build", "-trimpath", "-buildvcs=false", "./daemon/bothy")
}

// buildFor runs a go command that takes -o, from the root of the repository.
func buildFor(t testing.TB, arch architecture, name string, args ...string) string {
	t.Helper()
	ctx, cancel := context.WithTimeout(context.Background(), toolLimit)
	defer cancel()
	file := filepath.Join(t.TempDir(), name)
	last := len(args) - 1
	args = append(args[:last:last], "-o", file, args[last])
	if err := goBuild(ctx, arch, args...); err != nil {
		t.Fatal(err)
	}
	return file
}

// BuildPackage builds the Debian package for amd64 or arm64 and returns its path.
func BuildPackage(t testing.TB, debian string) string {
	t.Helper()
	dir, err := moduleDir()
	if err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithTimeout(context.Background(), toolLimit)
	defer cancel()
	to := t.TempDir()
	if err := command(ctx, filepath.Join(dir, "deploy", "package"), to, debian); err != nil {
		t.Fatal(err)
	}
	made, err := filepath.Glob(filepath.Join(to, "*.deb"))
	if err != nil || len(made) != 1 {
		t.Fatalf("one package, not %q: %v", made, err)
	}
	return made[0]
}

// ShippedUnit is the path of the unit in deploy/.
func ShippedUnit(t testing.TB) string {
	t.Helper()
	dir, err := moduleDir()
	if err != nil {
		t.Fatal(err)
	}
	return filepath.Join(dir, "deploy", "bothy.service")
}

// companions are the files that ship beside the unit, and where they go.
var companions = map[string]string{
	"bothy.sysusers.conf":     "/usr/lib/sysusers.d/bothy.conf",
	"bothy.modules-load.conf": "/usr/lib/modules-load.d/bothy.conf",
	"70-bothy.rules":          "/usr/lib/udev/rules.d/70-bothy.rules",
	"bothy.catalog":           "/usr/lib/systemd/catalog/bothy.catalog",
}

// Install installs daemon, unit and policy, enables the service for later
// boots and starts it, with those companions that lie beside the unit file. It
// returns when systemd says that the start is over: for a notifying service,
// when the daemon has said that it is ready.
func (g *Guest) Install(daemonBinary, unitFile, policy string) {
	g.t.Helper()
	g.InstallOnly(daemonBinary, unitFile, policy)
	g.StartDaemon()
}

// InstallOnly is Install without the start.
func (g *Guest) InstallOnly(daemonBinary, unitFile, policy string) {
	g.t.Helper()
	program := g.programOf(unitFile)
	g.CopyIn(daemonBinary, program)
	g.MustRun("chmod 755 " + program)
	g.CopyIn(unitFile, unitPath)
	for name, place := range companions {
		from := filepath.Join(filepath.Dir(unitFile), name)
		if _, err := os.Stat(from); err == nil {
			g.CopyIn(from, place)
		}
	}
	g.WritePolicy(policy)
	g.MustRun("systemd-sysusers && udevadm control --reload && systemctl restart systemd-modules-load")
	g.MustRun("systemctl daemon-reload && systemctl enable -q bothy.service && sync")
}

// StartDaemon starts the installed service and returns when systemd says that
// the start is over.
func (g *Guest) StartDaemon() {
	g.t.Helper()
	res := g.RunFor(commandLimit, "systemctl", "start", "bothy.service")
	if res.Exit != 0 {
		g.t.Fatalf("start bothy: %s%s\n%s", res.Stdout, res.Stderr, g.Journal("bothy.service"))
	}
}

// programOf is the program that the unit starts.
func (g *Guest) programOf(unitFile string) string {
	g.t.Helper()
	text, err := os.ReadFile(unitFile)
	if err != nil {
		g.t.Fatal(err)
	}
	for line := range strings.Lines(string(text)) {
		if command, ok := strings.CutPrefix(strings.TrimSpace(line), "ExecStart="); ok {
			program, _, _ := strings.Cut(strings.TrimLeft(command, "-@:+!"), " ")
			return program
		}
	}
	return daemonPath
}

// WritePolicy replaces the policy; a running daemon has to be reloaded.
func (g *Guest) WritePolicy(policy string) {
	g.t.Helper()
	g.WriteFile(policyPath, []byte(policy), 0o644)
}

// RunTestBinary compiles the tests of a package of this module, such as
// "./daemon/volume", and runs them as root in the guest with the package's
// testdata beside them. It fails the test when they fail and returns what they
// printed; args are passed on, such as "-test.run=Mount".
func (g *Guest) RunTestBinary(pkg string, limit time.Duration, args ...string) string {
	g.t.Helper()
	binary := buildFor(g.t, g.arch, "package.test", "test", "-c", "-trimpath", "-buildvcs=false", pkg)
	dir, err := moduleDir()
	if err != nil {
		g.t.Fatal(err)
	}
	home := "/var/tmp/tests/" + path.Base(pkg)
	g.CopyIn(binary, home+"/package.test")
	g.copyTree(filepath.Join(dir, filepath.FromSlash(pkg), "testdata"), home+"/testdata")
	// The guest's root is on a disk, so are its temporary files: /tmp is no tmpfs.
	argv := append([]string{"sh", "-c", `cd "$0" && exec ./package.test "$@"`, home, "-test.v"}, args...)
	res := g.RunFor(limit, argv...)
	if res.Exit != 0 || res.TimedOut {
		g.t.Fatalf("tests of %s in the guest: exit %d, timed out: %v\n%s%s", pkg, res.Exit, res.TimedOut, res.Stdout, res.Stderr)
	}
	return res.Stdout
}

// copyTree copies a folder's regular files; a missing folder is an empty one.
func (g *Guest) copyTree(from, to string) {
	g.t.Helper()
	err := filepath.WalkDir(from, func(file string, entry os.DirEntry, err error) error {
		if err != nil || !entry.Type().IsRegular() {
			return err
		}
		name, err := filepath.Rel(from, file)
		if err == nil {
			g.CopyIn(file, path.Join(to, filepath.ToSlash(name)))
		}
		return err
	})
	if err != nil && !os.IsNotExist(err) {
		g.t.Fatal(err)
	}
}
