package told

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"net"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"sync"
	"syscall"
	"testing"
	"time"
)

// patience bounds how long something that must come is waited for. It is no measure
// of anything: it only keeps a broken program from hanging the tests.
const patience = 5 * time.Minute

// world is a root of its own, with the program, a policy, a past, and a card. What is
// below /usr is this machine's; systemctl, sudo and editor are stand-ins.
type world struct {
	t       *testing.T
	dir     string
	holder  *exec.Cmd // keeps the namespace in which everything is mounted
	daemon  *exec.Cmd
	log     *bytes.Buffer
	offload string // the id of the offload of the card SKUA_003
}

// enter lays the root out and stays. Device nodes are copies: what is linked there does not
// come into the /dev of this machine.
const enter = `set -e
r=$1
mount --bind "$r" "$r"
for d in usr sys proc dev; do mkdir -p "$r/$d"; done
mount --bind /usr "$r/usr"
mount -o remount,bind,ro "$r/usr"
mount --rbind /sys "$r/sys"
mount --rbind /proc "$r/proc"
mount -t tmpfs none "$r/dev"
cp -a /dev/null /dev/zero /dev/urandom /dev/random /dev/tty "$2" "$r/dev/"
ln -s "${2#/dev/}" "$r/dev/sdb1"
for d in bin sbin lib lib32 lib64; do
	if [ -L /$d ]; then cp -a /$d "$r/$d"; elif [ -d /$d ]; then mkdir -p "$r/$d"; mount --bind /$d "$r/$d"; fi
done
echo ready
exec cat >/dev/null
`

// standIns are what a booted box has and this root has not. systemctl does what
// ExecReload of deploy/bothy.service does, and knows no other word.
var standIns = map[string]string{
	"sudo":      "#!/bin/sh\nexec \"$@\"\n",
	"systemctl": "#!/bin/sh\n[ \"$*\" = 'reload bothy' ] && exec kill -HUP \"$(cat /run/daemon.pid)\"\necho \"systemctl: $*?\" >&2\nexit 1\n",
	"editor":    "#!/bin/sh\nexec sed -i 's/skerry-2/skerry-1/' \"$1\"\n",
}

// worldPolicy is that of the box. A drive that is away is brought nothing here: what an
// example finds must not depend on what was done meanwhile.
const worldPolicy = `[box]
name = "skerry-2"

[status]
listen = "off"

[patrol]
hours = 0

[[card]]
name = "stills"
label = "SKUA_*"

[[drive]]
name = "one"
path = "/mnt/bay-1"
mirror = "none"
reserve = "1MB"

[[drive]]
name = "two"
path = "/mnt/bay-2"
mirror = "none"
reserve = "1MB"

[[drive]]
name = "editor"
path = "/mnt/editor-1"
role = "shuttle"
reserve = "1MB"

[[drive]]
name = "bay"
label = "SKERRY_C"
enrol = "ask"
mirror = "none"
reserve = "1MB"
`

// ofRun is what all tests share; it goes when they are over.
var ofRun string

func TestMain(m *testing.M) {
	dir, err := os.MkdirTemp("", "bothy-told-")
	if err != nil {
		panic(err)
	}
	ofRun = dir
	code := m.Run()
	os.RemoveAll(dir)
	os.Exit(code)
}

// built is the program, as it is released but for its version.
var built = sync.OnceValues(func() (string, error) {
	program := filepath.Join(ofRun, "bothy")
	build := exec.Command("go", "build", "-trimpath", "-buildvcs=false", "-ldflags=-s -w", "-o", program, "bothy/daemon/bothy")
	build.Env = append(os.Environ(), "CGO_ENABLED=0")
	if out, err := build.CombinedOutput(); err != nil {
		return "", fmt.Errorf("go build: %w\n%s", err, out)
	}
	return program, nil
})

func newWorld(t *testing.T) *world {
	t.Helper()
	w := &world{t: t, dir: filepath.Join(t.TempDir(), "root"), log: &bytes.Buffer{}}
	for _, dir := range []string{"/root/card", "/etc/bothy", "/etc/groff", "/run/udev/data", "/run/bothy", "/tmp", "/var/lib", "/mnt/one", "/mnt/two", "/mnt/usb", "/media/card/DCIM/100SKUAS", "/own"} {
		must(t, os.MkdirAll(w.path(dir), 0o755))
	}
	for name, text := range standIns {
		w.write("/own/"+name, text, 0o755)
	}
	program, err := built()
	must(t, err)
	must(t, os.Link(program, w.path("/own/bothy")))
	for _, name := range []string{"passwd", "nsswitch.conf", "manpath.config", "alternatives", "groff"} {
		if out, err := exec.CommandContext(t.Context(), "cp", "-a", "/etc/"+name, w.path("/etc/")).CombinedOutput(); err != nil && name != "groff" {
			t.Fatalf("cp: %v\n%s", err, out)
		}
	}
	w.write("/etc/group", "root:x:0:\nbothy:x:999:\n", 0o644)
	w.write("/etc/bothy/policy.toml", worldPolicy, 0o644)
	w.write("/root/policy.toml", strings.Replace(worldPolicy, "skerry-2", "skerry-9", 1), 0o644)
	for _, clip := range []string{"/media/card/DCIM/100SKUAS/SKUA0001.MOV", "/root/card/SKUA0002.MOV"} {
		w.write(clip, strings.Repeat("invented clip of a skua\n", 10_000), 0o644)
	}
	sections := map[string]string{".1": "man1", ".5": "man5", ".7": "man7"}
	found, err := filepath.Glob(filepath.Join(root, "deploy/man/*"))
	must(t, err)
	for _, f := range found {
		data, err := os.ReadFile(f)
		must(t, err)
		w.write(filepath.Join("/own/man", sections[filepath.Ext(f)], filepath.Base(f)), string(data), 0o644)
	}
	w.offload = w.invent(w.path("/var/lib/bothy"))
	w.open(w.drive("SKERRY_C"))
	w.start()
	return w
}

func (w *world) path(name string) string { return filepath.Join(w.dir, name) }

func (w *world) write(name, text string, mode os.FileMode) {
	w.t.Helper()
	must(w.t, os.MkdirAll(filepath.Dir(w.path(name)), 0o755))
	must(w.t, os.WriteFile(w.path(name), []byte(text), mode))
}

// drive makes a disk from an image, and tells udev's part of it. It returns the node.
func (w *world) drive(label string) string {
	w.t.Helper()
	image := filepath.Join(w.t.TempDir(), "drive.img")
	must(w.t, os.WriteFile(image, nil, 0o644))
	must(w.t, os.Truncate(image, 64<<20))
	w.say("mke2fs", "-q", "-t", "ext4", "-L", label, image)
	device := w.say("losetup", "--find", "--show", image)
	w.t.Cleanup(func() {
		if out, err := exec.Command("losetup", "--detach", device).CombinedOutput(); err != nil {
			w.t.Errorf("losetup --detach: %v\n%s", err, out)
		}
	})
	w.say("blockdev", "--setrw", device) // somebody before us may have set it read-only
	number, err := os.ReadFile(filepath.Join("/sys/class/block", filepath.Base(device), "dev"))
	must(w.t, err)
	w.write("/run/udev/data/b"+strings.TrimSpace(string(number)),
		"I:1\nE:ID_FS_SIZE=67108864\nE:ID_FS_LABEL="+label+"\nE:ID_FS_TYPE=ext4\nE:ID_FS_USAGE=filesystem\nE:ID_FS_UUID=11223344-5566-7788-99aa-bbccddeeff00\nV:1\n", 0o644)
	return device
}

func (w *world) say(program string, args ...string) string {
	w.t.Helper()
	out, err := exec.CommandContext(w.t.Context(), program, args...).CombinedOutput()
	if err != nil {
		w.t.Fatalf("%s %q: %v\n%s", program, args, err, out)
	}
	return strings.TrimSpace(string(out))
}

// open makes the namespace. It is gone when the holder is.
func (w *world) open(device string) {
	w.t.Helper()
	w.holder = exec.Command("unshare", "--mount", "sh", "-c", enter, "sh", w.dir, device)
	stdin, err := w.holder.StdinPipe()
	must(w.t, err)
	stdout, err := w.holder.StdoutPipe()
	must(w.t, err)
	var errs bytes.Buffer
	w.holder.Stderr = &errs
	must(w.t, w.holder.Start())
	w.t.Cleanup(func() {
		stdin.Close()
		if err := w.holder.Wait(); err != nil {
			w.t.Errorf("the root of its own: %v\n%s", err, errs.String())
		}
	})
	ready := make([]byte, 6)
	if n, err := stdout.Read(ready); err != nil || string(ready[:n]) != "ready\n" {
		w.t.Fatalf("make a root of its own: %q, %v\n%s", ready, err, errs.String())
	}
}

// command is a line of the shell, for somebody who is root and in /root.
func (w *world) command(ctx context.Context, text string, env ...string) *exec.Cmd {
	cmd := exec.CommandContext(ctx, "nsenter", "--target", fmt.Sprint(w.holder.Process.Pid), "--mount",
		"chroot", w.dir, "bash", "-o", "pipefail", "-c", "cd /root && "+text)
	cmd.Env = append([]string{"PATH=/own:/usr/sbin:/usr/bin:/sbin:/bin", "MANPATH=/own/man", "HOME=/root", "LC_ALL=C.UTF-8", "TERM=dumb", "PAGER=cat"}, env...)
	cmd.SysProcAttr = &syscall.SysProcAttr{Pdeathsig: syscall.SIGKILL}
	return cmd
}

// run runs a command to its end.
func (w *world) run(text string) (out string, code int) {
	w.t.Helper()
	ctx, cancel := context.WithTimeout(w.t.Context(), patience)
	defer cancel()
	data, err := w.command(ctx, text).CombinedOutput()
	var exit *exec.ExitError
	if err != nil && !errors.As(err, &exit) || ctx.Err() != nil {
		return string(data) + fmt.Sprint(err), -1
	}
	if exit != nil {
		return string(data), exit.ExitCode()
	}
	return string(data), 0
}

// until runs a daemon's command and returns once the daemon says that it is ready.
func (w *world) until(text string, log *bytes.Buffer, socket string) *exec.Cmd {
	w.t.Helper()
	manager, err := net.ListenUnixgram("unixgram", &net.UnixAddr{Name: w.path(socket), Net: "unixgram"})
	must(w.t, err)
	defer manager.Close()
	cmd := w.command(context.Background(), "exec "+text, "NOTIFY_SOCKET="+socket)
	cmd.Stdout, cmd.Stderr = log, log
	must(w.t, cmd.Start())
	must(w.t, manager.SetReadDeadline(time.Now().Add(patience)))
	message := make([]byte, 64<<10)
	for {
		n, err := manager.Read(message)
		if err != nil {
			cmd.Process.Kill()
			cmd.Wait()
			w.t.Fatalf("%s is not ready: %v\n%s", text, err, log)
		}
		if bytes.Contains(message[:n], []byte("READY=1")) {
			return cmd
		}
	}
}

// start runs the daemon of this box, until it has all its drives.
func (w *world) start() {
	w.t.Helper()
	w.daemon = w.until("bothy run", w.log, "/run/notify")
	w.write("/run/daemon.pid", fmt.Sprint(w.daemon.Process.Pid), 0o644)
	w.t.Cleanup(func() {
		w.daemon.Process.Signal(syscall.SIGTERM)
		w.daemon.Wait()
		if w.t.Failed() {
			w.t.Logf("the daemon's log:\n%s", w.log)
		}
	})
	known := w.command(w.t.Context(), "exec bothy status --follow --json")
	stdout, err := known.StdoutPipe()
	must(w.t, err)
	must(w.t, known.Start())
	defer known.Wait()
	defer known.Process.Kill()
	lines := json.NewDecoder(stdout)
	for {
		var now struct {
			Drives     []struct{ Name string }
			Conditions []struct{ Code string }
		}
		if err := lines.Decode(&now); err != nil {
			w.t.Fatalf("the box does not come to know its drives: %v", err)
		}
		told := fmt.Sprint(now)
		if strings.Contains(told, "bay-1") && strings.Contains(told, "bay-2") && strings.Contains(told, "editor-1") && strings.Contains(told, "drive-not-enrolled") {
			return
		}
	}
}
