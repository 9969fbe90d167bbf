package status

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"net"
	"net/http"
	"sync"
	"time"
)

// Limits of both servers.
const (
	headerTimeout  = 5 * time.Second
	readTimeout    = 15 * time.Second
	writeTimeout   = 30 * time.Second
	idleTimeout    = 60 * time.Second
	maxHeaderBytes = 16 << 10
	shutdownTime   = 3 * time.Second // for answers under way when the daemon stops
)

// Run serves the read-only windows until ctx ends, and returns nil then. An
// address that cannot be opened, or a listener that breaks, is an error.
func Run(ctx context.Context, c Config) error {
	c = c.withDefaults()
	l := c.Listener
	if l == nil {
		var lc net.ListenConfig
		var err error
		if l, err = lc.Listen(ctx, "tcp", c.Address); err != nil {
			return fmt.Errorf("open status address: %w", err)
		}
	}
	srv := &http.Server{Handler: newHandler(c, nil), WriteTimeout: writeTimeout}
	return serve(ctx, srv, limit(l, c.MaxConnections), c.Log)
}

// serve runs srv on l until ctx ends; every goroutine it started has ended when
// it returns, but for handlers that ignore their context.
func serve(ctx context.Context, srv *http.Server, l net.Listener, log *slog.Logger) error {
	srv.ReadHeaderTimeout = headerTimeout
	srv.ReadTimeout = readTimeout
	srv.IdleTimeout = idleTimeout
	srv.MaxHeaderBytes = maxHeaderBytes
	srv.BaseContext = func(net.Listener) context.Context { return ctx }
	srv.ErrorLog = slog.NewLogLogger(log.Handler(), slog.LevelDebug)
	ended := make(chan error, 1)
	go func() { ended <- srv.Serve(l) }()
	select {
	case err := <-ended:
		return fmt.Errorf("serve %s: %w", l.Addr(), err)
	case <-ctx.Done():
	}
	last, cancel := context.WithTimeout(context.WithoutCancel(ctx), shutdownTime)
	defer cancel()
	err := srv.Shutdown(last)
	if err != nil { // somebody does not read: cut them off
		err = srv.Close()
	}
	if served := <-ended; !errors.Is(served, http.ErrServerClosed) {
		err = errors.Join(err, served)
	}
	if err != nil && !errors.Is(err, net.ErrClosed) {
		return fmt.Errorf("close %s: %w", l.Addr(), err)
	}
	return nil
}

// limited is a listener with a bounded number of open connections; further ones
// wait in the kernel's queue.
type limited struct {
	net.Listener
	slots  chan struct{}
	closed chan struct{}
	once   sync.Once
}

func limit(l net.Listener, n int) *limited {
	return &limited{Listener: l, slots: make(chan struct{}, n), closed: make(chan struct{})}
}

func (l *limited) Accept() (net.Conn, error) {
	select {
	case l.slots <- struct{}{}:
	case <-l.closed:
		return nil, net.ErrClosed
	}
	c, err := l.Listener.Accept()
	if err != nil {
		<-l.slots
		return nil, err
	}
	return &limitedConn{Conn: c, release: func() { <-l.slots }}, nil
}

func (l *limited) Close() error {
	l.once.Do(func() { close(l.closed) })
	return l.Listener.Close()
}

// limitedConn gives its slot back when it is closed.
type limitedConn struct {
	net.Conn
	once    sync.Once
	release func()
}

func (c *limitedConn) Close() error {
	err := c.Conn.Close()
	c.once.Do(c.release)
	return err
}
