package status

import (
	"context"
	"errors"
	"fmt"
	"net"
	"net/http"
	"slices"
	"unsafe"

	"golang.org/x/sys/unix"
)

// peer is who the kernel says is at the other end of a unix socket, as of the
// moment it connected.
type peer struct {
	uid    uint32
	groups []uint32 // primary first
}

// mayAct says whether p is served: root, the daemon's own user, or a member of
// the group gid (-1: there is none).
func (p peer) mayAct(self uint32, gid int) bool {
	if p.uid == 0 || p.uid == self {
		return true
	}
	return gid >= 0 && slices.Contains(p.groups, uint32(gid))
}

type peerKey struct{}

// withPeer notes who connected; nothing is noted when that cannot be learnt.
func withPeer(ctx context.Context, c net.Conn) context.Context {
	if l, ok := c.(*limitedConn); ok {
		c = l.Conn
	}
	u, ok := c.(*net.UnixConn)
	if !ok {
		return ctx
	}
	p, err := peerOf(u)
	if err != nil {
		return ctx
	}
	return context.WithValue(ctx, peerKey{}, p)
}

// checkPeer refuses everyone who may not act, and whoever is unknown.
func checkPeer(next http.Handler, self uint32, gid int) http.Handler {
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		p, ok := r.Context().Value(peerKey{}).(peer)
		if !ok || !p.mayAct(self, gid) {
			sendProblem(w, r, http.StatusForbidden, "only root and the socket's group may use it")
			return
		}
		next.ServeHTTP(w, r)
	})
}

func peerOf(c *net.UnixConn) (peer, error) {
	raw, err := c.SyscallConn()
	if err != nil {
		return peer{}, fmt.Errorf("ask for peer: %w", err)
	}
	var p peer
	var failed error
	err = raw.Control(func(fd uintptr) {
		cred, err := unix.GetsockoptUcred(int(fd), unix.SOL_SOCKET, unix.SO_PEERCRED)
		if err != nil {
			failed = err
			return
		}
		p = peer{uid: cred.Uid, groups: []uint32{cred.Gid}}
		more, err := peerGroups(int(fd))
		if err != nil && !errors.Is(err, unix.ENOPROTOOPT) { // older than Linux 4.13
			failed = err
			return
		}
		p.groups = append(p.groups, more...)
	})
	if err := errors.Join(err, failed); err != nil {
		return peer{}, fmt.Errorf("ask for peer: %w", err)
	}
	return p, nil
}

// peerGroups asks for the supplementary groups, which SO_PEERCRED leaves out.
// Linux allows 65536 of them; x/sys has no call for this option.
func peerGroups(fd int) ([]uint32, error) {
	groups := make([]uint32, 64)
	for {
		size := uint32(len(groups) * 4)
		_, _, errno := unix.Syscall6(unix.SYS_GETSOCKOPT, uintptr(fd), unix.SOL_SOCKET, unix.SO_PEERGROUPS,
			uintptr(unsafe.Pointer(&groups[0])), uintptr(unsafe.Pointer(&size)), 0)
		switch {
		case errno == 0:
			return groups[:size/4], nil
		case errno == unix.ERANGE && int(size/4) > len(groups) && size/4 <= 65536:
			groups = make([]uint32, size/4)
		default:
			return nil, errno
		}
	}
}
