package status

import (
	"bufio"
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"net"
	"net/http"
	"net/url"
	"strings"
	"syscall"
	"time"

	"bothy/daemon/report"
)

// ErrNotRunning says that no daemon answers on the control socket.
var ErrNotRunning = errors.New("no daemon answers on the control socket")

// ErrEnded says that the daemon ended the stream of events, by stopping.
var ErrEnded = errors.New("the daemon ended the stream")

// Bounds on what the client takes from the daemon.
const (
	maxAnswer = 64 << 20 // bytes of one document
	maxEvent  = 64 << 10 // bytes of one line of an event
)

// Client talks to the daemon over its control socket. It is safe for concurrent
// use. A refusal of the daemon is a *Problem.
type Client struct{ http *http.Client }

// Dial makes sure that a daemon answers at path. The errors are ErrNotRunning,
// fs.ErrPermission, or what else connecting met.
func Dial(path string) (*Client, error) {
	var d net.Dialer
	d.Timeout = 5 * time.Second
	dial := func(ctx context.Context) (net.Conn, error) { return d.DialContext(ctx, "unix", path) }
	conn, err := dial(context.Background())
	if errors.Is(err, fs.ErrNotExist) || errors.Is(err, syscall.ECONNREFUSED) {
		return nil, fmt.Errorf("open %s: %w", path, ErrNotRunning)
	}
	if err != nil {
		return nil, fmt.Errorf("open control socket: %w", err)
	}
	if err := conn.Close(); err != nil {
		return nil, fmt.Errorf("try control socket: %w", err)
	}
	return &Client{&http.Client{Transport: &http.Transport{
		DialContext:        func(ctx context.Context, _, _ string) (net.Conn, error) { return dial(ctx) },
		DisableCompression: true,
		MaxIdleConns:       2,
		IdleConnTimeout:    30 * time.Second,
	}}}, nil
}

// Close ends idle connections.
func (c *Client) Close() { c.http.CloseIdleConnections() }

// Status returns the newest status.
func (c *Client) Status(ctx context.Context) (*Document, error) {
	var d Document
	if err := c.call(ctx, http.MethodGet, "/v1/status", nil, &d); err != nil {
		return nil, fmt.Errorf("ask for status: %w", err)
	}
	return &d, nil
}

// Follow calls show with the newest status, and again whenever there is a newer
// one, until show fails, ctx ends, or the daemon goes (ErrEnded).
func (c *Client) Follow(ctx context.Context, show func(*Document) error) error {
	resp, err := c.do(ctx, http.MethodGet, "/v1/events", nil)
	if err != nil {
		return fmt.Errorf("follow status: %w", err)
	}
	defer resp.Body.Close()
	if resp.StatusCode != http.StatusOK {
		_, err := answer(resp)
		return fmt.Errorf("follow status: %w", err)
	}
	lines := bufio.NewScanner(resp.Body)
	lines.Buffer(nil, maxEvent)
	for lines.Scan() {
		if !strings.HasPrefix(lines.Text(), "data:") {
			continue
		}
		d, err := c.Status(ctx)
		if err != nil {
			return following(ctx, err)
		}
		if err := show(d); err != nil {
			return err
		}
	}
	if ctx.Err() != nil {
		return ctx.Err()
	}
	if err := lines.Err(); err != nil {
		return fmt.Errorf("follow status: %w: %w", ErrEnded, err)
	}
	return fmt.Errorf("follow status: %w", ErrEnded)
}

// following judges a question that went wrong while a daemon was followed: one
// that does not answer any more is ending, whatever the socket says of it.
func following(ctx context.Context, err error) error {
	var problem *Problem
	if ctx.Err() != nil || errors.As(err, &problem) {
		return err
	}
	return fmt.Errorf("follow status: %w: %w", ErrEnded, err)
}

// Report writes the report of a day to w. On an error w may have got a part.
func (c *Client) Report(ctx context.Context, w io.Writer, day string, format report.Format) error {
	resp, err := c.do(ctx, http.MethodGet, reportsPrefix+url.PathEscape(day)+"."+string(format), nil)
	if err != nil {
		return fmt.Errorf("ask for the report: %w", err)
	}
	defer resp.Body.Close()
	if resp.StatusCode != http.StatusOK {
		_, err := answer(resp)
		return fmt.Errorf("ask for the report: %w", err)
	}
	if _, err := io.Copy(w, resp.Body); err != nil {
		return fmt.Errorf("take the report: %w", err)
	}
	return nil
}

// Enrol gives the drive at target an identity; name may be empty.
func (c *Client) Enrol(ctx context.Context, target, name string) (driveID string, err error) {
	request := struct {
		Device string `json:"device"`
		Name   string `json:"name"`
	}{target, name}
	var done enrolled
	if err := c.call(ctx, http.MethodPost, "/v1/enrol", request, &done); err != nil {
		return "", fmt.Errorf("enrol %s: %w", target, err)
	}
	return done.DriveID, nil
}

// Recover takes over what a drive tells of offloads that the box did not make.
func (c *Client) Recover(ctx context.Context, drive string) (*Recovered, error) {
	request := struct {
		Drive string `json:"drive"`
	}{drive}
	var found Recovered
	if err := c.call(ctx, http.MethodPost, "/v1/recover", request, &found); err != nil {
		return nil, fmt.Errorf("recover from %s: %w", drive, err)
	}
	return &found, nil
}

// Retire asks what retiring a drive would mean, and with confirm does it.
func (c *Client) Retire(ctx context.Context, drive string, confirm bool) (*Retirement, error) {
	request := struct {
		Drive   string `json:"drive"`
		Confirm string `json:"confirm,omitempty"`
	}{Drive: drive}
	if confirm {
		request.Confirm = "yes"
	}
	var found Retirement
	if err := c.call(ctx, http.MethodPost, "/v1/retire", request, &found); err != nil {
		return nil, fmt.Errorf("retire %s: %w", drive, err)
	}
	return &found, nil
}

// HandOver fills a shuttle; an empty selection is that of its rule.
func (c *Client) HandOver(ctx context.Context, drive string, selection []string) (*HandedOver, error) {
	request := struct {
		Drive  string `json:"drive"`
		Select string `json:"select"`
	}{drive, strings.Join(selection, "\n")}
	var done HandedOver
	if err := c.call(ctx, http.MethodPost, "/v1/handover", request, &done); err != nil {
		return nil, fmt.Errorf("hand over to %s: %w", drive, err)
	}
	return &done, nil
}

// Days asks what was off-loaded on which day.
func (c *Client) Days(ctx context.Context, q Question) (*DayList, error) {
	return fetch[DayList](ctx, c, "days", "/v1/days?"+q.values())
}

// Files asks for files and where they are.
func (c *Client) Files(ctx context.Context, q Question) (*FileList, error) {
	return fetch[FileList](ctx, c, "files", "/v1/files?"+q.values())
}

// Missing asks what a drive lacks, which is named by id or name.
func (c *Client) Missing(ctx context.Context, drive string, limit int) (*MissingList, error) {
	return fetch[MissingList](ctx, c, "what drive "+clean(drive)+" lacks", drivesPrefix+url.PathEscape(drive)+missingSuffix+"?"+Question{Limit: limit}.values())
}

// Verdicts asks which verdicts an offload had.
func (c *Client) Verdicts(ctx context.Context, offloadID string) (*VerdictList, error) {
	return fetch[VerdictList](ctx, c, "the verdicts of an offload", offloadsPrefix+url.PathEscape(offloadID)+verdictsSuffix)
}

func fetch[T any](ctx context.Context, c *Client, what, path string) (*T, error) {
	var answer T
	if err := c.call(ctx, http.MethodGet, path, nil, &answer); err != nil {
		return nil, fmt.Errorf("ask for %s: %w", what, err)
	}
	return &answer, nil
}

// Raw asks for one of the windows and takes the answer as it comes.
func (c *Client) Raw(ctx context.Context, path string) ([]byte, error) {
	resp, err := c.do(ctx, http.MethodGet, path, nil)
	if err != nil {
		return nil, fmt.Errorf("ask for %s: %w", path, err)
	}
	defer resp.Body.Close()
	data, err := answer(resp)
	if err != nil {
		return nil, fmt.Errorf("ask for %s: %w", path, err)
	}
	return data, nil
}

// Reload makes the daemon read its policy again.
func (c *Client) Reload(ctx context.Context) error {
	if err := c.call(ctx, http.MethodPost, "/v1/reload", nil, nil); err != nil {
		return fmt.Errorf("reload policy: %w", err)
	}
	return nil
}

// Stop asks the daemon to stop; it returns when the daemon has heard it.
func (c *Client) Stop(ctx context.Context) error {
	if err := c.call(ctx, http.MethodPost, "/v1/stop", nil, nil); err != nil {
		return fmt.Errorf("stop daemon: %w", err)
	}
	return nil
}

func (c *Client) call(ctx context.Context, method, path string, in, out any) error {
	var body []byte
	if in != nil {
		var err error
		if body, err = json.Marshal(in); err != nil {
			return fmt.Errorf("encode request: %w", err)
		}
	}
	resp, err := c.do(ctx, method, path, body)
	if err != nil {
		return err
	}
	defer resp.Body.Close()
	data, err := answer(resp)
	if err != nil || out == nil {
		return err
	}
	if err := json.Unmarshal(data, out); err != nil {
		return fmt.Errorf("decode answer: %w", err)
	}
	return nil
}

func (c *Client) do(ctx context.Context, method, path string, body []byte) (*http.Response, error) {
	req, err := http.NewRequestWithContext(ctx, method, "http://bothy"+path, bytes.NewReader(body))
	if err != nil {
		return nil, err
	}
	if len(body) > 0 {
		req.Header.Set("Content-Type", "application/json")
	}
	return c.http.Do(req)
}

// answer reads a bounded body and turns a status that is no success into a
// *Problem.
func answer(resp *http.Response) ([]byte, error) {
	data, err := io.ReadAll(io.LimitReader(resp.Body, maxAnswer+1))
	if err != nil {
		return nil, fmt.Errorf("read answer: %w", err)
	}
	if len(data) > maxAnswer {
		return nil, fmt.Errorf("read answer: longer than %d bytes", maxAnswer)
	}
	if resp.StatusCode/100 != 2 {
		return nil, readProblem(resp.StatusCode, data)
	}
	return data, nil
}
