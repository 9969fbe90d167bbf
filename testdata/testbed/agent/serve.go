package main

import (
	"bufio"
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
	"net/http"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"sync"
	"syscall"
	"time"

	"golang.org/x/sys/unix"

	"bothy/testdata/testbed/wire"
)

// serve answers requests until the port ends. Each request runs on its own
// goroutine, so a command that hangs blocks nobody else.
func serve() error {
	path, err := findPort()
	if err != nil {
		return err
	}
	port, err := os.OpenFile(path, os.O_RDWR, 0)
	if err != nil {
		return err
	}
	defer port.Close()
	s := &server{port: port}
	s.reply(wire.Response{}, nil)
	var pending sync.WaitGroup
	defer pending.Wait()
	in := bufio.NewReaderSize(port, 64<<10)
	for {
		var req wire.Request
		payload, err := wire.Read(in, &req)
		if err != nil {
			return err
		}
		pending.Go(func() { s.handle(req, payload) })
	}
}

// findPort returns the device node of the port by its name in sysfs, without
// waiting for udev to make a link.
func findPort() (string, error) {
	names, err := filepath.Glob("/sys/class/virtio-ports/*/name")
	if err != nil {
		return "", err
	}
	for _, file := range names {
		name, err := os.ReadFile(file)
		if err == nil && strings.TrimSpace(string(name)) == wire.Port {
			return "/dev/" + filepath.Base(filepath.Dir(file)), nil
		}
	}
	return "", fmt.Errorf("find port %s: not among %d virtio ports", wire.Port, len(names))
}

type server struct {
	mu   sync.Mutex // guards writes to port: a frame is sent whole
	port io.Writer
}

func (s *server) reply(res wire.Response, payload []byte) {
	s.mu.Lock()
	defer s.mu.Unlock()
	if err := wire.Write(s.port, res, payload); err != nil {
		fmt.Fprintln(os.Stderr, "testbed agent:", err)
	}
}

func (s *server) handle(req wire.Request, payload []byte) {
	var res wire.Response
	var out []byte
	var err error
	switch req.Op {
	case wire.OpRun:
		res, out, err = runCommand(req, payload)
	case wire.OpRead:
		res, out, err = readFile(req)
	case wire.OpWrite:
		err = writeFile(req, payload)
	case wire.OpHTTP:
		res, out, err = fetch(req, payload)
	case wire.OpDisks:
		out, err = knownDisks()
	case wire.OpSeed:
		err = seed(payload)
	default:
		err = fmt.Errorf("unknown operation %q", req.Op)
	}
	res.ID = req.ID
	if err != nil {
		res.Error = err.Error()
	}
	s.reply(res, out)
}

// bounded keeps the first wire.MaxOutput bytes and remembers that more came.
// Its lock lets the output be taken while a command that cannot die still runs.
type bounded struct {
	mu  sync.Mutex
	buf bytes.Buffer
	cut bool
}

func (b *bounded) Write(p []byte) (int, error) {
	b.mu.Lock()
	defer b.mu.Unlock()
	room := wire.MaxOutput - b.buf.Len()
	b.cut = b.cut || len(p) > room
	b.buf.Write(p[:min(len(p), room)])
	return len(p), nil
}

func (b *bounded) take() ([]byte, bool) {
	b.mu.Lock()
	defer b.mu.Unlock()
	return bytes.Clone(b.buf.Bytes()), b.cut
}

// runCommand runs one command in its own process group, which is killed when
// the time is up. A process stuck in the kernel survives that: the answer goes
// out all the same.
func runCommand(req wire.Request, stdin []byte) (wire.Response, []byte, error) {
	var res wire.Response
	if len(req.Argv) == 0 {
		return res, nil, errors.New("run: no command")
	}
	var stdout, stderr bounded
	cmd := exec.Command(req.Argv[0], req.Argv[1:]...)
	cmd.Dir = req.Dir
	cmd.Env = append([]string{"PATH=/usr/local/sbin:/usr/local/bin:/usr/sbin:/usr/bin", "LC_ALL=C.UTF-8", "HOME=/root"}, req.Env...)
	cmd.Stdin = bytes.NewReader(stdin)
	cmd.Stdout, cmd.Stderr = &stdout, &stderr
	cmd.SysProcAttr = &syscall.SysProcAttr{Setpgid: true}
	// A background child that keeps the pipes open must not hold up the answer.
	cmd.WaitDelay = 2 * time.Second
	if err := cmd.Start(); err != nil {
		return res, nil, err
	}
	done := make(chan error, 1)
	go func() { done <- cmd.Wait() }()
	limit := time.NewTimer(time.Duration(req.TimeoutMillis) * time.Millisecond)
	defer limit.Stop()
	var err error
	select {
	case err = <-done:
	case <-limit.C:
		res.TimedOut = true
		syscall.Kill(-cmd.Process.Pid, syscall.SIGKILL)
		grace := time.NewTimer(3 * time.Second)
		defer grace.Stop()
		select {
		case err = <-done:
		case <-grace.C:
		}
	}
	var exit *exec.ExitError
	switch {
	case errors.As(err, &exit):
		res.Exit = exit.ExitCode()
		if status, ok := exit.Sys().(syscall.WaitStatus); ok && status.Signaled() {
			res.Exit = 128 + int(status.Signal())
		}
	case res.TimedOut:
		res.Exit = 128 + int(syscall.SIGKILL)
	case err != nil && !errors.Is(err, exec.ErrWaitDelay):
		return res, nil, err
	}
	out, outCut := stdout.take()
	errOut, errCut := stderr.take()
	res.StdoutBytes, res.Cut = len(out), outCut || errCut
	return res, append(out, errOut...), nil
}

func readFile(req wire.Request) (wire.Response, []byte, error) {
	var res wire.Response
	f, err := os.Open(req.Path)
	if err != nil {
		return res, nil, err
	}
	defer f.Close()
	info, err := f.Stat()
	if err != nil {
		return res, nil, err
	}
	res.Mode = uint32(info.Mode().Perm())
	buf := make([]byte, min(max(req.Length, 0), wire.MaxPayload))
	n, err := f.ReadAt(buf, req.Offset)
	if errors.Is(err, io.EOF) {
		res.EOF, err = true, nil
	}
	return res, buf[:n], err
}

func writeFile(req wire.Request, payload []byte) error {
	if err := os.MkdirAll(filepath.Dir(req.Path), 0o755); err != nil {
		return err
	}
	flags := os.O_WRONLY | os.O_CREATE
	if req.Truncate {
		flags |= os.O_TRUNC
	}
	f, err := os.OpenFile(req.Path, flags, 0o600)
	if err != nil {
		return err
	}
	_, err = f.WriteAt(payload, req.Offset)
	if err == nil && req.Truncate {
		err = f.Chmod(os.FileMode(req.Mode).Perm())
	}
	return errors.Join(err, f.Close())
}

func fetch(req wire.Request, body []byte) (wire.Response, []byte, error) {
	var res wire.Response
	ctx, cancel := context.WithTimeout(context.Background(), time.Duration(req.TimeoutMillis)*time.Millisecond)
	defer cancel()
	httpReq, err := http.NewRequestWithContext(ctx, req.Method, req.URL, bytes.NewReader(body))
	if err != nil {
		return res, nil, err
	}
	if req.IfNoneMatch != "" {
		httpReq.Header.Set("If-None-Match", req.IfNoneMatch)
	}
	client := &http.Client{CheckRedirect: func(*http.Request, []*http.Request) error { return http.ErrUseLastResponse }}
	answer, err := client.Do(httpReq)
	if err != nil {
		return res, nil, err
	}
	defer answer.Body.Close()
	res.Status, res.Header = answer.StatusCode, answer.Header
	text, err := io.ReadAll(io.LimitReader(answer.Body, wire.MaxOutput))
	for _, name := range req.Files {
		_, begin, err := readFile(wire.Request{Path: name, Length: 4096})
		if err != nil {
			begin = nil
		}
		res.Texts = append(res.Texts, strings.TrimSpace(string(begin)))
	}
	return res, text, err
}

// knownDisks gives, for each SCSI disk that udev has dealt with, its node and its entry
// in udev's database.
func knownDisks() ([]byte, error) {
	names, err := filepath.Glob("/sys/block/sd*/dev")
	if err != nil {
		return nil, err
	}
	var list bytes.Buffer
	for _, name := range names {
		number, err := os.ReadFile(name)
		if err != nil {
			continue // it has just been pulled
		}
		entry, err := os.ReadFile("/run/udev/data/b" + strings.TrimSpace(string(number)))
		if err != nil {
			continue
		}
		fmt.Fprintf(&list, "N:/dev/%s\n%s", filepath.Base(filepath.Dir(name)), entry)
	}
	return list.Bytes(), nil
}

// seed makes the random numbers of this guest its own: guests that go on from
// one saved state would otherwise invent the same ids.
func seed(random []byte) error {
	f, err := os.OpenFile("/dev/urandom", os.O_WRONLY, 0)
	if err != nil {
		return err
	}
	_, err = f.Write(random)
	if err == nil {
		err = unix.IoctlSetInt(int(f.Fd()), unix.RNDRESEEDCRNG, 0)
	}
	return errors.Join(err, f.Close())
}
