package testbed

import (
	"context"
	"crypto/sha256"
	_ "embed"
	"encoding/hex"
	"errors"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"sync"
	"time"

	"golang.org/x/sys/unix"
)

//go:embed guest/build.sh
var buildScript []byte

// base is what guests boot from; its files are never written after the build.
type base struct {
	kernel, initrd, root string
}

// cacheDir holds built guests and agents between runs: $XDG_CACHE_HOME, or
// ~/.cache, plus bothy-testbed. Deleting it costs time and nothing else.
func cacheDir() (string, error) {
	dir, err := os.UserCacheDir()
	if err != nil {
		return "", fmt.Errorf("find the cache folder: %w", err)
	}
	dir = filepath.Join(dir, "bothy-testbed")
	return dir, os.MkdirAll(dir, 0o755)
}

// prepareOnce, by Options.Arch, spares the second guest of a test binary the look at
// the cache.
var prepareOnce = func() map[string]func() (base, error) {
	each := map[string]func() (base, error){}
	for name, arch := range architectures {
		each[name] = sync.OnceValues(func() (base, error) {
			ctx, cancel := context.WithTimeout(context.Background(), buildLimit)
			defer cancel()
			return prepare(ctx, arch)
		})
	}
	return each
}()

// buildLimit bounds a build, or the wait for another process's. That for another
// architecture is emulated, which is four times the work.
const buildLimit = 45 * time.Minute

// prepare returns the base, building it when the recipe has changed or the
// cache is empty. The build needs root and a Debian 12 apt configuration; a
// base that is already there needs neither.
func prepare(ctx context.Context, arch architecture) (base, error) {
	cache, err := cacheDir()
	if err != nil {
		return base{}, err
	}
	sum := sha256.Sum256(buildScript)
	dir := filepath.Join(cache, "guest-"+arch.debian+"-"+hex.EncodeToString(sum[:8]))
	err = buildOnce(ctx, dir, func(tmp string) error {
		if os.Geteuid() != 0 {
			return errors.New("build guest: needs root (run the tests as root once)")
		}
		fmt.Fprintln(os.Stderr, "testbed: building the guest for", arch.debian+", some minutes; later runs find it in", dir)
		script := filepath.Join(tmp, "build.sh")
		if err := os.WriteFile(script, buildScript, 0o755); err != nil {
			return err
		}
		return command(ctx, script, append([]string{tmp, arch.debian}, arch.kernels...)...)
	})
	if err != nil {
		return base{}, err
	}
	initrd, err := buildInitrd(ctx, arch, cache, filepath.Join(dir, "modules-"+arch.kernel))
	if err != nil {
		return base{}, err
	}
	return base{
		kernel: filepath.Join(dir, "vmlinuz-"+arch.kernel),
		initrd: initrd,
		root:   filepath.Join(dir, "root.ext4"),
	}, nil
}

// keepUnused is how long what no run has asked for stays in the cache.
const keepUnused = 14 * 24 * time.Hour

// tidy removes what has long been of no use, best effort: a leftover costs
// space only. What is in use has been touched by its user.
func tidy(cache, used string) {
	now := time.Now()
	_ = os.Chtimes(used, now, now)
	entries, _ := os.ReadDir(cache)
	for _, e := range entries {
		if info, err := e.Info(); err == nil && !strings.HasSuffix(e.Name(), ".lock") && now.Sub(info.ModTime()) > keepUnused {
			_ = os.RemoveAll(filepath.Join(cache, e.Name()))
		}
	}
}

// buildOnce makes dir by calling build on a temporary folder beside it and
// renaming that into place. Of several processes one builds, the others wait.
func buildOnce(ctx context.Context, dir string, build func(tmp string) error) error {
	if _, err := os.Stat(dir); err == nil {
		tidy(filepath.Dir(dir), dir)
		return nil
	}
	lock, err := lockFile(ctx, dir+".lock")
	if err != nil {
		return err
	}
	defer lock.Close()
	if _, err := os.Stat(dir); err == nil {
		return nil
	}
	tmp, err := os.MkdirTemp(filepath.Dir(dir), filepath.Base(dir)+".tmp-")
	if err != nil {
		return err
	}
	defer os.RemoveAll(tmp)
	if err := os.Chmod(tmp, 0o755); err != nil {
		return err
	}
	if err := build(tmp); err != nil {
		return err
	}
	return os.Rename(tmp, dir)
}

// lockFile takes an exclusive lock that ends with the file or the process.
func lockFile(ctx context.Context, path string) (*os.File, error) {
	for first := true; ; first = false {
		f, err := tryLock(path)
		if f != nil || err != nil {
			return f, err
		}
		if err := pause(ctx, first); err != nil {
			return nil, fmt.Errorf("wait for lock %s: %w", path, err)
		}
	}
}

// tryLock returns nil without an error when somebody else holds the lock.
func tryLock(path string) (*os.File, error) {
	f, err := os.OpenFile(path, os.O_RDWR|os.O_CREATE, 0o644)
	if err != nil {
		return nil, err
	}
	err = unix.Flock(int(f.Fd()), unix.LOCK_EX|unix.LOCK_NB)
	if err == nil {
		return f, nil
	}
	f.Close()
	if errors.Is(err, unix.EWOULDBLOCK) {
		return nil, nil
	}
	return nil, fmt.Errorf("lock %s: %w", path, err)
}

// pause is one step of polling something outside this process.
func pause(ctx context.Context, first bool) error {
	step := 100 * time.Millisecond
	if first {
		step = 10 * time.Millisecond
	}
	timer := time.NewTimer(step)
	defer timer.Stop()
	select {
	case <-ctx.Done():
		return ctx.Err()
	case <-timer.C:
		return nil
	}
}

// command runs an outside program and returns its output inside the error.
func command(ctx context.Context, name string, args ...string) error {
	_, err := output(ctx, name, args...)
	return err
}

func output(ctx context.Context, name string, args ...string) ([]byte, error) {
	cmd := exec.CommandContext(ctx, name, args...)
	cmd.Env = append(os.Environ(), "LC_ALL=C.UTF-8", "TZ=UTC")
	var stdout, stderr strings.Builder
	cmd.Stdout, cmd.Stderr = &stdout, &stderr
	if err := cmd.Run(); err != nil {
		return nil, fmt.Errorf("%s %s: %w\n%s%s", name, strings.Join(args, " "), err, stdout.String(), stderr.String())
	}
	return []byte(stdout.String()), nil
}

// moduleDir is the root of this repository, found once.
var moduleDir = sync.OnceValues(func() (string, error) {
	text, err := output(context.Background(), "go", "list", "-m", "-f", "{{.Dir}}")
	return strings.TrimSpace(string(text)), err
})

// goBuild runs "go build" or "go test -c" for a guest: static, and from the
// root of the repository, whatever the working directory is.
func goBuild(ctx context.Context, arch architecture, args ...string) error {
	dir, err := moduleDir()
	if err != nil {
		return err
	}
	cmd := exec.CommandContext(ctx, "go", args...)
	cmd.Dir = dir
	cmd.Env = append(append(os.Environ(), "CGO_ENABLED=0", "GOOS=linux"), arch.goEnv...)
	if text, err := cmd.CombinedOutput(); err != nil {
		return fmt.Errorf("go %s: %w\n%s", strings.Join(args, " "), err, text)
	}
	return nil
}
