package deploy

import (
	"bytes"
	"compress/gzip"
	"crypto/sha256"
	"debug/buildinfo"
	"debug/elf"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"sync"
	"testing"

	gocmp "github.com/google/go-cmp/cmp"

	"bothy/testdata/judges"
)

// largestProgram is what the program may take on a small board's disk.
const largestProgram = 25_000_000

// machines are the architectures there is a package for.
var machines = map[string]elf.Machine{"amd64": elf.EM_X86_64, "arm64": elf.EM_AARCH64}

// built is where the packages of this test run lie. They are built once.
var built = sync.OnceValues(func() (string, error) {
	dir, err := os.MkdirTemp("", "bothy-packages-")
	if err != nil {
		return "", err
	}
	if out, err := exec.Command("./package", dir).CombinedOutput(); err != nil {
		return dir, fmt.Errorf("build the packages: %w\n%s", err, out)
	}
	return dir, nil
})

var usesBuilt sync.Once

func TestMain(m *testing.M) {
	code := m.Run()
	unused := false
	usesBuilt.Do(func() { unused = true })
	if !unused {
		if dir, _ := built(); dir != "" {
			os.RemoveAll(dir)
		}
	}
	os.Exit(code)
}

// debOf returns the package for one architecture.
func debOf(t *testing.T, arch string) string {
	t.Helper()
	judges.Need(t, "dpkg-deb")
	usesBuilt.Do(func() {})
	dir, err := built()
	if err != nil {
		t.Fatal(err)
	}
	return filepath.Join(dir, "bothy_"+packageVersion(t)+"_"+arch+".deb")
}

// packageVersion is the one that the newest entry of the changelog names.
func packageVersion(t *testing.T) string {
	t.Helper()
	text, err := os.ReadFile("debian/changelog")
	if err != nil {
		t.Fatal(err)
	}
	m := regexp.MustCompile(`^bothy \(([0-9][0-9.~]*)\) `).FindSubmatch(text)
	if m == nil {
		t.Fatalf("the changelog begins with no version:\n%.200s", text)
	}
	return string(m[1])
}

// say runs an independent program and returns what it prints.
func say(t *testing.T, name string, args ...string) string {
	t.Helper()
	out, err := exec.Command(judges.Need(t, name), args...).CombinedOutput()
	if err != nil {
		t.Fatalf("%s %s: %v\n%s", name, strings.Join(args, " "), err, out)
	}
	return string(out)
}

// Every file of the package, with mode and owner; folders are those of the files.
const packageContents = `
-rw-r--r-- root/root /etc/bothy/policy.toml
-rwxr-xr-x root/root /usr/bin/bothy
-rw-r--r-- root/root /usr/lib/modules-load.d/bothy.conf
-rw-r--r-- root/root /usr/lib/systemd/catalog/bothy.catalog
-rw-r--r-- root/root /usr/lib/systemd/system/bothy.service
-rw-r--r-- root/root /usr/lib/systemd/system/bothy.socket
-rw-r--r-- root/root /usr/lib/sysusers.d/bothy.conf
-rw-r--r-- root/root /usr/lib/udev/rules.d/70-bothy.rules
-rw-r--r-- root/root /usr/share/bash-completion/completions/bothy
-rw-r--r-- root/root /usr/share/doc/bothy/changelog.gz
-rw-r--r-- root/root /usr/share/doc/bothy/copyright
-rw-r--r-- root/root /usr/share/doc/bothy/examples/policy.toml
-rw-r--r-- root/root /usr/share/fish/vendor_completions.d/bothy.fish
-rw-r--r-- root/root /usr/share/lintian/overrides/bothy
-rw-r--r-- root/root /usr/share/man/man1/bothy.1.gz
-rw-r--r-- root/root /usr/share/man/man5/bothy-policy.5.gz
-rw-r--r-- root/root /usr/share/man/man7/bothy-conditions.7.gz
-rw-r--r-- root/root /usr/share/man/man7/bothy-risks.7.gz
-rw-r--r-- root/root /usr/share/zsh/vendor-completions/_bothy
`

func TestPackage_contents(t *testing.T) {
	t.Parallel()
	for arch, machine := range machines {
		t.Run(arch, func(t *testing.T) {
			t.Parallel()
			deb := debOf(t, arch)
			var files []string
			for line := range strings.Lines(say(t, "dpkg-deb", "--contents", deb)) {
				f := strings.Fields(line)
				switch {
				case len(f) != 6:
					t.Errorf("not a plain file or folder: %s", line)
				case strings.HasPrefix(f[0], "d"):
					if f[0] != "drwxr-xr-x" || f[1] != "root/root" {
						t.Errorf("folder with other rights: %s", line)
					}
				default:
					files = append(files, f[0]+" "+f[1]+" "+strings.TrimPrefix(f[5], "."))
				}
			}
			slices.SortFunc(files, func(a, b string) int { return strings.Compare(a[11:], b[11:]) })
			if diff := gocmp.Diff(strings.TrimSpace(packageContents), strings.Join(files, "\n")); diff != "" {
				t.Errorf("contents (-want +got):\n%s", diff)
			}
			for field, want := range map[string]string{
				"Architecture": arch, "Version": packageVersion(t), "Depends": "systemd, udev", "Recommends": "smartmontools",
			} {
				if got := strings.TrimSpace(say(t, "dpkg-deb", "--field", deb, field)); got != want {
					t.Errorf("%s: %q, want %q", field, got, want)
				}
			}
			if got := say(t, "dpkg-deb", "--info", deb, "conffiles"); got != "/etc/bothy/policy.toml\n" {
				t.Errorf("files that an upgrade asks about before it changes them: %q", got)
			}
			root := unpacked(t, deb)
			checkProgram(t, filepath.Join(root, "usr/bin/bothy"), machine)
			for name, from := range map[string]string{
				"usr/lib/systemd/system/bothy.service": "bothy.service", "usr/lib/systemd/system/bothy.socket": "bothy.socket",
				"usr/lib/systemd/catalog/bothy.catalog": "bothy.catalog", "usr/lib/udev/rules.d/70-bothy.rules": "70-bothy.rules",
				"usr/lib/sysusers.d/bothy.conf": "bothy.sysusers.conf", "usr/lib/modules-load.d/bothy.conf": "bothy.modules-load.conf",
				"etc/bothy/policy.toml": "debian/policy.toml", "usr/share/doc/bothy/examples/policy.toml": "policy.toml",
			} {
				if !bytes.Equal(contentOf(t, filepath.Join(root, name)), contentOf(t, from)) {
					t.Errorf("%s is not deploy/%s", name, from)
				}
			}
		})
	}
}

func unpacked(t *testing.T, deb string) string {
	t.Helper()
	root := t.TempDir()
	say(t, "dpkg-deb", "--extract", deb, root)
	return root
}

func contentOf(t *testing.T, path string) []byte {
	t.Helper()
	data, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	return data
}

// checkProgram looks at the program as a loader and a debugger would: for which
// machine it is, that it asks for no library, that nothing superfluous is in it,
// and that everything that is in it has its licence in the package.
func checkProgram(t *testing.T, path string, machine elf.Machine) {
	t.Helper()
	f, err := elf.Open(path)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	if f.Machine != machine {
		t.Errorf("the program is for %s, want %s", f.Machine, machine)
	}
	for _, p := range f.Progs {
		if p.Type == elf.PT_INTERP || p.Type == elf.PT_DYNAMIC {
			t.Errorf("the program asks for libraries: it has a %s", p.Type)
		}
	}
	if f.Section(".symtab") != nil || f.Section(".debug_info") != nil || f.Section(".zdebug_info") != nil {
		t.Error("the program has symbols or debugging data in it")
	}
	info, err := os.Stat(path)
	if err != nil {
		t.Fatal(err)
	}
	if info.Size() > largestProgram {
		t.Errorf("the program has %d bytes, more than %d", info.Size(), largestProgram)
	}
	t.Logf("the program has %d bytes", info.Size())
	build, err := buildinfo.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	copyright := string(contentOf(t, copyrightFile))
	if len(build.Deps) == 0 {
		t.Error("the program names no libraries")
	}
	for _, dep := range build.Deps {
		if !strings.Contains(copyright, "\nFiles: "+dep.Path+"/*\n") {
			t.Errorf("%s is linked in, and its licence is not in the package", dep.Path)
		}
	}
}

// One place says the version: the changelog. The program of this machine's own
// architecture says it too.
func TestPackage_version(t *testing.T) {
	t.Parallel()
	deb := debOf(t, "amd64")
	if arch := strings.TrimSpace(say(t, "dpkg", "--print-architecture")); arch != "amd64" {
		t.Skipf("left out: this machine is %s and cannot run the program for amd64", arch)
	}
	root := unpacked(t, deb)
	if got, want := say(t, filepath.Join(root, "usr/bin/bothy"), "--version"), "bothy "+packageVersion(t)+"\n"; got != want {
		t.Errorf("--version says %q, want %q", got, want)
	}
}

// lintian knows Debian's rules for packages; each of its errors, warnings and
// pedantic remarks is mended, or overridden with a reason in
// deploy/debian/lintian-overrides. What it calls information takes names of Go
// in the program for words that are spelled wrong.
func TestPackage_lintian(t *testing.T) {
	t.Parallel()
	judges.Need(t, "lintian")
	for arch := range machines {
		t.Run(arch, func(t *testing.T) {
			t.Parallel()
			out, err := exec.Command("lintian", "--allow-root", "--pedantic", "--fail-on", "error,warning,pedantic", debOf(t, arch)).CombinedOutput()
			if err != nil || regexp.MustCompile(`(?m)^[EWP]: `).Match(out) {
				t.Errorf("lintian: %v\n%s", err, out)
			}
		})
	}
}

func TestPackage_manPages(t *testing.T) {
	t.Parallel()
	judges.Need(t, "man")
	root := unpacked(t, debOf(t, "amd64"))
	for page, title := range map[string]string{"man1/bothy.1.gz": "BOTHY(1)", "man5/bothy-policy.5.gz": "BOTHY-POLICY(5)", "man7/bothy-conditions.7.gz": "BOTHY-CONDITIONS(7)", "man7/bothy-risks.7.gz": "BOTHY-RISKS(7)"} {
		file := filepath.Join(root, "usr/share/man", page)
		cmd := exec.Command("man", "--warnings", "-l", file)
		cmd.Env = append(os.Environ(), "LC_ALL=C.UTF-8", "MANPAGER=cat", "PAGER=cat", "MANWIDTH=100")
		var said, complaints bytes.Buffer
		cmd.Stdout, cmd.Stderr = &said, &complaints
		if err := cmd.Run(); err != nil || complaints.Len() > 0 || !strings.Contains(said.String(), title) {
			t.Errorf("man -l %s: %v\n%s\n%.300s", page, err, &complaints, &said)
		}
	}
	packed := contentOf(t, filepath.Join(root, "usr/share/man/man1/bothy.1.gz"))
	r, err := gzip.NewReader(bytes.NewReader(packed))
	if err != nil {
		t.Fatal(err)
	}
	// RFC 1952: XFL 2 is the slowest, best compression; no name, no time.
	if packed[8] != 2 || r.Name != "" || !r.ModTime.IsZero() {
		t.Errorf("the page is not packed with gzip -9n: %x", packed[:10])
	}
}

// Each shell reads its own completion without running it, and, where the shell
// can be asked, completes a command with it.
func TestPackage_completions(t *testing.T) {
	t.Parallel()
	root := unpacked(t, debOf(t, "amd64"))
	for shell, file := range map[string]string{
		"bash": "usr/share/bash-completion/completions/bothy",
		"zsh":  "usr/share/zsh/vendor-completions/_bothy",
		"fish": "usr/share/fish/vendor_completions.d/bothy.fish",
	} {
		t.Run(shell, func(t *testing.T) {
			t.Parallel()
			path := filepath.Join(root, file)
			say(t, shell, "-n", path)
			if !bytes.Contains(contentOf(t, path), []byte("bothy")) {
				t.Errorf("%s completes nothing", file)
			}
		})
	}
}

// The same source gives the same bytes: built again elsewhere, in a copy of the
// source, with other rights, zone, language, and rights of the files.
func TestPackage_reproducible(t *testing.T) {
	t.Parallel()
	first := debOf(t, "amd64")
	copied := filepath.Join(t.TempDir(), "elsewhere")
	say(t, "cp", "-R", "--no-preserve=all", "..", copied)
	if err := os.Chmod(filepath.Join(copied, "deploy/package"), 0o700); err != nil {
		t.Fatal(err)
	}
	out := filepath.Join(t.TempDir(), "out")
	cmd := exec.Command("bash", "-c", `umask 077; exec deploy/package "$0" amd64`, out)
	cmd.Dir = copied
	cmd.Env = append(os.Environ(), "TZ=Atlantic/Faroe", "LANG=C.UTF-8", "HOSTNAME=skerry-2")
	if text, err := cmd.CombinedOutput(); err != nil {
		t.Fatalf("build again: %v\n%s", err, text)
	}
	again := filepath.Join(out, filepath.Base(first))
	if a, b := sha256.Sum256(contentOf(t, first)), sha256.Sum256(contentOf(t, again)); a != b {
		t.Errorf("two builds differ: %x, %x", a, b)
	}
}

// The command says what it wants before it builds anything.
func TestPackage_usage(t *testing.T) {
	t.Parallel()
	dir := t.TempDir()
	for _, args := range [][]string{{}, {"--help"}, {dir, "amd64", "vax"}} {
		out, err := exec.Command("./package", args...).CombinedOutput()
		if exit, ok := err.(*exec.ExitError); !ok || exit.ExitCode() != 2 {
			t.Errorf("deploy/package %q: %v\n%s", args, err, out)
		}
	}
	if entries, err := os.ReadDir(dir); err != nil || len(entries) > 0 {
		t.Errorf("something was built: %v, %v", entries, err)
	}
}
