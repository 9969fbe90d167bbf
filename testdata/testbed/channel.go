package testbed

import (
	"bufio"
	"context"
	"errors"
	"fmt"
	"net"
	"os"
	"sync"
	"syscall"

	"bothy/testdata/testbed/wire"
)

// channel is the driver's end of the virtio-serial port, for one boot.
type channel struct {
	conn  net.Conn
	ready chan struct{} // closed when the agent has greeted
	done  chan struct{} // closed when the reader has ended

	writeMu sync.Mutex // a frame is sent whole

	mu      sync.Mutex // guards what follows
	nextID  uint64
	answers map[uint64]chan answer
	greeted bool
	err     error
}

type answer struct {
	wire.Response
	payload []byte
}

func dialChannel(ctx context.Context, path string) (*channel, error) {
	conn, err := dialUnix(ctx, path)
	if err != nil {
		return nil, err
	}
	c := &channel{
		conn: conn, ready: make(chan struct{}), done: make(chan struct{}),
		answers: map[uint64]chan answer{},
	}
	go c.receive()
	return c, nil
}

// dialUnix connects to a socket that QEMU is about to create.
func dialUnix(ctx context.Context, path string) (net.Conn, error) {
	var dialer net.Dialer
	for first := true; ; first = false {
		conn, err := dialer.DialContext(ctx, "unix", path)
		if err == nil {
			return conn, nil
		}
		if !errors.Is(err, os.ErrNotExist) && !errors.Is(err, syscall.ECONNREFUSED) {
			return nil, err
		}
		if pause(ctx, first) != nil {
			return nil, err
		}
	}
}

func (c *channel) receive() {
	defer close(c.done)
	in := bufio.NewReaderSize(c.conn, 256<<10)
	for {
		var a answer
		payload, err := wire.Read(in, &a.Response)
		a.payload = payload
		c.mu.Lock()
		switch waiting, ok := c.answers[a.ID]; {
		case err != nil:
			c.err = fmt.Errorf("agent connection: %w", err)
			for _, waiting := range c.answers {
				close(waiting)
			}
			c.answers = map[uint64]chan answer{}
		case a.ID == 0 && !c.greeted:
			c.greeted = true
			close(c.ready)
		case ok:
			delete(c.answers, a.ID)
			waiting <- a
		}
		c.mu.Unlock()
		if err != nil {
			return
		}
	}
}

// call sends one request and waits for its answer. An error of the agent's
// comes back as an error; that of a command it ran does not.
func (c *channel) call(ctx context.Context, req wire.Request, payload []byte) (answer, error) {
	waiting := make(chan answer, 1)
	c.mu.Lock()
	if c.err != nil {
		c.mu.Unlock()
		return answer{}, c.err
	}
	c.nextID++
	req.ID = c.nextID
	c.answers[req.ID] = waiting
	c.mu.Unlock()
	defer func() {
		c.mu.Lock()
		delete(c.answers, req.ID)
		c.mu.Unlock()
	}()

	if err := c.send(ctx, req, payload); err != nil {
		return answer{}, err
	}
	select {
	case <-ctx.Done():
		return answer{}, fmt.Errorf("wait for the agent's answer to %s: %w", req.Op, ctx.Err())
	case a, ok := <-waiting:
		if !ok {
			return answer{}, fmt.Errorf("wait for the agent's answer to %s: connection ended", req.Op)
		}
		if a.Error != "" {
			return a, fmt.Errorf("agent: %s %s%s: %s", req.Op, req.Path, req.URL, a.Error)
		}
		return a, nil
	}
}

// send gives up at the deadline of ctx. A frame cut short there ruins the
// stream: a guest that has stopped reading is of no further use anyway.
func (c *channel) send(ctx context.Context, req wire.Request, payload []byte) error {
	c.writeMu.Lock()
	defer c.writeMu.Unlock()
	deadline, _ := ctx.Deadline()
	if err := c.conn.SetWriteDeadline(deadline); err != nil {
		return err
	}
	return wire.Write(c.conn, req, payload)
}

func (c *channel) close() {
	c.conn.Close()
	<-c.done
}
