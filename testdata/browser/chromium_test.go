package browser

import (
	"bufio"
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"os"
	"os/exec"
	"path/filepath"
	"sync"
	"syscall"
	"testing"
	"time"

	"bothy/testdata/judges"
)

// patience ends a test that hangs; nothing is concluded from time.
const patience = time.Minute

// chromium is a browser that runs. It speaks the Chrome DevTools Protocol over a pipe:
// JSON, each message ended by a zero byte.
type chromium struct {
	gone chan struct{} // closed when it says no more

	writing sync.Mutex
	in      *os.File // guarded by writing

	mu    sync.Mutex
	next  int64                  // guarded by mu
	calls map[int64]chan message // guarded by mu; who waits for an answer
	tabs  map[string]*tab        // guarded by mu; by session
}

// message is an answer, which has an ID, or an event, which has a Method.
type message struct {
	ID      int64           `json:"id"`
	Method  string          `json:"method"`
	Params  json.RawMessage `json:"params"`
	Result  json.RawMessage `json:"result"`
	Session string          `json:"sessionId"`
	Error   *struct {
		Message string `json:"message"`
	} `json:"error"`
}

// newChromium starts a browser that finds no host but this one, keeps nothing, and ends
// with the test.
func newChromium(t *testing.T) *chromium {
	t.Helper()
	program := judges.Need(t, "chromium-headless-shell")
	theirIn, in, err := os.Pipe()
	if err != nil {
		t.Fatal(err)
	}
	out, theirOut, err := os.Pipe()
	if err != nil {
		t.Fatal(err)
	}
	cmd := exec.Command(program, "--remote-debugging-pipe", "--user-data-dir="+t.TempDir(),
		// It is shown our own pages only, and root has no sandbox.
		"--no-sandbox", "--disable-dev-shm-usage",
		"--no-proxy-server", "--host-resolver-rules=MAP * ~NOTFOUND , EXCLUDE 127.0.0.1",
		"--disable-background-networking", "--no-first-run", "--disable-gpu", "--hide-scrollbars",
		// Pictures are to be the same on every machine with the same fonts.
		"--font-render-hinting=none", "--disable-lcd-text", "--force-color-profile=srgb", "--lang=en-GB")
	cmd.ExtraFiles = []*os.File{theirIn, theirOut} // 3 and 4, as the protocol has it
	cmd.Env = append(os.Environ(), "TZ=UTC", "LC_ALL=C.UTF-8")
	cmd.SysProcAttr = &syscall.SysProcAttr{Setpgid: true}
	cmd.WaitDelay = 5 * time.Second // for a helper that left the group with our pipe
	var said bytes.Buffer
	cmd.Stderr = &said
	if err := cmd.Start(); err != nil {
		t.Fatal(err)
	}
	c := &chromium{in: in, gone: make(chan struct{}), calls: map[int64]chan message{}, tabs: map[string]*tab{}}
	errs := errors.Join(theirIn.Close(), theirOut.Close())
	go c.listen(out)
	t.Cleanup(func() {
		_ = syscall.Kill(-cmd.Process.Pid, syscall.SIGKILL) // with all its helpers; it has nothing to keep
		_ = cmd.Wait()
		if err := errors.Join(errs, in.Close(), out.Close()); err != nil {
			t.Error(err)
		}
		<-c.gone
		if t.Failed() {
			t.Logf("chromium said:\n%s", said.Bytes()[max(0, said.Len()-4<<10):])
		}
	})
	return c
}

// listen gives each answer to its caller and each event to its tab, until the browser
// is gone.
func (c *chromium) listen(out io.Reader) {
	defer close(c.gone)
	r := bufio.NewReaderSize(out, 1<<20)
	for {
		text, err := r.ReadBytes(0)
		if err != nil {
			return
		}
		var m message
		if json.Unmarshal(text[:len(text)-1], &m) != nil {
			continue // whoever waits for it says so
		}
		c.mu.Lock()
		answer, event := c.calls[m.ID], c.tabs[m.Session]
		delete(c.calls, m.ID)
		c.mu.Unlock()
		switch {
		case m.Method != "" && event != nil:
			event.note(m)
		case answer != nil:
			answer <- m // it has room for one
		}
	}
}

// call asks for method and decodes the result, if that is wanted.
func (c *chromium) call(ctx context.Context, session, method string, params, into any) error {
	answer := make(chan message, 1)
	c.mu.Lock()
	c.next++
	id := c.next
	c.calls[id] = answer
	text, err := json.Marshal(map[string]any{"id": id, "method": method, "params": params, "sessionId": session})
	if session == "" {
		text, err = json.Marshal(map[string]any{"id": id, "method": method, "params": params})
	}
	c.mu.Unlock()
	if err == nil {
		c.writing.Lock() // it may read no more before it was listened to
		_, err = c.in.Write(append(text, 0))
		c.writing.Unlock()
	}
	if err != nil {
		return fmt.Errorf("ask %s: %w", method, err)
	}
	late := time.NewTimer(patience)
	defer late.Stop()
	select {
	case m := <-answer:
		if m.Error != nil {
			return fmt.Errorf("ask %s: %s", method, m.Error.Message)
		}
		if into == nil {
			return nil
		}
		return json.Unmarshal(m.Result, into)
	case <-c.gone:
		return fmt.Errorf("ask %s: the browser is gone", method)
	case <-late.C:
		return fmt.Errorf("ask %s: no answer", method)
	case <-ctx.Done():
		return fmt.Errorf("ask %s: %w", method, ctx.Err())
	}
}

// save writes what was made to a file below dir, whose name is made of words.
func save(t *testing.T, dir, name string, data []byte) {
	t.Helper()
	if err := os.MkdirAll(dir, 0o755); err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(filepath.Join(dir, name), data, 0o644); err != nil {
		t.Fatal(err)
	}
}
