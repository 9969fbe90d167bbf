package testbed

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"net"
	"sync"
)

// qmp speaks QEMU's machine protocol on a unix socket.
type qmp struct {
	conn net.Conn
	enc  *json.Encoder
	done chan struct{} // closed when the reader has ended

	mu      sync.Mutex // guards what follows and writes to enc
	nextID  int
	answers map[int]chan qmpMessage
	events  []qmpEvent
	changed chan struct{} // closed and replaced when an event arrives
	err     error         // why the reader ended
}

type qmpMessage struct {
	ID     int             `json:"id"`
	Return json.RawMessage `json:"return"`
	Error  *struct {
		Class string `json:"class"`
		Desc  string `json:"desc"`
	} `json:"error"`
	qmpEvent
}

type qmpEvent struct {
	Event string         `json:"event"`
	Data  map[string]any `json:"data"`
}

// dialQMP takes the greeting and leaves the negotiation mode.
func dialQMP(ctx context.Context, path string) (*qmp, error) {
	conn, err := dialUnix(ctx, path)
	if err != nil {
		return nil, err
	}
	q := &qmp{
		conn: conn, enc: json.NewEncoder(conn), done: make(chan struct{}),
		answers: map[int]chan qmpMessage{}, changed: make(chan struct{}),
	}
	dec := json.NewDecoder(conn)
	var greeting map[string]any
	if err := dec.Decode(&greeting); err != nil {
		conn.Close()
		return nil, fmt.Errorf("read QMP greeting: %w", err)
	}
	go q.receive(dec)
	if err := q.execute(ctx, "qmp_capabilities", nil, nil); err != nil {
		q.close()
		return nil, err
	}
	return q, nil
}

func (q *qmp) receive(dec *json.Decoder) {
	defer close(q.done)
	for {
		var m qmpMessage
		err := dec.Decode(&m)
		q.mu.Lock()
		switch {
		case err != nil:
			q.err = fmt.Errorf("QMP connection: %w", err)
			for _, answer := range q.answers {
				close(answer)
			}
			q.answers = map[int]chan qmpMessage{}
		case m.Event != "":
			q.events = append(q.events, m.qmpEvent)
			close(q.changed)
			q.changed = make(chan struct{})
		default:
			if answer, ok := q.answers[m.ID]; ok {
				delete(q.answers, m.ID)
				answer <- m
			}
		}
		q.mu.Unlock()
		if err != nil {
			return
		}
	}
}

// execute runs one command and decodes its result into result unless nil.
func (q *qmp) execute(ctx context.Context, name string, args map[string]any, result any) error {
	answer := make(chan qmpMessage, 1)
	q.mu.Lock()
	if q.err != nil {
		q.mu.Unlock()
		return fmt.Errorf("QMP %s: %w", name, q.err)
	}
	q.nextID++
	id := q.nextID
	q.answers[id] = answer
	request := map[string]any{"execute": name, "id": id}
	if args != nil {
		request["arguments"] = args
	}
	err := q.enc.Encode(request)
	q.mu.Unlock()
	if err != nil {
		return fmt.Errorf("QMP %s: %w", name, err)
	}
	select {
	case <-ctx.Done():
		return fmt.Errorf("QMP %s: %w", name, ctx.Err())
	case m, ok := <-answer:
		switch {
		case !ok:
			return fmt.Errorf("QMP %s: %w", name, errors.New("connection ended"))
		case m.Error != nil:
			return fmt.Errorf("QMP %s: %s: %s", name, m.Error.Class, m.Error.Desc)
		case result != nil:
			return json.Unmarshal(m.Return, result)
		}
		return nil
	}
}

// mark remembers a place in the event stream for await.
func (q *qmp) mark() int {
	q.mu.Lock()
	defer q.mu.Unlock()
	return len(q.events)
}

// await waits for an event after mark for which accept says yes.
func (q *qmp) await(ctx context.Context, mark int, accept func(qmpEvent) bool) error {
	for {
		q.mu.Lock()
		events, changed := q.events[mark:], q.changed
		q.mu.Unlock()
		for _, e := range events {
			if accept(e) {
				return nil
			}
		}
		mark += len(events)
		select {
		case <-changed:
		case <-q.done:
			return errors.New("wait for QMP event: connection ended")
		case <-ctx.Done():
			return fmt.Errorf("wait for QMP event: %w", ctx.Err())
		}
	}
}

// close ends the connection and waits for the reader.
func (q *qmp) close() {
	q.conn.Close()
	<-q.done
}
