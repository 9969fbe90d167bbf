package deploy

import (
	"bytes"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"testing"

	gocmp "github.com/google/go-cmp/cmp"

	"bothy/testdata/judges"
)

// debianRoot is a throwaway Debian 12 that was never booted. Its systemctl notes
// what it is asked, so that what the package does to a running system is seen;
// everything else there is Debian's own.
type debianRoot struct {
	t   *testing.T
	dir string
}

// recorder stands in the place of the real systemctl, which answers what files can tell.
const recorder = `#!/bin/sh
case "$*" in
--root=*) exec /usr/bin/systemctl.real "$@" ;;
*is-enabled*) exec /usr/bin/systemctl.real --root=/ "$@" ;;
esac
echo "$*" >>/var/log/asked
`

func newDebianRoot(t *testing.T) *debianRoot {
	t.Helper()
	for _, program := range []string{"mmdebstrap", "unshare", "chroot", "apt-get"} {
		judges.Need(t, program)
	}
	release, _ := os.ReadFile("/etc/os-release")
	if os.Geteuid() != 0 || !bytes.Contains(release, []byte("VERSION_CODENAME=bookworm\n")) {
		t.Skip("left out: needs root on Debian 12, to make another one in a folder")
	}
	// The archives, proxies and retries of this machine.
	targets := say(t, "apt-get", "indextargets", "--format", "$(ORIGIN) $(REPO_URI) $(CODENAME)", "Created-By: Packages")
	var sources []string
	for _, line := range slices.Compact(slices.Sorted(strings.Lines(targets))) {
		if f := strings.Fields(line); len(f) == 3 && f[0] == "Debian" && strings.HasPrefix(f[2], "bookworm") && !strings.HasSuffix(f[2], "backports") {
			sources = append(sources, fmt.Sprintf("deb [signed-by=/usr/share/keyrings/debian-archive-keyring.gpg] %s %s main", f[1], f[2]))
		}
	}
	settings := regexp.MustCompile(`(?m)^Acquire::(Check-|Retries|https?::|ForceIPv).*$`).FindAllString(say(t, "apt-config", "dump"), -1)
	r := &debianRoot{t, filepath.Join(t.TempDir(), "root")}
	args := []string{"--quiet", "--variant=minbase", "--include=systemd,udev,smartmontools"}
	for _, s := range settings {
		args = append(args, "--aptopt="+s)
	}
	say(t, "mmdebstrap", append(args, "bookworm", r.dir, strings.Join(sources, "\n"))...)
	if err := os.Rename(r.path("/usr/bin/systemctl"), r.path("/usr/bin/systemctl.real")); err != nil {
		t.Fatal(err)
	}
	r.write("/usr/bin/systemctl", recorder, 0o755)
	r.write("/usr/local/bin/sudo", "#!/bin/sh\nexec \"$@\"\n", 0o755)
	// Whoever edits the sample leaves it sound.
	r.write("/usr/local/bin/editor", "#!/bin/sh\nsed -i 's/skerry-2/skerry-1/' \"$1\"\n", 0o755)
	if err := os.MkdirAll(r.path("/run/systemd/system"), 0o755); err != nil { // as if it were running
		t.Fatal(err)
	}
	return r
}

func (r *debianRoot) path(name string) string { return filepath.Join(r.dir, name) }

func (r *debianRoot) write(name, text string, mode os.FileMode) {
	r.t.Helper()
	path := r.path(name)
	if err := os.MkdirAll(filepath.Dir(path), 0o755); err != nil {
		r.t.Fatal(err)
	}
	if err := os.WriteFile(path, []byte(text), mode); err != nil {
		r.t.Fatal(err)
	}
}

// try runs a line of the shell in the root, with a process table of its own.
func (r *debianRoot) try(line string) (string, error) {
	cmd := exec.Command("unshare", "--mount", "--pid", "--fork", "--kill-child", "--mount-proc="+r.path("/proc"),
		"chroot", r.dir, "sh", "-c", line)
	cmd.Env = []string{"PATH=/usr/local/sbin:/usr/local/bin:/usr/sbin:/usr/bin:/sbin:/bin", "DEBIAN_FRONTEND=noninteractive", "LC_ALL=C.UTF-8", "HOME=/root", "TERM=dumb"}
	out, err := cmd.CombinedOutput()
	return string(out), err
}

func (r *debianRoot) must(line string) string {
	r.t.Helper()
	out, err := r.try(line)
	if err != nil {
		r.t.Fatalf("%s: %v\n%s", line, err, out)
	}
	return out
}

// asked returns what systemctl was asked about the service since the last call,
// questions left out.
func (r *debianRoot) asked() []string {
	r.t.Helper()
	text, err := os.ReadFile(r.path("/var/log/asked"))
	if err != nil && !os.IsNotExist(err) {
		r.t.Fatal(err)
	}
	os.Remove(r.path("/var/log/asked"))
	var asked []string
	for line := range strings.Lines(string(text)) {
		line = strings.TrimSpace(strings.NewReplacer("--quiet", "", "--system", "").Replace(line))
		if line = strings.Join(strings.Fields(line), " "); !strings.HasPrefix(line, "is-") {
			asked = append(asked, line)
		}
	}
	return asked
}

func (r *debianRoot) mustHaveAsked(what string, want ...string) {
	r.t.Helper()
	if diff := gocmp.Diff(want, r.asked()); diff != "" {
		r.t.Errorf("%s: the system was asked (-want +got):\n%s", what, diff)
	}
}

func (r *debianRoot) exists(name string) bool {
	_, err := os.Lstat(r.path(name))
	return err == nil
}

const modules = "restart systemd-modules-load.service"

const wanted = "/etc/systemd/system/multi-user.target.wants/bothy.service"

// olderDeb is the package as it might have been before, by Debian's own tool.
func olderDeb(t *testing.T, deb string) string {
	t.Helper()
	dir := filepath.Join(t.TempDir(), "older")
	say(t, "dpkg-deb", "--raw-extract", deb, dir)
	control := filepath.Join(dir, "DEBIAN/control")
	text := strings.Replace(string(contentOf(t, control)), "Version: "+packageVersion(t), "Version: 0.0.1", 1)
	if err := os.WriteFile(control, []byte(text), 0o644); err != nil {
		t.Fatal(err)
	}
	older := filepath.Join(t.TempDir(), "bothy_0.0.1.deb")
	say(t, "dpkg-deb", "--root-owner-group", "-Zgzip", "--build", dir, older)
	return older
}

// files are all names in the root that a package could have left behind, with
// what is in those on the drive; what keeps account of packages is left out.
func (r *debianRoot) files() map[string]string {
	r.t.Helper()
	accounts := regexp.MustCompile(`^/(proc|sys|dev|tmp|var/(log|cache|lib/(dpkg|apt))|etc/((group|gshadow|passwd|shadow)-|\.pwd\.lock))(/|$)`)
	found := map[string]string{}
	err := filepath.WalkDir(r.dir, func(path string, e os.DirEntry, err error) error {
		if err != nil {
			return err
		}
		name := "/" + strings.TrimPrefix(strings.TrimPrefix(path, r.dir), "/")
		if accounts.MatchString(name) {
			if e.IsDir() {
				return filepath.SkipDir
			}
			return nil
		}
		found[name] = e.Type().String()
		if strings.HasPrefix(name, "/mnt/") && e.Type().IsRegular() {
			text, err := os.ReadFile(path)
			found[name] = string(text)
			return err
		}
		return nil
	})
	if err != nil {
		r.t.Fatal(err)
	}
	return found
}

// TestInstall_lifeOfThePackage installs the package with Debian's own programs,
// by the words of the README, and sees it through upgrade, downgrade, removal
// and purge.
func TestInstall_lifeOfThePackage(t *testing.T) {
	t.Parallel()
	arch := strings.TrimSpace(say(t, "dpkg", "--print-architecture"))
	deb := debOf(t, arch)
	r := newDebianRoot(t)
	for name, file := range map[string]string{"/tmp/bothy/": deb, "/tmp/older/": olderDeb(t, deb)} {
		r.write(filepath.Join(name, filepath.Base(file)), string(contentOf(t, file)), 0o644)
	}
	// A drive that somebody has mounted: whatever is done, it stays as it is.
	r.write("/mnt/north/2026-11-25/skerry-2-SKUA_003-143100/DCIM/INVENTED.JPG", "invented picture", 0o644)
	r.write("/mnt/north/.bothy/drive.toml", "invented", 0o644)
	before := r.files()

	r.installAsReadmeSays()
	r.mustHaveAsked("installation", "daemon-reload", modules, "start bothy.service", "reload bothy")
	if !r.exists(wanted) {
		t.Error("the service does not start with the box")
	}
	if !regexp.MustCompile(`(?m)^bothy:`).Match(contentOf(t, r.path("/etc/group"))) {
		t.Error("there is no group bothy")
	}
	policy := contentOf(t, r.path("/etc/bothy/policy.toml"))

	// An older one is installed over it, and then an upgrade; what the operator
	// has written stays.
	r.must("apt-get -y --allow-downgrades install /tmp/older/bothy_0.0.1.deb")
	r.mustHaveAsked("downgrade", "daemon-reload", modules, "restart bothy.service")
	r.must("apt-get -y install /tmp/bothy/*.deb")
	r.mustHaveAsked("upgrade", "daemon-reload", modules, "restart bothy.service")
	if !bytes.Equal(policy, contentOf(t, r.path("/etc/bothy/policy.toml"))) {
		t.Error("an upgrade changed the policy")
	}
	r.must("/usr/bin/systemctl.real --root=/ disable bothy.service && apt-get -y --reinstall install /tmp/bothy/*.deb")
	if r.exists(wanted) {
		t.Error("an upgrade enabled what the operator had disabled")
	}
	r.asked()

	r.must("mkdir -m 700 /var/lib/bothy && echo invented | tee /var/lib/bothy/ledger.db >/var/lib/bothy/ledger.db-wal")
	r.must("apt-get -y remove bothy")
	r.mustHaveAsked("removal", "stop bothy.socket bothy.service", "daemon-reload")
	for _, kept := range []string{"/var/lib/bothy/ledger.db", "/etc/bothy/policy.toml"} {
		if !r.exists(kept) {
			t.Errorf("removal took %s", kept)
		}
	}
	if r.exists("/usr/bin/bothy") || r.exists("/usr/lib/systemd/system/bothy.service") {
		t.Error("removal left the program")
	}
	if said := r.must("apt-get -y purge bothy"); !strings.Contains(said, "bothy: this box's ledger is removed; each drive carries a copy") {
		t.Errorf("a purge does not say that the ledger goes:\n%s", said)
	}
	delete(before, "/var/lib/bothy")
	if diff := gocmp.Diff(before, r.files()); diff != "" {
		t.Errorf("what a purge leaves (-before +after):\n%s", diff)
	}
	r.movedState()
	r.refusedStart()
}

// installAsReadmeSays takes the README's own lines. The first of them builds
// the packages, which has been done.
func (r *debianRoot) installAsReadmeSays() {
	r.t.Helper()
	_, rest, _ := strings.Cut(string(contentOf(r.t, "../README.md")), "\n## Install on a box in five lines\n")
	_, rest, _ = strings.Cut(rest, "```sh\n")
	block, _, found := strings.Cut(rest, "```\n")
	lines := strings.Split(strings.TrimSpace(block), "\n")
	if !found || len(lines) != 5 || !strings.HasPrefix(lines[0], "./deploy/package /tmp/bothy ") {
		r.t.Fatalf("the README installs in other lines than these five:\n%s", block)
	}
	r.must(lines[1])
	// As it is installed it copies nothing, and says what to do.
	out, err := r.try("bothy check-policy /etc/bothy/policy.toml")
	if err == nil || !strings.Contains(out, "there are no rules yet") {
		r.t.Errorf("a box that was just installed has a policy: %v\n%s", err, out)
	}
	for _, line := range lines[2:] {
		r.must(line)
	}
	if text := contentOf(r.t, r.path("/etc/bothy/policy.toml")); !bytes.Contains(text, []byte("skerry-1")) {
		r.t.Errorf("the policy was not edited:\n%s", text)
	}
}

// movedState: what somebody has moved elsewhere, to a drive perhaps, is left by
// a purge, and so is what is not ours.
func (r *debianRoot) movedState() {
	r.t.Helper()
	r.write("/mnt/north/state/ledger.db", "invented", 0o600)
	r.must("apt-get -y install /tmp/bothy/*.deb && ln -s /mnt/north/state /var/lib/bothy")
	if said := r.must("apt-get -y purge bothy"); !strings.Contains(said, "leads elsewhere") || !r.exists("/mnt/north/state/ledger.db") {
		r.t.Errorf("a purge followed a link to a drive:\n%s", said)
	}
	r.must("rm /var/lib/bothy && apt-get -y install /tmp/bothy/*.deb && mkdir /var/lib/bothy && echo mine >/var/lib/bothy/notes.txt")
	if said := r.must("apt-get -y purge bothy"); !strings.Contains(said, "more than the ledger") || !r.exists("/var/lib/bothy/notes.txt") {
		r.t.Errorf("a purge took what was not ours:\n%s", said)
	}
	r.asked()
}

// refusedStart: where the system's own policy forbids to start services, as in
// an image that is being made, nothing is started and nothing fails.
func (r *debianRoot) refusedStart() {
	r.t.Helper()
	r.write("/usr/sbin/policy-rc.d", "#!/bin/sh\nexit 101\n", 0o755)
	r.must("apt-get -y install /tmp/bothy/*.deb")
	r.mustHaveAsked("installation in an image", "daemon-reload")
	if !r.exists(wanted) {
		r.t.Error("the service will not start with the box")
	}
}
