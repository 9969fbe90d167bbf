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

	"github.com/prometheus/exporter-toolkit/web"
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
//
// A web file is in the format of Prometheus' exporter-toolkit: certificates, and
// passwords as bcrypt hashes. Nothing is served without what it asks for: one that
// is missing or wrong, or asks for nothing, is an error, and one that becomes so later,
// or asks for less than it did, has every request refused. A change of its certificates
// and passwords holds for the next request.
func Run(ctx context.Context, c Config) error {
	c = c.withDefaults()
	l := c.Listener
	h := http.Handler(newHandler(c, nil))
	if c.WebConfig != "" {
		asks, err := readWebFile(c.WebConfig)
		if err != nil {
			if l != nil {
				l.Close() // of a socket that nobody answers clients learn at once
			}
			return fmt.Errorf("read web file %s: %w", c.WebConfig, err)
		}
		h = asks.guard(c.WebConfig, h)
	}
	if l == nil {
		var lc net.ListenConfig
		var err error
		if l, err = lc.Listen(ctx, "tcp", c.Address); err != nil {
			return fmt.Errorf("open status address: %w", err)
		}
	}
	srv := &http.Server{Handler: h, WriteTimeout: writeTimeout}
	return serve(ctx, srv, limit(l, c.MaxConnections), c)
}

// serve runs srv on l until ctx ends; every goroutine it started has ended when
// it returns, but for handlers that ignore their context.
func serve(ctx context.Context, srv *http.Server, l net.Listener, c Config) error {
	srv.ReadHeaderTimeout = headerTimeout
	srv.ReadTimeout = readTimeout
	srv.IdleTimeout = idleTimeout
	srv.MaxHeaderBytes = maxHeaderBytes
	srv.BaseContext = func(net.Listener) context.Context { return ctx }
	srv.ErrorLog = slog.NewLogLogger(c.Log.Handler(), slog.LevelDebug)
	ended := make(chan error, 1)
	go func() { ended <- serveAs(srv, l, c) }()
	c.Opened()
	select {
	case err := <-ended:
		l.Close() // the toolkit leaves it open when it does not come to serving
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

// serveAs serves as the web file says. Without one the toolkit is not asked: it
// would only log so.
func serveAs(srv *http.Server, l net.Listener, c Config) error {
	if c.WebConfig == "" {
		return srv.Serve(l)
	}
	return web.Serve(l, srv, &web.FlagConfig{WebConfigFile: &c.WebConfig}, c.Log)
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
