package status

import (
	"context"
	"errors"
	"fmt"
	"io/fs"
	"net"
	"net/http"
	"os"
	"os/user"
	"path/filepath"
	"strconv"
	"syscall"
	"time"

	"golang.org/x/sys/unix"
)

// ErrInUse says that another daemon holds the control socket.
var ErrInUse = errors.New("the control socket belongs to a running daemon")

// DefaultGroup is the group whose members may use the control socket.
const DefaultGroup = "bothy"

// maxSocketPath is the room for a path in sockaddr_un, less its NUL.
const maxSocketPath = 107

// Control is what the control socket needs. Its Config's Address and Listener
// are not used.
type Control struct {
	Config
	Path    string  // of the socket, at most 107 bytes
	Group   string  // default DefaultGroup; if there is none of that name, only root and the daemon's own user are served
	Actions Actions // required
}

// Serve opens the control socket and answers on it until ctx ends, then removes
// it and returns nil. The socket file of a dead daemon is replaced; for that of a
// live one the error is ErrInUse. Served are root, the daemon's own user and
// members of the group, whatever the file's mode says. PATH.lock stays behind.
func Serve(ctx context.Context, c Control) (err error) {
	c.Config = c.withDefaults()
	c.WebConfig = "" // callers are known by the kernel's word
	if c.Group == "" {
		c.Group = DefaultGroup
	}
	gid := groupID(c.Group)
	if err := socketDir(filepath.Dir(c.Path), gid); err != nil {
		return err
	}
	lock, err := lockSocket(c.Path + ".lock")
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, lock.Close()) }()
	l, err := openSocket(ctx, c.Path, gid)
	if err != nil {
		return err
	}
	srv := &http.Server{
		Handler: newHandler(c.Config, &control{actions: c.Actions}),
		// Long enough for the longest action.
		WriteTimeout: actionTime + writeTimeout,
		ConnContext:  withPeer,
	}
	srv.Handler = checkPeer(srv.Handler, uint32(os.Geteuid()), gid)
	return serve(ctx, srv, limit(l, c.MaxConnections), c.Config)
}

// groupID is -1 when there is no such group.
func groupID(name string) int {
	g, err := user.LookupGroup(name)
	if err != nil {
		return -1
	}
	gid, err := strconv.Atoi(g.Gid)
	if err != nil {
		return -1
	}
	return gid
}

// socketDir makes the socket's folder if there is none; one that is there keeps
// its owner and mode.
func socketDir(dir string, gid int) error {
	if err := os.MkdirAll(filepath.Dir(dir), 0o755); err != nil {
		return fmt.Errorf("make folder of control socket: %w", err)
	}
	err := os.Mkdir(dir, 0o700)
	if errors.Is(err, fs.ErrExist) {
		return nil
	}
	if err != nil {
		return fmt.Errorf("make folder of control socket: %w", err)
	}
	return grant(dir, gid, 0o750, 0o700)
}

// grant opens path to the group, or to the daemon's user alone when there is no
// such group or the daemon may not give the file to it.
func grant(path string, gid int, shared, private fs.FileMode) error {
	mode := private
	if gid >= 0 {
		err := os.Chown(path, -1, gid)
		switch {
		case err == nil:
			mode = shared
		case !errors.Is(err, fs.ErrPermission):
			return fmt.Errorf("give control socket to its group: %w", err)
		}
	}
	if err := os.Chmod(path, mode); err != nil {
		return fmt.Errorf("set mode of control socket: %w", err)
	}
	return nil
}

// lockSocket takes the lock that a running daemon holds; the kernel gives it
// back when its holder dies, however that happens.
func lockSocket(path string) (*os.File, error) {
	f, err := os.OpenFile(path, os.O_RDWR|os.O_CREATE|syscall.O_NOFOLLOW, 0o600)
	if err != nil {
		return nil, fmt.Errorf("open lock of control socket: %w", err)
	}
	if err := unix.Flock(int(f.Fd()), unix.LOCK_EX|unix.LOCK_NB); err != nil {
		_ = f.Close()
		if errors.Is(err, unix.EWOULDBLOCK) {
			return nil, fmt.Errorf("lock %s: %w", path, ErrInUse)
		}
		return nil, fmt.Errorf("lock %s: %w", path, err)
	}
	return f, nil
}

// openSocket replaces a socket nobody answers on. The caller holds the lock.
func openSocket(ctx context.Context, path string, gid int) (net.Listener, error) {
	if len(path) > maxSocketPath {
		return nil, fmt.Errorf("open control socket %s: its path is longer than %d bytes", path, maxSocketPath)
	}
	if err := clearSocket(ctx, path); err != nil {
		return nil, err
	}
	lc := net.ListenConfig{Control: func(_, _ string, raw syscall.RawConn) error {
		// On Linux the file takes its mode from the socket's own, so that it
		// is never open to others, not even between bind and chmod.
		var err error
		if cerr := raw.Control(func(fd uintptr) { err = unix.Fchmod(int(fd), 0o600) }); cerr != nil {
			return cerr
		}
		return err
	}}
	l, err := lc.Listen(ctx, "unix", path)
	if err != nil {
		return nil, fmt.Errorf("open control socket: %w", err)
	}
	if err := grant(path, gid, 0o660, 0o600); err != nil {
		return nil, errors.Join(err, l.Close())
	}
	return l, nil
}

func clearSocket(ctx context.Context, path string) error {
	info, err := os.Lstat(path)
	if errors.Is(err, fs.ErrNotExist) {
		return nil
	}
	if err != nil {
		return fmt.Errorf("look at control socket: %w", err)
	}
	if info.Mode().Type() != fs.ModeSocket {
		return fmt.Errorf("open control socket %s: something that is not a socket stands there", path)
	}
	d := net.Dialer{Timeout: 2 * time.Second}
	conn, err := d.DialContext(ctx, "unix", path)
	if err == nil {
		_ = conn.Close()
		return fmt.Errorf("open control socket %s: %w", path, ErrInUse)
	}
	if !errors.Is(err, syscall.ECONNREFUSED) {
		return fmt.Errorf("try control socket: %w", err)
	}
	if err := os.Remove(path); err != nil {
		return fmt.Errorf("remove dead control socket: %w", err)
	}
	return nil
}
