package main

import (
	"context"
	"encoding/json"
	"errors"
	"io/fs"
	"net"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"time"

	"github.com/rogpeppe/go-internal/testscript"
	"golang.org/x/sys/unix"

	"bothy/daemon/checksum"
	"bothy/daemon/mhl"
	"bothy/daemon/status"
)

// patience bounds how long a story waits for a message. It is no measure of
// anything: it only keeps a broken program from hanging the tests.
const patience = 60 * time.Second

// cmdManager plays the service manager's part of the sd_notify protocol
// (sd_notify(3)): a datagram socket that is told in NOTIFY_SOCKET.
//
//	manager listen          opens the socket, anew if it was open; later 'exec' lines see it
//	manager await TEXT      blocks until a message with TEXT in it has come
func cmdManager(ts *testscript.TestScript, neg bool, args []string) {
	if neg || len(args) == 0 {
		ts.Fatalf("usage: manager listen | manager await TEXT")
	}
	m := ts.Value(managerKey{}).(*manager)
	path := ts.MkAbs(".notify")
	switch {
	case args[0] == "listen" && len(args) == 1:
		if m.conn != nil {
			ts.Check(m.conn.Close())
			ts.Check(os.RemoveAll(path))
		}
		conn, err := net.ListenUnixgram("unixgram", &net.UnixAddr{Name: path, Net: "unixgram"})
		ts.Check(err)
		ts.Defer(func() { conn.Close() })
		m.conn = conn
		ts.Setenv("NOTIFY_SOCKET", path)
	case args[0] == "await" && len(args) == 2 && m.conn != nil:
		m.await(ts, args[1])
	default:
		ts.Fatalf("usage: manager listen | manager await TEXT")
	}
}

// manager is the service manager of one story.
type manager struct{ conn *net.UnixConn }

type managerKey struct{}

func (m *manager) await(ts *testscript.TestScript, text string) {
	ts.Check(m.conn.SetReadDeadline(time.Now().Add(patience)))
	buf := make([]byte, 64<<10)
	var seen []string
	for {
		n, err := m.conn.Read(buf)
		if err != nil {
			ts.Fatalf("manager await %q: %v; came: %q", text, err, seen)
		}
		message := string(buf[:n])
		if strings.Contains(message, text) {
			ts.Logf("manager: %q", message)
			return
		}
		seen = append(seen, message)
	}
}

// cmdFlip changes one bit: 'flip FILE OFFSET'.
func cmdFlip(ts *testscript.TestScript, neg bool, args []string) {
	if neg || len(args) != 2 {
		ts.Fatalf("usage: flip FILE OFFSET")
	}
	offset, err := strconv.Atoi(args[1])
	ts.Check(err)
	path := ts.MkAbs(args[0])
	data, err := os.ReadFile(path)
	ts.Check(err)
	if offset >= len(data) {
		ts.Fatalf("flip: %s has %d bytes", args[0], len(data))
	}
	data[offset] ^= 1
	ts.Check(os.WriteFile(path, data, 0o644))
}

// cmdSeal gives FOLDER a history of one generation: 'seal FOLDER'.
func cmdSeal(ts *testscript.TestScript, neg bool, args []string) {
	if neg || len(args) != 1 {
		ts.Fatalf("usage: seal FOLDER")
	}
	dir := ts.MkAbs(args[0])
	gen := mhl.Generation{
		Folder: filepath.Base(dir), Process: mhl.InPlace, At: time.Now(), Creator: mhl.Creator{Tool: "a test"},
	}
	root, err := os.OpenRoot(dir)
	ts.Check(err)
	defer root.Close()
	ts.Check(fs.WalkDir(root.FS(), ".", func(path string, e fs.DirEntry, err error) error {
		if err != nil || path == "." {
			return err
		}
		if e.IsDir() {
			gen.Dirs = append(gen.Dirs, path)
			return nil
		}
		data, err := root.ReadFile(path)
		if err != nil {
			return err
		}
		h, err := checksum.New(checksum.XXH128)
		if err != nil {
			return err
		}
		if _, err := h.Write(data); err != nil {
			return err
		}
		info, err := e.Info()
		if err != nil {
			return err
		}
		gen.Files = append(gen.Files, mhl.FileHash{
			Path: path, SizeBytes: info.Size(), ModTime: info.ModTime(),
			Algorithm: checksum.XXH128, Value: h.Sum(), Action: mhl.Original, HashedAt: gen.At,
		})
		return nil
	}))
	_, err = mhl.Append(root, gen, nil)
	ts.Check(err)
}

// cmdJSON reads one whole JSON document and compares one value in it, written as
// JSON but for the quotes of text: 'json FILE folders.0.proven true'. In a path
// a number is an element and len the length of a list.
func cmdJSON(ts *testscript.TestScript, neg bool, args []string) {
	if neg || len(args) != 3 {
		ts.Fatalf("usage: json FILE PATH VALUE")
	}
	var value any
	// Unmarshal refuses whatever follows the document.
	ts.Check(json.Unmarshal([]byte(ts.ReadFile(args[0])), &value))
	for key := range strings.SplitSeq(args[1], ".") {
		switch v := value.(type) {
		case map[string]any:
			next, ok := v[key]
			if !ok {
				ts.Fatalf("json: no %q on the way to %s", key, args[1])
			}
			value = next
		case []any:
			if key == "len" {
				value = len(v)
				continue
			}
			i, err := strconv.Atoi(key)
			if err != nil || i >= len(v) {
				ts.Fatalf("json: no %q on the way to %s", key, args[1])
			}
			value = v[i]
		default:
			ts.Fatalf("json: nothing below %q on the way to %s", key, args[1])
		}
	}
	got, isText := value.(string)
	if !isText {
		data, err := json.Marshal(value)
		ts.Check(err)
		got = string(data)
	}
	if got != args[2] {
		ts.Fatalf("json: %s is %s, want %s", args[1], got, args[2])
	}
}

// cmdExpand replaces $NAME in a file by the story's variables: 'expand FILE'.
func cmdExpand(ts *testscript.TestScript, neg bool, args []string) {
	if neg || len(args) != 1 {
		ts.Fatalf("usage: expand FILE")
	}
	text := os.Expand(ts.ReadFile(args[0]), ts.Getenv)
	ts.Check(os.WriteFile(ts.MkAbs(args[0]), []byte(text), 0o644))
}

// cmdSignal sends a signal to the newest program in the background:
// 'signal HUP' or 'signal TERM'.
func cmdSignal(ts *testscript.TestScript, neg bool, args []string) {
	signals := map[string]os.Signal{"HUP": unix.SIGHUP, "TERM": unix.SIGTERM}
	if neg || len(args) != 1 || signals[args[0]] == nil {
		ts.Fatalf("usage: signal HUP|TERM")
	}
	running := ts.BackgroundCmds()
	if len(running) == 0 {
		ts.Fatalf("signal: nothing runs in the background")
	}
	ts.Check(running[len(running)-1].Process.Signal(signals[args[0]]))
}

// cmdAwaitStatus blocks until the daemon's status, as JSON, holds a text:
// 'await-status SOCKET TEXT'.
func cmdAwaitStatus(ts *testscript.TestScript, neg bool, args []string) {
	if neg || len(args) != 2 {
		ts.Fatalf("usage: await-status SOCKET TEXT")
	}
	client, err := status.Dial(ts.MkAbs(args[0]))
	ts.Check(err)
	defer client.Close()
	ctx, cancel := context.WithTimeout(context.Background(), patience)
	defer cancel()
	found := errors.New("found")
	var last []byte
	err = client.Follow(ctx, func(d *status.Document) error {
		if last, err = json.Marshal(d); err != nil {
			return err
		}
		if strings.Contains(string(last), args[1]) {
			return found
		}
		return nil
	})
	if !errors.Is(err, found) {
		ts.Fatalf("await-status %q: %v; last: %s", args[1], err, last)
	}
}
